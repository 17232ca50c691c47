//! Much of everything. What is too much gets an answer or silence, and costs a bounded amount.

use hornwire::sip::wire::{MAX_HEADERS, MAX_MESSAGE};

use super::*;

/// RFC 3261 §18.2.1: as many hops as there are come back in the answer.
#[test]
fn many_vias() {
    let more = |count: usize| {
        let mut all = lines();
        for i in 0..count {
            let value = format!("SIP/2.0/UDP relay{i}.quayside.example;branch=z9hG4bK{i}").into_bytes();
            all.insert(1 + i, (b"Via".to_vec(), value));
        }
        invite(&all, OFFER.as_bytes())
    };
    for count in [1, 30, 70, 200] {
        let mut world = World::new();
        world.datagram(PEER, &more(count));
        let (status, message) = world.answers().pop().unwrap();
        assert_eq!((status, message.all("Via").count()), (200, count + 1));
    }
    let mut world = World::new();
    world.datagram(PEER, &more(MAX_HEADERS));
    assert!(world.sent[0].1.starts_with(b"SIP/2.0 400 "));
    // In one line.
    let line = |count: usize| {
        let first = LINES[0].1.to_owned();
        with(
            "Via",
            first + &", SIP/2.0/UDP relay.quayside.example;branch=z9hG4bKr".repeat(count),
        )
    };
    assert_eq!(status(line(100)), [200]);
    assert_eq!(status(line(1000)), [400]);
}

#[test]
fn many_headers_and_long_lines() {
    for (count, wanted) in [(100, 200), (240, 200), (300, 400), (5000, 400)] {
        let mut all = lines();
        all.extend((0..count).map(|i| (format!("X-{i}").into_bytes(), b"y".to_vec())));
        assert_eq!(status(invite(&all, OFFER.as_bytes())), [wanted], "{count} headers");
    }
    for name in ["X-Long", "Subject", "From", "Contact", "Record-Route", "User-Agent"] {
        for length in [1000, 10_000, 25_000] {
            let long = "x".repeat(length);
            let value = match name {
                "From" => format!("\"{long}\" <sip:{long}@quayside.example>;tag=f"),
                "Contact" | "Record-Route" => format!("<sip:{long}@192.0.2.10;lr;x={long}>"),
                _ => long,
            };
            assert_eq!(status(with(name, &value)), [200], "{name} of {length}");
        }
    }
    // Depth and repetition that would cost a naive reader a square.
    for value in [
        "\"\\".repeat(20_000),
        ";".repeat(40_000),
        ",".repeat(40_000),
        "<".repeat(40_000),
        "(".repeat(40_000),
    ] {
        for name in ["From", "Via", "Contact", "Record-Route", "Accept", "Require", "X-Yard"] {
            assert_eq!(status(with(name, &value)).len(), 1, "{name}");
        }
    }
}

/// As much as a datagram holds, and more than a message may have on a stream (RFC 3261 §21.5.7).
#[test]
fn sixty_four_kibibytes() {
    let filled = |total: usize| {
        let plain = with("X-Fill", "");
        with("X-Fill", "x".repeat(total - plain.len()))
    };
    assert_eq!(status(filled(65_507)), [200]);
    assert_eq!(by_stream(&filled(65_000), 1460), (vec![200], 0));
    let (statuses, closed) = by_stream(&filled(MAX_MESSAGE + 5000), 1460);
    assert_eq!((statuses, closed), (vec![513], 1));
    // Without an end.
    let endless = [
        b"INVITE sip:600@h SIP/2.0\r\nVia: SIP/2.0/TCP 192.0.2.10;branch=z9hG4bKe\r\nX: ".as_slice(),
        &[b'x'; 200_000],
    ]
    .concat();
    let (statuses, closed) = by_stream(&endless, 1460);
    assert!(closed >= 1 && statuses == [513], "{statuses:?}");
    // Empty lines without end are no message and no memory.
    let mut world = World::new();
    world.stream(PEER, &b"\r\n".repeat(50_000), 1001);
    assert_eq!((world.finals(), world.closed), (vec![], 0));
}

/// Header lines by the hundred that all fold.
#[test]
fn folds_by_the_thousand() {
    let value = "x\r\n ".repeat(10_000) + "y";
    assert_eq!(status(with("Subject", &value)), [200]);
    let value = "<sip:192.0.2.7;lr>,\r\n\t".repeat(100) + "<sip:192.0.2.8;lr>";
    assert_eq!(status(with("Record-Route", &value)), [200]);
}
