//! Conversion of a whole file to 48 kHz, from any rate.
//!
//! A windowed sinc (Kaiser) around the place of each output, so that nothing is delayed. It is cut at half of the lower
//! rate: going up, at its middle; going down, at its foot, so that nothing folds back. Weights are computed when a place
//! between two inputs first occurs; ordinary rates have few.

use crate::sound::RATE;
use crate::sound::weights::{dot, kaiser, kaiser_beta, sinc};

/// Attenuation that the window is made for, dB.
const ATTENUATION: f64 = 100.0;
/// Width of the transition, as a share of the lower rate.
const TRANSITION: f64 = 0.08;
/// Inputs gathered before outputs are worked out.
const STRIDE: usize = 4096;

pub struct Converter {
    /// 48 kHz : rate in lowest terms.
    up: u64,
    down: u64,
    /// Inputs on either side of an output's place.
    reach: usize,
    cutoff: f64,
    beta: f64,
    /// By the place between two inputs; empty until it occurs.
    weights: Vec<Box<[f32]>>,
    /// Inputs from `first` on; those before the beginning are zeros.
    line: Vec<f32>,
    first: i64,
    inputs: u64,
    outputs: u64,
}

impl Converter {
    /// `rate` in Hz, not 0.
    pub fn new(rate: u32) -> Self {
        let common = gcd(RATE, rate);
        let (up, down) = (u64::from(RATE / common), u64::from(rate / common));
        let lower = f64::from(rate.min(RATE));
        let width = TRANSITION * lower;
        // Kaiser's formula.
        let taps = (ATTENUATION - 7.95) / (14.36 * width / f64::from(rate));
        let reach = (taps / 2.0).ceil() as usize;
        let middle = if rate > RATE {
            lower / 2.0 - width / 2.0
        } else {
            lower / 2.0
        };
        Converter {
            up,
            down,
            reach,
            cutoff: middle / f64::from(rate),
            beta: kaiser_beta(ATTENUATION),
            weights: vec![Box::default(); if up == down { 0 } else { up as usize }],
            line: vec![0.0; reach],
            first: -(reach as i64),
            inputs: 0,
            outputs: 0,
        }
    }

    /// Takes samples; what is ready goes to `out`.
    pub fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        self.inputs += samples.len() as u64;
        if self.up == self.down {
            out.extend_from_slice(samples);
            return;
        }
        for samples in samples.chunks(STRIDE) {
            self.line.extend_from_slice(samples);
            self.run(out, u64::MAX);
        }
    }

    /// The rest, so that there is an output for each whole 1/48,000 s of input.
    pub fn finish(&mut self, out: &mut Vec<f32>) {
        if self.up == self.down {
            return;
        }
        let wanted = (self.inputs * self.up + self.down / 2) / self.down;
        self.line.extend(std::iter::repeat_n(0.0, 2 * self.reach + 2));
        self.run(out, wanted);
    }

    /// Works out the outputs, up to `wanted` in all, for which every input is here.
    fn run(&mut self, out: &mut Vec<f32>, wanted: u64) {
        let reach = self.reach as i64;
        while self.outputs < wanted {
            let place = self.outputs * self.down;
            let (whole, phase) = ((place / self.up) as i64, (place % self.up) as usize);
            let from = whole - reach + 1 - self.first;
            let Some(inputs) = usize::try_from(from)
                .ok()
                .and_then(|from| self.line.get(from..from + 2 * self.reach))
            else {
                break;
            };
            if self.weights[phase].is_empty() {
                self.weights[phase] = weights(phase as f64 / self.up as f64, self.reach, self.cutoff, self.beta);
            }
            out.push(dot(inputs, &self.weights[phase]));
            self.outputs += 1;
        }
        let next = (self.outputs * self.down / self.up) as i64 - reach + 1;
        let done = usize::try_from(next - self.first).unwrap_or(0).min(self.line.len());
        self.line.drain(..done);
        self.first += done as i64;
    }
}

/// For an output that lies `fraction` behind an input: the weights of `2 × reach` inputs around it, of sum 1.
fn weights(fraction: f64, reach: usize, cutoff: f64, beta: f64) -> Box<[f32]> {
    let weights: Vec<f64> = (0..2 * reach)
        .map(|n| {
            let t = n as f64 - (reach - 1) as f64 - fraction;
            2.0 * cutoff * sinc(2.0 * cutoff * t) * kaiser(beta, t / reach as f64)
        })
        .collect();
    let sum: f64 = weights.iter().sum();
    weights.iter().map(|w| (w / sum) as f32).collect()
}

fn gcd(a: u32, b: u32) -> u32 {
    if b == 0 { a } else { gcd(b, a % b) }
}
