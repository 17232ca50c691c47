//! Flows and what keeps them open (RFC 5626 §4, RFC 8489 §6.2.1).

use super::*;
use crate::sip::stun::{self, Stun};

const URN: &str = "urn:uuid:00000000-0000-5000-8000-0000000000aa";
const SECOND: &str = "192.0.2.2:5060";

/// For a day, so that no refresh comes between.
fn outbound(transport: Transport) -> Settings {
    let extension = Extension {
        expires: 86_400,
        ..registered("600", "pbx.example", transport)
    };
    Settings {
        instance: Some(URN.into()),
        ..settings(vec![extension])
    }
}

fn tcp(id: u64) -> Flow {
    Flow {
        transport: Transport::Tcp,
        connection: Some(ConnectionId(id)),
        ..udp(REGISTRAR)
    }
}

/// Waits for the next REGISTER, resolving names on the way; gives it.
fn next_register(world: &mut World, targets: &[&str]) -> Sent {
    register_by(world, |world, id| world.resolved(id.0, targets))
}

/// The same at [`REGISTRAR`], from this address of ours.
fn next_register_from(world: &mut World, local: &str) -> Sent {
    register_by(world, |world, id| {
        let target = Target {
            transport: Transport::Udp,
            peer: address(REGISTRAR),
            local: address(local),
            rank: 0,
        };
        world.agent.resolved(id, vec![target], world.now);
    })
}

fn register_by(world: &mut World, resolve: impl Fn(&mut World, RegistrationId)) -> Sent {
    let from = world.sent.len();
    let end = world.now + Duration::from_secs(86_400);
    loop {
        while let Some(id) = world.resolves.pop() {
            resolve(world, id);
            world.drain();
        }
        if let Some(sent) = world.sent[from..].iter().find(|s| s.octets.starts_with(b"REGISTER")) {
            return sent.clone();
        }
        assert!(world.step(end), "no REGISTER");
    }
}

/// Registered for a day by UDP with these lines in the answer.
fn up(settings: Settings, targets: &[&str], lines: &str) -> World {
    let mut world = World::new(settings);
    let register = next_register(&mut world, targets);
    let peer = register.flow.peer.to_string();
    world.datagram(&peer, reply(&register, "200 OK", &format!("Expires: 86400\r\n{lines}")));
    world
}

/// The same by TCP, on connection `id`.
fn up_by_tcp(settings: Settings, id: u64, lines: &str) -> World {
    let mut world = World::new(settings);
    let register = next_register(&mut world, &[REGISTRAR]);
    let text = reply(&register, "200 OK", &format!("Expires: 86400\r\n{lines}"));
    world.agent.handle_stream(tcp(id), text.as_bytes(), world.now);
    world.drain();
    world
}

/// To the next thing that is sent; gives it and how long that took.
fn next_sent(world: &mut World) -> (Sent, Duration) {
    let (count, begun) = (world.sent.len(), world.now);
    let end = world.now + Duration::from_secs(80_000);
    while world.sent.len() == count {
        assert!(world.step(end), "nothing is sent");
    }
    (world.sent[count].clone(), world.now - begun)
}

fn asked(sent: &Sent) -> stun::Id {
    match stun::read(&sent.octets) {
        Some(Stun::Request { id, unknown }) if unknown.is_empty() => id,
        other => panic!("{other:?}"),
    }
}

fn seconds(from: u64, to: u64) -> std::ops::RangeInclusive<Duration> {
    Duration::from_secs(from)..=Duration::from_secs(to)
}

/// RFC 5626 §4.2, Appendix B: instance and reg-id in the Contact, the option tags in Supported.
#[test]
fn asks_for_outbound() {
    let mut world = World::new(outbound(Transport::Udp));
    let register = next_register(&mut world, &[REGISTRAR]);
    assert_eq!(
        register.header("Contact"),
        format!("<sip:600@192.0.2.50:5060>;+sip.instance=\"<{URN}>\";reg-id=1;expires=86400")
    );
    assert_eq!(register.header("Supported"), "outbound, path");
    // The registrar saw another address (RFC 5626 §6): the instance tells which Contact is ours.
    let contacts = format!(
        "Contact: <sip:600@192.0.2.50>;expires=9;+sip.instance=\"<{URN}>\";reg-id=2, \
         <sip:600@203.0.113.1:1024>;expires=77;+sip.instance=\"<{URN}>\";reg-id=1\r\n"
    );
    world.datagram(REGISTRAR, reply(&register, "200 OK", &contacts));
    assert!(matches!(world.events.last(), Some(Event::Registered { expires, .. }) if expires.as_secs() == 77));
}

/// RFC 5626 §4.4.2: a Binding request each 24 to 29 s; the same mapping is well, another one is a new registration.
#[test]
fn stun_and_a_changed_mapping() {
    let mut world = up(outbound(Transport::Udp), &[REGISTRAR], "Require: outbound\r\n");
    let mapped = address("203.0.113.1:1024");
    let mut waits = Vec::new();
    for _ in 0..40 {
        let (sent, wait) = next_sent(&mut world);
        assert_eq!(sent.flow, udp(REGISTRAR));
        waits.push(wait);
        world.datagram(REGISTRAR, stun::answer(&asked(&sent), &[], mapped));
    }
    assert!(waits.iter().all(|w| seconds(24, 29).contains(w)), "{waits:?}");
    assert!(waits.iter().max().unwrap().saturating_sub(*waits.iter().min().unwrap()) > Duration::from_secs(3));
    assert_eq!(world.events.len(), 1);
    let (sent, _) = next_sent(&mut world);
    // Answers that are not ours: another transaction, another sender.
    world.datagram(REGISTRAR, stun::answer(&[9; 12], &[], address("203.0.113.9:9")));
    world.datagram(SECOND, stun::answer(&asked(&sent), &[], address("203.0.113.9:9")));
    world.datagram(
        "198.51.100.1:5060",
        stun::answer(&asked(&sent), &[], address("203.0.113.9:9")),
    );
    let moved = world.now;
    world.datagram(REGISTRAR, stun::answer(&asked(&sent), &[], address("203.0.113.1:1025")));
    let register = next_register(&mut world, &[REGISTRAR]);
    assert!(world.now - moved <= Duration::from_secs(2));
    // It works as before: nothing to tell.
    world.datagram(
        REGISTRAR,
        reply(&register, "200 OK", "Expires: 86400\r\nRequire: outbound\r\n"),
    );
    assert!(matches!(
        world.events.last(),
        Some(Event::Registered { first: false, .. })
    ));
    let (sent, wait) = next_sent(&mut world);
    asked(&sent);
    assert!(seconds(24, 29).contains(&wait));
}

/// RFC 8489 §6.2.1: at 0, 0.5, 1.5, 3.5, 7.5, 15.5 and 31.5 s; after 39.5 s the flow is dead, and the other server's turn.
#[test]
fn stun_without_an_answer() {
    let targets = [REGISTRAR, SECOND];
    let mut world = up(outbound(Transport::Udp), &targets, "Require: outbound\r\n");
    let (first, _) = next_sent(&mut world);
    let id = asked(&first);
    let begun = world.now;
    let mut times = Vec::new();
    for _ in 0..6 {
        let (sent, _) = next_sent(&mut world);
        assert_eq!(asked(&sent), id);
        times.push((world.now - begun).as_millis());
    }
    assert_eq!(times, [500, 1500, 3500, 7500, 15_500, 31_500]);
    let register = next_register(&mut world, &targets);
    assert!(
        seconds(39, 42).contains(&(world.now - begun)),
        "{:?}",
        world.now - begun
    );
    assert_eq!(register.flow.peer, address(SECOND));
    world.datagram(SECOND, reply(&register, "200 OK", "Expires: 600\r\n"));
    assert!(
        matches!(world.events.last(), Some(Event::Registered { server, first: true, .. }) if *server == address(SECOND))
    );
    // With no other server the same one is asked again.
    let mut world = up(outbound(Transport::Udp), &[REGISTRAR], "Require: outbound\r\n");
    let register = next_register(&mut world, &[REGISTRAR]);
    assert_eq!(register.flow.peer, address(REGISTRAR));
    assert!(world.now - world.start < Duration::from_secs(80));
}

/// A registrar that says outbound and leaves STUN unanswered costs one more registration, not one a minute; once it
/// does answer, its answers are missed like any other's.
#[test]
fn deaf_to_stun() {
    let lines = "Expires: 86400\r\nRequire: outbound\r\n";
    let mut world = up(outbound(Transport::Udp), &[REGISTRAR], "Require: outbound\r\n");
    let register = next_register(&mut world, &[REGISTRAR]);
    world.datagram(REGISTRAR, reply(&register, "200 OK", lines));
    let again = world.now;
    let mut last = stun::Id::default();
    for _ in 0..100 {
        let (sent, wait) = next_sent(&mut world);
        assert!(seconds(24, 29).contains(&wait), "{wait:?}");
        assert_ne!(asked(&sent), last, "no request is repeated");
        last = asked(&sent);
    }
    assert!(world.now - again > Duration::from_secs(2400));
    assert_eq!(world.events.len(), 2);
    world.datagram(REGISTRAR, stun::answer(&last, &[], address("203.0.113.1:1024")));
    let answered = world.now;
    next_register(&mut world, &[REGISTRAR]);
    assert!(
        seconds(63, 72).contains(&(world.now - answered)),
        "{:?}",
        world.now - answered
    );
}

/// STUN that we did not ask for: requests (RFC 5626 §8 has registrars and edge proxies answer them, not us), answers.
#[test]
fn stun_at_our_port() {
    let mut world = up(outbound(Transport::Udp), &[REGISTRAR], "");
    let before = world.sent.len();
    world.datagram("198.51.100.1:5060", stun::request(&[3; 12]));
    world.datagram(REGISTRAR, &stun::request(&[3; 12])[..19]);
    world.datagram(REGISTRAR, stun::answer(&[3; 12], &[], address(LOCAL)));
    world.datagram(REGISTRAR, stun::request(&[3; 12]));
    assert_eq!(world.sent.len(), before);
    assert_eq!(world.events.len(), 1);
}

/// A registrar by UDP that does not say outbound: an empty line now and then, and no answer is missed.
#[test]
fn empty_lines() {
    let mut settings = outbound(Transport::Udp);
    settings.extensions[0].keep_alive = Some(Duration::from_secs(30));
    let mut world = up(settings, &[REGISTRAR], "Flow-Timer: 600\r\n");
    for _ in 0..50 {
        let (sent, wait) = next_sent(&mut world);
        assert_eq!(sent.octets, b"\r\n\r\n");
        assert!(seconds(24, 30).contains(&wait), "{wait:?}");
    }
    assert_eq!(world.events.len(), 1);
    // "none" is none.
    let mut world = up(outbound(Transport::Udp), &[REGISTRAR], "");
    let (sent, wait) = next_sent(&mut world);
    assert!(sent.octets.starts_with(b"REGISTER") || wait > Duration::from_secs(3600));
}

/// RFC 5626 §4.4.1: a ping each 95 to 120 s; with the pong all is well.
#[test]
fn pings_and_pongs() {
    let mut world = up_by_tcp(outbound(Transport::Tcp), 1, "Require: outbound\r\n");
    for round in 0..30 {
        let (sent, wait) = next_sent(&mut world);
        assert_eq!(
            (sent.octets.as_slice(), sent.flow.connection),
            (b"\r\n\r\n".as_slice(), Some(ConnectionId(1)))
        );
        // Counted from the pong.
        let slack = u64::from(round > 0) * 9;
        assert!(seconds(95 - slack, 120).contains(&wait), "{wait:?}");
        world.run_ms(9000);
        world.agent.handle_stream(tcp(1), b"\r\n", world.now);
        world.drain();
    }
    assert_eq!(world.events.len(), 1);
    assert!(world.closed.is_empty());
    assert!(world.sent.iter().all(|s| s.octets != b"\r\n"), "a pong is no ping");
    // A far end that pings us gets its pong.
    world.agent.handle_stream(tcp(1), b"\r\n\r\n", world.now);
    world.drain();
    assert_eq!(world.last().octets, b"\r\n");
}

/// No pong within 10 s: the connection is closed and the registration made again by another (RFC 5626 §4.4.1).
#[test]
fn no_pong() {
    let mut world = up_by_tcp(outbound(Transport::Tcp), 1, "Require: outbound\r\n");
    let (ping, _) = next_sent(&mut world);
    assert_eq!(ping.octets, b"\r\n\r\n");
    let begun = world.now;
    while world.closed.is_empty() {
        let until = world.now + Duration::from_secs(60);
        assert!(world.step(until));
    }
    assert_eq!(world.now - begun, Duration::from_secs(10));
    assert_eq!(world.closed, [ConnectionId(1)]);
    world.agent.handle_closed(tcp(1), world.now);
    let register = next_register(&mut world, &[REGISTRAR]);
    assert_eq!(register.flow.connection, None, "by a new connection");
    assert!(world.now - begun <= Duration::from_secs(13));
}

/// Without outbound a pong is welcome and not missed; without `keep_alive` there is no ping.
#[test]
fn pings_without_outbound() {
    let mut settings = outbound(Transport::Tcp);
    settings.extensions[0].keep_alive = Some(Duration::from_secs(30));
    let mut world = up_by_tcp(settings, 1, "");
    for answered in [true, false, true, false, false] {
        let (sent, wait) = next_sent(&mut world);
        assert_eq!(sent.octets, b"\r\n\r\n");
        assert!(seconds(95, 120).contains(&wait));
        if answered {
            world.agent.handle_stream(tcp(1), b"\r\n", world.now);
            world.drain();
        }
    }
    assert!(world.closed.is_empty() && world.events.len() == 1);
    let mut world = up_by_tcp(outbound(Transport::Tcp), 1, "");
    let (sent, _) = next_sent(&mut world);
    assert!(sent.octets.starts_with(b"REGISTER"));
}

/// RFC 5626 §4.4: Flow-Timer is kept to, at 80 to 100 %.
#[test]
fn flow_timer() {
    let mut world = up_by_tcp(outbound(Transport::Tcp), 1, "Require: outbound\r\nFlow-Timer: 600\r\n");
    assert!(seconds(480, 600).contains(&next_sent(&mut world).1));
    let mut world = up(
        outbound(Transport::Udp),
        &[REGISTRAR],
        "Require: path, outbound\r\nFlow-Timer: 60\r\n",
    );
    assert!(seconds(48, 60).contains(&next_sent(&mut world).1));
}

/// Extensions that share a flow share its keep-alives, and all are made again when it breaks.
#[test]
fn one_keeper_for_a_flow() {
    let settings = Settings {
        instance: Some(URN.into()),
        ..settings(
            ["600", "601", "602"]
                .map(|u| registered(u, "pbx.example", Transport::Udp))
                .to_vec(),
        )
    };
    let mut world = World::new(settings);
    for _ in 0..3 {
        let register = next_register(&mut world, &[REGISTRAR]);
        world.datagram(
            REGISTRAR,
            reply(&register, "200 OK", "Expires: 86400\r\nRequire: outbound\r\n"),
        );
    }
    let begun = world.now;
    let mut count = 0;
    while world.now - begun < Duration::from_secs(600) {
        let (sent, _) = next_sent(&mut world);
        count += 1;
        world.datagram(REGISTRAR, stun::answer(&asked(&sent), &[], address("203.0.113.1:1024")));
    }
    assert!((20..=26).contains(&count), "{count} in ten minutes");
    let (sent, _) = next_sent(&mut world);
    world.datagram(REGISTRAR, stun::answer(&asked(&sent), &[], address("203.0.113.1:4")));
    let mut again = std::collections::BTreeSet::new();
    for _ in 0..3 {
        let register = next_register(&mut world, &[REGISTRAR]);
        again.insert(register.header("To"));
        world.datagram(
            REGISTRAR,
            reply(&register, "200 OK", "Expires: 86400\r\nRequire: outbound\r\n"),
        );
    }
    assert_eq!(again.len(), 3);
    // Nothing is kept open after the farewell.
    world.agent.shut_down(world.now);
    world.run(SHUTDOWN_LIMIT);
    let sent = world.sent.len();
    world.run(Duration::from_secs(600));
    assert_eq!(world.sent.len(), sent);
    assert!(world.agent.is_idle());
}

/// Extensions whose bindings were made at different times follow a change of our address one after the other; who has
/// is left alone, and the change is told once.
#[test]
fn one_change_of_address_for_many() {
    let extensions = ["600", "601", "602"].map(|u| registered(u, "pbx.example", Transport::Udp));
    let mut world = World::new(settings(extensions.to_vec()));
    let answer = |world: &mut World, local: &str| {
        let register = next_register_from(world, local);
        assert_eq!(register.flow.local, address(local));
        world.datagram(REGISTRAR, reply(&register, "200 OK", "Expires: 3600\r\n"));
        register.header("To")
    };
    let mut who: Vec<String> = (0..3).map(|_| answer(&mut world, LOCAL)).collect();
    let old = udp(REGISTRAR);
    assert_eq!(world.agent.bound_flows(), [old]);
    // One of them was bound a while after the others, and must wait for longer.
    world.run(Duration::from_secs(25));
    let new = "198.51.100.7:5060";
    assert!(world.agent.moved(old, world.now));
    let (begun, mut again) = (world.now, Vec::new());
    for left in [2, 1, 0] {
        again.push(answer(&mut world, new));
        let flows = world.agent.bound_flows();
        assert_eq!(flows.contains(&old), left > 0);
        assert!(flows.iter().any(|f| f.local == address(new)));
        assert!(!world.agent.moved(old, world.now), "told once");
    }
    assert!(world.now - begun < Duration::from_secs(31));
    who.sort();
    again.sort();
    assert_eq!(again, who);
    let sent = world.sent.len();
    world.run(Duration::from_secs(600));
    assert_eq!(world.sent.len(), sent, "nobody twice");
}
