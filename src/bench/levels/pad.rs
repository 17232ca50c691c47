//! Pads: networks of resistors that take so many dB away.

use std::fmt;

use super::quantity::{Unfit, read_db, unfit};
use crate::sound::level::Db;

/// How a pad's resistors stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// One resistor in line, one across: the source sees the impedance, the load does not.
    L,
    /// An L in both legs, for balanced lines.
    U,
    T,
    /// A T in both legs, for balanced lines.
    H,
    Pi,
    /// A π in both legs, for balanced lines.
    O,
    BridgedT,
    /// The L that matches two different impedances with the least loss.
    MinimumLoss,
}

impl Kind {
    pub const ALL: [Kind; 8] = [
        Kind::L,
        Kind::U,
        Kind::T,
        Kind::H,
        Kind::Pi,
        Kind::O,
        Kind::BridgedT,
        Kind::MinimumLoss,
    ];

    pub const fn name(self) -> &'static str {
        match self {
            Kind::L => "L",
            Kind::U => "U",
            Kind::T => "T",
            Kind::H => "H",
            Kind::Pi => "pi",
            Kind::O => "O",
            Kind::BridgedT => "bridged-T",
            Kind::MinimumLoss => "minimum-loss",
        }
    }

    /// The same in both legs: keeps a balanced line balanced.
    pub const fn is_balanced(self) -> bool {
        matches!(self, Kind::U | Kind::H | Kind::O)
    }

    /// By its name, in letters of either case.
    ///
    /// # Errors
    /// The names that there are.
    pub fn read(text: &str) -> Result<Self, Unfit> {
        let lower = text.to_lowercase();
        let named = Kind::ALL.into_iter().find(|kind| kind.name().to_lowercase() == lower);
        match (named, lower.as_str()) {
            (Some(kind), _) => Ok(kind),
            (None, "π") => Ok(Kind::Pi),
            (None, "bridged t" | "bridgedt") => Ok(Kind::BridgedT),
            _ => unfit("the kinds are L, U, T, H, pi, O, bridged-T and minimum-loss"),
        }
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// A pad that is there, or wanted: its kind and its loss between its own impedances.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pad {
    pub kind: Kind,
    pub loss: Db,
}

impl Pad {
    /// `T 10 dB`.
    ///
    /// # Errors
    /// What it should look like.
    pub fn read(text: &str) -> Result<Self, Unfit> {
        let Some((kind, loss)) = text.trim().split_once(char::is_whitespace) else {
            return unfit("write the kind and the loss: \"T 10 dB\"");
        };
        let kind = Kind::read(kind)?;
        if kind == Kind::MinimumLoss {
            return unfit(
                "a minimum-loss pad joins two different impedances; here the kinds are L, U, T, H, pi, O and bridged-T",
            );
        }
        let loss = read_db(loss)?;
        check_loss(loss)?;
        Ok(Pad { kind, loss })
    }
}

/// The losses that are built in one pad.
///
/// # Errors
/// What to do instead.
pub fn check_loss(loss: Db) -> Result<(), Unfit> {
    match loss.0 {
        n if n < 0.0 => unfit(format!("a loss is written without a minus: \"{} dB\"", -n)),
        n if n < 0.5 => unfit("a pad has a loss of 0.5 dB at least"),
        n if n > 60.0 => unfit("a pad has a loss of 60 dB at most; build two"),
        _ => Ok(()),
    }
}

impl fmt::Display for Pad {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {} dB", self.kind, self.loss.0)
    }
}
