//! How calls end: refusals, CANCEL and its races, our own BYE.

use super::*;

fn answered(world: &mut World) -> (CallId, String) {
    world.ask(invite("a"));
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    (call, world.last().to_tag())
}

fn busy() -> Cause {
    Cause {
        status: 486,
        text: "the \"yard\" is in use".into(),
    }
}

/// A refusal with a Reason (RFC 3326) is repeated until its ACK.
#[test]
fn refusal() {
    let mut world = World::plain();
    world.ask(invite("a"));
    let call = world.call();
    world.agent.refuse(call, 486, Some(busy()), world.now);
    world.drain();
    assert_eq!(world.last().status(), 486);
    assert_eq!(
        world.last().header("Reason"),
        "SIP;cause=486;text=\"the \\\"yard\\\" is in use\""
    );
    assert_eq!(world.endings(), [Ending::Refused]);
    world.run_ms(600);
    assert_eq!(world.sent.iter().filter(|s| s.status() == 486).count(), 2);
    let tag = world.last().to_tag();
    // The ACK to a refusal has the INVITE's branch (RFC 3261 §17.1.1.3).
    assert!(world.ask(in_dialog("ACK", 1, "a", &tag, "")).is_empty());
    let sent = world.sent.len();
    world.run_ms(60_000);
    assert_eq!(world.sent.len(), sent);
    assert!(world.agent.servers.is_empty());
    // Commands for a call that is over do nothing.
    world.agent.accept(call, ANSWER.into(), world.now);
    world.agent.hang_up(call, None, world.now);
    world.drain();
    assert_eq!((world.sent.len(), world.endings().len()), (sent, 1));
}

/// RFC 3665 §3.8: CANCEL before the answer: 200 to it, 487 to the INVITE, same To tag.
#[test]
fn cancel_before_the_answer() {
    let mut world = World::plain();
    world.ask(invite("a"));
    let sent = world.ask(request("CANCEL", 1, "a", "", "", ""));
    assert_eq!(sent.iter().map(Sent::status).collect::<Vec<_>>(), [200, 487]);
    assert_eq!(sent[0].header("CSeq"), "1 CANCEL");
    assert_eq!(sent[1].header("CSeq"), "1 INVITE");
    assert_eq!(sent[0].to_tag(), sent[1].to_tag());
    assert_eq!(world.endings(), [Ending::Cancelled]);
}

/// CANCEL after the 200 has no effect (RFC 3261 §9.2); the caller has to acknowledge and hang up.
#[test]
fn cancel_after_the_answer() {
    let mut world = World::plain();
    let (_, tag) = answered(&mut world);
    let sent = world.ask(request("CANCEL", 1, "a", "", "", ""));
    assert_eq!(sent.iter().map(Sent::status).collect::<Vec<_>>(), [200]);
    assert!(world.endings().is_empty());
    world.ask(in_dialog("ACK", 1, "b", &tag, ""));
    world.ask(in_dialog("BYE", 2, "c", &tag, ""));
    assert_eq!(world.endings(), [Ending::Bye]);
}

#[test]
fn cancel_of_nothing() {
    let mut world = World::plain();
    assert_eq!(world.ask(request("CANCEL", 1, "x", "", "", ""))[0].status(), 481);
}

/// CANCEL of a re-INVITE ends the change, not the call.
#[test]
fn cancel_of_a_change() {
    let mut world = World::plain();
    let (call, tag) = world.talk();
    world.ask(in_dialog("INVITE", 2, "c", &tag, OFFER));
    let sent = world.ask(in_dialog("CANCEL", 2, "c", &tag, ""));
    assert_eq!(sent.iter().map(Sent::status).collect::<Vec<_>>(), [200, 487]);
    assert!(world.endings().is_empty());
    let before = world.sent.len();
    world.agent.accept_change(call, ANSWER.into(), world.now);
    world.drain();
    assert_eq!(world.sent.len(), before);
}

/// Our BYE: own tags in From, theirs in To, a Reason; its 200 ends everything.
#[test]
fn hang_up() {
    let mut world = World::plain();
    let (call, tag) = world.talk();
    world.agent.hang_up(call, Some(busy()), world.now);
    world.drain();
    assert_eq!(world.endings(), [Ending::Local]);
    let bye = world.last().clone();
    assert!(bye.text().starts_with("BYE sip:201@192.0.2.10:5060 SIP/2.0\r\n"));
    assert_eq!(bye.header("From"), format!("<sip:600@192.0.2.50>;tag={tag}"));
    assert_eq!(bye.header("To"), "\"Saw shed\" <sip:201@quayside.example>;tag=far");
    assert_eq!(bye.header("Max-Forwards"), "70");
    assert!(
        bye.header("Via")
            .starts_with("SIP/2.0/UDP 192.0.2.50:5060;rport;branch=z9hG4bK")
    );
    assert!(bye.header("Reason").starts_with("SIP;cause=486;"));
    world.run_ms(500);
    assert_eq!(world.last().octets, bye.octets, "lost: the same again");
    world.ask(reply(&bye, "200 OK", ""));
    let sent = world.sent.len();
    world.run_ms(100_000);
    assert_eq!(world.sent.len(), sent);
    assert!(world.agent.calls.is_empty());
    assert_eq!(world.endings(), [Ending::Local]);
}

/// RFC 3261 §15: no BYE before the ACK, or before 64·T1 without one.
#[test]
fn hang_up_before_the_ack() {
    let mut world = World::plain();
    let (call, tag) = answered(&mut world);
    world.agent.hang_up(call, None, world.now);
    world.drain();
    assert_eq!(world.endings(), [Ending::Local]);
    assert!(world.sent.iter().all(|s| s.method() != "BYE"));
    world.run_ms(1000);
    world.ask(in_dialog("ACK", 1, "b", &tag, ""));
    assert_eq!(world.last().method(), "BYE");
    assert!(!world.is_confirmed(), "nothing more comes for an ended call");

    let mut world = World::plain();
    let (call, _) = answered(&mut world);
    world.agent.hang_up(call, None, world.now);
    world.run_ms(32_000);
    assert_eq!(world.last().method(), "BYE");
    world.run_ms(40_000);
    assert_eq!(world.endings(), [Ending::Local]);
    assert!(world.agent.calls.is_empty());
}

/// Both hang up at once (RFC 5407 §3.1.2 draws it): each gets its 200.
#[test]
fn crossing_byes() {
    let mut world = World::plain();
    let (call, tag) = world.talk();
    world.agent.hang_up(call, None, world.now);
    world.drain();
    let sent = world.ask(in_dialog("BYE", 2, "c", &tag, ""));
    assert_eq!(sent[0].status(), 200);
    assert_eq!(world.endings(), [Ending::Local]);
    let count = world.sent.len();
    world.run_ms(40_000);
    assert_eq!(world.sent.len(), count, "their BYE makes ours needless");
}

/// A BYE before the ACK is fine for the caller (RFC 3261 §15).
#[test]
fn bye_before_the_ack() {
    let mut world = World::plain();
    let (_, tag) = answered(&mut world);
    assert_eq!(world.ask(in_dialog("BYE", 2, "c", &tag, ""))[0].status(), 200);
    assert_eq!(world.endings(), [Ending::Bye]);
    let count = world.sent.len();
    world.run_ms(60_000);
    assert_eq!(
        world.sent.len(),
        count,
        "the 200 to the INVITE is not repeated any more"
    );
}

/// RFC 3261 §22: a challenged BYE goes out once more with credentials, not for ever.
#[test]
fn challenged_bye() {
    let mut extension = direct("600");
    extension.password = Some(Secret::new("tide-table"));
    let mut world = World::new(settings(vec![extension]));
    let (call, _) = world.talk();
    world.agent.hang_up(call, None, world.now);
    world.drain();
    let first = world.last().clone();
    let challenge = "Proxy-Authenticate: Digest realm=\"quayside\", nonce=\"n1\", algorithm=MD5, qop=\"auth\"\r\n";
    let sent = world.ask(reply(&first, "407 Proxy Authentication Required", challenge));
    assert_eq!(sent.len(), 1);
    assert_eq!(sent[0].header("CSeq"), "2 BYE");
    assert!(sent[0].header("Proxy-Authorization").contains("username=\"600\""));
    assert_ne!(sent[0].header("Via"), first.header("Via"));
    let again = world.ask(reply(&sent[0], "407 Proxy Authentication Required", challenge));
    assert!(again.is_empty());
    assert!(world.agent.calls.is_empty());
}

/// An announced call that nobody decides about does not stay for ever.
#[test]
fn undecided_call() {
    let mut world = World::plain();
    world.ask(invite("a"));
    world.run_ms(179_999);
    assert!(world.endings().is_empty());
    world.run_ms(1);
    assert_eq!(world.endings(), [Ending::Lost]);
    assert_eq!(world.last().status(), 480);
}

/// Shut-down ends calls with BYE, refuses what rings, and takes no new calls.
#[test]
fn shut_down() {
    let mut world = World::plain();
    world.talk();
    let second = invite("z").replace("one@", "two@").replace("tag=far", "tag=fax");
    world.ask(&second);
    assert!(!world.agent.is_idle());
    world.agent.shut_down(world.now);
    world.drain();
    assert_eq!(world.endings(), [Ending::Local, Ending::Local]);
    let bye = world.sent.iter().find(|s| s.method() == "BYE").unwrap().clone();
    assert_eq!(world.last().status(), 480);
    assert!(!world.agent.is_idle());
    let third = invite("y").replace("one@", "three@").replace("tag=far", "tag=fay");
    assert_eq!(world.ask(&third)[0].status(), 480);
    world.ask(reply(&bye, "200 OK", ""));
    assert!(world.agent.is_idle());
}

/// A far end that is gone holds shut-down up for its limit only.
#[test]
fn shut_down_without_answers() {
    let mut world = World::plain();
    world.talk();
    world.agent.shut_down(world.now);
    world.run(SHUTDOWN_LIMIT - Duration::from_millis(1));
    assert!(!world.agent.is_idle());
    world.run_ms(1);
    assert!(world.agent.is_idle());
    assert_eq!(world.agent.poll_timeout(), None);
}

/// A Contact that leads nowhere: after timer F the BYE goes the way the INVITE came, once.
#[test]
fn unreachable_contact() {
    let mut world = World::plain();
    let text = invite("a").replace("Contact: <sip:201@192.0.2.10:5060>", "Contact: <sip:201@10.1.1.1>");
    world.ask(text);
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    let tag = world.last().to_tag();
    world.ask(in_dialog("ACK", 1, "b", &tag, ""));
    world.agent.hang_up(call, None, world.now);
    world.run_ms(31_999);
    assert_eq!(world.last().flow, udp("10.1.1.1:5060"));
    world.run_ms(1);
    assert_eq!(world.last().flow, udp(PEER));
    assert!(world.last().text().starts_with("BYE sip:201@10.1.1.1 SIP/2.0"));
    world.run_ms(40_000);
    assert!(world.agent.calls.is_empty());
}

/// The gate may lose the address that a call came from; the call goes on.
#[test]
fn registrar_moves_during_a_call() {
    let mut world = World::new(Settings {
        networks: Vec::new(),
        ..settings(vec![registered("600", "one.example", Transport::Udp)])
    });
    let resolve = |world: &mut World, at: &str| {
        world.resolved(0, &[at]);
        world.drain();
    };
    resolve(&mut world, PEER);
    let (_, tag) = world.talk();
    resolve(&mut world, REGISTRAR);
    assert!(world.ask(invite("x").replace("one@", "two@")).is_empty());
    assert_eq!(world.ask(in_dialog("BYE", 2, "c", &tag, ""))[0].status(), 200);
    assert_eq!(world.endings(), [Ending::Bye]);
}

/// Own: calls that are over hold no place that a new one needs, whoever leaves their BYE unanswered or never sends an
/// ACK. Most of them belong to one far end; another's is not forgotten for their sake.
#[test]
fn calls_that_are_over_keep_nobody_out() {
    let mut world = World::plain();
    let begin = |world: &mut World, peer: &str, id: &str| {
        let text = invite(id).replace("one@", &format!("{id}@"));
        world.datagram(peer, text.replace("192.0.2.10:5060", peer));
        let call = world.call();
        world.agent.accept(call, ANSWER.into(), world.now);
        world.drain();
        (call, world.last().to_tag())
    };
    let hang_up = |world: &mut World, call| {
        world.agent.hang_up(call, None, world.now);
        world.drain();
    };
    const OTHER: &str = "192.0.2.11:5060";
    let (other, _) = begin(&mut world, OTHER, "other");
    hang_up(&mut world, other);
    for i in 0..3 * MAX_CALLS {
        let id = format!("over{i}");
        let (call, tag) = begin(&mut world, PEER, &id);
        if i % 2 == 0 {
            world.ask(in_dialog("ACK", 1, &format!("ack{i}"), &tag, "").replace("one@", &format!("{id}@")));
        }
        hang_up(&mut world, call);
        assert!(world.agent.calls.len() <= MAX_CALLS && world.agent.clients.len() <= MAX_CALLS);
    }
    assert!(world.agent.calls.contains_key(&other));
    let byes = world.sent.iter().filter(|s| s.method() == "BYE").count();
    // One was sent for each that gave way, and for each that had its ACK.
    assert!(byes > 2 * MAX_CALLS, "{byes}");
    let (last, _) = begin(&mut world, OTHER, "last");
    assert!(world.agent.calls.contains_key(&last));
    // Those that are alive do not give way.
    for i in 0..MAX_CALLS {
        world.ask(invite(&format!("live{i}")).replace("one@", &format!("live{i}@")));
    }
    assert!(world.agent.calls.contains_key(&last));
    assert_eq!(world.last().status(), 503);
}
