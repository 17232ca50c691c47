use super::*;

fn all(signal: Signal, seconds: u64) -> Vec<f32> {
    let mut probe = Probe::new(signal, Duration::from_secs(seconds));
    let mut out = vec![0.0; (seconds * u64::from(RATE)) as usize + 480];
    out.chunks_mut(333).for_each(|block| probe.fill(block));
    assert!(probe.is_over());
    out
}

fn rms_db(samples: &[f32]) -> f64 {
    let power: f64 = samples.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / samples.len() as f64;
    10.0 * power.log10()
}

/// Power around one frequency, by correlation with sine and cosine: amplitude of a line.
fn amplitude(samples: &[f32], hz: f64) -> f64 {
    let turn = |i: usize| TAU * hz * i as f64 / f64::from(RATE);
    let (re, im) = samples.iter().enumerate().fold((0.0, 0.0), |(re, im), (i, x)| {
        let (sin, cos) = turn(i).sin_cos();
        (re + f64::from(*x) * cos, im + f64::from(*x) * sin)
    });
    2.0 * re.hypot(im) / samples.len() as f64
}

/// A sine of its native level and nothing else, after it has risen from 30 dB below.
#[test]
fn a_tone_is_pure() {
    let tone = all(Signal::Tone { hz: 1000.0 }, 4);
    let steady = &tone[2 * RATE as usize..3 * RATE as usize];
    assert!((20.0 * amplitude(steady, 1000.0).log10() - f64::from(NATIVE.0)).abs() < 0.01);
    let rest = rms_db(steady) - (20.0 * amplitude(steady, 1000.0).log10() - 3.0103);
    assert!(rest.abs() < 0.001, "{rest}");
    assert!(tone[..4800].iter().all(|x| x.abs() < 0.02), "it rises");
}

/// Octave levels of IEC 60268-16's male test signal, dB (from memory): within 2 dB of the noise, which has the RMS it says.
#[test]
fn noise_has_the_spectrum_of_speech() {
    let noise = all(Signal::Noise, 14);
    let steady = &noise[2 * RATE as usize..12 * RATE as usize];
    let level = rms_db(steady);
    assert!((level - (f64::from(NATIVE.0) - 3.0103)).abs() < 0.2, "{level}");
    let wanted = [
        (125.0, 2.9),
        (250.0, 2.9),
        (500.0, -0.8),
        (1000.0, -6.8),
        (2000.0, -12.8),
        (4000.0, -18.8),
        (8000.0, -24.8),
    ];
    // The power of each octave from short pieces under a Hann window.
    let size = 2400;
    let octave = |centre: f64| {
        let (low, high) = (centre / 2f64.sqrt(), centre * 2f64.sqrt());
        let step = f64::from(RATE) / size as f64;
        let bins = ((low / step).ceil() as usize)..((high / step).ceil() as usize);
        let mut power = 0.0;
        for piece in steady.chunks_exact(size).step_by(4) {
            let windowed: Vec<f32> = (0..size)
                .map(|i| piece[i] * (0.5 - 0.5 * (TAU * i as f64 / size as f64).cos()) as f32)
                .collect();
            // Every bin of the low octaves, every eighth of the high ones.
            let skip = (bins.len() / 12).max(1);
            for bin in bins.clone().step_by(skip) {
                power += amplitude(&windowed, bin as f64 * step).powi(2) * skip as f64;
            }
        }
        10.0 * power.log10()
    };
    let found: Vec<f64> = wanted.iter().map(|(centre, _)| octave(*centre)).collect();
    let offset = found.iter().zip(&wanted).map(|(f, (_, w))| f - w).sum::<f64>() / 7.0;
    for (found, (centre, wanted)) in found.iter().zip(&wanted) {
        assert!(
            (found - offset - wanted).abs() < 2.0,
            "{centre} Hz: {} for {wanted}",
            found - offset
        );
    }
    assert!(noise.iter().all(|x| x.abs() < 1.0), "it is sent as 16 bits");
}

/// Passes each frequency once, at one level.
#[test]
fn a_sweep_goes_from_end_to_end() {
    let sweep = all(
        Signal::Sweep {
            from: 100.0,
            to: 10_000.0,
        },
        8,
    );
    for (second, hz) in [(2, 316.2), (4, 1000.0), (6, 3162.0)] {
        let at = second * RATE as usize;
        let crossings = sweep[at - 2400..at + 2400]
            .windows(2)
            .filter(|w| w[0] <= 0.0 && w[1] > 0.0);
        let found = crossings.count() as f64 * 10.0;
        assert!((found / hz - 1.0).abs() < 0.08, "{found} for {hz}");
    }
    let peak = sweep.iter().fold(0.0f32, |peak, x| peak.max(x.abs()));
    assert!((Dbfs::of(peak).0 - NATIVE.0).abs() < 0.1);
}

/// The high peak goes up, and no direct current is left.
#[test]
fn pulses_have_a_polarity() {
    let pulses = all(Signal::Polarity, 3);
    let (high, low) = pulses.iter().fold((0.0f32, 0.0f32), |(h, l), x| (h.max(*x), l.min(*x)));
    assert!((Dbfs::of(high).0 - NATIVE.0).abs() < 0.1 && -low < high / 9.0);
    let mean = pulses.iter().map(|x| f64::from(*x)).sum::<f64>() / pulses.len() as f64;
    assert!(mean.abs() < 1e-5, "{mean}");
}

#[test]
fn beeps_are_counted() {
    for count in [1, 3, 7] {
        let beeps = all(Signal::Beeps { count }, 8);
        let round = f64::from(count) * 0.4 + 1.2;
        let first = &beeps[..(round * f64::from(RATE)) as usize];
        let loud: Vec<bool> = first.chunks(480).map(|c| rms_db(c) > -28.0).collect();
        let begins = loud.windows(2).filter(|w| !w[0] && w[1]).count() + usize::from(loud[0]);
        assert_eq!(begins, usize::from(count));
    }
}

/// It fades where it is ended, and nothing clicks: no step from sample to sample is larger than its frequency makes.
#[test]
fn it_ends_softly() {
    let mut probe = Probe::new(Signal::Tone { hz: 500.0 }, MAX_LENGTH);
    let mut out = vec![0.0; 3 * RATE as usize];
    probe.fill(&mut out);
    assert!(!probe.is_over());
    probe.end();
    let mut rest = vec![0.0; 4800];
    probe.fill(&mut rest);
    assert!(probe.is_over() && rest[480..].iter().all(|x| *x == 0.0));
    out.extend(rest);
    let largest = out.windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0f32, f32::max);
    assert!(
        largest < NATIVE.amplitude() * (TAU * 500.0 / f64::from(RATE)) as f32 * 1.1,
        "{largest}"
    );
}

#[test]
fn out_of_range_is_refused() {
    for signal in [
        Signal::Tone { hz: 0.0 },
        Signal::Tone { hz: f64::NAN },
        Signal::Sweep { from: 10.0, to: 1000.0 },
        Signal::Beeps { count: 0 },
    ] {
        assert!(signal.check().is_err(), "{signal:?}");
    }
    assert!(Signal::Tone { hz: 1000.0 }.check().is_ok());
}
