//! Amplifiers, against each other and their zones.

use super::super::problem::{Complaint, Problems};
use super::super::sheet::{Sheet, Sheets};
use crate::bench::levels::line;
use crate::bench::levels::quantity::Watts;

pub(super) fn amplifiers(sheets: &Sheets, problems: &mut Problems) {
    let list: Vec<&Sheet> = sheets.of("amplifiers").collect();
    for (i, sheet) in list.iter().enumerate() {
        for (zone, at) in sheet.names("zones") {
            let serves = |s: &&&Sheet| s.names("zones").iter().any(|(name, _)| name == zone);
            if let Some(other) = list.iter().take(i).find(serves) {
                problems.error(
                    *at,
                    Complaint::new(
                        sheet.path("zones"),
                        format!("\"{zone}\", which {} serves already", other.path("")),
                        "zones that no other amplifier serves",
                        "two amplifiers on one channel are one zone: tell of the one that the level is set by",
                    ),
                );
            }
        }
        pad(sheet, problems);
        loudspeakers(sheet, problems);
        music(sheet, sheets, problems);
    }
}

fn pad(sheet: &Sheet, problems: &mut Problems) {
    let floats = sheet.text("isolation") == Some("transformer") || sheet.faulty("isolation");
    if let Some(pad) = sheet.pad("pad")
        && pad.kind.is_shorted(floats)
    {
        problems.warning(
            sheet.at("pad"),
            Complaint::new(
                sheet.path("pad"),
                format!("\"{pad}\", but no transformer"),
                "a line that floats: where card and amplifier share a ground, the pad's lower leg is shorted and it takes less",
                format!(
                    "build it as {} instead, or put a transformer in: isolation = \"transformer\"",
                    pad.kind.unbalanced()
                ),
            ),
        );
    }
}

fn loudspeakers(sheet: &Sheet, problems: &mut Problems) {
    let taps = sheet.taps("taps");
    if sheet.text("line") == Some("low impedance") && !taps.is_empty() {
        problems.warning(
            sheet.at("taps"),
            Complaint::new(
                sheet.path("taps"),
                "taps on a low impedance line",
                "taps on a line of 25, 70.7 or 100 V",
                "loudspeakers without transformers have no taps",
            ),
        );
    }
    let Watts(total) = line::total(taps);
    if let Some(Watts(power)) = sheet.watts("power")
        && total > power + 1e-9
    {
        problems.warning(
            sheet.at("taps"),
            Complaint::new(
                sheet.path("taps"),
                format!("{total} W together, for an amplifier of {power} W"),
                &format!("at most {power} W"),
                "tap the loudspeakers lower, take some off, or give them another amplifier",
            ),
        );
    }
}

fn music(sheet: &Sheet, sheets: &Sheets, problems: &mut Problems) {
    let names = |zone: &&Sheet| sheet.names("zones").iter().any(|(name, _)| *name == zone.name);
    let mut zones = sheets.of("zones").filter(names).peekable();
    let silent = zones.peek().is_some() && zones.all(|zone| zone.names("mute").is_empty() && !zone.faulty("mute"));
    if let (true, Some("relay")) = (silent, sheet.text("music")) {
        problems.warning(
            sheet.at("music"),
            Complaint::new(
                sheet.path("music"),
                "\"relay\", but no zone of it has a relay in `mute`",
                "a mute relay in one of its zones",
                "name the relay in `mute` of the zone, or write \"none\"",
            ),
        );
    }
}
