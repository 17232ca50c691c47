//! Names for several zones: wherever zones are listed, their zones take their place.

use super::problem::{Complaint, Problems};
use super::sheet::Sheets;
use super::value::Named;

const SECTION: &str = "zone_groups";

/// Replaces every name of a zone group in the file, and tells of those that clash or that nothing names.
pub(super) fn expand(sheets: &mut Sheets, problems: &mut Problems) {
    // A zone that does not exist is told of at its group alone.
    let is_zone = |zone: &&Named| sheets.index("zones", &zone.0).is_some();
    let mut groups: Vec<(String, Vec<Named>, bool)> = sheets
        .of(SECTION)
        .map(|s| {
            let zones = s.names("zones").iter().filter(is_zone).cloned();
            (s.name.clone(), zones.collect(), false)
        })
        .collect();
    for sheet in sheets.of(SECTION) {
        if sheets.index("zones", &sheet.name).is_some() {
            problems.error(
                sheet.at,
                Complaint::new(
                    sheet.path(""),
                    "the name of a zone",
                    "a name that no zone has",
                    "give the zone group another name",
                ),
            );
        }
    }
    for list in sheets.zone_lists(SECTION) {
        let written: Vec<Named> = std::mem::take(list);
        let plain: Vec<String> = written.iter().map(|(name, _)| name.clone()).collect();
        for (name, at) in written {
            match groups.iter_mut().find(|(group, ..)| *group == name) {
                Some((_, zones, used)) => {
                    *used = true;
                    for (zone, _) in zones {
                        // A zone may stand in several groups, and beside its group.
                        if !plain.contains(zone) && !list.iter().any(|(other, _)| other == zone) {
                            list.push((zone.clone(), at));
                        }
                    }
                }
                None => list.push((name, at)),
            }
        }
    }
    for (name, _, _) in groups.iter().filter(|(.., used)| !used) {
        if let Some(sheet) = sheets.of(SECTION).find(|s| s.name == *name) {
            problems.idle(
                sheet.at,
                Complaint::new(
                    sheet.path(""),
                    "nothing uses it",
                    "a list of zones that names it",
                    "take it out, or name it where it belongs",
                ),
            );
        }
    }
}
