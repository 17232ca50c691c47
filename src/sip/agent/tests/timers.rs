//! Session timers (RFC 4028) in calls: refreshes by either side, their failures, the end of a session.

use super::*;

const TIMER: &str = "Supported: timer\r\n";

/// An acknowledged call whose INVITE had these extra lines; its To tag and its 200.
fn talk_with(world: &mut World, extra: &str) -> (String, Sent) {
    world.ask(request("INVITE", 1, "a", "", extra, OFFER));
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    let ok = world.last().clone();
    assert_eq!(ok.status(), 200, "{}", ok.text());
    let tag = ok.to_tag();
    world.ask(in_dialog("ACK", 1, "b", &tag, ""));
    world.sent.clear();
    (tag, ok)
}

fn seconds(world: &mut World, seconds: u64) {
    world.run(Duration::from_secs(seconds));
}

/// RFC 4028 §6, §9: below 90 s is 422 with Min-SE; the call that asks again gets what it asks for.
#[test]
fn too_short() {
    let mut world = World::plain();
    let sent = world.ask(request(
        "INVITE",
        1,
        "a",
        "",
        "Supported: timer\r\nSession-Expires: 89\r\n",
        OFFER,
    ));
    assert_eq!((sent[0].status(), sent[0].header("Min-SE")), (422, "90".into()));
    assert!(world.events.is_empty());
    world.ask(in_dialog("ACK", 1, "a", &sent[0].to_tag(), ""));
    let again = request(
        "INVITE",
        2,
        "b",
        "",
        "Supported: timer\r\nMin-SE: 90\r\nSession-Expires: 90\r\n",
        OFFER,
    );
    assert_eq!(world.ask(again)[0].status(), 100);
    let bad = request("INVITE", 1, "z", "", "Session-Expires: soon\r\n", OFFER).replace("one@", "two@");
    assert_eq!(world.ask(bad)[0].status(), 400);
}

/// RFC 4028 §9 and Table 2, on the wire. Worked from the table.
#[test]
fn what_the_200_says() {
    for (extra, expires, require) in [
        ("", "1800;refresher=uas", false),
        ("Session-Expires: 600;refresher=uac\r\n", "600;refresher=uas", false),
        (TIMER, "1800;refresher=uas", true),
        (
            "Supported: timer\r\nSession-Expires: 600\r\n",
            "600;refresher=uas",
            true,
        ),
        ("k: timer\r\nx: 600;refresher=uac\r\n", "600;refresher=uac", true),
        (
            "Require: timer\r\nSession-Expires: 600;refresher=uas\r\n",
            "600;refresher=uas",
            true,
        ),
        ("Supported: timer\r\nMin-SE: 2000\r\n", "2000;refresher=uas", true),
    ] {
        let mut world = World::plain();
        let (_, ok) = talk_with(&mut world, extra);
        assert_eq!(ok.header("Session-Expires"), expires, "{extra}");
        assert_eq!(ok.has("Require"), require, "{extra}");
        if require {
            assert_eq!(ok.header("Require"), "timer");
        }
        assert!(ok.header("Supported").contains("timer"));
    }
}

/// The far end refreshes by re-INVITE or UPDATE: the session goes on from each 2xx (RFC 4028 §10); once it stops, BYE
/// goes out min(32 s, a third) before the end.
#[test]
fn refreshed_by_the_far_end() {
    let mut world = World::plain();
    let theirs = "Supported: timer\r\nSession-Expires: 90;refresher=uac\r\n";
    let (tag, _) = talk_with(&mut world, theirs);
    let call = world.call();
    for round in 0..20u32 {
        seconds(&mut world, 45);
        let cseq = 2 + round;
        let branch = format!("r{round}");
        if round % 2 == 0 {
            let sent = world.ask(request("UPDATE", cseq, &branch, &tag, theirs, ""));
            assert_eq!(sent[0].status(), 200);
            assert_eq!(sent[0].header("Session-Expires"), "90;refresher=uac");
            assert!(sent[0].has("Contact") && sent[0].message().body.is_empty());
        } else {
            world.ask(request("INVITE", cseq, &branch, &tag, theirs, OFFER));
            world.agent.accept_change(call, ANSWER.into(), world.now);
            world.drain();
            assert_eq!(world.last().header("Session-Expires"), "90;refresher=uac");
            world.ask(in_dialog("ACK", cseq, &format!("k{round}"), &tag, ""));
        }
    }
    assert!(world.endings().is_empty());
    world.sent.clear();
    world.run_ms(59_999);
    assert!(world.sent.is_empty() && world.endings().is_empty());
    world.run_ms(1);
    assert_eq!(world.endings(), [Ending::Lost]);
    let bye = world.last();
    assert_eq!(bye.method(), "BYE");
    assert_eq!(bye.header("Reason"), "SIP;cause=408;text=\"session timer expired\"");
}

/// A refused refresh extends nothing (RFC 4028 §10: only a 2xx does).
#[test]
fn refused_refresh() {
    let mut world = World::plain();
    let theirs = "Supported: timer\r\nSession-Expires: 90;refresher=uac\r\n";
    let (tag, _) = talk_with(&mut world, theirs);
    seconds(&mut world, 45);
    let short = request(
        "UPDATE",
        2,
        "c",
        &tag,
        "Supported: timer\r\nSession-Expires: 30\r\n",
        "",
    );
    assert_eq!(world.ask(short)[0].status(), 422);
    world.ask(request("INVITE", 3, "d", &tag, theirs, OFFER));
    let call = world.call();
    world.agent.refuse_change(call, 488, world.now);
    world.drain();
    seconds(&mut world, 15);
    assert_eq!(world.endings(), [Ending::Lost]);
}

/// We refresh half-way by UPDATE where it is allowed (RFC 4028 §7.4), for as long as the call lasts.
#[test]
fn our_refresh_by_update() {
    let mut world = World::plain();
    let (tag, _) = talk_with(
        &mut world,
        "Supported: timer\r\nSession-Expires: 96;refresher=uas\r\nAllow: INVITE, UPDATE\r\n",
    );
    for round in 1..=50u64 {
        world.sent.clear();
        world.run_ms(47_999);
        assert!(world.sent.is_empty());
        world.run_ms(1);
        let update = world.last().clone();
        assert_eq!(update.method(), "UPDATE");
        assert_eq!(update.header("CSeq"), format!("{round} UPDATE"));
        assert_eq!(update.header("Session-Expires"), "96;refresher=uac");
        assert!(update.header("From").ends_with(&format!("tag={tag}")));
        assert!(update.header("Supported").contains("timer"));
        assert_eq!(update.header("Contact"), "<sip:600@192.0.2.50:5060>");
        assert!(update.message().body.is_empty() && !update.has("Content-Type"));
        world.ask(reply(
            &update,
            "200 OK",
            "Session-Expires: 96;refresher=uac\r\nRequire: timer\r\n",
        ));
    }
    assert!(world.endings().is_empty());
    assert_eq!(world.events.len(), 2, "a page knows nothing of refreshes");
}

/// Else by re-INVITE, with the description that stands; its 200 is acknowledged each time it comes (RFC 3261 §13.2.2.4).
#[test]
fn our_refresh_by_reinvite() {
    let mut world = World::plain();
    talk_with(&mut world, "");
    seconds(&mut world, 900);
    let invite = world.last().clone();
    assert_eq!((invite.method().as_str(), invite.at.as_secs()), ("INVITE", 900));
    assert_eq!(
        invite.message().body,
        ANSWER.as_bytes(),
        "the same description, the same version"
    );
    assert_eq!(invite.header("Content-Type"), "application/sdp");
    assert!(invite.text().starts_with("INVITE sip:201@192.0.2.10:5060 SIP/2.0\r\n"));
    assert!(world.ask(reply(&invite, "100 Trying", "")).is_empty());
    let ok = reply_with(&invite, "200 OK", "Contact: <sip:201@192.0.2.12:5070>\r\n", OFFER);
    let acks = world.ask(&ok);
    assert_eq!(acks.len(), 1);
    assert!(
        acks[0].text().starts_with("ACK sip:201@192.0.2.12:5070 SIP/2.0\r\n"),
        "the new target"
    );
    assert_eq!(acks[0].header("CSeq"), "1 ACK");
    assert_ne!(acks[0].header("Via"), invite.header("Via"));
    assert_eq!(acks[0].flow.peer, address("192.0.2.12:5070"));
    assert_eq!(
        world.ask(&ok)[0].octets,
        acks[0].octets,
        "a repeated 200 gets the same ACK"
    );
    // Who does not know timers gets the next one from us as well.
    world.sent.clear();
    seconds(&mut world, 900);
    assert_eq!(world.last().method(), "INVITE");
    assert!(world.endings().is_empty());
    assert!(
        !world.events.iter().any(|e| matches!(e, Event::ChangeAnswered { .. })),
        "its description is as before"
    );
}

fn reply_with(request: &Sent, status: &str, extra: &str, body: &str) -> String {
    let head = reply(request, status, extra);
    let head = head.strip_suffix("Content-Length: 0\r\n\r\n").unwrap();
    format!(
        "{head}Content-Type: application/sdp\r\nContent-Length: {}\r\n\r\n{body}",
        body.len()
    )
}

/// A far end that answers our re-INVITE with a new description changes the call.
#[test]
fn refresh_that_changes_the_answer() {
    let mut world = World::plain();
    talk_with(&mut world, "");
    seconds(&mut world, 900);
    let moved = OFFER.replace("40000", "40002");
    let invite = world.last().clone();
    world.ask(reply_with(&invite, "200 OK", "", &moved));
    assert!(matches!(world.events.last(), Some(Event::ChangeAnswered { answer, .. }) if answer == moved.as_bytes()));
}

/// 481 and 408 to a refresh, or none at all, end the call (RFC 3261 §12.2.1.2, RFC 4028 §10); other refusals do not
/// until the session runs out.
#[test]
fn refresh_without_success() {
    for status in ["481 Gone", "408 Late"] {
        let mut world = World::plain();
        talk_with(&mut world, "Allow: UPDATE\r\n");
        seconds(&mut world, 900);
        let update = world.last().clone();
        world.ask(reply(&update, status, ""));
        assert_eq!(world.endings(), [Ending::Lost], "{status}");
        assert_eq!(world.last().method(), "BYE");
    }
    // Silence: timer F and timer B.
    for (extra, method, repeats) in [("Allow: UPDATE\r\n", "UPDATE", 11), ("", "INVITE", 7)] {
        let mut world = World::plain();
        talk_with(&mut world, extra);
        seconds(&mut world, 900);
        world.run_ms(31_999);
        assert_eq!(world.sent.iter().filter(|s| s.method() == method).count(), repeats);
        assert!(world.endings().is_empty());
        world.run_ms(1);
        assert_eq!(
            (world.endings(), world.last().method()),
            (vec![Ending::Lost], "BYE".into())
        );
    }
    // A re-INVITE that is held for ever.
    let mut world = World::plain();
    talk_with(&mut world, "");
    seconds(&mut world, 900);
    let invite = world.last().clone();
    world.ask(reply(&invite, "180 Ringing", ""));
    seconds(&mut world, 32);
    assert_eq!(world.endings(), [Ending::Lost]);
    // Refused over and over: BYE at 1768 s, and not many tries.
    let mut world = World::plain();
    talk_with(&mut world, "Allow: UPDATE\r\n");
    while world.endings().is_empty() {
        let pending = world.sent.iter().rfind(|s| s.method() == "UPDATE").cloned();
        if let Some(update) = pending {
            world.ask(reply(&update, "488 No", ""));
        }
        seconds(&mut world, 1);
    }
    assert_eq!(world.last().method(), "BYE");
    assert_eq!(world.last().at.as_secs(), 1768);
    assert!(world.sent.iter().filter(|s| s.method() == "UPDATE").count() < 20);
}

/// 405 to UPDATE: the same by re-INVITE at once. A refused re-INVITE is acknowledged with its own branch
/// (RFC 3261 §17.1.1.3).
#[test]
fn update_is_not_taken_after_all() {
    let mut world = World::plain();
    talk_with(&mut world, "Allow: INVITE, UPDATE\r\n");
    seconds(&mut world, 900);
    let update = world.last().clone();
    let sent = world.ask(reply(&update, "405 No", "Allow: INVITE\r\n"));
    assert_eq!(sent.iter().map(Sent::method).collect::<Vec<_>>(), ["INVITE"]);
    let refused = reply(&sent[0], "500 Later", "Retry-After: 7\r\n");
    let ack = world.ask(&refused);
    assert_eq!(ack.len(), 1);
    assert!(ack[0].text().starts_with("ACK sip:201@192.0.2.10:5060 SIP/2.0\r\n"));
    assert_eq!(ack[0].header("Via"), sent[0].header("Via"));
    assert_eq!(ack[0].header("CSeq"), "2 ACK");
    assert_eq!(world.ask(&refused)[0].octets, ack[0].octets);
    world.sent.clear();
    seconds(&mut world, 7);
    assert_eq!(world.last().header("CSeq"), "3 INVITE", "after Retry-After");
}

/// RFC 4028 §7.3, §8.1: 422 raises Min-SE; what asks again says so. It does not go on for ever.
#[test]
fn our_interval_is_too_short() {
    let mut world = World::plain();
    talk_with(
        &mut world,
        "Supported: timer\r\nSession-Expires: 90\r\nAllow: UPDATE\r\n",
    );
    seconds(&mut world, 45);
    let first = world.last().clone();
    assert_eq!(first.header("Session-Expires"), "90;refresher=uac");
    assert!(!first.has("Min-SE"));
    let again = world.ask(reply(&first, "422 Small", "Min-SE: 300\r\n"));
    assert_eq!(again[0].header("Session-Expires"), "300;refresher=uac");
    assert_eq!(again[0].header("Min-SE"), "300");
    world.ask(reply(&again[0], "200 OK", "Session-Expires: 300;refresher=uas\r\n"));
    // The far end has taken over.
    world.sent.clear();
    seconds(&mut world, 267);
    assert!(world.sent.is_empty());
    seconds(&mut world, 1);
    assert_eq!(world.last().method(), "BYE");

    // However long the far end wants it: what we ask for is never below what it named.
    let mut world = World::plain();
    talk_with(&mut world, "Allow: UPDATE\r\n");
    seconds(&mut world, 900);
    let first = world.last().clone();
    let again = world.ask(reply(&first, "422 Small", "Min-SE: 100000\r\n"));
    assert_eq!(again[0].header("Session-Expires"), "100000;refresher=uac");
    assert_eq!(again[0].header("Min-SE"), "100000");
    world.ask(reply(&again[0], "200 OK", "Session-Expires: 100000;refresher=uac\r\n"));
    world.sent.clear();
    seconds(&mut world, 49_999);
    assert!(world.sent.is_empty());
    seconds(&mut world, 1);
    assert_eq!(world.last().header("Session-Expires"), "100000;refresher=uac");

    let mut world = World::plain();
    talk_with(&mut world, "Allow: UPDATE\r\n");
    seconds(&mut world, 900);
    let before = world.sent.len();
    for more in 1..50 {
        let update = world.last().clone();
        world.ask(reply(
            &update,
            "422 Small",
            &format!("Min-SE: {}\r\n", more * 80_000_000u32),
        ));
    }
    // Besides the first.
    assert_eq!(world.sent.len() - before, 5);
}

/// RFC 3261 §14.1: the side that does not own the Call-ID waits 0 to 2 s in steps of 10 ms after a 491.
#[test]
fn glare_backs_off() {
    let mut waits = std::collections::BTreeSet::new();
    for seed in 0..40 {
        let mut world = World::seeded(settings(vec![direct("600")]), [seed; 32]);
        talk_with(&mut world, "");
        seconds(&mut world, 900);
        let invite = world.last().clone();
        let at = world.now - world.start;
        world.ask(reply(&invite, "491 Pending", ""));
        world.sent.clear();
        world.run_ms(2000);
        let again = &world.sent[0];
        assert_eq!(again.method(), "INVITE");
        let wait = (again.at - at).as_millis();
        assert!(wait <= 2000 && wait.is_multiple_of(10), "{wait}");
        waits.insert(wait);
    }
    assert!(waits.len() > 20 && waits.last() > Some(&1500) && waits.first() < Some(&500));
}

/// Both want to change the call at once: theirs gets 491 while our offer is out (RFC 3261 §14.2, RFC 3311 §5.2);
/// an UPDATE without an offer harms nothing.
#[test]
fn their_change_crosses_our_refresh() {
    let mut world = World::plain();
    let (tag, _) = talk_with(&mut world, "");
    seconds(&mut world, 900);
    let invite = world.last().clone();
    assert_eq!(world.ask(in_dialog("INVITE", 2, "c", &tag, OFFER))[0].status(), 491);
    world.ask(in_dialog("ACK", 2, "c", &tag, ""));
    assert_eq!(world.ask(in_dialog("UPDATE", 3, "d", &tag, OFFER))[0].status(), 491);
    assert_eq!(world.ask(in_dialog("UPDATE", 4, "e", &tag, ""))[0].status(), 200);
    let acks = world.ask(reply_with(&invite, "200 OK", "", OFFER));
    assert_eq!(acks[0].method(), "ACK");
    assert_eq!(world.ask(in_dialog("INVITE", 5, "f", &tag, OFFER))[0].status(), 100);
}

/// While their change is open ours waits.
#[test]
fn our_refresh_waits_for_their_change() {
    let mut world = World::plain();
    let (tag, _) = talk_with(&mut world, "");
    seconds(&mut world, 899);
    world.ask(in_dialog("INVITE", 2, "c", &tag, OFFER));
    world.sent.clear();
    seconds(&mut world, 5);
    assert!(world.sent.is_empty());
    let call = world.call();
    world.agent.refuse_change(call, 488, world.now);
    world.drain();
    seconds(&mut world, 1);
    assert_eq!(world.last().method(), "INVITE");
}

/// A proxy may challenge our refresh (RFC 3261 §22.3); the ACK carries the same credentials.
#[test]
fn challenged_refresh() {
    let mut extension = direct("600");
    extension.password = Some(Secret::new("tide-table"));
    let mut world = World::new(settings(vec![extension]));
    talk_with(&mut world, "");
    seconds(&mut world, 900);
    let first = world.last().clone();
    let challenge = "Proxy-Authenticate: Digest realm=\"quayside\", nonce=\"n1\", algorithm=MD5, qop=\"auth\"\r\n";
    let sent = world.ask(reply(&first, "407 Who", challenge));
    assert_eq!(sent.iter().map(Sent::method).collect::<Vec<_>>(), ["ACK", "INVITE"]);
    let credentials = sent[1].header("Proxy-Authorization");
    assert!(credentials.contains("username=\"600\"") && sent[1].header("CSeq") == "2 INVITE");
    let ack = world.ask(reply_with(&sent[1], "200 OK", "", OFFER));
    assert_eq!(ack[0].header("Proxy-Authorization"), credentials);
    assert!(world.endings().is_empty());
}

/// A nonce may serve once, or be too old by the next refresh, whether the challenge says `stale` or not (RFC 7616 §3.3):
/// each refresh, and the BYE, may be challenged anew, for as long as the call lasts.
#[test]
fn every_refresh_may_be_challenged_anew() {
    for stale in ["", ", stale=true"] {
        let mut extension = direct("600");
        extension.password = Some(Secret::new("tide-table"));
        let mut world = World::new(settings(vec![extension]));
        talk_with(&mut world, "Allow: UPDATE\r\n");
        let challenge = |nonce: &str| {
            format!(
                "Proxy-Authenticate: Digest realm=\"quayside\", nonce=\"{nonce}\", algorithm=MD5, qop=\"auth\"{stale}\r\n"
            )
        };
        for round in 0..10 {
            seconds(&mut world, 900);
            let first = world.last().clone();
            assert_eq!(first.method(), "UPDATE", "round {round}");
            let nonce = format!("n{round}");
            let again = world.ask(reply(&first, "407 Who", &challenge(&nonce)));
            assert_eq!(again.len(), 1, "round {round}{stale}");
            let credentials = again[0].header("Proxy-Authorization");
            assert!(credentials.contains(&format!("nonce=\"{nonce}\"")), "{credentials}");
            world.ask(reply(&again[0], "200 OK", ""));
        }
        let call = world.call();
        world.agent.hang_up(call, None, world.now);
        world.drain();
        let bye = world.last().clone();
        let again = world.ask(reply(&bye, "407 Who", &challenge("bye")));
        assert_eq!(again.iter().map(Sent::method).collect::<Vec<_>>(), ["BYE"], "{stale}");
        // The same once more: the password is wrong, and the call is over (RFC 3261 §22.2).
        let challenge = challenge("bye2").replace(", stale=true", "");
        assert!(world.ask(reply(&again[0], "407 Who", &challenge)).is_empty());
        assert!(world.agent.calls.is_empty());
        assert_eq!(world.endings(), [Ending::Local]);
    }
}

/// Hanging up forgets the refresh that is out; no answer to it brings anything back.
#[test]
fn hang_up_during_a_refresh() {
    let mut world = World::plain();
    talk_with(&mut world, "");
    seconds(&mut world, 900);
    let invite = world.last().clone();
    let call = world.call();
    world.agent.hang_up(call, None, world.now);
    world.drain();
    let bye = world.last().clone();
    assert_eq!(bye.header("CSeq"), "2 BYE");
    assert!(world.ask(reply(&invite, "481 Gone", "")).is_empty());
    world.ask(reply(&bye, "200 OK", ""));
    assert_eq!(world.endings(), [Ending::Local]);
    seconds(&mut world, 40);
    assert!(world.agent.calls.is_empty() && world.agent.clients.is_empty());
    assert_eq!(world.agent.poll_timeout(), None);
}
