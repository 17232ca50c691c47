//! To a lower sampling rate, for detectors that look at a part of the spectrum.

use std::f32::consts::TAU;

use super::weights::dot;

/// Taps for each unit of the ratio of rates: the filter falls off over a fifth of the lower rate.
pub const TAPS: usize = 16;

/// Windowed-sinc low-pass (Hamming) and decimator by a whole number. No heap. `LINE` is [`TAPS`] times the largest ratio.
#[derive(Debug, Clone)]
pub struct Decimator<const LINE: usize> {
    factor: usize,
    taps: [f32; LINE],
    line: [f32; LINE],
    place: usize,
    phase: usize,
}

impl<const LINE: usize> Decimator<LINE> {
    /// Ratios that it can do: 1 to this.
    pub const MOST: usize = LINE / TAPS;

    /// One sample out for `factor` in, brought within what it can do. The filter is 6 dB down at `cut`, a share of the
    /// lower rate; from about 0.1 above it, it is 50 dB down. A ratio of 1 passes everything as it is.
    pub fn new(factor: usize, cut: f32) -> Self {
        let factor = factor.clamp(1, Self::MOST);
        let mut taps = [0.0; LINE];
        let n = TAPS * factor;
        let mut sum = 0.0;
        for (i, tap) in taps[..n].iter_mut().enumerate() {
            let t = i as f32 - (n - 1) as f32 / 2.0;
            let x = TAU * cut / factor as f32 * t;
            let sinc = if x.abs() < 1e-6 { 1.0 } else { x.sin() / x };
            *tap = sinc * (0.54 + 0.46 * (TAU * t / n as f32).cos());
            sum += *tap;
        }
        taps[..n].iter_mut().for_each(|t| *t /= sum);
        Decimator {
            factor,
            taps,
            line: [0.0; LINE],
            place: 0,
            phase: 0,
        }
    }

    pub fn factor(&self) -> usize {
        self.factor
    }

    pub fn push(&mut self, x: f32) -> Option<f32> {
        if self.factor == 1 {
            return Some(x);
        }
        let n = TAPS * self.factor;
        self.line[self.place] = x;
        self.place += 1;
        if self.place == n {
            self.place = 0;
        }
        self.phase += 1;
        if self.phase < self.factor {
            return None;
        }
        self.phase = 0;
        // The filter is symmetric, so the order of time does not matter.
        let (newer, older) = self.line[..n].split_at(self.place);
        let (first, last) = self.taps[..n].split_at(older.len());
        Some(dot(older, first) + dot(newer, last))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Level of a sine after it, dB.
    fn through(factor: usize, cut: f32, hz: f32, rate: f32) -> f32 {
        let mut decimator = Decimator::<{ TAPS * 16 }>::new(factor, cut);
        let out: Vec<f32> = (0..rate as usize)
            .filter_map(|n| decimator.push((TAU * hz * n as f32 / rate).sin()))
            .skip(50)
            .collect();
        10.0 * (2.0 * out.iter().map(|x| x * x).sum::<f32>() / out.len() as f32).log10()
    }

    /// As the description says it: the design's own figures (Hamming window: side lobes below −50 dB).
    #[test]
    fn passes_the_low_part() {
        for (factor, rate) in [(2, 16_000.0), (6, 48_000.0)] {
            for hz in [300.0, 1000.0, 2000.0, 2800.0] {
                let level = through(factor, 0.45, hz, rate);
                assert!(level.abs() < 0.1, "{hz} Hz from {rate}: {level}");
            }
            for hz in [4500.0, 5000.0, 6000.0, 7000.0] {
                let level = through(factor, 0.45, hz, rate);
                assert!(level < -50.0, "{hz} Hz from {rate}: {level}");
            }
        }
        assert!(through(1, 0.45, 3900.0, 8000.0).abs() < 0.1);
    }
}
