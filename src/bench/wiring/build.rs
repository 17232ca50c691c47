//! From the plan to parts and wires.

use std::collections::BTreeMap;

use super::amplifiers::{self, Amplifier, Music};
use super::header::{Board, BoardLine};
use super::sheet::{Circuit, End, Kind, Part, PartId, Sheet, Use, Wire, WireId};
use crate::config::plan::Plan;
use crate::page::{RelayId, ZoneId};
use crate::report::text::plural;

mod board;
mod notes;

const JUMPER: &str = "jumper wire";
const PAIR: &str = "pair, 0.25 mm² or more";
const SCREENED: &str = "screened pair";

/// The wiring of a plan. `date` is printed as it is given.
pub fn sheet(plan: &Plan, board: Board, date: Option<&str>) -> Sheet {
    let mut builder = Builder::new(plan, board, date);
    let amplifiers = amplifiers::amplifiers(plan);
    for amplifier in &amplifiers {
        builder.amplifier(amplifier);
    }
    builder.inputs();
    builder.indicators();
    builder.contacts();
    builder.supply();
    builder.notes(&amplifiers);
    builder.sheet
}

struct Builder<'a> {
    plan: &'a Plan,
    sheet: Sheet,
    board: Board,
    /// The part for the board's lines.
    x: PartId,
    /// By relay.
    relays: Vec<PartId>,
    relay_board: PartId,
    /// Contacts of each relay that are wired.
    poles: Vec<usize>,
    /// Wires of contacts at ground and supply pins of the header.
    taken: BTreeMap<u8, usize>,
    outputs: Vec<(usize, PartId)>,
    captures: Vec<(usize, PartId)>,
}

impl<'a> Builder<'a> {
    fn new(plan: &'a Plan, board: Board, date: Option<&str>) -> Self {
        let sheet = Sheet {
            site: plan.site.clone(),
            date: date.map(str::to_owned),
            has_header: board == Board::FortyPin,
            parts: Vec::new(),
            wires: Vec::new(),
            circuits: Vec::new(),
            states: Vec::new(),
            assumed: Vec::new(),
            look: Vec::new(),
        };
        let mut builder = Builder {
            plan,
            sheet,
            board,
            x: PartId(0),
            relays: Vec::new(),
            relay_board: PartId(0),
            poles: vec![0; plan.relays.len()],
            taken: BTreeMap::new(),
            outputs: Vec::new(),
            captures: Vec::new(),
        };
        let about = match board {
            Board::FortyPin => "40-pin header of the board; pin 1 is the square one",
            Board::Other => "lines of the board; its papers say which pin each one is on",
        };
        builder.x = builder.part(Kind::Board, "", about);
        if !plan.relays.is_empty() {
            let relays = plural(plan.relays.len(), "relay");
            let about = format!("{relays}, change-over contacts, inputs for 3.3 V logic; input n drives relay Kn");
            builder.relay_board = builder.part(Kind::RelayBoard, "", &about);
        }
        for relay in &plan.relays {
            let level = if relay.active_low { "low" } else { "high" };
            let line = match BoardLine::of_relay(&relay.line) {
                Some(line) => format!("{}, operated while it is {level}", line.name()),
                None => "simulated: no line".to_owned(),
            };
            let part = builder.part(Kind::Relay, &relay.name, &line);
            builder.relays.push(part);
        }
        builder
    }

    fn part(&mut self, kind: Kind, name: &str, about: &str) -> PartId {
        let letter = kind.letter();
        let n = self
            .sheet
            .parts
            .iter()
            .filter(|part| part.kind.letter() == letter)
            .count();
        self.sheet.parts.push(Part {
            tag: format!("{letter}{}", n + 1),
            kind,
            name: name.to_owned(),
            about: about.to_owned(),
            terminals: Vec::new(),
        });
        PartId(self.sheet.parts.len() - 1)
    }

    /// The terminal of that name, made if it is not there.
    fn end(&mut self, part: PartId, terminal: &str) -> End {
        let terminals = &mut self.sheet.parts[part.0].terminals;
        let at = terminals.iter().position(|name| name == terminal).unwrap_or_else(|| {
            terminals.push(terminal.to_owned());
            terminals.len() - 1
        });
        End { part, terminal: at }
    }

    fn wire(&mut self, from: End, to: End, conductor: &str, remark: &str) -> WireId {
        self.sheet.wires.push(Wire {
            from,
            to,
            conductor: conductor.to_owned(),
            remark: remark.to_owned(),
        });
        WireId(self.sheet.wires.len() - 1)
    }

    fn tag(&self, part: PartId) -> String {
        self.sheet.part(part).tag.clone()
    }

    fn zone_names(&self, zones: &[ZoneId]) -> String {
        let zones = zones.iter().filter_map(|id| self.plan.zones.get(usize::from(id.0)));
        zones.map(|zone| zone.name.as_str()).collect::<Vec<&str>>().join(", ")
    }

    fn amplifier(&mut self, amplifier: &Amplifier) {
        let zones = self.zone_names(&amplifier.zones);
        let serves = if zones == amplifier.name {
            "serves the zone of this name".to_owned()
        } else {
            format!("serves {zones}")
        };
        let about = [serves.as_str(), amplifier.about.as_str()]
            .into_iter()
            .filter(|text| !text.is_empty())
            .collect::<Vec<&str>>()
            .join("; ");
        let part = self.part(Kind::Amplifier, &amplifier.name, &about);
        for zone in &amplifier.zones {
            self.line(part, amplifier, *zone);
        }
        let several = amplifier.triggers.len() > 1;
        for relay in &amplifier.triggers {
            let named = if several { "trigger by" } else { "trigger" };
            self.closes(*relay, part, named, several, "closed for the whole page");
        }
        match amplifier.music {
            Music::Relay => self.music(part, amplifier),
            Music::Own => {
                let several = amplifier.mutes.len() > 1;
                for relay in &amplifier.mutes {
                    let named = if several { "mute by" } else { "mute" };
                    self.closes(*relay, part, named, several, "closed while its music is to be silent");
                }
            }
            Music::None => {}
        }
    }

    fn line(&mut self, part: PartId, amplifier: &Amplifier, zone: ZoneId) {
        let Some(at) = self.plan.zones.get(usize::from(zone.0)) else {
            return;
        };
        let card = self.output(at.card);
        let channels = self.plan.cards[at.card].channels;
        let (channel, plug) = (channel(at.channel, channels), plug(channels));
        let title = format!(
            "{} to {}: line output of zone {}",
            self.tag(card),
            self.tag(part),
            at.name
        );
        let mut hops = vec![Hop::new(
            card,
            [&format!("{channel}, signal"), &format!("{channel}, return")],
            None,
        )];
        if amplifier.transformer {
            let t = self.part(Kind::Transformer, "", "isolation transformer for audio, 600 to 600 ohm");
            let secondary = ["secondary 1", "secondary 2"];
            hops.push(Hop::new(t, ["primary 1", "primary 2"], Some(secondary)));
        }
        if let Some(pad) = &amplifier.pad {
            let r = self.part(
                Kind::Pad,
                &pad.to_string(),
                "at the amplifier's terminals; `hornwire levels` tells its resistors",
            );
            hops.push(Hop::new(r, ["in 1", "in 2"], Some(["out 1", "out 2"])));
        }
        let of = match amplifier.zones.len() {
            1 => String::new(),
            _ => format!(" {}", at.name),
        };
        let inputs = [format!("line input{of} +"), format!("line input{of} −")];
        hops.push(Hop::new(part, [&inputs[0], &inputs[1]], None));
        let run = match &amplifier.cable {
            Some(cable) => format!("{SCREENED}, {cable}"),
            None => SCREENED.to_owned(),
        };
        // The long way begins at the transformer, which stands beside the card, and ends at the pad, which sits at the amplifier.
        let long = usize::from(amplifier.transformer);
        let mut pairs = Vec::new();
        for (i, pair) in hops.windows(2).enumerate() {
            let [from, to] = [&pair[0], &pair[1]];
            let (conductor, remark) = match i {
                i if i == long && amplifier.transformer => (run.as_str(), ""),
                i if i == long => (run.as_str(), plug),
                i if i < long => (SCREENED, plug),
                _ => ("short leads", ""),
            };
            pairs.push([0, 1].map(|side| {
                let (from, to) = (
                    self.end(from.part, &from.outlet[side]),
                    self.end(to.part, &to.inlet[side]),
                );
                let remark = if side == 0 { remark } else { "" };
                self.wire(from, to, conductor, remark)
            }));
        }
        let begins = self.tag(hops[long].part);
        let w = self.part(
            Kind::Cable,
            "",
            &format!("screened pair from {begins} to {}", self.tag(part)),
        );
        let (from, to) = (self.end(w, "screen"), self.end(part, &format!("chassis{of}")));
        let remark = format!("at this end only; at {begins} cut it back and insulate it");
        let screen = self.wire(from, to, "the cable's screen", &remark);
        self.sheet.circuits.push(Circuit::Line {
            title,
            amplifier: part,
            chain: hops.iter().map(|hop| hop.part).collect(),
            pairs,
            screen: Some(screen),
        });
    }

    /// The next free contact of a relay, and the wire of its coil if that is not there yet.
    fn contact(&mut self, relay: RelayId) -> (PartId, usize, Option<WireId>) {
        let index = usize::from(relay.0);
        let (part, pole) = (self.relays[index], self.poles[index]);
        self.poles[index] += 1;
        let coil = (pole == 0).then(|| self.coil(index)).flatten();
        (part, pole, coil)
    }

    /// `COM`, or of a second contact `COM of contact 2`.
    fn contact_end(&mut self, part: PartId, pole: usize, name: &str) -> End {
        match pole {
            0 => self.end(part, name),
            _ => self.end(part, &format!("{name} of contact {}", pole + 1)),
        }
    }

    fn closes(&mut self, relay: RelayId, part: PartId, terminal: &str, several: bool, remark: &str) {
        let (k, pole, coil) = self.contact(relay);
        let tag = self.tag(k);
        let named = if several {
            format!("{terminal} {tag}")
        } else {
            terminal.to_owned()
        };
        let comma = if several { "," } else { "" };
        let [a, b] = ["1", "2"].map(|n| format!("{named}{comma} {n}"));
        let (no, com) = (self.contact_end(k, pole, "NO"), self.contact_end(k, pole, "COM"));
        let (a, b) = (self.end(part, &a), self.end(part, &b));
        let no = self.wire(no, a, PAIR, remark);
        let com = self.wire(com, b, PAIR, "");
        let name = &self.plan.relays[usize::from(relay.0)].name;
        let title = format!("{tag} {name}: {named} of {}", self.tag(part));
        self.sheet.circuits.push(Circuit::Relay {
            title,
            relay: k,
            pole,
            coil,
            use_of: Use::Closes { part, no, com },
        });
    }

    fn music(&mut self, part: PartId, amplifier: &Amplifier) {
        let source = self.part(Kind::MusicSource, "", &format!("music for {}", self.tag(part)));
        let mut from = (source, self.end(source, "out +"));
        let last = amplifier.mutes.len().saturating_sub(1);
        let mut next: Vec<(RelayId, PartId, usize, Option<WireId>)> = Vec::new();
        for relay in &amplifier.mutes {
            let (k, pole, coil) = self.contact(*relay);
            next.push((*relay, k, pole, coil));
        }
        let mut arriving = None;
        for (i, (relay, k, pole, coil)) in next.iter().enumerate() {
            let com_end = self.contact_end(*k, *pole, "COM");
            let com = arriving.unwrap_or_else(|| self.wire(from.1, com_end, SCREENED, "music, always there"));
            let nc_end = self.contact_end(*k, *pole, "NC");
            let (into, nc, back) = if i == last {
                let plus = self.end(part, "music input +");
                let nc = self.wire(nc_end, plus, SCREENED, "at rest the music plays");
                let (minus, out) = (self.end(part, "music input −"), self.end(source, "out −"));
                (part, nc, Some(self.wire(out, minus, SCREENED, "not switched")))
            } else {
                let (_, following, pole, _) = next[i + 1];
                let com = self.contact_end(following, pole, "COM");
                (
                    following,
                    self.wire(nc_end, com, SCREENED, "on to the next relay"),
                    None,
                )
            };
            let title = format!(
                "{} {}: mutes the music of {}",
                self.tag(*k),
                self.plan.relays[usize::from(relay.0)].name,
                self.tag(part)
            );
            self.sheet.circuits.push(Circuit::Relay {
                title,
                relay: *k,
                pole: *pole,
                coil: *coil,
                use_of: Use::Music {
                    from: from.0,
                    into,
                    com,
                    nc,
                    back,
                    amplifier: part,
                },
            });
            arriving = Some(nc);
            from = (*k, nc_end);
        }
    }
}

/// A part on the way of a pair.
struct Hop {
    part: PartId,
    inlet: [String; 2],
    outlet: [String; 2],
}

impl Hop {
    /// Without an outlet of its own, the pair ends or begins here.
    fn new(part: PartId, inlet: [&str; 2], outlet: Option<[&str; 2]>) -> Self {
        Hop {
            part,
            inlet: inlet.map(str::to_owned),
            outlet: outlet.unwrap_or(inlet).map(str::to_owned),
        }
    }
}

/// `channel 1 (left)`.
fn channel(index: usize, channels: usize) -> String {
    let side = match (channels, index) {
        (2, 0) => " (left)",
        (2, 1) => " (right)",
        _ => "",
    };
    format!("channel {}{side}", index + 1)
}

/// How a small plug carries that many channels: common practice.
fn plug(channels: usize) -> &'static str {
    match channels {
        1 => "3.5 mm plug: tip, sleeve the return",
        2 => "3.5 mm plug: tip left, ring right, sleeve the return of both",
        _ => "",
    }
}
