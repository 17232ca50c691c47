//! What is said beside the wires: relay states, assumptions, what to look at.

use super::super::amplifiers::{self, Amplifier, Music};
use super::super::header::BoardLine;
use super::Builder;
use crate::bench::levels::text;
use crate::bench::wiring::header::Board;
use crate::bench::wiring::sheet::{Circuit, End, Kind};
use crate::page::Shown;

/// Lines that a Raspberry Pi pulls up until a program takes them; it pulls all others down (BCM2835 ARM peripherals, table 6-31).
const PULLED_UP: std::ops::RangeInclusive<u32> = 0..=8;

impl Builder<'_> {
    pub(super) fn notes(&mut self, amplifiers: &[Amplifier]) {
        self.states(amplifiers);
        self.assumed(amplifiers);
        self.look_at_lines();
        self.look_at_contacts(amplifiers);
    }

    fn states(&mut self, amplifiers: &[Amplifier]) {
        let mut out = Vec::new();
        out.push(match self.plan.relays.is_empty() {
            true => "No relay: nothing is switched, and the amplifiers are awake by themselves.".to_owned(),
            false => "Drawn at rest: every relay de-energised, as without power, while the board starts, and with the program stopped. COM touches NC."
                .to_owned(),
        });
        if amplifiers.iter().any(|a| !a.triggers.is_empty()) {
            out.push("Trigger relay at rest: amplifier idle. Operated: a page holds a zone of it.".to_owned());
        }
        if amplifiers
            .iter()
            .any(|a| a.music == Music::Relay && !a.mutes.is_empty())
        {
            out.push(
                "Mute relay at rest: the music plays, through COM and NC. Operated: the music is cut off.".to_owned(),
            );
        }
        let shows = |wanted: &dyn Fn(&Shown) -> bool| {
            let mut all = self.plan.relays.iter().filter_map(|relay| relay.rules.shows.as_ref());
            all.any(|shows| wanted(&shows.what))
        };
        if shows(&|what| matches!(what, Shown::Page(_))) {
            out.push("Page lamp operated: a page is on.".to_owned());
        }
        if shows(&|what| matches!(what, Shown::Healthy)) {
            out.push(
                "Health contact operated: the program runs and nothing is missing. At rest: look at it.".to_owned(),
            );
        }
        if shows(&|what| matches!(what, Shown::Fault)) {
            out.push("Fault contact operated: the program runs and something is missing.".to_owned());
        }
        self.sheet.states = out;
    }

    fn assumed(&mut self, amplifiers: &[Amplifier]) {
        let mut out = Vec::new();
        let named = match self.board {
            Board::FortyPin => Some("the board has the 40-pin header of a Raspberry Pi, its lines numbered as GPIO"),
            Board::Other => None,
        };
        let has_lines = self
            .sheet
            .part(self.x)
            .terminals
            .iter()
            .any(|name| name.contains("GPIO"));
        out.extend(named.filter(|_| has_lines).map(str::to_owned));
        let unknown: Vec<String> = self
            .sheet
            .of_kind(Kind::Amplifier)
            .zip(amplifiers)
            .filter(|(_, amplifier)| amplifier.assumed)
            .map(|((_, part), _)| part.tag.clone())
            .collect();
        if !unknown.is_empty() {
            out.push(format!(
                "{}: an amplifier for the zone, its line input 600 ohm, an isolation transformer before it, no pad; [amplifiers.NAME] says it otherwise",
                unknown.join(", ")
            ));
        }
        let unguarded = amplifiers.iter().filter(|a| !a.assumed && !a.transformer);
        let unguarded: Vec<&str> = unguarded.map(|a| a.name.as_str()).collect();
        if !unguarded.is_empty() {
            out.push(format!(
                "{}: no transformer, so card and amplifier stand close together, on one ground; if it hums, put one in (`isolation`)",
                unguarded.join(", ")
            ));
        }
        if amplifiers.iter().any(|a| a.assumed && a.mutes.is_empty()) {
            out.push("an amplifier without a mute relay has no music, or mutes it by itself".to_owned());
        }
        if amplifiers
            .iter()
            .any(|a| a.music == Music::Relay && !a.mutes.is_empty())
        {
            out.push("a music source for each amplifier that is muted by a relay".to_owned());
        }
        let others = [Kind::MusicSource, Kind::LineSource, Kind::Transformer];
        if self.sheet.parts.iter().any(|part| others.contains(&part.kind)) {
            out.push(
                "screens of cables that have no wire number here: connected at one end only, at amplifier or card"
                    .to_owned(),
            );
        }
        if !self.plan.relays.is_empty() {
            out.push("one relay board, its inputs in the order of the config".to_owned());
        }
        self.sheet.assumed = out;
    }

    /// Pins that are taken twice, reserved, or move a relay while the board starts.
    fn look_at_lines(&mut self) {
        let x = self.x;
        let mut crowded = Vec::new();
        for terminal in 0..self.sheet.part(x).terminals.len() {
            let end = End { part: x, terminal };
            let name = self.sheet.terminal(end).to_owned();
            let wires: Vec<String> = self.sheet.wires_at(end).map(|wire| (wire.0 + 1).to_string()).collect();
            let is_supply = ["5 V", "3.3 V", "ground"].iter().any(|word| name.ends_with(word));
            if wires.len() > 1 && is_supply {
                crowded.push(format!("{name} (wires {})", wires.join(", ")));
            } else if wires.len() > 1 {
                let wires = wires.join(" and ");
                self.sheet.look.push(format!(
                    "{name} is taken twice, by wires {wires}: give one of them another line"
                ));
            }
        }
        self.look_at_relay_board();
        if self.board == Board::Other {
            return;
        }
        if !crowded.is_empty() {
            self.sheet.look.push(format!(
                "{}: a pin of the header takes one wire. Join them at a terminal strip, and lead one wire from there to the pin",
                crowded.join("; ")
            ));
        }
        let relays = self.plan.relays.iter().zip(&self.relays).filter_map(|(relay, part)| {
            let line = BoardLine::of_relay(&relay.line)?.on_header()?;
            Some((self.tag(*part), relay.name.as_str(), line, relay.active_low))
        });
        let mut look = Vec::new();
        let relays: Vec<_> = relays.collect();
        for (low, pulls, other) in [
            (true, "down", "0 to 8 (5 and 6 are free on most boards)"),
            (false, "up", "9 to 27"),
        ] {
            let moved = relays
                .iter()
                .filter(|(_, _, line, active_low)| *active_low == low && low != PULLED_UP.contains(line));
            let moved: Vec<String> = moved
                .map(|(tag, name, line, _)| format!("{tag} {name} (GPIO {line})"))
                .collect();
            if moved.is_empty() {
                continue;
            }
            let active = if low { "low" } else { "high" };
            look.push(format!(
                "{}: active {active}, and until the program takes the line a Raspberry Pi pulls it {pulls}, which may operate the relay while the board \
                 starts. A line from {other} avoids it; otherwise switch on and watch: no relay may click and stay",
                moved.join(", ")
            ));
        }
        for (tag, name, line, _) in &relays {
            look.extend(kept(*line).map(|why| format!("{tag} {name}: {why}")));
        }
        let inputs = self.plan.contacts.iter().map(|contact| (&contact.name, &contact.input));
        let inputs = inputs.chain(self.plan.vetoes.iter().map(|veto| (&veto.name, &veto.input)));
        for (name, input) in inputs {
            let line = BoardLine::of_contact(&input.line).and_then(|line| line.on_header());
            match line {
                // 1.8 kohm to 3.3 V stands on the board (its documentation, "GPIO and the 40-pin header").
                Some(line @ (2 | 3)) if !input.closed_low => look.push(format!(
                    "{name}: the board pulls GPIO {line} up for good, so it would always count as closed; take another line, or closed = \"low\""
                )),
                Some(line) => look.extend(kept(line).map(|why| format!("{name}: {why}"))),
                None => {}
            }
        }
        self.sheet.look.extend(look);
    }

    /// One board drives all relays, and most boards are of one polarity.
    fn look_at_relay_board(&mut self) {
        let of = |low: bool| {
            let all = self.plan.relays.iter().zip(&self.relays);
            let wired =
                all.filter(move |(relay, _)| relay.active_low == low && BoardLine::of_relay(&relay.line).is_some());
            let tags: Vec<String> = wired.map(|(_, part)| self.tag(*part)).collect();
            tags.join(", ")
        };
        let (low, high) = (of(true), of(false));
        if !low.is_empty() && !high.is_empty() {
            let board = self.tag(self.relay_board);
            self.sheet.look.push(format!(
                "{board}: {low} operated by low, {high} by high, but most relay boards want one and the same from all inputs. Take one that is set for \
                 each relay, or a second one, or write the same `active` for all"
            ));
        }
    }

    fn look_at_contacts(&mut self, amplifiers: &[Amplifier]) {
        for (relay, needed) in amplifiers::contacts_needed(amplifiers)
            .into_iter()
            .filter(|(_, n)| *n > 1)
        {
            let relay = usize::from(relay);
            let (tag, name) = (self.tag(self.relays[relay]), &self.plan.relays[relay].name);
            let told = match amplifiers.iter().any(|a| a.assumed) {
                true => ". Where it is one amplifier, [amplifiers.NAME] says so",
                false => "",
            };
            let text = format!(
                "{tag} {name} does {needed} things: take a relay with {needed} change-over contacts, or {needed} relays with their inputs joined. \
                 One contact would join circuits that have to stay apart{told}"
            );
            self.sheet.look.push(text);
        }
        for amplifier in amplifiers.iter().filter(|a| !a.assumed) {
            let name = &amplifier.name;
            if let Some(pad) = amplifier.pad.filter(|pad| pad.kind.is_shorted(amplifier.transformer)) {
                let shorted = text::shorted(pad.kind);
                let shorted = shorted.trim_end_matches('.');
                self.sheet.look.push(format!("amplifier {name}: {shorted}"));
            }
            match (amplifier.told, amplifier.mutes.is_empty()) {
                (Music::Relay, true) => self.sheet.look.push(format!(
                    "amplifier {name}: its music is to be muted by a relay, but none of its zones has one in `mute`"
                )),
                (Music::None, false) => self.sheet.look.push(format!(
                    "amplifier {name}: `music` is \"none\", but a zone of it has relays in `mute`; they are drawn as muting its music"
                )),
                _ => {}
            }
        }
        let spare = self.sheet.circuits.iter().filter_map(|circuit| match circuit {
            Circuit::Relay {
                use_of: crate::bench::wiring::sheet::Use::Spare,
                relay,
                ..
            } => Some(*relay),
            _ => None,
        });
        let spare: Vec<String> = spare.map(|part| self.tag(part)).collect();
        if !spare.is_empty() {
            self.sheet
                .look
                .push(format!("{}: no zone names it, and it shows nothing", spare.join(", ")));
        }
    }
}

/// What a line of the header is kept for (Raspberry Pi documentation, "GPIO and the 40-pin header", "UARTs").
fn kept(line: u32) -> Option<String> {
    match line {
        0 | 1 => Some(format!(
            "GPIO {line} is for add-on boards that say what they are; take another line"
        )),
        14 => Some(
            "GPIO 14 is the serial console's output where that is on, idles high, and moves while the board starts; take another line, or switch the \
             console off"
                .to_owned(),
        ),
        15 => Some(
            "GPIO 15 is the serial console's input where that is on; take another line, or switch the console off".to_owned(),
        ),
        _ => None,
    }
}
