//! Registration against a simulated registrar (RFC 3261 §10, RFC 3665 §2, RFC 8760).

use super::*;
use crate::sip::digest::{self, Expected};

/// What the registrar does with the next REGISTER.
struct Registrar {
    nonce: String,
    algorithm: &'static str,
    password: &'static str,
    seen: usize,
    /// Nonce counts accepted.
    counts: Vec<u32>,
}

impl Registrar {
    fn new() -> Self {
        Registrar {
            nonce: "n-1".into(),
            algorithm: "MD5",
            password: "tide-table",
            seen: 0,
            counts: Vec::new(),
        }
    }

    /// REGISTERs that have come since the last look.
    fn fetch(&mut self, world: &World) -> Vec<Sent> {
        let new: Vec<Sent> = world.sent[self.seen..].to_vec();
        self.seen = world.sent.len();
        new.into_iter().filter(|s| s.method() == "REGISTER").collect()
    }

    fn challenge(&self, stale: bool) -> String {
        format!(
            "WWW-Authenticate: Digest realm=\"quayside\", nonce=\"{}\", algorithm={}, qop=\"auth\"{}\r\n",
            self.nonce,
            self.algorithm,
            if stale { ", stale=TRUE" } else { "" }
        )
    }

    /// 401, or 200 with these lines when the credentials are right.
    fn judge(&mut self, register: &Sent, granted: &str) -> String {
        if !register.has("Authorization") {
            return reply(register, "401 Unauthorized", &self.challenge(false));
        }
        let authorization = register.header("Authorization");
        let expected = Expected {
            method: "REGISTER",
            body: b"",
            realm: "quayside",
            nonce: &self.nonce,
        };
        let password = self.password;
        match digest::verify(&authorization, &expected, |user| {
            (user == "600").then(|| Secret::new(password))
        }) {
            Some(verified) => {
                assert_eq!(verified.uri, "sip:pbx.quayside.example");
                self.counts.push(verified.count);
                reply(register, "200 OK", granted)
            }
            None => {
                let stale = !authorization.contains(&format!("\"{}\"", self.nonce));
                reply(register, "401 Unauthorized", &self.challenge(stale))
            }
        }
    }
}

fn world() -> World {
    World::new(settings(vec![registered(
        "600",
        "pbx.quayside.example",
        Transport::Udp,
    )]))
}

/// Waits for the name to be asked for and answers it.
fn resolve(world: &mut World, targets: &[&str]) {
    let asked = world.resolves.len();
    while world.resolves.len() == asked {
        let until = world.now + Duration::from_secs(7200);
        assert!(world.step(until), "no resolution asked for");
    }
    world.resolved(0, targets);
    world.drain();
}

/// A world that is registered for `seconds`.
fn up(seconds: u32) -> (World, Registrar) {
    let mut world = world();
    let mut registrar = Registrar::new();
    resolve(&mut world, &[REGISTRAR]);
    for _ in 0..2 {
        let register = registrar.fetch(&world).pop().unwrap();
        let contact = register.header("Contact");
        let uri = contact.split(';').next().unwrap().to_owned();
        let text = registrar.judge(&register, &format!("Contact: {uri};expires={seconds}\r\n"));
        world.datagram(REGISTRAR, text);
    }
    (world, registrar)
}

fn is_up(world: &World, seconds: u64, first: bool) -> bool {
    matches!(world.events.last(), Some(Event::Registered { expires, first: f, .. })
        if *expires == Duration::from_secs(seconds) && *f == first)
}

fn failure(world: &World) -> (String, Duration, bool) {
    match world.events.last() {
        Some(Event::RegistrationFailed {
            cause, retry_in, first, ..
        }) => (cause.clone(), *retry_in, *first),
        other => panic!("{other:?}"),
    }
}

/// RFC 3665 §2.1: 401, then 200; same Call-ID and From tag, CSeq one higher, a new branch.
#[test]
fn registers_with_digest() {
    let mut world = world();
    let mut registrar = Registrar::new();
    resolve(&mut world, &[REGISTRAR]);
    assert!(world.now - world.start <= Duration::from_millis(500));
    let first = registrar.fetch(&world).pop().unwrap();
    assert!(
        first
            .text()
            .starts_with("REGISTER sip:pbx.quayside.example SIP/2.0\r\n")
    );
    assert_eq!(first.flow, udp(REGISTRAR));
    assert_eq!(first.header("To"), "<sip:600@pbx.quayside.example>");
    assert_eq!(first.header("Contact"), "<sip:600@192.0.2.50:5060>;expires=3600");
    assert!(!first.has("Authorization"));
    let text = registrar.judge(&first, "");
    world.datagram(REGISTRAR, text);
    let second = registrar.fetch(&world).pop().unwrap();
    assert_eq!(second.header("Call-ID"), first.header("Call-ID"));
    assert_eq!(second.header("From"), first.header("From"));
    assert_eq!(
        (first.header("CSeq"), second.header("CSeq")),
        ("1 REGISTER".into(), "2 REGISTER".into())
    );
    assert_ne!(second.header("Via"), first.header("Via"));
    // Expiry of our own Contact among others, before Expires (RFC 3261 §10.2.4).
    let granted = "Contact: <sip:600@192.0.2.99>;expires=10, <sip:600@192.0.2.50:5060>;expires=1800\r\nExpires: 20\r\n";
    let text = registrar.judge(&second, granted);
    world.datagram(REGISTRAR, &text);
    assert!(is_up(&world, 1800, true));
    assert_eq!(registrar.counts, [1]);
    // The same 200 once more changes nothing.
    world.datagram(REGISTRAR, &text);
    assert_eq!(world.events.len(), 1);
}

#[test]
fn expiry_from_expires_and_from_what_was_asked() {
    for (lines, seconds) in [
        ("Expires: 120\r\n", 120),
        ("", 3600),
        ("Contact: <sip:600@192.0.2.99>;expires=10\r\nExpires: 240\r\n", 240),
        // The list holds every binding of the address of record (RFC 3261 §10.2.4), so that the only one in it is ours,
        // even where something on the way has rewritten its address (common practice, no published source).
        ("Contact: <sip:600@203.0.113.9:41000>;expires=60\r\n", 60),
        (
            "Contact: <sip:600@203.0.113.9:41000>;expires=60, <sip:600@192.0.2.98>;expires=20\r\n",
            3600,
        ),
        // A malformed value counts as 3600 (RFC 3261 §10.2.1.1).
        ("Expires: soon\r\n", 3600),
        // It may shorten what was asked for and not lengthen it (RFC 3261 §10.3 step 7).
        ("Expires: 3601\r\n", 3600),
        ("Expires: 4294967295\r\n", 3600),
        (
            "Contact: <sip:600@192.0.2.50:5060>;expires=604800\r\nExpires: 60\r\n",
            3600,
        ),
    ] {
        let mut world = world();
        let mut registrar = Registrar::new();
        resolve(&mut world, &[REGISTRAR]);
        for _ in 0..2 {
            let register = registrar.fetch(&world).pop().unwrap();
            let text = registrar.judge(&register, lines);
            world.datagram(REGISTRAR, text);
        }
        assert!(is_up(&world, seconds, true), "{lines}");
    }
}

/// A day of refreshes: each before the binding ends, with the known nonce and a growing count, told once.
#[test]
fn a_day_of_refreshes() {
    let (mut world, mut registrar) = up(600);
    let mut bound = world.now + Duration::from_secs(600);
    let end = world.start + Duration::from_secs(86_400);
    while world.now < end {
        let until = world.now + Duration::from_secs(600);
        world.step(until);
        if let Some(id) = world.resolves.pop() {
            world.resolved(id.0, &[REGISTRAR]);
            world.drain();
        }
        for register in registrar.fetch(&world) {
            assert!(bound - world.now >= Duration::from_secs(64));
            let text = registrar.judge(&register, "Expires: 600\r\n");
            world.datagram(REGISTRAR, text);
            bound = world.now + Duration::from_secs(600);
        }
    }
    assert!(registrar.counts.len() > 86_400 / 600);
    let expected: Vec<u32> = (1..).take(registrar.counts.len()).collect();
    assert_eq!(registrar.counts, expected, "no request was challenged twice");
    let firsts = world
        .events
        .iter()
        .filter(|e| matches!(e, Event::Registered { first: true, .. }))
        .count();
    assert_eq!(firsts, 1);
    assert!(world.events.iter().all(|e| matches!(e, Event::Registered { .. })));
}

/// stale=true: once more with the new nonce, without a failure (RFC 7616 §3.3).
#[test]
fn stale_nonce() {
    let (mut world, mut registrar) = up(60);
    registrar.nonce = "n-2".into();
    world.run_ms(30_000);
    let register = registrar.fetch(&world).swap_remove(0);
    assert!(register.header("Authorization").contains("nonce=\"n-1\""));
    let text = registrar.judge(&register, "Expires: 60\r\n");
    assert!(text.contains("stale=TRUE"));
    world.datagram(REGISTRAR, text);
    let register = registrar.fetch(&world).pop().unwrap();
    let text = registrar.judge(&register, "Expires: 60\r\n");
    world.datagram(REGISTRAR, text);
    assert!(is_up(&world, 60, false));
    assert_eq!(registrar.counts, [1, 1]);
}

/// A wrong password costs two requests per round, and rounds are 30 s apart and more (RFC 5626 §4.5).
#[test]
fn wrong_password() {
    let mut world = world();
    let mut registrar = Registrar::new();
    registrar.password = "other";
    let mut requests = 0;
    resolve(&mut world, &[REGISTRAR]);
    let end = world.start + Duration::from_secs(86_400);
    while world.now < end {
        for register in registrar.fetch(&world) {
            requests += 1;
            let text = registrar.judge(&register, "");
            world.datagram(REGISTRAR, text);
        }
        if registrar.seen < world.sent.len() {
            continue;
        }
        world.step(end);
        if world.resolves.pop().is_some() {
            world.resolved(0, &[REGISTRAR]);
            world.drain();
        }
    }
    let rounds = world.events.len();
    assert!((48..=104).contains(&rounds), "{rounds} rounds in a day");
    assert_eq!(requests, 2 * rounds);
    let told: Vec<bool> = world
        .events
        .iter()
        .map(|e| match e {
            Event::RegistrationFailed { first, cause, .. } => {
                assert!(cause.contains("password"), "{cause}");
                *first
            }
            other => panic!("{other:?}"),
        })
        .collect();
    assert!(told[0] && told[1..].iter().all(|f| !f), "told once");
}

#[test]
fn no_password_and_unknown_schemes() {
    let mut extension = registered("600", "pbx.quayside.example", Transport::Udp);
    extension.password = None;
    let mut world = World::new(settings(vec![extension]));
    resolve(&mut world, &[REGISTRAR]);
    let register = world.last().clone();
    world.datagram(
        REGISTRAR,
        reply(
            &register,
            "401 Unauthorized",
            "WWW-Authenticate: Digest realm=\"q\", nonce=\"x\"\r\n",
        ),
    );
    assert!(failure(&world).0.contains("password"));

    let mut world = self::world();
    resolve(&mut world, &[REGISTRAR]);
    let register = world.last().clone();
    // RFC 4475 §3.3.7: a scheme that we do not know.
    world.datagram(
        REGISTRAR,
        reply(
            &register,
            "401 Unauthorized",
            "WWW-Authenticate: NoOneKnowsThisScheme opaque=\"x\"\r\n",
        ),
    );
    let (cause, retry_in, first) = failure(&world);
    assert!(cause.contains("NoOneKnowsThisScheme"), "{cause}");
    assert!(first && retry_in >= Duration::from_secs(30) && retry_in <= Duration::from_secs(60));
}

/// RFC 8760 §2.3: the topmost algorithm that we support, from one header or several; a proxy's 407 beside it.
#[test]
fn several_challenges_and_a_proxy() {
    let mut world = world();
    resolve(&mut world, &[REGISTRAR]);
    let register = world.last().clone();
    let proxy = "Proxy-Authenticate: Digest realm=\"edge\", nonce=\"p\", qop=\"auth\"\r\n";
    world.datagram(REGISTRAR, reply(&register, "407 Proxy Authentication Required", proxy));
    let register = world.last().clone();
    assert!(register.header("Proxy-Authorization").contains("realm=\"edge\""));
    let origin = "WWW-Authenticate: Digest realm=\"q\", nonce=\"a\", algorithm=NEWEST, qop=\"auth\"\r\n\
                  WWW-Authenticate: Digest realm=\"q\", nonce=\"b\", algorithm=SHA-256, qop=\"auth\"\r\n\
                  WWW-Authenticate: Digest realm=\"q\", nonce=\"c\", algorithm=MD5, qop=\"auth\"\r\n";
    world.datagram(REGISTRAR, reply(&register, "401 Unauthorized", origin));
    let register = world.last().clone();
    assert!(register.header("Authorization").contains("nonce=\"b\""));
    assert!(register.header("Proxy-Authorization").contains("nc=00000002"));
    world.datagram(REGISTRAR, reply(&register, "200 OK", "Expires: 60\r\n"));
    assert!(is_up(&world, 60, true));
}

/// RFC 3261 §10.2.8: 423 raises the interval; a Min-Expires that makes no sense does not loop.
#[test]
fn interval_too_brief() {
    let mut world = world();
    resolve(&mut world, &[REGISTRAR]);
    let register = world.last().clone();
    world.datagram(
        REGISTRAR,
        reply(&register, "423 Interval Too Brief", "Min-Expires: 7200\r\n"),
    );
    let register = world.last().clone();
    assert_eq!(register.header("Contact"), "<sip:600@192.0.2.50:5060>;expires=7200");
    assert_eq!(register.header("Expires"), "7200");
    world.datagram(
        REGISTRAR,
        reply(&register, "423 Interval Too Brief", "Min-Expires: 60\r\n"),
    );
    assert!(failure(&world).0.contains("423"));
    // What a 423 has raised is what was asked for.
    let mut world = self::world();
    resolve(&mut world, &[REGISTRAR]);
    let brief = reply(world.last(), "423 Interval Too Brief", "Min-Expires: 7200\r\n");
    world.datagram(REGISTRAR, brief);
    let granted = reply(world.last(), "200 OK", "Expires: 9000\r\n");
    world.datagram(REGISTRAR, granted);
    assert!(is_up(&world, 7200, true));
}

/// RFC 3263 §4.3: a server that is silent or says 503 is passed over, in order; only then the round has failed.
#[test]
fn next_server() {
    let mut world = world();
    let targets = ["192.0.2.1:5060", "192.0.2.2:5060", "192.0.2.3:5060"];
    resolve(&mut world, &targets);
    let begun = world.now;
    while world.last().flow.peer == address(targets[0]) {
        let until = world.now + Duration::from_secs(60);
        world.step(until);
    }
    assert_eq!(world.now - begun, Duration::from_secs(32), "timer F");
    assert_eq!(world.last().flow.peer, address(targets[1]));
    let register = world.last().clone();
    world.datagram(targets[1], reply(&register, "503 Service Unavailable", ""));
    assert_eq!(world.last().flow.peer, address(targets[2]));
    assert!(world.events.is_empty());
    let register = world.last().clone();
    world.datagram(targets[2], reply(&register, "200 OK", "Expires: 60\r\n"));
    assert!(is_up(&world, 60, true));
    // The refresh stays with the server that works.
    let sent = world.sent.len();
    world.run_ms(30_000);
    assert!(world.sent.len() > sent);
    assert_eq!(world.last().flow.peer, address(targets[2]));
}

/// All servers down: one event, growing waits, a new resolution each time; and back when it is back.
#[test]
fn outage_and_return() {
    let (mut world, mut registrar) = up(600);
    world.events.clear();
    let dark = world.now + Duration::from_secs(3 * 3600);
    let mut last = Duration::ZERO;
    while world.now < dark {
        world.step(dark);
        if world.resolves.pop().is_some() {
            world.resolved(0, &[]);
            world.drain();
        }
    }
    let mut firsts = 0;
    for event in &world.events {
        let Event::RegistrationFailed { first, retry_in, .. } = event else {
            panic!("{event:?}");
        };
        firsts += usize::from(*first);
        assert!(*retry_in <= Duration::from_secs(1800));
        last = last.max(*retry_in);
    }
    assert_eq!(firsts, 1);
    assert!(last >= Duration::from_secs(900));
    assert!(
        world.agent.lets_in(address(REGISTRAR).ip()),
        "its address is still believed"
    );
    registrar.fetch(&world);
    resolve(&mut world, &[REGISTRAR]);
    let register = registrar.fetch(&world).pop().unwrap();
    let text = registrar.judge(&register, "Expires: 600\r\n");
    world.datagram(REGISTRAR, text);
    assert!(is_up(&world, 600, true));
}

#[test]
fn name_that_cannot_be_resolved() {
    let mut world = world();
    resolve(&mut world, &[]);
    let (cause, _, first) = failure(&world);
    assert!(cause.contains("resolved") && first);
    assert!(world.sent.is_empty());
    // A driver that never answers is as good as an empty answer.
    while world.resolves.len() < 2 {
        let until = world.now + Duration::from_secs(120);
        world.step(until);
    }
    world.run_ms(30_000);
    assert!(!failure(&world).2);
}

/// Whom the name service does not know nobody asks too often: RFC 5626 §4.5 spares registrars, not names.
#[test]
fn a_name_service_that_comes_late_is_asked_again_soon() {
    let mut world = world();
    for _ in 0..8 {
        resolve(&mut world, &[]);
        let wait = failure(&world).1;
        assert!(wait <= Duration::from_secs(60), "{wait:?}");
        world.events.clear();
    }
    assert!(world.sent.is_empty());
}

/// A registrar that was asked is spared; where this machine's own address has changed it is asked at once, unless it had answered.
#[test]
fn another_network_is_another_try() {
    let mut world = world();
    for _ in 0..4 {
        resolve(&mut world, &[REGISTRAR]);
        while world.events.is_empty() {
            let until = world.now + Duration::from_secs(60);
            world.step(until);
        }
        let wait = failure(&world).1;
        world.events.clear();
        if wait > Duration::from_secs(240) {
            break;
        }
    }
    let (asked, before) = (world.resolves.len(), world.now);
    world.agent.network_changed(world.now);
    while world.resolves.len() == asked {
        let until = world.now + Duration::from_secs(7200);
        assert!(world.step(until));
    }
    assert!(world.now - before <= Duration::from_secs(4), "{:?}", world.now - before);
    world.resolved(0, &[REGISTRAR]);
    world.drain();
    let register = world.last().clone();
    world.datagram(REGISTRAR, reply(&register, "403 Forbidden", ""));
    let wait = failure(&world).1;
    let (asked, before) = (world.resolves.len(), world.now);
    world.agent.network_changed(world.now);
    while world.resolves.len() == asked {
        let until = world.now + Duration::from_secs(7200);
        assert!(world.step(until));
    }
    assert!(world.now - before >= wait, "{:?} of {wait:?}", world.now - before);
}

/// Retry-After of a 503 is kept to, within reason (RFC 3261 §20.33).
#[test]
fn retry_after() {
    let mut world = world();
    resolve(&mut world, &[REGISTRAR]);
    let register = world.last().clone();
    world.datagram(
        REGISTRAR,
        reply(
            &register,
            "503 Service Unavailable",
            "Retry-After: 300 (tea break);duration=60\r\n",
        ),
    );
    assert_eq!(failure(&world).1, Duration::from_secs(300));
}

/// RFC 3261 §10.2.2: shut-down takes our own binding away, with credentials where asked.
#[test]
fn unregisters() {
    let (mut world, mut registrar) = up(600);
    world.agent.shut_down(world.now);
    world.drain();
    let register = registrar.fetch(&world).pop().unwrap();
    assert_eq!(register.header("Expires"), "0");
    assert_eq!(register.header("Contact"), "<sip:600@192.0.2.50:5060>;expires=0");
    registrar.nonce = "n-9".into();
    let text = registrar.judge(&register, "");
    world.datagram(REGISTRAR, text);
    assert!(!world.agent.is_idle());
    let register = registrar.fetch(&world).pop().unwrap();
    assert_eq!(register.header("Expires"), "0");
    let text = registrar.judge(&register, "");
    world.datagram(REGISTRAR, text);
    assert!(matches!(world.events.last(), Some(Event::Unregistered { .. })));
    assert!(world.agent.is_idle());
    world.run(Duration::from_secs(86_400));
    assert!(registrar.fetch(&world).is_empty());
}

/// A registrar that is gone still holds the binding: nothing is said of its end.
#[test]
fn nobody_unregisters_us() {
    let (mut world, _) = up(600);
    let events = world.events.len();
    world.agent.shut_down(world.now);
    world.run(SHUTDOWN_LIMIT);
    assert!(world.agent.is_idle());
    assert_eq!(world.events.len(), events);
}

/// An extension that never got through has nothing to take away.
#[test]
fn shut_down_before_registration() {
    let mut world = world();
    world.agent.shut_down(world.now);
    world.drain();
    assert!(world.agent.is_idle() && world.sent.is_empty() && world.events.is_empty());
}

/// Any one message lost: the registration comes up all the same, a little later.
#[test]
fn any_message_lost() {
    for lost in 0..4 {
        let mut world = world();
        let mut registrar = Registrar::new();
        resolve(&mut world, &[REGISTRAR]);
        let mut count = 0;
        let end = world.now + Duration::from_secs(5);
        while world.now < end && world.events.is_empty() {
            for register in registrar.fetch(&world) {
                let arrives = count != lost;
                count += 1;
                if !arrives {
                    continue;
                }
                let text = registrar.judge(&register, "Expires: 60\r\n");
                let arrives = count != lost;
                count += 1;
                if arrives {
                    world.datagram(REGISTRAR, text);
                }
            }
            if world.events.is_empty() && registrar.seen == world.sent.len() {
                world.step(end);
            }
        }
        assert!(is_up(&world, 60, true), "message {lost} lost");
    }
}

/// RFC 3261 §10.2.1: a Contact says where we can be reached, so a board with a new address says so at once, by an
/// address that it has.
#[test]
fn a_new_address_of_our_own_is_registered() {
    let (mut world, mut registrar) = up(3600);
    let flows = world.agent.bound_flows();
    assert_eq!(flows, [udp(REGISTRAR)]);
    // Nothing happens for a flow that no binding was made by.
    assert!(!world.agent.moved(udp("192.0.2.77:5060"), world.now));
    world.run(Duration::from_secs(100));
    assert!(registrar.fetch(&world).is_empty());
    let (asked, moved) = (world.resolves.len(), world.now);
    assert!(world.agent.moved(flows[0], world.now));
    assert!(!world.agent.moved(flows[0], world.now), "told once");
    while world.resolves.len() == asked {
        let until = world.now + Duration::from_secs(60);
        assert!(world.step(until), "no resolution asked for");
    }
    assert!(!world.agent.moved(flows[0], world.now), "nor while it is looked up");
    assert!(world.now - moved <= Duration::from_secs(2));
    let target = Target {
        transport: Transport::Udp,
        peer: address(REGISTRAR),
        local: address("198.51.100.7:5060"),
        rank: 0,
    };
    world.agent.resolved(RegistrationId(0), vec![target], world.now);
    world.drain();
    for _ in 0..2 {
        let Some(register) = registrar.fetch(&world).pop() else {
            break;
        };
        assert_eq!(register.header("Contact"), "<sip:600@198.51.100.7:5060>;expires=3600");
        assert!(register.header("Via").contains("198.51.100.7:5060"));
        assert_eq!(register.flow.local, address("198.51.100.7:5060"));
        let text = registrar.judge(&register, "Expires: 3600\r\n");
        world.datagram(REGISTRAR, text);
    }
    assert!(is_up(&world, 3600, false));
    assert_eq!(world.agent.bound_flows()[0].local, address("198.51.100.7:5060"));
    // Many changes in a row do not make a flood.
    let before = world.now;
    assert!(
        world.agent.moved(world.agent.bound_flows()[0], world.now),
        "another change"
    );
    let asked = world.resolves.len();
    while world.resolves.len() == asked {
        let until = world.now + Duration::from_secs(60);
        assert!(world.step(until));
    }
    assert!(world.now - before >= Duration::from_secs(29));
}
