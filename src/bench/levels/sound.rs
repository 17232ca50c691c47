//! Sound at the listener: how loud, whether it is enough, and how long ears bear it.

use super::quantity::{Metres, Spl, Watts};

/// Speech over ambient that is understood, and that is easy to understand (handbooks of sound systems and classrooms: 10, 15 dB).
pub const ENOUGH: f64 = 10.0;
pub const GOOD: f64 = 15.0;

/// From a loudspeaker's sensitivity at 1 W and 1 m, in the free field (inverse-square law).
pub fn level(sensitivity: Spl, power: Watts, distance: Metres) -> Spl {
    Spl(sensitivity.0 + 10.0 * power.0.log10() - 20.0 * distance.0.log10())
}

/// Of sources that have nothing to do with each other: powers add up. −∞ for none.
pub fn sum(levels: impl IntoIterator<Item = Spl>) -> Spl {
    let power: f64 = levels.into_iter().map(|level| 10f64.powf(level.0 / 10.0)).sum();
    Spl(10.0 * power.log10())
}

/// The power that one loudspeaker at this distance needs for such a level.
pub fn power_for(wanted: Spl, sensitivity: Spl, distance: Metres) -> Watts {
    Watts(10f64.powf((wanted.0 - sensitivity.0 + 20.0 * distance.0.log10()) / 10.0))
}

/// How long a day ears may bear a level, in hours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Permitted {
    /// So long. Below the criterion level this is more than the 8 hours that it counts for.
    Hours(f64),
    Never,
}

/// NIOSH's recommended limit: 8 h at 85 dBA, half as long for each 3 dB more; none at or above 140 dBA (NIOSH 98-126).
pub fn niosh(level: Spl) -> Permitted {
    match level.0 {
        l if l >= 140.0 => Permitted::Never,
        l => Permitted::Hours(8.0 / 2f64.powf((l - 85.0) / 3.0)),
    }
}

/// OSHA's limit: 8 h at 90 dBA, half as long for each 5 dB more; none above 115 dBA (29 CFR 1910.95, Table G-16 and its formula).
pub fn osha(level: Spl) -> Permitted {
    match level.0 {
        l if l > 115.0 => Permitted::Never,
        l => Permitted::Hours(8.0 / 2f64.powf((l - 90.0) / 5.0)),
    }
}

impl std::fmt::Display for Permitted {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match *self {
            Permitted::Never => f.write_str("never"),
            Permitted::Hours(h) if h >= 24.0 => f.write_str("all day"),
            // Rounded down: what is permitted is not stretched.
            Permitted::Hours(h) => match ((h * 3600.0 + 1e-6).floor() as u64).max(1) {
                s if s >= 3600 && s / 60 % 60 == 0 => write!(f, "{} h", s / 3600),
                s if s >= 3600 => write!(f, "{} h {} min", s / 3600, s / 60 % 60),
                s if s >= 60 => write!(f, "{} min", s / 60),
                s => write!(f, "{s} s"),
            },
        }
    }
}
