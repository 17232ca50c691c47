//! Contacts.

use super::super::plan::{Contact, InputLine, Played, Veto};
use super::super::problem::Problems;
use super::super::sheet::{Sheet, Sheets};
use super::{chime_of, paging, resolve, zone_ids};
use crate::config::schema::PLAYED;

fn input(sheet: &Sheet) -> Option<InputLine> {
    Some(InputLine {
        line: sheet.contact("line")?.clone(),
        closed_low: sheet.text("closed") != Some("high"),
        debounce: sheet.duration("debounce").unwrap_or_default(),
    })
}

pub(super) fn played(sheet: &Sheet, sheets: &Sheets, problems: &mut Problems) -> Played {
    match sheet.text("plays") {
        Some("bell") => Played::Bell,
        _ => Played::Chime(chime_of(sheet, "plays", PLAYED, sheets, problems)),
    }
}

/// `None` only where there is an error.
pub(super) fn contact(sheet: &Sheet, sheets: &Sheets, problems: &mut Problems) -> Option<Contact> {
    let mut paging = paging(sheet, sheets, problems);
    // What it plays has its own loudness.
    paging.levelled = false;
    Some(Contact {
        name: sheet.name.clone(),
        input: input(sheet)?,
        plays: played(sheet, sheets, problems),
        times: sheet.integer("times").and_then(|n| u32::try_from(n).ok()),
        pause: sheet.duration("pause").unwrap_or_default(),
        hours: sheet.hours("hours"),
        paging,
    })
}

pub(super) fn veto(sheet: &Sheet, sheets: &Sheets, problems: &mut Problems) -> Option<Veto> {
    let zones = resolve(sheets, "zones", sheet, "zones", problems);
    Some(Veto {
        name: sheet.name.clone(),
        input: input(sheet)?,
        zones: zone_ids(zones),
    })
}
