//! TCP: answers by the connection they came by, keep-alive, closing.

use super::*;

fn tcp(peer: &str, connection: Option<u64>) -> Flow {
    Flow {
        transport: Transport::Tcp,
        connection: connection.map(ConnectionId),
        ..udp(peer)
    }
}

const FROM: &str = "192.0.2.10:40001";

fn feed(world: &mut World, flow: Flow, text: &str) {
    world.agent.handle_stream(flow, text.as_bytes(), world.now);
    world.drain();
}

fn over_tcp(text: &str) -> String {
    text.replace("SIP/2.0/UDP", "SIP/2.0/TCP").replace(
        "Contact: <sip:201@192.0.2.10:5060>",
        "Contact: <sip:201@192.0.2.10:5060;transport=tcp>",
    )
}

#[test]
fn call_over_a_connection() {
    let mut world = World::plain();
    let flow = tcp(FROM, Some(3));
    let text = over_tcp(&invite("a"));
    let (head, tail) = text.split_at(100);
    feed(&mut world, flow, head);
    assert!(world.sent.is_empty());
    feed(&mut world, flow, &format!("{tail}\r\n\r\n"));
    assert_eq!((world.sent[0].status(), world.sent[0].flow), (100, flow));
    assert_eq!(world.sent[1].octets, b"\r\n", "the answer to the keep-alive");
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    assert_eq!(world.last().flow, flow);
    assert_eq!(
        world.last().header("Contact"),
        "<sip:600@192.0.2.50:5060;transport=tcp>"
    );
    let tag = world.last().to_tag();
    // The 200 is repeated on reliable transports too (RFC 3261 §13.3.1.4).
    world.run_ms(500);
    assert_eq!((world.sent.len(), world.last().status()), (4, 200));
    feed(&mut world, flow, &over_tcp(&in_dialog("ACK", 1, "b", &tag, "")));
    world.agent.hang_up(call, None, world.now);
    world.drain();
    assert_eq!((world.last().method(), world.last().flow), ("BYE".into(), flow));
    assert!(world.last().header("Via").starts_with("SIP/2.0/TCP 192.0.2.50:5060;"));
    let count = world.sent.len();
    world.run_ms(31_000);
    assert_eq!(world.sent.len(), count, "requests are not repeated on TCP");
}

/// RFC 3261 §18.2.2: when the connection is gone, one to the port in Via; requests one to the Contact.
#[test]
fn connection_lost() {
    let mut world = World::plain();
    let flow = tcp(FROM, Some(3));
    feed(&mut world, flow, &over_tcp(&invite("a")));
    let call = world.call();
    world.agent.handle_closed(flow, world.now);
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    assert_eq!(world.last().flow, tcp(PEER, None));
    assert!(world.endings().is_empty(), "a call outlives its connection");
    let tag = world.last().to_tag();
    feed(
        &mut world,
        tcp(FROM, Some(4)),
        &over_tcp(&in_dialog("ACK", 1, "b", &tag, "")),
    );
    world.agent.hang_up(call, None, world.now);
    world.drain();
    // By the newer connection; when that is lost too, by one to the Contact.
    assert_eq!(world.last().flow, tcp(FROM, Some(4)));
    world.agent.handle_closed(tcp(FROM, Some(4)), world.now);
    world.drain();
    assert_eq!(
        (world.last().method(), world.last().flow),
        ("BYE".into(), tcp(PEER, None))
    );
    // It cannot be made: that is the end of it.
    world.agent.handle_closed(tcp(PEER, None), world.now);
    world.drain();
    assert!(world.agent.calls.is_empty() && world.agent.clients.is_empty());
}

#[test]
fn strangers_are_closed_without_a_word() {
    let mut world = World::plain();
    feed(&mut world, tcp("198.51.100.66:1234", Some(9)), &over_tcp(&invite("a")));
    assert_eq!(world.closed, [ConnectionId(9)]);
    assert!(world.sent.is_empty());
}

/// A length that cannot be believed ends the stream, after a 400 (RFC 4475 §3.1.2.3).
#[test]
fn broken_framing() {
    let mut world = World::plain();
    let text = over_tcp(&invite("a"));
    let length = text.find("Content-Length: ").unwrap();
    let end = text[length..].find("\r\n").unwrap() + length;
    let text = format!("{}Content-Length: -1{}", &text[..length], &text[end..]);
    feed(&mut world, tcp(FROM, Some(5)), &text);
    assert_eq!(
        (world.last().status(), world.closed.as_slice()),
        (400, &[ConnectionId(5)][..])
    );
}

/// A message that never becomes whole does not hold a connection for ever.
#[test]
fn half_a_message() {
    let mut world = World::plain();
    feed(&mut world, tcp(FROM, Some(5)), "INVITE sip:");
    world.run_ms(31_999);
    assert!(world.closed.is_empty());
    world.run_ms(1);
    assert_eq!(world.closed, [ConnectionId(5)]);
}

#[test]
fn connections_are_bounded() {
    let mut world = World::plain();
    for id in 0..200 {
        feed(&mut world, tcp(FROM, Some(id)), "\r\n\r\n");
        assert!(world.agent.connections.len() <= MAX_CONNECTIONS);
        world.run_ms(1);
    }
    // Which one gives way is the driver's choice; the agent takes no more.
    assert_eq!(world.closed.first(), Some(&ConnectionId(MAX_CONNECTIONS as u64)));
    world.agent.handle_closed(tcp(FROM, Some(7)), world.now);
    feed(&mut world, tcp(FROM, Some(999)), "\r\n\r\n");
    assert!(!world.closed.contains(&ConnectionId(999)));
}

/// RFC 3261 §18.1.1: REGISTER over TCP opens a connection; its loss is repaired soon, but not in a hot loop.
#[test]
fn registration_over_tcp() {
    let mut world = World::new(settings(vec![registered("600", "one.example", Transport::Tcp)]));
    world.run_ms(500);
    world.resolved(0, &[REGISTRAR]);
    world.drain();
    let ok = |register: &Sent| {
        format!(
            "SIP/2.0 200 OK\r\nVia: {}\r\nCSeq: {}\r\nExpires: 3600\r\nContent-Length: 0\r\n\r\n",
            register.header("Via"),
            register.header("CSeq")
        )
    };
    assert_eq!(world.last().flow, tcp(REGISTRAR, None));
    assert!(world.last().header("Contact").contains(";transport=tcp>"));
    let mut requests = 1;
    for id in 0..20 {
        let text = ok(&world.last().clone());
        feed(&mut world, tcp(REGISTRAR, Some(id)), &text);
        world.agent.handle_closed(tcp(REGISTRAR, Some(id)), world.now);
        let before = world.sent.len();
        let until = world.now + Duration::from_secs(31);
        while world.step(until) {
            if let Some(id) = world.resolves.pop() {
                world.resolved(id.0, &[REGISTRAR]);
                world.drain();
            }
        }
        requests += world.sent.len() - before;
    }
    assert_eq!(requests, 21, "one try in 30 s");
    assert_eq!(
        world
            .events
            .iter()
            .filter(|e| matches!(e, Event::Registered { first: true, .. }))
            .count(),
        1
    );
    // The connection cannot be made.
    world.agent.handle_closed(tcp(REGISTRAR, None), world.now);
    world.drain();
    assert!(
        matches!(world.events.last(), Some(Event::RegistrationFailed { first: true, cause, .. }) if cause.contains("reached"))
    );
}

/// RFC 3261 §12.1.1, §26.2.2: what asks for sips must come by TLS, and then our Contact is sips too.
#[test]
fn sips_goes_by_tls_only() {
    let tls = Flow {
        transport: Transport::Tls,
        ..tcp(FROM, Some(3))
    };
    let by_tls = |text: &str| {
        let text = over_tcp(text).replace("SIP/2.0/TCP", "SIP/2.0/TLS");
        text.replace(";transport=tcp", ";transport=tls")
    };
    let uri = |text: &str| text.replacen("INVITE sip:", "INVITE sips:", 1);
    for (what, text, contact) in [
        ("plain", by_tls(&invite("a")), "<sip:600@192.0.2.50:5060;transport=tls>"),
        ("Request-URI", uri(&by_tls(&invite("a"))), "<sips:600@192.0.2.50:5060>"),
        (
            "Contact",
            by_tls(&invite("a")).replace("Contact: <sip:", "Contact: <sips:"),
            "<sips:600@192.0.2.50:5060>",
        ),
        (
            "Record-Route",
            by_tls(&invite("a")).replace("Max-Forwards", "Record-Route: <sips:192.0.2.10;lr>\r\nMax-Forwards"),
            "<sips:600@192.0.2.50:5060>",
        ),
        (
            "sip Record-Route above a sips Contact",
            by_tls(&invite("a"))
                .replace("Contact: <sip:", "Contact: <sips:")
                .replace("Max-Forwards", "Record-Route: <sip:192.0.2.10;lr>\r\nMax-Forwards"),
            "<sip:600@192.0.2.50:5060;transport=tls>",
        ),
    ] {
        let mut world = World::plain();
        feed(&mut world, tls, &text);
        let call = world.call();
        world.agent.accept(call, ANSWER.into(), world.now);
        world.drain();
        assert_eq!((world.last().status(), world.last().flow), (200, tls), "{what}");
        assert_eq!(world.last().header("Contact"), contact, "{what}");
        // Back by the connection that is there.
        let tag = world.last().to_tag();
        feed(&mut world, tls, &by_tls(&in_dialog("ACK", 1, "b", &tag, "")));
        world.agent.hang_up(call, None, world.now);
        world.drain();
        assert_eq!(
            (world.last().method(), world.last().flow),
            ("BYE".into(), tls),
            "{what}"
        );
        assert!(world.last().header("Via").starts_with("SIP/2.0/TLS "), "{what}");
    }
    let mut world = World::plain();
    feed(&mut world, tcp(FROM, Some(3)), &uri(&over_tcp(&invite("a"))));
    assert_eq!(world.last().status(), 416);
}
