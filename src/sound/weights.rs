//! What every filter here is made of: Kaiser's window, sin x / x, and weighted sums.

use std::f32::consts::TAU;
use std::f64::consts::PI;

/// Kaiser's window at `u` (−1 to 1, 0 its middle), 1 at its highest.
pub fn kaiser(beta: f64, u: f64) -> f64 {
    bessel_i0(beta * (1.0 - u * u).max(0.0).sqrt()) / bessel_i0(beta)
}

/// The window's shape for a stop band so many dB down, above 50 (Kaiser's formula, from memory).
pub fn kaiser_beta(attenuation: f64) -> f64 {
    0.1102 * (attenuation - 8.7)
}

/// sin πx / πx.
pub fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-12 {
        1.0
    } else {
        (PI * x).sin() / (PI * x)
    }
}

/// A Hann window's answer to a frequency `x` resolutions (1 / its length) away, 1 at none.
pub fn hann_response(x: f32) -> f32 {
    let x = x.abs();
    if (x - 1.0).abs() < 1e-3 {
        return 0.5;
    }
    sinc(f64::from(x)) as f32 / (1.0 - x * x)
}

/// Modified Bessel function of the first kind, order 0, by its power series.
fn bessel_i0(x: f64) -> f64 {
    let (mut term, mut sum) = (1.0, 1.0);
    let half = x / 2.0;
    for k in 1..64 {
        term *= (half / f64::from(k)) * (half / f64::from(k));
        sum += term;
        if term < sum * 1e-17 {
            break;
        }
    }
    sum
}

/// Sum of products of equally long slices.
#[inline]
pub fn dot(a: &[f32], b: &[f32]) -> f32 {
    // Eight sums side by side let the compiler use vector registers.
    let mut sums = [0.0f32; 8];
    let (left, right) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest: f32 = left.remainder().iter().zip(right.remainder()).map(|(a, b)| a * b).sum();
    for (a, b) in left.zip(right) {
        for i in 0..8 {
            sums[i] += a[i] * b[i];
        }
    }
    sums.iter().sum::<f32>() + rest
}

/// A complex number, turned by an angle.
pub fn turned([re, im]: [f32; 2], angle: f32) -> [f32; 2] {
    let (s, c) = angle.sin_cos();
    [re * c - im * s, re * s + im * c]
}

/// The component of a weighted window at a frequency, a share of the sampling rate: the sum of x(n) e^(−j2πfn). A sine of
/// amplitude 1 gives half the sum of the weights.
pub fn correlate(window: &[f32], frequency: f32) -> [f32; 2] {
    const PIECE: usize = 64;
    let mut sum = [0.0; 2];
    let (mut cos, mut sin) = ([0.0; PIECE], [0.0; PIECE]);
    for (i, (c, s)) in cos.iter_mut().zip(&mut sin).enumerate() {
        (*s, *c) = (TAU * frequency * i as f32).sin_cos();
    }
    for (i, piece) in window.chunks(PIECE).enumerate() {
        let n = piece.len();
        let part = [dot(piece, &cos[..n]), -dot(piece, &sin[..n])];
        let [re, im] = turned(part, -TAU * (frequency * (i * PIECE) as f32).fract());
        sum = [sum[0] + re, sum[1] + im];
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    /// I0 by its integral, (1/π) ∫ e^(x cos θ) dθ from 0 to π (Abramowitz & Stegun 9.6.16).
    #[test]
    fn bessel_function_agrees_with_its_integral() {
        for x in [0.0, 0.5, 1.0, 4.0, 9.2, 12.0] {
            let steps = 20_000;
            let integral: f64 = (0..steps)
                .map(|k| (x * (PI * (f64::from(k) + 0.5) / f64::from(steps)).cos()).exp())
                .sum::<f64>()
                / f64::from(steps);
            assert!((bessel_i0(x) / integral - 1.0).abs() < 1e-9, "{x}");
        }
    }

    #[test]
    fn sums_of_products_of_every_length() {
        for n in 0..40u8 {
            let a: Vec<f32> = (0..n).map(f32::from).collect();
            let expected: f32 = a.iter().map(|x| x * 2.0).sum();
            assert_eq!(dot(&a, &vec![2.0; a.len()]), expected);
        }
    }
}
