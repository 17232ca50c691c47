//! Who gets no answer at all.

use super::*;

const STRANGER: &str = "198.51.100.66:5060";

fn turned_away(world: &World) -> usize {
    world
        .events
        .iter()
        .filter(|e| matches!(e, Event::TurnedAway { .. }))
        .count()
}

#[test]
fn strangers_get_nothing() {
    let mut world = World::plain();
    for text in [
        invite("a"),
        request("OPTIONS", 1, "b", "", "", ""),
        request("REGISTER", 1, "c", "", "", ""),
        request("CANCEL", 1, "a", "", "", ""),
        "INVITE sip:600@192.0.2.50 SIP/7.0\r\n\r\n".into(),
        "\r\n\r\n".into(),
        "noise".into(),
    ] {
        world.datagram(STRANGER, text);
    }
    world.run_ms(60_000);
    assert!(world.sent.is_empty());
    assert!(world.agent.servers.is_empty());
    assert_eq!(world.agent.figures().turned_away, 7);
    match world.events.as_slice() {
        [Event::TurnedAway { peer, caller, .. }] => {
            assert_eq!(*peer, address(STRANGER));
            assert_eq!(caller, "Saw shed <201@quayside.example>");
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_number_that_nobody_has_is_told() {
    let mut world = World::plain();
    world.datagram(PEER, invite("a").replace("INVITE sip:600@", "INVITE sip:6%300%1b@"));
    let told: Vec<_> = world
        .events
        .iter()
        .filter_map(|e| match e {
            Event::TurnedAway { dialled, why, .. } => Some((dialled.as_str(), *why)),
            _ => None,
        })
        .collect();
    let [(dialled, "no such extension")] = told.as_slice() else {
        panic!("{told:?}");
    };
    // Escapes of RFC 3261 §19.1.2 are undone, and what drives a terminal does not get into the journal.
    assert!(dialled.starts_with("600") && !dialled.contains('\u{1b}'), "{dialled:?}");
}

/// Told once in a while per address, and not without bound over many addresses.
#[test]
fn a_scan_fills_no_journal() {
    let mut world = World::plain();
    for i in 0..100_000u32 {
        let peer = SocketAddr::new(std::net::Ipv4Addr::from(0xc633_6400 + i).into(), 5060);
        world
            .agent
            .handle_datagram(udp(&peer.to_string()), invite("a").as_bytes(), world.now);
    }
    world.drain();
    assert_eq!(turned_away(&world), 10);
    assert_eq!(world.agent.figures().turned_away, 100_000);
    world.run_ms(601_000);
    world.datagram("198.51.100.0:5060", invite("a"));
    world.datagram("198.51.100.0:5060", invite("a"));
    assert_eq!(turned_away(&world), 11);
    assert!(world.sent.is_empty());
}

/// The gate opens with the registrar's addresses, by IPv6 or mapped IPv4 too, and follows them.
#[test]
fn registrars_are_let_in() {
    let mut world = World::new(Settings {
        networks: vec!["2001:db8:7::/48".parse().unwrap()],
        ..settings(vec![registered("600", "one.example", Transport::Udp)])
    });
    let ip = |text: &str| text.parse::<IpAddr>().unwrap();
    assert!(!world.agent.lets_in(ip("192.0.2.1")));
    world.resolved(0, &[REGISTRAR]);
    assert!(world.agent.lets_in(ip("192.0.2.1")) && world.agent.lets_in(ip("::ffff:192.0.2.1")));
    assert!(world.agent.lets_in(ip("2001:db8:7::1")) && !world.agent.lets_in(ip("2001:db8:8::1")));
    world.resolved(0, &["192.0.2.9:5060"]);
    assert!(!world.agent.lets_in(ip("192.0.2.1")) && world.agent.lets_in(ip("192.0.2.9")));
    world.resolved(0, &[]);
    assert!(world.agent.lets_in(ip("192.0.2.9")));
    // An extension that is not there.
    world.resolved(9, &[STRANGER]);
    assert!(!world.agent.lets_in(address(STRANGER).ip()));
}

/// Behind a proxy that does not record-route the phone itself sends ACK and BYE: heard within the call only.
#[test]
fn far_end_speaks_within_its_call() {
    let mut world = World::plain();
    world.ask(invite("a").replace("Contact: <sip:201@192.0.2.10:5060>", "Contact: <sip:201@198.51.100.66>"));
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    let tag = world.last().to_tag();
    let count = world.sent.len();
    world.datagram(STRANGER, request("OPTIONS", 1, "o", "", "", ""));
    world.datagram(STRANGER, invite("x").replace("one@", "two@"));
    world.datagram(STRANGER, in_dialog("BYE", 2, "y", "guess", ""));
    world.datagram(
        STRANGER,
        "OPTIONS sip:600 SIP/2.0\r\nVia: SIP/2.0/UDP 198.51.100.66\r\n\r\n",
    );
    assert_eq!(world.sent.len(), count);
    world.datagram(STRANGER, in_dialog("ACK", 1, "b", &tag, ""));
    assert!(world.is_confirmed());
    world.datagram(STRANGER, in_dialog("BYE", 2, "c", &tag, ""));
    assert_eq!(world.last().status(), 200);
    assert_eq!(world.endings(), [Ending::Bye]);
    let count = world.sent.len();
    world.datagram(STRANGER, in_dialog("BYE", 2, "c", &tag, ""));
    assert_eq!(world.sent.len(), count, "the call is over, the gate is shut");
}

/// A call for an extension that is not there is answered, and told once.
#[test]
fn unknown_extension_is_told() {
    let mut world = World::plain();
    for i in 0..5 {
        let text = invite(&format!("a{i}")).replace("sip:600@192.0.2.50 SIP", "sip:999@192.0.2.50 SIP");
        world.ask(text.replace("one@", &format!("c{i}@")));
        assert_eq!(world.last().status(), 404);
    }
    assert_eq!(turned_away(&world), 1);
}
