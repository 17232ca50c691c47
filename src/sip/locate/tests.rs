//! Against a simulated name service (RFC 3263 §4, RFC 2782).

use std::collections::BTreeMap;

use proptest::prelude::*;

use super::*;

/// Records by question; what is not there is `Nothing`.
#[derive(Default)]
struct Dns {
    answers: BTreeMap<(u8, String), Answer>,
    asked: Vec<String>,
}

fn key(question: &Question) -> (u8, String) {
    let kind = match question {
        Question::Naptr(_) => 0,
        Question::Srv(_) => 1,
        Question::Addresses(_) => 2,
    };
    (kind, question.name().trim_end_matches('.').to_owned())
}

impl Dns {
    fn naptr(mut self, name: &str, records: &[(u16, u16, &str, &str, &str)]) -> Self {
        let of = |r: &(u16, u16, &str, &str, &str)| Naptr {
            order: r.0,
            preference: r.1,
            flags: r.2.into(),
            service: r.3.into(),
            regexp: String::new(),
            replacement: r.4.into(),
        };
        let records = records.iter().map(of).collect();
        self.answers.insert((0, name.into()), Answer::Naptr(records));
        self
    }

    fn srv(mut self, name: &str, records: &[(u16, u16, u16, &str)]) -> Self {
        let of = |r: &(u16, u16, u16, &str)| Srv {
            priority: r.0,
            weight: r.1,
            port: r.2,
            target: r.3.into(),
        };
        let records = records.iter().map(of).collect();
        self.answers.insert((1, name.into()), Answer::Srv(records));
        self
    }

    fn host(mut self, name: &str, addresses: &[&str]) -> Self {
        let addresses = addresses.iter().map(|a| a.parse().unwrap()).collect();
        self.answers.insert((2, name.into()), Answer::Addresses(addresses));
        self
    }

    fn fails(mut self, kind: u8, name: &str) -> Self {
        self.answers.insert((kind, name.into()), Answer::Failed);
        self
    }

    fn search(&mut self, hop: &Hop, means: &[Means], seed: u64) -> Result<Located, LocateError> {
        self.asked.clear();
        let mut locator = Locator::new(hop, means, seed);
        loop {
            match locator.step() {
                Step::Done(result) => return result,
                Step::Ask(question) => {
                    assert_eq!(
                        locator.step(),
                        Step::Ask(question.clone()),
                        "asks the same until answered"
                    );
                    let key = key(&question);
                    self.asked
                        .push(format!("{} {}", ["NAPTR", "SRV", "A"][usize::from(key.0)], key.1));
                    assert!(self.asked.len() <= MAX_QUESTIONS);
                    locator.answer(self.answers.get(&key).cloned().unwrap_or(Answer::Nothing));
                }
            }
        }
    }

    fn find(&mut self, uri: &str, means: &[Means]) -> Vec<String> {
        show(&self.search(&hop(uri), means, 1).unwrap().places)
    }

    fn fault(&mut self, uri: &str, means: &[Means]) -> LocateError {
        self.search(&hop(uri), means, 1).unwrap_err()
    }
}

fn show(places: &[Place]) -> Vec<String> {
    let one = |p: &Place| format!("{} {} {}", p.rank, p.transport.name(), p.peer);
    places.iter().map(one).collect()
}

fn hop(uri: &str) -> Hop {
    let (scheme, rest) = uri.split_once(':').unwrap();
    let (place, transport) = match rest.split_once(";transport=") {
        Some((place, "udp")) => (place, Some(Transport::Udp)),
        Some((place, "tcp")) => (place, Some(Transport::Tcp)),
        Some((place, _)) => (place, Some(Transport::Tls)),
        None => (rest, None),
    };
    let (host, port) = match place.rsplit_once(':') {
        Some((host, port)) if !port.contains(']') => (host, Some(port.parse().unwrap())),
        _ => (place, None),
    };
    Hop {
        host: host.into(),
        port,
        transport,
        secure: scheme == "sips",
    }
}

fn means(transports: &[Transport]) -> Vec<Means> {
    let of = |t: &Transport| Means {
        transport: *t,
        ipv4: true,
        ipv6: true,
    };
    transports.iter().map(of).collect()
}

use Transport::{Tcp, Tls, Udp};

/// The records of RFC 3263 §4.1, with addresses from the blocks for documentation.
fn example() -> Dns {
    Dns::default()
        .naptr(
            "example.com",
            &[
                (100, 50, "s", "SIP+D2U", "_sip._udp.example.com."),
                (50, 50, "s", "SIPS+D2T", "_sips._tcp.example.com."),
                (90, 50, "s", "SIP+D2T", "_sip._tcp.example.com"),
            ],
        )
        .srv(
            "_sip._tcp.example.com",
            &[
                (0, 1, 5060, "server1.example.com."),
                (0, 2, 5060, "server2.example.com"),
            ],
        )
        .srv("_sip._udp.example.com", &[(0, 1, 5060, "server1.example.com.")])
        .srv("_sips._tcp.example.com", &[(0, 1, 5061, "server1.example.com.")])
        .host("server1.example.com", &["192.0.2.1"])
        .host("server2.example.com", &["192.0.2.2", "2001:db8::2"])
}

/// RFC 3263 §4.1: a client with TCP and UDP takes TCP, servers 1 and 2; UDP is what comes after.
#[test]
fn the_example_of_the_standard() {
    let mut dns = example();
    let places = dns.find("sip:example.com", &means(&[Udp, Tcp]));
    assert_eq!(places.len(), 4, "{places:?}");
    assert!(places[..3].iter().all(|p| p.starts_with("0 TCP")), "{places:?}");
    assert_eq!(places[3], "1 UDP 192.0.2.1:5060");
    assert_eq!(dns.asked[..2], ["NAPTR example.com", "SRV _sip._tcp.example.com"]);
    // Server 1 is looked up once though two services name it.
    assert_eq!(dns.asked.iter().filter(|q| *q == "A server1.example.com").count(), 1);
    // With TLS that is best, being first in order.
    let places = dns.find("sip:example.com", &means(&[Udp, Tcp, Tls]));
    assert_eq!(places[0], "0 TLS 192.0.2.1:5061");
    // `sips`: TLS and nothing else.
    assert_eq!(
        dns.find("sips:example.com", &means(&[Udp, Tcp, Tls])),
        ["0 TLS 192.0.2.1:5061"]
    );
    assert_eq!(
        dns.fault("sips:example.com", &means(&[Udp, Tcp])),
        LocateError::NoTransport
    );
}

/// RFC 3263 §4.2: a numeric host needs no question; ports and transports by default.
#[test]
fn numeric_hosts() {
    let all = means(&[Udp, Tcp, Tls]);
    for (uri, place) in [
        ("sip:192.0.2.5", "0 UDP 192.0.2.5:5060"),
        ("sip:192.0.2.5:5070", "0 UDP 192.0.2.5:5070"),
        ("sip:192.0.2.5;transport=tcp", "0 TCP 192.0.2.5:5060"),
        ("sip:192.0.2.5:5062;transport=tls", "0 TLS 192.0.2.5:5062"),
        ("sip:192.0.2.5;transport=tls", "0 TLS 192.0.2.5:5061"),
        ("sips:192.0.2.5", "0 TLS 192.0.2.5:5061"),
        ("sips:[2001:db8::7];transport=tcp", "0 TLS [2001:db8::7]:5061"),
        ("sip:[2001:db8::7]:5060", "0 UDP [2001:db8::7]:5060"),
    ] {
        let mut dns = Dns::default();
        assert_eq!(dns.find(uri, &all), [place], "{uri}");
        assert!(dns.asked.is_empty(), "{uri}");
    }
    // Without UDP another transport of ours.
    assert_eq!(
        Dns::default().find("sip:192.0.2.5", &means(&[Tcp])),
        ["0 TCP 192.0.2.5:5060"]
    );
    assert_eq!(
        Dns::default().fault("sip:192.0.2.5;transport=udp", &means(&[Tcp])),
        LocateError::NoTransport
    );
    let v4 = [Means {
        transport: Udp,
        ipv4: true,
        ipv6: false,
    }];
    assert_eq!(Dns::default().fault("sip:[2001:db8::7]", &v4), LocateError::NoFamily);
    for odd in [
        "sip:0.0.0.0",
        "sip:239.1.1.1",
        "sip:255.255.255.255",
        "sip:[::]",
        "sip:192.0.2.1:0",
    ] {
        assert_eq!(Dns::default().fault(odd, &all), LocateError::NoSuchName, "{odd}");
    }
}

/// RFC 3263 §4.2: with a port, even 5060, the addresses of the name alone.
#[test]
fn an_explicit_port() {
    let mut dns = example().host("example.com", &["192.0.2.77"]);
    assert_eq!(
        dns.find("sip:example.com:5060", &means(&[Udp, Tcp])),
        ["0 UDP 192.0.2.77:5060"]
    );
    assert_eq!(dns.asked, ["A example.com"]);
    assert_eq!(
        dns.find("sip:example.com:5070;transport=tcp", &means(&[Udp, Tcp])),
        ["0 TCP 192.0.2.77:5070"]
    );
}

/// RFC 3263 §4.1, §4.2: a named transport skips NAPTR; without SRV the name itself.
#[test]
fn a_named_transport() {
    let mut dns = example();
    assert_eq!(
        dns.find("sip:example.com;transport=udp", &means(&[Udp, Tcp])),
        ["0 UDP 192.0.2.1:5060"]
    );
    assert_eq!(dns.asked[0], "SRV _sip._udp.example.com");
    assert_eq!(
        dns.find("sip:example.com;transport=tls", &means(&[Udp, Tls])),
        ["0 TLS 192.0.2.1:5061"]
    );
    let mut dns = Dns::default().host("pbx", &["192.0.2.9"]);
    assert_eq!(
        dns.find("sip:pbx;transport=tcp", &means(&[Udp, Tcp])),
        ["0 TCP 192.0.2.9:5060"]
    );
    assert_eq!(dns.asked, ["SRV _sip._tcp.pbx", "A pbx"]);
}

/// RFC 3263 §4.1: no NAPTR: SRV of each transport that we have; no SRV either: UDP, or TLS for `sips`.
#[test]
fn without_naptr() {
    let mut dns = Dns::default()
        .srv(
            "_sip._tcp.quayside.example",
            &[
                (10, 0, 5062, "b.quayside.example."),
                (5, 0, 5061, "a.quayside.example."),
            ],
        )
        .host("a.quayside.example", &["192.0.2.1"])
        .host("b.quayside.example", &["192.0.2.2"]);
    assert_eq!(
        dns.find("sip:quayside.example", &means(&[Udp, Tcp, Tls])),
        ["0 TCP 192.0.2.1:5061", "1 TCP 192.0.2.2:5062"]
    );
    assert_eq!(
        dns.asked[..3],
        [
            "NAPTR quayside.example",
            "SRV _sip._udp.quayside.example",
            "SRV _sip._tcp.quayside.example"
        ]
    );
    let mut dns = Dns::default().host("quayside.example", &["192.0.2.3"]);
    let all = means(&[Udp, Tcp, Tls]);
    assert_eq!(dns.find("sip:quayside.example", &all), ["0 UDP 192.0.2.3:5060"]);
    assert_eq!(dns.find("sips:quayside.example", &all), ["0 TLS 192.0.2.3:5061"]);
    assert_eq!(dns.asked[1], "SRV _sips._tcp.quayside.example");
}

/// Services that we lack, other flags, regular expressions and empty replacements are passed over.
#[test]
fn naptr_records_that_are_not_for_us() {
    let mut dns = example().naptr(
        "example.com",
        &[
            (1, 1, "s", "SIP+D2S", "_sip._sctp.example.com."),
            (1, 2, "u", "E2U+sip", "."),
            (1, 3, "a", "SIP+D2U", "server1.example.com."),
            (1, 4, "s", "SIP+D2U", "."),
            (2, 1, "S", "sip+d2u", "_SIP._UDP.example.com."),
        ],
    );
    assert_eq!(
        dns.find("sip:example.com", &means(&[Udp, Tcp])),
        ["0 UDP 192.0.2.1:5060"]
    );
    // Nothing usable is as good as nothing: SRV by transport.
    let mut dns = example().naptr("example.com", &[(1, 1, "s", "SIP+D2S", "_sip._sctp.example.com.")]);
    assert_eq!(dns.find("sip:example.com", &means(&[Udp])), ["0 UDP 192.0.2.1:5060"]);
    // The service that NAPTR names has no SRV record: the name's own address by that transport.
    let mut dns = Dns::default()
        .naptr(
            "quayside.example",
            &[(1, 1, "s", "SIP+D2T", "_sip._tcp.quayside.example.")],
        )
        .host("quayside.example", &["192.0.2.3"]);
    assert_eq!(
        dns.find("sip:quayside.example", &means(&[Udp, Tcp])),
        ["0 TCP 192.0.2.3:5060"]
    );
}

/// RFC 2782: a target of `.` means that the service is decidedly not there; the name's address is not tried then.
#[test]
fn decidedly_not_there() {
    let mut dns = Dns::default()
        .srv("_sip._udp.quayside.example", &[(0, 0, 0, ".")])
        .srv("_sip._tcp.quayside.example", &[(0, 0, 0, "")])
        .host("quayside.example", &["192.0.2.3"]);
    assert_eq!(
        dns.fault("sip:quayside.example", &means(&[Udp, Tcp])),
        LocateError::NotOffered
    );
    let mut dns = dns
        .srv("_sip._tcp.quayside.example", &[(0, 0, 5060, "a.quayside.example.")])
        .host("a.quayside.example", &["192.0.2.1"]);
    assert_eq!(
        dns.find("sip:quayside.example", &means(&[Udp, Tcp])),
        ["0 TCP 192.0.2.1:5060"]
    );
}

/// A name service that fails leaves doubt; one that fails altogether is told as such.
#[test]
fn failing_name_service() {
    let mut dns = Dns::default()
        .fails(0, "pbx")
        .fails(1, "_sip._udp.pbx")
        .host("pbx", &["192.0.2.3"]);
    let located = dns.search(&hop("sip:pbx"), &means(&[Udp]), 1).unwrap();
    assert!(located.doubtful);
    assert_eq!(show(&located.places), ["0 UDP 192.0.2.3:5060"]);
    let mut dns = dns.fails(2, "pbx");
    assert_eq!(dns.fault("sip:pbx", &means(&[Udp])), LocateError::NoNameService);
    assert_eq!(Dns::default().fault("sip:pbx", &means(&[Udp])), LocateError::NoSuchName);
    let mut whole = example();
    assert!(
        !whole
            .search(&hop("sip:example.com"), &means(&[Udp]), 1)
            .unwrap()
            .doubtful
    );
}

/// RFC 2782, "Weight": of the servers of one priority each comes first as often as its weight says: the draw is from 0
/// to the sum of weights inclusive, so weight 0 has one chance of 101 here.
#[test]
fn weights() {
    let record = |priority, weight, target: &str| Srv {
        priority,
        weight,
        port: 5060,
        target: target.into(),
    };
    let draws = 20_000u32;
    let mut rng = ChaCha12Rng::seed_from_u64(11);
    let mut first = BTreeMap::new();
    for _ in 0..draws {
        let list = vec![
            record(1, 60, "big"),
            record(0, 0, "never"),
            record(1, 20, "small"),
            record(1, 20, "other"),
            record(1, 0, "rare"),
        ];
        let out = by_weight(list, &mut rng);
        assert_eq!(out.len(), 5);
        assert_eq!(out[0].target, "never", "priority before weight");
        *first.entry(out[1].target.clone()).or_insert(0u32) += 1;
    }
    // 101 equally likely draws: 0 for weight 0, then 20, 20 and 60 of them.
    for (target, share) in [("rare", 1.0), ("small", 20.0), ("other", 20.0), ("big", 60.0)] {
        let expected = f64::from(draws) * share / 101.0;
        let seen = f64::from(first.get(target).copied().unwrap_or(0));
        // Five standard deviations of a binomial count.
        let margin = 5.0 * (expected * (1.0 - share / 101.0)).sqrt();
        assert!((seen - expected).abs() < margin, "{target}: {seen} of {expected}");
    }
}

/// The seed alone decides.
#[test]
fn same_seed_same_order() {
    let records: Vec<(u16, u16, u16, String)> = (0..8).map(|i| (0, 10, 5060, format!("s{i}.example."))).collect();
    let records: Vec<(u16, u16, u16, &str)> = records.iter().map(|r| (r.0, r.1, r.2, r.3.as_str())).collect();
    let mut dns = Dns::default().srv("_sip._udp.example", &records);
    for i in 0..8 {
        dns = dns.host(&format!("s{i}.example"), &[&format!("192.0.2.{}", i + 1)]);
    }
    let mut orders = std::collections::BTreeSet::new();
    for seed in 0..50 {
        let one = dns.search(&hop("sip:example"), &means(&[Udp]), seed).unwrap();
        assert_eq!(Ok(&one), dns.search(&hop("sip:example"), &means(&[Udp]), seed).as_ref());
        assert!(one.places.iter().all(|p| p.rank == 0));
        orders.insert(show(&one.places));
    }
    assert!(orders.len() > 40, "{}", orders.len());
}

/// RFC 6724 §2.1: global IPv6, then IPv4, then unique local addresses.
#[test]
fn families() {
    let mut dns = Dns::default().host(
        "pbx",
        &[
            "fd00::1",
            "192.0.2.1",
            "2001:db8::1",
            "::ffff:192.0.2.2",
            "ff02::1",
            "0.0.0.0",
        ],
    );
    assert_eq!(
        dns.find("sip:pbx:5060", &means(&[Udp])),
        [
            "0 UDP [2001:db8::1]:5060",
            "0 UDP 192.0.2.1:5060",
            "0 UDP 192.0.2.2:5060",
            "0 UDP [fd00::1]:5060"
        ]
    );
    let v4 = [Means {
        transport: Udp,
        ipv4: true,
        ipv6: false,
    }];
    assert_eq!(dns.find("sip:pbx:5060", &v4).len(), 2);
}

/// Thousands of records, records that name one another, names without end: bounded, and the best are kept.
#[test]
fn hostile_answers() {
    let names: Vec<String> = (0..5000).map(|i| format!("s{i}.example.")).collect();
    let many: Vec<(u16, u16, u16, &str)> = names
        .iter()
        .rev()
        .zip(1..)
        .map(|(n, p)| (p, 0, 5060, n.as_str()))
        .collect();
    let mut dns = Dns::default().srv("_sip._udp.example", &many);
    for name in &names {
        let addresses: Vec<String> = (0..20u8).map(|i| format!("10.0.{i}.{}", name.len())).collect();
        let addresses: Vec<&str> = addresses.iter().map(String::as_str).collect();
        dns = dns.host(name.trim_end_matches('.'), &addresses);
    }
    assert_eq!(dns.find("sip:example", &means(&[Udp])).len(), MAX_TARGETS);
    assert_eq!(dns.asked[2..], ["A s4999.example"], "the lowest priority first");
    // Nobody has an address: the questions end.
    let mut dns = Dns::default().srv("_sip._udp.example", &many);
    assert_eq!(dns.fault("sip:example", &means(&[Udp])), LocateError::NoSuchName);
    assert_eq!(dns.asked.len(), MAX_QUESTIONS);
    // A loop of NAPTR and SRV.
    let mut dns = Dns::default()
        .naptr(
            "example",
            &[(1, 1, "s", "SIP+D2U", "example."), (1, 1, "s", "SIP+D2T", "example.")],
        )
        .srv("example", &[(0, 0, 5060, "example."), (0, 0, 5060, &"x.".repeat(200))]);
    assert_eq!(dns.fault("sip:example", &means(&[Udp, Tcp])), LocateError::NoSuchName);
    assert!(dns.asked.len() <= 3, "{:?}", dns.asked);
}

fn any_answer() -> impl Strategy<Value = Answer> {
    let name = prop_oneof![
        Just(".".to_owned()),
        Just("a.example.".to_owned()),
        "[a-c._]{0,8}",
        "\\PC{0,300}"
    ];
    let service = prop_oneof![
        Just("SIP+D2U".to_owned()),
        Just("SIP+D2T".to_owned()),
        Just("SIPS+D2T".to_owned()),
        "\\PC{0,9}"
    ];
    let naptr = (any::<u16>(), any::<u16>(), "[sSuUaA]?", service, name.clone()).prop_map(
        |(order, preference, flags, service, replacement)| Naptr {
            order,
            preference,
            flags,
            service,
            regexp: String::new(),
            replacement,
        },
    );
    let srv = (any::<u16>(), any::<u16>(), any::<u16>(), name).prop_map(|(priority, weight, port, target)| Srv {
        priority,
        weight,
        port,
        target,
    });
    prop_oneof![
        proptest::collection::vec(naptr, 0..60).prop_map(Answer::Naptr),
        proptest::collection::vec(srv, 0..60).prop_map(Answer::Srv),
        proptest::collection::vec(any::<IpAddr>(), 0..60).prop_map(Answer::Addresses),
        Just(Answer::Nothing),
        Just(Answer::Failed),
    ]
}

proptest! {
    /// Any answers to any questions: an end, within the bounds, ranks in order, no place twice.
    #[test]
    fn always_ends(answers in proptest::collection::vec(any_answer(), 0..40), seed: u64, secure: bool) {
        let hop = Hop { host: "pbx.example".into(), port: None, transport: None, secure };
        let mut locator = Locator::new(&hop, &means(&[Udp, Tcp, Tls]), seed);
        let mut answers = answers.into_iter();
        let mut asked = 0;
        let result = loop {
            match locator.step() {
                Step::Ask(_) => {
                    asked += 1;
                    locator.answer(answers.next().unwrap_or(Answer::Nothing));
                }
                Step::Done(result) => break result,
            }
        };
        prop_assert!(asked <= MAX_QUESTIONS);
        if let Ok(located) = result {
            prop_assert!(!located.places.is_empty() && located.places.len() <= MAX_TARGETS);
            prop_assert!(located.places.is_sorted_by_key(|p| p.rank));
            prop_assert!(!secure || located.places.iter().all(|p| p.transport == Tls));
            for (i, p) in located.places.iter().enumerate() {
                prop_assert!(!located.places[..i].iter().any(|q| (q.transport, q.peer) == (p.transport, p.peer)));
            }
        }
    }
}
