//! The board's side: lines, supply, contacts, cards, indicators.

use super::super::header::{BoardLine, Pin, pin_of, pins};
use super::{Builder, JUMPER, PAIR, SCREENED, channel, plug};
use crate::bench::wiring::header::Board;
use crate::bench::wiring::sheet::{Circuit, End, Kind, PartId, Use, WireId};
use crate::config::plan::{AudioDevice, InputLine};
use crate::page::{RelayId, Shown};

/// Left to the relay board.
const RELAY_5V: u8 = 2;
const RELAY_GROUND: u8 = 6;
const RELAY_3V: u8 = 1;

impl Builder<'_> {
    /// The terminal of a board's line.
    fn line_end(&mut self, line: &BoardLine) -> End {
        let pin = line.on_header().filter(|_| self.board == Board::FortyPin);
        let name = match pin.and_then(|line| Some((pin_of(line)?, line))) {
            Some((pin, line)) => format!("pin {pin}, GPIO {line}"),
            None => line.name(),
        };
        self.end(self.x, &name)
    }

    fn supply_end(&mut self, kind: Pin, pin: u8) -> End {
        let name = match self.board {
            Board::FortyPin => format!("pin {pin}, {}", kind.name()),
            Board::Other => kind.name(),
        };
        self.end(self.x, &name)
    }

    pub(super) fn coil(&mut self, relay: usize) -> Option<WireId> {
        let plan = self.plan.relays.get(relay)?;
        let line = BoardLine::of_relay(&plan.line)?;
        let remark = match plan.active_low {
            true => "low = operated (active low)",
            false => "high = operated (active high)",
        };
        let from = self.line_end(&line);
        let to = self.end(self.relay_board, &format!("IN{}", relay + 1));
        Some(self.wire(from, to, JUMPER, remark))
    }

    pub(super) fn output(&mut self, card: usize) -> PartId {
        if let Some((_, part)) = self.outputs.iter().find(|(of, _)| *of == card) {
            return *part;
        }
        let of = &self.plan.cards[card];
        let part = self.part(Kind::CardOutput, &of.name, &device(&of.output));
        self.outputs.push((card, part));
        part
    }

    fn capture(&mut self, capture: usize) -> PartId {
        if let Some((_, part)) = self.captures.iter().find(|(of, _)| *of == capture) {
            return *part;
        }
        let about = device(&self.plan.captures[capture].input);
        let part = self.part(Kind::CardInput, "", &about);
        self.captures.push((capture, part));
        part
    }

    /// What is captured: line inputs, and music through the board.
    pub(super) fn inputs(&mut self) {
        let plan = self.plan;
        for input in &plan.inputs {
            let about = "line output of a mixer or another system, voice-operated start";
            let far = self.part(Kind::LineSource, &input.name, about);
            self.captured(
                input.capture,
                input.channel,
                far,
                &format!("line input {}", input.name),
                "out",
            );
        }
        for music in &plan.music {
            let far = self.part(Kind::MusicSource, &music.name, "music through the board");
            for channel in &music.channels {
                let of = match (music.channels.len(), channel) {
                    (2, 0) => "out left",
                    (2, 1) => "out right",
                    _ => "out",
                };
                self.captured(music.capture, *channel, far, &format!("music {}", music.name), of);
            }
        }
    }

    fn captured(&mut self, capture: usize, at: usize, far: PartId, what: &str, out: &str) {
        let near = self.capture(capture);
        let channel = channel(at, self.plan.captures[capture].channels);
        let title = format!("{} to {}: {what}", self.tag(far), self.tag(near));
        let plug = plug(self.plan.captures[capture].channels);
        let ends = [
            ("signal", "+", plug),
            ("return", "−", "through a transformer where the grounds differ"),
        ];
        let pair = ends.map(|(side, sign, remark)| {
            let from = self.end(far, &format!("{out} {sign}"));
            let to = self.end(near, &format!("{channel}, {side}"));
            self.wire(from, to, SCREENED, remark)
        });
        self.sheet.circuits.push(Circuit::Pair { title, near, far, pair });
    }

    /// Relays that show something, and those that nobody names.
    pub(super) fn indicators(&mut self) {
        let plan = self.plan;
        for (id, relay) in (0..=u16::MAX).map(RelayId).zip(&plan.relays) {
            let Some(shows) = &relay.rules.shows else {
                if self.poles[usize::from(id.0)] == 0 {
                    let (part, pole, coil) = self.contact(id);
                    let title = format!("{} {}: no zone names it", self.tag(part), relay.name);
                    let use_of = Use::Spare;
                    self.sheet.circuits.push(Circuit::Relay {
                        title,
                        relay: part,
                        pole,
                        coil,
                        use_of,
                    });
                }
                continue;
            };
            let (about, remark) = match &shows.what {
                Shown::Page(zones) if zones.len() == plan.zones.len() => {
                    ("lamp: a page is on".to_owned(), "closed during a page")
                }
                Shown::Page(zones) => (
                    format!("lamp: a page is on in {}", self.zone_names(zones)),
                    "closed during a page",
                ),
                Shown::Healthy => (
                    "panel: closed while all is well, open without power".to_owned(),
                    "a panel that wants it closed at a fault takes NC",
                ),
                Shown::Fault => ("lamp or panel: something is missing".to_owned(), "closed at a fault"),
            };
            let about = format!("{about}; its own low-voltage supply");
            let part = self.part(Kind::Indicator, &relay.name, &about);
            self.closes(id, part, "loop", false, remark);
        }
    }

    pub(super) fn contacts(&mut self) {
        let plan = self.plan;
        for contact in &plan.contacts {
            let about = "contact without voltage: bell, push button";
            self.dry(&contact.name, &contact.input, about, "contact");
        }
        for veto in &plan.vetoes {
            let zones = self.zone_names(&veto.zones);
            let about = format!("relay contact of another system, closed while it has {zones}");
            self.dry(&veto.name, &veto.input, &about, "veto");
        }
    }

    fn dry(&mut self, name: &str, input: &InputLine, about: &str, what: &str) {
        let Some(line) = BoardLine::of_contact(&input.line) else {
            self.part(Kind::Contact, name, "a file stands for it: nothing to wire");
            return;
        };
        let far = self.part(Kind::Contact, name, about);
        let title = format!("{} {what} {name}", self.tag(far));
        let from = self.line_end(&line);
        let kind = if input.closed_low { Pin::Ground } else { Pin::Volts3 };
        let near = line.on_header().and_then(pin_of).unwrap_or(1);
        let common = self.nearest(kind, near);
        let common = self.supply_end(kind, common);
        let [one, two] = ["1", "2"].map(|name| self.end(far, name));
        let remark = match input.closed_low {
            true => "closed = low; the board pulls it up",
            false => "closed = high; the board pulls it down",
        };
        let pair = [self.wire(from, one, PAIR, remark), self.wire(common, two, PAIR, "")];
        let near = self.x;
        self.sheet.circuits.push(Circuit::Pair { title, near, far, pair });
    }

    /// The nearest of those pins of a kind that have the fewest wires.
    fn nearest(&mut self, kind: Pin, to: u8) -> u8 {
        let reserved = [RELAY_5V, RELAY_GROUND, RELAY_3V];
        let feeds = self.feeds_relays();
        let rank = |pin: &u8| {
            let contacts = self.taken.get(pin).copied().unwrap_or_default();
            let relays = usize::from(feeds && reserved.contains(pin));
            (contacts + relays, pin.abs_diff(to))
        };
        let pin = pins(kind).min_by_key(rank).unwrap_or(RELAY_GROUND);
        *self.taken.entry(pin).or_default() += 1;
        pin
    }

    fn feeds_relays(&self) -> bool {
        let mut lines = self.plan.relays.iter().map(|relay| &relay.line);
        lines.any(|line| BoardLine::of_relay(line).is_some())
    }

    /// Feeds the relay board, where any of its inputs is wired.
    pub(super) fn supply(&mut self) {
        if !self.feeds_relays() {
            return;
        }
        let relays = self.plan.relays.len();
        let coils = match relays {
            0..=4 => "about 75 mA a relay",
            _ => "about 75 mA a relay; many of them: own supply, grounds joined",
        };
        let b = self.relay_board;
        let (volts5, ground, volts3) = (
            self.supply_end(Pin::Volts5, RELAY_5V),
            self.supply_end(Pin::Ground, RELAY_GROUND),
            self.supply_end(Pin::Volts3, RELAY_3V),
        );
        let ends = [
            (volts5, "coil 5 V", coils),
            (ground, "ground", ""),
            (
                volts3,
                "logic 3.3 V",
                "inputs with their own supply only; take the 5 V jumper out",
            ),
        ];
        let wires: Vec<WireId> = ends
            .into_iter()
            .map(|(from, to, remark)| {
                let to = self.end(b, to);
                self.wire(from, to, JUMPER, remark)
            })
            .collect();
        let title = format!("supply of the relay board {}", self.tag(b));
        self.sheet.circuits.push(Circuit::Supply {
            title,
            board: self.x,
            relays: b,
            wires,
        });
    }
}

fn device(device: &AudioDevice) -> String {
    match device {
        AudioDevice::Alsa(name) => name.clone(),
        AudioDevice::Wav(path) => format!("a file stands for it: {}", path.display()),
        AudioDevice::Null => "nothing stands for it: a trial".to_owned(),
    }
}
