//! Line inputs and music.

use super::super::plan::{AudioDevice, Capture, LineInput, Music};
use super::super::problem::Problems;
use super::super::sheet::{Sheet, Sheets};
use super::{paging, resolve};
use crate::page::ZoneId;
use crate::sound::engine::Ducking;
use crate::sound::level::{Db, Dbfs};
use crate::sound::vox::VoxSettings;

/// Each device once, in the order of the file.
pub(super) fn captures(sheets: &Sheets) -> Vec<Capture> {
    let mut out: Vec<Capture> = Vec::new();
    for sheet in sheets.of("inputs").chain(sheets.of("music")) {
        if let Some(input) = sheet.device("input")
            && !out.iter().any(|known| known.input == *input)
        {
            out.push(Capture {
                input: input.clone(),
                channels: usize::try_from(sheet.integer("channels").unwrap_or(2)).unwrap_or(2),
            });
        }
    }
    out
}

fn capture(sheet: &Sheet, captures: &[Capture]) -> usize {
    let input = sheet.device("input").unwrap_or(&AudioDevice::Null);
    captures.iter().position(|c| c.input == *input).unwrap_or_default()
}

fn from_zero(channel: i64) -> usize {
    usize::try_from(channel - 1).unwrap_or_default()
}

pub(super) fn input(sheet: &Sheet, sheets: &Sheets, captures: &[Capture], problems: &mut Problems) -> LineInput {
    LineInput {
        name: sheet.name.clone(),
        capture: capture(sheet, captures),
        channel: from_zero(sheet.integer("channel").unwrap_or(1)),
        vox: VoxSettings {
            threshold: Dbfs(sheet.decibel("threshold").unwrap_or_default()),
            attack: sheet.duration("attack").unwrap_or_default(),
            hang: sheet.duration("hang").unwrap_or_default(),
        },
        hours: sheet.hours("hours"),
        paging: paging(sheet, sheets, problems),
    }
}

pub(super) fn music(sheet: &Sheet, sheets: &Sheets, captures: &[Capture], problems: &mut Problems) -> Music {
    let zones = resolve(sheets, "zones", sheet, "zones", problems);
    let zones = zones.into_iter().filter_map(|i| u16::try_from(i).ok().map(ZoneId));
    Music {
        name: sheet.name.clone(),
        capture: capture(sheet, captures),
        channels: sheet.integers("channel").iter().map(|n| from_zero(*n)).collect(),
        zones: zones.collect(),
        gain: Db(sheet.decibel("gain").unwrap_or_default()),
        ducking: Ducking {
            depth: Db(sheet.decibel("when_paging").unwrap_or(f32::NEG_INFINITY)),
            fade_out: sheet.duration("fade_out").unwrap_or_default(),
            fade_in: sheet.duration("fade_in").unwrap_or_default(),
        },
    }
}
