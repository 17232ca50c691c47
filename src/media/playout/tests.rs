#![allow(clippy::disallowed_methods)]

use super::*;
use crate::media::g711;

/// One packet on its way: media place in samples, when it arrives (ms), what it holds.
struct Sent {
    index: u64,
    arrival_ms: f64,
    payload: Vec<u8>,
}

const FRAME: usize = 160;

fn ms(n: f64) -> Duration {
    Duration::from_secs_f64(n / 1000.0)
}

/// A voice-like sound with pauses: gliding pitch, three harmonics, syllables; about −20 dB.
fn voice(n: usize) -> Vec<f32> {
    let mut phase = 0.0f64;
    (0..n)
        .map(|i| {
            let t = i as f64 / 8000.0;
            phase += (120.0 + 30.0 * (t * 2.1).sin()) / 8000.0 * std::f64::consts::TAU;
            let syllable = (0.5 - 0.5 * (t * 3.7 * std::f64::consts::TAU).cos()).powf(0.5);
            let phrase = if (t % 2.5) < 1.8 { 1.0 } else { 0.0 };
            let x = phase.sin() + 0.6 * (2.0 * phase + 0.5).sin() + 0.4 * (5.0 * phase + 1.0).sin();
            (0.12 * x * syllable * phrase) as f32
        })
        .collect()
}

fn packets(pcm: &[f32]) -> Vec<Sent> {
    pcm.chunks_exact(FRAME)
        .enumerate()
        .map(|(i, c)| Sent {
            index: i as u64,
            arrival_ms: 100.0 + i as f64 * 20.0,
            payload: c.iter().map(|s| g711::ulaw_encode(g711::to_i16(*s))).collect(),
        })
        .collect()
}

/// What G.711 alone makes of it.
fn round_trip(pcm: &[f32]) -> Vec<f32> {
    pcm.iter()
        .map(|s| g711::to_f32(g711::ULAW[usize::from(g711::ulaw_encode(g711::to_i16(*s)))]))
        .collect()
}

struct Run {
    out: Vec<f32>,
    delays: Vec<f32>,
    figures: PlayoutFigures,
}

/// Plays `sent`, pulling every 5 ms from `from_ms` on, `burst` blocks at a time; drains after the last packet.
fn run(mut sent: Vec<Sent>, from_ms: f64, burst: usize) -> Run {
    sent.sort_by(|a, b| a.arrival_ms.total_cmp(&b.arrival_ms));
    let start = Instant::now();
    let mut playout = Playout::new(&PayloadMap::static_types(), PlayoutSettings::default()).unwrap();
    let (mut out, mut delays, mut next) = (Vec::new(), Vec::new(), 0);
    for k in 0..40_000 {
        let now = from_ms + (k / burst * burst) as f64 * 5.0;
        while let Some(s) = sent.get(next).filter(|s| s.arrival_ms <= now) {
            let timestamp = (s.index as u32).wrapping_mul(FRAME as u32).wrapping_sub(5000);
            let packet = Packet::new(65_536 + s.index, timestamp, 0, start + ms(s.arrival_ms), &s.payload).unwrap();
            playout.push(&packet);
            next += 1;
        }
        if next == sent.len() {
            playout.drain();
        }
        out.extend(playout.next_block(start + ms(now)).samples);
        delays.push(playout.figures().delay_ms);
        if playout.is_drained() {
            break;
        }
    }
    assert!(playout.is_drained());
    Run {
        out,
        delays,
        figures: playout.figures(),
    }
}

/// Where `part` begins in `all`, exactly.
fn find(all: &[f32], part: &[f32]) -> Option<usize> {
    all.windows(part.len()).position(|w| w == part)
}

/// Nothing lost, nothing late: the output is the codec's own, sample for sample, 20 to 25 ms after arrival.
#[test]
fn clean_stream_is_bit_exact_at_the_least_delay() {
    let pcm = voice(8000 * 6);
    let run = run(packets(&pcm), 0.0, 1);
    let expected = round_trip(&pcm);
    let at = find(&run.out, &expected).expect("the whole round trip is in the output");
    assert!((960..=1000).contains(&at), "{at}");
    assert!(run.out[..at].iter().all(|s| *s == 0.0));
    let f = run.figures;
    assert_eq!(
        (f.played, f.late, f.concealed_ms, f.shortened_ms, f.stretched_ms),
        (300, 0, 0, 0, 0)
    );
    assert!(run.delays[100..1000].iter().all(|d| (20.0..25.0).contains(d)));
}
