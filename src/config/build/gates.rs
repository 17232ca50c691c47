//! Gates: rules of extensions and access codes.

use super::super::problem::{Complaint, Problems, nearest};
use super::super::secrets::Secrets;
use super::super::sheet::{Sheet, Sheets};
use super::super::value::{self, Named};
use super::{Paging, resolve_names};
use crate::gate::code::{Stored, StoredError};
use crate::gate::{Choice, Code, CodeId, NoChoice, Route, Rules};
use crate::page::{Priority, ZoneId};

fn zones(sheets: &Sheets, names: &[Named], key: &str, problems: &mut Problems) -> Vec<ZoneId> {
    let list = resolve_names(sheets, "zones", names, key, problems);
    let mut zones: Vec<ZoneId> = Vec::new();
    for zone in list.into_iter().filter_map(|i| u16::try_from(i).ok().map(ZoneId)) {
        if !zones.contains(&zone) {
            zones.push(zone);
        }
    }
    zones
}

fn route(route: &value::Route, key: &str, sheets: &Sheets, problems: &mut Problems) -> Route {
    Route {
        zones: zones(sheets, &route.zones, key, problems),
        priority: route.priority.map(Priority),
    }
}

pub(super) fn rules(sheet: &Sheet, sheets: &Sheets, paging: &Paging, problems: &mut Problems) -> Rules {
    let patterns = |key: &str| sheet.callers(key).iter().map(|(p, _)| p.clone()).collect();
    let codes = resolve_names(sheets, "codes", sheet.names("codes"), &sheet.path("codes"), problems);
    let mut routes = |key: &str| -> Vec<(String, Route)> {
        let path = sheet.path(key);
        sheet
            .routes(key)
            .iter()
            .map(|r| (r.key.clone(), route(r, &path, sheets, problems)))
            .collect()
    };
    let keypad = routes("keypad");
    let dial = routes("dial");
    Rules {
        networks: sheet.has("networks").then(|| sheet.networks("networks").to_vec()),
        registrar_only: sheet.flag("registrar_only").unwrap_or_default(),
        asserted_only: sheet.flag("asserted_only").unwrap_or_default(),
        allow: patterns("allow"),
        deny: patterns("deny"),
        hours: sheet.hours("hours"),
        codes: codes
            .into_iter()
            .filter_map(|i| u16::try_from(i).ok().map(CodeId))
            .collect(),
        code_length: sheet.integer("code_length").and_then(|n| usize::try_from(n).ok()),
        keypad: keypad
            .into_iter()
            .map(|(digits, route)| Choice { digits, route })
            .collect(),
        no_choice: if sheet.text("no_choice") == Some("hang up") {
            NoChoice::HangUp
        } else {
            NoChoice::Zones
        },
        dial: dial
            .into_iter()
            .filter_map(|(user, route)| Some((user.parse().ok()?, route)))
            .collect(),
        urgent: sheet
            .urgent("urgent")
            .iter()
            .map(|(value, priority)| (value.clone(), Priority(*priority)))
            .collect(),
        zones: paging.zones.clone(),
        priority: paging.priority,
    }
}

/// All codes, in the order of the file. Fewer only when `problems` holds an error.
pub(super) fn codes(sheets: &Sheets, secrets: &Secrets, problems: &mut Problems) -> Vec<Code> {
    let mut codes = Vec::new();
    for sheet in sheets.of("codes") {
        let own = sheet
            .has("zones")
            .then(|| zones(sheets, sheet.names("zones"), &sheet.path("zones"), problems));
        let stored = match secrets.is_away {
            true => Some(Stored::nobodys()),
            false => stored(sheet, secrets, problems),
        };
        let Some(stored) = stored else { continue };
        codes.push(Code {
            name: sheet.name.clone(),
            stored,
            zones: own,
            priority: sheet
                .integer("priority")
                .and_then(|n| u8::try_from(n).ok())
                .map(Priority),
            hours: sheet.hours("hours"),
        });
    }
    codes
}

fn stored(sheet: &Sheet, secrets: &Secrets, problems: &mut Problems) -> Option<Stored> {
    let (name, at) = sheet.names("secret").first()?;
    let mut tell = |found: String, wanted: &str, hint: String| {
        problems.error(
            *at,
            Complaint {
                key: sheet.path("secret"),
                found,
                wanted: wanted.to_owned(),
                hint,
            },
        );
    };
    let make = format!(
        "make the line with `hornwire code {}` and put it into the secrets file",
        sheet.name
    );
    let Some(secret) = secrets.names.get(name) else {
        if secrets.loaded {
            let hint = match nearest(name, secrets.names.keys().map(String::as_str)) {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => make,
            };
            tell(
                "a name that the secrets file does not hold (not shown: it may be the code)".to_owned(),
                "a name that stands in the secrets file",
                hint,
            );
        }
        return None;
    };
    match Stored::read(secret.reveal()) {
        Ok(stored) => Some(stored),
        Err(StoredError::Clear) => {
            tell(
                "a code in clear text in the secrets file (not shown)".to_owned(),
                "a code as `hornwire code` stores it",
                make,
            );
            None
        }
        Err(error) => {
            tell(
                format!("{error} (not shown)"),
                "a code as `hornwire code` stores it",
                make,
            );
            None
        }
    }
}
