//! The wave between samples: the true peak of ITU-R BS.1770-4 Annex 2, at four times the rate, with a parabola
//! through the highest points.

use crate::sound::weights::{kaiser, sinc};

/// Samples that shape one stretch of the wave, half on either side.
const TAPS: usize = 12;
/// Points per sample, the sample itself among them.
const OVER: usize = 4;
/// Kaiser's β: flat to 0.1 dB up to 18 kHz.
const BETA: f64 = 4.0;
/// How far behind the newest sample the returned peak is: it stands for that sample and the next two.
pub const LAG: usize = TAPS / 2 + 1;
/// Samples after a loud one until it has left the window.
pub const REACH: usize = TAPS + 1;
/// More than any wave that samples below 1 make here: the taps' sum, and the parabola's quarter.
pub const GAIN: f32 = 2.5;

/// The wave of one channel.
#[derive(Debug, Clone)]
pub struct Between {
    phases: [[f32; TAPS]; OVER - 1],
    /// The newest last.
    window: [f32; TAPS],
    /// The two points before the next one.
    points: [f32; 2],
    /// Samples until the window is quiet.
    loud: usize,
}

impl Between {
    pub fn new() -> Self {
        let mut phases = [[0.0; TAPS]; OVER - 1];
        let half = TAPS as f64 / 2.0;
        for (i, phase) in phases.iter_mut().enumerate() {
            let at = half - 1.0 + (i + 1) as f64 / OVER as f64;
            let weights: [f64; TAPS] = std::array::from_fn(|k| {
                let t = at - k as f64;
                sinc(t) * kaiser(BETA, t / half)
            });
            let sum: f64 = weights.iter().sum();
            for (tap, weight) in phase.iter_mut().zip(weights) {
                *tap = (weight / sum) as f32;
            }
        }
        Between {
            phases,
            window: [0.0; TAPS],
            points: [0.0; 2],
            loud: 0,
        }
    }

    /// Takes the next sample. Returns the wave's peak [`LAG`] samples ago; exact where the window holds a sample above
    /// `safe`, else no more than the sample itself.
    pub fn push(&mut self, x: f32, safe: f32) -> f32 {
        self.window.copy_within(1.., 0);
        self.window[TAPS - 1] = x;
        self.loud = if x.abs() > safe {
            REACH
        } else {
            self.loud.saturating_sub(1)
        };
        let sample = self.window[TAPS / 2 - 1];
        if self.loud == 0 {
            self.points = [0.0, sample];
            return sample.abs();
        }
        let mut peak = self.point(sample);
        for i in 0..self.phases.len() {
            let value = self.phases[i].iter().zip(&self.window).map(|(a, b)| a * b).sum();
            peak = peak.max(self.point(value));
        }
        peak
    }

    /// The next point of the wave: its height, or that of the parabola through it and the two before it.
    fn point(&mut self, c: f32) -> f32 {
        let [a, b] = self.points;
        self.points = [b, c];
        let mut peak = c.abs();
        if b.abs() >= a.abs() && b.abs() >= c.abs() {
            let curve = 2.0 * b - a - c;
            if curve != 0.0 {
                peak = peak.max((b + (a - c) * (a - c) / (8.0 * curve)).abs());
            }
        }
        peak
    }

    /// As many calls of [`Between::push`] with samples that are all quiet.
    pub fn skip(&mut self, samples: &[f32]) {
        let keep = TAPS.saturating_sub(samples.len());
        self.window.copy_within(TAPS - keep.., 0);
        self.window[keep..].copy_from_slice(&samples[samples.len() - (TAPS - keep)..]);
        self.points = [0.0, self.window[TAPS / 2 - 1]];
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use super::*;

    /// Quarter-rate sine sampled 45° off its peaks: the samples lie 3.01 dB below it (BS.1770-4 Annex 2's own example).
    #[test]
    fn sees_what_the_samples_hide() {
        let mut worst = (0f32, 1f32);
        for pitch in [50.0, 997.0, 3000.0, 8000.0, 11_999.0, 12_000.0, 15_000.0, 18_000.0] {
            for step in 0..16 {
                let start = f64::from(step) * PI / 8.0;
                let mut between = Between::new();
                let peak = (0..4800)
                    .map(|n| ((2.0 * PI * pitch * f64::from(n) / 48_000.0 + start).sin()) as f32)
                    .map(|x| between.push(x, 0.0))
                    // The beginning is a step.
                    .skip(100)
                    .fold(0f32, f32::max);
                worst = (worst.0.max(peak), worst.1.min(peak));
            }
        }
        assert!(worst.0 < 1.012 && worst.1 > 0.988, "{worst:?}");
    }

    #[test]
    fn no_wave_is_higher_than_the_gain() {
        for phase in Between::new().phases {
            let most: f32 = phase.iter().map(|x| x.abs()).sum();
            assert!(most * 1.25 < GAIN, "{most}");
        }
    }

    #[test]
    fn skipping_is_pushing() {
        for count in [1, 5, 11, 12, 13, 144] {
            let quiet: Vec<f32> = (0..count).map(|n| 0.001 * n as f32).collect();
            let mut pushed = Between::new();
            for x in &quiet {
                pushed.push(*x, 1.0);
            }
            let mut skipped = Between::new();
            skipped.skip(&quiet);
            assert_eq!((pushed.window, pushed.points), (skipped.window, skipped.points));
        }
    }
}
