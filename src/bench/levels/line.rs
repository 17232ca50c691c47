//! The loudspeaker line: constant voltage with taps, or low impedance.

use std::fmt;

use super::quantity::{Unfit, Watts, unfit};

/// So many loudspeakers tapped at the same power.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tap {
    pub count: u32,
    pub power: Watts,
}

impl Tap {
    /// `12 x 6 W`, or `6 W` for one.
    ///
    /// # Errors
    /// What it should look like.
    pub fn read(text: &str) -> Result<Self, Unfit> {
        let text = text.trim();
        let (count, power) = text.split_once(['x', '×', '*']).unwrap_or(("1", text));
        let count = count.trim();
        match (count.parse(), Watts::read(power)) {
            (Ok(count @ 1..=1000), Ok(power)) if power.0 <= 1000.0 => Ok(Tap { count, power }),
            (Ok(1..=1000), Ok(_)) => unfit("a tap has 1000 W at most"),
            (Ok(1..=1000), Err(Unfit(hint))) => unfit(format!("{hint}; as in \"12 x 6 W\"")),
            _ => unfit("write how many and the power of each: \"12 x 6 W\""),
        }
    }

    pub fn total(self) -> Watts {
        Watts(f64::from(self.count) * self.power.0)
    }
}

impl fmt::Display for Tap {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} x {} W", self.count, self.power.0)
    }
}

/// All taps together.
pub fn total(taps: &[Tap]) -> Watts {
    Watts(taps.iter().map(|tap| tap.total().0).sum())
}
