//! What is connected, and what stands where on the paper.
#![allow(clippy::disallowed_methods)]

use std::collections::{BTreeMap, BTreeSet};

use proptest::prelude::*;

use super::drawing::canvas::{Canvas, Segment};
use super::drawing::{HEIGHT, MARGIN, WIDTH, pages};
use super::header::pin_of;
use super::*;
use crate::bench::examples::{SHIPPED, read, shipped};
use crate::config::plan::{ContactLine, Plan, RelayLine};
use crate::report::text::escape;

/// Zephyr's devicetree binding raspberrypi-40pins-header; odd pins left, even ones right. The same in the Raspberry Pi documentation.
const PUBLISHED: [(&str, &str); 20] = [
    ("3V3", "5V"),
    ("GPIO2", "5V"),
    ("GPIO3", "GND"),
    ("GPIO4", "GPIO14"),
    ("GND", "GPIO15"),
    ("GPIO17", "GPIO18"),
    ("GPIO27", "GND"),
    ("GPIO22", "GPIO23"),
    ("3V3", "GPIO24"),
    ("GPIO10", "GND"),
    ("GPIO9", "GPIO25"),
    ("GPIO11", "GPIO8"),
    ("GND", "GPIO7"),
    ("GPIO0", "GPIO1"),
    ("GPIO5", "GND"),
    ("GPIO6", "GPIO12"),
    ("GPIO13", "GND"),
    ("GPIO19", "GPIO16"),
    ("GPIO26", "GPIO20"),
    ("GND", "GPIO21"),
];

#[test]
fn the_header_is_as_published() {
    let word = |pin: Pin| match pin {
        Pin::Volts5 => "5V".to_owned(),
        Pin::Volts3 => "3V3".to_owned(),
        Pin::Ground => "GND".to_owned(),
        Pin::Line(n) => format!("GPIO{n}"),
    };
    let ours: Vec<String> = HEADER.into_iter().map(word).collect();
    let published: Vec<&str> = PUBLISHED.iter().flat_map(|(odd, even)| [*odd, *even]).collect();
    assert_eq!(ours, published);
    // From the same tables, the ones that an installer knows by heart.
    assert_eq!([17, 27, 22, 5, 6].map(pin_of), [11, 13, 15, 29, 31].map(Some));
    assert_eq!(pin_of(28), None);
}

fn drawn(plan: &Plan) -> Sheet {
    sheet(plan, Board::guessed(plan), Some("2027-03-02"))
}

/// Which terminals are joined while these relays are operated.
struct Net<'a> {
    sheet: &'a Sheet,
    joined: BTreeMap<End, BTreeSet<End>>,
}

impl<'a> Net<'a> {
    fn new(sheet: &'a Sheet, operated: &[&str]) -> Self {
        let mut net = Net {
            sheet,
            joined: BTreeMap::new(),
        };
        for wire in &sheet.wires {
            net.join(wire.from, wire.to);
        }
        for (id, relay) in sheet.of_kind(Kind::Relay) {
            let other = if operated.contains(&relay.name.as_str()) {
                "NO"
            } else {
                "NC"
            };
            for (i, name) in relay.terminals.iter().enumerate() {
                let thrown = name.replacen("COM", other, 1);
                if let (true, Some(to)) = (
                    name.starts_with("COM"),
                    relay.terminals.iter().position(|t| *t == thrown),
                ) {
                    net.join(End { part: id, terminal: i }, End { part: id, terminal: to });
                }
            }
        }
        net
    }

    fn join(&mut self, a: End, b: End) {
        self.joined.entry(a).or_default().insert(b);
        self.joined.entry(b).or_default().insert(a);
    }

    fn reached(&self, from: End) -> BTreeSet<End> {
        let mut found = BTreeSet::from([from]);
        let mut left = vec![from];
        while let Some(end) = left.pop() {
            for next in self.joined.get(&end).into_iter().flatten() {
                if found.insert(*next) {
                    left.push(*next);
                }
            }
        }
        found
    }

    fn are_joined(&self, a: End, b: End) -> bool {
        self.reached(a).contains(&b)
    }

    /// Through transformers and pads too, from `primary 1` to `secondary 1`, `in 1` to `out 1`.
    fn amplifier_of(&self, from: End) -> Vec<End> {
        let mut ends = self.reached(from);
        loop {
            let more: BTreeSet<End> = ends
                .iter()
                .filter_map(|end| self.across(*end))
                .flat_map(|end| self.reached(end))
                .collect();
            if more.is_subset(&ends) {
                break;
            }
            ends.extend(more);
        }
        let is_input = |end: &End| {
            self.sheet.part(end.part).kind == Kind::Amplifier && self.sheet.terminal(*end).starts_with("line input")
        };
        ends.into_iter().filter(is_input).collect()
    }

    fn across(&self, end: End) -> Option<End> {
        let name = self.sheet.terminal(end);
        let other = [("primary", "secondary"), ("in ", "out ")]
            .into_iter()
            .find_map(|(from, to)| name.starts_with(from).then(|| name.replacen(from, to, 1)))?;
        find(self.sheet, end.part, &other)
    }
}

fn find(sheet: &Sheet, part: PartId, terminal: &str) -> Option<End> {
    let at = sheet.part(part).terminals.iter().position(|name| name == terminal)?;
    Some(End { part, terminal: at })
}

fn ends_of<'a>(sheet: &'a Sheet, part: PartId, begins: &'a str) -> impl Iterator<Item = End> + 'a {
    let terminals = sheet.part(part).terminals.iter().enumerate();
    terminals
        .filter(move |(_, name)| name.starts_with(begins))
        .map(move |(terminal, _)| End { part, terminal })
}

/// All that must hold of a plan's wiring.
fn check(plan: &Plan) {
    let sheet = drawn(plan);
    relays_are_there_once(plan, &sheet);
    zones_reach_their_amplifier(plan, &sheet);
    music_and_triggers_are_as_the_relays_say(plan, &sheet);
    no_terminal_is_taken_twice(&sheet);
    contacts_are_there_once(plan, &sheet);
    every_wire_is_drawn(&sheet);
    for page in pages(&sheet) {
        looks_right(&page);
    }
}

fn relays_are_there_once(plan: &Plan, sheet: &Sheet) {
    assert_eq!(sheet.of_kind(Kind::Relay).count(), plan.relays.len());
    for (i, relay) in plan.relays.iter().enumerate() {
        let found: Vec<&Part> = sheet
            .of_kind(Kind::Relay)
            .map(|(_, p)| p)
            .filter(|p| p.name == relay.name)
            .collect();
        assert_eq!(found.len(), 1, "{}", relay.name);
        assert_eq!(found[0].tag, format!("K{}", i + 1));
        let board = sheet.of_kind(Kind::RelayBoard).next().unwrap().0;
        let input = find(sheet, board, &format!("IN{}", i + 1));
        if relay.line == RelayLine::Simulated {
            assert_eq!(input, None);
            continue;
        }
        let wires: Vec<WireId> = sheet.wires_at(input.unwrap()).collect();
        assert_eq!(wires.len(), 1, "{}", relay.name);
        let level = if relay.active_low {
            "low = operated (active low)"
        } else {
            "high = operated (active high)"
        };
        assert_eq!(sheet.wire(wires[0]).remark, level);
        let drawn = sheet.circuits.iter().filter(|c| c.wires().contains(&wires[0]));
        assert_eq!(drawn.count(), 1);
    }
}

fn zones_reach_their_amplifier(plan: &Plan, sheet: &Sheet) {
    let net = Net::new(sheet, &[]);
    let mut inputs = BTreeSet::new();
    for (i, zone) in plan.zones.iter().enumerate() {
        let card = &plan.cards[zone.card].name;
        let (card, _) = sheet
            .of_kind(Kind::CardOutput)
            .find(|(_, part)| part.name == *card)
            .unwrap();
        let begins = format!("channel {}", zone.channel + 1);
        let ends: Vec<End> = ends_of(sheet, card, &begins).collect();
        assert_eq!(ends.len(), 2, "{}", zone.name);
        let mut reached = Vec::new();
        for (end, sign) in ends.into_iter().zip(["+", "−"]) {
            let found = net.amplifier_of(end);
            assert_eq!(found.len(), 1, "{}", zone.name);
            assert!(sheet.terminal(found[0]).ends_with(sign));
            assert!(
                inputs.insert(found[0]),
                "{} has an input that another zone has",
                zone.name
            );
            reached.push(found[0].part);
        }
        assert_eq!(reached[0], reached[1]);
        let amplifier = sheet.part(reached[0]);
        let told = plan
            .amplifiers
            .iter()
            .find(|a| a.zones.iter().any(|id| usize::from(id.0) == i));
        assert_eq!(&amplifier.name, told.map_or(&zone.name, |a| &a.name));
    }
}

fn music_and_triggers_are_as_the_relays_say(plan: &Plan, sheet: &Sheet) {
    let named: Vec<&str> = plan.relays.iter().map(|relay| relay.name.as_str()).collect();
    let (rest, all) = (Net::new(sheet, &[]), Net::new(sheet, &named));
    for (part, amplifier) in sheet.of_kind(Kind::Amplifier) {
        for end in ends_of(sheet, part, "trigger").filter(|end| sheet.terminal(*end).ends_with('1')) {
            let other = End {
                terminal: end.terminal + 1,
                ..end
            };
            assert!(!rest.are_joined(end, other), "{}: triggered at rest", amplifier.name);
            assert!(all.are_joined(end, other), "{}: not triggered", amplifier.name);
        }
        let muted: BTreeSet<&str> = sheet
            .circuits
            .iter()
            .filter_map(|circuit| match circuit {
                Circuit::Relay {
                    relay,
                    use_of: Use::Music { amplifier, .. },
                    ..
                } if *amplifier == part => Some(sheet.part(*relay).name.as_str()),
                _ => None,
            })
            .collect();
        let Some(input) = find(sheet, part, "music input +") else {
            assert!(muted.is_empty());
            continue;
        };
        let plays = |net: &Net<'_>| {
            net.reached(input)
                .iter()
                .any(|end| sheet.part(end.part).kind == Kind::MusicSource)
        };
        assert!(plays(&rest), "{}: no music at rest", amplifier.name);
        for relay in muted {
            assert!(
                !plays(&Net::new(sheet, &[relay])),
                "{}: {relay} does not mute",
                amplifier.name
            );
        }
    }
    // Music takes NC, everything else NO, and no contact both.
    for (part, relay) in sheet.of_kind(Kind::Relay) {
        for end in ends_of(sheet, part, "NC") {
            assert_eq!(
                find(sheet, part, &sheet.terminal(end).replacen("NC", "NO", 1)),
                None,
                "{}",
                relay.name
            );
        }
    }
}

fn no_terminal_is_taken_twice(sheet: &Sheet) {
    for (i, part) in sheet.parts.iter().enumerate() {
        for (terminal, name) in part.terminals.iter().enumerate() {
            let end = End {
                part: PartId(i),
                terminal,
            };
            let count = sheet.wires_at(end).count();
            // Of another board nobody knows how many pins of ground it has.
            let is_supply = !sheet.has_header && ["5 V", "3.3 V", "ground"].contains(&name.as_str());
            let is_told = sheet.look.iter().any(|text| {
                text.contains(&format!("{name} is taken twice")) || text.contains(&format!("{name} (wires"))
            });
            assert!(
                count == 1 || part.kind == Kind::Board && (is_supply || is_told),
                "{} {name}: {count}",
                part.tag
            );
        }
    }
}

fn contacts_are_there_once(plan: &Plan, sheet: &Sheet) {
    let contacts = plan.contacts.iter().map(|contact| (&contact.name, &contact.input));
    let vetoes = plan.vetoes.iter().map(|veto| (&veto.name, &veto.input));
    let all: Vec<_> = contacts.chain(vetoes).collect();
    assert_eq!(sheet.of_kind(Kind::Contact).count(), all.len());
    for ((name, input), (part, drawn)) in all.into_iter().zip(sheet.of_kind(Kind::Contact)) {
        assert_eq!(drawn.name, *name);
        if matches!(input.line, ContactLine::File(_)) {
            assert!(drawn.terminals.is_empty());
            continue;
        }
        let far = |name: &str| {
            let end = find(sheet, part, name).unwrap();
            let wire = sheet.wires_at(end).next().unwrap();
            sheet.far_end(wire, end)
        };
        let common = sheet.terminal(far("2"));
        assert!(
            common.ends_with(if input.closed_low { "ground" } else { "3.3 V" }),
            "{name}: {common}"
        );
        assert_ne!(far("1"), far("2"));
    }
}

fn every_wire_is_drawn(sheet: &Sheet) {
    let mut times = BTreeMap::new();
    for wire in sheet.circuits.iter().flat_map(Circuit::wires) {
        *times.entry(wire.0).or_insert(0) += 1;
    }
    for i in 0..sheet.wires.len() {
        let leads_on = sheet.wires[i].remark == "on to the next relay";
        assert_eq!(times.get(&i), Some(if leads_on { &2 } else { &1 }), "wire {}", i + 1);
    }
}

/// Nothing overlaps, nothing leaves the page, no wire crosses or touches another, none runs through a text.
fn looks_right(page: &Canvas) {
    let inside = |x: f64, y: f64| (MARGIN..=WIDTH - MARGIN).contains(&x) && (MARGIN..=HEIGHT - MARGIN).contains(&y);
    for (i, text) in page.texts.iter().enumerate() {
        assert!(
            inside(text.left, text.top) && inside(text.right, text.bottom),
            "{text:?}"
        );
        for other in &page.texts[i + 1..] {
            let apart = text.right <= other.left
                || other.right <= text.left
                || text.bottom <= other.top
                || other.bottom <= text.top;
            assert!(apart, "{text:?}\n{other:?}");
        }
        for piece in &page.segments {
            let ((x1, y1), (x2, y2)) = (piece.from, piece.to);
            let apart = x1.max(x2) <= text.left
                || x1.min(x2) >= text.right
                || y1.max(y2) <= text.top
                || y1.min(y2) >= text.bottom;
            assert!(apart, "{piece:?}\n{text:?}");
        }
    }
    for (x, y) in &page.points {
        assert!(inside(*x, *y), "{x} {y}");
    }
    for (i, piece) in page.segments.iter().enumerate() {
        for other in page.segments[i + 1..].iter().filter(|other| other.wire != piece.wire) {
            assert!(!touch(piece, other), "{piece:?}\n{other:?}");
        }
    }
}

/// Both run along the axes.
fn touch(a: &Segment, b: &Segment) -> bool {
    let span = |p: f64, q: f64| (p.min(q), p.max(q));
    let meet = |(a, b): (f64, f64), (c, d): (f64, f64)| a <= d && c <= b;
    meet(span(a.from.0, a.to.0), span(b.from.0, b.to.0)) && meet(span(a.from.1, a.to.1), span(b.from.1, b.to.1))
}

#[test]
fn shipped_configs_are_wired_right() {
    for name in SHIPPED {
        check(&shipped(name));
    }
}

#[test]
fn the_yards_sheet_says_what_its_config_says() {
    let plan = shipped("quayside-yard.toml");
    let sheet = drawn(&plan);
    let has = |from: &str, to: &str| {
        let found = sheet
            .wires
            .iter()
            .any(|wire| sheet.end(wire.from) == from && sheet.end(wire.to) == to);
        assert!(found, "{from} to {to}\n{sheet}");
    };
    has("X1 pin 11, GPIO 17", "B1 IN1");
    has("X1 pin 13, GPIO 27", "B1 IN2");
    has("K1 NO", "A1 trigger 1");
    has("G1 out +", "K3 COM");
    has("K3 NC", "A1 music input +");
    has("T1 secondary 1", "R1 in 1");
    has("U1 channel 2 (right), signal", "A2 line input +");
    assert_eq!(sheet.of_kind(Kind::Transformer).count(), 1);
    assert_eq!(sheet.of_kind(Kind::Indicator).count(), 2);
}

/// Three digits of everything that a config may have many of.
#[derive(Debug, Clone)]
struct Site {
    channels: usize,
    /// Of each zone: triggers, mutes, as bits of the relays.
    zones: Vec<(u8, u8)>,
    relays: Vec<(u8, bool)>,
    contacts: Vec<(u8, bool)>,
    /// Zones of the first amplifier; it has all of these or none.
    together: usize,
    pad: bool,
    music: usize,
}

fn sites() -> impl Strategy<Value = Site> {
    let zones = prop::collection::vec((any::<u8>(), any::<u8>()), 1..9);
    let lines = prop::collection::vec((0_u8..3, any::<bool>()), 0..9);
    let contacts = prop::collection::vec((0_u8..2, any::<bool>()), 0..5);
    (zones, lines, contacts, 0_usize..4, any::<bool>(), 0_usize..3).prop_map(
        |(zones, relays, contacts, together, pad, music)| Site {
            channels: zones.len().max(1),
            zones,
            relays,
            contacts,
            together,
            pad,
            music,
        },
    )
}

impl Site {
    fn text(&self) -> String {
        let mut out = "[site]\nname = 'Sägewerk <Nord> & \"Söhne\"'\n".to_owned();
        out.push_str(&format!("[cards.usb]\noutput = 'null'\nchannels = {}\n", self.channels));
        for (i, (kind, active_low)) in self.relays.iter().enumerate() {
            let line = match kind {
                0 => "simulated".to_owned(),
                1 => format!("gpiochip0:{}", 4 + i),
                _ => format!("pi:{}", 4 + i),
            };
            let active = if *active_low { "low" } else { "high" };
            out.push_str(&format!(
                "[relays.relay-{i}-with-a-rather-long-name]\nline = '{line}'\nactive = '{active}'\n"
            ));
        }
        for (i, (kind, low)) in self.contacts.iter().enumerate() {
            let line = if *kind == 0 {
                format!("gpiochip0:{}", 20 + i)
            } else {
                format!("file:/run/{i}")
            };
            let closed = if *low { "low" } else { "high" };
            out.push_str(&format!(
                "[contacts.bell-{i}]\nline = '{line}'\nclosed = '{closed}'\nzones = ['z0']\n"
            ));
        }
        let names = |bits: u8| {
            let all = (0..self.relays.len()).filter(|i| bits >> i & 1 == 1);
            all.map(|i| format!("'relay-{i}-with-a-rather-long-name'"))
                .collect::<Vec<_>>()
                .join(", ")
        };
        for (i, (triggers, mutes)) in self.zones.iter().enumerate() {
            // A relay either triggers or mutes within a zone.
            let (triggers, mutes) = (names(*triggers), names(mutes & !triggers));
            out.push_str(&format!(
                "[zones.z{i}]\ncard = 'usb'\nchannel = {}\ntrigger = [{triggers}]\nmute = [{mutes}]\n",
                i + 1
            ));
        }
        let all: Vec<String> = (0..self.zones.len()).map(|i| format!("'z{i}'")).collect();
        let served = &all[..self.together.min(all.len())];
        if !served.is_empty() {
            let pad = if self.pad {
                "pad = 'bridged-T 12.5 dB'\nisolation = 'transformer'\n"
            } else {
                ""
            };
            let music = ["none", "relay", "own"][self.music];
            out.push_str(&format!(
                "[amplifiers.big]\nzones = [{}]\nmusic = '{music}'\n{pad}",
                served.join(", ")
            ));
        }
        out.push_str(&format!(
            "[groups.g]\naddress = '239.255.10.1:5004'\ncodec = 'pcmu'\nzones = [{}]\n",
            all.join(", ")
        ));
        out
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn whatever_a_config_has_is_wired_right(site in sites()) {
        check(&read(&site.text()));
    }
}

#[test]
fn sheets_are_well_formed_whatever_the_names() {
    let plan = read(
        &Site {
            channels: 1,
            zones: vec![(0, 0)],
            relays: vec![],
            contacts: vec![],
            together: 0,
            pad: false,
            music: 0,
        }
        .text(),
    );
    let mut sheet = drawn(&plan);
    sheet.date = Some("<&>\"'\u{0}\u{ffff}".to_owned());
    for svg in draw(&sheet) {
        let document = roxmltree::Document::parse(&svg).unwrap();
        let texts: String = document.descendants().filter_map(|node| node.text()).collect();
        assert!(texts.contains("Sägewerk <Nord> & \"Söhne\""), "{texts}");
        assert!(!svg.contains("<Nord>"));
    }
    assert_eq!(escape("a\u{7}b"), "a\u{fffd}b");
}

/// ISO 3098: 2.5 mm is the height of capitals; ours are 0.716 of the size in the narrowest of the fonts asked for (its own metrics).
#[test]
fn lines_and_letters_are_large_enough() {
    const { assert!(super::drawing::canvas::SIZE * 0.716 >= 2.5) };
    let plan = shipped("quayside-yard.toml");
    for svg in draw(&drawn(&plan)) {
        for width in svg.split("stroke-width:").skip(1) {
            let number: String = width.chars().take_while(|c| c.is_ascii_digit() || *c == '.').collect();
            assert!(number.parse::<f64>().unwrap() >= 0.35, "{number}");
        }
        assert!(svg.contains("width=\"297mm\" height=\"210mm\""));
    }
}

#[test]
fn another_board_is_told_by_chip_and_line_only() {
    let text = "[site]\nname = 'Quayside'\n[cards.usb]\noutput = 'null'\n[relays.trigger]\nline = 'gpiochip1:40'\n\
                [zones.yard]\ncard = 'usb'\nchannel = 1\ntrigger = ['trigger']\n\
                [groups.g]\naddress = '239.255.10.1:5004'\ncodec = 'pcmu'\nzones = ['yard']\n";
    let plan = read(text);
    assert_eq!(Board::guessed(&plan), Board::Other);
    let sheet = drawn(&plan);
    let text = sheet.to_string();
    assert!(text.contains("X1 gpiochip1 line 40"), "{text}");
    assert!(!text.contains("X1 pin"), "{text}");
    check(&plan);
}

#[test]
fn what_is_wrong_is_said() {
    let site = "[site]\nname = 'Quayside'\n[cards.usb]\noutput = 'null'\n[relays.a]\nline = 'gpiochip0:17'\nactive = 'low'\n\
                [relays.b]\nline = 'pi:17'\n[zones.yard]\ncard = 'usb'\nchannel = 1\ntrigger = ['a']\n\
                [zones.shed]\ncard = 'usb'\nchannel = 2\ntrigger = ['a', 'b']\n\
                [contacts.bell]\nline = 'gpiochip0:3'\nclosed = 'high'\nzones = ['yard']\n\
                [contacts.gate]\nline = 'gpiochip0:14'\nzones = ['yard']\n\
                [amplifiers.big]\nzones = ['yard']\npad = 'H 6 dB'\n\
                [groups.g]\naddress = '239.255.10.1:5004'\ncodec = 'pcmu'\nzones = ['yard', 'shed']\n";
    let sheet = drawn(&read(site));
    let look = sheet.look.join("\n");
    for wanted in [
        "pin 11, GPIO 17 is taken twice",
        "K1 a (GPIO 17): active low",
        "GPIO 3 up for good",
        "K1 a does 2 things",
        "B1: K1 operated by low, K2 by high",
        "gate: GPIO 14 is the serial console's output",
        "amplifier big: The H pad needs a line that floats",
    ] {
        assert!(look.contains(wanted), "{wanted}: {look}");
    }
}

fn with_contacts(n: usize, closed: &str) -> Sheet {
    let free: Vec<u8> = (2..28).filter(|line| ![14, 15].contains(line)).collect();
    let contacts: String = (0..n)
        .map(|i| {
            let line = free[i + 2];
            format!("[contacts.bell-{i}]\nline = 'gpiochip0:{line}'\nclosed = '{closed}'\nzones = ['yard']\n")
        })
        .collect();
    let text = format!(
        "[site]\nname = 'Quayside'\n[cards.usb]\noutput = 'null'\n[zones.yard]\ncard = 'usb'\nchannel = 1\n{contacts}"
    );
    drawn(&read(&text))
}

/// The header has eight pins of ground and two of 3.3 V: no pin has two wires while one is free, none three while one has one.
#[test]
fn contacts_spread_over_the_pins() {
    for (n, closed, kind) in [
        (4, "high", Pin::Volts3),
        (8, "low", Pin::Ground),
        (16, "low", Pin::Ground),
    ] {
        let sheet = with_contacts(n, closed);
        let (board, part) = sheet.of_kind(Kind::Board).next().unwrap();
        let ends = (0..part.terminals.len()).map(|terminal| End { part: board, terminal });
        let ends = ends.filter(|end| sheet.terminal(*end).ends_with(&kind.name()));
        let wires: Vec<usize> = ends.map(|end| sheet.wires_at(end).count()).collect();
        let pins = HEADER.iter().filter(|pin| **pin == kind).count();
        assert_eq!(wires, vec![n.div_ceil(pins); pins], "{n} {closed}");
        let look = sheet.look.join("\n");
        assert_eq!(look.contains("at a terminal strip"), n > pins, "{look}");
        no_terminal_is_taken_twice(&sheet);
    }
}

#[test]
fn every_part_with_a_wire_is_listed() {
    let sheet = drawn(&shipped("quayside-yard.toml"));
    let text = sheet.to_string();
    for part in &sheet.parts {
        assert!(
            text.contains(&format!("\n  {:<4}{}", part.tag, part.kind.name())),
            "{}",
            part.tag
        );
    }
}

#[test]
fn long_names_keep_zone_and_polarity() {
    let (north, south) = ("warehouse-loading-bay-north", "warehouse-loading-bay-south");
    let plan = read(&format!(
        "[site]\nname = 'Quayside'\n[cards.usb]\noutput = 'null'\n[zones.{north}]\ncard = 'usb'\nchannel = 1\n\
         [zones.{south}]\ncard = 'usb'\nchannel = 2\n[amplifiers.bays]\nzones = ['{north}', '{south}']\n\
         [groups.g]\naddress = '239.255.10.1:5004'\ncodec = 'pcmu'\nzones = ['{north}']\n"
    ));
    let sheet = drawn(&plan);
    check(&plan);
    let texts: Vec<String> = pages(&sheet)
        .iter()
        .flat_map(|page| page.texts.iter().map(|t| t.text.clone()))
        .collect();
    for end in ["north +", "north −", "south +", "south −"] {
        let drawn = texts
            .iter()
            .filter(|text| text.starts_with("line input war") && text.ends_with(end));
        assert_eq!(drawn.count(), 1, "{end}: {texts:?}");
    }
}
