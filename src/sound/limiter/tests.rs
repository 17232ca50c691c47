use std::f64::consts::{PI, TAU};

use proptest::prelude::*;

use super::*;

fn limit(limiter: &mut Limiter, input: &[f32]) -> Vec<f32> {
    let mut out = input.to_vec();
    out.extend([0.0; LOOK_AHEAD]);
    limiter.process(&mut out);
    out.split_off(LOOK_AHEAD)
}

fn sine(pitch: f64, amplitude: f64, frames: usize) -> Vec<f32> {
    (0..frames)
        .map(|n| (amplitude * (TAU * pitch * n as f64 / 48000.0).sin()) as f32)
        .collect()
}

#[test]
fn below_the_ceiling_passes_bit_for_bit() {
    let mut limiter = Limiter::new(Dbfs(-6.0));
    let input = sine(997.0, f64::from(Dbfs(-6.0).amplitude()) * 0.985, 48000);
    assert_eq!(limit(&mut limiter, &input), input);
}

/// After an overload the gain comes back to exactly 1.
#[test]
fn passes_bit_for_bit_again_after_an_overload() {
    let mut limiter = Limiter::new(Dbfs(-6.0));
    limit(&mut limiter, &sine(300.0, 1.0, 9600));
    limit(&mut limiter, &vec![0.0; 5 * 48000]);
    let input = sine(440.0, 0.4, 4800);
    assert_eq!(limit(&mut limiter, &input), input);
    assert_eq!(limiter.busy, 0);
}

/// Once the gain has settled, a tone above the ceiling is only made smaller: harmonics stay 80 dB down.
#[test]
fn steady_tone_above_the_ceiling_stays_clean() {
    for pitch in [250.0, 1000.0, 3000.0] {
        let mut limiter = Limiter::new(Dbfs(-6.0));
        let out = limit(&mut limiter, &sine(pitch, 0.9, 96000));
        let part = &out[48000..];
        let bin = |pitch: f64| {
            let (mut re, mut im) = (0.0, 0.0);
            for (n, x) in part.iter().enumerate() {
                let a = TAU * pitch * n as f64 / 48000.0;
                re += f64::from(*x) * a.cos();
                im += f64::from(*x) * a.sin();
            }
            2.0 * re.hypot(im) / part.len() as f64
        };
        let ground = bin(pitch);
        assert!((20.0 * ground.log10() + 6.0).abs() < 0.05, "{ground}");
        for k in 2..6 {
            let harmonic = 20.0 * (bin(pitch * f64::from(k)) / ground).log10();
            assert!(harmonic < -80.0, "harmonic {k} of {pitch} Hz at {harmonic} dB");
        }
    }
}

/// The gain comes down within the look-ahead and before the peak, and back with a time constant of 0.1 s.
#[test]
fn gain_is_ready_for_the_peak_and_comes_back() {
    let mut limiter = Limiter::new(Dbfs(-20.0));
    let mut input = vec![0.05; 96000];
    input[20_000] = 1.0;
    let out = limit(&mut limiter, &input);
    assert!((out[20_000] - 0.1).abs() < 1e-6, "{}", out[20_000]);
    assert!(out[..20_000 - LOOK_AHEAD].iter().all(|x| *x == 0.05));
    let steepest = out[19_000..19_999]
        .windows(2)
        .map(|w| (w[1] - w[0]).abs())
        .fold(0f32, f32::max);
    assert!(steepest < 0.05 * 0.9 / HOLD as f32 * 1.01, "{steepest}");
    let gain = |n: usize| out[n] / 0.05;
    let start = 20_000 + LOOK_AHEAD;
    let back = (1.0 - gain(start + 4800)) / (1.0 - gain(start));
    assert!((back - (-1f32).exp()).abs() < 0.02, "{back}");
}

/// The wave at 16 times the rate, by a sinc over 129 samples (the sampling theorem; an ideal converter).
fn true_peak(samples: &[f32]) -> f64 {
    const HALF: isize = 64;
    let mut peak = 0f64;
    for n in HALF as usize..samples.len() - HALF as usize {
        for sixteenth in 0..16 {
            let t = f64::from(sixteenth) / 16.0;
            let value: f64 = (-HALF..=HALF)
                .map(|k| {
                    let u = t - k as f64;
                    let sinc = if u == 0.0 { 1.0 } else { (PI * u).sin() / (PI * u) };
                    let window = 0.5 + 0.5 * (PI * u / (HALF as f64 + 1.0)).cos();
                    f64::from(samples[(n as isize + k) as usize]) * sinc * window
                })
                .sum();
            peak = peak.max(value.abs());
        }
    }
    peak
}

/// True peak as the crate ebur128 measures it, an independent implementation of ITU-R BS.1770-4 Annex 2.
fn true_peak_of_bs1770(samples: &[f32]) -> f64 {
    let mut meter = ebur128::EbuR128::new(1, 48_000, ebur128::Mode::TRUE_PEAK).unwrap();
    meter.add_frames_f32(samples).unwrap();
    meter.true_peak(0).unwrap()
}

/// ITU-R BS.1770-4 Annex 2: what a converter makes of the samples. Speech-like bursts, tones whose samples miss their
/// peaks, and a step, 12 dB over.
#[test]
fn no_wave_between_samples_exceeds_the_ceiling() {
    let bursts: Vec<f32> = (0..4800)
        .map(|n| {
            let t = f64::from(n) / 48000.0;
            let glottis = (1.0 - (t * 120.0).fract() * 3.0).max(0.0);
            let body: f64 = [500.0, 1500.0, 2500.0, 3300.0]
                .iter()
                .map(|f| (TAU * f * t + f).sin())
                .sum();
            (glottis * body) as f32
        })
        .collect();
    let step: Vec<f32> = (0..2400).map(|n| if n < 1000 { -2.0 } else { 2.0 }).collect();
    let offset = |pitch: f64| -> Vec<f32> {
        (0..2400)
            .map(|n| (2.0 * (TAU * pitch * f64::from(n) / 48000.0 + PI / 4.0).sin()) as f32)
            .collect()
    };
    for (name, input) in [
        ("bursts", bursts),
        ("a step", step),
        ("3 kHz", offset(3000.0)),
        ("8 kHz", offset(8000.0)),
        ("12 kHz", offset(12_000.0)),
    ] {
        let out = limit(&mut Limiter::new(Dbfs(-6.0)), &input);
        let over = 20.0 * true_peak(&out).log10() + 6.0;
        assert!(over < 0.12, "{name}: {over} dB above the ceiling");
        assert!(over > -1.5, "{name}: {over} dB, needlessly soft");
        let independent = 20.0 * true_peak_of_bs1770(&out).log10() + 6.0;
        assert!(independent < 0.12, "{name}: {independent} dB above by ebur128");
        // Samples held at the ceiling are not enough: their wave is above it.
        let clipped: Vec<f32> = input.iter().map(|x| x.clamp(-0.501, 0.501)).collect();
        let between = 20.0 * true_peak_of_bs1770(&clipped).log10() + 6.0;
        println!("{name}: limited {independent:+.2} dB, clipped {between:+.2} dB");
        assert!(between > 0.3, "{name}: {between}");
    }
}

#[test]
fn what_is_not_finite_becomes_silence() {
    let mut limiter = Limiter::new(Dbfs(0.0));
    let mut input = sine(500.0, 0.5, 4800);
    let clean = input.clone();
    input[100] = f32::NAN;
    input[200] = f32::INFINITY;
    input[300] = f32::NEG_INFINITY;
    let out = limit(&mut limiter, &input);
    for (n, (x, want)) in out.iter().zip(&clean).enumerate() {
        let want = if [100, 200, 300].contains(&n) { 0.0 } else { *want };
        assert_eq!(*x, want, "at {n}");
    }
}

#[test]
fn a_wild_value_does_not_silence_what_follows() {
    let mut limiter = Limiter::new(Dbfs(0.0));
    let mut input = vec![0.5; 48000];
    input[1000] = f32::MAX;
    let out = limit(&mut limiter, &input);
    assert!(out.iter().all(|x| x.abs() <= 1.0));
    assert!(out[1000 + 24000] > 0.49);
}

#[derive(Debug, Clone)]
enum Piece {
    Noise(u32, f32, usize),
    Square(usize, f32, usize),
    Silence(usize),
    Odd(f32),
}

fn piece() -> impl Strategy<Value = Piece> {
    prop_oneof![
        (any::<u32>(), 0f32..40.0, 1usize..2000).prop_map(|(s, a, n)| Piece::Noise(s, a, n)),
        (1usize..300, prop_oneof![Just(1.0f32), 0f32..4.0], 1usize..2000).prop_map(|(p, a, n)| Piece::Square(p, a, n)),
        (1usize..20_000).prop_map(Piece::Silence),
        any::<f32>().prop_map(Piece::Odd),
        Just(Piece::Odd(f32::NAN)),
        Just(Piece::Odd(f32::MAX)),
        Just(Piece::Odd(f32::MIN_POSITIVE / 4.0)),
    ]
}

fn signal(pieces: &[Piece]) -> Vec<f32> {
    let mut out = Vec::new();
    for p in pieces {
        match *p {
            Piece::Noise(seed, amplitude, n) => {
                let mut state = seed | 1;
                out.extend((0..n).map(|_| {
                    state ^= state << 13;
                    state ^= state >> 17;
                    state ^= state << 5;
                    amplitude * (state as i32 as f32 / i32::MAX as f32)
                }));
            }
            Piece::Square(half, amplitude, n) => {
                out.extend((0..n).map(|i| if (i / half) % 2 == 0 { amplitude } else { -amplitude }));
            }
            Piece::Silence(n) => out.extend(std::iter::repeat_n(0.0, n)),
            Piece::Odd(x) => out.push(x),
        }
    }
    out
}

proptest! {
    /// No sample above the ceiling, whatever comes in and however it is cut into blocks; and the cuts don't show.
    #[test]
    fn never_above_the_ceiling(
        pieces in prop::collection::vec(piece(), 1..12),
        ceiling in -40f32..0.0,
        size in 1usize..700,
    ) {
        let input = signal(&pieces);
        let mut whole = input.clone();
        Limiter::new(Dbfs(ceiling)).process(&mut whole);
        let top = Dbfs(ceiling).amplitude();
        for x in &whole {
            prop_assert!(x.abs() <= top, "{} above {}", x, top);
        }
        let mut parts = input.clone();
        let mut limiter = Limiter::new(Dbfs(ceiling));
        for part in parts.chunks_mut(size) {
            limiter.process(part);
        }
        prop_assert_eq!(&whole, &parts);
    }

    /// The clamp at the end has nothing to do: the gain alone keeps the ceiling to within the last bit.
    #[test]
    fn the_gain_alone_keeps_the_ceiling(pieces in prop::collection::vec(piece(), 1..8)) {
        let input = signal(&pieces);
        let mut limiter = Limiter::new(Dbfs(-10.0));
        let top = f64::from(Dbfs(-10.0).amplitude());
        let mut wanted = std::collections::VecDeque::new();
        for x in input {
            let x = if x.is_finite() { x.clamp(-WILD, WILD) } else { 0.0 };
            limiter.next(x);
            let gain = limiter.sum as f64 / (f64::from(ONE) * HOLD as f64);
            wanted.push_back(x);
            if wanted.len() > LOOK_AHEAD {
                let leaving = wanted.pop_front().unwrap_or(0.0);
                prop_assert!(f64::from(leaving).abs() * gain <= top * (1.0 + 1e-9));
            }
        }
    }
}
