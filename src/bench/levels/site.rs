//! What a config tells of its amplifiers, as chains and loudspeaker lines.

use super::chain::{self, Setup, USUAL_TRANSFORMER};
use super::line::{self, Line, Load};
use super::quantity::{Celsius, Level, Volts};
use super::text::Names;
use crate::config::plan::{Amplifier, LoudspeakerLine, Plan, Zone};
use crate::sound::RATE;
use crate::sound::filter::{self, Shape};
use crate::sound::level::Db;

/// The chain from a zone's card to its amplifier, and what its text calls them.
pub fn chain_of(plan: &Plan, amplifier: &Amplifier, zone: &Zone) -> (chain::Plan, Names) {
    let card = &plan.cards[zone.card];
    let setup = Setup {
        full_scale: card.full_scale.map(|level| Level::Dbm(level).volts()),
        source: card.impedance,
        noise: None,
        transformer: amplifier.transformer.then_some(USUAL_TRANSFORMER),
        cable: amplifier.cable,
        pad: amplifier.pad,
        level: amplifier.level,
        input: amplifier.impedance,
        ceiling: zone.ceiling,
        boost: boost(&zone.equaliser),
    };
    let title = format!(
        "Amplifier {}: zone {}, channel {} of card {}",
        amplifier.name,
        zone.name,
        zone.channel + 1,
        card.name
    );
    let names = Names {
        title,
        zone: format!("[zones.{}]", zone.name),
        amplifier: format!("[amplifiers.{}]", amplifier.name),
        card: format!("[cards.{}]", card.name),
        gain: Some(zone.gain),
    };
    (chain::plan(&setup), names)
}

/// Of an equaliser that lifts anything.
fn boost(equaliser: &[Shape]) -> Option<Db> {
    let most = filter::highest_gain(equaliser, RATE);
    (most > 0.05).then_some(Db(most as f32))
}

/// Without cable: that stands in no config. `None` where the config tells too little, and for low impedance.
pub fn loudspeakers_of(amplifier: &Amplifier) -> Option<Line> {
    let volts = match amplifier.line? {
        LoudspeakerLine::Volts25 => Volts(25.0),
        LoudspeakerLine::Volts70 => line::SEVENTY,
        LoudspeakerLine::Volts100 => Volts(100.0),
        LoudspeakerLine::LowImpedance => return None,
    };
    if amplifier.taps.is_empty() {
        return None;
    }
    Some(Line {
        load: Load::Taps(volts, amplifier.taps.clone()),
        amplifier: amplifier.power,
        cable: None,
        at: Celsius(20.0),
    })
}
