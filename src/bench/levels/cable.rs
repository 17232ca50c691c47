//! Copper cable: its resistance by gauge.

use std::fmt;

use super::quantity::{Celsius, Metres, Ohms, Unfit, split, unfit};

/// Resistivity of annealed copper at 20 °C, ohm times mm² a metre (IEC 60028: 1/58).
const COPPER: f64 = 0.017_241;
/// A kelvin, of its value at 20 °C (IEC 60028).
const COPPER_RISE: f64 = 0.003_93;

/// Highest resistance at 20 °C, ohm a km, of plain copper (IEC 60228, Tables 1 to 4): area in mm², classes 1 and 2, classes 5 and 6.
pub const IEC_60228: [(f64, f64, f64); 9] = [
    (0.5, 36.0, 39.0),
    (0.75, 24.5, 26.0),
    (1.0, 18.1, 19.5),
    (1.5, 12.1, 13.3),
    (2.5, 7.41, 7.98),
    (4.0, 4.61, 4.95),
    (6.0, 3.08, 3.30),
    (10.0, 1.83, 1.91),
    (16.0, 1.15, 1.21),
];

/// The thickness of one conductor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Gauge {
    /// American Wire Gauge (ASTM B258); 0 is 1/0.
    Awg(u8),
    /// Cross-section in mm², and the conductor's class (IEC 60228).
    Area { mm2: f64, class: u8 },
}

impl Gauge {
    /// `16 AWG`, `AWG 16`, `1.5 mm2`, `1.5 mm2 class 5`. Without a class: 2, stranded for fixed wiring.
    ///
    /// # Errors
    /// What it should look like.
    pub fn read(text: &str) -> Result<Self, Unfit> {
        let text = text.trim();
        if let Some(number) = text.strip_prefix("AWG").or_else(|| text.strip_prefix("awg")) {
            return Self::awg(split(number)?.0);
        }
        let (n, unit) = split(text)?;
        let mut words = unit.split_whitespace();
        match words.next() {
            Some("AWG" | "awg") if words.next().is_none() => Self::awg(n),
            Some("mm2" | "mm²" | "mm^2" | "sqmm") => {
                let class = match (words.next(), words.next(), words.next()) {
                    (None, ..) => 2,
                    (Some("class"), Some(c @ ("1" | "2" | "5" | "6")), None) => c.bytes().fold(0, |_, b| b - b'0'),
                    _ => return unfit("behind mm2 comes \"class\" and 1, 2, 5 or 6, or nothing"),
                };
                match (0.05..=50.0).contains(&n) {
                    true => Ok(Gauge::Area { mm2: n, class }),
                    false => unfit("the cross-section is from 0.05 mm2 to 50 mm2"),
                }
            }
            Some("mm") => {
                let area = std::f64::consts::PI / 4.0 * n * n;
                unfit(format!("mm is a diameter: a wire of {n} mm has \"{area:.2} mm2\""))
            }
            _ => unfit("write the gauge as \"16 AWG\" or \"1.5 mm2\""),
        }
    }

    fn awg(n: f64) -> Result<Self, Unfit> {
        match n {
            n if n.fract() == 0.0 && (0.0..=36.0).contains(&n) => Ok(Gauge::Awg(n as u8)),
            _ => unfit("the gauge is a whole number from 0 AWG to 36 AWG"),
        }
    }

    /// Cross-section in mm²: nominal, or by ASTM B258's law, d = 0.127 mm · 92^((36 − n)/39).
    pub fn mm2(self) -> f64 {
        match self {
            Gauge::Awg(n) => {
                let d = 0.127 * 92f64.powf((36.0 - f64::from(n)) / 39.0);
                std::f64::consts::PI / 4.0 * d * d
            }
            Gauge::Area { mm2, .. } => mm2,
        }
    }

    /// Ohm a km of one conductor at 20 °C: the standard's highest, or by copper's resistivity where the table has no such area.
    pub fn ohms_a_km(self) -> f64 {
        let by_resistivity = COPPER * 1000.0 / self.mm2();
        match self {
            Gauge::Awg(_) => by_resistivity,
            Gauge::Area { mm2, class } => {
                let row = IEC_60228.iter().find(|(area, ..)| (area - mm2).abs() < 1e-9);
                match row {
                    Some((_, fixed, _)) if class < 5 => *fixed,
                    Some((_, _, flexible)) => *flexible,
                    None => by_resistivity,
                }
            }
        }
    }

    /// Of both conductors of a run, there and back.
    pub fn loop_resistance(self, length: Metres, at: Celsius) -> Ohms {
        let rise = 1.0 + COPPER_RISE * (at.0 - 20.0);
        Ohms(2.0 * length.0 / 1000.0 * self.ohms_a_km() * rise)
    }
}

impl fmt::Display for Gauge {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Gauge::Awg(n) => write!(f, "{n} AWG"),
            Gauge::Area { mm2, class: 2 } => write!(f, "{mm2} mm2"),
            Gauge::Area { mm2, class } => write!(f, "{mm2} mm2 class {class}"),
        }
    }
}

/// A run of two-core cable.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cable {
    pub length: Metres,
    pub gauge: Gauge,
}

impl Cable {
    /// `20 m 0.5 mm2`, `100 ft 22 AWG`.
    ///
    /// # Errors
    /// What it should look like.
    pub fn read(text: &str) -> Result<Self, Unfit> {
        let (_, rest) = split(text)?;
        let text = text.trim();
        let words: Vec<&str> = rest.split_whitespace().collect();
        let Some((unit, gauge)) = words.split_first() else {
            return unfit("write length and gauge: \"20 m 0.5 mm2\"");
        };
        let number = &text[..text.len() - rest.len()];
        let length = Metres::read(&format!("{number}{unit}"))?;
        match gauge {
            [] => unfit("behind the length comes the gauge: \"20 m 0.5 mm2\""),
            gauge => Ok(Cable {
                length,
                gauge: Gauge::read(&gauge.join(" "))?,
            }),
        }
    }

    pub fn resistance(self, at: Celsius) -> Ohms {
        self.gauge.loop_resistance(self.length, at)
    }
}

impl fmt::Display for Cable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} m {}", self.length.to_the_centimetre(), self.gauge)
    }
}
