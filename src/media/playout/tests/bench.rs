//! What the tests share: a voice, a sender, a network, and an output that pulls.

use rand::Rng;
use rand_chacha::ChaCha8Rng;

use super::super::*;
use crate::media::g711;

pub const FRAME: usize = 160;

/// One packet on its way.
#[derive(Debug, Clone)]
pub struct Sent {
    pub seq: u64,
    pub timestamp: u32,
    pub payload_type: u8,
    pub restart: bool,
    pub arrival_ms: f64,
    pub payload: Vec<u8>,
}

pub fn ms(n: f64) -> Duration {
    Duration::from_secs_f64(n / 1000.0)
}

/// A voice-like sound: gliding pitch, harmonics under formants, syllables, pauses of 0.7 s; about −20 dB.
pub fn voice(n: usize) -> Vec<f32> {
    let mut phase = 0.0f64;
    (0..n)
        .map(|i| {
            let t = i as f64 / 8000.0;
            phase += (125.0 + 30.0 * (t * 2.1).sin()) / 8000.0 * std::f64::consts::TAU;
            let syllable = (0.5 - 0.5 * (t * 3.7 * std::f64::consts::TAU).cos()).sqrt();
            let phrase = if t % 2.5 < 1.8 { 1.0 } else { 0.0 };
            let formant = 500.0 + 250.0 * (t * 5.0).sin();
            let x: f64 = (1..=20)
                .map(|h| {
                    let hz = 125.0 * f64::from(h);
                    let shape =
                        1.0 / (1.0 + ((hz - formant) / 150.0).powi(2)) + 0.4 / (1.0 + ((hz - 1500.0) / 200.0).powi(2));
                    shape * (phase * f64::from(h) + f64::from(h * h)).sin()
                })
                .sum();
            (0.12 * x * syllable * phrase) as f32
        })
        .collect()
}

pub fn encode(pcm: &[f32]) -> Vec<u8> {
    pcm.iter().map(|s| g711::ulaw_encode(g711::to_i16(*s))).collect()
}

/// What G.711 alone makes of it.
pub fn round_trip(pcm: &[f32]) -> Vec<f32> {
    encode(pcm)
        .into_iter()
        .map(|c| g711::to_f32(g711::ULAW[usize::from(c)]))
        .collect()
}

/// µ-law packets of `frame` samples, the first at 100 ms, sent by a clock that is slow by `ppm`.
pub fn packets(pcm: &[f32], frame: usize, ppm: f64) -> Vec<Sent> {
    pcm.chunks_exact(frame)
        .enumerate()
        .map(|(i, c)| Sent {
            seq: 65_536 + i as u64,
            timestamp: ((i * frame) as u32).wrapping_sub(5000),
            payload_type: 0,
            restart: false,
            arrival_ms: 100.0 + (i * frame) as f64 / 8.0 * (1.0 + ppm * 1e-6),
            payload: encode(c),
        })
        .collect()
}

/// Delays and losses between sender and receiver.
#[derive(Debug, Clone, Copy, Default)]
pub struct Network {
    /// Mean of an exponential delay, ms.
    pub jitter_ms: f64,
    pub loss: f64,
    /// Probability that a loss is followed by another (0: independent).
    pub burst: f64,
    /// Stalls per packet, and how long nothing comes then.
    pub stalls: f64,
    pub stall_ms: f64,
}

impl Network {
    pub fn carry(&self, sent: &[Sent], rng: &mut ChaCha8Rng) -> Vec<Sent> {
        let (mut stalled_until, mut lost) = (0.0, false);
        let mut arrived: Vec<Sent> = Vec::new();
        for s in sent {
            let jitter = -self.jitter_ms * (1.0 - rng.random::<f64>()).ln();
            if rng.random_bool(self.stalls) {
                stalled_until = s.arrival_ms + self.stall_ms;
            }
            lost = rng.random_bool(if lost && self.burst > 0.0 {
                self.burst
            } else {
                self.loss
            });
            if !lost {
                arrived.push(Sent {
                    arrival_ms: (s.arrival_ms + jitter).max(stalled_until),
                    ..s.clone()
                });
            }
        }
        arrived
    }
}

pub struct Run {
    pub out: Vec<f32>,
    pub rates: Vec<u32>,
    /// Delay and target at each block, ms.
    pub delays: Vec<f32>,
    pub targets: Vec<f32>,
    pub figures: PlayoutFigures,
}

impl Run {
    pub fn mean_delay(&self) -> f32 {
        let known = &self.delays[60..self.delays.len() - 40];
        known.iter().sum::<f32>() / known.len() as f32
    }
}

pub struct Player {
    pub playout: Playout,
    pub start: Instant,
    /// Where the output begins to pull, ms, how many blocks at once, and how its clock deviates.
    pub from_ms: f64,
    pub pull_at_once: usize,
    pub card_ppm: f64,
}

impl Player {
    pub fn new(map: PayloadMap) -> Self {
        Player {
            playout: Playout::new(&map, PlayoutSettings::default()).unwrap(),
            start: Instant::now(),
            from_ms: 0.0,
            pull_at_once: 1,
            card_ppm: 0.0,
        }
    }

    /// With a least delay that shows both ends of a short loss, so that the time line never has to stand still.
    pub fn deep() -> Self {
        Player::within(90.0, 400.0)
    }

    /// With other bounds of the delay, ms.
    pub fn within(min: f64, max: f64) -> Self {
        let settings = PlayoutSettings {
            min_delay: ms(min),
            max_delay: ms(max),
            ..PlayoutSettings::default()
        };
        let map = PayloadMap::static_types();
        Player {
            playout: Playout::new(&map, settings).unwrap(),
            ..Player::new(map)
        }
    }

    pub fn push(&mut self, s: &Sent) {
        let at = self.start + ms(s.arrival_ms);
        let mut packet = Packet::new(s.seq, s.timestamp, s.payload_type, at, &s.payload).unwrap();
        packet.restart = s.restart;
        self.playout.push(&packet);
    }

    /// Plays `sent` to the end; drains after the last packet.
    pub fn play(mut self, mut sent: Vec<Sent>) -> Run {
        sent.sort_by(|a, b| a.arrival_ms.total_cmp(&b.arrival_ms));
        let (mut out, mut rates, mut delays, mut targets, mut next) =
            (Vec::new(), Vec::new(), Vec::new(), Vec::new(), 0);
        let block_ms = 5.0 * (1.0 + self.card_ppm * 1e-6);
        for k in 0..400_000 {
            let now = self.from_ms + (k / self.pull_at_once * self.pull_at_once) as f64 * block_ms;
            while let Some(s) = sent.get(next).filter(|s| s.arrival_ms <= now) {
                self.push(s);
                next += 1;
            }
            if next == sent.len() {
                self.playout.drain();
            }
            let block = self.playout.next_block(self.start + ms(now));
            assert_eq!(block.samples.len(), block.rate as usize / 200);
            assert!(block.samples.iter().all(|s| s.is_finite() && s.abs() <= 1.5));
            out.extend(block.samples);
            rates.push(block.rate);
            delays.push(self.playout.figures().delay_ms);
            targets.push(self.playout.figures().target_ms);
            if self.playout.is_drained() {
                break;
            }
        }
        assert!(self.playout.is_drained());
        Run {
            out,
            rates,
            delays,
            targets,
            figures: self.playout.figures(),
        }
    }
}

pub fn play(sent: Vec<Sent>) -> Run {
    Player::new(PayloadMap::static_types()).play(sent)
}

/// Where `part` begins in `all`, exactly.
pub fn find(all: &[f32], part: &[f32]) -> Option<usize> {
    all.windows(part.len()).position(|w| w == part)
}

/// Largest step between neighbouring samples.
pub fn largest_step(x: &[f32]) -> f32 {
    x.windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f32::max)
}
