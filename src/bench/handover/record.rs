//! The record sheet.

use super::document::{Block, Document, Paper, Place, Section, Table};
use super::{Particulars, premises, proof, settings, ways};
use crate::bench::levels::{site, text};
use crate::bench::logbook::Outcome;
use crate::bench::wiring::{self, CAUTIONS, Kind, Sheet};
use crate::config::plan::Plan;
use crate::page::ZoneId;

/// All that is known of a site, for the customer first and for the technician behind.
pub fn record(plan: &Plan, outcomes: &[Outcome], given: &Particulars) -> Document {
    let mut sections = vec![
        head(given),
        premises::overview(plan),
        ways::section(plan),
        heard(plan),
        order(plan),
        premises::places(plan),
        premises::by_the_clock(plan),
        codes(plan),
        premises::relays(plan),
        premises::music(plan),
        premises::faults(plan),
        cautions(),
        signatures(given),
        proof::section(plan, outcomes, given.unread, given.changed.as_deref()),
        settings::section(plan),
    ];
    sections.extend(levels(plan));
    sections.extend(wires(plan, given));
    sections.retain(|section| !section.blocks.is_empty());
    for section in &mut sections {
        section.place = match section.title.as_str() {
            "What was measured and tried" | "Wiring" => Place::NewPage,
            "Handed over and taken over" | "Access codes" | "Music" => Place::OnePage,
            _ => Place::Flows,
        };
    }
    Document {
        title: format!("Paging system of {}", plan.site),
        subtitle: format!("Record of what was installed, handed over {}", given.date),
        paper: Paper::Record,
        sections,
    }
}

fn head(given: &Particulars) -> Section {
    let mut out = Section::new("");
    out.caution(
        "This is no alarm system. It is not made or listed for fire, evacuation or any other emergency announcement. In an emergency use the fire alarm \
         and the emergency services.",
    );
    let changed = given
        .changed
        .as_ref()
        .map(|day| format!(", last changed {day}"))
        .unwrap_or_default();
    out.fields(vec![
        ("Customer".to_owned(), given.customer.clone()),
        ("Site address".to_owned(), given.address.clone()),
        ("Installed by".to_owned(), given.installer.clone()),
        ("Telephone of the installer".to_owned(), given.phone.clone()),
        ("Handed over on".to_owned(), Some(given.date.clone())),
        (
            "Made from".to_owned(),
            Some(format!(
                "config {}{changed}; program hornwire {}",
                given.config, given.version
            )),
        ),
    ]);
    out
}

fn heard(plan: &Plan) -> Section {
    let mut out = Section::new("What callers hear");
    let mut table = Table::new(&["On the telephone", "It means"]);
    for (tone, meaning) in ways::tones(plan) {
        table.row([tone.to_owned(), meaning]);
    }
    if !table.rows.is_empty() {
        out.text("The telephone's own tone or message, without an answer: the call was refused. The caller, the telephone or the hour is not allowed, or the telephone system has no connection to this one.");
    }
    out.table(table);
    out
}

fn order(plan: &Plan) -> Section {
    let mut out = Section::new("Who goes first");
    out.text(
        "The higher number goes first and cuts into lower ones. Of equal numbers whoever came first keeps the zone.",
    );
    out.table(ways::order(plan));
    out
}

fn codes(plan: &Plan) -> Section {
    let mut out = Section::new("Access codes");
    if plan.codes.is_empty() {
        out.text("No access codes are in use.");
        return out;
    }
    out.text("The codes themselves are in no document, and the system keeps them in a form from which they cannot be read. A lost code is made anew (for the technician: hornwire code NAME).");
    out.table(ways::codes(plan));
    out
}

fn cautions() -> Section {
    let mut out = Section::new("Cautions");
    out.list(CAUTIONS.iter().map(|&caution| caution.to_owned()).collect());
    out.text("Local codes and regulations come before anything in this document, and the practice of those who are licensed under them.");
    out
}

fn signatures(given: &Particulars) -> Section {
    let mut out = Section::new("Handed over and taken over");
    out.text("The installer has shown how to page, what the tones and lamps mean, and what to do when nothing is heard. Open points are those under \"Failed\", \"Skipped\" and \"Not tried\" below.");
    out.fields(vec![
        ("Date".to_owned(), None),
        (signer("For the installer", given.installer.as_deref()), None),
        (signer("For the customer", given.customer.as_deref()), None),
        ("Open points to be done by".to_owned(), None),
    ]);
    out
}

fn signer(whom: &str, name: Option<&str>) -> String {
    name.map_or_else(|| whom.to_owned(), |name| format!("{whom}, {name}"))
}

/// Of each amplifier that the config tells of.
fn levels(plan: &Plan) -> Option<Section> {
    let mut out = Section::new("Level plan");
    out.text("For the technician: the level at each joint from the sound card to the amplifier's input, and the load of the loudspeaker lines. It is arithmetic, not a measurement.");
    let (mut notes, mut cautions) = (Vec::new(), Vec::new());
    for amplifier in &plan.amplifiers {
        let zone = |id: &ZoneId| plan.zones.get(usize::from(id.0));
        for zone in amplifier.zones.iter().filter_map(zone) {
            let (chain, names) = site::chain_of(plan, amplifier, zone);
            out.blocks.push(Block::Lines(text::chain(&chain, &names)));
            notes.extend(text::granted(&chain, &names));
            cautions.extend(text::chain_cautions(&chain));
        }
        if let Some(line) = site::loudspeakers_of(amplifier) {
            let told = format!("Amplifier {}, loudspeakers\n\n{}", amplifier.name, text::line(&line));
            out.blocks.push(Block::Lines(told));
            notes.extend(text::line_notes(&line));
            cautions.extend(text::line_cautions(&line));
        }
    }
    if plan.amplifiers.is_empty() {
        return None;
    }
    for (title, texts) in [
        ("What it takes for granted", notes),
        ("Cautions of the level plan", cautions),
    ] {
        let mut once: Vec<String> = Vec::new();
        for text in texts {
            if !once.contains(&text) {
                once.push(text);
            }
        }
        if !once.is_empty() {
            out.heading(title);
            out.list(once);
        }
    }
    Some(out)
}

/// The terminal table, then the sheets.
fn wires(plan: &Plan, given: &Particulars) -> [Section; 2] {
    let sheet = wiring::sheet(plan, given.board, Some(&given.date));
    let mut out = Section::new("Wiring");
    out.text("For the technician. Every wire has a number, the same in this table and on the sheets behind it. The sheet knows the config, not the equipment: check every terminal on site.");
    out.heading("Parts");
    out.table(parts(&sheet));
    out.heading("Wires");
    let mut table = Table::new(&["Wire", "From", "To", "Conductor", "Remark"]);
    for (number, wire) in (1..).zip(&sheet.wires) {
        table.row([
            number.to_string(),
            sheet.end(wire.from),
            sheet.end(wire.to),
            wire.conductor.clone(),
            wire.remark.clone(),
        ]);
    }
    out.table(table);
    for (title, texts) in [
        ("At rest", &sheet.states),
        ("Assumed, since the config does not say", &sheet.assumed),
        ("To look at before wiring", &sheet.look),
    ] {
        if !texts.is_empty() {
            out.heading(title);
            out.list(texts.clone());
        }
    }
    let mut drawn = Section::new("");
    drawn.blocks = wiring::figures(&sheet).into_iter().map(Block::Figure).collect();
    [out, drawn]
}

fn parts(sheet: &Sheet) -> Table {
    let mut table = Table::new(&["Part", "What it is", "Name", "About"]);
    let is_wired =
        |part: &&wiring::Part| !matches!(part.kind, Kind::Board | Kind::RelayBoard) || !part.terminals.is_empty();
    for part in sheet.parts.iter().filter(is_wired) {
        table.row([
            part.tag.clone(),
            part.kind.name().to_owned(),
            part.name.clone(),
            part.about.clone(),
        ]);
    }
    table
}
