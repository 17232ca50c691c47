//! Schedules and quiet hours.

use super::super::plan::{Schedule, source_id};
use super::super::problem::{Complaint, Problems, nearest, quote};
use super::super::schema::SPEAKERS;
use super::super::sheet::{Sheet, Sheets};
use super::contacts::played;
use super::{paging, resolve, zone_ids};
use crate::calendar::{QuietHours, Season, Timetable};
use crate::page::{Priority, SourceId};
use crate::sound::level::Db;

fn season(sheet: &Sheet) -> Season {
    Season {
        terms: sheet.dates("terms").to_vec(),
        except: sheet.dates("except").to_vec(),
    }
}

pub(in crate::config) fn timetable(sheet: &Sheet) -> Timetable {
    Timetable {
        at: sheet.moments("at").to_vec(),
        season: season(sheet),
    }
}

pub(super) fn schedule(sheet: &Sheet, sheets: &Sheets, problems: &mut Problems) -> Schedule {
    let mut paging = paging(sheet, sheets, problems);
    // What it plays has its own loudness.
    paging.levelled = false;
    let times = sheet.integer("times").and_then(|n| u32::try_from(n).ok());
    Schedule {
        name: sheet.name.clone(),
        timetable: timetable(sheet),
        plays: played(sheet, sheets, problems),
        times: times.unwrap_or(1),
        pause: sheet.duration("pause").unwrap_or_default(),
        paging,
    }
}

pub(super) fn quiet_hours(sheet: &Sheet, sheets: &Sheets, problems: &mut Problems) -> QuietHours {
    let zones = match sheet.wrote("zones") {
        true => resolve(sheets, "zones", sheet, "zones", problems),
        false => (0..sheets.of("zones").count()).collect(),
    };
    let up_to = sheet.integer("up_to").and_then(|n| u8::try_from(n).ok());
    QuietHours {
        name: sheet.name.clone(),
        hours: sheet.hours("hours"),
        season: season(sheet),
        zones: zone_ids(zones),
        sources: sheet.wrote("sources").then(|| sources(sheet, sheets, problems)),
        up_to: Priority(up_to.unwrap_or_default()),
        lower: sheet.decibel("lower").map(Db),
    }
}

/// All sources of these names.
fn sources(sheet: &Sheet, sheets: &Sheets, problems: &mut Problems) -> Vec<SourceId> {
    let all = || SPEAKERS.into_iter().flat_map(|section| sheets.of(section));
    let mut out = Vec::new();
    for (name, at) in sheet.names("sources") {
        let before = out.len();
        for (kind, section) in SPEAKERS.into_iter().enumerate() {
            out.extend(sheets.index(section, name).map(|index| source_id(kind, index)));
        }
        if out.len() == before {
            let hint = match nearest(name, all().map(|s| s.name.as_str())) {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => "zones are listed in `zones`".to_owned(),
            };
            let complaint = Complaint::new(
                sheet.path("sources"),
                quote(name),
                "the name of an extension, a group, a line input, a contact or a schedule",
                hint,
            );
            problems.lack(*at, complaint);
        }
    }
    out
}
