//! The amplifiers of a plan, as far as they concern wiring.

use std::collections::BTreeMap;

use crate::bench::levels::pad::Pad;
use crate::config::plan::{self, MusicMute, Plan};
use crate::page::{RelayId, ZoneId};

/// How music gets into an amplifier.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Music {
    /// Through the relays that mute it.
    Relay,
    /// It has a source of its own, which it mutes by itself.
    Own,
    None,
}

/// An amplifier, whether the config tells of it or not.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Amplifier {
    pub name: String,
    pub zones: Vec<ZoneId>,
    /// In series, as long as anything of it is muted.
    pub mutes: Vec<RelayId>,
    pub triggers: Vec<RelayId>,
    pub transformer: bool,
    pub pad: Option<Pad>,
    pub cable: Option<String>,
    pub music: Music,
    /// As the config says it; [`Amplifier::music`] is how it is wired.
    pub told: Music,
    /// For the part list.
    pub about: String,
    /// The config does not tell of it.
    pub assumed: bool,
}

/// Those of the config, then one for each zone that none of them serves.
pub(super) fn amplifiers(plan: &Plan) -> Vec<Amplifier> {
    let told = plan.amplifiers.iter().map(|amplifier| told(plan, amplifier));
    let is_served = |zone: &ZoneId| plan.amplifiers.iter().any(|amplifier| amplifier.zones.contains(zone));
    let zones = (0..=u16::MAX).map(ZoneId).zip(&plan.zones);
    let others = zones.filter(|(id, _)| !is_served(id)).map(|(id, zone)| {
        let zones = vec![id];
        let (triggers, mutes) = relays_of(plan, &zones);
        Amplifier {
            name: zone.name.clone(),
            zones,
            told: Music::None,
            music: if mutes.is_empty() { Music::None } else { Music::Relay },
            mutes,
            triggers,
            transformer: true,
            pad: None,
            cable: None,
            about: String::new(),
            assumed: true,
        }
    });
    told.chain(others).collect()
}

fn told(plan: &Plan, amplifier: &plan::Amplifier) -> Amplifier {
    let (triggers, mutes) = relays_of(plan, &amplifier.zones);
    let told = match amplifier.music {
        MusicMute::None => Music::None,
        MusicMute::Relay => Music::Relay,
        MusicMute::Own => Music::Own,
    };
    let mut about = format!("line input {}, {}", amplifier.level, amplifier.impedance);
    if let Some(line) = amplifier.line {
        let power = amplifier.power.map(|power| format!(", {power}")).unwrap_or_default();
        about.push_str(&format!("; loudspeaker line {}{power}: not on this sheet", line.name()));
    }
    Amplifier {
        name: amplifier.name.clone(),
        zones: amplifier.zones.clone(),
        told,
        // A relay that mutes has to be wired, whatever the table says.
        music: match told {
            Music::None if !mutes.is_empty() => Music::Relay,
            Music::Relay if mutes.is_empty() => Music::None,
            other => other,
        },
        mutes,
        triggers,
        transformer: amplifier.transformer,
        pad: amplifier.pad,
        cable: amplifier.cable.map(|cable| cable.to_string()),
        about,
        assumed: false,
    }
}

/// Trigger and mute relays, each once, in the order of the zones.
fn relays_of(plan: &Plan, zones: &[ZoneId]) -> (Vec<RelayId>, Vec<RelayId>) {
    let zones = zones.iter().filter_map(|id| plan.zones.get(usize::from(id.0)));
    let (mut triggers, mut mutes) = (Vec::new(), Vec::new());
    for zone in zones {
        for (list, own) in [(&mut triggers, &zone.trigger), (&mut mutes, &zone.mute)] {
            for relay in own {
                if !list.contains(relay) {
                    list.push(*relay);
                }
            }
        }
    }
    (triggers, mutes)
}

/// How many contacts each relay needs: one for each amplifier's trigger and music that it serves.
pub(super) fn contacts_needed(amplifiers: &[Amplifier]) -> BTreeMap<u16, usize> {
    let mut out = BTreeMap::new();
    for amplifier in amplifiers {
        let mutes = amplifier.mutes.iter().filter(|_| amplifier.music != Music::None);
        for relay in amplifier.triggers.iter().chain(mutes) {
            *out.entry(relay.0).or_insert(0) += 1;
        }
    }
    out
}
