use super::*;
use crate::sound::recordings;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// RMS of each harmonic, dB below the sum of all; about what an earth loop, a power supply and a magnetic field make
/// (common practice, no published source).
const KINDS: [&[f32]; 3] = [
    &[3.0, 12.0, 6.0, 20.0, 9.0, 25.0, 12.0, 30.0, 15.0],
    &[20.0, 2.0, 25.0, 7.0, 30.0, 10.0, 35.0, 13.0],
    &[0.0],
];

fn hum(level: f32, mains: f32, kind: &[f32], seconds: f32, rate: u32) -> Vec<f32> {
    let whole: f32 = kind.iter().map(|db| 10f32.powf(-db / 10.0)).sum();
    let factor = Dbfs(level).amplitude() * (2.0 / whole).sqrt();
    (0..(seconds * rate as f32) as usize)
        .map(|n| {
            let t = n as f64 / f64::from(rate);
            let partial = |(k, db): (usize, &f32)| {
                let turns = f64::from(mains) * (k + 1) as f64 * t + 0.13 * k as f64;
                10f32.powf(-db / 20.0) * (TAU * turns.fract() as f32).sin()
            };
            factor * kind.iter().enumerate().map(partial).sum::<f32>()
        })
        .collect()
}

fn noise(level: f32, samples: usize) -> Vec<f32> {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let factor = Dbfs(level).amplitude() * 3f32.sqrt();
    (0..samples).map(|_| factor * rng.random_range(-1.0..1.0f32)).collect()
}

fn add(mut a: Vec<f32>, b: &[f32]) -> Vec<f32> {
    a.iter_mut().zip(b).for_each(|(a, b)| *a += b);
    a
}

fn heard(detector: &mut HumDetector, signal: &[f32], rate: u32) -> Vec<(f32, Change)> {
    let block = rate as usize / 200;
    let blocks = signal.chunks(block).enumerate();
    blocks
        .filter_map(|(i, b)| Some((i as f32 / 200.0, detector.hear(b, rate)?)))
        .collect()
}

/// Both mains, as far off as EN 50160 lets them be and more, at the rates that cards have.
#[test]
fn tells_mains_and_level() {
    for rate in [8000, 16_000, 44_100, 48_000, 96_000, 192_000] {
        for mains in [49.4, 50.0, 50.2, 50.6, 59.4, 60.0, 60.1, 60.6] {
            for (kind, level) in KINDS.iter().zip([-45.0, -30.0, -55.0]) {
                let signal = hum(level, mains, kind, 3.0, rate);
                let signal = add(signal, &noise(level - 3.0, 3 * rate as usize));
                let mut detector = HumDetector::new();
                heard(&mut detector, &signal, rate);
                let hum = detector.hum().unwrap_or_else(|| panic!("{mains} Hz {level} at {rate}"));
                assert_eq!(hum.mains, if mains < 55.0 { 50 } else { 60 }, "{mains} Hz at {rate}");
                assert!(
                    (hum.level.0 - level).abs() < 1.0,
                    "{mains} Hz {level} at {rate}: {hum:?}"
                );
                assert!(
                    (hum.noise.0 - level + 3.0).abs() < 1.5,
                    "{mains} Hz {level} at {rate}: {hum:?}"
                );
                let loudest = (0..kind.len()).min_by(|a, b| kind[*a].total_cmp(&kind[*b]));
                assert_eq!(hum.strongest as usize, loudest.unwrap_or(0) + 1);
            }
        }
    }
}

#[test]
fn warns_when_hum_stands_and_not_before() {
    for (mains, rate) in [(50.0, 48_000), (60.0, 8000)] {
        let mut detector = HumDetector::new();
        let loud = add(
            hum(-50.0, mains, KINDS[0], 20.0, rate),
            &noise(-62.0, 20 * rate as usize),
        );
        let changes = heard(&mut detector, &loud, rate);
        let [(at, Change::Begins(hum))] = changes[..] else {
            panic!("{changes:?}")
        };
        assert!((5.0..8.0).contains(&at), "{at}");
        assert!((hum.level.0 + 50.0).abs() < 1.0 && hum.mains == mains as u32, "{hum:?}");
        // Between the two limits nothing changes, in neither state.
        let between = self::hum(-57.5, mains, KINDS[0], 30.0, rate);
        assert_eq!(heard(&mut detector, &between, rate), []);
        assert_eq!(heard(&mut HumDetector::new(), &between, rate), []);
        // Somebody speaks meanwhile: what was heard is forgotten, the warning is not.
        detector.interrupt();
        assert!(detector.is_warned());
        let faint = self::hum(-65.0, mains, KINDS[0], 15.0, rate);
        let changes = heard(&mut detector, &faint, rate);
        let [(at, Change::Ends)] = changes[..] else {
            panic!("{changes:?}")
        };
        assert!((5.0..10.0).contains(&at), "{at}");
    }
}

#[test]
fn other_sounds_are_no_hum() {
    let rate = 16_000;
    let seconds = 30;
    let n = seconds * rate as usize;
    let mut detector = HumDetector::new();
    for level in [-60.0, -40.0, -20.0] {
        assert_eq!(heard(&mut detector, &noise(level, n), rate), [], "noise at {level}");
    }
    // Rumble: noise that falls by 6 dB an octave.
    let mut last = 0.0;
    let rumble: Vec<f32> = noise(-45.0, n)
        .iter()
        .map(|x| {
            last = 0.999 * last + x;
            last
        })
        .collect();
    assert_eq!(heard(&mut HumDetector::new(), &rumble, rate), [], "rumble");
    // Every note of the equal temperament from E1 to E5, held as no player holds it, with overtones.
    for semitone in 0..=48 {
        let pitch = 41.203 * 2f32.powf(semitone as f32 / 12.0);
        let note = hum(-30.0, pitch, &[3.0, 6.0, 9.0, 12.0, 15.0], 12.0, rate);
        assert_eq!(heard(&mut HumDetector::new(), &note, rate), [], "{pitch} Hz");
    }
    // A commissioning tone, a dial tone.
    for pitch in [400.0, 440.0, 1000.0, 1050.0] {
        let tone = hum(-20.0, pitch, &[0.0], 12.0, rate);
        assert_eq!(heard(&mut HumDetector::new(), &tone, rate), [], "{pitch} Hz");
    }
    assert_eq!(
        heard(&mut HumDetector::new(), &vec![0.3; n], rate),
        [],
        "direct current"
    );
    assert_eq!(heard(&mut HumDetector::new(), &vec![0.0; n], rate), [], "silence");
}

/// A bass line at 120 beats a minute, tuned so that its notes lie on the mains' harmonics.
#[test]
fn notes_that_come_and_go_are_no_hum() {
    let rate = 16_000;
    let mut signal = Vec::new();
    for k in 0..80 {
        let pitch = [50.0, 100.0, 75.0, 150.0, 66.7][k % 5];
        let mut note = hum(-25.0, pitch, &[3.0, 6.0, 9.0], 0.5, rate);
        let n = note.len() as f32;
        for (i, x) in note.iter_mut().enumerate() {
            *x *= (-3.0 * i as f32 / n).exp();
        }
        signal.extend(note);
    }
    assert_eq!(heard(&mut HumDetector::new(), &signal, rate), []);
}

#[test]
fn recorded_speech_is_no_hum() {
    let rate = recordings::RATE;
    for (name, samples) in recordings::all() {
        let long: Vec<f32> = samples.iter().copied().cycle().take(30 * rate as usize).collect();
        assert_eq!(heard(&mut HumDetector::new(), &long, rate), [], "{name}");
    }
}

#[test]
fn odd_input_is_survived() {
    let mut detector = HumDetector::new();
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    for i in 0..3000 {
        let bad = [f32::NAN, f32::INFINITY, -1e30, 1e-40, 0.0][i % 5];
        let block: Vec<f32> = (0..rng.random_range(0..400))
            .map(|_| if rng.random_bool(0.1) { bad } else { rng.random() })
            .collect();
        let rate = [0, 1, 4000, 5999, 8000, 44_100, 192_000, 400_000, u32::MAX][rng.random_range(0..9)];
        for _ in 0..rng.random_range(1..20) {
            detector.hear(&block, rate);
            detector.hum();
        }
    }
    let mut detector = HumDetector::new();
    detector.hear(&[f32::NAN; 800], 8000);
    heard(&mut detector, &hum(-40.0, 50.0, KINDS[0], 10.0, 8000), 8000);
    assert!(detector.is_warned());
}
