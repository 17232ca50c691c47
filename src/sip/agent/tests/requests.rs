//! What each kind of request gets (RFC 3261 §8.2, RFC 4475 §3.1.2 and §3.3).

use super::*;

fn statuses(sent: &[Sent]) -> Vec<u16> {
    sent.iter().map(Sent::status).collect()
}

/// The answer to one request in a fresh world.
fn answer(text: impl AsRef<[u8]>) -> Sent {
    let mut world = World::plain();
    let mut sent = world.ask(text.as_ref());
    assert_eq!(sent.len(), 1, "{:?}", String::from_utf8_lossy(text.as_ref()));
    assert!(!sent[0].to_tag().is_empty());
    sent.remove(0)
}

fn options() -> String {
    request("OPTIONS", 1, "o", "", "", "")
}

/// RFC 3261 §11.2.
#[test]
fn options_describe_us() {
    for text in [
        options(),
        options().replace("sip:600@192.0.2.50 SIP", "sip:192.0.2.50:5060 SIP"),
        options().replace("Max-Forwards: 70", "Max-Forwards: 0"),
        options().replace("sip:600@192.0.2.50 SIP", "sip:%360%30@192.0.2.50;transport=udp SIP"),
    ] {
        let sent = answer(&text);
        assert_eq!(sent.status(), 200, "{text}");
        assert_eq!(
            sent.header("Accept"),
            "application/sdp, application/dtmf-relay, application/dtmf"
        );
        assert_eq!(
            sent.header("Allow"),
            "INVITE, ACK, BYE, CANCEL, OPTIONS, UPDATE, PRACK, INFO"
        );
        assert_eq!(sent.header("Supported"), "timer, 100rel, answermode, resource-priority");
        assert!(sent.header("Accept-Resource-Priority").contains("ets.0"));
        assert!(sent.has("Server"));
    }
    let mut world = World::plain();
    let first = world.ask(options());
    assert_eq!(
        world.ask(options())[0].octets,
        first[0].octets,
        "a repeated request gets the same answer"
    );
}

#[test]
fn methods() {
    // Known to the standards, not offered here (RFC 3261 §8.2.1, RFC 3515, RFC 3428).
    for method in ["REGISTER", "REFER", "MESSAGE", "PUBLISH"] {
        let sent = answer(request(method, 1, "m", "", "", ""));
        assert_eq!(sent.status(), 405, "{method}");
        let allow = sent.header("Allow");
        assert!(allow.contains("INVITE") && !allow.contains(method));
    }
    // Without a call there is nothing to update, to acknowledge or to tell (RFC 3311, RFC 3262 §3, RFC 6086 §4.2.2);
    // without a subscription nothing to be notified of (RFC 6665 §4.1.3).
    for method in ["UPDATE", "PRACK", "INFO", "NOTIFY"] {
        for tag in ["", "nobody"] {
            assert_eq!(answer(request(method, 1, "m", tag, "", "")).status(), 481, "{method}");
        }
    }
    let sent = answer(request("SUBSCRIBE", 1, "m", "", "Event: presence\r\n", ""));
    assert_eq!((sent.status(), sent.header("Allow-Events")), (489, String::new()));
    assert_eq!(answer(request("SUBSCRIBE", 1, "m", "nobody", "", "")).status(), 481);
    for method in ["NEWMETHOD", "invite", "RE%47ISTER"] {
        assert_eq!(answer(request(method, 1, "m", "", "", "")).status(), 501, "{method}");
    }
    assert_eq!(answer(request("BYE", 1, "m", "", "", "")).status(), 481);
    assert_eq!(answer(request("BYE", 1, "m", "nobody", "", "")).status(), 481);
    assert_eq!(answer(request("INVITE", 1, "m", "nobody", "", OFFER)).status(), 481);
}

#[test]
fn addresses() {
    for (uri, status) in [
        ("sip:601@192.0.2.50", 404),
        ("sip:60@192.0.2.50", 404),
        ("nobodyKnowsThisScheme:totallyopaquecontent", 416),
        ("soap.beep://192.0.2.103:3002", 416),
        ("sips:600@192.0.2.50", 416),
        ("tel:+15550600", 416),
    ] {
        let text = invite("a").replace("sip:600@192.0.2.50 SIP", &format!("{uri} SIP"));
        assert_eq!(answer(&text).status(), status, "{uri}");
        if status == 404 {
            assert_eq!(
                answer(text.replace("Max-Forwards: 70", "Max-Forwards: 0")).status(),
                483
            );
        }
    }
}

/// RFC 4475 §3.3.11: an endpoint takes a request at zero hops.
#[test]
fn zero_hops_are_enough_for_us() {
    let mut world = World::plain();
    assert_eq!(
        statuses(&world.ask(invite("a").replace("Max-Forwards: 70", "Max-Forwards: 0"))),
        [100]
    );
}

#[test]
fn versions_and_syntax() {
    assert_eq!(answer(options().replace("50 SIP/2.0", "50 SIP/7.0")).status(), 505);
    for (good, bad) in [
        ("CSeq: 1 OPTIONS", "CSeq: 1 INVITE"),
        ("To: <sip:600@192.0.2.50>", "To: \"x <sip:600@192.0.2.50>"),
        ("Call-ID: one@192.0.2.10", "Call-ID: one@192.0.2.10\r\nCall-ID: two"),
        ("Content-Length: 0", "Content-Length: 10"),
        ("OPTIONS sip:600", "OPTIONS  sip:600"),
    ] {
        let sent = World::plain().ask(options().replace(good, bad));
        assert_eq!(statuses(&sent), [400], "{bad}");
        assert!(
            sent[0]
                .text()
                .contains("\r\nVia: SIP/2.0/UDP 192.0.2.10:5060;branch=z9hG4bKo\r\n")
        );
    }
    // A Via that cannot be read still came from somewhere.
    let sent = World::plain().ask(options().replace(";branch=z9hG4bKo", ";;,;,,"));
    assert_eq!((statuses(&sent), sent[0].flow.peer), (vec![400], address(PEER)));
    // Nothing to answer: no Via, an ACK, a response, noise.
    for text in [
        options().replace("Via: ", "X: "),
        request("ACK", 1, "k", "", "", "").replace("CSeq: 1 ACK", "CSeq: x"),
        options().replace("OPTIONS sip:600@192.0.2.50 SIP/2.0", "SIP/2.0 4294967301 OK"),
        "GET / HTTP/1.1\r\nHost: a\r\n\r\n".into(),
        "\r\n\r\n".into(),
    ] {
        assert!(World::plain().ask(&text).is_empty(), "{text}");
    }
    // The same broken request gets the same answer (RFC 3261 §8.2.7).
    let mut world = World::plain();
    let bad = options().replace("CSeq: 1 OPTIONS", "CSeq: 1");
    assert_eq!(world.ask(&bad)[0].octets, world.ask(&bad)[0].octets);
}

/// RFC 4475 §3.3.5: what is required of us and we lack; Proxy-Require is not ours to judge.
#[test]
fn required_extensions() {
    let text = request(
        "OPTIONS",
        1,
        "r",
        "",
        "Require: nothingSupportsThis, 100rel\r\nRequire: timer, replaces\r\n",
        "",
    );
    let sent = answer(text);
    assert_eq!(sent.status(), 420);
    assert_eq!(sent.header("Unsupported"), "nothingSupportsThis, replaces");
    let text = request(
        "OPTIONS",
        1,
        "r",
        "",
        "Proxy-Require: noProxiesSupportThis\r\nSupported: 100rel,,timer\r\n",
        "",
    );
    assert_eq!(answer(text).status(), 200);
}

/// RFC 3261 §8.2.3, RFC 4475 §3.3.6 and §3.3.15.
#[test]
fn bodies_and_accept() {
    let foreign = invite("a").replace("application/sdp", "application/unknownformat");
    let sent = answer(&foreign);
    assert_eq!((sent.status(), sent.header("Accept")), (415, "application/sdp".into()));
    let encoded = invite("a").replace("Content-Type", "Content-Encoding: gzip\r\nContent-Type");
    let sent = answer(encoded);
    assert_eq!(
        (sent.status(), sent.header("Accept-Encoding")),
        (415, "identity".into())
    );
    let deaf = request("INVITE", 1, "a", "", "Accept: text/nobodyKnowsThis\r\n", "");
    assert_eq!(answer(deaf).status(), 406);
    for accepted in [
        invite("a").replace("application/sdp", "Application / SDP ; charset=utf-8"),
        request(
            "INVITE",
            1,
            "a",
            "",
            "Accept: text/plain;q=0.1, application/sdp\r\n",
            OFFER,
        ),
        request("INVITE", 1, "a", "", "Accept: */*\r\n", OFFER),
    ] {
        let mut world = World::plain();
        assert_eq!(statuses(&world.ask(accepted)), [100]);
        assert!(matches!(
            world.events.last(),
            Some(Event::Incoming(i)) if i.offer.is_some()
        ));
    }
    // RFC 5621 §3.1: the offer among other parts.
    let parts =
        "preamble\r\n--x y\r\nContent-Type: text/plain\r\n\r\nhello\r\n--x y\r\nX: z\r\nc : application/sdp\r\n\r\n";
    let parts = format!("{parts}{OFFER}\r\n--x y--\r\n");
    let mixed = |kind: &str, body: &str| {
        request("INVITE", 1, "a", "", "", body).replace("application/sdp\r\nContent-L", &format!("{kind}\r\nContent-L"))
    };
    let mut world = World::plain();
    world.ask(mixed("Multipart/Mixed ; boundary=\"x y\"", &parts));
    assert!(matches!(world.events.last(), Some(Event::Incoming(i)) if i.offer.as_deref() == Some(OFFER.as_bytes())));
    for (kind, body) in [
        ("multipart/mixed;boundary=other", parts.as_str()),
        ("multipart/mixed", &parts),
        ("multipart/mixed;boundary=\"x y\"", "--x y\r\n\r\nplain\r\n--x y--"),
        (
            "multipart/mixed;boundary=\"x y\"",
            "--x y\r\nContent-Type: application/sdp\r\n\r\ncut",
        ),
    ] {
        assert_eq!(answer(mixed(kind, body)).status(), 415, "{kind}");
    }
    // A body that may be left unread is.
    let mut world = World::plain();
    world.ask(foreign.replace(
        "Content-Type",
        "Content-Disposition: render; handling=optional\r\nContent-Type",
    ));
    assert!(matches!(world.events.last(), Some(Event::Incoming(i)) if i.offer.is_none()));
}

/// Large requests do not fill the memory: what is kept of finished ones is given up first.
#[test]
fn octets_are_bounded() {
    let mut world = World::plain();
    let large = format!("Route: <sip:{}@x>\r\n", "y".repeat(30_000));
    for i in 0..MAX_TRANSACTIONS {
        let tag = "z".repeat(30_000);
        let text = request("OPTIONS", 1, &format!("o{i}"), "", &large, "").replace("one@", &format!("{tag}{i}@"));
        assert_eq!(statuses(&world.ask(text)), [200]);
        let held: usize = world.agent.servers.values().map(|s| s.call_id.len()).sum();
        assert!(held <= MAX_TRANSACTION_OCTETS + 65_536);
    }
    assert!(world.agent.servers.len() < MAX_TRANSACTIONS);
}

/// RFC 3261 §8.2.2.2: the same INVITE by two ways makes one call.
#[test]
fn merged_request() {
    let mut world = World::plain();
    world.ask(invite("a"));
    assert_eq!(statuses(&world.ask(invite("b"))), [482]);
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    assert_eq!(statuses(&world.ask(invite("c"))), [482]);
    // Once refused and acknowledged, another branch of a proxy may try again.
    let mut world = World::plain();
    world.ask(invite("a"));
    let call = world.call();
    world.agent.refuse(call, 486, None, world.now);
    world.drain();
    assert_eq!(statuses(&world.ask(invite("b"))), [100]);
}

/// RFC 4475 §3.4.1: no tag, no branch, no Contact, no Max-Forwards, no Content-Length.
#[test]
fn caller_of_the_old_standard() {
    let head = |method: &str, to: &str| {
        format!(
            "{method} sip:600@192.0.2.50 SIP/2.0\r\nVia: SIP/2.0/UDP gw.example\r\n\
             From: <sip:+15550100@gw.example;user=phone>\r\nTo: {to}\r\nCall-ID: old.1@gw\r\nCSeq: 56 {method}\r\n\r\n"
        )
    };
    let to = "sip:600@192.0.2.50;user=phone";
    let mut world = World::plain();
    world.ask(head("INVITE", to) + OFFER);
    assert_eq!(statuses(&world.ask(head("INVITE", to) + OFFER)), [100], "absorbed");
    assert_eq!(world.last().header("Via"), "SIP/2.0/UDP gw.example;received=192.0.2.10");
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    let tag = world.last().to_tag();
    world.ask(head("ACK", &format!("{to};tag={tag}")));
    assert!(world.is_confirmed());
    world.agent.hang_up(call, None, world.now);
    world.drain();
    assert!(
        world
            .last()
            .text()
            .starts_with("BYE sip:+15550100@gw.example;user=phone SIP/2.0\r\n")
    );
    assert_eq!(world.last().flow, udp(PEER));

    let mut world = World::plain();
    world.ask(head("INVITE", to) + OFFER);
    assert_eq!(statuses(&world.ask(head("CANCEL", to))), [200, 487]);
    let mut world = World::plain();
    world.ask(head("INVITE", to) + OFFER);
    let call = world.call();
    world.agent.refuse(call, 488, None, world.now);
    world.drain();
    let tag = world.last().to_tag();
    world.ask(head("ACK", &format!("{to};tag={tag}")));
    let count = world.sent.len();
    world.run_ms(40_000);
    assert_eq!(world.sent.len(), count, "the refusal is acknowledged");
}

/// The user selects the extension; among namesakes the peer's registrar does.
#[test]
fn selection() {
    let mut world = World::new(Settings {
        networks: vec!["192.0.2.10".parse().unwrap()],
        ..settings(vec![
            registered("600", "one.example", Transport::Udp),
            registered("600", "two.example", Transport::Udp),
            direct("600"),
            direct("yard gate"),
        ])
    });
    for (id, at) in [(0, "192.0.2.1:5060"), (1, "192.0.2.2:5060")] {
        world.resolved(id, &[at]);
    }
    for (i, (peer, uri, extension)) in [
        ("192.0.2.1:5060", "sip:600@x", 0),
        ("192.0.2.2:5060", "sip:600@x", 1),
        (PEER, "sip:600@x", 2),
        (PEER, "sip:yard%20gate@x", 3),
    ]
    .into_iter()
    .enumerate()
    {
        let text = invite(&format!("b{i}")).replace("sip:600@192.0.2.50 SIP", &format!("{uri} SIP"));
        world.datagram(peer, text.replace("one@", &format!("c{i}@")));
        match world.events.last() {
            Some(Event::Incoming(i)) => assert_eq!(i.extension.0, extension),
            other => panic!("{other:?}"),
        }
    }
}

/// Who calls: From, or what a registrar asserts (RFC 3325); never anything that could harm a terminal.
#[test]
fn caller_names() {
    let caller = |peer: &str, from: &str, extra: &str| {
        let mut world = World::new(settings(vec![registered("600", "one.example", Transport::Udp)]));
        world.resolved(0, &[REGISTRAR]);
        let text = request("INVITE", 1, "a", "", extra, OFFER);
        world.datagram(peer, text.replace("\"Saw shed\" <sip:201@quayside.example>", from));
        match world.events.pop() {
            Some(Event::Incoming(i)) => i.caller,
            other => panic!("{other:?}"),
        }
    };
    let asserted = "P-Asserted-Identity: \"Office, ground floor\" <sip:310@quayside.example>, <tel:+15550310>\r\n";
    let from = "<sip:anonymous@anonymous.invalid>";
    assert_eq!(
        caller(REGISTRAR, from, asserted),
        "Office, ground floor <310@quayside.example>"
    );
    assert_eq!(caller(PEER, from, asserted), "anonymous@anonymous.invalid");
    assert_eq!(
        caller(PEER, "\"a\x1b[31m\" <sip:%1b%0a@[2001:db8::1]>", ""),
        "a[31m <@[2001:db8::1]>"
    );
    assert_eq!(caller(PEER, "<tel:+15550310>", ""), "tel:+15550310");
    assert_eq!(
        caller(PEER, &format!("\"{}\" <sip:a@b>", "x".repeat(5000)), "")
            .chars()
            .count(),
        128
    );
}

#[test]
fn bounds_are_answered_with_503() {
    let mut world = World::plain();
    for i in 0..MAX_CALLS {
        world.ask(invite(&format!("a{i}")).replace("one@", &format!("c{i}@")));
    }
    let sent = world.ask(invite("last").replace("one@", "last@"));
    assert_eq!(statuses(&sent), [503]);
    assert!(sent[0].has("Retry-After"));
    assert_eq!(world.agent.calls.len(), MAX_CALLS);
    // Requests of any kind: finished transactions make room for new ones.
    for i in 0..2 * MAX_TRANSACTIONS {
        let sent = world.ask(request("OPTIONS", 1, &format!("o{i}"), "", "", "").replace("one@", &format!("o{i}@")));
        assert_eq!(statuses(&sent), [200]);
        assert!(world.agent.servers.len() <= MAX_TRANSACTIONS);
    }
}
