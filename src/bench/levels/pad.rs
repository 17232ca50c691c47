//! Pads: networks of resistors that take so many dB away.

use std::fmt;

use super::quantity::{Ohms, Unfit, read_db, unfit};
use super::series::Series;
use super::two_port::TwoPort;
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

    /// Matches the source, and shows the load whatever it shows.
    pub const fn is_one_sided(self) -> bool {
        matches!(self, Kind::L | Kind::U)
    }

    /// With the same loss, for a line one side of which is on ground.
    pub const fn unbalanced(self) -> Kind {
        match self {
            Kind::U => Kind::L,
            Kind::H => Kind::T,
            Kind::O => Kind::Pi,
            other => other,
        }
    }

    /// In a line that does not float its lower leg is shorted: without a transformer card and amplifier share a ground.
    pub const fn is_shorted(self, transformer: bool) -> bool {
        self.is_balanced() && !transformer
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

/// Where a resistor stands. The legs of balanced pads have one each.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// In line, in the upper leg.
    Line,
    /// In line, in the lower leg.
    Return,
    Across,
    /// From the input's upper terminal to the output's.
    Bridge,
}

/// A pad with its resistors, from the input on.
#[derive(Debug, Clone, PartialEq)]
pub struct Network {
    pub kind: Kind,
    /// The source that it is made for.
    pub source: Ohms,
    /// The load that it is made for.
    pub load: Ohms,
    pub parts: Vec<(Place, f64)>,
}

/// Least and most.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    pub loss: (Db, Db),
    pub input: (Ohms, Ohms),
}

/// The least loss of a pad matched on both sides, 20·log(√r + √(r−1)), r the impedances' ratio (computed; agrees with amateur handbooks' tables).
pub fn least_loss(source: Ohms, load: Ohms) -> Db {
    let r = ratio(source, load);
    Db((20.0 * (r.sqrt() + (r - 1.0).sqrt()).log10()) as f32)
}

/// The least loss of a pad matched to its source alone, 10·log r: there one of its two resistors is left, in line before a lower load, across a
/// higher one (computed).
pub fn least_loss_of_l(source: Ohms, load: Ohms) -> Db {
    Db((10.0 * ratio(source, load).log10()) as f32)
}

fn ratio(source: Ohms, load: Ohms) -> f64 {
    (source.0 / load.0).max(load.0 / source.0)
}

/// The exact resistors. `loss`: of the power that the source has to give; a minimum-loss pad has its own.
///
/// Textbook formulas of attenuators by K = 10^(dB/20); each is proved by solving the network.
///
/// # Errors
/// No such pad; what to do instead.
pub fn design(kind: Kind, loss: Option<Db>, source: Ohms, load: Ohms) -> Result<Network, Unfit> {
    let (z1, z2) = (source.0, load.0);
    let is_equal = (z1 / z2 - 1.0).abs() < 1e-9;
    if kind == Kind::MinimumLoss {
        return minimum_loss(source, load);
    }
    let Some(loss) = loss else {
        return unfit("say its loss: --loss 10dB");
    };
    check_loss(loss)?;
    if kind == Kind::BridgedT && !is_equal {
        return unfit("a bridged-T has the same impedance on both sides: take a T or a pi");
    }
    let least = |limit: fn(Ohms, Ohms) -> Db| limit(source, load).0;
    let told = |least: f32| format!("{:.1} dB", (least * 10.0).ceil() / 10.0);
    let of_l = least(least_loss_of_l);
    if !is_equal && kind.is_one_sided() && loss.0 < of_l {
        return unfit(format!(
            "from {source} to {load} {} {kind} pad, which matches the source alone, loses {} at least; or take a transformer",
            if kind == Kind::L { "an" } else { "a" },
            told(of_l)
        ));
    }
    let both = least(least_loss);
    if !is_equal && !kind.is_one_sided() && loss.0 < both {
        return unfit(format!(
            "from {source} to {load} a pad matched on both sides loses {} at least; an L, which matches the source alone, {}; or take a transformer",
            told(both),
            told(of_l)
        ));
    }
    // Of voltage and of power.
    let k = 10f64.powf(f64::from(loss.0) / 20.0);
    let n = k * k;
    let across = 2.0 * (n * z1 * z2).sqrt() / (n - 1.0);
    let ratio = (n + 1.0) / (n - 1.0);
    let in_line = (n - 1.0) / 2.0 * (z1 * z2 / n).sqrt();
    let leg = |z: f64| 1.0 / (ratio / z - 1.0 / in_line);
    use Place::{Across, Bridge, Line, Return};
    let parts = match kind {
        Kind::T => vec![
            (Line, z1 * ratio - across),
            (Across, across),
            (Line, z2 * ratio - across),
        ],
        Kind::H => {
            let (first, last) = ((z1 * ratio - across) / 2.0, (z2 * ratio - across) / 2.0);
            vec![
                (Line, first),
                (Return, first),
                (Across, across),
                (Line, last),
                (Return, last),
            ]
        }
        Kind::Pi => vec![(Across, leg(z1)), (Line, in_line), (Across, leg(z2))],
        Kind::O => vec![
            (Across, leg(z1)),
            (Line, in_line / 2.0),
            (Return, in_line / 2.0),
            (Across, leg(z2)),
        ],
        Kind::BridgedT => vec![
            (Line, z1),
            (Across, z1 / (k - 1.0)),
            (Line, z1),
            (Bridge, z1 * (k - 1.0)),
        ],
        Kind::L | Kind::U | Kind::MinimumLoss => {
            // The source sees its own impedance, of which the load and the resistor beside it make a part.
            let part = z1 / (k * (z1 / z2).sqrt());
            let beside = 1.0 / (1.0 / part - 1.0 / z2);
            match kind {
                Kind::U => vec![(Line, (z1 - part) / 2.0), (Return, (z1 - part) / 2.0), (Across, beside)],
                _ => vec![(Line, z1 - part), (Across, beside)],
            }
        }
    };
    // At a pad's least loss an arm of it vanishes, and rounding may leave less than nothing.
    let arms = parts.into_iter().filter(|(place, ohms)| match place {
        Across => ohms.is_finite() && *ohms < 1e9,
        _ => *ohms > 1e-6,
    });
    let parts: Vec<(Place, f64)> = arms.collect();
    match parts.iter().all(|(_, ohms)| *ohms > 0.0) {
        true => Ok(Network {
            kind,
            source,
            load,
            parts,
        }),
        false => unfit(format!("no {kind} pad of {} dB joins {source} to {load}", loss.0)),
    }
}

fn minimum_loss(source: Ohms, load: Ohms) -> Result<Network, Unfit> {
    let (high, low) = (source.0.max(load.0), source.0.min(load.0));
    if high / low < 1.0 + 1e-6 {
        return unfit("both impedances are the same: nothing is to be matched");
    }
    let in_line = (Place::Line, (high * (high - low)).sqrt());
    let across = (Place::Across, low * (high / (high - low)).sqrt());
    Ok(Network {
        kind: Kind::MinimumLoss,
        source,
        load,
        parts: match source > load {
            true => vec![in_line, across],
            false => vec![across, in_line],
        },
    })
}

impl Network {
    /// A resistor in line so small that nobody builds it (our own judgement): what its impedance is made up of to 0.02 %, and below what a
    /// joint has.
    pub fn is_wire(&self, place: Place, ohms: f64) -> bool {
        let is_in_line = matches!(place, Place::Line | Place::Return);
        is_in_line && ohms < 0.1 && ohms < 2e-4 * self.source.0.max(self.load.0)
    }

    /// Between the terminals: what stands in both legs adds up.
    pub fn two_port(&self) -> TwoPort {
        let ladder = self
            .parts
            .iter()
            .fold(TwoPort::NONE, |so_far, (place, ohms)| match place {
                Place::Line | Place::Return => so_far.then(TwoPort::series(*ohms)),
                Place::Across => so_far.then(TwoPort::shunt(*ohms)),
                Place::Bridge => so_far,
            });
        let bridge = self.parts.iter().find(|(place, _)| *place == Place::Bridge);
        bridge.map_or(ladder, |(_, ohms)| ladder.bridged(*ohms))
    }

    /// Between the impedances that it is made for.
    pub fn loss(&self) -> Db {
        self.two_port().loss(self.source, self.load)
    }

    /// What the source sees, with the load that it is made for.
    pub fn input(&self) -> Ohms {
        self.two_port().input(self.load)
    }

    /// What the load sees, with the source that it is made for.
    pub fn output(&self) -> Ohms {
        self.two_port().output(self.source)
    }

    fn with(&self, ohms: impl Fn(usize, f64) -> f64) -> Network {
        let parts = self.parts.iter().enumerate();
        Network {
            parts: parts.map(|(i, (place, old))| (*place, ohms(i, *old))).collect(),
            ..self.clone()
        }
    }

    /// The same with values of a series: of the two around each, those that together come nearest in loss and impedance. Resistors that
    /// are the same stay the same.
    pub fn built(&self, series: Series) -> Network {
        let mut distinct: Vec<f64> = Vec::new();
        for (_, ohms) in &self.parts {
            if !distinct.iter().any(|other| (other / ohms - 1.0).abs() < 1e-9) {
                distinct.push(*ohms);
            }
        }
        let wanted = self.loss();
        let miss = |network: &Network| {
            let off = |seen: Ohms, made: Ohms| (20.0 * (seen.0 / made.0).log10()).abs();
            let output = if self.kind.is_one_sided() {
                0.0
            } else {
                off(network.output(), network.load)
            };
            // Half a decibel of impedance is nobody's trouble, of loss it is heard in the plan.
            f64::from((network.loss().0 - wanted.0).abs()) + 0.25 * off(network.input(), network.source).max(output)
        };
        let choose = |combination: usize| {
            self.with(|_, old| {
                let place = distinct.iter().position(|d| (d / old - 1.0).abs() < 1e-9);
                let bit = combination >> place.unwrap_or_default() & 1;
                series.around(old)[bit]
            })
        };
        let all = (0..1usize << distinct.len()).map(choose);
        all.min_by(|a, b| miss(a).total_cmp(&miss(b)))
            .unwrap_or_else(|| self.clone())
    }

    /// What it comes to when every resistor is off by this part of it, up or down, in the worst way: loss and impedance go up or down
    /// steadily with each resistor, so that the worst case is a corner.
    pub fn spread(&self, tolerance: f64) -> Spread {
        let mut loss = (self.loss(), self.loss());
        let mut input = (self.input(), self.input());
        for corner in 0..1usize << self.parts.len() {
            let network = self.with(|i, old| match corner >> i & 1 {
                1 => old * (1.0 + tolerance),
                _ => old * (1.0 - tolerance),
            });
            let (l, z) = (network.loss(), network.input());
            loss = (Db(loss.0.0.min(l.0)), Db(loss.1.0.max(l.0)));
            input = (Ohms(input.0.0.min(z.0)), Ohms(input.1.0.max(z.0)));
        }
        Spread { loss, input }
    }
}
