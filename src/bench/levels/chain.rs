//! From the card's output to the amplifier's input: levels at each joint, the gain to set, what to do when it does not fit.

use super::cable::Cable;
use super::pad::{self, Kind, Pad};
use super::quantity::{Celsius, Level, Ohms, Volts};
use super::two_port::TwoPort;
use crate::sound::level::{Db, Dbfs, Dbm};
use crate::sound::leveller::SPEECH_LEVEL;

/// What telephone lines, transformers and pads of the trade are made for; `full_scale` is measured across it.
pub const LINE: Ohms = Ohms(600.0);
/// Source impedance of a line output that nobody has measured (common practice, no published source: 50 to 200 ohm).
pub const USUAL_SOURCE: Ohms = Ohms(100.0);
/// Full scale of a card that nobody has measured, into 600 ohm (no standard; cards give 0.5 to 2 V).
pub const USUAL_FULL_SCALE: Volts = Volts(1.0);
/// Insertion loss of a transformer, 600 ohm to 600 ohm (common practice, no published source: 0.5 to 1.5 dB).
pub const USUAL_TRANSFORMER: Db = Db(1.0);
/// Noise of a card, below its full scale (common practice, no published source: 16-bit adapters 80 to 95 dB).
pub const USUAL_NOISE: Db = Db(80.0);
/// What peaks of speech need above its active level, or the limiter is heard (common practice, no published source).
pub const PEAK_ROOM: f32 = 12.0;
/// Gains from here up fit; below, a pad does it with less noise, and shields the amplifier from full scale.
pub const LEAST_GAIN: f32 = -12.0;
/// So much less than wanted is nothing to build for.
const SLACK: f32 = 1.0;
/// A full-scale sine's RMS, dB relative to its peak.
const SINE: f32 = -3.010_3;
/// Times the source impedance, and a load counts as bridging (common practice).
const BRIDGING: f64 = 10.0;

/// What is there.
#[derive(Debug, Clone, PartialEq)]
pub struct Setup {
    /// A full-scale sine, across [`LINE`].
    pub full_scale: Option<Volts>,
    pub source: Option<Ohms>,
    /// Below full scale.
    pub noise: Option<Db>,
    /// Insertion loss between [`LINE`] and [`LINE`].
    pub transformer: Option<Db>,
    pub cable: Option<Cable>,
    pub pad: Option<Pad>,
    /// The amplifier's, for speech.
    pub level: Level,
    pub input: Ohms,
    pub ceiling: Dbfs,
    /// The most by which the zone's equaliser lifts a tone.
    pub boost: Option<Db>,
}

/// One joint of the chain.
#[derive(Debug, Clone, PartialEq)]
pub struct Joint {
    /// What stands before it.
    pub before: Part,
    /// Of a full-scale sine.
    pub full_scale: Volts,
    /// What the part before it takes.
    pub loss: Db,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Part {
    Card(Ohms),
    Transformer(Db, Ohms),
    Cable(Cable, Ohms),
    Pad(Pad),
}

/// What to do.
#[derive(Debug, Clone, PartialEq)]
pub enum Advice {
    Fits,
    /// The card gives far more than is wanted: this pad, and then this gain.
    Pad {
        pad: Pad,
        gain: Db,
    },
    /// Less of a pad, or none, and then this gain.
    LessPad {
        pad: Option<Pad>,
        gain: Db,
    },
    /// Nothing but more from the card or less for the amplifier: so many dB are missing.
    TooWeak {
        missing: Db,
        full_scale: Dbm,
    },
}

/// What comes of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// From the card's terminals to the amplifier's.
    pub joints: Vec<Joint>,
    /// What the amplifier's input sees looking back.
    pub seen: Ohms,
    pub is_bridging: bool,
    /// The gain at which speech arrives at the amplifier's level, to half a dB below.
    pub gain: Db,
    pub advice: Advice,
    pub setup: Setup,
}

impl Setup {
    fn source(&self) -> Ohms {
        self.source.unwrap_or(USUAL_SOURCE)
    }

    /// The winding resistance that makes the transformer's loss between 600 ohm and 600 ohm; what is lost in its core is left out.
    fn windings(&self) -> Option<(Db, Ohms)> {
        let loss = self.transformer?;
        let k = 10f64.powf(f64::from(loss.0) / 20.0);
        Some((loss, Ohms(2.0 * LINE.0 * (k - 1.0))))
    }

    /// Each part with its circuit.
    fn parts(&self) -> Vec<(Part, TwoPort)> {
        let mut parts = vec![(Part::Card(self.source()), TwoPort::NONE)];
        if let Some((loss, ohms)) = self.windings() {
            parts.push((Part::Transformer(loss, ohms), TwoPort::series(ohms.0)));
        }
        if let Some(cable) = self.cable {
            let ohms = cable.resistance(Celsius(20.0));
            parts.push((Part::Cable(cable, ohms), TwoPort::series(ohms.0)));
        }
        if let Some(pad) = self.pad
            && let Ok(network) = pad::design(pad.kind, Some(pad.loss), LINE, LINE)
        {
            parts.push((Part::Pad(pad), network.two_port()));
        }
        parts
    }

    /// Of a full-scale sine without a load.
    fn open(&self) -> f64 {
        self.full_scale.unwrap_or(USUAL_FULL_SCALE).0 * (self.source().0 + LINE.0) / LINE.0
    }

    fn joints(&self) -> (Vec<Joint>, Ohms) {
        let parts = self.parts();
        // Voltages from the card on: each part with all that loads it behind.
        let mut volts = self.open();
        let mut joints: Vec<Joint> = Vec::new();
        for (i, (part, circuit)) in parts.iter().enumerate() {
            let behind = parts[i + 1..]
                .iter()
                .fold(TwoPort::NONE, |all, (_, next)| all.then(*next));
            let load = behind.input(self.input);
            let source = if i == 0 { self.source() } else { Ohms(0.0) };
            let after = volts * circuit.transfer(source, load);
            joints.push(Joint {
                before: *part,
                full_scale: Volts(after),
                loss: Volts(volts).above(Volts(after)),
            });
            volts = after;
        }
        let whole = parts.iter().fold(TwoPort::NONE, |all, (_, next)| all.then(*next));
        (joints, whole.output(self.source()))
    }

    /// At which speech arrives at the amplifier's level.
    fn exact_gain(&self) -> f32 {
        let (joints, _) = self.joints();
        let at_input = joints.last().map_or(self.open(), |joint| joint.full_scale.0);
        self.level.volts().above(Volts(at_input)).0 - (SPEECH_LEVEL.0 - SINE)
    }

    /// Gains that fit: at the lower end a pad does it with less noise, at the upper one peaks of speech still fit below the ceiling. A low
    /// ceiling moves both down.
    pub fn gains(&self) -> (f32, f32) {
        let most = self.ceiling.0 - PEAK_ROOM - SPEECH_LEVEL.0;
        (LEAST_GAIN.min(most - 1.0), most)
    }

    /// The pad's lower leg, by the ground that card and amplifier share.
    pub fn is_shorted(&self) -> bool {
        self.pad
            .is_some_and(|pad| pad.kind.is_shorted(self.transformer.is_some()))
    }

    fn with_pad(&self, pad: Option<Pad>) -> Setup {
        Setup { pad, ..self.clone() }
    }

    /// The pad of whole decibels that brings the gain as near below 0 dB as can be, or below what a low ceiling leaves.
    fn best_pad(&self) -> Option<(Pad, Db)> {
        let is_bridging = self.input.0 >= BRIDGING * LINE.0;
        let usual = match (self.transformer.is_some(), is_bridging) {
            (true, true) => Kind::U,
            (true, false) => Kind::H,
            (false, true) => Kind::L,
            (false, false) => Kind::T,
        };
        let kind = self.pad.filter(|_| !self.is_shorted()).map_or(usual, |pad| pad.kind);
        let limit = half_below(self.gains().1).min(0.0);
        let tries = (1..=60u8).map(|n| Pad {
            kind,
            loss: Db(f32::from(n)),
        });
        let gain = |pad: Pad| half_below(self.with_pad(Some(pad)).exact_gain());
        let mut fitting = tries
            .map(|pad| (pad, Db(gain(pad))))
            .filter(|(_, gain)| gain.0 <= limit);
        fitting.next_back()
    }

    fn advice(&self, gain: f32) -> Advice {
        let (least, most) = self.gains();
        if (least..=most + SLACK).contains(&gain) {
            return Advice::Fits;
        }
        if gain < least {
            return match self.best_pad() {
                Some((pad, gain)) if self.pad != Some(pad) => Advice::Pad { pad, gain },
                // No pad of whole decibels comes nearer.
                _ => Advice::Fits,
            };
        }
        let bare = self.with_pad(None).exact_gain();
        if self.pad.is_some() && bare <= most + SLACK {
            return match self.best_pad() {
                Some((pad, gain)) if bare < least => Advice::LessPad { pad: Some(pad), gain },
                _ => Advice::LessPad {
                    pad: None,
                    gain: Db(half_below(bare.min(most))),
                },
            };
        }
        let missing = Db((bare - most).max(0.0));
        let now = self.full_scale.unwrap_or(USUAL_FULL_SCALE);
        Advice::TooWeak {
            missing,
            full_scale: Dbm::of_volts(now.raised(missing).0 as f32),
        }
    }
}

fn half_below(gain: f32) -> f32 {
    ((gain + 1e-3) * 2.0).floor() / 2.0
}

/// Plans the levels.
pub fn plan(setup: &Setup) -> Plan {
    let (joints, seen) = setup.joints();
    let exact = setup.exact_gain();
    let gain = half_below(exact);
    Plan {
        seen,
        is_bridging: setup.input.0 >= BRIDGING * seen.0,
        gain: Db(gain),
        advice: setup.advice(exact),
        joints,
        setup: setup.clone(),
    }
}

impl Plan {
    /// The gain to set now: the wanted one, or the most at which peaks fit.
    pub fn set(&self) -> Db {
        Db(self.gain.0.min(half_below(self.setup.gains().1)).max(-60.0))
    }

    /// At the amplifier's input, of a full-scale sine.
    pub fn full_scale(&self) -> Volts {
        self.joints.last().map_or(Volts(0.0), |joint| joint.full_scale)
    }

    /// Speech where a full-scale sine has this, at such a gain of the zone.
    pub fn speech(full_scale: Volts, gain: Db) -> Volts {
        full_scale.raised(Db(SPEECH_LEVEL.0 - SINE + gain.0))
    }

    /// The loudest sine that the ceiling lets through.
    pub fn most(&self, full_scale: Volts) -> Volts {
        full_scale.raised(Db(self.setup.ceiling.0))
    }

    /// Between the active level of speech and the ceiling, for its peaks.
    pub fn peak_room(&self, gain: Db) -> Db {
        Db(self.setup.ceiling.0 - SPEECH_LEVEL.0 - gain.0)
    }

    /// Speech to the card's noise.
    pub fn clear(&self, gain: Db) -> Db {
        Db(self.setup.noise.unwrap_or(USUAL_NOISE).0 + SPEECH_LEVEL.0 - SINE + gain.0)
    }
}
