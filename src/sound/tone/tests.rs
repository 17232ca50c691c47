use super::*;

fn play(tone: &Tone, rate: u32) -> Vec<f32> {
    let mut generator = ToneGenerator::once(tone, rate);
    let mut out = vec![0.0; (tone.length().as_secs_f64() * f64::from(rate)) as usize + 100];
    generator.fill(&mut out);
    assert!(generator.finished());
    out
}

/// Amplitude of the sine at `pitch` over a stretch (a single DFT bin with a Hann window).
fn amplitude(signal: &[f32], pitch: f64, rate: f64) -> f64 {
    let (mut re, mut im, mut weight) = (0.0, 0.0, 0.0);
    for (n, x) in signal.iter().enumerate() {
        let w = 0.5 - 0.5 * (TAU * n as f64 / signal.len() as f64).cos();
        let a = TAU * pitch * n as f64 / rate;
        re += w * f64::from(*x) * a.cos();
        im += w * f64::from(*x) * a.sin();
        weight += w;
    }
    2.0 * re.hypot(im) / weight
}

fn all() -> [Tone; 9] {
    [
        Tone::chime_single(),
        Tone::chime_double(),
        Tone::chime_triple(),
        Tone::go_ahead(),
        Tone::code_prompt(),
        Tone::zone_prompt(),
        Tone::refused(),
        Tone::busy(),
        Tone::busy_north_america(),
    ]
}

/// E.180's preferred busy tone is 425 Hz (RFC 4733 Table 4); here 0.5 s on and off.
#[test]
fn busy_tone_has_its_pitch_level_and_cadence() {
    for rate in [8000, 48000] {
        let out = play(&Tone::busy(), rate);
        let half = rate as usize / 2;
        let middle = &out[half / 10..half * 9 / 10];
        let level = 20.0 * amplitude(middle, 425.0, f64::from(rate)).log10();
        assert!((level - (-13.0 - 3.17)).abs() < 0.1, "{level} dBFS at {rate} Hz");
        assert!(out[half..].iter().all(|x| *x == 0.0));
        assert!(out[half - rate as usize / 100..half].iter().any(|x| x.abs() > 0.02));
    }
}

/// 480 + 620 Hz at −24 dBm each, within ±0.5 % and ±1.5 dB, harmonics 30 dB down (RFC 4733 Table 4, NA plan).
#[test]
fn north_american_busy_tone_has_both_pitches() {
    let out = play(&Tone::busy_north_america(), 8000);
    let middle = &out[400..3600];
    for pitch in [480.0, 620.0] {
        let level = 20.0 * amplitude(middle, pitch, 8000.0).log10() + 3.17;
        assert!((level + 24.0).abs() < 0.2, "{level} dBm0 at {pitch} Hz");
    }
    for other in [960.0, 1240.0, 1100.0, 140.0] {
        let level = 20.0 * amplitude(middle, other, 8000.0).log10() + 3.17;
        assert!(level < -24.0 - 40.0, "{level} dBm0 at {other} Hz");
    }
}

#[test]
fn blocks_of_any_size_give_the_same_samples() {
    for tone in all() {
        let whole = play(&tone, 48000);
        let mut generator = ToneGenerator::once(&tone, 48000);
        let mut parts = vec![0.0; whole.len()];
        let (mut at, mut size) = (0, 1);
        while at < parts.len() {
            let end = (at + size).min(parts.len());
            generator.add_to(&mut parts[at..end]);
            at = end;
            size = size * 7 % 311 + 1;
        }
        assert_eq!(whole, parts);
    }
}

/// A click is energy far above the pitches: what a steep high-pass leaves must stay low, edges included.
/// The bound is the highest partial's own third difference plus a tenth.
#[test]
fn edges_do_not_click() {
    for tone in all() {
        let mut out = vec![0.0; 480];
        out.extend(play(&tone, 48000));
        let top = if tone.struck() { OVERTONE } else { 1.0 };
        let bound: f64 = tone
            .steps()
            .map(|s| {
                let amplitude = f64::from(s.level.amplitude());
                let each = |pitch: f64| (2.0 * (PI * pitch / 48000.0).sin()).powi(3);
                s.pitch
                    .iter()
                    .map(|p| {
                        let p = f64::from(*p);
                        if top > 1.0 {
                            amplitude * ((1.0 - OVERTONE_SHARE) * each(p) + OVERTONE_SHARE * each(p * top))
                        } else {
                            amplitude * each(p)
                        }
                    })
                    .sum::<f64>()
            })
            .sum();
        let worst = out
            .windows(4)
            .map(|w| f64::from(w[3] - 3.0 * w[2] + 3.0 * w[1] - w[0]).abs())
            .fold(0.0, f64::max);
        assert!(worst < bound * 1.1 + 2e-6, "{worst} against {bound}");
    }
}

#[test]
fn no_peak_above_its_level() {
    for tone in all() {
        let level: f32 = tone
            .steps()
            .map(|s| s.level.amplitude() * s.pitch.iter().filter(|p| **p > 0.0).count() as f32)
            .fold(0.0, f32::max);
        // Bars that ring on below the next one may add to it.
        let allowed = if tone.struck() { 2.0 } else { 1.0001 } * level;
        for rate in [8000, 16000, 48000] {
            let peak = play(&tone, rate).iter().fold(0f32, |a, x| a.max(x.abs()));
            assert!(peak <= allowed, "{peak} > {allowed}");
            assert!(peak > level * 0.7, "{peak} for a level of {level}");
        }
    }
}

/// ISO 8201 temporal-3: 0.5 s on and off, ±10 %, three times, then 1.5 s off. No chime comes near it: none has
/// three bursts parted by silence, and none repeats.
#[test]
fn no_chime_resembles_the_evacuation_signal() {
    for tone in [Tone::chime_single(), Tone::chime_double(), Tone::chime_triple()] {
        assert!(tone.length() < Duration::from_secs(3));
        let out = play(&tone, 8000);
        // Bursts as a listener or a detector hears them: 20 ms frames more than 12 dB below the loudest are off.
        let power: Vec<f32> = out.chunks(160).map(|c| c.iter().map(|x| x * x).sum()).collect();
        let loudest = power.iter().copied().fold(0f32, f32::max);
        let on: Vec<bool> = power.iter().map(|p| *p > loudest * 10f32.powf(-1.2)).collect();
        let bursts = on.windows(2).filter(|w| !w[0] && w[1]).count() + usize::from(on[0]);
        assert!(bursts <= 2, "{bursts} bursts");
        for step in tone.steps() {
            let gap = step.off.as_secs_f32();
            assert!(!(0.45..=0.55).contains(&gap));
        }
    }
}

#[test]
fn struck_bars_decay() {
    let out = play(&Tone::chime_single(), 48000);
    let rms = |from: f32, to: f32| {
        let part = &out[(from * 48000.0) as usize..(to * 48000.0) as usize];
        (part.iter().map(|x| x * x).sum::<f32>() / part.len() as f32).sqrt()
    };
    let fall = 20.0 * (rms(0.8, 0.9) / rms(0.4, 0.5)).log10();
    // 0.4 s of a 0.4 s decay is a factor of e: 8.69 dB.
    assert!((fall + 8.69).abs() < 0.2, "{fall} dB");
    assert!(rms(1.4, 1.5) < rms(0.1, 0.2) * 0.06);
}

#[test]
fn repeats_without_drift_and_without_end() {
    let mut generator = ToneGenerator::repeating(&Tone::busy(), 8000);
    let mut first = vec![0.0; 8000];
    generator.fill(&mut first);
    for _ in 0..50 {
        let mut next = vec![0.0; 8000];
        generator.fill(&mut next);
        assert_eq!(first, next);
        assert!(!generator.finished());
    }
}

#[test]
fn degenerate_tones_are_silent_and_end() {
    let step = |pitch, on, off| Step {
        pitch,
        level: Dbfs(-6.0),
        on: Duration::from_micros(on),
        off: Duration::from_micros(off),
    };
    for tone in [
        Tone::new(&[], false),
        Tone::new(&[step([440.0, 0.0], 0, 0)], true),
        Tone::new(&[step([0.0, 0.0], 1000, 1000)], false),
        Tone::new(&[step([90_000.0, f32::NAN], 1000, 0)], true),
        Tone::new(&[step([440.0, 0.0], 30, 0)], false),
    ] {
        for mut generator in [ToneGenerator::once(&tone, 8000), ToneGenerator::repeating(&tone, 8000)] {
            let mut out = [0.0; 400];
            generator.fill(&mut out);
            assert!(out.iter().all(|x| x.is_finite() && x.abs() < 0.51));
        }
    }
    assert!(ToneGenerator::repeating(&Tone::new(&[], false), 8000).finished());
}
