//! Who may say what within a call, and what callers may ask for: spoofed requests, forks, INFO, answer modes, priorities.

use super::*;

const ELSEWHERE: &str = "192.0.2.13:5060";

fn statuses(sent: &[Sent]) -> Vec<u16> {
    sent.iter().map(Sent::status).collect()
}

/// From an address that is let in and has nothing to do with the call.
fn from_elsewhere(world: &mut World, text: impl AsRef<[u8]>) -> Vec<Sent> {
    let before = world.sent.len();
    world.datagram(ELSEWHERE, text);
    world.sent[before..].to_vec()
}

/// With the right tags from the wrong place, and from the right place with the wrong tags: nothing comes of it.
#[test]
fn spoofed_requests() {
    let mut world = World::plain();
    let (_, tag) = world.talk();
    let events = world.events.len();
    for (i, (method, body)) in [
        ("BYE", ""),
        ("INVITE", OFFER),
        ("UPDATE", OFFER),
        ("INFO", "5"),
        ("OPTIONS", ""),
    ]
    .into_iter()
    .enumerate()
    {
        let branch = format!("s{i}");
        let text = in_dialog(method, 50, &branch, &tag, body);
        assert_eq!(statuses(&from_elsewhere(&mut world, text)), [481], "{method}");
        let other_tag = in_dialog(method, 50, &format!("t{i}"), "0000000000000000", body);
        assert_eq!(statuses(&world.ask(other_tag)), [481], "{method}");
        let other_from = in_dialog(method, 50, &format!("u{i}"), &tag, body).replace("tag=far", "tag=fax");
        assert_eq!(statuses(&world.ask(other_from)), [481], "{method}");
    }
    let told = world.events.len() - events;
    assert_eq!(told, 1, "told once: {:?}", world.events);
    assert!(matches!(world.events.last(), Some(Event::TurnedAway { peer, .. }) if *peer == address(ELSEWHERE)));
    // The sequence was not moved either.
    assert_eq!(statuses(&world.ask(in_dialog("BYE", 2, "bye", &tag, ""))), [200]);
    assert_eq!(world.endings(), [Ending::Bye]);
}

/// A registrar and a trusted network may speak in any call of theirs; a next hop by name may be anywhere that may call.
#[test]
fn who_else_may_speak() {
    let mut world = World::new(Settings {
        trusted: vec!["192.0.2.13".parse().unwrap()],
        ..settings(vec![direct("600")])
    });
    let (_, tag) = world.talk();
    assert_eq!(
        statuses(&from_elsewhere(&mut world, in_dialog("BYE", 2, "c", &tag, ""))),
        [200]
    );

    let mut world = World::plain();
    world.ask(request(
        "INVITE",
        1,
        "a",
        "",
        "Record-Route: <sip:proxy.example;lr>\r\n",
        OFFER,
    ));
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    let tag = world.last().to_tag();
    from_elsewhere(&mut world, in_dialog("ACK", 1, "b", &tag, ""));
    assert!(world.is_confirmed());
    assert_eq!(
        statuses(&from_elsewhere(&mut world, in_dialog("BYE", 2, "c", &tag, ""))),
        [200]
    );
}

/// CANCEL, and ACK to a 200 or to a refusal, from elsewhere.
#[test]
fn spoofed_cancel_and_ack() {
    let mut world = World::plain();
    world.ask(invite("a"));
    assert_eq!(
        statuses(&from_elsewhere(&mut world, request("CANCEL", 1, "a", "", "", ""))),
        [481]
    );
    assert!(world.endings().is_empty());
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    let tag = world.last().to_tag();
    from_elsewhere(&mut world, in_dialog("ACK", 1, "b", &tag, ""));
    assert!(!world.is_confirmed());
    world.ask(in_dialog("ACK", 1, "b", &tag, ""));
    assert!(world.is_confirmed());

    let mut world = World::plain();
    world.ask(invite("a"));
    let call = world.call();
    world.agent.refuse(call, 486, None, world.now);
    world.drain();
    let tag = world.last().to_tag();
    from_elsewhere(&mut world, in_dialog("ACK", 1, "a", &tag, ""));
    world.sent.clear();
    world.run_ms(500);
    assert_eq!(statuses(&world.sent), [486], "still unacknowledged");
}

/// RFC 3261 §8.2.2.2: a second leg of a fork, whatever extension it asks for and however late it comes, is 482; once
/// the first was refused it is a try of its own.
#[test]
fn forks() {
    let two = || World::new(settings(vec![direct("600"), direct("601")]));
    let other = |branch: &str| invite(branch).replace("sip:600@192.0.2.50 SIP", "sip:601@192.0.2.50 SIP");
    let mut world = two();
    let (_, tag) = world.talk();
    assert_eq!(statuses(&world.ask(other("x"))), [482]);
    world.run(Duration::from_secs(100));
    assert!(world.agent.servers.is_empty());
    assert_eq!(statuses(&world.ask(other("y"))), [482], "the call is still there");
    world.ask(in_dialog("BYE", 2, "bye", &tag, ""));
    assert_eq!(
        world.events.iter().filter(|e| matches!(e, Event::Incoming(_))).count(),
        1
    );

    let mut world = two();
    world.ask(invite("a"));
    let call = world.call();
    world.agent.refuse(call, 486, None, world.now);
    world.drain();
    assert_eq!(statuses(&world.ask(other("x"))), [100]);
    assert!(matches!(world.events.last(), Some(Event::Incoming(i)) if i.extension == ExtensionId(1)));
}

/// INFO within a call (RFC 6086; the bodies are common practice without a published source).
#[test]
fn info_dials() {
    let mut world = World::plain();
    let (call, tag) = world.talk();
    let info = |cseq: u32, kind: &str, body: &str| {
        in_dialog("INFO", cseq, &format!("i{cseq}"), &tag, body).replace("application/sdp", kind)
    };
    let first = info(2, "application/dtmf-relay", "Signal=4\r\nDuration=160\r\n");
    assert_eq!(statuses(&world.ask(&first)), [200]);
    assert_eq!(statuses(&world.ask(&first)), [200], "repeated");
    assert_eq!(statuses(&world.ask(info(3, "application/dtmf", "7"))), [200]);
    assert_eq!(
        statuses(&world.ask(info(4, "Application/DTMF-Relay; x=y", "signal= #"))),
        [200]
    );
    assert_eq!(statuses(&world.ask(info(5, "", ""))), [200], "a keep-alive");
    let keys: Vec<String> = world
        .events
        .iter()
        .filter_map(|e| match e {
            Event::Dialled { call: of, keys } if *of == call => Some(keys.clone()),
            _ => None,
        })
        .collect();
    assert_eq!(keys, ["4", "7", "#"]);
    assert_eq!(
        statuses(&world.ask(info(6, "application/dtmf-relay", "Signal=?"))),
        [400]
    );
    let foreign = world.ask(info(7, "application/media_control+xml", "<x/>"));
    assert_eq!(statuses(&foreign), [415]);
    assert_eq!(foreign[0].header("Accept"), "application/dtmf-relay, application/dtmf");
    let package = request("INFO", 8, "p", &tag, "Info-Package: gauge\r\n", "5");
    let sent = world.ask(package);
    assert_eq!((sent[0].status(), sent[0].header("Recv-Info")), (469, String::new()));
}

/// Requests of other trades within a call: refused, and the call goes on.
#[test]
fn never_acted_upon() {
    let mut world = World::plain();
    let (_, tag) = world.talk();
    let events = world.events.len();
    for (i, (method, status)) in [("REFER", 405), ("MESSAGE", 405), ("SUBSCRIBE", 489), ("NOTIFY", 481)]
        .into_iter()
        .enumerate()
    {
        let extra = "Refer-To: <sip:202@quayside.example>\r\nEvent: dialog\r\n";
        let text = request(method, 2 + i as u32, &format!("m{i}"), &tag, extra, "");
        assert_eq!(statuses(&world.ask(text)), [status], "{method}");
    }
    assert_eq!(world.events.len(), events);
    // Replaces and Join (RFC 3891, RFC 3911): refused where required, else a call like any other.
    for tag in ["replaces", "join", "precondition"] {
        let text = request("INVITE", 1, "r", "", &format!("Require: {tag}\r\n"), OFFER).replace("one@", "two@");
        let sent = World::plain().ask(text);
        assert_eq!((sent[0].status(), sent[0].header("Unsupported")), (420, tag.to_owned()));
    }
    let harmless = "Replaces: x@y;to-tag=a;from-tag=b\r\nPrivacy: id\r\nHistory-Info: <sip:9@x>;index=1\r\n\
                    P-Preferred-Identity: <sip:9@x>\r\nMax-Breadth: 60\r\nCall-Info: <sip:x>;answer-after=0\r\n\
                    Alert-Info: <http://x>\r\nReferred-By: <sip:9@x>\r\nDiversion: <sip:9@x>\r\n";
    assert_eq!(
        statuses(&World::plain().ask(request("INVITE", 1, "h", "", harmless, OFFER))),
        [100]
    );
}

/// RFC 5373 §4: we answer at once and say so; who insists on an answer by hand gets 403.
#[test]
fn answer_modes() {
    for (extra, said) in [
        ("", None),
        ("Answer-Mode: Auto\r\n", Some("Answer-Mode")),
        (
            "Require: answermode\r\nAnswer-Mode: auto ; require\r\n",
            Some("Answer-Mode"),
        ),
        (
            "Priv-Answer-Mode: Auto;require\r\nAnswer-Mode: Manual;require\r\n",
            Some("Priv-Answer-Mode"),
        ),
        ("Answer-Mode: Manual\r\n", Some("Answer-Mode")),
    ] {
        let mut world = World::plain();
        world.ask(request("INVITE", 1, "a", "", extra, OFFER));
        let call = world.call();
        world.agent.accept(call, ANSWER.into(), world.now);
        world.drain();
        let ok = world.last();
        assert_eq!(ok.status(), 200, "{extra}");
        for name in ["Answer-Mode", "Priv-Answer-Mode"] {
            assert_eq!(ok.has(name), said == Some(name), "{extra} {name}");
        }
        if let Some(name) = said {
            assert_eq!(ok.header(name), "Auto");
        }
    }
    for extra in [
        "Answer-Mode: Manual;require\r\n",
        "Priv-Answer-Mode: Manual;require\r\nAnswer-Mode: Auto\r\n",
    ] {
        let mut world = World::plain();
        assert_eq!(statuses(&world.ask(request("INVITE", 1, "a", "", extra, OFFER))), [403]);
        assert!(world.events.is_empty());
    }
}

/// RFC 4412 §4.6.2: 417 for what is required and unknown, with what is known; without Require it is passed over.
#[test]
fn resource_priorities() {
    let invite = |extra: &str| World::plain().ask(request("INVITE", 1, "a", "", extra, OFFER));
    let required = "Require: Resource-Priority\r\n";
    let sent = invite(&format!("{required}Resource-Priority: yard.1, ets.9\r\n"));
    assert_eq!(statuses(&sent), [417]);
    assert!(
        sent[0]
            .header("Accept-Resource-Priority")
            .contains("dsn.flash-override")
    );
    assert!(sent[0].text().starts_with("SIP/2.0 417 Unknown Resource-Priority\r\n"));
    for known in [
        format!("{required}Resource-Priority: yard.1, ETS.0\r\n"),
        "Resource-Priority: yard.1\r\n".into(),
        required.into(),
    ] {
        assert_eq!(statuses(&invite(&known)), [100], "{known}");
    }
    // Its value counts only from a peer that is trusted.
    for (trusted, urgency) in [("192.0.2.10", vec!["emergency", "ets.0"]), ("192.0.2.9", vec![])] {
        let mut world = World::new(Settings {
            trusted: vec![trusted.parse().unwrap()],
            ..settings(vec![direct("600")])
        });
        let extra = "Priority: emergency\r\nResource-Priority: ETS.0\r\n";
        world.ask(request("INVITE", 1, "a", "", extra, OFFER));
        assert!(matches!(world.events.last(), Some(Event::Incoming(i)) if i.urgency == urgency));
    }
}
