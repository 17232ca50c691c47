use std::f32::consts::TAU;
use std::path::Path;

use super::*;

fn measured(samples: &[f32], rate: u32) -> f32 {
    let mut meter = SpeechLevel::new();
    for part in samples.chunks(rate as usize / 200) {
        meter.push(part, rate);
    }
    meter.level().expect("a level").0.0
}

fn sine(rate: u32, amplitude: f32, seconds: f32) -> Vec<f32> {
    (0..(seconds * rate as f32) as usize)
        .map(|n| amplitude * (TAU * 1000.0 * n as f32 / rate as f32).sin())
        .collect()
}

#[test]
fn silence_has_no_level() {
    let mut meter = SpeechLevel::new();
    assert!(meter.level().is_none());
    meter.push(&[0.0; 16_000], 8000);
    meter.push(&[], 8000);
    assert!(meter.level().is_none());
    meter.push(&[f32::NAN; 16], 8000);
    assert!(meter.level().is_none());
}

/// P.56 §5: a steady tone is active all the time, and its level is its RMS.
#[test]
fn a_tone_has_its_rms() {
    for rate in [8000, 16_000, 48_000] {
        for amplitude in [0.9, 0.1, 0.003] {
            let level = measured(&sine(rate, amplitude, 30.0), rate);
            let rms = Dbfs::of(amplitude / 2f32.sqrt()).0;
            assert!((level - rms).abs() < 0.1, "{level} for {rms} at {rate} Hz");
        }
    }
}

/// Pauses do not count: the hangover of 0.2 s and what the envelope takes to fall do.
#[test]
fn pauses_do_not_count() {
    let mut signal = Vec::new();
    for _ in 0..20 {
        signal.extend(sine(8000, 0.1, 1.0));
        signal.extend(vec![0.0; 32_000]);
    }
    let level = measured(&signal, 8000);
    // On for 1 s of about 1.3 s.
    let wanted = Dbfs::of(0.1 / 2f32.sqrt()).0 - 10.0 * 1.3f32.log10();
    assert!((level - wanted).abs() < 0.2, "{level}, not {wanted}");
    let mut meter = SpeechLevel::new();
    meter.push(&signal, 8000);
    let active = meter.level().expect("a level").1;
    assert!((active - 26.0).abs() < 1.0, "{active} s of 20 × 1.3 s");
}

#[test]
fn what_is_forgotten_gives_way_to_what_comes() {
    let mut meter = SpeechLevel::new();
    meter.push(&sine(8000, 0.5, 60.0), 8000);
    meter.fade(0.01);
    meter.push(&sine(8000, 0.05, 20.0), 8000);
    let level = meter.level().expect("a level").0.0;
    assert!((level - Dbfs::of(0.05 / 2f32.sqrt()).0).abs() < 6.0, "{level}");
    meter.fade(0.0);
    assert!(meter.level().is_none());
}

/// Recorded speech of Debian's pocketsphinx-testdata, where installed, against `asl_p56` of the Python package
/// sonusai 1.2.1, an independent implementation of P.56 method B, run once on the same files: as they are, and 20 dB
/// lower. Its own interpolation stops within 0.5 dB.
#[test]
fn recorded_speech_against_an_independent_meter() {
    let home = Path::new("/usr/share/pocketsphinx/test/data");
    if !home.exists() {
        eprintln!("no recordings at {}: not checked", home.display());
        return;
    }
    for (file, full, low) in [
        ("cards/001.wav", -18.835, -38.836),
        ("cards/002.wav", -18.551, -38.541),
        ("cards/003.wav", -19.931, -39.878),
        ("cards/004.wav", -14.980, -35.005),
        ("cards/005.wav", -21.112, -41.114),
        (
            "librivox/sense_and_sensibility_01_austen_64kb-0870.wav",
            -24.174,
            -44.160,
        ),
        (
            "librivox/sense_and_sensibility_01_austen_64kb-0880.wav",
            -26.671,
            -46.636,
        ),
        (
            "librivox/sense_and_sensibility_01_austen_64kb-0890.wav",
            -24.434,
            -44.429,
        ),
        (
            "librivox/sense_and_sensibility_01_austen_64kb-0920.wav",
            -22.321,
            -42.315,
        ),
        (
            "librivox/sense_and_sensibility_01_austen_64kb-0930.wav",
            -22.822,
            -42.733,
        ),
    ] {
        let mut reader = hound::WavReader::open(home.join(file)).expect("a WAV file");
        let rate = reader.spec().sample_rate;
        let samples: Vec<f32> = reader
            .samples::<i16>()
            .map(|s| f32::from(s.expect("a sample")) / 32768.0)
            .collect();
        let quiet: Vec<f32> = samples.iter().map(|x| x * 0.1).collect();
        for (samples, wanted) in [(&samples, full), (&quiet, low)] {
            let level = measured(samples, rate);
            eprintln!("{file}: {level:.3}, {wanted}");
            assert!((level - wanted).abs() < 0.1, "{file}: {level}, not {wanted}");
        }
    }
}
