//! One page for the wall: how to page, what the tones mean, what to do.

use super::document::{Block, Document, Paper, Section, Table};
use super::ways::{self, Way};
use super::{Particulars, premises};
use crate::config::plan::Plan;
use crate::page::Shown;

/// Letters, pt.
const LARGEST: u8 = 16;
const SMALLEST: u8 = 10;
/// Of the page between its margins, mm.
const WIDTH: f64 = 186.0;
const PAGE: f64 = 277.0;
/// What [`height`] may come to: the rest is for fonts that are wider than ours.
pub const MAX_HEIGHT: f64 = PAGE * 0.98;
/// From here on two ways to page stand beside each other.
const BESIDE: usize = 7;

/// In the largest letters with which it is one page of A4. Where the smallest are too large, ways to page are left out from the end, and it says so.
pub fn wall(plan: &Plan, given: &Particulars) -> Document {
    let mut ways = ways::calls(plan);
    ways.extend(ways::others(plan));
    let mut shown = ways.len();
    loop {
        for size in (SMALLEST..=LARGEST).rev() {
            let document = page(plan, given, &ways, shown, size);
            if height(&document, size) <= MAX_HEIGHT || (shown == 0 && size == SMALLEST) {
                return document;
            }
        }
        shown -= 1;
    }
}

fn page(plan: &Plan, given: &Particulars, ways: &[Way], shown: usize, size: u8) -> Document {
    let sections = vec![
        how(plan),
        places(plan, ways, shown),
        sounds(plan),
        lamps(plan),
        silence(plan),
        help(given),
    ];
    Document {
        title: format!("Paging: {}", plan.site),
        subtitle: String::new(),
        paper: Paper::Wall(size),
        sections: sections
            .into_iter()
            .filter(|section| !section.blocks.is_empty())
            .collect(),
    }
}

fn how(plan: &Plan) -> Section {
    let mut out = Section::new("How to page");
    let any = |test: fn(&crate::config::plan::Extension) -> bool| plan.extensions.iter().any(test);
    if plan.extensions.is_empty() {
        out.text("Use one of these. Speak clearly and not too fast.");
        return out;
    }
    let mut steps = vec!["Lift the handset and dial (see below).".to_owned()];
    if any(|e| !e.gate.codes.is_empty()) {
        let code = ways::code_then(plan).replacen('D', "d", 1);
        steps.push(format!("If you hear two rising notes: {code}"));
    }
    if any(|e| !e.gate.keypad.is_empty()) {
        steps.push("If you hear the same note twice: press the key of the place.".to_owned());
    }
    steps.push("Wait for the beep.".to_owned());
    steps.push("Speak clearly, a hand's width from the handset.".to_owned());
    steps.push("Hang up.".to_owned());
    out.steps(steps);
    out
}

fn places(plan: &Plan, ways: &[Way], shown: usize) -> Section {
    let mut out = Section::new("");
    let shown_ways = ways.get(..shown).unwrap_or(ways);
    let cells = |way: &Way| [way.what.clone(), super::words::zones_shortly(plan, &way.zones)];
    if shown_ways.len() < BESIDE {
        let mut table = Table::new(&["Do this", "Heard in"]);
        for way in shown_ways {
            table.row(cells(way));
        }
        out.table(table);
    } else {
        let mut table = Table::new(&["Do this", "Heard in", "Do this", "Heard in"]);
        let half = shown_ways.len().div_ceil(2);
        for (i, way) in shown_ways.iter().take(half).enumerate() {
            let beside = shown_ways.get(half + i).map_or([String::new(), String::new()], cells);
            table.row(cells(way).into_iter().chain(beside));
        }
        out.table(table);
    }
    if shown < ways.len() {
        out.text(format!("And {} more: see the record sheet.", ways.len() - shown));
    }
    out
}

fn sounds(plan: &Plan) -> Section {
    let mut out = Section::new("");
    let mut table = Table::new(&["You hear", "It means"]);
    for (tone, meaning) in ways::tones(plan) {
        table.row([tone.to_owned(), meaning]);
    }
    out.table(table);
    out
}

fn lamps(plan: &Plan) -> Section {
    let mut out = Section::new("");
    let mut table = Table::new(&["Lamp", "It means"]);
    for (name, meaning) in premises::lamps(plan) {
        table.row([name, super::words::sentence(&meaning)]);
    }
    out.table(table);
    out
}

fn silence(plan: &Plan) -> Section {
    let mut out = Section::new("If nothing is heard");
    let mut items = Vec::new();
    if !plan.extensions.is_empty() {
        items.push("No beep? Then nobody is heard yet. Hang up, wait a minute, try again.".to_owned());
    }
    items.push("Is the amplifier switched on? Look at its own lamp. Do not open anything.".to_owned());
    for relay in &plan.relays {
        match relay.rules.shows.as_ref().map(|shows| &shows.what) {
            Some(Shown::Healthy) => items.push(format!(
                "Is the lamp {} off? Something is missing: call for help.",
                relay.name
            )),
            Some(Shown::Fault) => items.push(format!(
                "Is the lamp {} on? Something is missing: call for help.",
                relay.name
            )),
            _ => {}
        }
    }
    if !plan.vetoes.is_empty() {
        let names: Vec<&str> = plan.vetoes.iter().map(|veto| veto.name.as_str()).collect();
        items.push(format!(
            "Has another system ({}) taken the loudspeakers? Then wait.",
            super::words::or(&names)
        ));
    }
    if plan.has_hours() {
        items.push("Some pages are heard at certain hours alone, or more softly: see the record sheet.".to_owned());
    }
    items.push("Note the time and the number that you dialled, and call:".to_owned());
    out.list(items);
    out
}

fn help(given: &Particulars) -> Section {
    let mut out = Section::new("");
    out.fields(vec![
        ("Who looks after it".to_owned(), given.installer.clone()),
        ("Telephone".to_owned(), given.phone.clone()),
        ("Emergency services: dial".to_owned(), None),
    ]);
    out.caution(
        "In an emergency use the fire alarm, or dial the emergency services. This is no alarm system: it may fail without notice.",
    );
    out
}

/// About how high it is in letters of `size` pt, mm: reckoned a little too high. By the measures of the style sheet, with letters 0.5 of their
/// size wide (bold ones 0.56).
pub fn height(document: &Document, size: u8) -> f64 {
    let em = f64::from(size) * 25.4 / 72.0;
    let line = 1.25 * em;
    let lines = |text: &str, letter: f64, width: f64| {
        // A word that does not fit leaves the end of its line empty.
        let longest = text
            .split_whitespace()
            .map(|word| word.chars().count())
            .max()
            .unwrap_or_default();
        let letters = text.chars().count() as f64;
        let room = (width / (letter * em)).floor().max(1.0);
        if letters <= room {
            return 1.0;
        }
        let lost = (longest as f64 / 2.0).min(room / 2.0);
        (letters / (room - lost).max(1.0)).ceil()
    };
    let mut sum = lines(&document.title, 2.0 * 0.56, WIDTH) * 2.3 * em + 0.3 * em;
    for section in &document.sections {
        if !section.title.is_empty() {
            sum += 2.7 * em;
        }
        for block in &section.blocks {
            sum += 0.3 * em
                + match block {
                    Block::Heading(text) | Block::Text(text) => lines(text, 0.5, WIDTH) * line,
                    Block::Caution(text) => lines(text, 0.56, WIDTH - 1.2 * em - 2.0) * line + 0.6 * em + 2.0,
                    Block::List(items) | Block::Steps(items) => {
                        items.iter().map(|item| lines(item, 0.5, WIDTH - 1.3 * em) * line).sum()
                    }
                    Block::Table(table) => {
                        let row = |cells: &Vec<String>| {
                            let cell = |(i, text): (usize, &String)| {
                                let share = match (cells.len(), i) {
                                    (2, 0) => 0.36,
                                    (2, _) => 0.64,
                                    (4, 0 | 2) => 0.28,
                                    (4, _) => 0.22,
                                    (n, _) => 1.0 / n as f64,
                                };
                                let letter = if i % 2 == 0 { 0.56 } else { 0.5 };
                                lines(text, letter, WIDTH * share - 0.8 * em - 0.5)
                            };
                            let most = cells.iter().enumerate().map(cell).fold(1.0, f64::max);
                            most * line + 0.24 * em + 0.3
                        };
                        row(&table.head) + 0.3 + table.rows.iter().map(row).sum::<f64>()
                    }
                    Block::Lines(text) => text.lines().count() as f64 * line,
                    Block::Figure(_) => 0.0,
                    Block::Fields(fields) => fields.len() as f64 * (1.9 * em + 0.3),
                };
        }
    }
    sum
}
