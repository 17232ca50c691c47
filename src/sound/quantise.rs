//! From ±1.0 to whole numbers.

/// Added and taken away again, it rounds to whole numbers: from here to 2^24 floating point has no others. What is
/// too large for that is beyond 16 bits anyway.
const ROUND: f32 = 12_582_912.0;

/// Rounds to 16 bits with triangular dither of ±1 step, so that soft fades end in noise and not in distortion.
/// Digital silence stays silent.
#[derive(Debug)]
pub struct Quantiser {
    state: u64,
}

impl Default for Quantiser {
    fn default() -> Self {
        Self::new()
    }
}

impl Quantiser {
    pub fn new() -> Self {
        Quantiser {
            state: 0x9e37_79b9_7f4a_7c15,
        }
    }

    pub fn quantise(&mut self, x: f32) -> i16 {
        if x == 0.0 {
            return 0;
        }
        // Two uniform numbers of ±½ step from one of xorshift64's.
        self.state ^= self.state << 13;
        self.state ^= self.state >> 7;
        self.state ^= self.state << 17;
        let uniform = |bits: u64| (bits & 0xff_ffff) as f32 / 16_777_216.0;
        let dither = uniform(self.state >> 40) - uniform(self.state >> 8);
        // The cast saturates, and makes 0 of what is not a number.
        ((x * 32_768.0 + dither + ROUND) - ROUND) as i16
    }
}

/// Rounds to 32 bits; what is above full scale saturates.
pub fn to_i32(x: f32) -> i32 {
    (f64::from(x) * 2_147_483_648.0) as i32
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn silence_stays_silent_and_full_scale_saturates() {
        let mut quantiser = Quantiser::new();
        for _ in 0..10_000 {
            assert_eq!(quantiser.quantise(0.0), 0);
            assert_eq!(quantiser.quantise(-0.0), 0);
            assert!(quantiser.quantise(1.0) >= 32766);
            assert_eq!(quantiser.quantise(7.0), i16::MAX);
            assert_eq!(quantiser.quantise(-7.0), i16::MIN);
            assert_eq!(quantiser.quantise(f32::NAN), 0);
        }
        assert_eq!(to_i32(1.0), i32::MAX);
        assert_eq!(to_i32(-1.0), i32::MIN);
        assert_eq!(to_i32(0.5), 1 << 30);
        assert_eq!(to_i32(f32::NAN), 0);
    }

    /// Triangular dither of ±1 step and rounding: the error has mean 0 and a power of 1/4 step² whatever the
    /// signal (Lipshitz, Wannamaker, Vanderkooy, JAES 1992; from memory).
    #[test]
    fn error_is_independent_of_the_signal() {
        let mut quantiser = Quantiser::new();
        for x in [0.1f32, 0.25, 0.5, 0.75, 0.9, 1.4] {
            let n = 200_000;
            let (mut sum, mut power) = (0.0, 0.0);
            for _ in 0..n {
                let error = f64::from(quantiser.quantise(x / 32_768.0)) - f64::from(x);
                sum += error;
                power += error * error;
            }
            let (mean, power) = (sum / f64::from(n), power / f64::from(n));
            assert!(mean.abs() < 0.01, "mean {mean} at {x}");
            assert!((power - 0.25).abs() < 0.01, "power {power} at {x}");
        }
    }
}
