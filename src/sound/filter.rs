//! Second-order filters: high-pass, bells and shelves of a zone's equaliser.
//!
//! Designed by the bilinear transform with the frequency prewarped, from the analogue prototypes of R. Bristow-Johnson's
//! widely published equaliser formulas (from memory; the tests hold them to the analogue magnitude).

use std::f64::consts::{PI, SQRT_2};

/// Quality factor of a Butterworth section.
pub const BUTTERWORTH: f64 = 1.0 / SQRT_2;

/// What a filter does to the spectrum. Frequencies in Hz, gains in dB.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shape {
    HighPass {
        frequency: f64,
        q: f64,
    },
    /// A bell: `gain` at `frequency`, half of it in dB at a distance that `q` sets.
    Bell {
        frequency: f64,
        gain: f64,
        q: f64,
    },
    /// `gain` below, none above; half of it in dB at `frequency`.
    LowShelf {
        frequency: f64,
        gain: f64,
    },
    /// `gain` above, none below; half of it in dB at `frequency`.
    HighShelf {
        frequency: f64,
        gain: f64,
    },
}

/// One second-order section, transposed direct form II. Its state is kept in f64: at 48 kHz the poles of low frequencies lie
/// too close to 1 for f32.
#[derive(Debug, Clone)]
pub struct Filter {
    b: [f64; 3],
    a: [f64; 2],
    state: [f64; 2],
}

impl Filter {
    /// For samples at `rate` Hz. A frequency is brought to between 1 Hz and just below half the rate.
    pub fn new(shape: Shape, rate: u32) -> Self {
        let rate = f64::from(rate.max(8));
        let warped = |frequency: f64| {
            let w = 2.0 * PI * frequency.max(1.0).min(rate * 0.49) / rate;
            (w.sin(), w.cos())
        };
        let (b, a) = match shape {
            Shape::HighPass { frequency, q } => {
                let (sin, cos) = warped(frequency);
                let alpha = sin / (2.0 * q.max(0.05));
                let half = (1.0 + cos) / 2.0;
                ([half, -2.0 * half, half], [1.0 + alpha, -2.0 * cos, 1.0 - alpha])
            }
            Shape::Bell { frequency, gain, q } => {
                let (sin, cos) = warped(frequency);
                let root = 10f64.powf(gain / 40.0);
                let alpha = sin / (2.0 * q.max(0.05));
                (
                    [1.0 + alpha * root, -2.0 * cos, 1.0 - alpha * root],
                    [1.0 + alpha / root, -2.0 * cos, 1.0 - alpha / root],
                )
            }
            Shape::LowShelf { frequency, gain } => shelf(warped(frequency), gain, 1.0),
            Shape::HighShelf { frequency, gain } => shelf(warped(frequency), gain, -1.0),
        };
        Filter {
            b: b.map(|b| b / a[0]),
            a: [a[1] / a[0], a[2] / a[0]],
            state: [0.0; 2],
        }
    }

    /// Gain at a frequency in Hz, dB: |H(e^jω)|, ω = 2πf/rate.
    pub fn gain(&self, frequency: f64, rate: u32) -> f64 {
        let w = 2.0 * PI * frequency / f64::from(rate.max(8));
        let square = |c: [f64; 3]| {
            let re = c[0] + c[1] * w.cos() + c[2] * (2.0 * w).cos();
            let im = c[1] * w.sin() + c[2] * (2.0 * w).sin();
            re * re + im * im
        };
        10.0 * (square(self.b) / square([1.0, self.a[0], self.a[1]])).log10()
    }

    /// Filters in place.
    pub fn process(&mut self, samples: &mut [f32]) {
        let [b0, b1, b2] = self.b;
        let [a1, a2] = self.a;
        let [mut s1, mut s2] = self.state;
        for x in samples {
            let input = f64::from(*x);
            let output = b0 * input + s1;
            s1 = b1 * input - a1 * output + s2;
            s2 = b2 * input - a2 * output;
            *x = output as f32;
        }
        // A decaying filter ends in denormal numbers, and one bad sample would stay for ever.
        self.state = [s1, s2].map(|s| if s.is_finite() && s.abs() > 1e-15 { s } else { 0.0 });
    }

    /// Nothing of what came before sounds any more.
    pub fn is_silent(&self) -> bool {
        self.state == [0.0; 2]
    }
}

/// The highest gain of filters one after another, dB, from 20 Hz to 20 kHz in 96ths of an octave.
pub fn highest_gain(shapes: &[Shape], rate: u32) -> f64 {
    let filters: Vec<Filter> = shapes.iter().map(|shape| Filter::new(*shape, rate)).collect();
    let frequencies = (0..=957).map(|i| 20.0 * 2f64.powf(f64::from(i) / 96.0));
    let gains = frequencies.map(|f| filters.iter().map(|filter| filter.gain(f, rate)).sum::<f64>());
    gains.fold(f64::NEG_INFINITY, f64::max)
}

/// A shelf with the steepest slope that does not overshoot. `side` is 1 for the low one, −1 for the high one.
fn shelf((sin, cos): (f64, f64), gain: f64, side: f64) -> ([f64; 3], [f64; 3]) {
    let root = 10f64.powf(gain / 40.0);
    let slope = 2.0 * root.sqrt() * sin * BUTTERWORTH;
    let (more, less) = (root + 1.0, root - 1.0);
    let cos = side * cos;
    (
        [
            root * (more - less * cos + slope),
            side * 2.0 * root * (less - more * cos),
            root * (more - less * cos - slope),
        ],
        [
            more + less * cos + slope,
            side * -2.0 * (less + more * cos),
            more + less * cos - slope,
        ],
    )
}

#[cfg(test)]
mod tests;
