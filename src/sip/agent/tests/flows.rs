//! The flows of RFC 3665 §3 in which somebody calls us, with the messages of our own yard: what the called side sees
//! and sends. §3.1 stands in `calls`, §3.8 in `endings`.

use super::*;

/// The office calls the yard through two proxies that record their route.
fn through_proxies(method: &str, cseq: u32, branch: &str, tag: &str, body: &str) -> String {
    let via = format!(
        "Via: SIP/2.0/UDP 192.0.2.7:5060;branch=z9hG4bKyard{branch}\r\n\
         Via: SIP/2.0/UDP 198.51.100.7:5060;branch=z9hG4bKoffice{branch};received=198.51.100.7\r\n\
         Via: SIP/2.0/TCP phone.office.example:5060;branch=z9hG4bK{branch};received=203.0.113.5\r\n"
    );
    let routes = "Record-Route: <sip:192.0.2.7;lr>, <sip:198.51.100.7;lr>\r\n";
    let extra = if method == "INVITE" { routes } else { "" };
    request(method, cseq, branch, tag, extra, body)
        .replace(
            &format!("Via: SIP/2.0/UDP 192.0.2.10:5060;branch=z9hG4bK{branch}\r\n"),
            &via,
        )
        .replace(
            "<sip:201@192.0.2.10:5060>",
            "<sip:310@phone.office.example;transport=tcp>",
        )
        .replace("Max-Forwards: 70", "Max-Forwards: 68")
}

const PROXY: &str = "192.0.2.7:5060";

fn ask(world: &mut World, text: &str) -> Vec<Sent> {
    let before = world.sent.len();
    world.datagram(PROXY, text);
    world.sent[before..].to_vec()
}

fn vias(sent: &Sent) -> usize {
    sent.message().list("Via").unwrap().len()
}

/// RFC 3665 §3.2: all Vias and both routes come back; our BYE goes by the first proxy to the Contact.
#[test]
fn through_two_proxies() {
    let mut world = World::plain();
    let trying = ask(&mut world, &through_proxies("INVITE", 1, "a", "", OFFER));
    assert_eq!(
        (trying[0].status(), vias(&trying[0]), trying[0].flow.peer),
        (100, 3, address(PROXY))
    );
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    let ok = world.last().clone();
    assert_eq!((ok.status(), vias(&ok)), (200, 3));
    assert_eq!(ok.header("Record-Route"), "<sip:192.0.2.7;lr>, <sip:198.51.100.7;lr>");
    let tag = ok.to_tag();
    ask(&mut world, &through_proxies("ACK", 1, "b", &tag, ""));
    assert!(world.is_confirmed());
    let bye = ask(&mut world, &through_proxies("BYE", 2, "c", &tag, ""));
    assert_eq!((bye[0].status(), vias(&bye[0])), (200, 3));
    assert_eq!(world.endings(), [Ending::Bye]);

    let mut world = World::plain();
    ask(&mut world, &through_proxies("INVITE", 1, "a", "", OFFER));
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    let tag = world.last().to_tag();
    ask(&mut world, &through_proxies("ACK", 1, "b", &tag, ""));
    world.agent.hang_up(call, None, world.now);
    world.drain();
    let bye = world.last();
    assert!(
        bye.text()
            .starts_with("BYE sip:310@phone.office.example;transport=tcp SIP/2.0\r\n")
    );
    assert_eq!(bye.message().list("Route").unwrap().len(), 2);
    assert_eq!((bye.flow.peer, vias(bye)), (address(PROXY), 1));
}

/// RFC 3665 §3.6: the INVITE has no description; ours is in the 200 and theirs in the ACK.
#[test]
fn description_in_the_ack() {
    let mut world = World::plain();
    ask(&mut world, &through_proxies("INVITE", 1, "a", "", ""));
    let call = world.call();
    world.agent.accept(call, ANSWER.into(), world.now);
    world.drain();
    let ok = world.last().clone();
    assert_eq!(ok.message().body, ANSWER.as_bytes());
    ask(&mut world, &through_proxies("ACK", 1, "b", &ok.to_tag(), OFFER));
    assert!(matches!(world.events.last(), Some(Event::Confirmed { answer: Some(a), .. }) if a == OFFER.as_bytes()));
}

/// RFC 3665 §3.7: the phone gets another address during the call and says so by re-INVITE; ACK and BYE come
/// from the new one.
#[test]
fn address_changes() {
    let mut world = World::plain();
    let (call, tag) = world.talk();
    let moved = |text: String| {
        text.replace("UDP 192.0.2.10:5060", "UDP 192.0.2.12:5060")
            .replace("201@192.0.2.10:5060", "201@192.0.2.12:5060")
    };
    // By way of the old address, as long as that is the one that is known.
    let sent =
        world.ask(in_dialog("INVITE", 2, "c", &tag, OFFER).replace("201@192.0.2.10:5060", "201@192.0.2.12:5060"));
    assert_eq!(sent[0].status(), 100);
    world.agent.accept_change(call, ANSWER.into(), world.now);
    world.drain();
    world.datagram("192.0.2.12:5060", moved(in_dialog("ACK", 2, "d", &tag, "")));
    world.sent.clear();
    world.run_ms(10_000);
    assert!(world.sent.is_empty(), "the ACK was taken");
    world.datagram("192.0.2.12:5060", moved(in_dialog("BYE", 3, "e", &tag, "")));
    assert_eq!(world.last().status(), 200);
    assert_eq!(world.endings(), [Ending::Bye]);
}

/// RFC 3665 §3.9 and §3.11: busy, and not available for now; each with its ACK on the INVITE's branch.
#[test]
fn busy_and_unavailable() {
    for status in [486, 480] {
        let mut world = World::plain();
        ask(&mut world, &through_proxies("INVITE", 1, "a", "", OFFER));
        let call = world.call();
        world.agent.refuse(call, status, None, world.now);
        world.drain();
        let refusal = world.last().clone();
        assert_eq!((refusal.status(), vias(&refusal)), (status, 3));
        // The ACK is the proxy's own: one Via.
        let ack = through_proxies("ACK", 1, "a", &refusal.to_tag(), "");
        let own: String = ack
            .split_inclusive("\r\n")
            .filter(|l| !l.contains("z9hG4bKoffice") && !l.contains("TCP phone"))
            .collect();
        assert!(ask(&mut world, &own).is_empty());
        world.sent.clear();
        world.run_ms(60_000);
        assert!(world.sent.is_empty() && world.agent.servers.is_empty());
        assert_eq!(world.endings(), [Ending::Refused]);
    }
}
