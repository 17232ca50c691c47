//! What has changed from one look to the next, in lines: for a terminal that cannot be repainted, and for a file.

use crate::report::status::{Page, Past, Registration, Relay, Status, Zone};

/// How it stands, when nothing was known before.
pub fn summary(view: &Status) -> Vec<String> {
    let nothing = Status {
        zones: view.zones.iter().map(at_rest).collect(),
        relays: view
            .relays
            .iter()
            .map(|r| Relay {
                operated: false,
                ..r.clone()
            })
            .collect(),
        recent: view.recent.clone(),
        ..Status::default()
    };
    let mut lines = vec![format!("{}: {}", view.site, view.state())];
    lines.extend(changes(&nothing, view));
    lines.extend(
        view.next
            .iter()
            .map(|(schedule, at)| format!("next: {schedule} at {at}")),
    );
    lines
}

fn at_rest(zone: &Zone) -> Zone {
    Zone {
        name: zone.name.clone(),
        phase: "rest".to_owned(),
        ..Zone::default()
    }
}

/// One line for each thing that is another one now. Levels and blinking lamps are none.
pub fn changes(before: &Status, now: &Status) -> Vec<String> {
    let mut lines = Vec::new();
    if !before.site.is_empty() && before.site != now.site {
        lines.push(format!("the site is {} now", now.site));
    }
    for page in &now.pages {
        let old = before.pages.iter().find(|old| old.id == page.id);
        lines.extend(of_page(old, page));
    }
    for zone in &now.zones {
        let old = before.zones.iter().find(|old| old.name == zone.name);
        lines.extend(of_zone(old, zone));
    }
    for relay in now.relays.iter().filter(|relay| !relay.blinks) {
        let old = before.relays.iter().find(|old| old.name == relay.name);
        if old.is_none_or(|old| old.operated != relay.operated) {
            let state = if relay.operated { "operated" } else { "at rest" };
            lines.push(format!("relay {}: {state}", relay.name));
        }
    }
    for past in &now.recent {
        if !before
            .recent
            .iter()
            .any(|old| (old.id(), old.ended_at()) == (past.id(), past.ended_at()))
        {
            lines.push(of_past(past));
        }
    }
    let none = Registration::default();
    for registration in &now.registrations {
        let old = before
            .registrations
            .iter()
            .find(|old| old.extension == registration.extension);
        of_registration(&mut lines, old.unwrap_or(&none), registration);
    }
    for (list, of, word) in [
        (&now.missing, &before.missing, "missing"),
        (&before.missing, &now.missing, "no longer missing"),
    ] {
        let new = list.iter().filter(|what| !of.contains(what));
        lines.extend(new.map(|what| format!("{word}: {what}")));
    }
    if before.config_waits != now.config_waits && !now.config_waits.is_empty() {
        let what = now.config_waits.join(", ");
        lines.push(format!("a new config waits until nothing is on; it changes {what}"));
    }
    if now.config_refused && !before.config_refused {
        lines.push("the config that was read last is faulty and not in use: hornwire check".to_owned());
    }
    lines
}

fn of_page(old: Option<&Page>, page: &Page) -> Option<String> {
    let (id, state) = (page.id, &page.state);
    match old {
        None => Some(format!(
            "page {id} from {} for {}, priority {}: {state}",
            page.from(),
            page.place().join(", "),
            page.priority
        )),
        Some(old) if old.state != *state => Some(format!("page {id} from {}: {state}", page.from())),
        Some(_) => None,
    }
}

fn of_zone(old: Option<&Zone>, zone: &Zone) -> Option<String> {
    let is_same =
        old.is_some_and(|old| (&old.phase, old.page, &old.out_of_use) == (&zone.phase, zone.page, &zone.out_of_use));
    if is_same {
        return None;
    }
    let name = &zone.name;
    Some(match (&zone.out_of_use, zone.page) {
        (Some(why), _) => format!("zone {name}: out of use: {}", why.text()),
        (None, Some(page)) => format!("zone {name}: {} (page {page})", zone.phase),
        (None, None) => format!("zone {name}: {}", zone.phase),
    })
}

fn of_past(past: &Past) -> String {
    format!("page {} from {} ended: {}", past.id(), past.from(), past.ending())
}

fn of_registration(lines: &mut Vec<String>, old: &Registration, now: &Registration) {
    let extension = &now.extension;
    for registrar in now.registrars.iter().filter(|r| !old.registrars.contains(r)) {
        lines.push(format!("extension {extension}: registered at {registrar}"));
    }
    for registrar in old.registrars.iter().filter(|r| !now.registrars.contains(r)) {
        lines.push(format!("extension {extension}: no longer registered at {registrar}"));
    }
    for refusal in now.refusals.iter().filter(|r| !old.refusals.contains(r)) {
        let (registrar, cause) = refusal;
        lines.push(format!("extension {extension}: not registered at {registrar}: {cause}"));
    }
}
