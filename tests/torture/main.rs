//! Torture messages: what RFC 4475 and RFC 5118 describe, in messages of our own, and more classes of the same kind.
//! Octets go into the whole agent, and what it answers is compared with what RFC 3261 asks for.
#![allow(clippy::disallowed_methods)]

mod classes;
mod echo;
mod notation;
mod see;
mod world;

use std::collections::{BTreeMap, HashMap};
use std::time::Duration;

use hornwire::sip::wire::{Address, Carrier, Message, Via};

use notation::{Case, cases};
use world::{PEER, REGISTRAR, World};

const FILES: [(&str, &str); 4] = [
    ("rfc4475-valid", include_str!("messages/rfc4475-valid.txt")),
    ("rfc4475-invalid", include_str!("messages/rfc4475-invalid.txt")),
    ("rfc4475-semantics", include_str!("messages/rfc4475-semantics.txt")),
    ("rfc5118", include_str!("messages/rfc5118.txt")),
];

fn all() -> Vec<Case> {
    FILES.iter().flat_map(|(_, text)| cases(text)).collect()
}

/// Every message of RFC 4475 has one here: 13 valid, 19 invalid, 1 of the transaction layer, 15 of the application
/// layer, 1 of the old standard; and so has every section of RFC 5118 §4.
#[test]
fn every_section_is_exercised() {
    let mut sections: BTreeMap<String, usize> = BTreeMap::new();
    for case in all() {
        *sections.entry(case.keys["section"].clone()).or_default() += 1;
    }
    let wanted: Vec<String> = (1..=13)
        .map(|n| format!("RFC 4475 §3.1.1.{n}"))
        .chain((1..=19).map(|n| format!("RFC 4475 §3.1.2.{n}")))
        .chain((1..=1).map(|n| format!("RFC 4475 §3.2.{n}")))
        .chain((1..=15).map(|n| format!("RFC 4475 §3.3.{n}")))
        .chain((1..=1).map(|n| format!("RFC 4475 §3.4.{n}")))
        .collect();
    assert_eq!(wanted.len(), 49);
    for section in wanted.into_iter().chain((1..=10).map(|n| format!("RFC 5118 §4.{n}"))) {
        assert!(sections.contains_key(&section), "nothing for {section}");
    }
}

#[test]
fn requests_by_datagram() {
    let mut faults = Vec::new();
    for case in all().iter().filter(|c| !c.is_response()) {
        let octets = case.octets(&HashMap::new());
        let mut world = World::new();
        world.datagram(case.key("peer").unwrap_or(PEER), &octets);
        let got = world.finals();
        if !fits(&case.keys["answer"], &got, world.closed) {
            faults.push(format!("{}: {got:?} instead of {}", case.name, case.keys["answer"]));
            continue;
        }
        faults.extend(echo::faults(case, &octets, &world));
        faults.extend(see::faults(case, &octets, &world));
        serves_still(world, &case.name);
    }
    assert!(faults.is_empty(), "\n{}\n", faults.join("\n"));
}

/// The same over a stream, whole and octet by octet.
#[test]
fn requests_by_stream() {
    let mut faults = Vec::new();
    for case in all().iter().filter(|c| !c.is_response()) {
        let octets = case.octets(&HashMap::new());
        let wanted = case.key("tcp").unwrap_or(&case.keys["answer"]);
        for piece in [octets.len(), 1, 7] {
            let mut world = World::new();
            world.stream(case.key("peer").unwrap_or(PEER), &octets, piece);
            let got = world.finals();
            if !fits(wanted, &got, world.closed) {
                let closed = world.closed;
                faults.push(format!("{}: {got:?}, closed {closed}, instead of {wanted}", case.name));
                break;
            }
            if wanted == "silence" {
                // What never becomes whole is given up.
                world.run(Duration::from_secs(40));
                assert_eq!(world.closed, 1, "{}", case.name);
            }
            serves_still(world, &case.name);
        }
    }
    assert!(faults.is_empty(), "\n{}\n", faults.join("\n"));
}

#[test]
fn responses() {
    let mut faults = Vec::new();
    for case in all().iter().filter(|c| c.is_response()) {
        let mut world = World::new();
        let register = world.register();
        let text = |name: &str| String::from_utf8(register.first(name).unwrap().to_vec()).unwrap();
        let via = Via::read(register.first("Via").unwrap()).unwrap();
        let branch = String::from_utf8(via.branch().unwrap().to_vec()).unwrap();
        let place = text("Via")
            .split(' ')
            .nth(1)
            .unwrap()
            .split(';')
            .next()
            .unwrap()
            .to_owned();
        let number = text("CSeq").split(' ').next().unwrap().to_owned();
        let names = HashMap::from([
            ("sent-by", place),
            ("branch", branch),
            ("cseq", number),
            ("call-id", text("Call-ID")),
            ("from", text("From")),
            ("to", text("To")),
        ]);
        let octets = case.octets(&names);
        world.datagram(REGISTRAR, &octets);
        let got = match (world.registered, world.failed) {
            (1, 0) => "registered",
            (0, 1) => "failed",
            (0, 0) => "ignored",
            _ => "several",
        };
        let wanted = case.keys["answer"].as_str();
        if got != wanted && !(wanted == "pending" && got == "ignored") {
            faults.push(format!("{}: {got} instead of {wanted}", case.name));
        }
        assert!(world.sent.is_empty(), "{}: a response is never answered", case.name);
        if got == "ignored" {
            // The real answer still counts.
            let good = cases(GOOD).remove(0).octets(&names);
            world.datagram(REGISTRAR, &good);
            assert_eq!(world.registered, 1, "{}", case.name);
        }
    }
    assert!(faults.is_empty(), "\n{}\n", faults.join("\n"));
}

const GOOD: &str = "
=== good
section: -
answer: registered
why: -
---
SIP/2.0 200 OK
Via: SIP/2.0/UDP «sent-by»;branch=«branch»
From: «from»
To: «to»;tag=r
Call-ID: «call-id»
CSeq: «cseq» REGISTER
Content-Length: 0
";

/// Whether what came is among what may come.
fn fits(wanted: &str, got: &[u16], closed: usize) -> bool {
    wanted.split(' ').any(|one| {
        let mut parts: Vec<&str> = one.split('+').collect();
        let closes = parts.last() == Some(&"close");
        if closes {
            parts.pop();
        }
        let statuses: Vec<u16> = parts.iter().filter_map(|p| p.parse().ok()).collect();
        assert!(statuses.len() == parts.len() || one == "silence", "{wanted}");
        statuses == got && closes == (closed > 0)
    })
}

/// Whatever came before, a plain request gets its answer.
fn serves_still(mut world: World, name: &str) {
    world.sent.clear();
    world.datagram(PEER, PLAIN.as_bytes());
    assert_eq!(world.finals(), [200], "after {name}");
}

const PLAIN: &str = "OPTIONS sip:600@192.0.2.50 SIP/2.0\r\nVia: SIP/2.0/UDP 192.0.2.10;branch=z9hG4bKplain\r\n\
    Max-Forwards: 70\r\nFrom: <sip:office@quayside.example>;tag=plain\r\nTo: <sip:600@192.0.2.50>\r\n\
    Call-ID: plain\r\nCSeq: 1 OPTIONS\r\nContent-Length: 0\r\n\r\n";

/// The same octets again are the same request: the same answer, no second call (RFC 3261 §17.2).
#[test]
fn repeats_get_the_same_answer() {
    for case in all().iter().filter(|c| !c.is_response()) {
        let octets = case.octets(&HashMap::new());
        let peer = case.key("peer").unwrap_or(PEER);
        let mut world = World::new();
        world.datagram(peer, &octets);
        let (first, calls) = (world.sent.clone(), world.incoming.len());
        world.sent.clear();
        world.datagram(peer, &octets);
        assert_eq!(world.incoming.len(), calls, "{}", case.name);
        if let Some((_, again)) = world.sent.last() {
            assert_eq!(Some(again), first.last().map(|(_, octets)| octets), "{}", case.name);
        } else {
            // A 2xx is repeated by the call's own timer (RFC 6026 §7.1).
            let status = world.finals().first().copied();
            assert!(status.is_none() && (first.is_empty() || calls == 1), "{}", case.name);
        }
    }
}

/// A branch that is only the cookie is matched like one of RFC 2543: other requests with it are other requests.
#[test]
fn bare_cookies_do_not_collide() {
    let one = PLAIN.replace("z9hG4bKplain", "z9hG4bK");
    let two = one
        .replace("Call-ID: plain", "Call-ID: other")
        .replace("CSeq: 1", "CSeq: 7");
    let mut world = World::new();
    world.datagram(PEER, one.as_bytes());
    world.datagram(PEER, two.as_bytes());
    let ids: Vec<Vec<u8>> = world
        .answers()
        .iter()
        .map(|(_, m)| m.first("Call-ID").unwrap().to_vec())
        .collect();
    assert_eq!(ids, [b"plain".to_vec(), b"other".to_vec()]);
}

/// What the agent reads of its own answers: their To has the one tag it added.
#[test]
fn answers_have_one_tag() {
    for case in all().iter().filter(|c| !c.is_response()) {
        let mut world = World::new();
        world.datagram(case.key("peer").unwrap_or(PEER), &case.octets(&HashMap::new()));
        for (status, message) in world.answers() {
            let to = message.first("To").and_then(|to| Address::read(to).ok());
            if let Some(to) = to.filter(|_| status > 100) {
                assert!(to.tag().is_some(), "{}", case.name);
            }
        }
    }
}

/// Messages that are no SIP, from a peer that is let in: silence.
#[test]
fn what_is_no_sip_gets_no_answer() {
    for octets in [
        &b""[..],
        b"\r\n\r\n",
        b"\0\0\0\0",
        b"GET / HTTP/1.1\r\nHost: paging\r\n\r\n",
        b"\x00\x01\x00\x00\x21\x12\xa4\x42abcdefghijkl",
        b"\x80\x00\x00\x01\0\0\0\0\0\0\0\x01",
        b"INVITE",
        b"SIP/2.0",
        b"SIP/2.0 200",
        b"lorem ipsum\r\n\r\n",
        "ACK sip:600@192.0.2.50 SIP/2.0\r\n\r\n".as_bytes(),
    ] {
        assert!(Message::read(octets, Carrier::Datagram).is_none_or(|m| m.first("Via").is_none()));
        let mut world = World::new();
        world.datagram(PEER, octets);
        assert!(world.sent.is_empty(), "{:?}", String::from_utf8_lossy(octets));
        world.stream(PEER, octets, 3);
        assert!(world.finals().is_empty() || octets == b"\r\n\r\n");
    }
}
