//! Random and mutated octets from a peer that is let in: no panic, bounded tables, and service afterwards.

use rand::seq::IndexedRandom as _;

use super::*;

const MUTATIONS: usize = 100_000;

fn corpus() -> Vec<Vec<u8>> {
    let long = format!("X-Long: {}\r\n", "a,\"b\\\" <c>;".repeat(40));
    let routes = "Record-Route: <sip:192.0.2.7;lr>, <sip:[2001:db8::7]:5080;lr;x=\"y\">\r\n";
    [
        invite("a"),
        request("INVITE", 1, "a2", "", routes, OFFER),
        request("INVITE", 1, "a3", "", "Accept: */*\r\nRequire: timer\r\n", ""),
        request("INVITE", 1, "a4", "", "Supported: timer\r\nx: 90;refresher=uas\r\nAllow: UPDATE\r\n", OFFER),
        request("INVITE", 1, "a5", "", "Require: 100rel\r\nSession-Expires: 100\r\n", OFFER),
        request("INVITE", 1, "a6", "", "Answer-Mode: Auto;require\r\nResource-Priority: ets.0\r\n", OFFER),
        request("PRACK", 2, "p", "TAG", "RAck: RSEQ 1 INVITE\r\n", ""),
        request("UPDATE", 4, "u", "TAG", "Supported: timer\r\nSession-Expires: 90;refresher=uas\r\n", ""),
        request("UPDATE", 5, "v", "TAG", "", OFFER),
        request("INFO", 6, "w", "TAG", "", "Signal=5\r\nDuration=100\r\n").replace("/sdp", "/dtmf-relay"),
        request("ACK", 1, "b", "TAG", "", ""),
        request("BYE", 2, "c", "TAG", &long, ""),
        request("INVITE", 3, "d", "TAG", routes, OFFER),
        request("CANCEL", 1, "a", "", "", ""),
        request("OPTIONS", 1, "e", "", &long, ""),
        request("OPTIONS", 1, "f", "TAG", "", ""),
        "SIP/2.0 401 Unauthorized\r\nVia: SIP/2.0/UDP 192.0.2.50:5060;rport;branch=BRANCH\r\nFrom: <sip:600@x>;tag=1\r\n\
         To: <sip:600@x>;tag=2\r\nCall-ID: z\r\nCSeq: 1 REGISTER\r\n\
         WWW-Authenticate: Digest realm=\"q\", nonce=\"n\", algorithm=SHA-256, qop=\"auth,auth-int\", stale=true\r\n\
         Content-Length: 0\r\n\r\n"
            .into(),
        "SIP/2.0 200 OK\r\nVia: SIP/2.0/UDP 192.0.2.50:5060;branch=BRANCH\r\nCSeq: 2 BYE\r\nContact: <sip:600@192.0.2.50>;expires=60\r\n\
         Content-Length: 0\r\n\r\n"
            .into(),
        format!(
            "SIP/2.0 200 OK\r\nVia: SIP/2.0/UDP 192.0.2.50:5060;branch=BRANCH\r\nCSeq: CSEQ INVITE\r\n\
             Contact: <sip:201@192.0.2.10>\r\nSession-Expires: 90;refresher=uac\r\nContent-Length: {}\r\n\r\n{OFFER}",
            OFFER.len()
        ),
        "SIP/2.0 422 Small\r\nVia: SIP/2.0/UDP 192.0.2.50:5060;branch=BRANCH\r\nCSeq: CSEQ UPDATE\r\nMin-SE: 120\r\n\r\n".into(),
        "SIP/2.0 491 Pending\r\nVia: SIP/2.0/UDP 192.0.2.50:5060;branch=BRANCH\r\nTo: <x:y>;tag=z\r\nCSeq: CSEQ INVITE\r\n\r\n".into(),
        "SIP/2.0 423 Interval\r\nVia: SIP/2.0/UDP 192.0.2.50:5060;branch=BRANCH\r\nCSeq: 2 REGISTER\r\nMin-Expires: 99\r\n\r\n".into(),
    ]
    .into_iter()
    .map(String::into_bytes)
    .collect()
}

/// Up to five small injuries, none in four of nine cases.
fn mutate(octets: &mut Vec<u8>, rng: &mut ChaCha12Rng) {
    const BITS: [&[u8]; 24] = [
        b"\r\n",
        b"\r\n\r\n",
        b"\"",
        b"<",
        b">",
        b";",
        b",",
        b":",
        b"=",
        b"%",
        b"%0",
        b"\\",
        b"\0",
        b"\xff",
        b" ",
        b"\t",
        b"4294967296",
        b"-1",
        b"sip:",
        b"[::1]",
        b"z9hG4bK",
        b"SIP/2.0",
        b"@",
        b"Content-Length: 5\r\n",
    ];
    for _ in 0..rng.random_range(0..9u8).saturating_sub(3) {
        if octets.is_empty() {
            return;
        }
        let at = rng.random_range(0..octets.len());
        match rng.random_range(0..6) {
            0 => octets[at] = rng.random(),
            1 => {
                octets.remove(at);
            }
            2 => octets.truncate(at),
            3 => {
                let end = (at + rng.random_range(1..60)).min(octets.len());
                octets.drain(at..end);
            }
            4 => {
                let end = (at + rng.random_range(1..200)).min(octets.len());
                let copy = octets[at..end].to_vec();
                octets.splice(at..at, copy);
            }
            _ => {
                let bit = BITS.choose(rng).unwrap();
                octets.splice(at..at, bit.iter().copied());
            }
        }
    }
}

/// Puts a tag or branch that lives right now where the corpus has a placeholder.
fn fill(octets: &mut Vec<u8>, world: &World, rseq: Option<&str>) {
    let put = |octets: &mut Vec<u8>, place: &[u8], value: &[u8]| {
        if let Some(at) = octets.windows(place.len()).position(|w| w == place) {
            octets.splice(at..at + place.len(), value.iter().copied());
        }
    };
    if let Some(call) = world.agent.calls.values().next_back() {
        put(octets, b"TAG", call.local_tag.as_bytes());
        put(octets, b"one@192.0.2.10", &call.call_id);
        put(octets, b"CSEQ", call.local_cseq.to_string().as_bytes());
    }
    if let Some(rseq) = rseq {
        put(octets, b"RSEQ", rseq.as_bytes());
    }
    if let Some(branch) = world.agent.clients.keys().next_back() {
        put(octets, b"BRANCH", branch);
    }
}

fn bounded(world: &World) {
    let agent = &world.agent;
    assert!(agent.servers.len() <= MAX_TRANSACTIONS);
    assert!(agent.clients.len() <= 8 * MAX_CALLS);
    assert!(agent.calls.len() <= MAX_CALLS);
    assert!(agent.connections.len() <= MAX_CONNECTIONS);
    assert!(agent.outputs.len() <= MAX_OUTPUTS);
}

fn storm(seed: u8, rounds: usize) -> World {
    let mut rng = ChaCha12Rng::from_seed([seed; 32]);
    let mut world = World::seeded(
        settings(vec![direct("600"), registered("601", "one.example", Transport::Udp)]),
        [seed; 32],
    );
    let corpus = corpus();
    let mut offered = 0usize;
    let mut ended = 0usize;
    let mut rseq: Option<String> = None;
    let mut kinds = std::collections::BTreeMap::<String, usize>::new();
    for round in 0..rounds {
        let mut octets = corpus.choose(&mut rng).unwrap().clone();
        // New calls now and then; the rest is about the youngest one.
        if octets.starts_with(b"INVITE") && rng.random_ratio(2, 3) {
            let fresh = String::from_utf8(octets).unwrap();
            let fresh = fresh
                .replace("one@", &format!("c{round}@"))
                .replace("z9hG4bK", &format!("z9hG4bK{round}"));
            octets = fresh.into_bytes();
        }
        fill(&mut octets, &world, rseq.as_deref());
        mutate(&mut octets, &mut rng);
        if rng.random_ratio(1, 8) {
            let flow = Flow {
                transport: Transport::Tcp,
                connection: Some(ConnectionId(rng.random_range(0..100))),
                ..udp(PEER)
            };
            for piece in octets.chunks(rng.random_range(1..500)) {
                world.agent.handle_stream(flow, piece, world.now);
            }
            if rng.random_ratio(1, 10) {
                world.agent.handle_closed(flow, world.now);
            }
        } else {
            world.agent.handle_datagram(udp(PEER), &octets, world.now);
        }
        world.drain();
        for event in std::mem::take(&mut world.events) {
            match event {
                Event::Incoming(incoming) => {
                    let call = incoming.call;
                    offered += 1;
                    match rng.random_range(0..8) {
                        0 => world.agent.refuse(call, rng.random_range(0..800), None, world.now),
                        1 => {}
                        2 => world.agent.hang_up(call, None, world.now),
                        _ => world.agent.accept(call, ANSWER.into(), world.now),
                    }
                }
                Event::Change { call, .. } => world.agent.accept_change(call, ANSWER.into(), world.now),
                Event::Confirmed { call, .. } if rng.random_ratio(1, 3) => world.agent.hang_up(call, None, world.now),
                Event::Ended { .. } => ended += 1,
                _ => {}
            }
        }
        world.drain();
        for id in std::mem::take(&mut world.resolves) {
            world.resolved(id.0, &[PEER]);
        }
        for sent in std::mem::take(&mut world.sent) {
            if sent.octets.starts_with(b"SIP/2.0 180") {
                rseq = Some(sent.header("RSeq"));
            }
            let word = sent.text().split(' ').next().unwrap_or_default().to_owned();
            *kinds.entry(word.clone()).or_default() += 1;
            assert!(sent.octets.len() < MAX_SENT, "{}", sent.text());
            // Answers go back; only requests within a call follow its Contact and routes.
            let followed = ["BYE", "UPDATE", "INVITE", "ACK"].contains(&word.as_str());
            assert!(sent.flow.peer.ip() == address(PEER).ip() || followed, "{}", sent.text());
        }
        if round % 16 == 0 {
            bounded(&world);
            let step = Duration::from_millis(rng.random_range(0..4000));
            world.run(step);
        }
    }
    // Everything comes to rest, and each call ended exactly once.
    for event in std::mem::take(&mut world.events) {
        ended += usize::from(matches!(event, Event::Ended { .. }));
    }
    let open: Vec<CallId> = world.agent.calls.keys().copied().collect();
    for call in open {
        world.agent.hang_up(call, None, world.now);
    }
    world.run(Duration::from_secs(120));
    ended += world.endings().len();
    assert!(world.agent.calls.is_empty() && world.agent.servers.is_empty());
    assert!(
        offered > rounds / 100,
        "{offered} calls: the storm does not reach deep enough"
    );
    for method in ["BYE", "UPDATE", "INVITE", "ACK"] {
        assert!(kinds.contains_key(method), "no {method}: {kinds:?}");
    }
    assert_eq!(offered, ended);
    world
}

/// Longest message that this corpus can draw out of the agent.
const MAX_SENT: usize = 8192;

#[test]
fn a_hundred_thousand_mutations() {
    let mut world = storm(1, MUTATIONS);
    world.sent.clear();
    world.events.clear();
    let (_, _) = world.talk();
    assert!(world.is_confirmed(), "a real call still gets through");
}

/// The same seed and the same input give the same output.
#[test]
fn the_agent_is_deterministic() {
    let run = || {
        let mut world = World::seeded(
            settings(vec![registered("600", "one.example", Transport::Udp)]),
            [9; 32],
        );
        world.run_ms(500);
        world.resolved(0, &[PEER]);
        world.drain();
        world.talk();
        world.run(Duration::from_secs(3600));
        world.sent.iter().map(|s| (s.at, s.octets.clone())).collect::<Vec<_>>()
    };
    assert_eq!(run(), run());
}

/// Pure noise of any length.
#[test]
fn noise() {
    let mut rng = ChaCha12Rng::from_seed([3; 32]);
    let mut world = World::plain();
    for _ in 0..20_000 {
        let length = rng.random_range(0..200);
        let octets: Vec<u8> = (0..length).map(|_| rng.random()).collect();
        world.datagram(PEER, &octets);
        let flow = Flow {
            transport: Transport::Tcp,
            connection: Some(ConnectionId(rng.random_range(0..100))),
            ..udp(PEER)
        };
        world.agent.handle_stream(flow, &octets, world.now);
        world.drain();
    }
    assert!(world.events.is_empty() && world.sent.is_empty());
    bounded(&world);
    for connection in world.agent.connections.values() {
        assert!(connection.held() < crate::sip::wire::MAX_MESSAGE);
    }
}
