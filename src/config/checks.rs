//! What only shows when the tables of a file are seen together.

use std::collections::BTreeSet;
use std::time::Duration;

use super::build::timetable;
use super::plan::{AudioDevice, Chime, ContactLine, StoredMessage};
use super::problem::{Complaint, Problems};
use super::schema::SPEAKERS;
use super::sheet::{Sheet, Sheets};
use super::text::{self, show_duration};
use crate::media::PlayoutSettings;
use crate::sound::vox::PRE_BUFFER;

mod amplifiers;
mod gates;
mod lines;
mod network;
mod relays;

pub(super) fn check(sheets: &Sheets, messages: &[Option<StoredMessage>], problems: &mut Problems) {
    cards(sheets, problems);
    relays::lines(sheets, problems);
    relays::indicators(sheets, problems);
    contacts(sheets, problems);
    zones(sheets, problems);
    amplifiers::amplifiers(sheets, problems);
    sources(sheets, messages, problems);
    network::extensions(sheets, problems);
    network::groups(sheets, problems);
    lines::captures(sheets, problems);
    gates::extensions(sheets, problems);
    network::listen(sheets, problems);
    network::udp_ports(sheets, problems);
    same_names(sheets, problems);
    schedules(sheets, problems);
    unused(sheets, problems);
}

/// An earlier table of `sheets` that `same` says collides with the `i`th.
fn earlier<'a>(list: &[&'a Sheet], i: usize, same: impl Fn(&Sheet, &Sheet) -> bool) -> Option<&'a Sheet> {
    let (before, rest) = list.split_at_checked(i)?;
    let own = rest.first()?;
    before.iter().find(|s| same(s, own)).copied()
}

fn cards(sheets: &Sheets, problems: &mut Problems) {
    let list: Vec<&Sheet> = sheets.of("cards").collect();
    for (i, sheet) in list.iter().enumerate() {
        let clash = earlier(&list, i, |a, b| {
            let output = b.device("output");
            output.is_some() && output != Some(&AudioDevice::Null) && a.device("output") == output
        });
        if let Some(other) = clash {
            problems.error(
                sheet.at("output"),
                Complaint::new(
                    sheet.path("output"),
                    format!("the same output as {}", other.path("")),
                    "an output that no other card has",
                    "one card with several channels feeds several zones",
                ),
            );
        }
    }
}

/// The line that a contact comes in by, and what else is on it.
fn contacts(sheets: &Sheets, problems: &mut Problems) {
    let list: Vec<&Sheet> = sheets.of("contacts").chain(sheets.of("vetoes")).collect();
    let key = |line: &ContactLine| match line {
        ContactLine::Gpio { chip, offset } => (chip.strip_prefix("/dev/").unwrap_or(chip).to_owned(), *offset),
        ContactLine::File(path) => (path.display().to_string(), 0),
    };
    for (i, sheet) in list.iter().enumerate() {
        let Some(own) = sheet.contact("line").map(key) else {
            continue;
        };
        let relay = sheets.of("relays").find(|s| {
            let line = s.line("line").and_then(relays::chip);
            line.is_some_and(|(chip, offset)| (chip, offset) == (own.0.as_str(), own.1))
        });
        let other = earlier(&list, i, |a, _| a.contact("line").map(key).as_ref() == Some(&own)).or(relay);
        if let Some(other) = other {
            problems.error(
                sheet.at("line"),
                Complaint::new(
                    sheet.path("line"),
                    format!("the same line as {}", other.path("")),
                    "a line that nothing else has",
                    "`gpioinfo` lists the lines of each chip",
                ),
            );
        }
    }
}

fn zones(sheets: &Sheets, problems: &mut Problems) {
    let list: Vec<&Sheet> = sheets.of("zones").collect();
    if list.is_empty() {
        problems.lack(
            0,
            Complaint::new(
                "zones".to_owned(),
                "no zone",
                "at least one table [zones.NAME]",
                "a zone is one channel of a sound card with its amplifier",
            ),
        );
    }
    for (i, sheet) in list.iter().enumerate() {
        let card = sheet.names("card").first().map(|(name, _)| name);
        let channel = sheet.integer("channel");
        let channels = sheets
            .of("cards")
            .find(|c| Some(&c.name) == card)
            .and_then(|c| c.integer("channels"));
        if let (Some(card), Some(channel), Some(channels)) = (card, channel, channels)
            && channel > channels
        {
            problems.error(
                sheet.at("channel"),
                Complaint::new(
                    sheet.path("channel"),
                    format!("{channel}, but the card \"{card}\" has {channels}"),
                    "a channel that the card has",
                    format!("if the device really has more, write `channels = {channel}` in [cards.{card}]"),
                ),
            );
        }
        let clash = earlier(&list, i, |a, _| {
            channel.is_some()
                && card.is_some()
                && a.integer("channel") == channel
                && a.names("card").first().map(|n| &n.0) == card
        });
        if let (Some(other), Some(card), Some(channel)) = (clash, card, channel) {
            problems.error(
                sheet.at("channel"),
                Complaint::new(
                    sheet.path("channel"),
                    format!("channel {channel} of \"{card}\", which {} has already", other.path("")),
                    "a channel of its own for each zone",
                    "two amplifiers on one channel are one zone",
                ),
            );
        }
    }
}

fn chime_length(sheet: &Sheet, messages: &[Option<StoredMessage>]) -> Duration {
    if let Some(chime) = sheet.text("chime").and_then(Chime::of) {
        return chime.sound(&[]).map_or(Duration::ZERO, |sound| sound.length());
    }
    let named = |m: &&StoredMessage| sheet.names("chime").iter().any(|(name, _)| *name == m.name);
    let message = messages.iter().flatten().find(named);
    message.map_or(Duration::ZERO, |m| m.recording.length())
}

/// What all who page have in common.
fn sources(sheets: &Sheets, messages: &[Option<StoredMessage>], problems: &mut Problems) {
    let hold = PlayoutSettings::default().max_hold;
    for sheet in SPEAKERS.into_iter().flat_map(|s| sheets.of(s)) {
        // What is kept from before the start is kept with the rest.
        let hold = hold
            - if sheet.section == "inputs" {
                PRE_BUFFER
            } else {
                Duration::ZERO
            };
        let chime = chime_length(sheet, messages);
        let lead = |name: &String| {
            let zone = sheets.of("zones").find(|z| z.name == *name)?;
            Some(relays::slowest(zone, sheets))
        };
        let slow = gates::zones_of(sheet, sheets)
            .filter_map(|(name, _)| Some((lead(name)?, name)))
            .max();
        if let Some((lead, zone)) = slow
            && lead + chime > hold
        {
            problems.error(
                sheet.at("zones"),
                Complaint::new(
                    sheet.path("zones"),
                    format!(
                        "a lead of {} in \"{zone}\" and a chime of {}",
                        show_duration(lead),
                        show_duration(chime)
                    ),
                    &format!("at most {} together: longer speech is not kept", show_duration(hold)),
                    "shorten the lead, or take a shorter chime",
                ),
            );
        }
        if let (Some(min), Some(max)) = (sheet.duration("min_delay"), sheet.duration("max_delay"))
            && min > max
        {
            let key = if sheet.wrote("min_delay") {
                "min_delay"
            } else {
                "max_delay"
            };
            problems.error(
                sheet.at(key),
                Complaint::new(
                    sheet.path(key),
                    format!("a least delay of {} above the most", show_duration(min)),
                    &format!("at most max_delay, {}", show_duration(max)),
                    "lower min_delay, or raise max_delay",
                ),
            );
        }
        if let (Some(quiet), Some(page)) = (sheet.duration("quiet_limit"), sheet.duration("page_limit"))
            && quiet >= page
            && sheet.wrote("quiet_limit")
        {
            problems.warning(
                sheet.at("quiet_limit"),
                Complaint::new(
                    sheet.path("quiet_limit"),
                    format!("{}, not shorter than the page limit", show_duration(quiet)),
                    &format!("less than the page limit of {}", show_duration(page)),
                    "as it is, the page limit always comes first",
                ),
            );
        }
    }
}

/// Sources that cannot be told apart.
fn same_names(sheets: &Sheets, problems: &mut Problems) {
    let all: Vec<&Sheet> = SPEAKERS.into_iter().flat_map(|section| sheets.of(section)).collect();
    for (i, sheet) in all.iter().enumerate() {
        if let Some(other) = earlier(&all, i, |a, b| a.name == b.name) {
            let complaint = Complaint::new(
                sheet.path(""),
                format!("the name of {} too", other.path("")),
                "a name that one source has",
                "as it is, the journal does not tell them apart, and quiet hours mean both",
            );
            problems.warning(sheet.at, complaint);
        }
    }
}

/// Schedules without a day.
fn schedules(sheets: &Sheets, problems: &mut Problems) {
    for sheet in sheets.of("schedules") {
        let timetable = timetable(sheet);
        let moments = !timetable.at.is_empty() && !sheet.faulty("terms") && !sheet.faulty("except");
        if moments && !timetable.ever_rings() {
            problems.idle(
                sheet.at("terms"),
                Complaint::new(
                    sheet.path("terms"),
                    "no day that is left by `at`, `terms` and `except`",
                    "at least one day",
                    "as it is, nothing is ever played",
                ),
            );
        }
    }
}

/// Who may name the tables of a section, by which keys, and what a table that nobody names lacks.
const USES: &[(&str, &[&str], &[&str], &str)] = &[
    ("cards", &["zones"], &["card"], "a zone that plays on it"),
    (
        "relays",
        &["zones"],
        &["trigger", "mute"],
        "a zone that names it in `trigger` or `mute`",
    ),
    (
        "zones",
        &[
            "extensions",
            "groups",
            "inputs",
            "music",
            "codes",
            "contacts",
            "schedules",
        ],
        &["zones"],
        "a source that pages it: an extension, a group, a line input, a contact or a schedule",
    ),
    ("codes", &["extensions"], &["codes"], "an extension that asks for it"),
    (
        "messages",
        &["extensions", "groups", "inputs", "contacts", "schedules", "control"],
        &["chime", "plays"],
        "a source that has it as its `chime`, or plays it",
    ),
];

/// Where a key that names tables could not be read there is nothing to say.
fn unused(sheets: &Sheets, problems: &mut Problems) {
    for (section, users, keys, wanted) in USES {
        let users = || users.iter().flat_map(|s| sheets.of(s));
        if users().any(|s| keys.iter().any(|k| s.faulty(k))) {
            continue;
        }
        let names = users().flat_map(|s| keys.iter().flat_map(|k| s.names(k)));
        let mut used: BTreeSet<&str> = names.map(|(name, _)| name.as_str()).collect();
        if *section == "zones" {
            if users().any(|s| s.faulty("keypad") || s.faulty("dial")) {
                continue;
            }
            used.extend(users().flat_map(gates::chosen).map(|(name, _)| name.as_str()));
        }
        let shows = |s: &Sheet| *section == "relays" && s.wrote("shows");
        for sheet in sheets
            .of(section)
            .filter(|s| !used.contains(s.name.as_str()) && text::name(&s.name) && !shows(s))
        {
            problems.idle(
                sheet.at,
                Complaint::new(
                    sheet.path(""),
                    "nothing uses it",
                    wanted,
                    "take it out, or name it where it belongs",
                ),
            );
        }
    }
    let mut speakers = SPEAKERS.into_iter().flat_map(|s| sheets.of(s));
    if speakers.next().is_none() {
        problems.idle(
            0,
            Complaint::new(
                "extensions".to_owned(),
                "no extension, no group, no line input, no contact and no schedule",
                "at least one table [extensions.NAME], [groups.NAME], [inputs.NAME], [contacts.NAME] or [schedules.NAME]",
                "as it is, nobody can page",
            ),
        );
    }
}
