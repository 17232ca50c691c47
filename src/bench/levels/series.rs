//! Preferred values of resistors (IEC 60063).

/// The two-digit values of E24, of which some are not those of the formula.
const E24: [u16; 24] = [
    10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91,
];

/// A series of preferred values.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Series {
    E24,
    E96,
}

impl Series {
    pub const fn name(self) -> &'static str {
        match self {
            Series::E24 => "E24",
            Series::E96 => "E96",
        }
    }

    /// One decade, from 1.0 up. E96 is 10^(i/96) to three digits.
    pub fn decade(self) -> Vec<f64> {
        match self {
            Series::E24 => E24.iter().map(|n| f64::from(*n) / 10.0).collect(),
            Series::E96 => (0..96)
                .map(|i| (100.0 * 10f64.powf(f64::from(i) / 96.0)).round() / 100.0)
                .collect(),
        }
    }

    /// The values at or below and at or above it: the nearer one, by ratio, first.
    pub fn around(self, ohms: f64) -> [f64; 2] {
        let power = 10f64.powf(ohms.log10().floor());
        let values = self.decade().into_iter().chain([10.0]).map(|n| n * power);
        let (mut below, mut above) = (power, 10.0 * power);
        for value in values {
            if value <= ohms * (1.0 + 1e-12) {
                below = value;
            } else if value < above {
                above = value;
                break;
            }
        }
        // What multiplying left behind the last digit.
        let tidy = |n: f64| (n / power * 1e4).round() / 1e4 * power;
        let pair = [tidy(below), tidy(above)];
        match ohms / below <= above / ohms {
            true => pair,
            false => [pair[1], pair[0]],
        }
    }

    /// The nearest value, by ratio.
    pub fn nearest(self, ohms: f64) -> f64 {
        self.around(ohms)[0]
    }
}
