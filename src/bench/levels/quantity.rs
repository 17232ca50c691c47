//! Quantities that cannot be mixed up, and how people write them.
//!
//! A level on a line is a voltage (RMS of a sine, or active level of speech). dBm is meant in the telephone trade's way: 0 dBm is the
//! voltage that gives 1 mW in 600 ohm, 0.775 V, the same number as dBu, whatever the load.

use std::fmt;

use thiserror::Error;

use crate::sound::level::{Db, Dbm, Dbu, Dbv};

/// A text that is no such quantity; says what would mend it.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("{0}")]
pub struct Unfit(pub String);

pub(super) fn unfit<T>(hint: impl Into<String>) -> Result<T, Unfit> {
    Err(Unfit(hint.into()))
}

/// Volts RMS.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Volts(pub f64);

#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Ohms(pub f64);

#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Watts(pub f64);

#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Metres(pub f64);

#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Celsius(pub f64);

/// Sound pressure level, dB re 20 µPa; A-weighted where hearing is concerned.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Spl(pub f64);

impl Volts {
    pub fn dbu(self) -> Dbu {
        Dbu::of_volts(self.0)
    }

    pub fn dbv(self) -> Dbv {
        Dbv::of_volts(self.0)
    }

    /// In a load of this impedance.
    pub fn power(self, load: Ohms) -> Watts {
        Watts(self.0 * self.0 / load.0)
    }

    /// So many dB more.
    pub fn raised(self, by: Db) -> Volts {
        Volts(self.0 * 10f64.powf(f64::from(by.0) / 20.0))
    }

    /// How many dB above `other`.
    pub fn above(self, other: Volts) -> Db {
        Db((20.0 * (self.0 / other.0).log10()) as f32)
    }
}

/// A level as somebody wrote it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Level {
    Dbm(Dbm),
    Dbu(Dbu),
    Dbv(Dbv),
    Volts(Volts),
}

impl Level {
    /// `0 dBm`, `-10 dBV`, `+4 dBu`, `1.2 V`, `775 mV`.
    ///
    /// # Errors
    /// What it should look like.
    pub fn read(text: &str) -> Result<Self, Unfit> {
        let (number, unit) = split(text)?;
        let volts = |n: f64| match n > 0.0 {
            true => Ok(Level::Volts(Volts(n))),
            false => unfit("volts are above 0; a level below 1 V is no negative number: \"0.5 V\""),
        };
        match unit {
            "dBm" => Ok(Level::Dbm(Dbm(number as f32))),
            "dBu" => Ok(Level::Dbu(Dbu(number as f32))),
            "dBV" => Ok(Level::Dbv(Dbv(number as f32))),
            "V" => volts(number),
            "mV" => volts(number / 1e3),
            "" => unfit("write the unit: dBm, dBu, dBV or V"),
            "dB" => unfit("dB alone is no level: write dBm, dBu, dBV or V"),
            "dBv" => unfit("write dBu (0.775 V), as dBv was once called, or dBV (1 V)"),
            "dbm" | "DBM" | "dBM" | "Dbm" => unfit("write the unit as dBm"),
            "dbu" | "DBU" | "dBU" | "Dbu" => unfit("write the unit as dBu"),
            "dbv" | "DBV" | "Dbv" => unfit("write the unit as dBV"),
            "v" | "Volt" | "volt" | "volts" => unfit("write the unit as V"),
            "W" | "mW" => unfit("a level on a line is written in dBm, dBu, dBV or V, not in watts"),
            _ => unfit("the units are dBm, dBu, dBV, V and mV"),
        }
    }

    pub fn volts(self) -> Volts {
        Volts(match self {
            Level::Dbm(Dbm(n)) => Dbu(n).volts(),
            Level::Dbu(level) => level.volts(),
            Level::Dbv(level) => level.volts(),
            Level::Volts(Volts(v)) => v,
        })
    }
}

impl fmt::Display for Level {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Level::Dbm(Dbm(n)) => write!(f, "{} dBm", signed(*n)),
            Level::Dbu(Dbu(n)) => write!(f, "{} dBu", signed(*n)),
            Level::Dbv(Dbv(n)) => write!(f, "{} dBV", signed(*n)),
            Level::Volts(volts) => volts.fmt(f),
        }
    }
}

/// With a plus before what is above 0.
fn signed(n: f32) -> String {
    if n > 0.0 {
        format!("+{n}")
    } else {
        format!("{}", n + 0.0)
    }
}

/// Three digits that count, without zeros behind them.
pub fn figures(n: f64) -> String {
    if n == 0.0 || !n.is_finite() {
        return format!("{n}");
    }
    let digits = 2 - n.abs().log10().floor() as i32;
    let scale = 10f64.powi(digits);
    let rounded = (n * scale).round() / scale;
    format!("{rounded:.*}", digits.max(0) as usize)
        .trim_end_matches(|c| digits > 0 && c == '0')
        .trim_end_matches('.')
        .to_owned()
}

impl fmt::Display for Volts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            v if v.abs() < 0.001 => write!(f, "{} µV", figures(v * 1e6)),
            v if v.abs() < 0.1 => write!(f, "{} mV", figures(v * 1e3)),
            v => write!(f, "{} V", figures(v)),
        }
    }
}

impl fmt::Display for Ohms {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            r if r >= 9_999_500.0 => write!(f, "{} Mohm", figures(r / 1e6)),
            r if r >= 9_995.5 => write!(f, "{} kohm", figures(r / 1e3)),
            r if r >= 1_000.0 => write!(f, "{r:.0} ohm"),
            r => write!(f, "{} ohm", figures(r)),
        }
    }
}

impl fmt::Display for Watts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            w if w.abs() < 1e-4 => write!(f, "{} µW", figures(w * 1e6)),
            w if w.abs() < 0.1 => write!(f, "{} mW", figures(w * 1e3)),
            w => write!(f, "{} W", figures(w)),
        }
    }
}

impl fmt::Display for Metres {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} m", figures(self.0))
    }
}

impl fmt::Display for Celsius {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} °C", self.0)
    }
}

/// A number, and its unit. At most nine digits on either side of the point.
pub(super) fn split(text: &str) -> Result<(f64, &str), Unfit> {
    let text = text.trim();
    let (sign, rest) = match text.strip_prefix(['-', '−']) {
        Some(rest) => (-1.0, rest),
        None => (1.0, text.strip_prefix('+').unwrap_or(text)),
    };
    let end = rest
        .find(|c: char| !c.is_ascii_digit() && c != '.')
        .unwrap_or(rest.len());
    let (number, unit) = rest.split_at(end);
    let (whole, fraction) = number.split_once('.').unwrap_or((number, "0"));
    let digits = |t: &str| (1..=9).contains(&t.len()) && t.bytes().all(|b| b.is_ascii_digit());
    if unit.starts_with(',') && unit[1..].starts_with(|c: char| c.is_ascii_digit()) {
        return unfit("write a point in the number, not a comma");
    }
    match number.parse::<f64>() {
        Ok(n) if digits(whole) && digits(fraction) => Ok((sign * n, unit.trim_start())),
        _ if number.is_empty() => unfit("begin with a number"),
        _ => unfit("write a number with at most nine digits on either side of the point"),
    }
}

/// Finite, above 0, at most `most`.
fn positive<T>(n: f64, most: f64, made: impl Fn(f64) -> T, what: &str) -> Result<T, Unfit> {
    match n {
        n if n <= 0.0 => unfit(format!("{what} is above 0")),
        n if n > most => unfit(format!("this is far more than any {what} of the trade")),
        n => Ok(made(n)),
    }
}

impl Ohms {
    /// `600 ohm`, `10k`, `10 kohm`, `47 kΩ`.
    ///
    /// # Errors
    /// What it should look like.
    pub fn read(text: &str) -> Result<Self, Unfit> {
        let (n, unit) = split(text)?;
        let factor = match unit {
            "ohm" | "ohms" | "Ohm" | "Ω" | "R" => 1.0,
            "k" | "kohm" | "kOhm" | "kΩ" | "K" => 1e3,
            "M" | "Mohm" | "MOhm" | "MΩ" => 1e6,
            "" => return unfit(format!("write the unit: \"{n} ohm\"")),
            _ => return unfit("the units are ohm and k"),
        };
        positive(n * factor, 1e9, Ohms, "impedance")
    }
}

impl Watts {
    /// `120 W`, `1.5 kW`, `250 mW`.
    ///
    /// # Errors
    /// What it should look like.
    pub fn read(text: &str) -> Result<Self, Unfit> {
        let (n, unit) = split(text)?;
        let factor = match unit {
            "W" | "watt" | "watts" => 1.0,
            "kW" => 1e3,
            "mW" => 1e-3,
            "" => return unfit(format!("write the unit: \"{n} W\"")),
            "w" => return unfit("write the unit as W"),
            _ => return unfit("the unit is W"),
        };
        positive(n * factor, 1e5, Watts, "power")
    }
}

impl Metres {
    /// Feet come back as metres, with more digits than anybody laid cable by.
    pub fn to_the_centimetre(self) -> String {
        match self.0 {
            n if n < 1.0 => figures(n),
            n => format!("{}", (n * 100.0).round() / 100.0),
        }
    }

    /// `30 m`, `0.5 km`, `100 ft`.
    ///
    /// # Errors
    /// What it should look like.
    pub fn read(text: &str) -> Result<Self, Unfit> {
        let (n, unit) = split(text)?;
        let factor = match unit {
            "m" => 1.0,
            "km" => 1e3,
            "cm" => 1e-2,
            // Exact: the international foot of 1959.
            "ft" | "feet" => 0.3048,
            "" => return unfit(format!("write the unit: \"{n} m\"")),
            _ => return unfit("the units are m, km and ft"),
        };
        positive(n * factor, 1e5, Metres, "length")
    }
}

impl Celsius {
    /// `40 C`, `40 °C`.
    ///
    /// # Errors
    /// What it should look like.
    pub fn read(text: &str) -> Result<Self, Unfit> {
        let (n, unit) = split(text)?;
        match unit {
            "C" | "°C" | "" if (-50.0..=120.0).contains(&n) => Ok(Celsius(n)),
            "C" | "°C" | "" => unfit("a cable's temperature is from -50 C to 120 C"),
            "F" | "°F" => unfit(format!("write it in C: \"{:.0} C\"", (n - 32.0) / 1.8)),
            _ => unfit("the unit is C"),
        }
    }
}

/// `10 dB`, for a ratio.
///
/// # Errors
/// What it should look like.
pub fn read_db(text: &str) -> Result<Db, Unfit> {
    let (n, unit) = split(text)?;
    match unit {
        "dB" => Ok(Db(n as f32)),
        "" => unfit(format!("write the unit: \"{n} dB\"")),
        "db" | "DB" | "Db" => unfit("write the unit as dB"),
        _ => unfit("the unit is dB"),
    }
}

/// `90 dB`, `85 dBA`, for a sound pressure level.
///
/// # Errors
/// What it should look like.
pub fn read_spl(text: &str) -> Result<Spl, Unfit> {
    let (n, unit) = split(text)?;
    match unit {
        "dB" | "dBA" | "dB(A)" | "" if (0.0..=150.0).contains(&n) => Ok(Spl(n)),
        "dB" | "dBA" | "dB(A)" | "" => unfit("a sound level is from 0 dB to 150 dB"),
        _ => unfit("the units are dB and dBA"),
    }
}

/// A number without a unit gets this one.
pub fn with_unit(text: &str, unit: &str) -> String {
    match split(text) {
        Ok((_, "")) => format!("{} {unit}", text.trim()),
        _ => text.to_owned(),
    }
}
