//! Several servers, registrars, proxies; redirects; many boards at once (RFC 3263 §4.3, RFC 5626, RFC 3261 §8.1.3.4).

use super::*;

const FIRST: &str = "192.0.2.1:5060";
const SECOND: &str = "192.0.2.2:5060";

fn hop(host: &str) -> Hop {
    Hop {
        host: host.into(),
        port: None,
        transport: Some(Transport::Udp),
        secure: false,
    }
}

/// A world whose servers answer by a rule: status and extra lines for a REGISTER to an address, or silence.
struct Site<F> {
    world: World,
    rule: F,
    seen: usize,
    /// REGISTERs with the time that they came.
    registers: Vec<Sent>,
    /// Targets by host; a name that is not there cannot be resolved.
    names: Vec<(&'static str, Vec<&'static str>)>,
}

impl<F: FnMut(&Sent) -> Option<(&'static str, String)>> Site<F> {
    fn new(settings: Settings, names: &[(&'static str, &[&'static str])], rule: F) -> Self {
        Site {
            world: World::new(settings),
            rule,
            seen: 0,
            registers: Vec::new(),
            names: names.iter().map(|(n, t)| (*n, t.to_vec())).collect(),
        }
    }

    fn run(&mut self, seconds: u64) {
        let end = self.world.now + Duration::from_secs(seconds);
        loop {
            while let Some(id) = self.world.resolves.pop() {
                let host = self.world.hops[&id].host.clone();
                let found = self.names.iter().find(|(n, _)| *n == host);
                let targets = found.map(|(_, t)| t.clone()).unwrap_or_default();
                self.world.resolved(id.0, &targets);
                self.world.drain();
            }
            if let Some(sent) = self.world.sent.get(self.seen).cloned() {
                self.seen += 1;
                if sent.octets.starts_with(b"REGISTER") {
                    self.registers.push(sent.clone());
                    if let Some((status, lines)) = (self.rule)(&sent) {
                        let peer = sent.flow.peer.to_string();
                        self.world.datagram(&peer, reply(&sent, status, &lines));
                    }
                }
                continue;
            }
            if !self.world.step(end) && self.world.resolves.is_empty() {
                return;
            }
        }
    }

    fn registered(&self) -> Vec<String> {
        let of = |e: &Event| match e {
            Event::Registered {
                server, first: true, ..
            } => Some(server.to_string()),
            _ => None,
        };
        self.world.events.iter().filter_map(of).collect()
    }

    fn failures(&self) -> Vec<(String, String, Duration)> {
        let of = |e: &Event| match e {
            Event::RegistrationFailed {
                registrar,
                cause,
                retry_in,
                ..
            } => Some((registrar.clone(), cause.clone(), *retry_in)),
            _ => None,
        };
        self.world.events.iter().filter_map(of).collect()
    }
}

fn one() -> Settings {
    settings(vec![registered("600", "pbx.example", Transport::Udp)])
}

fn ok(seconds: u32) -> Option<(&'static str, String)> {
    Some(("200 OK", format!("Expires: {seconds}\r\n")))
}

fn is_to(sent: &Sent, peer: &str) -> bool {
    sent.flow.peer == address(peer)
}

/// RFC 3263 §4.3: over to the second server, looks at the first with the back-off of RFC 5626 §4.5, and back.
#[test]
fn fails_over_and_comes_back() {
    let back = std::rc::Rc::new(std::cell::Cell::new(false));
    let is_back = back.clone();
    let mut site = Site::new(one(), &[("pbx.example", &[FIRST, SECOND])], move |r| {
        if is_to(r, FIRST) && !is_back.get() {
            return None;
        }
        ok(3600)
    });
    site.run(60);
    assert_eq!(site.registered(), [SECOND]);
    let bound = site.registers.iter().find(|r| is_to(r, SECOND)).unwrap().at;
    // The looks: each one REGISTER to the first server with its repetitions, and nothing is told of them.
    site.run(2000);
    let mut looks: Vec<Duration> = Vec::new();
    for r in site.registers.iter().filter(|r| is_to(r, FIRST) && r.at > bound) {
        if looks.last().is_none_or(|at| r.at - *at > Duration::from_secs(33)) {
            looks.push(r.at);
        }
    }
    let first = (looks[0] - bound).as_secs();
    assert!((90..=180).contains(&first), "{first}");
    let second = (looks[1] - looks[0]).as_secs();
    assert!((180 + 32..=360 + 33).contains(&second), "{second}");
    assert_eq!(site.registered(), [SECOND]);
    assert!(site.failures().is_empty());
    assert!(site.world.agent.lets_in(address(SECOND).ip()));
    back.set(true);
    site.run(1900);
    assert_eq!(site.registered(), [SECOND, FIRST]);
    // It stays there.
    let count = site.registers.len();
    site.run(8000);
    assert!(site.registers.len() > count);
    assert!(site.registers[count..].iter().all(|r| is_to(r, FIRST)));
    assert_eq!(site.registered().len(), 2);
    assert!(site.failures().is_empty());
}

/// A better server that refuses, asks for a password, or redirects is no reason to leave the one that serves; and
/// bindings as short as a minute never run out meanwhile.
#[test]
fn a_look_back_does_no_harm() {
    for answer in [
        None,
        Some("403 Forbidden"),
        Some("401 Unauthorized"),
        Some("302 Moved Temporarily"),
        Some("503 Busy"),
    ] {
        let mut until = Duration::ZERO;
        let mut site = Site::new(one(), &[("pbx.example", &[FIRST, SECOND])], move |r| {
            if is_to(r, FIRST) {
                // At first nobody is there.
                return answer.filter(|_| !until.is_zero()).map(|a| (a, String::new()));
            }
            assert!(until.is_zero() || r.at < until, "{answer:?}: the binding ran out");
            until = r.at + Duration::from_secs(60);
            ok(60)
        });
        site.run(4000);
        assert_eq!(site.registered(), [SECOND], "{answer:?}");
        assert!(site.failures().is_empty(), "{answer:?}");
        let looks = site
            .registers
            .iter()
            .filter(|r| is_to(r, FIRST) && r.at > Duration::from_secs(40));
        assert!(looks.count() > 2, "{answer:?}");
    }
}

/// Servers of one rank share the load (RFC 2782): none is gone back to for being listed first.
#[test]
fn equals_are_kept_to() {
    let mut world = World::new(one());
    world.run_ms(500);
    let of = |peer: &str| Target {
        transport: Transport::Udp,
        peer: address(peer),
        local: address(LOCAL),
        rank: 0,
    };
    for round in 0..20 {
        // The draw by weight differs each time.
        let targets = if round % 2 == 0 {
            [FIRST, SECOND]
        } else {
            [SECOND, FIRST]
        };
        let id = world.resolves.pop().unwrap();
        world.agent.resolved(id, targets.map(of).to_vec(), world.now);
        world.drain();
        let register = world.last().clone();
        assert!(is_to(&register, FIRST));
        world.datagram(FIRST, reply(&register, "200 OK", "Expires: 3600\r\n"));
        let until = world.now + Duration::from_secs(3600);
        while world.resolves.is_empty() {
            assert!(world.step(until));
        }
    }
    assert!(world.sent.iter().all(|s| is_to(s, FIRST)));
}

/// Two registrars at once: each goes its own way.
#[test]
fn independent_registrars() {
    let mut extension = registered("600", "pbx.example", Transport::Udp);
    extension.registrars.push(Registrar {
        hop: hop("spare.example"),
        proxies: Vec::new(),
    });
    let names: [(&str, &[&str]); 2] = [("pbx.example", &[FIRST]), ("spare.example", &["192.0.2.9:5060"])];
    let mut site = Site::new(settings(vec![extension]), &names, |r| {
        let spare = r.text().starts_with("REGISTER sip:spare.example ");
        assert_eq!(spare, is_to(r, "192.0.2.9:5060"));
        assert!(
            r.header("To")
                .contains(if spare { "@spare.example>" } else { "@pbx.example>" })
        );
        if spare {
            ok(600)
        } else {
            Some(("403 Forbidden", String::new()))
        }
    });
    site.run(7200);
    assert_eq!(site.registered(), ["192.0.2.9:5060"]);
    let failures = site.failures();
    assert!(failures.len() > 5);
    assert!(failures.iter().all(|(registrar, ..)| registrar == "pbx.example"));
    // Another registrar is no other flow of this address of record: the base is 30 s.
    assert!((30..=60).contains(&failures[0].2.as_secs()), "{:?}", failures[0].2);
    for peer in [FIRST, "192.0.2.9:5060"] {
        assert!(site.world.agent.is_registrar_of(ExtensionId(0), address(peer).ip()));
    }
}

/// RFC 5626 §4.2, §4.5: two outbound proxies, a flow by each; Route by RFC 3261 §8.1.2.
#[test]
fn outbound_proxies() {
    let mut extension = registered("600", "pbx.example", Transport::Udp);
    extension.registrars[0].proxies = vec![hop("edge1.example"), hop("edge2.example")];
    let settings = Settings {
        instance: Some("urn:uuid:00000000-0000-5000-8000-000000000001".into()),
        networks: Vec::new(),
        ..settings(vec![extension])
    };
    let names: [(&str, &[&str]); 2] = [("edge1.example", &[FIRST]), ("edge2.example", &[SECOND])];
    let mut site = Site::new(settings, &names, |r| {
        assert!(r.text().starts_with("REGISTER sip:pbx.example SIP/2.0\r\n"));
        let (edge, id) = if is_to(r, FIRST) { (1, 1) } else { (2, 2) };
        assert_eq!(r.header("Route"), format!("<sip:edge{edge}.example;transport=udp;lr>"));
        assert!(
            r.header("Contact").contains(&format!(";reg-id={id};")),
            "{}",
            r.header("Contact")
        );
        assert_eq!(r.header("Supported"), "outbound, path");
        if edge == 1 {
            ok(600)
        } else {
            Some(("403 Forbidden", String::new()))
        }
    });
    site.run(60);
    assert_eq!(site.registered(), [FIRST]);
    let (registrar, _, retry_in) = site.failures()[0].clone();
    assert_eq!(registrar, "pbx.example by edge2.example");
    // With another flow up the base is 90 s; which of the two was asked first is up to chance.
    assert!((30..=180).contains(&retry_in.as_secs()));
    site.run(3600);
    let later = site.failures();
    assert!((180..=360).contains(&later[1].2.as_secs()), "{:?}", later[1].2);
    for peer in [FIRST, SECOND] {
        assert!(site.world.agent.lets_in(address(peer).ip()), "the proxies call us");
    }
    assert!(!site.world.agent.lets_in(address("192.0.2.3:5060").ip()));
}

/// RFC 3261 §8.1.3.4: a 302 is followed for one round; the server that it leads to may call.
#[test]
fn follows_a_redirect() {
    const MOVED: &str = "198.51.100.7:5060";
    let names: [(&str, &[&str]); 2] = [("pbx.example", &[FIRST]), ("node7.example", &[MOVED])];
    let mut site = Site::new(one(), &names, |r| {
        if is_to(r, FIRST) {
            let contact = "Contact: <sip:600@off.example>;q=0.1, <sip:node7.example:5060;transport=udp>;q=0.9\r\n";
            return Some(("302 Moved Temporarily", contact.into()));
        }
        assert!(
            r.text()
                .starts_with("REGISTER sip:node7.example:5060;transport=udp SIP/2.0\r\n")
        );
        assert_eq!(r.header("To"), "<sip:600@pbx.example>");
        ok(600)
    });
    site.run(5);
    assert_eq!(site.registered(), [MOVED]);
    assert!(site.world.agent.lets_in(address(MOVED).ip()));
    assert_eq!(site.registers[0].header("Call-ID"), site.registers[1].header("Call-ID"));
    // The next round begins where the configuration says (§21.3.3).
    site.run(600);
    assert!(is_to(&site.registers[2], FIRST) && is_to(&site.registers[3], MOVED));
    assert_eq!(site.registered().len(), 1);
    // The farewell goes where the binding is.
    site.world.agent.shut_down(site.world.now);
    site.world.drain();
    assert!(is_to(site.world.last(), MOVED));
}

/// The name service answers for a redirect when that was given up long ago: the registrar's own place is not changed by it.
#[test]
fn a_late_answer_for_a_redirect() {
    let mut world = World::new(one());
    world.run_ms(500);
    world.resolved(0, &[FIRST]);
    world.drain();
    let register = world.last().clone();
    world.datagram(
        FIRST,
        reply(&register, "302 Moved Temporarily", "Contact: <sip:node7.example>\r\n"),
    );
    assert_eq!(world.hops[&RegistrationId(0)].host, "node7.example");
    world.run_ms(30_000);
    assert!(matches!(world.events.last(), Some(Event::RegistrationFailed { .. })));
    world.resolved(0, &["198.51.100.7:5060"]);
    world.drain();
    assert!(!world.agent.lets_in(address("198.51.100.7:5060").ip()));
    let sent = world.sent.len();
    world.run_ms(61_000 + 31_000);
    assert!(world.sent.len() > sent);
    assert!(world.sent[sent..].iter().all(|s| is_to(s, FIRST)));
}

/// 305: to the same registrar by the proxy that is named (RFC 3261 §21.3.4).
#[test]
fn use_proxy() {
    let names: [(&str, &[&str]); 2] = [("pbx.example", &[FIRST]), ("edge.example", &[SECOND])];
    let mut site = Site::new(one(), &names, |r| {
        if is_to(r, FIRST) {
            return Some(("305 Use Proxy", "Contact: <sip:edge.example>\r\n".into()));
        }
        assert!(r.text().starts_with("REGISTER sip:pbx.example SIP/2.0\r\n"));
        assert_eq!(r.header("Route"), "<sip:edge.example;lr>");
        ok(600)
    });
    site.run(5);
    assert_eq!(site.registered(), [SECOND]);
}

/// Redirects that lead round in circles, nowhere, or to other schemes end, and are told.
#[test]
fn redirects_are_bounded() {
    for contact in [
        "Contact: <sip:pbx.example>\r\n",
        "Contact: <sip:pbx.example>, <sip:pbx.example>;q=0.5, <sip:nowhere.example>\r\n",
        "Contact: <mailto:600@pbx.example>\r\n",
        "Contact: <sip:pbx.example;transport=sctp>\r\n",
        "",
    ] {
        let mut site = Site::new(one(), &[("pbx.example", &[FIRST])], |_| {
            Some(("301 Moved Permanently", contact.into()))
        });
        site.run(25);
        let failures = site.failures();
        assert_eq!(failures.len(), 1, "{contact}");
        assert!(failures[0].1.contains("301"), "{contact}: {}", failures[0].1);
        assert!(site.registers.len() <= 7, "{contact}: {}", site.registers.len());
    }
}

/// Nobody leads us out of TLS.
#[test]
fn a_redirect_keeps_to_tls() {
    let mut extension = registered("600", "pbx.example", Transport::Tls);
    extension.registrars[0].hop.secure = true;
    let mut world = World::new(settings(vec![extension]));
    world.run_ms(500);
    world.resolved(0, &["192.0.2.1:5061"]);
    world.drain();
    let register = world.last().clone();
    assert!(register.text().starts_with("REGISTER sips:pbx.example SIP/2.0\r\n"));
    assert_eq!(register.header("To"), "<sips:600@pbx.example>");
    assert!(register.header("Contact").starts_with("<sips:600@192.0.2.50:5060>"));
    let text = reply(
        &register,
        "302 Moved Temporarily",
        "Contact: <sip:evil.example>, <sip:evil.example;transport=tls>\r\n",
    );
    let flow = Flow {
        connection: Some(ConnectionId(1)),
        ..register.flow
    };
    let resolves = world.resolves.len();
    world.agent.handle_stream(flow, text.as_bytes(), world.now);
    world.drain();
    assert_eq!(world.resolves.len(), resolves);
    assert!(matches!(world.events.last(), Some(Event::RegistrationFailed { cause, .. }) if cause.contains("302")));
}

/// RFC 5626 §11.6 (439) and RFC 3261 §21.4.15 (420): once more without outbound.
#[test]
fn without_outbound_where_it_cannot_be() {
    for refusal in ["439 First Hop Lacks Outbound Support", "420 Bad Extension"] {
        let settings = Settings {
            instance: Some("urn:uuid:00000000-0000-5000-8000-000000000001".into()),
            ..one()
        };
        let mut site = Site::new(settings, &[("pbx.example", &[FIRST])], |r| {
            if r.header("Supported").contains("outbound") {
                return Some((refusal, "Unsupported: outbound\r\n".into()));
            }
            assert!(!r.header("Contact").contains("reg-id"));
            ok(600)
        });
        site.run(1200);
        assert_eq!(site.registered(), [FIRST], "{refusal}");
        let with = site
            .registers
            .iter()
            .filter(|r| r.header("Supported").contains("outbound"));
        assert_eq!(with.count(), 1, "{refusal}: not asked again while it works");
        assert!(site.failures().is_empty(), "{refusal}");
    }
}

/// Two hundred boards get their power back together: their first requests are spread, and so are the tries after a
/// registrar that is not there yet. With chance as uniform as asked for, no second sees more than a few times its share.
#[test]
fn two_hundred_boards() {
    let (mut first, mut second) = (vec![0u32; 20], vec![0u32; 80]);
    for board in 0..200u8 {
        let mut settings = one();
        settings.start_spread = Duration::from_secs(20);
        let mut world = World::seeded(settings, [board; 32]);
        let mut times = Vec::new();
        let end = world.start + Duration::from_secs(120);
        while times.len() < 2 && world.step(end) {
            while let Some(id) = world.resolves.pop() {
                world.resolved(id.0, &[FIRST]);
                world.drain();
            }
            let news = world.sent.len();
            if news > times.len() {
                let register = world.last().clone();
                times.push(register.at);
                world.datagram(FIRST, reply(&register, "503 Service Unavailable", ""));
            }
        }
        first[times[0].as_secs() as usize] += 1;
        // Both waits together: 30 to 60 s after a point within 20 s.
        assert!(times[1] - times[0] >= Duration::from_secs(30));
        second[times[1].as_secs() as usize] += 1;
    }
    // 10 a second on average; 27 is five and a half standard deviations more.
    assert!(first.iter().all(|n| (1..=27).contains(n)), "{first:?}");
    assert!(second.iter().all(|n| *n <= 20), "{second:?}");
    assert_eq!(second.iter().sum::<u32>(), 200);
}
