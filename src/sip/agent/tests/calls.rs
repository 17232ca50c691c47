//! Calls as RFC 3665 §3 draws them, seen from the called side.

use super::*;

fn body(sent: &Sent) -> String {
    String::from_utf8(sent.message().body).unwrap()
}

/// RFC 3665 §3.1: INVITE, 100, 200, ACK, BYE, 200.
#[test]
fn plain_call() {
    let mut world = World::plain();
    let sent = world.ask(invite("a"));
    assert_eq!(sent.iter().map(Sent::status).collect::<Vec<_>>(), [100]);
    assert!(!sent[0].header("To").contains("tag="), "100 has no tag of ours");
    let Some(Event::Incoming(incoming)) = world.events.pop() else {
        panic!("no call");
    };
    let Incoming {
        call,
        extension,
        caller,
        peer,
        local,
        offer,
        ..
    } = *incoming;
    assert_eq!(extension, ExtensionId(0));
    assert_eq!(caller, "Saw shed <201@quayside.example>");
    assert_eq!((peer, local), (address(PEER), address(LOCAL)));
    assert_eq!(offer.as_deref(), Some(OFFER.as_bytes()));

    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    let ok = world.last().clone();
    assert_eq!(ok.status(), 200);
    assert_eq!(ok.flow, udp(PEER));
    assert_eq!(ok.header("Via"), "SIP/2.0/UDP 192.0.2.10:5060;branch=z9hG4bKa");
    assert_eq!(ok.header("From"), "\"Saw shed\" <sip:201@quayside.example>;tag=far");
    assert_eq!(ok.header("Call-ID"), "one@192.0.2.10");
    assert_eq!(ok.header("CSeq"), "1 INVITE");
    assert_eq!(ok.header("Contact"), "<sip:600@192.0.2.50:5060>");
    assert_eq!(ok.header("Content-Type"), "application/sdp");
    assert!(ok.header("Allow").contains("INVITE") && ok.has("Supported"));
    assert_eq!(body(&ok), ANSWER);

    let tag = ok.to_tag();
    assert!(world.ask(in_dialog("ACK", 1, "b", &tag, "")).is_empty());
    assert!(matches!(
        world.events.pop(),
        Some(Event::Confirmed { answer: None, .. })
    ));
    world.run_ms(100_000);
    assert_eq!(world.sent.len(), 2, "nothing is repeated after the ACK");
    let bye = world.ask(in_dialog("BYE", 2, "c", &tag, ""));
    assert_eq!(bye[0].status(), 200);
    assert_eq!(bye[0].header("CSeq"), "2 BYE");
    assert_eq!(world.endings(), [Ending::Bye]);
    // A repeated BYE gets the same answer; a new one finds no call.
    assert_eq!(world.ask(in_dialog("BYE", 2, "c", &tag, ""))[0].octets, bye[0].octets);
    assert_eq!(world.ask(in_dialog("BYE", 3, "d", &tag, ""))[0].status(), 481);
    assert_eq!(world.endings().len(), 1);
}

/// RFC 3261 §13.3.1.4: the 200 is repeated at T1, doubling to T2; 64·T1 without ACK ends the call with BYE.
#[test]
fn unacknowledged_200() {
    let mut world = World::plain();
    world.ask(invite("a"));
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    world.sent.clear();
    world.run_ms(31_999);
    let times: Vec<u128> = world.sent.iter().map(|s| s.at.as_millis()).collect();
    assert_eq!(
        times,
        [500, 1500, 3500, 7500, 11_500, 15_500, 19_500, 23_500, 27_500, 31_500]
    );
    assert!(world.sent.iter().all(|s| s.status() == 200));
    world.sent.clear();
    world.run_ms(1);
    assert_eq!(world.endings(), [Ending::Lost]);
    assert_eq!(world.last().method(), "BYE");
    // The BYE is a transaction: it is repeated, then given up; nothing stays behind.
    world.run_ms(40_000);
    assert_eq!(world.sent.len(), 11);
    assert_eq!(world.endings(), [Ending::Lost]);
    assert!(world.agent.calls.is_empty() && world.agent.clients.is_empty() && world.agent.servers.is_empty());
}

/// Repeated INVITEs are absorbed: 100 while it rings, nothing once the 200 repeats itself (RFC 6026 §7.1).
#[test]
fn repeated_invite_makes_one_call() {
    let mut world = World::plain();
    world.ask(invite("a"));
    assert_eq!(world.ask(invite("a"))[0].status(), 100);
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    assert!(world.ask(invite("a")).is_empty());
    assert_eq!(
        world.events.iter().filter(|e| matches!(e, Event::Incoming(_))).count(),
        1
    );
}

/// RFC 3261 §13.2.1: without an offer the 200 holds ours and the ACK the answer.
#[test]
fn call_without_offer() {
    let mut world = World::plain();
    world.ask(request("INVITE", 1, "a", "", "", ""));
    assert!(matches!(world.events.last(), Some(Event::Incoming(i)) if i.offer.is_none()));
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    let tag = world.last().to_tag();
    world.ask(in_dialog("ACK", 1, "b", &tag, OFFER));
    match world.events.last() {
        Some(Event::Confirmed { answer: Some(a), .. }) => assert_eq!(a, OFFER.as_bytes()),
        other => panic!("{other:?}"),
    }
}

/// RFC 3261 §13.2.1: the answer must stand in the ACK. One without is handed on as an answer that cannot be read.
#[test]
fn our_offer_is_not_answered() {
    let mut world = World::plain();
    world.ask(request("INVITE", 1, "a", "", "", ""));
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    let tag = world.last().to_tag();
    world.ask(in_dialog("ACK", 1, "b", &tag, ""));
    assert!(matches!(world.events.last(), Some(Event::Confirmed { answer: Some(a), .. }) if a.is_empty()));
}

/// A re-INVITE that puts on hold, and one without an offer (RFC 3261 §14.2).
#[test]
fn changes() {
    let mut world = World::plain();
    let (call, tag) = world.talk();
    let sent = world.ask(in_dialog("INVITE", 2, "c", &tag, OFFER));
    assert_eq!(sent[0].status(), 100);
    assert!(matches!(
        world.events.last(),
        Some(Event::Change { offer: Some(_), .. })
    ));
    world.agent.accept_change(call, ANSWER.into(), world.now);
    world.drain();
    assert_eq!((world.last().status(), body(world.last())), (200, ANSWER.to_owned()));
    let events = world.events.len();
    world.ask(in_dialog("ACK", 2, "d", &tag, ""));
    assert_eq!(world.events.len(), events);

    world.ask(in_dialog("INVITE", 3, "e", &tag, ""));
    assert!(matches!(world.events.last(), Some(Event::Change { offer: None, .. })));
    world.agent.accept_change(call, ANSWER.into(), world.now);
    world.drain();
    world.run_ms(500);
    assert_eq!(world.last().header("CSeq"), "3 INVITE", "its 200 is repeated");
    world.ask(in_dialog("ACK", 3, "f", &tag, OFFER));
    assert!(matches!(world.events.last(), Some(Event::ChangeAnswered { answer, .. }) if answer == OFFER.as_bytes()));

    world.ask(in_dialog("INVITE", 4, "g", &tag, OFFER));
    world.agent.refuse_change(call, 488, world.now);
    world.drain();
    assert_eq!(world.last().status(), 488);
    world.ask(in_dialog("ACK", 4, "g", &tag, ""));
    world.run_ms(60_000);
    assert!(world.endings().is_empty(), "a refused change leaves the call as it was");
}

/// RFC 3261 §14.2: a second INVITE before the first is answered is 500 with Retry-After of 0 to 10 s; one that
/// crosses our own offer is 491.
#[test]
fn overlapping_changes() {
    let mut world = World::plain();
    let (call, tag) = world.talk();
    world.ask(in_dialog("INVITE", 2, "c", &tag, OFFER));
    let second = world.ask(in_dialog("INVITE", 3, "d", &tag, OFFER));
    assert_eq!(second[0].status(), 500);
    assert!(second[0].header("Retry-After").parse::<u32>().unwrap() <= 10);
    world.agent.refuse_change(call, 488, world.now);
    world.drain();
    world.ask(in_dialog("INVITE", 4, "e", &tag, ""));
    world.agent.accept_change(call, ANSWER.into(), world.now);
    world.drain();
    assert_eq!(world.ask(in_dialog("INVITE", 5, "f", &tag, OFFER))[0].status(), 491);
}

/// A re-INVITE proves that the 200 arrived, though its ACK was lost.
#[test]
fn change_instead_of_a_lost_ack() {
    let mut world = World::plain();
    world.ask(invite("a"));
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    let tag = world.last().to_tag();
    world.ask(in_dialog("INVITE", 2, "b", &tag, OFFER));
    assert!(world.is_confirmed());
    assert!(matches!(world.events.last(), Some(Event::Change { .. })));
}

/// RFC 3261 §12.2.2: a CSeq that does not grow is out of order.
#[test]
fn sequence_goes_backwards() {
    let mut world = World::plain();
    let (_, tag) = world.talk();
    assert_eq!(world.ask(in_dialog("OPTIONS", 7, "c", &tag, ""))[0].status(), 200);
    assert_eq!(world.ask(in_dialog("BYE", 6, "d", &tag, ""))[0].status(), 500);
    assert!(world.endings().is_empty());
}

/// RFC 3261 §12.1.1, §12.2.1.1: Record-Route comes back in order, in the 200 and as our Route; the BYE goes to the
/// first proxy with the Contact as Request-URI, which a re-INVITE may change.
#[test]
fn loose_routes() {
    let mut world = World::plain();
    let routes = "Record-Route: <sip:192.0.2.7;lr;ftag=far>, <sip:192.0.2.8:5080;lr>\r\nRecord-Route: <sip:proxy.example;lr>\r\n";
    world.ask(request("INVITE", 1, "a", "", routes, OFFER));
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    assert!(world.last().text().contains(routes));
    let tag = world.last().to_tag();
    world.ask(in_dialog("ACK", 1, "b", &tag, ""));
    let moved = in_dialog("INVITE", 2, "c", &tag, OFFER)
        .replace("Contact: <sip:201@192.0.2.10:5060>", "m: <sip:201@192.0.2.12>");
    world.ask(moved);
    world.agent.accept_change(call, ANSWER.into(), world.now);
    world.agent.hang_up(call, None, world.now);
    world.drain();
    let bye = world.last();
    assert!(bye.text().starts_with("BYE sip:201@192.0.2.12 SIP/2.0\r\n"));
    assert_eq!(bye.flow, udp("192.0.2.7:5060"));
    let listed: Vec<String> = bye
        .message()
        .list("Route")
        .unwrap()
        .iter()
        .map(|r| String::from_utf8(r.to_vec()).unwrap())
        .collect();
    assert_eq!(
        listed,
        [
            "<sip:192.0.2.7;lr;ftag=far>",
            "<sip:192.0.2.8:5080;lr>",
            "<sip:proxy.example;lr>"
        ]
    );
}

/// RFC 3261 §12.2.1.1: a strict router gets its own URI, the Contact goes last.
#[test]
fn strict_route() {
    let mut world = World::plain();
    world.ask(request(
        "INVITE",
        1,
        "a",
        "",
        "Record-Route: <sip:192.0.2.7:5070>, <sip:192.0.2.8;lr>\r\n",
        OFFER,
    ));
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    let tag = world.last().to_tag();
    world.ask(in_dialog("ACK", 1, "b", &tag, ""));
    world.agent.hang_up(call, None, world.now);
    world.drain();
    let bye = world.last();
    assert!(bye.text().starts_with("BYE sip:192.0.2.7:5070 SIP/2.0\r\n"));
    assert!(
        bye.text()
            .contains("Route: <sip:192.0.2.8;lr>\r\nRoute: <sip:201@192.0.2.10:5060>\r\n")
    );
    assert_eq!(bye.flow, udp("192.0.2.7:5070"));
}

/// A Contact by name cannot be resolved here: requests go back the way the INVITE came.
#[test]
fn contact_by_name() {
    let mut world = World::plain();
    let text = invite("a").replace("Contact: <sip:201@192.0.2.10:5060>", "Contact: <sip:201@shed.example>");
    world.ask(text);
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    let tag = world.last().to_tag();
    world.ask(in_dialog("ACK", 1, "b", &tag, ""));
    world.agent.hang_up(call, None, world.now);
    world.drain();
    assert!(world.last().text().starts_with("BYE sip:201@shed.example SIP/2.0"));
    assert_eq!(world.last().flow, udp(PEER));
}

/// RFC 3581 §4 and its example in §6.
#[test]
fn reply_to_the_source_port() {
    let mut world = World::plain();
    let text = invite("a").replace("UDP 192.0.2.10:5060;", "UDP 10.1.1.1:4540;rport;");
    world.datagram("192.0.2.1:9988", text);
    assert_eq!(
        world.last().header("Via"),
        "SIP/2.0/UDP 10.1.1.1:4540;rport=9988;branch=z9hG4bKa;received=192.0.2.1"
    );
    assert_eq!(world.last().flow.peer, address("192.0.2.1:9988"));
    // Without rport: RFC 3261 §18.2.2, the source address and the port in Via.
    let text = invite("b")
        .replace("UDP 192.0.2.10:5060;", "UDP 10.1.1.1:4540;")
        .replace("one@", "two@");
    world.datagram("192.0.2.1:9988", text);
    assert_eq!(
        world.last().header("Via"),
        "SIP/2.0/UDP 10.1.1.1:4540;branch=z9hG4bKb;received=192.0.2.1"
    );
    assert_eq!(world.last().flow.peer, address("192.0.2.1:4540"));
}
