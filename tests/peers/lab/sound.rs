//! Reading recordings: levels and tones over time.

use std::path::Path;

pub struct Sound {
    pub rate: f64,
    /// Per channel, ±1.0.
    pub channels: Vec<Vec<f32>>,
}

/// Reads a WAV file of 16-bit, 24-bit, 32-bit or floating samples.
pub fn read(path: &Path) -> Sound {
    let mut reader = hound::WavReader::open(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let spec = reader.spec();
    let samples: Vec<f32> = match spec.sample_format {
        hound::SampleFormat::Float => reader.samples::<f32>().map(|s| s.expect("a sample")).collect(),
        hound::SampleFormat::Int => {
            let full = 2f32.powi(i32::from(spec.bits_per_sample) - 1);
            reader
                .samples::<i32>()
                .map(|s| s.expect("a sample") as f32 / full)
                .collect()
        }
    };
    let count = usize::from(spec.channels);
    let channels = (0..count)
        .map(|c| samples.iter().skip(c).step_by(count).copied().collect())
        .collect();
    Sound {
        rate: f64::from(spec.sample_rate),
        channels,
    }
}

impl Sound {
    pub fn seconds(&self) -> f64 {
        self.channels[0].len() as f64 / self.rate
    }

    pub fn part(&self, channel: usize, from: f64, to: f64) -> &[f32] {
        let all = &self.channels[channel];
        let at = |s: f64| ((s * self.rate).max(0.0) as usize).min(all.len());
        &all[at(from)..at(to)]
    }

    /// Level of every stretch of `step` seconds, dBFS (RMS, full-scale sample = 0).
    pub fn levels(&self, channel: usize, step: f64) -> Vec<f64> {
        let size = ((step * self.rate) as usize).max(1);
        self.channels[channel].chunks(size).map(level).collect()
    }

    /// First and last second in which something louder than `floor` dBFS is heard.
    pub fn heard(&self, channel: usize, floor: f64) -> Option<(f64, f64)> {
        let levels = self.levels(channel, 0.01);
        let first = levels.iter().position(|l| *l > floor)?;
        let last = levels.iter().rposition(|l| *l > floor)?;
        Some((first as f64 * 0.01, (last + 1) as f64 * 0.01))
    }

    pub fn peak(&self, channel: usize) -> f32 {
        self.channels[channel].iter().fold(0.0, |p, s| p.max(s.abs()))
    }
}

/// dBFS; silence is −200.
pub fn level(samples: &[f32]) -> f64 {
    let power: f64 = samples.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>() / samples.len().max(1) as f64;
    10.0 * power.max(1e-20).log10()
}

/// The strongest frequency between 200 and 3400 Hz, and its share of the power (1 = a pure tone). Goertzel, 5 Hz steps.
pub fn tone(samples: &[f32], rate: f64) -> (f64, f64) {
    let n = samples.len() as f64;
    let total: f64 = samples.iter().map(|s| f64::from(*s).powi(2)).sum();
    let mut best = (0.0, 0.0);
    for step in 40..=680 {
        let frequency = f64::from(step) * 5.0;
        let w = std::f64::consts::TAU * frequency / rate;
        let (mut a, mut b) = (0.0, 0.0);
        for s in samples {
            (a, b) = (f64::from(*s) + 2.0 * w.cos() * a - b, a);
        }
        let power = (a * a + b * b - 2.0 * w.cos() * a * b) * 2.0 / n;
        let share = power / total.max(1e-20);
        if share > best.1 {
            best = (frequency, share);
        }
    }
    best
}
