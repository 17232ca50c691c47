use std::f32::consts::TAU;
use std::path::Path;

use super::*;

/// Blocks per second.
const BLOCKS: usize = 200;

/// White noise, uniform, from a small generator; unit RMS.
struct Noise(u32);

impl Noise {
    fn next(&mut self) -> f32 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 17;
        self.0 ^= self.0 << 5;
        self.0 as i32 as f32 / i32::MAX as f32 * 3f32.sqrt()
    }

    fn gauss(&mut self) -> f32 {
        (0..6).map(|_| self.next()).sum::<f32>() / 6f32.sqrt()
    }
}

fn at(level: f32, signal: Vec<f32>) -> Vec<f32> {
    let rms = (signal.iter().map(|x| x * x).sum::<f32>() / signal.len() as f32).sqrt();
    let factor = 10f32.powf(level / 20.0) / rms;
    signal.into_iter().map(|x| x * factor).collect()
}

fn noise(level: f32, seconds: f32, rate: u32) -> Vec<f32> {
    let mut noise = Noise(0x1234_5678 ^ rate);
    at(
        level,
        (0..(seconds * rate as f32) as usize).map(|_| noise.gauss()).collect(),
    )
}

/// Mains hum with the harmonics of a rectifier's buzz.
fn hum(level: f32, seconds: f32, rate: u32, mains: f32) -> Vec<f32> {
    let n = (seconds * rate as f32) as usize;
    at(
        level,
        (0..n)
            .map(|i| {
                let t = i as f32 / rate as f32;
                (1..20).map(|k| (TAU * mains * k as f32 * t).sin() / k as f32).sum()
            })
            .collect(),
    )
}

/// Speech-like: a gliding buzz through two resonances, in syllables with pauses between groups.
fn syllables(level: f32, seconds: f32, rate: u32) -> Vec<f32> {
    let n = (seconds * rate as f32) as usize;
    let mut noise = Noise(77);
    let mut phase = 0f32;
    let signal: Vec<f32> = (0..n)
        .map(|i| {
            let t = i as f32 / rate as f32;
            let word = t % 1.6;
            let syllable = (word % 0.24) / 0.24;
            let open = word < 1.2 && syllable < 0.75;
            phase = (phase + (110.0 + 30.0 * (TAU * 0.7 * t).sin()) / rate as f32) % 1.0;
            let voiced: f32 = (1..25)
                .map(|k| {
                    let f = 120.0 * k as f32;
                    let shape =
                        1.0 / (1.0 + ((f - 600.0) / 200.0).powi(2)) + 0.4 / (1.0 + ((f - 1700.0) / 300.0).powi(2));
                    shape * (TAU * phase * k as f32).sin()
                })
                .sum();
            let envelope = if open { (PI * syllable / 0.75).sin() } else { 0.0 };
            envelope * (voiced + 0.1 * noise.next())
        })
        .collect();
    at(level, signal)
}

fn add(mut a: Vec<f32>, b: &[f32]) -> Vec<f32> {
    a.iter_mut().zip(b).for_each(|(x, y)| *x += *y);
    a
}

fn answers(signal: &[f32], rate: u32) -> Vec<bool> {
    let mut detector = SpeechDetector::new();
    signal
        .chunks(rate as usize / BLOCKS)
        .map(|b| detector.block(b, rate))
        .collect()
}

/// Seconds until the first answer of speech, and the longest gap without one after it.
fn first_and_gap(answers: &[bool]) -> (Option<f32>, f32) {
    let first = answers.iter().position(|s| *s);
    let (mut gap, mut longest) = (0, 0);
    for s in &answers[first.unwrap_or(answers.len())..] {
        gap = if *s { 0 } else { gap + 1 };
        longest = longest.max(gap);
    }
    (first.map(|f| f as f32 / BLOCKS as f32), longest as f32 / BLOCKS as f32)
}

const RATES: [u32; 3] = [8000, 16000, 48000];

#[test]
fn silence_and_steady_noise_are_not_speech() {
    for rate in RATES {
        let silence = vec![0.0; rate as usize];
        for level in [-70.0, -60.0, -50.0, -40.0, -30.0, -20.0] {
            let mut signal = silence.clone();
            signal.extend(noise(level, 20.0, rate));
            signal.extend(&silence);
            // The end of loud noise may count once: its fall is all that a syllable's end is.
            let until = answers(&signal, rate).len() - BLOCKS;
            let heard = answers(&signal, rate)[..until].iter().filter(|s| **s).count();
            assert_eq!(heard, 0, "noise at {level} dBFS, {rate} Hz");
        }
    }
}

/// Comfort noise in the gaps of a stream that sends nothing while nobody speaks: noise and silence by turns.
#[test]
fn comfort_noise_that_comes_and_goes_is_not_speech() {
    for rate in RATES {
        let mut signal = Vec::new();
        for k in 0..20 {
            signal.extend(noise(-50.0, 0.3 + 0.1 * (k % 5) as f32, rate));
            signal.extend(vec![0.0; rate as usize / 4]);
        }
        assert!(answers(&signal, rate).iter().all(|s| !s), "{rate}");
    }
}

#[test]
fn steady_hum_is_not_speech() {
    for rate in RATES {
        for mains in [50.0, 60.0] {
            for level in [-50.0, -40.0, -30.0, -20.0, -10.0] {
                let signal = add(hum(level, 20.0, rate, mains), &noise(-55.0, 20.0, rate));
                let heard = answers(&signal, rate).iter().filter(|s| **s).count();
                assert_eq!(heard, 0, "hum of {mains} Hz at {level} dBFS, {rate} Hz");
            }
        }
    }
}

/// Busy tones by E.180 and of North America (RFC 4733 Table 4): a far end that has hung up must fall quiet.
#[test]
fn busy_tone_is_not_speech() {
    use crate::sound::tone::{Tone, ToneGenerator};
    for tone in [Tone::busy(), Tone::busy_north_america()] {
        for rate in RATES {
            let mut generator = ToneGenerator::repeating(&tone, rate);
            let mut signal = vec![0.0; 20 * rate as usize];
            generator.fill(&mut signal);
            let signal = add(signal, &noise(-60.0, 20.0, rate));
            let heard = answers(&signal, rate).iter().filter(|s| **s).count();
            assert_eq!(heard, 0, "{rate} Hz");
        }
    }
}

#[test]
fn clicks_are_not_speech() {
    let mut signal = noise(-60.0, 10.0, 8000);
    for k in 0..20 {
        for n in 0..16 {
            signal[k * 4000 + n] = 0.7;
        }
    }
    assert!(answers(&signal, 8000).iter().all(|s| !s));
}

#[test]
fn syllables_are_speech_down_to_minus_40() {
    for rate in RATES {
        for level in [-40.0, -30.0, -20.0, -10.0] {
            let signal = add(syllables(level, 20.0, rate), &noise(-60.0, 20.0, rate));
            let (first, gap) = first_and_gap(&answers(&signal, rate));
            assert!(
                first.is_some_and(|f| f < 0.5),
                "{level} dBFS at {rate} Hz: first at {first:?}"
            );
            assert!(gap < 0.4, "{level} dBFS at {rate} Hz: {gap} s without");
        }
        // Over line noise at −50 dBFS, and over hum.
        for background in [noise(-50.0, 20.0, rate), hum(-40.0, 20.0, rate, 50.0)] {
            let signal = add(syllables(-35.0, 20.0, rate), &background);
            let (first, gap) = first_and_gap(&answers(&signal, rate));
            assert!(first.is_some_and(|f| f < 2.0), "{first:?}");
            assert!(gap < 1.0, "{gap}");
        }
    }
}

#[test]
fn speech_ends_half_a_second_after_the_last_syllable() {
    let mut signal = syllables(-25.0, 8.0, 8000);
    let spoken = answers(&signal, 8000).len();
    signal.extend(vec![0.0; 80_000]);
    let all = answers(&signal, 8000);
    let last = all.iter().rposition(|s| *s).unwrap_or(0);
    assert!(last > spoken - BLOCKS && last < spoken + 120, "{last} of {spoken}");
}

/// Speech recordings of the pocketsphinx test data (Debian package pocketsphinx-testdata), where installed: at
/// −26 and −40 dBFS, alone and over line noise. None goes unheard for longer than the shortest usual quiet limit.
#[test]
fn recorded_speech_is_speech() {
    let home = Path::new("/usr/share/pocketsphinx/test/data");
    if !home.exists() {
        eprintln!("no recordings at {}: not checked", home.display());
        return;
    }
    let mut files = Vec::new();
    for folder in ["cards", "librivox"] {
        for entry in std::fs::read_dir(home.join(folder)).into_iter().flatten().flatten() {
            if entry.path().extension().is_some_and(|e| e == "wav") {
                files.push(entry.path());
            }
        }
    }
    let mut recordings: Vec<(String, Vec<f32>)> = files
        .iter()
        .map(|f| {
            let mut reader = hound::WavReader::open(f).expect("a WAV file");
            assert_eq!(reader.spec().sample_rate, 16000);
            let samples = reader
                .samples::<i16>()
                .map(|s| f32::from(s.expect("a sample")) / 32768.0)
                .collect();
            (f.display().to_string(), samples)
        })
        .collect();
    for raw in ["goforward.raw", "numbers.raw", "something.raw"] {
        let bytes = std::fs::read(home.join(raw)).expect("a raw file");
        let samples = bytes
            .chunks_exact(2)
            .map(|b| f32::from(i16::from_le_bytes([b[0], b[1]])) / 32768.0)
            .collect();
        recordings.push((raw.to_string(), samples));
    }
    assert!(recordings.len() >= 8);
    for (name, samples) in recordings {
        let seconds = samples.len() as f32 / 16000.0;
        for level in [-26.0, -40.0] {
            let speech = at(level, samples.clone());
            for background in [-80.0, -55.0, level - 15.0] {
                let signal = add(speech.clone(), &coloured(background, seconds, 16000, &[1000.0]));
                let all = answers(&signal, 16000);
                let (first, gap) = first_and_gap(&all);
                let share = all.iter().filter(|s| **s).count() as f32 / all.len() as f32;
                println!("{name} {seconds:.1} s at {level} over {background}: {first:?}, gap {gap}, {share:.2}");
                assert!(
                    first.is_some_and(|f| f < 2.0),
                    "{name} at {level} over {background}: {first:?}"
                );
                assert!(gap < 2.0, "{name} at {level} over {background}: gap {gap}");
            }
        }
    }
}

#[test]
fn odd_input_is_survived() {
    let mut detector = SpeechDetector::new();
    for rate in [0, 1, 8000, u32::MAX] {
        for block in [
            &[][..],
            &[f32::NAN; 40],
            &[f32::INFINITY; 40],
            &[f32::MAX; 40],
            &[0.0; 40],
        ] {
            detector.block(block, rate);
        }
    }
    let all: Vec<bool> = syllables(-20.0, 5.0, 8000)
        .chunks(40)
        .map(|b| detector.block(b, 8000))
        .collect();
    assert!(all.iter().any(|s| *s));
}

/// Noise with a slope: filtered by one or several leaky integrators.
fn coloured(level: f32, seconds: f32, rate: u32, corners: &[f32]) -> Vec<f32> {
    let mut signal = noise(0.0, seconds, rate);
    for corner in corners {
        let keep = (-TAU * corner / rate as f32).exp();
        let mut last = 0.0;
        for x in &mut signal {
            last = keep * last + (1.0 - keep) * *x;
            *x = last;
        }
    }
    at(level, signal)
}

/// Louder and softer by `swing` dB either way, `hz` times a second.
fn swinging(mut signal: Vec<f32>, rate: u32, swing: f32, hz: f32) -> Vec<f32> {
    for (i, x) in signal.iter_mut().enumerate() {
        *x *= 10f32.powf(swing * (TAU * hz * i as f32 / rate as f32).sin() / 20.0);
    }
    signal
}

/// Clicks of 2 ms at random moments, several a second.
fn crackle(level: f32, seconds: f32, rate: u32) -> Vec<f32> {
    let mut noise = Noise(99);
    let n = (seconds * rate as f32) as usize;
    let mut signal = vec![0.0; n];
    let mut next = 0;
    while next + rate as usize / 500 < n {
        for x in &mut signal[next..next + rate as usize / 500] {
            *x = 10f32.powf(level / 20.0) * noise.next();
        }
        next += (rate as f32 * (0.05 + 0.2 * (noise.next().abs()))) as usize;
    }
    signal
}

/// What is heard where there is nobody: a room, traffic, a fan, a saw two yards away, a bad contact. Wind in an open microphone is
/// the worst: it may count now and then, and still leaves silences longer than any quiet limit in use.
#[test]
fn sounds_of_a_place_are_not_speech() {
    for rate in RATES {
        for level in [-50.0, -35.0, -20.0] {
            for (name, signal) in [
                ("room", coloured(level, 30.0, rate, &[1000.0])),
                ("traffic", coloured(level, 30.0, rate, &[250.0])),
                ("fan", swinging(coloured(level, 30.0, rate, &[800.0]), rate, 2.0, 0.4)),
                ("saw", swinging(coloured(level, 30.0, rate, &[2000.0]), rate, 4.0, 0.15)),
                (
                    "bad contact",
                    add(crackle(level, 30.0, rate), &noise(-60.0, 30.0, rate)),
                ),
            ] {
                let heard = answers(&signal, rate).iter().filter(|s| **s).count();
                assert_eq!(heard, 0, "{name} at {level} dBFS, {rate} Hz");
            }
            let wind = answers(&coloured(level, 60.0, rate, &[100.0, 100.0]), rate);
            let longest = wind.split(|s| *s).map(<[bool]>::len).max();
            assert!(
                longest > Some(15 * BLOCKS),
                "wind at {level} dBFS, {rate} Hz: {longest:?}"
            );
        }
    }
}

#[test]
fn syllables_are_found_over_noise_as_loud_as_5_db_below() {
    for rate in RATES {
        for snr in [20.0, 10.0, 5.0] {
            for corners in [&[][..], &[1000.0], &[250.0]] {
                let background = coloured(-26.0 - snr, 10.0, rate, corners);
                let (first, gap) = first_and_gap(&answers(&add(syllables(-26.0, 10.0, rate), &background), rate));
                assert!(first.is_some_and(|f| f < 0.5), "{snr} dB over {corners:?}: {first:?}");
                assert!(gap < 0.4, "{snr} dB over {corners:?}: {gap}");
            }
        }
    }
}
