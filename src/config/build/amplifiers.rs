//! Amplifiers.

use super::super::plan::{Amplifier, LoudspeakerLine, MusicMute};
use super::super::problem::Problems;
use super::super::sheet::{Sheet, Sheets};
use super::{resolve, zone_ids};
use crate::bench::levels::quantity::{Level, Ohms};
use crate::sound::level::Dbm;

pub(super) fn amplifier(sheet: &Sheet, sheets: &Sheets, problems: &mut Problems) -> Amplifier {
    Amplifier {
        name: sheet.name.clone(),
        zones: zone_ids(resolve(sheets, "zones", sheet, "zones", problems)),
        level: sheet.signal("level").unwrap_or(Level::Dbm(Dbm(0.0))),
        impedance: sheet.ohms("impedance").unwrap_or(Ohms(600.0)),
        transformer: sheet.text("isolation") == Some("transformer"),
        pad: sheet.pad("pad"),
        cable: sheet.cable("cable"),
        line: sheet.text("line").and_then(LoudspeakerLine::of),
        power: sheet.watts("power"),
        taps: sheet.taps("taps").to_vec(),
        music: match sheet.text("music") {
            Some("relay") => MusicMute::Relay,
            Some("own") => MusicMute::Own,
            _ => MusicMute::None,
        },
    }
}
