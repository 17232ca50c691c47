//! The loudspeaker line: constant voltage with taps, or low impedance.

use std::fmt;

use super::cable::{Cable, Gauge, IEC_60228};
use super::quantity::{Celsius, Metres, Ohms, Unfit, Volts, Watts, unfit};
use crate::sound::level::Db;

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

/// What of a power amplifier's rating the taps may take together, so that it lasts (common practice, no published source).
pub const FULL: f64 = 0.8;
/// A cable's loss that nobody hears (common practice, no published source).
pub const SMALL_LOSS: Db = Db(0.5);

/// The line of 70.7 V: V² = 5000, so that 50 ohm take 100 W.
pub const SEVENTY: Volts = Volts(70.710_678_118_654_76);

/// A line's load.
#[derive(Debug, Clone, PartialEq)]
pub enum Load {
    Taps(Volts, Vec<Tap>),
    /// Low impedance, with the power that the amplifier gives into it.
    Impedance(Ohms, Watts),
}

/// A line and its amplifier.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    pub load: Load,
    pub amplifier: Option<Watts>,
    pub cable: Option<Cable>,
    pub at: Celsius,
}

/// A cable's part in it, all loudspeakers at its far end but where it is said otherwise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Run {
    pub resistance: Ohms,
    pub loss: Db,
    /// At the last loudspeaker when all, as equal loads, stand at equal distances along it.
    pub spread: Db,
    pub volts: Volts,
    /// At the loudspeakers, of what they would have without the cable.
    pub power: Watts,
    /// In the cable.
    pub heat: Watts,
    /// The longest run of this gauge with [`SMALL_LOSS`].
    pub longest: Metres,
}

impl Line {
    pub fn volts(&self) -> Volts {
        match &self.load {
            Load::Taps(volts, _) => *volts,
            Load::Impedance(ohms, power) => Volts((ohms.0 * power.0).sqrt()),
        }
    }

    /// What the loudspeakers take together.
    pub fn power(&self) -> Watts {
        match &self.load {
            Load::Taps(_, taps) => total(taps),
            Load::Impedance(_, power) => *power,
        }
    }

    /// What the amplifier sees: V²/P.
    pub fn impedance(&self) -> Ohms {
        match &self.load {
            Load::Taps(volts, taps) => Ohms(volts.0 * volts.0 / total(taps).0),
            Load::Impedance(ohms, _) => *ohms,
        }
    }

    /// Of the amplifier's rating.
    pub fn share(&self) -> Option<f64> {
        self.amplifier.map(|rated| self.power().0 / rated.0)
    }

    /// Loudspeakers; of a low impedance they are not known, and count as one.
    pub fn count(&self) -> u32 {
        match &self.load {
            Load::Taps(_, taps) => taps.iter().map(|tap| tap.count).sum(),
            Load::Impedance(..) => 1,
        }
    }

    fn loop_for_small_loss(&self) -> f64 {
        self.impedance().0 * (10f64.powf(f64::from(SMALL_LOSS.0) / 20.0) - 1.0)
    }

    pub fn run(&self) -> Option<Run> {
        let cable = self.cable?;
        let (z, r) = (self.impedance().0, cable.resistance(self.at).0);
        let volts = Volts(self.volts().0 * z / (z + r));
        let loss = self.volts().above(volts);
        let current = volts.0 / z;
        let a_metre = r / cable.length.0;
        Some(Run {
            resistance: Ohms(r),
            loss,
            spread: ladder(self.count(), z, r),
            volts,
            power: volts.power(Ohms(z)),
            heat: Watts(current * current * r),
            longest: Metres(self.loop_for_small_loss() / a_metre),
        })
    }

    /// The thinnest gauges, in mm² and in AWG, with which the run has [`SMALL_LOSS`] at most.
    pub fn thinnest(&self, length: Metres) -> (Option<Gauge>, Option<Gauge>) {
        let fits = |gauge: &Gauge| gauge.loop_resistance(length, self.at).0 <= self.loop_for_small_loss();
        let areas = IEC_60228.iter().map(|(mm2, ..)| Gauge::Area { mm2: *mm2, class: 2 });
        let awg = (5..=12).rev().map(|half| Gauge::Awg(half * 2));
        (areas.into_iter().find(fits), awg.into_iter().find(fits))
    }
}

/// What the last of `n` equal loads misses, together `z`, at equal distances along a loop of `r`, the last at its end: voltages and currents
/// from there back, by Kirchhoff's laws.
fn ladder(n: u32, z: f64, r: f64) -> Db {
    let (each, piece) = (z * f64::from(n), r / f64::from(n));
    let (volts, _) = (0..n).fold((1.0, 0.0), |(volts, current), _| {
        let current = current + volts / each;
        (volts + current * piece, current)
    });
    Volts(volts).above(Volts(1.0))
}
