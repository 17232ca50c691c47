//! Real speech for the tests: the recordings of the Debian package pocketsphinx-testdata, where it is installed.

use std::path::Path;

/// Sampling rate of all of them, Hz.
pub const RATE: u32 = 16_000;
const HOME: &str = "/usr/share/pocketsphinx/test/data";

/// Name and samples of each, always in the same order; none, with a word about it, where the package is missing.
pub fn all() -> Vec<(String, Vec<f32>)> {
    let home = Path::new(HOME);
    let mut all = Vec::new();
    for folder in ["cards", "librivox"] {
        for entry in std::fs::read_dir(home.join(folder)).into_iter().flatten().flatten() {
            if entry.path().extension().is_some_and(|e| e == "wav") {
                let mut reader = hound::WavReader::open(entry.path()).expect("a WAV file");
                assert_eq!(reader.spec().sample_rate, RATE);
                let samples = reader
                    .samples::<i16>()
                    .map(|s| f32::from(s.expect("a sample")) / 32768.0)
                    .collect();
                all.push((entry.file_name().display().to_string(), samples));
            }
        }
    }
    for raw in ["goforward.raw", "numbers.raw", "something.raw"] {
        let Ok(bytes) = std::fs::read(home.join(raw)) else {
            continue;
        };
        let samples = bytes
            .chunks_exact(2)
            .map(|b| f32::from(i16::from_le_bytes([b[0], b[1]])) / 32768.0)
            .collect();
        all.push((raw.to_string(), samples));
    }
    all.sort_by(|a, b| a.0.cmp(&b.0));
    if all.is_empty() {
        eprintln!("no recordings at {HOME}: not checked");
    }
    all
}
