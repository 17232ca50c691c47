#![allow(clippy::disallowed_methods)]

mod endings;
mod meters;
mod music;

use std::collections::VecDeque;
use std::f32::consts::TAU;
use std::sync::Arc;

use super::*;
use crate::media::{PacketSender, queue};
use crate::sound::filter::{BUTTERWORTH, Shape};
use crate::sound::limiter::LOOK_AHEAD;
use crate::sound::resample::Upsampler;

/// Plays the payloads (16-bit little-endian samples) one after another; silence when there is none.
struct Tape {
    rate: u32,
    samples: VecDeque<f32>,
    block: Vec<f32>,
    draining: bool,
    pulls: u64,
    pulled_at: Vec<Instant>,
}

impl Tape {
    fn new(rate: u32) -> Self {
        Tape {
            rate,
            samples: VecDeque::new(),
            block: Vec::new(),
            draining: false,
            pulls: 0,
            pulled_at: Vec::new(),
        }
    }
}

impl Pull for Tape {
    fn push(&mut self, packet: &Packet) {
        let samples = packet
            .payload()
            .chunks_exact(2)
            .map(|b| f32::from(i16::from_le_bytes([b[0], b[1]])) / 32768.0);
        self.samples.extend(samples);
    }
    fn next_block(&mut self, now: Instant) -> Block<'_> {
        self.pulls += 1;
        self.pulled_at.push(now);
        let n = self.rate as usize / 200;
        self.block = (0..n).map(|_| self.samples.pop_front().unwrap_or(0.0)).collect();
        Block {
            rate: self.rate,
            samples: &self.block,
        }
    }
    fn drain(&mut self) {
        self.draining = true;
    }
    fn is_drained(&self) -> bool {
        self.draining && self.samples.is_empty()
    }
    fn figures(&self) -> PlayoutFigures {
        PlayoutFigures {
            played: self.pulls,
            ..Default::default()
        }
    }
}

const FRONT: ZoneId = ZoneId(0);
const YARD: ZoneId = ZoneId(1);

struct Bench {
    engine: Engine<Tape>,
    handle: EngineHandle<Tape>,
    now: Instant,
    channels: usize,
    chunk: usize,
    spent: Vec<Voice<Tape>>,
    drained: Vec<(PageId, usize)>,
    heard: Vec<(PageId, bool, Dbfs, u64)>,
    meters: Vec<(ZoneId, Reading)>,
    frames: usize,
}

impl Bench {
    fn new() -> Self {
        let zone = |zone, channel| ZoneOutput {
            zone,
            channel,
            gain: Db(0.0),
            filters: Vec::new(),
            ceiling: Dbfs(0.0),
        };
        Self::with(&[zone(FRONT, 0), zone(YARD, 1)], 2)
    }

    fn with(zones: &[ZoneOutput], channels: usize) -> Self {
        let (engine, handle) = Engine::build(zones, channels);
        Bench {
            engine,
            handle,
            now: Instant::now(),
            channels,
            chunk: 256,
            spent: Vec::new(),
            drained: Vec::new(),
            heard: Vec::new(),
            meters: Vec::new(),
            frames: 0,
        }
    }

    fn send(&mut self, command: Command<Tape>) {
        assert!(self.handle.commands.push(command).is_ok());
    }

    /// Attaches a voice; its packets go in through what is returned.
    fn attach(&mut self, page: u64, rate: u32) -> Feed {
        let (packets, consumer) = queue(2048, 1 << 20);
        self.send(Command::Attach(Box::new(Voice {
            page: PageId(page),
            playout: Tape::new(rate),
            packets: consumer,
            gain: Db(0.0),
            levelling: None,
            busy_tone: None,
            direct: false,
        })));
        Feed { packets, now: self.now }
    }

    fn speak(&mut self, zone: ZoneId, page: u64) {
        self.send(Command::Speak {
            zone,
            page: PageId(page),
            gain: Db(0.0),
        });
    }

    fn silence(&mut self, zone: ZoneId, page: u64) {
        self.send(Command::Silence {
            zone,
            page: PageId(page),
        });
    }

    fn read_reports(&mut self) {
        while let Ok(report) = self.handle.reports.pop() {
            match report {
                Report::Heard {
                    page,
                    speech,
                    level,
                    figures,
                    ..
                } => self.heard.push((page, speech, level, figures.played)),
                Report::Meter { zone, reading } => self.meters.push((zone, reading)),
                Report::Drained(page) => self.drained.push((page, self.frames)),
                Report::Spent(voice) => self.spent.push(*voice),
            }
        }
    }

    /// Renders milliseconds without reading reports; each channel apart.
    fn render(&mut self, ms: usize) -> Vec<Vec<f32>> {
        let mut channels = vec![Vec::new(); self.channels];
        let mut left = ms * 48;
        while left > 0 {
            let n = left.min(self.chunk);
            let mut out = vec![f32::NAN; n * self.channels];
            self.engine.render(&mut out, self.now);
            self.now += Duration::from_secs(n as u64) / RATE;
            self.frames += n;
            left -= n;
            for frame in out.chunks(self.channels) {
                for (channel, x) in channels.iter_mut().zip(frame) {
                    channel.push(*x);
                }
            }
        }
        channels
    }

    fn run(&mut self, ms: usize) -> Vec<Vec<f32>> {
        let mut all = vec![Vec::new(); self.channels];
        for _ in 0..ms.div_ceil(5) {
            let part = self.render(5);
            all.iter_mut().zip(part).for_each(|(a, p)| a.extend(p));
            self.read_reports();
        }
        all
    }
}

struct Feed {
    packets: PacketSender,
    now: Instant,
}

impl Feed {
    fn samples(&mut self, samples: &[f32]) {
        for part in samples.chunks(400) {
            let bytes: Vec<u8> = part
                .iter()
                .flat_map(|x| ((x * 32768.0).clamp(-32768.0, 32767.0) as i16).to_le_bytes())
                .collect();
            let packet = Packet::new(0, 0, 0, self.now, &bytes).expect("fits");
            assert!(self.packets.push(&packet));
        }
    }
}

fn sine(rate: u32, pitch: f32, amplitude: f32, ms: usize) -> Vec<f32> {
    (0..ms * rate as usize / 1000)
        .map(|n| amplitude * (TAU * pitch * n as f32 / rate as f32).sin())
        .collect()
}

fn rms(x: &[f32]) -> f32 {
    (x.iter().map(|x| x * x).sum::<f32>() / x.len() as f32).sqrt()
}

fn peak(x: &[f32]) -> f32 {
    x.iter().fold(0f32, |a, x| a.max(x.abs()))
}

/// Third difference: a click stands out of it by far.
fn roughness(x: &[f32]) -> f32 {
    x.windows(4)
        .map(|w| (w[3] - 3.0 * w[2] + 3.0 * w[1] - w[0]).abs())
        .fold(0.0, f32::max)
}

fn step(level: f32, on: u64) -> Tone {
    Tone::new(
        &[crate::sound::tone::Step {
            pitch: [1000.0, 0.0],
            level: Dbfs(level),
            on: Duration::from_millis(on),
            off: Duration::ZERO,
        }],
        false,
    )
}

#[test]
fn silent_without_commands() {
    let mut bench = Bench::new();
    let out = bench.run(100);
    assert!(out.iter().flatten().all(|x| *x == 0.0));
}

#[test]
fn held_until_spoken_then_from_the_first_sample() {
    let mut bench = Bench::new();
    let mut feed = bench.attach(1, 8000);
    feed.samples(&sine(8000, 500.0, 0.5, 300));
    let out = bench.run(200);
    assert_eq!(peak(&out[0]), 0.0);
    assert!(bench.heard.is_empty(), "nothing is pulled before the first opening");
    bench.speak(FRONT, 1);
    let out = bench.run(400);
    // All 300 ms come, delayed by the upsampler and the limiter; the other channel stays silent.
    let delay = Upsampler::delay(8000) as usize + LOOK_AHEAD;
    assert_eq!(peak(&out[0][..LOOK_AHEAD]), 0.0);
    let body = &out[0][delay + 300..delay + 299 * 48];
    assert!((rms(body) - 0.5 / 2f32.sqrt()).abs() < 0.003);
    assert!(peak(&out[0][delay + 300 * 48 + 240..]) < 1e-3);
    assert_eq!(peak(&out[1]), 0.0);
    // The phase tells that the first sample played is the first one sent.
    for (n, x) in out[0].iter().enumerate().take(10_000).skip(1000) {
        let want = 0.5 * (TAU * 500.0 * (n as f32 - LOOK_AHEAD as f32 - 119.5) / 48000.0).sin();
        assert!((x - want).abs() < 1e-3, "frame {n}");
    }
}

#[test]
fn one_voice_in_two_zones_is_pulled_once() {
    let mut bench = Bench::new();
    let mut feed = bench.attach(1, 8000);
    feed.samples(&sine(8000, 800.0, 0.25, 1000));
    bench.speak(FRONT, 1);
    bench.run(100);
    bench.speak(YARD, 1);
    let out = bench.run(400);
    assert_eq!(&out[0][2000..], &out[1][2000..], "the same audio in both");
    assert!(rms(&out[1][2000..]) > 0.17);
    assert_eq!(bench.heard.last().map(|h| h.3), Some(100), "100 blocks in 500 ms");
}

#[test]
fn gains_add_up_and_the_ceiling_holds() {
    let zone = |zone, channel, gain, ceiling| ZoneOutput {
        zone,
        channel,
        gain: Db(gain),
        filters: Vec::new(),
        ceiling: Dbfs(ceiling),
    };
    let mut bench = Bench::with(&[zone(FRONT, 2, -6.0, 0.0), zone(YARD, 0, 20.0, -12.0)], 3);
    let (packets, consumer) = queue(64, 1 << 16);
    bench.send(Command::Attach(Box::new(Voice {
        page: PageId(1),
        playout: Tape::new(48000),
        packets: consumer,
        gain: Db(-4.0),
        levelling: None,
        busy_tone: None,
        direct: false,
    })));
    let mut feed = Feed {
        packets,
        now: bench.now,
    };
    feed.samples(&sine(48000, 1000.0, 0.5, 500));
    bench.speak(FRONT, 1);
    bench.speak(YARD, 1);
    let out = bench.run(500);
    let level = Dbfs::of(rms(&out[2][4800..]) * 2f32.sqrt());
    assert!((level.0 - (-6.02 - 10.0)).abs() < 0.05, "{level:?}");
    assert!(peak(&out[0]) <= Dbfs(-12.0).amplitude());
    assert!(peak(&out[0]) > Dbfs(-12.2).amplitude());
    assert_eq!(peak(&out[1]), 0.0, "a channel without a zone");
}

#[test]
fn a_zone_is_filtered_before_its_ceiling() {
    let zone = |zone, channel, shape| ZoneOutput {
        zone,
        channel,
        gain: Db(0.0),
        filters: vec![shape],
        ceiling: Dbfs(-12.0),
    };
    let (boost, cut) = (
        Shape::Bell {
            frequency: 1000.0,
            gain: 12.0,
            q: 1.0,
        },
        Shape::HighPass {
            frequency: 4000.0,
            q: BUTTERWORTH,
        },
    );
    let mut bench = Bench::with(&[zone(FRONT, 0, boost), zone(YARD, 1, cut)], 2);
    let mut feed = bench.attach(1, 48000);
    feed.samples(&sine(48000, 1000.0, 0.2, 500));
    bench.speak(FRONT, 1);
    bench.speak(YARD, 1);
    let out = bench.run(400);
    assert!(peak(&out[0]) <= Dbfs(-12.0).amplitude() && peak(&out[0]) > Dbfs(-12.3).amplitude());
    // Two octaves below a second-order Butterworth: 24.1 dB down.
    let level = Dbfs::of(rms(&out[1][4800..]) * 2f32.sqrt()).0;
    assert!((level - (-13.98 - 24.1)).abs() < 0.5, "{level}");
}

#[test]
fn zones_beyond_the_card_and_unknown_names_are_ignored() {
    let zone = ZoneOutput {
        zone: FRONT,
        channel: 7,
        gain: Db(0.0),
        filters: Vec::new(),
        ceiling: Dbfs(0.0),
    };
    let mut bench = Bench::with(&[zone], 2);
    bench.attach(1, 8000).samples(&[0.5; 400]);
    bench.speak(FRONT, 1);
    bench.speak(ZoneId(99), 1);
    bench.speak(FRONT, 99);
    bench.silence(ZoneId(99), 1);
    bench.send(Command::Detach(PageId(99)));
    let out = bench.run(50);
    assert!(out.iter().flatten().all(|x| *x == 0.0));
    let mut none = Bench::with(&[], 0);
    none.engine.render(&mut [], none.now);
}

#[test]
fn starts_and_stops_without_a_click() {
    let mut bench = Bench::new();
    let mut feed = bench.attach(1, 48000);
    // Begins and is cut in full swing.
    let loud: Vec<f32> = (0..48000)
        .map(|n| 0.5 * (TAU * 200.0 * n as f32 / 48000.0).cos())
        .collect();
    feed.samples(&loud);
    bench.speak(FRONT, 1);
    let mut out = bench.run(100).swap_remove(0);
    bench.silence(FRONT, 1);
    out.extend(bench.run(2).swap_remove(0));
    bench.speak(FRONT, 1);
    out.extend(bench.run(50).swap_remove(0));
    bench.silence(FRONT, 1);
    out.extend(bench.run(50).swap_remove(0));
    // The sine alone has 0.5 · (2π·200/48000)³ = 9e-6; a hard start would have 0.5.
    let worst = roughness(&out);
    assert!(worst < 1e-3, "{worst}");
    assert_eq!(peak(&out[out.len() - 1000..]), 0.0);
}

/// Below another page, and then at its own level: 15 dB is a factor of 0.178, and the way there takes less than 100 ms.
#[test]
fn a_voice_glides_from_below_another_to_its_own_level() {
    let mut bench = Bench::new();
    let mut feed = bench.attach(1, 8000);
    feed.samples(&sine(8000, 400.0, 0.5, 2000));
    let speak = |gain| Command::Speak {
        zone: FRONT,
        page: PageId(1),
        gain: Db(gain),
    };
    bench.send(speak(-15.0));
    let below = bench.run(500);
    let level = rms(&below[0][12_000..]) * 2f32.sqrt();
    assert!((level - 0.5 * 0.1778).abs() < 0.002, "{level}");
    // As when a page that was below takes over the zone.
    bench.silence(FRONT, 1);
    bench.send(speak(0.0));
    let own = bench.run(500);
    let level = rms(&own[0][6_000..]) * 2f32.sqrt();
    assert!((level - 0.5).abs() < 0.01, "{level}");
    // No step on the way: a sine of 400 Hz rises by 0.027 from sample to sample at most.
    let joined: Vec<f32> = below[0][12_000..].iter().chain(&own[0]).copied().collect();
    let step = joined
        .windows(2)
        .map(|pair| (pair[1] - pair[0]).abs())
        .fold(0.0, f32::max);
    assert!(step < 0.028, "{step}");
}

#[test]
fn a_stream_that_sets_in_late_sets_in_softly() {
    for (rate, silence) in [(8000, 0), (8000, 37), (8000, 400), (48_000, 37), (48_000, 2400)] {
        let mut bench = Bench::new();
        let mut feed = bench.attach(1, rate);
        let loud = (0..rate / 10).map(|n| 0.5 * (TAU * 200.0 * n as f32 / rate as f32).cos());
        let mut samples = vec![0.0; silence];
        samples.extend(loud);
        feed.samples(&samples);
        bench.speak(FRONT, 1);
        let at = silence * (48_000 / rate as usize) + Upsampler::delay(rate) as usize + LOOK_AHEAD;
        let out = bench.run(80 + 1000 * silence / rate as usize).swap_remove(0);
        // A hard start has 0.02 from 8 kHz, 0.5 from 48 kHz.
        let worst = roughness(&out);
        assert!(worst < 5e-4, "{worst} after {silence} samples at {rate} Hz");
        assert_eq!(peak(&out[..at]), 0.0);
        // After 5 ms nothing is held back any more.
        for (n, x) in out[at + 240..].iter().enumerate().take(2000) {
            let want = 0.5 * (TAU * 200.0 * (n + 240) as f32 / 48_000.0).cos();
            assert!((x - want).abs() < 0.02, "frame {n}: {x}, not {want}");
        }
    }
}

/// A WAV file of 48 kHz and 16 bits in memory.
fn wav(samples: &[i16]) -> Vec<u8> {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut file = std::io::Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut file, spec).unwrap();
    samples.iter().for_each(|x| writer.write_sample(*x).unwrap());
    writer.finalize().unwrap();
    file.into_inner()
}

/// Sample for sample, from its first to its last, with its gain; and it gives way to a fade.
#[test]
fn a_stored_message_is_a_chime_too() {
    let samples: Vec<i16> = (0..24_000).map(|n| ((n * 37) % 2001) as i16 - 1000).collect();
    let recording = Arc::new(recording::read(&mut wav(&samples).as_slice()).expect("a message"));
    let chime = |gain: f32| {
        let player = recording::Player::new(Arc::clone(&recording), Db(gain), recording::Repeats::ONCE);
        assert_eq!(Sound::Message(player.clone()).length(), Duration::from_millis(500));
        Command::Chime {
            zone: FRONT,
            page: PageId(1),
            sound: Sound::Message(player),
            gain: Db(0.0),
        }
    };
    let mut bench = Bench::new();
    bench.send(chime(-6.0));
    let heard = bench.run(600).swap_remove(0);
    let from = heard.iter().position(|x| *x != 0.0).expect("it is heard");
    let factor = Db(-6.0).factor() / 32_768.0;
    for (n, x) in samples.iter().enumerate().take(23_000).skip(200) {
        let got = heard[from + n];
        assert!((got - f32::from(*x) * factor).abs() < 1e-4, "frame {n}: {got}, {x}");
    }
    assert!(heard[from + 24_100..].iter().all(|x| *x == 0.0));
    assert_eq!(Arc::strong_count(&recording), 1, "it was given back");

    bench.send(chime(0.0));
    bench.run(100);
    bench.silence(FRONT, 1);
    let after = bench.run(100).swap_remove(0);
    assert!(after[2400..].iter().all(|x| *x == 0.0));
}

#[test]
fn chimes_sound_in_several_zones_apart() {
    let mut bench = Bench::new();
    bench.send(Command::Chime {
        zone: FRONT,
        page: PageId(1),
        sound: Sound::Tone(step(-6.0, 200)),
        gain: Db(0.0),
    });
    let first = bench.run(100);
    assert!((peak(&first[0]) - Dbfs(-6.0).amplitude()).abs() < 1e-3);
    assert_eq!(peak(&first[1]), 0.0);
    bench.send(Command::Chime {
        zone: YARD,
        page: PageId(2),
        sound: Sound::Tone(step(-20.0, 200)),
        gain: Db(0.0),
    });
    let second = bench.run(150);
    assert!((peak(&second[1]) - 0.1).abs() < 1e-3);
    assert!(peak(&second[0][110 * 48..]) < 1e-6, "the first ends by itself");
    bench.silence(YARD, 2);
    let third = bench.run(50);
    assert!(peak(&third[1][10 * 48..]) < 1e-6, "the second is cut short");
    assert!(roughness(&third[1]) < 0.1 * (TAU * 1000.0 / 48000.0).powi(3) * 1.5);
}

#[test]
fn a_chime_needs_no_voice_and_one_follows_another_softly() {
    let mut bench = Bench::new();
    let mut out = Vec::new();
    for page in 0..30 {
        bench.send(Command::Chime {
            zone: FRONT,
            page: PageId(page % 3),
            sound: Sound::Tone(step(-12.0, 500)),
            gain: Db(0.0),
        });
        out.extend(bench.run(20).swap_remove(0));
        bench.silence(FRONT, page % 3);
    }
    assert!(roughness(&out) < 0.25 * (TAU * 1000.0 / 48000.0).powi(3) * 2.0);
    let rest = bench.run(100).swap_remove(0);
    assert_eq!(peak(&rest[20 * 48..]), 0.0);
}

#[test]
fn a_second_voice_of_a_page_takes_over_its_zones() {
    let mut bench = Bench::new();
    let mut first = bench.attach(1, 8000);
    first.samples(&sine(8000, 440.0, 0.3, 2000));
    bench.speak(YARD, 1);
    bench.run(100);
    let mut second = bench.attach(1, 48000);
    second.samples(&sine(48000, 440.0, 0.1, 500));
    let out = bench.run(200);
    assert_eq!(bench.spent.len(), 1);
    assert!((rms(&out[1][2400..]) - 0.1 / 2f32.sqrt()).abs() < 0.002);
    assert_eq!(peak(&out[0]), 0.0);
}

#[test]
fn a_voice_that_speaks_on_another_card_runs_along_unheard() {
    let mut bench = Bench::new();
    let mut feed = bench.attach(1, 48000);
    feed.samples(&sine(48000, 440.0, 0.3, 300));
    feed.samples(&sine(48000, 440.0, 0.1, 700));
    bench.speak(ZoneId(99), 1);
    let out = bench.run(300);
    assert_eq!(peak(&out[0]), 0.0);
    bench.speak(FRONT, 1);
    let out = bench.run(200);
    let heard = rms(&out[0][2400..]);
    assert!(
        (heard - 0.1 / 2f32.sqrt()).abs() < 0.002,
        "{heard}: not what is said now"
    );
    bench.send(Command::Drain(PageId(1)));
    bench.run(1000);
    assert_eq!(bench.drained.len(), 1);
}

#[test]
fn figures_come_every_50_ms_with_level_and_speech() {
    let mut bench = Bench::new();
    let mut feed = bench.attach(1, 8000);
    // Bursts of 150 ms: syllables to the detector.
    let bursts: Vec<f32> = (0..16_000)
        .map(|n| {
            let on = n % 2400 < 1200;
            let envelope = if on {
                (std::f32::consts::PI * (n % 2400) as f32 / 1200.0).sin()
            } else {
                0.0
            };
            0.3 * envelope * (TAU * 600.0 * n as f32 / 8000.0).sin()
        })
        .collect();
    feed.samples(&bursts);
    bench.speak(FRONT, 1);
    bench.run(2000);
    assert_eq!(bench.heard.len(), 40);
    assert!(bench.heard.iter().filter(|h| h.1).count() > 25);
    bench.run(3000);
    let (_, speech, level, _) = bench.heard.last().copied().expect("figures");
    assert!(!speech);
    assert_eq!(level, Dbfs(-120.0));
    let mut steady = bench.attach(2, 8000);
    steady.samples(&sine(8000, 1000.0, 0.1, 1000));
    bench.speak(FRONT, 2);
    bench.run(500);
    let level = bench.heard.iter().rfind(|h| h.0 == PageId(2)).map(|h| h.2.0);
    assert!(level.is_some_and(|l| (l + 23.01).abs() < 0.1), "{level:?}");
}

/// Each block is pulled at the time at which it begins to play.
#[test]
fn blocks_are_pulled_on_the_cards_clock() {
    let mut bench = Bench::new();
    bench.chunk = 1000;
    let feed = bench.attach(1, 8000);
    bench.speak(FRONT, 1);
    let start = bench.now;
    bench.render(1000);
    bench.send(Command::Detach(PageId(1)));
    bench.run(20);
    let times = &bench.spent[0].playout.pulled_at;
    for (n, at) in times.iter().take(200).enumerate() {
        let want = start + Duration::from_millis(5 * n as u64);
        let off = at.max(&want).duration_since(*at.min(&want));
        assert!(off < Duration::from_micros(50), "block {n} is off by {off:?}");
    }
    drop(feed);
}

#[test]
fn any_chunk_size_gives_the_same_audio() {
    let play = |chunk| {
        let mut bench = Bench::new();
        bench.chunk = chunk;
        let mut feed = bench.attach(1, 8000);
        feed.samples(&sine(8000, 330.0, 0.7, 400));
        bench.speak(FRONT, 1);
        bench.send(Command::Chime {
            zone: YARD,
            page: PageId(1),
            sound: Sound::Tone(Tone::chime_triple()),
            gain: Db(0.0),
        });
        bench.render(500)
    };
    let whole = play(240);
    for chunk in [1, 7, 239, 241, 1024, 24000] {
        assert!(play(chunk) == whole, "chunks of {chunk}");
    }
}

/// The level is set while somebody speaks: a sine goes from one gain to the other in 50 ms, and nothing clicks.
#[test]
fn a_zone_glides_to_another_gain() {
    let mut bench = Bench::new();
    let mut feed = bench.attach(1, 48000);
    feed.samples(&sine(48000, 200.0, 0.2, 1000));
    bench.speak(YARD, 1);
    let before = bench.run(400);
    bench.send(Command::Gain {
        zone: YARD,
        gain: Db(-12.0),
    });
    let after = bench.run(400);
    let level = |x: &[f32]| Dbfs::of(rms(x) * 2f32.sqrt()).0;
    let (loud, soft) = (&before[1][9600..], &after[1][4800..]);
    assert!(
        (level(loud) - level(soft) - 12.0).abs() < 0.05,
        "{} {}",
        level(loud),
        level(soft)
    );
    // A step of 12 dB at a crest would have 0.15.
    assert!(roughness(&after[1][..4800]) < 1e-3, "{}", roughness(&after[1][..4800]));
}
