//! Devices that are captured from, and who shares them.

use super::super::problem::{Complaint, Problems};
use super::super::sheet::{Sheet, Sheets};

/// Tables that name the same device open it once: they must agree about it, and their channels must be there.
pub(super) fn captures(sheets: &Sheets, problems: &mut Problems) {
    let list: Vec<&Sheet> = sheets.of("inputs").chain(sheets.of("music")).collect();
    for (i, sheet) in list.iter().enumerate() {
        let own = sheet.integer("channels");
        let same = |a: &&&Sheet| sheet.has("input") && a.device("input") == sheet.device("input");
        let first = list.iter().take(i).find(same);
        if let (Some(own), Some(other)) = (own, first)
            && let Some(theirs) = other.integer("channels")
            && own != theirs
        {
            problems.error(
                if sheet.wrote("channels") {
                    sheet.at("channels")
                } else {
                    sheet.at("input")
                },
                Complaint::new(
                    sheet.path("channels"),
                    format!("{own}, but {} opens the same device with {theirs}", other.path("")),
                    "the same number for the same device",
                    "write the number of channels that the device has in both tables",
                ),
            );
            continue;
        }
        let channel = sheet
            .integers("channel")
            .iter()
            .copied()
            .chain(sheet.integer("channel"));
        if let (Some(channel), Some(channels)) = (channel.max(), own)
            && channel > channels
        {
            // A default that does not fit is as wrong.
            let at = if sheet.wrote("channel") { "channel" } else { "channels" };
            problems.error(
                sheet.at(at),
                Complaint::new(
                    sheet.path("channel"),
                    format!("{channel}, but {channels} of the device are opened"),
                    "a channel that the device has",
                    if sheet.wrote("channel") {
                        format!("if the device really has more, write `channels = {channel}`")
                    } else {
                        "write `channel = 1`".to_owned()
                    },
                ),
            );
        }
    }
}
