//! The header with its pins, the part list, the terminal table, notes and cautions.

use super::super::cautions::CAUTIONS;
use super::super::header::HEADER;
use super::super::sheet::{End, Kind, PartId, Sheet};
use super::canvas::{Anchor, LEADING, Weight, wrap};
use super::flow::Flow;
use super::{LEFT, RIGHT};

/// From one pin of the header to the next.
const PITCH: f64 = 4.8;
/// Between the two rows of pins.
const MIDDLE: f64 = 86.0;
/// Where text beside the header begins.
const BESIDE: f64 = 166.0;
const HEADING: f64 = 6.5;
/// Above and below the text of a table's row, together.
const AIR: f64 = 1.8;
/// Most lines of a table's cell.
const MOST: usize = 8;

pub fn draw(sheet: &Sheet, flow: &mut Flow) {
    let has_pins = sheet.has_header && sheet.of_kind(Kind::Board).any(|(_, part)| !part.terminals.is_empty());
    if has_pins {
        header(sheet, flow);
    } else {
        list(flow, "At rest", &sheet.states);
    }
    list(flow, "Assumed, since the config does not say", &sheet.assumed);
    list(flow, "To look at before wiring", &sheet.look);
    parts(sheet, flow);
    wires(sheet, flow);
    let cautions = CAUTIONS.map(str::to_owned);
    let height: f64 = cautions
        .iter()
        .map(|text| item(text).len() as f64 * LEADING + AIR)
        .sum();
    flow.room(height + HEADING);
    list(flow, "Cautions", &cautions);
}

/// The header as it is seen from above, and what the states mean beside it.
fn header(sheet: &Sheet, flow: &mut Flow) {
    let height = HEADING + LEADING + 20.0 * PITCH + 3.0;
    flow.room(height);
    let top = flow.y;
    let canvas = flow.canvas();
    let Some((board, part)) = sheet.of_kind(Kind::Board).next() else {
        return;
    };
    let title = format!("{}  40-pin header, seen from above; even pins at the edge", part.tag);
    canvas.text(
        LEFT,
        top + 3.8,
        Anchor::Start,
        Weight::Bold,
        &title,
        BESIDE - LEFT - 2.0,
    );
    let from = top + HEADING;
    canvas.rect("f", MIDDLE - 6.6, from, 13.2, 20.0 * PITCH + 1.2);
    for (i, pin) in HEADER.iter().enumerate() {
        let (row, is_odd) = (i / 2, i % 2 == 0);
        let y = from + 0.6 + row as f64 * PITCH;
        let x = if is_odd { MIDDLE - 6.0 } else { MIDDLE };
        let used = used(sheet, board, i + 1);
        let (class, weight) = if used.is_empty() {
            ("t", Weight::Plain)
        } else {
            ("k", Weight::White)
        };
        canvas.rect(class, x + 0.3, y + 0.3, 5.4, PITCH - 0.6);
        let foot = y + PITCH / 2.0 + 1.3;
        canvas.text(x + 3.0, foot, Anchor::Middle, weight, &(i + 1).to_string(), 6.0);
        let text = match used.is_empty() {
            true => pin.name(),
            false => format!("{}: {used}", pin.name()),
        };
        let weight = Weight::Plain;
        match is_odd {
            true => canvas.text(MIDDLE - 8.0, foot, Anchor::End, weight, &text, MIDDLE - 8.0 - LEFT),
            false => canvas.text(MIDDLE + 8.0, foot, Anchor::Start, weight, &text, BESIDE - MIDDLE - 11.0),
        }
    }
    let mut y = top + 3.8;
    canvas.text(BESIDE, y, Anchor::Start, Weight::Bold, "At rest", RIGHT - BESIDE);
    y += HEADING - 0.5;
    for text in &sheet.states {
        for line in wrap(text, Weight::Plain, RIGHT - BESIDE) {
            canvas.say(BESIDE, y, &line, RIGHT - BESIDE);
            y += LEADING;
        }
        y += AIR;
    }
    flow.y += height;
}

/// `wire 3 to B1 IN1`.
fn used(sheet: &Sheet, board: PartId, pin: usize) -> String {
    let begins = format!("pin {pin},");
    let terminals = &sheet.part(board).terminals;
    let Some(terminal) = terminals.iter().position(|name| name.starts_with(&begins)) else {
        return String::new();
    };
    let end = End { part: board, terminal };
    let wires: Vec<_> = sheet.wires_at(end).collect();
    match wires.as_slice() {
        [] => String::new(),
        [one] => format!("wire {} to {}", one.0 + 1, sheet.end(sheet.far_end(*one, end))),
        several => {
            let numbers: Vec<String> = several.iter().map(|wire| (wire.0 + 1).to_string()).collect();
            format!("wires {}", numbers.join(", "))
        }
    }
}

fn item(text: &str) -> Vec<String> {
    wrap(text, Weight::Plain, RIGHT - LEFT - 4.0)
}

fn list(flow: &mut Flow, title: &str, texts: &[String]) {
    for (i, text) in texts.iter().enumerate() {
        let lines = item(text);
        let head = if i == 0 { HEADING } else { 0.0 };
        let height = head + lines.len() as f64 * LEADING + AIR;
        flow.room(height);
        let mut y = flow.y + 3.8;
        let canvas = flow.canvas();
        if i == 0 {
            canvas.text(LEFT, y, Anchor::Start, Weight::Bold, title, RIGHT - LEFT);
            y += HEADING;
        }
        canvas.say(LEFT, y, "–", 4.0);
        for line in &lines {
            canvas.say(LEFT + 4.0, y, line, RIGHT - LEFT - 4.0);
            y += LEADING;
        }
        flow.y += height;
    }
    flow.y += 2.0;
}

fn parts(sheet: &Sheet, flow: &mut Flow) {
    let rows = sheet.listed().map(|part| {
        let about = if part.about.is_empty() { "–" } else { &part.about };
        let name = if part.name.is_empty() { "–" } else { &part.name };
        [
            part.tag.clone(),
            part.kind.name().to_owned(),
            name.to_owned(),
            about.to_owned(),
        ]
    });
    let columns = [
        ("Part", 14.0),
        ("What it is", 42.0),
        ("Name in the config", 75.0),
        ("Remark", 142.0),
    ];
    table(flow, "Parts", &columns, rows.collect());
}

fn wires(sheet: &Sheet, flow: &mut Flow) {
    let rows = sheet.wires.iter().enumerate().map(|(i, wire)| {
        [
            (i + 1).to_string(),
            sheet.end(wire.from),
            sheet.end(wire.to),
            wire.conductor.clone(),
            wire.remark.clone(),
        ]
    });
    let columns = [
        ("Wire", 12.0),
        ("From", 66.0),
        ("To", 66.0),
        ("Conductor", 48.0),
        ("Remark", 81.0),
    ];
    table(flow, "Terminal table", &columns, rows.collect());
}

/// Columns with their widths; heads are repeated on each sheet.
fn table<const N: usize>(flow: &mut Flow, title: &str, columns: &[(&str, f64); N], rows: Vec<[String; N]>) {
    if rows.is_empty() {
        return;
    }
    let heads = columns.map(|(head, _)| head.to_owned());
    let mut rows_left = rows.iter().peekable();
    let mut title = Some(title.to_owned());
    while let Some(first) = rows_left.peek() {
        let head = HEADING + LEADING + AIR;
        flow.room(head + row_height(columns, first, Weight::Plain));
        let y = flow.y + 3.8;
        let text = title.take().unwrap_or_else(|| "continued".to_owned());
        flow.canvas()
            .text(LEFT, y, Anchor::Start, Weight::Bold, &text, RIGHT - LEFT);
        flow.y += HEADING - 1.0;
        let y = flow.y;
        flow.canvas().path("f", &[(LEFT, y), (RIGHT, y)]);
        row(flow, columns, &heads, Weight::Bold);
        let mut is_first = true;
        let fits = |flow: &Flow, next: &[String; N]| row_height(columns, next, Weight::Plain) <= flow.left();
        while let Some(next) = rows_left.next_if(|next| is_first || fits(flow, next)) {
            row(flow, columns, next, Weight::Plain);
            is_first = false;
        }
        if rows_left.peek().is_some() {
            flow.turn();
        }
    }
    flow.y += 4.0;
}

/// Its lines. What is too long is on the text form.
fn cell(text: &str, weight: Weight, width: f64) -> Vec<String> {
    let mut lines = wrap(text, weight, width - 2.0);
    if lines.len() > MOST {
        lines.truncate(MOST);
        if let Some(last) = lines.last_mut() {
            last.push_str(" …");
        }
    }
    lines
}

fn row_height<const N: usize>(columns: &[(&str, f64); N], cells: &[String; N], weight: Weight) -> f64 {
    let lines = cells
        .iter()
        .zip(columns)
        .map(|(text, (_, width))| cell(text, weight, *width).len());
    lines.max().unwrap_or(1).max(1) as f64 * LEADING + AIR
}

fn row<const N: usize>(flow: &mut Flow, columns: &[(&str, f64); N], cells: &[String; N], weight: Weight) {
    let height = row_height(columns, cells, weight);
    let y = flow.y;
    let canvas = flow.canvas();
    let mut x = LEFT;
    for (text, (_, width)) in cells.iter().zip(columns) {
        for (i, line) in cell(text, weight, *width).iter().enumerate() {
            let foot = y + 4.2 + i as f64 * LEADING;
            canvas.text(x, foot, Anchor::Start, weight, line, width - 1.0);
        }
        x += width;
    }
    canvas.path("l", &[(LEFT, y + height), (RIGHT, y + height)]);
    flow.y += height;
}
