//! Circuits: board and cards on the left, amplifiers and what is outside on the right.

use super::super::sheet::{Circuit, End, Kind, PartId, Sheet, Use, WireId};
use super::canvas::{Anchor, Canvas, Weight, width};
use super::flow::Flow;
use super::{BOTTOM, LEFT, RIGHT, TOP, symbols};

/// Right side of the parts on the left.
const NEAR: f64 = 78.0;
/// Left side of the parts on the right.
const FAR: f64 = 215.0;
/// Space behind a group.
const GAP: f64 = 4.0;
/// Around the terminals of a part.
const ROUND: f64 = 3.0;
/// From a contact's line to its label's foot.
const ABOVE: f64 = 1.2;

/// COM of a change-over contact, and where a wire turns down from it.
const COM: f64 = 100.0;
const TURN: f64 = 86.0;
/// NC and NO.
const THROWN: f64 = 120.0;
/// Relay board's input, coil, its other end.
const IN: f64 = 104.0;
const COIL: f64 = 108.0;
const SUPPLY: f64 = 124.0;
/// Where a wire that goes on elsewhere stops.
const STOP: f64 = 180.0;

pub fn draw(sheet: &Sheet, flow: &mut Flow) {
    let mut number = 0;
    let mut rest = sheet.circuits.as_slice();
    while let Some(first) = rest.first() {
        let amplifier = first.amplifier();
        let same = |circuit: &&Circuit| amplifier.is_some() && circuit.amplifier() == amplifier;
        let count = rest.iter().take_while(same).count().max(1);
        let (group, others) = rest.split_at(count);
        group_of(sheet, flow, group, amplifier, &mut number);
        rest = others;
    }
}

fn group_of(sheet: &Sheet, flow: &mut Flow, group: &[Circuit], amplifier: Option<PartId>, number: &mut usize) {
    let whole: f64 = group.iter().map(height).sum();
    flow.room(whole.min(BOTTOM - TOP));
    let mut top = flow.y;
    let mut is_first = true;
    for circuit in group {
        if flow.left() < height(circuit) {
            frame(sheet, flow, amplifier, top, is_first);
            is_first = false;
            flow.turn();
            top = flow.y;
        }
        *number += 1;
        let y = flow.y;
        let canvas = flow.canvas();
        let title = format!("{number}  {}", circuit.title());
        canvas.text(LEFT, y + 3.8, Anchor::Start, Weight::Bold, &title, FAR - LEFT - 4.0);
        Row { sheet, canvas, y }.draw(circuit);
        flow.y += height(circuit);
    }
    frame(sheet, flow, amplifier, top, is_first);
    flow.y += GAP;
}

/// Around the terminals of an amplifier or indicator.
fn frame(sheet: &Sheet, flow: &mut Flow, amplifier: Option<PartId>, top: f64, is_first: bool) {
    let bottom = flow.y;
    let Some(part) = amplifier.map(|id| sheet.part(id)).filter(|_| bottom > top) else {
        return;
    };
    let canvas = flow.canvas();
    canvas.rect("f", FAR, top, RIGHT - FAR, bottom - top + 0.6);
    let more = if is_first { "" } else { ", continued" };
    let text = format!("{} {}{more}", part.tag, part.name);
    canvas.text(
        FAR + 3.0,
        top + 4.6,
        Anchor::Start,
        Weight::Bold,
        &text,
        RIGHT - FAR - 5.0,
    );
}

fn height(circuit: &Circuit) -> f64 {
    match circuit {
        Circuit::Line { .. } => 28.0,
        Circuit::Relay { .. } => 34.0,
        Circuit::Pair { .. } => 21.0,
        Circuit::Supply { .. } => 28.0,
    }
}

struct Row<'a> {
    sheet: &'a Sheet,
    canvas: &'a mut Canvas,
    y: f64,
}

impl Row<'_> {
    fn draw(&mut self, circuit: &Circuit) {
        match circuit {
            Circuit::Line {
                chain, pairs, screen, ..
            } => self.line(chain, pairs, *screen),
            Circuit::Relay {
                relay,
                pole,
                coil,
                use_of,
                ..
            } => self.relay(*relay, *pole, *coil, *use_of),
            Circuit::Pair { near, far, pair, .. } => self.pair(*near, *far, *pair),
            Circuit::Supply { relays, wires, .. } => self.supply(*relays, wires),
        }
    }

    /// The end of a wire that is at a part.
    fn end_at(&self, wire: WireId, part: PartId) -> End {
        let wire = self.sheet.wire(wire);
        if wire.from.part == part { wire.from } else { wire.to }
    }

    fn number(&mut self, x: f64, y: f64, wire: WireId) {
        self.canvas.say(x, y - ABOVE, &(wire.0 + 1).to_string(), 9.0);
    }

    /// A wire's remark, where it fits whole; the table has them all.
    fn remark(&mut self, x: f64, y: f64, wire: WireId, room: f64) {
        let text = self.sheet.wire(wire).remark.clone();
        if width(&text, Weight::Plain) <= room {
            self.canvas.say(x, y - ABOVE, &text, room);
        }
    }

    /// Terminals of a part on the left, in a box.
    fn near(&mut self, ends: &[(End, f64)]) {
        let (Some(first), Some(last)) = (ends.first(), ends.last()) else {
            return;
        };
        let (top, bottom) = (first.1 - ROUND, last.1 + ROUND);
        self.canvas.rect("f", LEFT, top, NEAR - LEFT, bottom - top);
        for (end, y) in ends {
            let text = self.sheet.end(*end);
            let room = NEAR - LEFT - 5.0;
            self.canvas.terminal(NEAR - 2.5, y + 1.3, Anchor::End, &text, room);
            symbols::terminal(self.canvas, NEAR, *y);
        }
    }

    /// A terminal of a part on the right.
    fn far(&mut self, end: End, y: f64, text_from: f64) {
        let text = self.sheet.terminal(end).to_owned();
        let room = RIGHT - text_from - 2.0;
        self.canvas.terminal(text_from, y + 1.3, Anchor::Start, &text, room);
        symbols::terminal(self.canvas, FAR, y);
    }

    fn line(&mut self, chain: &[PartId], pairs: &[[WireId; 2]], screen: Option<WireId>) {
        let [upper, lower, ground] = [11.5, 18.5, 24.5].map(|dy| self.y + dy);
        let levels = [upper, lower];
        let mut x = NEAR;
        let mut ring = FAR - 9.0;
        let (Some(first), Some(last)) = (chain.first(), chain.last()) else {
            return;
        };
        for (i, pair) in pairs.iter().enumerate() {
            let (from, to) = (chain[i], chain[i + 1]);
            let (begins, ends) = match self.sheet.part(to).kind {
                Kind::Transformer => (101.0, 109.0),
                Kind::Pad => (158.0, 172.0),
                _ => (FAR, FAR),
            };
            let is_short = self.sheet.part(from).kind == Kind::Pad;
            if !is_short {
                ring = begins - 9.0;
            }
            for (wire, y) in pair.iter().zip(levels) {
                self.canvas.wire(wire.0, &[(x, y), (begins, y)]);
                // Clear of the labels of transformer and pad.
                let clear = match self.sheet.part(from).kind {
                    Kind::Transformer => 10.0,
                    Kind::Pad => 27.0,
                    _ => 4.0,
                };
                self.number(x + clear, y, *wire);
            }
            let tag = self.sheet.part(to).tag.clone();
            let middle = f64::midpoint(begins, ends);
            match self.sheet.part(to).kind {
                Kind::Transformer => {
                    symbols::transformer(self.canvas, middle, upper, lower);
                    let label = format!("{tag}  600:600");
                    self.canvas
                        .text(middle, upper - 3.5, Anchor::Middle, Weight::Plain, &label, 40.0);
                }
                Kind::Pad => {
                    symbols::pad(self.canvas, begins, ends, upper, lower);
                    let label = format!("{tag}  {} pad", self.sheet.part(to).name);
                    self.canvas
                        .text(middle, upper - 3.5, Anchor::Middle, Weight::Plain, &label, 70.0);
                }
                _ => {}
            }
            x = ends;
        }
        let near: Vec<(End, f64)> = pairs[0]
            .iter()
            .map(|wire| self.end_at(*wire, *first))
            .zip(levels)
            .collect();
        self.near(&near);
        if let Some(pair) = pairs.last() {
            for (wire, y) in pair.iter().zip(levels) {
                let end = self.end_at(*wire, *last);
                self.far(end, y, FAR + 3.0);
            }
        }
        if let Some(wire) = screen {
            symbols::screen(self.canvas, ring, upper, lower);
            let foot = lower + 2.2;
            self.canvas.wire(wire.0, &[(ring, foot), (ring, ground), (FAR, ground)]);
            self.number(FAR - 6.5, ground, wire);
            let end = self.end_at(wire, *last);
            symbols::chassis(self.canvas, FAR + 0.9, ground);
            self.far(end, ground, FAR + 8.0);
        }
    }

    fn relay(&mut self, relay: PartId, pole: usize, coil: Option<WireId>, use_of: Use) {
        let [y1, com, low] = [9.5, 22.0, 31.0].map(|dy| self.y + dy);
        let (nc, no) = (com - 4.0, com + 4.0);
        let tag = self.sheet.part(relay).tag.clone();
        if let Some(wire) = coil {
            let (from, to) = (self.sheet.wire(wire).from, self.sheet.wire(wire).to);
            self.canvas.wire(wire.0, &[(NEAR, y1), (IN, y1)]);
            self.near(&[(from, y1)]);
            self.number(NEAR + 3.0, y1, wire);
            let input = self.sheet.end(to);
            self.canvas
                .text(IN, y1 - ABOVE, Anchor::End, Weight::Plain, &input, 18.0);
            symbols::terminal(self.canvas, IN, y1);
        }
        let middle = COIL + 5.0;
        if pole == 0 {
            if coil.is_some() {
                self.canvas.path("l", &[(IN + 0.9, y1), (COIL, y1)]);
            }
            self.canvas.path("l", &[(COIL + 10.0, y1), (SUPPLY, y1)]);
            symbols::coil(self.canvas, COIL, y1);
            symbols::terminal(self.canvas, SUPPLY, y1);
            self.canvas
                .text(middle, y1 + 1.3, Anchor::Middle, Weight::Bold, &tag, 9.6);
            let about = self.sheet.part(relay).about.clone();
            let state = match coil {
                Some(wire) => self.sheet.wire(wire).remark.clone(),
                None => about,
            };
            let text = format!("supply;  {state}");
            self.canvas.say(SUPPLY + 3.0, y1 + 1.3, &text, FAR - SUPPLY - 5.0);
        } else {
            let text = format!("coil of {tag}: with its first contact");
            self.canvas.say(SUPPLY, y1 + 1.3, &text, FAR - SUPPLY - 2.0);
        }
        self.canvas.path("d", &[(middle, y1 + 2.6), (middle, com - 2.2)]);
        symbols::change_over(self.canvas, COM, com);
        let label = match pole {
            0 => tag,
            _ => format!("{tag} contact {}", pole + 1),
        };
        self.canvas.say(COM - 10.0, com + 5.6, &label, 28.0);
        match use_of {
            Use::Closes {
                part,
                no: to_no,
                com: to_com,
            } => {
                self.canvas.wire(to_no.0, &[(THROWN + 0.9, no), (FAR, no)]);
                self.canvas
                    .wire(to_com.0, &[(COM - 0.9, com), (TURN, com), (TURN, low), (FAR, low)]);
                for (wire, y) in [(to_no, no), (to_com, low)] {
                    self.number(STOP, y, wire);
                    let end = self.end_at(wire, part);
                    self.far(end, y, FAR + 3.0);
                }
            }
            Use::Music {
                from,
                into,
                com: to_com,
                nc: to_nc,
                back,
                amplifier,
            } => {
                let start = self.end_at(to_com, from);
                self.canvas.wire(to_com.0, &[(NEAR, com), (COM - 0.9, com)]);
                self.number(NEAR + 3.0, com, to_com);
                let mut near = vec![(start, com)];
                if let Some(wire) = back {
                    self.canvas.wire(wire.0, &[(NEAR, low), (FAR, low)]);
                    self.number(STOP, low, wire);
                    let source = self.sheet.wire(wire).from;
                    if source.part == from {
                        near.push((source, low));
                        self.near(&near);
                    } else {
                        self.near(&near);
                        self.near(&[(source, low)]);
                    }
                    let end = self.end_at(wire, amplifier);
                    self.far(end, low, FAR + 3.0);
                } else {
                    self.near(&near);
                }
                let end = self.end_at(to_nc, into);
                if into == amplifier {
                    self.canvas.wire(to_nc.0, &[(THROWN + 0.9, nc), (FAR, nc)]);
                    self.far(end, nc, FAR + 3.0);
                    self.number(STOP, nc, to_nc);
                } else {
                    self.canvas.wire(to_nc.0, &[(THROWN + 0.9, nc), (STOP - 20.0, nc)]);
                    self.number(STOP - 30.0, nc, to_nc);
                    let text = format!("to {}", self.sheet.end(end));
                    self.canvas
                        .terminal(STOP - 18.0, nc + 1.3, Anchor::Start, &text, FAR - STOP + 16.0);
                }
            }
            Use::Spare => {}
        }
    }

    fn pair(&mut self, near: PartId, far: PartId, pair: [WireId; 2]) {
        let [upper, lower] = [9.5, 16.5].map(|dy| self.y + dy);
        let part = self.sheet.part(far).clone();
        let ends: Vec<(End, f64)> = pair
            .iter()
            .map(|wire| self.end_at(*wire, near))
            .zip([upper, lower])
            .collect();
        self.canvas
            .rect("f", FAR, upper - 5.0, RIGHT - FAR, lower - upper + 5.0 + ROUND);
        for (wire, y) in pair.into_iter().zip([upper, lower]) {
            self.canvas.wire(wire.0, &[(NEAR, y), (FAR, y)]);
            self.number(NEAR + 4.0, y, wire);
            self.number(STOP, y, wire);
            self.remark(NEAR + 15.0, y, wire, STOP - NEAR - 17.0);
            let end = self.end_at(wire, far);
            let text = self.sheet.end(end);
            if part.kind == Kind::Contact {
                self.canvas.path("l", &[(FAR + 0.9, y), (FAR + 22.0, y)]);
                self.canvas.say(FAR + 3.0, y - ABOVE, &text, 20.0);
            } else {
                self.canvas
                    .terminal(FAR + 3.0, y + 1.3, Anchor::Start, &text, RIGHT - FAR - 5.0);
            }
            symbols::terminal(self.canvas, FAR, y);
        }
        self.near(&ends);
        if part.kind == Kind::Contact {
            symbols::make(self.canvas, FAR + 26.0, upper, lower);
        }
    }

    fn supply(&mut self, relays: PartId, wires: &[WireId]) {
        let levels: Vec<f64> = (0..wires.len()).map(|i| self.y + 9.5 + 7.0 * i as f64).collect();
        let ends: Vec<(End, f64)> = wires
            .iter()
            .map(|wire| self.sheet.wire(*wire).from)
            .zip(levels.iter().copied())
            .collect();
        let (Some(top), Some(bottom)) = (levels.first(), levels.last()) else {
            return;
        };
        self.canvas
            .rect("f", FAR, top - ROUND, RIGHT - FAR, bottom - top + 2.0 * ROUND);
        for (wire, y) in wires.iter().zip(&levels) {
            self.canvas.wire(wire.0, &[(NEAR, *y), (FAR, *y)]);
            self.number(NEAR + 4.0, *y, *wire);
            self.remark(NEAR + 15.0, *y, *wire, FAR - NEAR - 17.0);
            let end = self.end_at(*wire, relays);
            let text = self.sheet.end(end);
            self.canvas
                .terminal(FAR + 3.0, y + 1.3, Anchor::Start, &text, RIGHT - FAR - 5.0);
            symbols::terminal(self.canvas, FAR, *y);
        }
        self.near(&ends);
    }
}
