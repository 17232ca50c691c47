//! Gates that cannot open, or that are wider than they look.

use super::super::problem::{Complaint, Problems, quote};
use super::super::sheet::{Sheet, Sheets};
use super::super::value::Named;
use crate::gate::{MAX_CODES, Pattern};

/// Zones that a caller chooses by number or dial pad.
pub(super) fn chosen(sheet: &Sheet) -> impl Iterator<Item = &Named> {
    ["keypad", "dial"]
        .into_iter()
        .flat_map(|key| sheet.routes(key))
        .flat_map(|route| &route.zones)
}

/// All zones that pages of a source may be heard in.
pub(super) fn zones_of<'a>(sheet: &'a Sheet, sheets: &'a Sheets) -> impl Iterator<Item = &'a Named> {
    let codes = sheet.names("codes").iter();
    let by_code = codes.flat_map(|(name, _)| sheets.of("codes").filter(move |c| c.name == *name));
    sheet
        .names("zones")
        .iter()
        .chain(chosen(sheet))
        .chain(by_code.flat_map(|c| c.names("zones")))
}

pub(super) fn extensions(sheets: &Sheets, problems: &mut Problems) {
    for sheet in sheets.of("extensions") {
        lists(sheet, problems);
        codes(sheet, sheets, problems);
        keypad(sheet, sheets, problems);
        dial(sheet, sheets, problems);
        let registrar = !sheet.registrars("registrar").is_empty() || sheet.faulty("registrar");
        if sheet.flag("registrar_only") == Some(true) && !registrar {
            problems.idle(
                sheet.at("registrar_only"),
                Complaint::new(
                    sheet.path("registrar_only"),
                    "true, for an extension without a registrar",
                    "`registrar` beside it",
                    "as it is, nobody can call it",
                ),
            );
        }
        unasserted(sheet, sheets, registrar, problems);
        if sheet.flag("registrar_only") == Some(true) && sheet.wrote("networks") {
            problems.warning(
                sheet.at("networks"),
                Complaint::new(
                    sheet.path("networks"),
                    "networks beside `registrar_only = true`",
                    "one of the two",
                    "as it is, no network is let in",
                ),
            );
        }
    }
}

/// Keys that want somebody whose word counts, where there is nobody: neither a registrar nor a trusted peer.
fn unasserted(sheet: &Sheet, sheets: &Sheets, registrar: bool, problems: &mut Problems) {
    let trusts = |s: &Sheet| !s.networks("trusted").is_empty() || s.faulty("trusted");
    if registrar || sheets.of("sip").any(trusts) {
        return;
    }
    let hint = "name the gateway's address in `trusted` of [sip], and let it in by `networks`";
    let mut tell = |key: &str, found: &str, hint: &str| {
        let wanted = "a registrar, or a peer in `sip.trusted`, whose word about callers counts";
        problems.idle(sheet.at(key), Complaint::new(sheet.path(key), found, wanted, hint));
    };
    if sheet.wrote("urgent") && !sheet.urgent("urgent").is_empty() {
        tell("urgent", "headers that nobody may send", hint);
    }
    if sheet.flag("asserted_only") == Some(true) {
        let hint = format!("as it is, nobody can call it: {hint}");
        tell("asserted_only", "true, with nobody who asserts", &hint);
    }
}

/// Of allowed callers that are denied.
fn lists(sheet: &Sheet, problems: &mut Problems) {
    let shut = |pattern: &Pattern| sheet.callers("deny").iter().any(|(deny, _)| deny.covers(pattern));
    let allow = sheet.callers("allow");
    let dead: Vec<usize> = allow.iter().filter(|(p, _)| shut(p)).map(|(_, at)| *at).collect();
    for at in &dead {
        let found = "a caller whom `deny` shuts out";
        let hint = "deny wins: take the entry out here or there";
        let told = Complaint::new(sheet.path("allow"), found, "callers who may page", hint);
        if dead.len() == allow.len() {
            problems.error(*at, told);
        } else {
            problems.warning(*at, told);
        }
    }
    let everybody = "*".parse::<Pattern>().ok();
    if let Some((_, at)) = sheet
        .callers("deny")
        .iter()
        .find(|(deny, _)| everybody.as_ref().is_some_and(|all| deny.covers(all)))
        && allow.is_empty()
    {
        problems.error(
            *at,
            Complaint::new(
                sheet.path("deny"),
                "everybody",
                "callers who may not page",
                "as it is, nobody can; to let in a few, name them in `allow` and leave this out",
            ),
        );
    }
}

fn codes(sheet: &Sheet, sheets: &Sheets, problems: &mut Problems) {
    let names = sheet.names("codes");
    if names.len() > MAX_CODES {
        problems.error(
            sheet.at("codes"),
            Complaint::new(
                sheet.path("codes"),
                format!("{} codes", names.len()),
                &format!("at most {MAX_CODES} codes for one extension"),
                "each makes a guess likelier and a check longer; give groups of people one code, or several extensions",
            ),
        );
    }
    if names.is_empty() && sheet.has("code_length") && !sheet.faulty("codes") {
        problems.idle(
            sheet.at("code_length"),
            Complaint::new(
                sheet.path("code_length"),
                "a length without codes",
                "`codes` beside it",
                "add `codes`, or take the line out",
            ),
        );
    }
    for (name, at) in names {
        let Some(code) = sheets.of("codes").find(|c| c.name == *name) else {
            continue;
        };
        if !sheet.hours("hours").meets(&code.hours("hours")) {
            problems.error(
                *at,
                Complaint::new(
                    sheet.path("codes"),
                    format!("{}, whose hours are never those of the extension", quote(name)),
                    "hours that overlap",
                    "as it is, this code never opens",
                ),
            );
        }
        let own = code.names("zones");
        let keypad = sheet.routes("keypad");
        let reach = |name: &String| keypad.iter().any(|r| r.zones.iter().any(|(zone, _)| zone == name));
        let hang_up = sheet.text("no_choice") == Some("hang up");
        if hang_up && !own.is_empty() && !keypad.is_empty() && !own.iter().any(|(name, _)| reach(name)) {
            problems.error(
                *at,
                Complaint::new(
                    sheet.path("codes"),
                    format!("{}, whose zones no entry of `keypad` names", quote(name)),
                    "a choice that the code opens",
                    "as it is, this code opens nothing",
                ),
            );
        }
    }
}

/// Choices that no code opens.
fn closed(sheet: &Sheet, sheets: &Sheets, problems: &mut Problems) {
    let codes: Vec<&Sheet> = sheet
        .names("codes")
        .iter()
        .filter_map(|(name, _)| sheets.of("codes").find(|c| c.name == *name))
        .collect();
    // A code without zones of its own, or with ones that could not be read, opens any.
    if codes.len() != sheet.names("codes").len() || codes.iter().any(|c| c.names("zones").is_empty()) {
        return;
    }
    for route in sheet.routes("keypad") {
        let open = |(zone, _): &Named| codes.iter().any(|c| c.names("zones").iter().any(|(z, _)| z == zone));
        if !codes.is_empty() && !route.zones.iter().any(open) {
            problems.warning(
                route.at,
                Complaint::new(
                    sheet.path("keypad"),
                    format!("{}, whose zones no code opens", quote(&route.key)),
                    "a choice that a code of the extension opens",
                    "add its zones to a code, or take the entry out",
                ),
            );
        }
    }
}

fn keypad(sheet: &Sheet, sheets: &Sheets, problems: &mut Problems) {
    let keypad = sheet.routes("keypad");
    if keypad.is_empty() {
        if sheet.wrote("no_choice") && !sheet.faulty("keypad") && sheet.text("no_choice") == Some("hang up") {
            problems.idle(
                sheet.at("no_choice"),
                Complaint::new(
                    sheet.path("no_choice"),
                    "a choice without `keypad`",
                    "`keypad` beside it",
                    "add `keypad`, or take the line out",
                ),
            );
        }
        return;
    }
    twice(sheet, "keypad", problems);
    closed(sheet, sheets, problems);
}

fn dial(sheet: &Sheet, sheets: &Sheets, problems: &mut Problems) {
    twice(sheet, "dial", problems);
    let dial = sheet.routes("dial");
    for (i, route) in dial.iter().enumerate() {
        let Ok(own) = route.key.parse::<Pattern>() else {
            continue;
        };
        let taken = sheets
            .of("extensions")
            .find(|other| other.text("user") == Some(&route.key) && other.name != sheet.name);
        if let Some(other) = taken {
            problems.error(
                route.at,
                Complaint::new(
                    sheet.path("dial"),
                    format!("{}, which is the `user` of {}", quote(&route.key), other.path("")),
                    "a number that no extension has",
                    "a call to it goes to the extension whose `user` it is",
                ),
            );
        }
        let before = dial
            .iter()
            .take(i)
            .find(|b| b.key.parse::<Pattern>().is_ok_and(|p| p.covers(&own)));
        if let Some(before) = before {
            problems.error(
                route.at,
                Complaint::new(
                    sheet.path("dial"),
                    format!("{}, which {} before it covers", quote(&route.key), quote(&before.key)),
                    "the narrower entry first",
                    "the first that fits counts",
                ),
            );
        }
    }
}

/// Of one choice's zones named twice.
fn twice(sheet: &Sheet, key: &str, problems: &mut Problems) {
    for route in sheet.routes(key) {
        let again = route
            .zones
            .iter()
            .enumerate()
            .find(|(i, (name, _))| route.zones.iter().take(*i).any(|(n, _)| n == name));
        if let Some((_, (name, at))) = again {
            problems.error(
                *at,
                Complaint::new(
                    sheet.path(key),
                    format!("{} for the second time", quote(name)),
                    "each zone once",
                    "take one of the two out",
                ),
            );
        }
    }
}
