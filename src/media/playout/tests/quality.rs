//! Concealment against its alternatives, by distance from the undisturbed audio.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::super::*;
use super::bench::*;
use crate::media::g711;

/// Mean distance, dB, of the log spectra of `a` and `b` in frames of 16 ms that are not silent (128-point DFT,
/// Hann window, floor 40 dB below the frame's peak): the usual measure for vocoders and concealment.
fn log_spectral_distance(a: &[f32], b: &[f32]) -> f64 {
    const N: usize = 128;
    let spectrum = |x: &[f32]| -> Vec<f64> {
        (1..N / 2)
            .map(|k| {
                let (mut re, mut im) = (0.0, 0.0);
                for (i, s) in x.iter().enumerate() {
                    let t = std::f64::consts::TAU * i as f64 / N as f64;
                    let w = f64::from(*s) * (0.5 - 0.5 * t.cos());
                    re += w * (t * k as f64).cos();
                    im += w * (t * k as f64).sin();
                }
                re * re + im * im
            })
            .collect()
    };
    let mut total = 0.0;
    let mut count = 0;
    for (x, y) in a.chunks_exact(N).zip(b.chunks_exact(N)) {
        if activity::power(x) < 1e-5 {
            continue;
        }
        let (x, y) = (spectrum(x), spectrum(y));
        let floor = x.iter().copied().fold(0.0, f64::max) * 1e-4 + 1e-12;
        let d = x
            .iter()
            .zip(&y)
            .map(|(p, q)| (10.0 * ((p + floor) / (q + floor)).log10()).powi(2))
            .sum::<f64>();
        total += (d / x.len() as f64).sqrt();
        count += 1;
    }
    total / f64::from(count)
}

/// 5 % random loss. Closer to the undisturbed audio than repeating the last packet, and that than silence.
#[test]
fn concealment_beats_repetition_and_silence() {
    let pcm = voice(8000 * 30);
    let clean = round_trip(&pcm);
    let mut rng = ChaCha8Rng::seed_from_u64(21);
    let lost: Vec<bool> = (0..1500).map(|i| i > 20 && rng.random_bool(0.05)).collect();
    let sent: Vec<Sent> = packets(&pcm, FRAME, 0.0)
        .into_iter()
        .zip(&lost)
        .filter(|(_, lost)| !**lost)
        .map(|(s, _)| s)
        .collect();
    let run = Player::deep().play(sent);
    let start = find(&run.out, &clean[..1600]).unwrap();

    let (mut repeated, mut silent) = (clean.clone(), clean.clone());
    for (i, _) in lost.iter().enumerate().filter(|(_, l)| **l) {
        silent[i * FRAME..(i + 1) * FRAME].fill(0.0);
        repeated.copy_within((i - 1) * FRAME..i * FRAME, i * FRAME);
    }
    let ours = log_spectral_distance(&clean, &run.out[start..]);
    let repetition = log_spectral_distance(&clean, &repeated);
    let silence = log_spectral_distance(&clean, &silent);
    println!("log-spectral distance, dB: concealed {ours:.3}, repeated {repetition:.3}, silent {silence:.3}");
    assert!(
        ours < 0.6 * repetition && repetition < silence,
        "{ours} {repetition} {silence}"
    );
}

/// The level falls to silence in a long gap, without a click at either end.
#[test]
fn a_long_gap_fades_out_and_in() {
    let pcm: Vec<f32> = (0..16_000)
        .map(|i| 0.4 * (i as f32 * std::f32::consts::TAU / 64.0).sin())
        .collect();
    let mut sent = packets(&pcm, FRAME, 0.0);
    sent.drain(40..70);
    let run = play(sent);
    let expected = round_trip(&pcm);
    let at = find(&run.out, &expected[..6400]).unwrap() + 6400;
    assert!(
        activity::power(&run.out[at..at + 80]) > 0.05,
        "the first 10 ms are full"
    );
    assert!(
        run.out[at + 8 * 90..at + 8 * 590].iter().all(|s| *s == 0.0),
        "silent after 90 ms"
    );
    assert!(
        largest_step(&run.out) < 1.25 * largest_step(&expected),
        "{}",
        largest_step(&run.out)
    );
    assert!((60..=100).contains(&run.figures.concealed_ms), "{:?}", run.figures);
}

/// Time-stretch on a steady voice: what comes out is as periodic as what went in.
#[test]
fn stretching_keeps_the_pitch() {
    let mut line = Line::new(8000);
    let tone = |n: usize| -> Vec<f32> {
        (0..n)
            .map(|i| {
                let p = i as f32 * std::f32::consts::TAU / 57.3;
                0.3 * p.sin() + 0.2 * (3.0 * p).sin()
            })
            .collect()
    };
    for (name, cut) in [("cut", true), ("insert", false)] {
        line.reset(8000);
        line.append(2000).unwrap().copy_from_slice(&tone(2000));
        let mut out = [0.0; 40];
        let mut played = Vec::new();
        for _ in 0..15 {
            line.take(&mut out);
            played.extend(out);
        }
        for _ in 0..8 {
            let plan = if cut {
                stretch::plan_cut(&line)
            } else {
                stretch::plan_insert(&line)
            }
            .unwrap();
            assert!(plan.correlation > 0.98, "{name}: {plan:?}");
            let before = line.pending();
            let changed = if cut {
                stretch::cut(&mut line, plan.length)
            } else {
                stretch::insert(&mut line, plan.length)
            };
            assert_eq!(changed, plan.length);
            assert_eq!(line.pending().abs_diff(before), changed);
            line.take(&mut out);
            played.extend(out);
        }
        let (lag, correlation) = pitch::at_end(&played, 8000).unwrap();
        let periods = lag as f32 / 57.3;
        assert!((periods - periods.round()).abs() < 0.03, "{name}: {lag}");
        assert!(correlation > 0.98, "{name}: {correlation}");
        assert!(largest_step(&played) < 1.1 * largest_step(&tone(2000)), "{name}");
    }
}

/// The same at 16 kHz: G.722 with 3 % random loss, the gaps filled from both ends.
#[test]
fn g722_is_concealed_at_its_own_rate() {
    use crate::media::g722;
    const WIDE: usize = 2 * FRAME;
    let pcm = voice(16_000 * 30);
    let mut encoder = g722::Encoder::new();
    let octets: Vec<u8> = pcm
        .chunks_exact(2)
        .map(|p| encoder.encode(g711::to_i16(p[0]), g711::to_i16(p[1])))
        .collect();
    let mut decoder = g722::Decoder::new();
    let clean: Vec<f32> = octets
        .iter()
        .flat_map(|o| decoder.decode(*o))
        .map(g711::to_f32)
        .collect();
    let mut rng = ChaCha8Rng::seed_from_u64(22);
    let lost: Vec<bool> = (0..1500).map(|i| i > 20 && rng.random_bool(0.03)).collect();
    let sent: Vec<Sent> = octets
        .chunks_exact(FRAME)
        .enumerate()
        .filter(|(i, _)| !lost[*i])
        .map(|(i, c)| Sent {
            seq: 65_536 + i as u64,
            timestamp: (i * FRAME) as u32,
            payload_type: 9,
            restart: false,
            arrival_ms: 100.0 + i as f64 * 20.0,
            payload: c.to_vec(),
        })
        .collect();
    let run = Player::deep().play(sent);
    assert!(run.rates.contains(&16_000));
    // The line was at 8 kHz before: the first 2 ms are faded in.
    let start = find(&run.out, &clean[WIDE..10 * WIDE]).unwrap() - WIDE;

    // A plain receiver: silence in the gap.
    let mut plain = Vec::new();
    let mut decoder = g722::Decoder::new();
    for (packet, lost) in octets.chunks_exact(FRAME).zip(&lost) {
        match lost {
            true => plain.resize(plain.len() + WIDE, 0.0),
            false => plain.extend(packet.iter().flat_map(|o| decoder.decode(*o)).map(g711::to_f32)),
        }
    }
    let ours = log_spectral_distance(&clean, &run.out[start..]);
    let silence = log_spectral_distance(&clean, &plain);
    println!("G.722, log-spectral distance, dB: concealed {ours:.3}, plain {silence:.3}");
    assert!(ours < 0.65 * silence, "{ours} {silence}");
}
