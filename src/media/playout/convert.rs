//! Rates of 44.1 kHz and its halves to 48 kHz, packet by packet: band-limited interpolation.
//!
//! One windowed-sinc low-pass (Kaiser) serves all three, cut at the input's half rate: up to 20 kHz of 44.1 kHz passes
//! flat, and its images (from 24.1 kHz) are gone. The time between outputs is a whole number of steps of 1/640 of an input
//! sample, so that positions are exact for ever.

use std::sync::LazyLock;

use crate::sound::weights::{dot, kaiser, kaiser_beta, sinc};

/// Rate that everything is brought to, Hz.
const TO: u32 = 48_000;
/// Input samples weighed for one output; the delay is half of them (0.73 ms at 44.1 kHz).
const TAPS: usize = 64;
/// Steps in one input sample: 44.1 kHz takes 588 of them for each output, 22.05 kHz 294, 11.025 kHz 147.
const STEPS: usize = 640;
/// Attenuation that the window is made for, dB: what 64 taps and a transition of 20 to 24.1 kHz allow (Kaiser's formula).
const ATTENUATION: f64 = 92.0;
/// Input samples taken in one stride.
const STRIDE: usize = 128;

/// The filter by steps: [`TAPS`] weights for each, for the oldest sample first.
static WEIGHTS: LazyLock<Vec<[f32; TAPS]>> = LazyLock::new(|| {
    let beta = kaiser_beta(ATTENUATION);
    let half = (TAPS / 2) as f64;
    let weight = |t: f64| sinc(t) * kaiser(beta, t / half);
    (0..STEPS)
        .map(|step| {
            let after = step as f64 / STEPS as f64;
            let row: [f64; TAPS] = std::array::from_fn(|tap| weight(half - 1.0 - tap as f64 + after));
            // Every step passes a constant unchanged.
            let sum: f64 = row.iter().sum();
            row.map(|w| (w / sum) as f32)
        })
        .collect()
});

/// Computes the filter now, rather than in the middle of the first page.
pub fn prepare() {
    LazyLock::force(&WEIGHTS);
}

/// One stream's converter. No heap of its own.
#[derive(Debug, Clone)]
pub struct Converter {
    weights: &'static [[f32; TAPS]],
    rate: u32,
    /// The last `TAPS − 1` samples, then room for new ones.
    line: [f32; TAPS - 1 + STRIDE],
    /// Steps from the next input sample to the next output.
    position: usize,
    /// The line holds what came before.
    primed: bool,
}

impl Converter {
    /// Computes the filter when it is the first.
    pub fn new() -> Self {
        Converter {
            weights: &WEIGHTS,
            rate: 0,
            line: [0.0; TAPS - 1 + STRIDE],
            position: 0,
            primed: false,
        }
    }

    /// What comes next does not follow on what came before.
    pub fn part(&mut self) {
        self.primed = false;
    }

    fn step(rate: u32) -> usize {
        (rate as usize * STEPS).div_ceil(TO as usize).max(1)
    }

    /// Samples at 48 kHz that the next `input` samples at `rate` give.
    pub fn outputs(&self, rate: u32, input: usize) -> usize {
        let position = if rate == self.rate { self.position } else { 0 };
        (input * STEPS).saturating_sub(position).div_ceil(Self::step(rate))
    }

    /// Converts `input` at `rate` into `out`, which has the length that [`Converter::outputs`] gave, or is shorter.
    pub fn convert(&mut self, rate: u32, mut input: impl Iterator<Item = f32> + Clone, out: &mut [f32]) {
        if rate != self.rate {
            self.rate = rate;
            self.position = 0;
            self.primed = false;
        }
        if !self.primed && input.clone().next().is_some() {
            self.prime(input.clone());
        }
        let step = Self::step(rate);
        let mut out = out.iter_mut();
        loop {
            let mut n = 0;
            for (place, x) in self.line[TAPS - 1..].iter_mut().zip(&mut input) {
                *place = x;
                n += 1;
            }
            while self.position < n * STEPS {
                let (at, between) = (self.position / STEPS, self.position % STEPS);
                if let Some(out) = out.next() {
                    *out = dot(&self.line[at..at + TAPS], &self.weights[between]);
                }
                self.position += step;
            }
            self.position -= n * STEPS;
            self.line.copy_within(n..n + TAPS - 1, 0);
            if n < STRIDE {
                break;
            }
        }
        out.for_each(|s| *s = 0.0);
    }

    /// The past of a stream that begins is its beginning, mirrored: it sets in without a step.
    fn prime(&mut self, input: impl Iterator<Item = f32>) {
        self.line.fill(0.0);
        let mut last = 0.0;
        let mut input = input.skip(1);
        for place in self.line[..TAPS - 1].iter_mut().rev() {
            last = input.next().unwrap_or(last);
            *place = last;
        }
        self.primed = true;
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use super::*;

    fn sine(rate: u32, hz: f64, n: usize) -> Vec<f32> {
        (0..n)
            .map(|i| (0.5 * (2.0 * PI * hz * i as f64 / f64::from(rate)).sin()) as f32)
            .collect()
    }

    /// In packets of uneven length.
    fn convert(rate: u32, input: &[f32]) -> Vec<f32> {
        let mut converter = Converter::new();
        let mut out = Vec::new();
        let mut rest = input;
        for n in [220, 221, 1, 0, 441, 63, 1500].into_iter().cycle() {
            let (packet, more) = rest.split_at(n.min(rest.len()));
            let mut part = vec![9.0; converter.outputs(rate, packet.len())];
            converter.convert(rate, packet.iter().copied(), &mut part);
            out.extend(part);
            rest = more;
            if rest.is_empty() {
                return out;
            }
        }
        out
    }

    /// Amplitude of one frequency, and of all that is left besides, dB re the input's.
    fn measure(out: &[f32], hz: f64) -> (f64, f64) {
        let (mut s, mut c) = (0.0, 0.0);
        let phase = |i: usize| 2.0 * PI * hz * i as f64 / 48_000.0;
        for (i, x) in out.iter().enumerate() {
            s += f64::from(*x) * phase(i).sin();
            c += f64::from(*x) * phase(i).cos();
        }
        let n = out.len() as f64;
        let (s, c) = (2.0 * s / n, 2.0 * c / n);
        let rest: f64 = out
            .iter()
            .enumerate()
            .map(|(i, x)| (f64::from(*x) - s * phase(i).sin() - c * phase(i).cos()).powi(2))
            .sum();
        let db = |amplitude: f64| 20.0 * (amplitude / 0.5 + 1e-12).log10();
        (db(s.hypot(c)), db((2.0 * rest / n).sqrt()))
    }

    /// Pass band to 20 kHz of 44.1 kHz (10 and 5 kHz of the others), images below −85 dB; by least squares.
    #[test]
    fn sines_pass_flat_and_without_images() {
        for rate in [44_100, 22_050, 11_025] {
            let scale = f64::from(rate) / 44_100.0;
            for hz in [52.0, 1_000.0, 5_000.0, 10_008.0, 15_000.0, 18_000.0, 19_500.0, 20_000.0] {
                let hz = hz * scale;
                let out = convert(rate, &sine(rate, hz, rate as usize * 2));
                assert_eq!(out.len(), 96_000);
                // Whole periods, away from the ends.
                let (level, rest) = measure(&out[24_000..72_000], hz);
                assert!(level.abs() < 0.05, "{rate}: {hz} Hz: {level} dB");
                assert!(rest < -85.0, "{rate}: {hz} Hz: rest {rest} dB");
            }
        }
    }

    /// ±0 samples in an hour, however the packets are cut.
    #[test]
    fn the_count_of_samples_is_exact() {
        for rate in [44_100u32, 22_050, 11_025] {
            let mut converter = Converter::new();
            let mut out = [0.0; 512];
            let (mut taken, mut given) = (0u64, 0u64);
            for i in 0..20_000u64 {
                let n = (i * 7919 % 90) as usize;
                let produced = converter.outputs(rate, n);
                converter.convert(rate, std::iter::repeat_n(0.25, n), &mut out[..produced]);
                taken += n as u64;
                given += produced as u64;
                assert_eq!(given, (taken * 48_000).div_ceil(u64::from(rate)));
                assert!(out[..produced].iter().all(|s| (s - 0.25).abs() < 1e-5));
            }
        }
    }

    #[test]
    fn a_part_sets_in_without_a_step() {
        let mut converter = Converter::new();
        let mut out = [0.0; 480];
        converter.convert(44_100, std::iter::repeat_n(-0.8, 441), &mut out);
        converter.part();
        converter.convert(44_100, std::iter::repeat_n(0.8, 441), &mut out);
        assert!(out.iter().all(|s| (s - 0.8).abs() < 1e-5));
    }
}
