//! Relays: lines that clash, times that don't fit, outputs that show something.

use std::time::Duration;

use super::super::plan::RelayLine;
use super::super::problem::{Complaint, Problems};
use super::super::sheet::{Sheet, Sheets};
use super::earlier;

/// The chip's name without its directory, for comparing.
pub(super) fn chip(line: &RelayLine) -> Option<(&str, u32)> {
    match line {
        RelayLine::Gpio { chip, offset } => Some((chip.strip_prefix("/dev/").unwrap_or(chip), *offset)),
        RelayLine::Pi { bcm } => Some(("pi", u32::from(*bcm))),
        RelayLine::Simulated => None,
    }
}

pub(super) fn lines(sheets: &Sheets, problems: &mut Problems) {
    let list: Vec<&Sheet> = sheets.of("relays").collect();
    for (i, sheet) in list.iter().enumerate() {
        let Some(own) = sheet.line("line").and_then(chip) else {
            continue;
        };
        if let Some(other) = earlier(&list, i, |a, _| a.line("line").and_then(chip) == Some(own)) {
            problems.error(
                sheet.at("line"),
                Complaint::new(
                    sheet.path("line"),
                    format!("the same line as {}", other.path("")),
                    "a line that no other relay has",
                    "one relay may serve several zones: name it in each of them",
                ),
            );
            continue;
        }
        // On a Raspberry Pi the header is one of these chips, with BCM numbers for offsets.
        let header = |a: &Sheet| {
            let other = a.line("line").and_then(chip);
            other.is_some_and(|other| {
                let pi = |n: &str| n == "pi";
                let board = |n: &str| n == "gpiochip0" || n == "gpiochip4";
                own.1 == other.1 && (pi(own.0) && board(other.0) || pi(other.0) && board(own.0))
            })
        };
        if let Some(other) = earlier(&list, i, |a, _| header(a)) {
            problems.warning(
                sheet.at("line"),
                Complaint::new(
                    sheet.path("line"),
                    format!("probably the same pin as {}", other.path("")),
                    "a line that no other relay has",
                    "name all lines of a board the same way",
                ),
            );
        }
    }
}

/// The relays of a zone.
fn of_zone<'a>(zone: &'a Sheet, sheets: &'a Sheets) -> impl Iterator<Item = &'a Sheet> {
    let names = ["trigger", "mute"].into_iter().flat_map(|key| zone.names(key));
    names.filter_map(|(name, _)| sheets.of("relays").find(|relay| relay.name == *name))
}

/// The longest time from a page's admission until all of the zone is ready.
pub(super) fn slowest(zone: &Sheet, sheets: &Sheets) -> Duration {
    let own = zone.duration("lead").unwrap_or_default();
    let relay = |relay: &Sheet| {
        let lead = relay.duration("lead").unwrap_or(own);
        lead.saturating_add(relay.duration("min_off").unwrap_or_default())
    };
    of_zone(zone, sheets).map(relay).max().unwrap_or(own)
}

/// A relay serves zones or shows something.
pub(super) fn indicators(sheets: &Sheets, problems: &mut Problems) {
    for sheet in sheets.of("relays") {
        let mut tell = |key: &str, found: &str, wanted: &str, hint: &str| {
            problems.error(sheet.at(key), Complaint::new(sheet.path(key), found, wanted, hint));
        };
        if !sheet.wrote("shows") {
            for key in ["zones", "blinks"].into_iter().filter(|key| sheet.wrote(key)) {
                let hint = "a relay that serves zones is named in their `trigger` or `mute`";
                tell(key, "a key for outputs that show something", "`shows` beside it", hint);
            }
            continue;
        }
        let user = sheets.of("zones").find(|zone| {
            let mut names = ["trigger", "mute"].into_iter().flat_map(|key| zone.names(key));
            names.any(|(name, _)| *name == sheet.name)
        });
        if let Some(zone) = user {
            let found = format!("an output that shows something, and {} names it", zone.path(""));
            tell(
                "shows",
                &found,
                "a relay of its own",
                "take it out of the zone's `trigger` or `mute`, or take `shows` out",
            );
        }
        for key in ["lead", "release", "min_on", "min_off"] {
            if sheet.wrote(key) && sheet.duration(key).is_some_and(|time| !time.is_zero()) {
                tell(
                    key,
                    "a time for relays of zones, beside `shows`",
                    "none",
                    "take the line out",
                );
            }
        }
        if sheet.wrote("zones") && sheet.text("shows").is_some_and(|shows| shows != "page") {
            tell(
                "zones",
                "zones, beside `shows` of something else than pages",
                "`shows = \"page\"`",
                "take the line out",
            );
        }
    }
}
