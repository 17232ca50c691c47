//! Values in plain words.

use std::time::Duration;

use crate::calendar::{Hours, Season};
use crate::config::plan::{Chime, Plan, Played};
use crate::page::{RelayId, ZoneId};
use crate::sip::agent::Hop;
use crate::sip::network::Network;
use crate::sound::level::Db;

/// `0.4 s`, `90 s`, `2 min`, `1 h`.
pub fn time(duration: Duration) -> String {
    let (seconds, ms) = (duration.as_secs(), duration.subsec_millis());
    match (seconds, ms) {
        (0, 0) => "0 s".to_owned(),
        (_, 1..) => format!("{} s", duration.as_millis() as f64 / 1000.0),
        (s, _) if s % 3600 == 0 => format!("{} h", s / 3600),
        (s, _) if s % 60 == 0 => format!("{} min", s / 60),
        (s, _) => format!("{s} s"),
    }
}

pub fn or_none(duration: Option<Duration>) -> String {
    duration.map_or_else(|| "none".to_owned(), time)
}

/// `-6 dB`, `+3 dB`; 0 has no sign.
pub fn gain(gain: Db) -> String {
    let sign = if gain.0 > 0.0 { "+" } else { "" };
    format!("{sign}{} dB", gain.0 + 0.0)
}

/// `a`, `a and b`, `a, b and c`.
pub fn and<T: AsRef<str>>(words: &[T]) -> String {
    joined(words, "and")
}

pub fn or<T: AsRef<str>>(words: &[T]) -> String {
    joined(words, "or")
}

fn joined<T: AsRef<str>>(words: &[T], word: &str) -> String {
    match words {
        [] => String::new(),
        [one] => one.as_ref().to_owned(),
        [all @ .., last] => {
            let all: Vec<&str> = all.iter().map(AsRef::as_ref).collect();
            format!("{} {word} {}", all.join(", "), last.as_ref())
        }
    }
}

pub fn zone_names<'p>(plan: &'p Plan, zones: &[ZoneId]) -> Vec<&'p str> {
    let name = |id: &ZoneId| plan.zones.get(usize::from(id.0)).map(|zone| zone.name.as_str());
    zones.iter().filter_map(name).collect()
}

/// `yard and sawmill`; where a zone group stands for them, with its name: `yard and workshop ("everywhere")`.
pub fn zones(plan: &Plan, zones: &[ZoneId]) -> String {
    let names = and(&zone_names(plan, zones));
    match group_of(plan, zones) {
        Some(group) => format!("{names} (\"{group}\")"),
        None => names,
    }
}

/// Shorter, for the wall: `everywhere`, `yard and sawmill`, `all zones`.
pub fn zones_shortly(plan: &Plan, zones: &[ZoneId]) -> String {
    let names = zone_names(plan, zones);
    match (group_of(plan, zones), names.as_slice()) {
        (Some(group), _) => group.to_owned(),
        (None, all) if all.len() > 2 && all.len() == plan.zones.len() => "all zones".to_owned(),
        (None, [one, two, three, rest @ ..]) if rest.len() > 1 => {
            format!("{one}, {two}, {three} and {} more", rest.len())
        }
        (None, names) => and(names),
    }
}

fn group_of<'p>(plan: &'p Plan, zones: &[ZoneId]) -> Option<&'p str> {
    let same = |group: &&(String, Vec<ZoneId>)| {
        group.1.len() == zones.len() && group.1.iter().all(|zone| zones.contains(zone))
    };
    let found = plan.zone_groups.iter().find(same);
    found.filter(|_| zones.len() > 1).map(|(name, _)| name.as_str())
}

pub fn relays(plan: &Plan, relays: &[RelayId]) -> String {
    let name = |id: &RelayId| plan.relays.get(usize::from(id.0)).map(|relay| relay.name.as_str());
    let names: Vec<&str> = relays.iter().filter_map(name).collect();
    if names.is_empty() {
        "none".to_owned()
    } else {
        and(&names)
    }
}

/// `Mon-Fri 06:00-18:00 and Sat 07:00-12:00`.
pub fn hours(hours: &Hours) -> String {
    match hours.0.as_slice() {
        [] => "at any time".to_owned(),
        spans => and(&spans.iter().map(ToString::to_string).collect::<Vec<_>>()),
    }
}

/// Empty for every day of the year.
pub fn season(season: &Season) -> String {
    let all = |list: &[crate::calendar::Dates]| and(&list.iter().map(ToString::to_string).collect::<Vec<_>>());
    match (season.terms.is_empty(), season.except.is_empty()) {
        (true, true) => String::new(),
        (false, true) => format!("only {}", all(&season.terms)),
        (true, false) => format!("not {}", all(&season.except)),
        (false, false) => format!("only {}, but not {}", all(&season.terms), all(&season.except)),
    }
}

pub fn chime(plan: &Plan, chime: Chime) -> String {
    match chime {
        Chime::None => "none".to_owned(),
        Chime::Single => "one note".to_owned(),
        Chime::Double => "two notes, falling".to_owned(),
        Chime::Triple => "three notes, rising".to_owned(),
        Chime::Message(index) => match plan.messages.get(index) {
            Some(message) => format!("the recording \"{}\"", message.name),
            None => "a recording".to_owned(),
        },
    }
}

pub fn played(plan: &Plan, played: Played) -> String {
    match played {
        Played::Bell => "a bell".to_owned(),
        Played::Chime(Chime::Single) => "a chime of one note".to_owned(),
        Played::Chime(Chime::Double) => "a chime of two notes".to_owned(),
        Played::Chime(Chime::Triple) => "a chime of three notes".to_owned(),
        Played::Chime(other) => chime(plan, other),
    }
}

pub fn network(network: &Network) -> String {
    let text = network.to_string();
    let one = if network.address().is_ipv4() { "/32" } else { "/128" };
    text.strip_suffix(one).unwrap_or(&text).to_owned()
}

pub fn networks(networks: &[Network]) -> String {
    and(&networks.iter().map(network).collect::<Vec<_>>())
}

pub fn hop(hop: &Hop) -> String {
    let port = hop.port.map(|port| format!(":{port}")).unwrap_or_default();
    let by = match (hop.secure, hop.transport) {
        (true, _) => " by TLS only".to_owned(),
        (false, Some(transport)) => format!(" by {}", transport.name()),
        (false, None) => String::new(),
    };
    format!("{}{port}{by}", hop.host)
}

/// The first letter large.
pub fn sentence(text: &str) -> String {
    let mut chars = text.chars();
    let first = chars.next().map(|c| c.to_uppercase().to_string());
    first.unwrap_or_default() + chars.as_str()
}

pub fn yes(is: bool) -> String {
    if is { "yes" } else { "no" }.to_owned()
}
