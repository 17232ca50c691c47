//! Provisional answers that must arrive, and UPDATE before the call is answered (RFC 3262, RFC 3311).

use super::*;

fn demanding(branch: &str) -> String {
    request("INVITE", 1, branch, "", "Require: 100rel\r\n", OFFER)
}

fn prack(cseq: u32, branch: &str, tag: &str, rack: &str) -> String {
    request("PRACK", cseq, branch, tag, &format!("RAck: {rack}\r\n"), "")
}

fn statuses(sent: &[Sent]) -> Vec<u16> {
    sent.iter().map(Sent::status).collect()
}

/// RFC 3262 §3: 180 with RSeq, PRACK, 200 to it, then 200 to the INVITE.
#[test]
fn ringing_is_acknowledged() {
    let mut world = World::plain();
    let sent = world.ask(demanding("a"));
    assert_eq!(statuses(&sent), [100, 180]);
    let ringing = &sent[1];
    let rseq: u32 = ringing.header("RSeq").parse().unwrap();
    assert!((1..1 << 31).contains(&rseq));
    assert_eq!(ringing.header("Require"), "100rel");
    assert_eq!(ringing.header("Contact"), "<sip:600@192.0.2.50:5060>");
    let tag = ringing.to_tag();
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    assert_eq!(world.last().status(), 180, "the 200 waits");
    for (cseq, wrong) in [
        (2, format!("{} 1 INVITE", rseq + 1)),
        (3, format!("{rseq} 2 INVITE")),
        (4, format!("{rseq} 1 UPDATE")),
        (5, "x".into()),
    ] {
        let sent = world.ask(prack(cseq, &format!("w{cseq}"), &tag, &wrong));
        assert_eq!(statuses(&sent), [481], "{wrong}");
    }
    let sent = world.ask(prack(6, "b", &tag, &format!("{rseq} 1 INVITE")));
    assert_eq!(statuses(&sent), [200, 200]);
    assert_eq!(
        (sent[0].header("CSeq"), sent[1].header("CSeq")),
        ("6 PRACK".into(), "1 INVITE".into())
    );
    assert_eq!(sent[1].to_tag(), tag);
    // Repeated: absorbed. A second PRACK for the same answer: 481.
    assert_eq!(
        statuses(&world.ask(prack(6, "b", &tag, &format!("{rseq} 1 INVITE")))),
        [200]
    );
    assert_eq!(
        statuses(&world.ask(prack(7, "c", &tag, &format!("{rseq} 1 INVITE")))),
        [481]
    );
    world.ask(in_dialog("ACK", 1, "d", &tag, ""));
    assert!(world.is_confirmed());
    world.sent.clear();
    seconds(&mut world, 60);
    assert!(world.sent.is_empty());
}

fn seconds(world: &mut World, seconds: u64) {
    world.run(Duration::from_secs(seconds));
}

/// PRACK before the page is admitted: the 200 goes out when it is.
#[test]
fn acknowledged_before_the_answer() {
    let mut world = World::plain();
    let ringing = world.ask(demanding("a")).pop().unwrap();
    let rack = format!("{} 1 INVITE", ringing.header("RSeq"));
    assert_eq!(statuses(&world.ask(prack(2, "b", &ringing.to_tag(), &rack))), [200]);
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    assert_eq!(
        (world.last().status(), world.last().header("CSeq")),
        (200, "1 INVITE".into())
    );
}

/// RFC 3262 §3: repeated from T1 on, doubling without T2's bound; after 64·T1 without PRACK a 5xx.
#[test]
fn nobody_acknowledges() {
    let mut world = World::plain();
    world.ask(demanding("a"));
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    world.sent.clear();
    world.run_ms(31_999);
    let times: Vec<u128> = world.sent.iter().map(|s| s.at.as_millis()).collect();
    assert_eq!(times, [500, 1500, 3500, 7500, 15_500, 31_500]);
    assert!(world.sent.iter().all(|s| s.status() == 180));
    world.run_ms(1);
    assert_eq!(world.last().status(), 504);
    assert_eq!(world.endings(), [Ending::Lost]);
    seconds(&mut world, 100);
    assert!(world.agent.servers.is_empty() && world.agent.calls.is_empty());
}

/// A refusal and a CANCEL do not wait; the PRACK that crosses them is still answered (RFC 3262 §3).
#[test]
fn refusal_does_not_wait() {
    let mut world = World::plain();
    let ringing = world.ask(demanding("a")).pop().unwrap();
    let rack = format!("{} 1 INVITE", ringing.header("RSeq"));
    let call = world.call();
    world.agent.refuse(call, 486, None, world.now);
    world.drain();
    assert_eq!(world.last().status(), 486);
    let crossing = prack(2, "b", &ringing.to_tag(), &rack);
    world.datagram("192.0.2.11:5060", crossing.replace("z9hG4bKb", "z9hG4bKx"));
    assert_eq!(world.last().status(), 481, "from elsewhere");
    assert_eq!(statuses(&world.ask(crossing)), [200]);
    world.sent.clear();
    world.run_ms(600);
    assert!(
        world.sent.iter().all(|s| s.status() == 486),
        "the 180 is not repeated any more"
    );

    let mut world = World::plain();
    world.ask(demanding("a"));
    assert_eq!(statuses(&world.ask(request("CANCEL", 1, "a", "", "", ""))), [200, 487]);
}

/// Only `Supported: 100rel`: no need. Without an offer a reliable 180 would have to hold ours (RFC 3262 §5): the 200
/// goes out by itself.
#[test]
fn not_needed() {
    for text in [
        request("INVITE", 1, "a", "", "Supported: 100rel\r\n", OFFER),
        request("INVITE", 1, "a", "", "Require: 100rel\r\n", ""),
    ] {
        let mut world = World::plain();
        assert_eq!(statuses(&world.ask(&text)), [100]);
        let call = world.call();
        world.agent.accept(call, ANSWER.into(), world.now);
        world.drain();
        assert_eq!(world.last().status(), 200);
    }
}

/// RFC 3311 §5.2: before the INVITE's offer is answered another one gets 500 with a Retry-After of 0 to 10 s, or 491
/// where the offer is to be ours; without an offer UPDATE moves the target.
#[test]
fn update_in_an_early_dialog() {
    let mut world = World::plain();
    let tag = world.ask(demanding("a")).pop().unwrap().to_tag();
    let refused = world.ask(in_dialog("UPDATE", 2, "b", &tag, OFFER));
    assert_eq!(statuses(&refused), [500]);
    assert!(refused[0].header("Retry-After").parse::<u8>().unwrap() <= 10);
    let moved = in_dialog("UPDATE", 3, "c", &tag, "").replace("201@192.0.2.10:5060>", "201@192.0.2.12:5060>");
    let sent = world.ask(moved);
    assert_eq!(statuses(&sent), [200]);
    assert!(!sent[0].has("Session-Expires"), "there is no session yet");
    let call = world.call();
    assert_eq!(world.agent.calls[&call].target, b"sip:201@192.0.2.12:5060");
}

/// UPDATE with an offer is a change like a re-INVITE, but for the ACK (RFC 3311 §5.2).
#[test]
fn update_changes_the_call() {
    let mut world = World::plain();
    let (call, tag) = world.talk();
    let moved = in_dialog("UPDATE", 2, "c", &tag, OFFER).replace("201@192.0.2.10:5060>", "201@192.0.2.12:5070>");
    assert!(world.ask(&moved).is_empty());
    assert!(matches!(world.events.last(), Some(Event::Change { offer: Some(o), .. }) if o == OFFER.as_bytes()));
    // One at a time.
    let second = world.ask(in_dialog("UPDATE", 3, "d", &tag, ""));
    assert_eq!(statuses(&second), [500]);
    assert!(second[0].header("Retry-After").parse::<u8>().unwrap() <= 10);
    assert_eq!(statuses(&world.ask(in_dialog("INVITE", 4, "e", &tag, OFFER))), [500]);
    world.agent.accept_change(call, ANSWER.into(), world.now);
    world.drain();
    let ok = world.last().clone();
    assert_eq!((ok.status(), ok.header("CSeq")), (200, "2 UPDATE".into()));
    assert_eq!(ok.message().body, ANSWER.as_bytes());
    assert!(ok.has("Contact") && ok.has("Session-Expires"));
    world.sent.clear();
    // It has no ACK to wait for; repeated it is absorbed.
    seconds(&mut world, 5);
    assert!(
        world.sent.iter().all(|s| s.header("CSeq").contains("INVITE")),
        "{:?}",
        world.sent
    );
    assert_eq!(world.ask(&moved)[0].octets, ok.octets);
    // Refused, the call goes on as before.
    world.ask(in_dialog("UPDATE", 5, "f", &tag, OFFER));
    world.agent.refuse_change(call, 488, world.now);
    world.drain();
    assert_eq!(world.last().status(), 488);
    world.agent.hang_up(call, None, world.now);
    world.drain();
    assert!(world.last().text().starts_with("BYE sip:201@192.0.2.12:5070 "));
    assert_eq!(
        statuses(&world.ask(in_dialog("UPDATE", 6, "g", &tag, ""))),
        [481],
        "we have hung up"
    );
}

/// An UPDATE that crosses an offer of ours is 491; one with a body that we cannot read is 415.
#[test]
fn update_and_our_offer() {
    let mut world = World::plain();
    let (call, tag) = world.talk();
    world.ask(in_dialog("INVITE", 2, "c", &tag, ""));
    assert_eq!(statuses(&world.ask(in_dialog("UPDATE", 3, "d", &tag, OFFER))), [491]);
    world.agent.accept_change(call, ANSWER.into(), world.now);
    world.drain();
    assert_eq!(statuses(&world.ask(in_dialog("UPDATE", 4, "e", &tag, OFFER))), [491]);
    assert_eq!(statuses(&world.ask(in_dialog("UPDATE", 5, "f", &tag, ""))), [200]);
    world.ask(in_dialog("ACK", 2, "g", &tag, OFFER));
    let foreign = in_dialog("UPDATE", 6, "h", &tag, OFFER).replace("application/sdp", "text/plain");
    assert_eq!(statuses(&world.ask(foreign)), [415]);
}
