use std::path::{Path, PathBuf};

use super::*;
use crate::sound::detect::SpeechDetector;

const TARGET: Dbfs = Dbfs(-20.0);

/// A stream through detector and leveller: what comes out, and the gain at the end of each block.
fn play(leveller: &mut Leveller, samples: &[f32], rate: u32) -> (Vec<f32>, Vec<f32>) {
    let mut detector = SpeechDetector::new();
    let (mut out, mut gains) = (Vec::new(), Vec::new());
    for block in samples.chunks(rate as usize / 200) {
        detector.block(block, rate);
        leveller.block(block, rate, Sounding::of(&detector));
        let gain = leveller.gain().factor();
        out.extend(block.iter().map(|x| x * gain));
        gains.push(leveller.gain().0);
    }
    (out, gains)
}

fn speech_level(samples: &[f32], rate: u32) -> f32 {
    let mut meter = SpeechLevel::new();
    meter.push(samples, rate);
    meter.level().expect("speech").0.0
}

fn recordings() -> Vec<(PathBuf, Vec<f32>)> {
    let home = Path::new("/usr/share/pocketsphinx/test/data");
    let mut all = Vec::new();
    for folder in ["cards", "librivox"] {
        for entry in std::fs::read_dir(home.join(folder)).into_iter().flatten().flatten() {
            if entry.path().extension().is_some_and(|e| e == "wav") {
                let mut reader = hound::WavReader::open(entry.path()).expect("a WAV file");
                assert_eq!(reader.spec().sample_rate, 16_000);
                let samples = reader
                    .samples::<i16>()
                    .map(|s| f32::from(s.expect("a sample")) / 32768.0)
                    .collect();
                all.push((entry.path(), samples));
            }
        }
    }
    all.sort_by(|a: &(PathBuf, Vec<f32>), b| a.0.cmp(&b.0));
    if all.is_empty() {
        eprintln!("no recordings at {}: not checked", home.display());
    }
    all
}

fn scaled(samples: &[f32], level: f32) -> Vec<f32> {
    let factor = Db(level - speech_level(samples, 16_000)).factor();
    samples.iter().map(|x| (x * factor).clamp(-1.0, 1.0)).collect()
}

/// Seconds of one talker: the recording again and again.
fn talking(samples: &[f32], seconds: usize) -> Vec<f32> {
    samples.iter().cycle().take(seconds * 16_000).copied().collect()
}

/// The quality goal of the project: after 2 s one talker comes out equally loud, within 1 dB either way, whatever the level
/// from −40 to −6 dBov at which it comes in (where samples are cut off at full scale); after 6 s different talkers do.
#[test]
fn talkers_come_out_equally_loud() {
    for (file, samples) in recordings() {
        let mut early = Vec::new();
        for level in [-40.0, -33.0, -26.0, -20.0, -12.0, -6.0] {
            let input = scaled(&talking(&samples, 16), level);
            let (out, gains) = play(&mut Leveller::new(TARGET, Db(0.0)), &input, 16_000);
            early.push(speech_level(&out[2 * 16_000..6 * 16_000], 16_000));
            let late = speech_level(&out[6 * 16_000..], 16_000);
            assert!((late - TARGET.0).abs() < 1.0, "{}: {late} from {level}", file.display());
            let moves = gains[1200..].windows(200).map(|w| (w[199] - w[0]).abs());
            let fastest = moves.fold(0.0, f32::max);
            assert!(fastest < 3.0, "{}: {fastest} dB in a second", file.display());
        }
        let spread = early.iter().fold(f32::MIN, |a, b| a.max(*b)) - early.iter().fold(f32::MAX, |a, b| a.min(*b));
        assert!(spread < 2.0, "{}: {early:?}", file.display());
    }
}

/// Gaussian enough: the sum of uniform noises of a small generator.
fn noise(level: f32, samples: usize) -> Vec<f32> {
    let mut state = 0x9e37_79b9u32;
    let mut next = move || {
        state ^= state << 13;
        state ^= state >> 17;
        state ^= state << 5;
        state as i32 as f32 / i32::MAX as f32
    };
    // Four uniform values have a variance of 4/3.
    let factor = Dbfs(level).amplitude() / (4f32 / 3.0).sqrt();
    (0..samples)
        .map(|_| (0..4).map(|_| next()).sum::<f32>() * factor)
        .collect()
}

/// Words, then 20 s of line noise 20 dB below them, words again: in the pause the gain stands still.
#[test]
fn noise_in_pauses_is_not_lifted() {
    for (file, samples) in recordings() {
        for level in [-40.0, -26.0] {
            let words = scaled(&talking(&samples, 6), level);
            let mut signal = words.clone();
            signal.extend(vec![0.0; 20 * 16_000]);
            signal.extend(&words);
            let hiss = noise(level - 20.0, signal.len());
            signal.iter_mut().zip(&hiss).for_each(|(s, n)| *s += n);
            let (out, gains) = play(&mut Leveller::new(TARGET, Db(0.0)), &signal, 16_000);
            let pause = &gains[8 * 200..26 * 200];
            assert!(pause.iter().all(|g| g == &pause[0]), "{} at {level}", file.display());
            assert!(gains[6 * 200..8 * 200].windows(2).all(|w| w[1] <= w[0] + 0.1));
            let again = speech_level(&out[27 * 16_000..], 16_000);
            assert!(
                (again - TARGET.0).abs() < 1.5,
                "{}: {again} from {level}",
                file.display()
            );
        }
    }
}

/// Whoever sets the levels with a tone hears it unchanged; a busy tone and hum are not made louder either.
#[test]
fn what_is_no_speech_moves_nothing() {
    let second = 16_000;
    let tone = |pitch: f32, level: f32, on: usize, off: usize| -> Vec<f32> {
        (0..10 * second)
            .map(|n| {
                let sounds = n % (on + off) < on;
                let phase = std::f32::consts::TAU * pitch * n as f32 / 16_000.0;
                if sounds {
                    Dbfs(level).amplitude() * 2f32.sqrt() * phase.sin()
                } else {
                    0.0
                }
            })
            .collect()
    };
    let mut hiss = vec![0.0; 2 * second];
    hiss.extend(noise(-40.0, 8 * second));
    for (what, signal) in [
        ("a tone", tone(1000.0, -16.0, second, 0)),
        ("a faint tone", tone(1000.0, -36.0, second, 0)),
        ("a busy tone", tone(425.0, -22.0, second / 2, second / 2)),
        ("hum", tone(50.0, -30.0, second, 0)),
        ("noise", hiss),
        ("silence", vec![0.0; second]),
    ] {
        let mut leveller = Leveller::new(TARGET, Db(3.0));
        play(&mut leveller, &signal, 16_000);
        assert_eq!(leveller.gain(), Db(3.0), "{what}");
        assert!(leveller.level().is_none(), "{what}");
    }
}

/// Somebody louder takes the microphone: it is not for the limiter to hold that down for seconds.
#[test]
fn a_louder_talker_is_followed_soon() {
    for (file, samples) in recordings() {
        let mut signal = scaled(&talking(&samples, 8), -36.0);
        signal.extend(scaled(&talking(&samples, 8), -18.0));
        let (out, _) = play(&mut Leveller::new(TARGET, Db(0.0)), &signal, 16_000);
        let after = speech_level(&out[10 * 16_000..12 * 16_000], 16_000);
        // One of the readers begins louder than she goes on.
        assert!((-6.0..3.0).contains(&(after - TARGET.0)), "{}: {after}", file.display());
    }
}

#[test]
fn the_gain_has_bounds() {
    for (level, bound) in [(-60.0, MOST), (20.0, LEAST)] {
        let mut leveller = Leveller::new(TARGET, Db(0.0));
        let loud: Vec<f32> = noise(level, 16_000);
        (0..40).for_each(|_| {
            for block in loud.chunks(80) {
                leveller.block(block, 16_000, Sounding::Speech);
            }
        });
        assert!((leveller.gain().0 - bound).abs() < 0.1, "{:?}", leveller.gain());
    }
    let mut leveller = Leveller::new(TARGET, Db(900.0));
    assert_eq!(leveller.gain(), Db(MOST));
    leveller.block(&[f32::NAN; 80], 16_000, Sounding::Speech);
    leveller.block(&[], 0, Sounding::Speech);
    assert_eq!(leveller.gain(), Db(MOST));
}
