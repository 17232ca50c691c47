#![allow(clippy::disallowed_methods)]

use std::net::SocketAddr;
use std::time::{Duration, Instant};

use super::station::MAX_WAITING;
use super::*;
use crate::config::{self, plan::Plan};
use crate::media::g711::ulaw_encode;
use crate::media::srtp::{Master, Protector, Suite};

const CONFIG: &str = r#"
    [site]
    name = "Quayside Timber"
    [cards.main]
    output = "null"
    [zones.yard]
    card = "main"
    channel = 1
    [zones.office]
    card = "main"
    channel = 2
    [groups.dispatch]
    address = "239.192.0.10:5004"
    zones = ["yard", "office"]
    priority = 60
    networks = ["192.0.2.0/24"]
    [groups.saw]
    address = "239.192.0.11:5004"
    zones = ["yard"]
    codec = "opus"
    payload_type = 111
"#;

fn plan(text: &str) -> Plan {
    let loaded = config::check_text(text, std::path::Path::new("quayside.toml"), None);
    loaded.plan.unwrap_or_else(|| panic!("{:#?}", loaded.problems))
}

fn at(text: &str) -> SocketAddr {
    text.parse().unwrap()
}

/// RFC 3550 §5.1.
fn rtp(payload_type: u8, seq: u16, timestamp: u32, ssrc: u32, payload: &[u8]) -> Vec<u8> {
    let mut packet = vec![0x80, payload_type];
    packet.extend(seq.to_be_bytes());
    packet.extend(timestamp.to_be_bytes());
    packet.extend(ssrc.to_be_bytes());
    packet.extend(payload);
    packet
}

/// 20 ms of a sine in G.711 µ-law, `amplitude` of full scale.
fn tone(n: u32, amplitude: f64) -> Vec<u8> {
    let from = n * 160;
    (from..from + 160)
        .map(|i| {
            ulaw_encode((amplitude * 32_767.0 * (std::f64::consts::TAU * 440.0 * f64::from(i) / 8000.0).sin()) as i16)
        })
        .collect()
}

struct Lab {
    station: Station,
    begin: Instant,
    /// Time has come to here, ms.
    now: f64,
}

const GROUP: &str = "239.192.0.10:5004";
const PHONE: &str = "192.0.2.7:40000";

impl Lab {
    fn new(plan: Option<&Plan>) -> Lab {
        Lab {
            station: Station::new(&Settings {
                plan,
                ..Settings::default()
            }),
            begin: Instant::now(),
            now: 0.0,
        }
    }

    fn ms(&self, ms: f64) -> Instant {
        self.begin + Duration::from_secs_f64(ms / 1000.0)
    }

    fn send(&mut self, ms: f64, sender: &str, group: &str, mut octets: Vec<u8>) {
        let now = self.ms(ms);
        self.station.packet(now, at(sender), at(group), &mut octets);
        self.station.advance(now, &mut |_, _, _| {});
        self.now = ms;
    }

    fn only(&mut self, ms: f64) -> Row {
        while self.now < ms {
            self.now = (self.now + 10.0).min(ms);
            let now = self.ms(self.now);
            self.station.advance(now, &mut |_, _, _| {});
        }
        let now = self.ms(ms);
        let rows = self.station.look(now);
        assert_eq!(rows.len(), 1, "{rows:#?}");
        rows.into_iter().next().unwrap()
    }
}

#[test]
fn loss_reordering_and_duplicates_are_counted_as_the_rfc_counts() {
    let mut lab = Lab::new(None);
    // 100 packets, every 20th left out, two in the wrong order, one twice.
    let mut order: Vec<u32> = (0..100).filter(|n| n % 20 != 10).collect();
    order.swap(30, 31);
    order.insert(50, order[49]);
    for (place, n) in order.iter().enumerate() {
        let packet = rtp(0, *n as u16, n * 160, 7, &tone(*n, 0.1));
        lab.send(place as f64 * 20.0, PHONE, GROUP, packet);
    }
    let row = lab.only(1910.0);
    // RFC 3550 A.3: expected 100 (0 to 99), received 95.
    assert_eq!((row.packets, row.lost, row.duplicates), (95, 5, 1));
    assert!((row.loss_percent() - 5.0).abs() < 1e-9);
    assert_eq!(
        (row.codec_name.as_str(), row.packet_time_ms),
        ("PCMU 8 kHz", Some(20.0))
    );
    assert_eq!(row.gateway.verdict, Verdict::NotInConfig);
    // 96 datagrams in 1.9 s (computed).
    let rate = row.packets_a_second.unwrap();
    assert!((rate - 50.0).abs() < 1.0, "{rate}");
}

/// RFC 3550 A.8: J += (|D| − J) / 16, by hand beside it, with sequence numbers and timestamps that wrap.
#[test]
fn jitter_is_that_of_the_rfc() {
    let mut lab = Lab::new(None);
    let spread = [0.0, 3.0, -2.0, 7.5, 0.0, 1.0, 1.0, 12.0, -1.0, 0.5];
    let (mut jitter, mut before) = (0.0, None);
    for n in 0..200u32 {
        let ms = 100.0 + f64::from(n) * 20.0 + spread[n as usize % spread.len()];
        let seq = 65_500u16.wrapping_add(n as u16);
        let timestamp = (u32::MAX - 5000).wrapping_add(n * 160);
        lab.send(ms, PHONE, GROUP, rtp(0, seq, timestamp, 7, &tone(n, 0.1)));
        let transit = ms - f64::from(n) * 20.0;
        if let Some(before) = before {
            let difference: f64 = transit - before;
            jitter += (difference.abs() - jitter) / 16.0;
        }
        before = Some(transit);
    }
    let row = lab.only(4200.0);
    assert_eq!((row.packets, row.lost), (200, 0));
    assert!(
        (row.jitter_ms.unwrap() - jitter).abs() < 0.001,
        "{:?} {jitter}",
        row.jitter_ms
    );
}

/// Level of a sine: amplitude in dB − 3.01 (computed). G.711 adds less than 0.02 dB at these levels.
#[test]
fn the_level_of_a_sine_is_right() {
    for (amplitude, dbfs) in [(0.5, -9.03), (0.1, -23.01), (0.01, -43.01)] {
        let mut lab = Lab::new(None);
        for n in 0..150 {
            lab.send(
                f64::from(n) * 20.0,
                PHONE,
                GROUP,
                rtp(0, n as u16, n * 160, 7, &tone(n, amplitude)),
            );
        }
        let row = lab.only(2990.0);
        let level = row.level.unwrap().0;
        assert!((level - dbfs).abs() < 0.3, "{amplitude}: {level}");
        assert_eq!(row.state, State::Active);
        assert!((row.loudest.unwrap().0 - dbfs).abs() < 0.3);
    }
}

#[test]
fn silence_is_told_from_speech() {
    let mut lab = Lab::new(None);
    for n in 0..100 {
        lab.send(
            f64::from(n) * 20.0,
            PHONE,
            GROUP,
            rtp(0, n as u16, n * 160, 7, &[0xFF; 160]),
        );
    }
    assert_eq!(lab.only(2000.0).state, State::Silent);
}

/// Some senders begin with comfort noise (RFC 3389).
#[test]
fn a_stream_that_begins_with_comfort_noise_is_heard() {
    let mut lab = Lab::new(None);
    for n in 0..100 {
        let (payload_type, payload) = if n < 5 { (13, vec![70]) } else { (0, tone(n, 0.1)) };
        let packet = rtp(payload_type, n as u16, n * 160, 7, &payload);
        lab.send(f64::from(n) * 20.0, PHONE, GROUP, packet);
    }
    let row = lab.only(1990.0);
    assert_eq!((row.codec_name.as_str(), row.state), ("PCMU 8 kHz", State::Active));
    assert!((row.level.unwrap().0 + 23.01).abs() < 0.3);
}

#[test]
fn what_the_gateway_would_do_is_told() {
    let plan = plan(CONFIG);
    let mut lab = Lab::new(Some(&plan));
    let all = [
        (PHONE, "239.192.0.10:5004", 0, 1),
        ("192.0.2.8:40000", "239.192.0.10:5004", 8, 2),
        ("198.51.100.7:40000", "239.192.0.10:5004", 0, 3),
        (PHONE, "239.192.0.10:5004", 97, 4),
        (PHONE, "239.192.0.11:5004", 0, 5),
        (PHONE, "239.192.0.10:5006", 0, 6),
    ];
    for n in 0..50u16 {
        for (sender, group, payload_type, ssrc) in all {
            let packet = rtp(payload_type, n, u32::from(n) * 160, ssrc, &tone(u32::from(n), 0.1));
            lab.send(f64::from(n) * 20.0, sender, group, packet);
        }
    }
    let rows = lab.station.look(lab.ms(1000.0));
    let row = |ssrc: u32| rows.iter().find(|row| row.id.ssrc == ssrc).unwrap();
    let said = |ssrc: u32| text::verdict(&row(ssrc).gateway, row(ssrc).id.sender.ip());
    assert_eq!(said(1), "dispatch: to zones yard, office, priority 60");
    assert_eq!(said(2), "dispatch: not heard while 192.0.2.7:40000 sends");
    assert_eq!(said(3), "dispatch: refused, its networks do not hold 198.51.100.7");
    assert!(
        said(4).starts_with("dispatch: not played, it takes 0 (PCMU), 8 (PCMA)"),
        "{}",
        said(4)
    );
    assert_eq!(said(5), "saw: not played, it takes 111 (opus)");
    assert_eq!(said(6), "not in the config");
    // A payload type that nobody knows: counted, not guessed.
    let unknown = row(4);
    assert_eq!(
        (unknown.codec_name.as_str(), unknown.codec, unknown.state),
        ("PT 97", None, State::Unheard)
    );
    assert_eq!(
        (unknown.packets, unknown.lost, unknown.jitter_ms, unknown.level),
        (50, 0, None, None)
    );
    // What a group does not take is still heard here.
    assert_eq!(
        (row(5).codec_name.as_str(), row(5).state),
        ("PCMU 8 kHz", State::Active)
    );
    for line in text::table(&rows).lines().chain(text::totals(&rows, &|_| None).lines()) {
        assert!(line.chars().count() <= text::WIDTH, "{line}");
    }
    // The first falls silent: the second takes its place after half a second.
    for n in 50..100u16 {
        let packet = rtp(8, n, u32::from(n) * 160, 2, &[0xD5; 160]);
        lab.send(f64::from(n) * 20.0, "192.0.2.8:40000", "239.192.0.10:5004", packet);
    }
    let rows = lab.station.look(lab.ms(2000.0));
    let second = rows.iter().find(|row| row.id.ssrc == 2).unwrap();
    assert_eq!(second.gateway.verdict, Verdict::Pages);
    // That the second was heard in the end changes nothing about the first.
    lab.station.finish(lab.ms(2100.0));
    let totals = lab.station.totals();
    let first = totals.iter().find(|row| row.id.ssrc == 1).unwrap();
    assert_eq!(first.gateway.verdict, Verdict::Pages);
}

/// A hundred who go on: each is counted once, however long it waits.
#[test]
fn a_stream_without_room_counts_once() {
    let mut lab = Lab::new(None);
    for n in 0..100u16 {
        for ssrc in 1..=100u32 {
            let now = lab.ms(f64::from(n) * 20.0);
            let mut packet = rtp(0, n, u32::from(n) * 160, ssrc, &[0xFF; 160]);
            lab.station.packet(now, at("192.0.2.9:9000"), at(GROUP), &mut packet);
            lab.station.advance(now, &mut |_, _, _| {});
        }
    }
    let counts = lab.station.counts();
    assert_eq!((counts.turned_away, counts.evicted), (100 - MAX_STREAMS as u64, 0));
}

#[test]
fn a_stream_ends_and_its_totals_stay() {
    let mut lab = Lab::new(None);
    for n in 0..50 {
        lab.send(
            f64::from(n) * 20.0,
            PHONE,
            GROUP,
            rtp(0, n as u16, n * 160, 7, &tone(n, 0.1)),
        );
    }
    assert_eq!(lab.only(2900.0).state, State::Silent);
    let row = lab.only(3100.0);
    assert_eq!((row.state, row.packets), (State::Ended, 50));
    assert!((row.length.as_secs_f64() - 0.98).abs() < 1e-6);
    let events: Vec<Event> = lab.station.events().collect();
    assert!(
        matches!(events.as_slice(), [Event::Began(_), Event::Ended(_)]),
        "{events:#?}"
    );
    // The same sender again is another stream.
    for n in 50..60 {
        lab.send(
            5000.0 + f64::from(n) * 20.0,
            PHONE,
            GROUP,
            rtp(0, n as u16, n * 160, 7, &tone(n, 0.1)),
        );
    }
    assert_eq!(lab.station.look(lab.ms(6300.0)).len(), 2);
    lab.station.finish(lab.ms(6300.0));
    let totals = lab.station.totals();
    assert_eq!(
        totals.iter().map(|row| (row.number, row.packets)).collect::<Vec<_>>(),
        [(1, 50), (2, 10)]
    );
}

/// 100,000 forged SSRCs, single and in pairs, beside one who speaks: the tables stay within their limits, and the speaker is
/// heard on without a loss.
#[test]
fn a_flood_of_forged_sources_stays_bounded() {
    let mut lab = Lab::new(None);
    let mut ssrc = 1000u32;
    for n in 0..200u32 {
        lab.send(
            f64::from(n) * 20.0,
            PHONE,
            GROUP,
            rtp(0, n as u16, n * 160, 7, &tone(n, 0.1)),
        );
        for k in 0..500u32 {
            ssrc += 1;
            let ms = f64::from(n) * 20.0 + 0.03 * f64::from(k);
            let now = lab.ms(ms);
            let twice = if k % 10 == 0 { 2 } else { 1 };
            for seq in 0..twice {
                let mut packet = rtp(0, seq, u32::from(seq) * 160, ssrc, &[0xFF; 160]);
                lab.station.packet(now, at("198.51.100.9:9"), at(GROUP), &mut packet);
            }
        }
        let sizes = lab.station.sizes();
        let limits = [MAX_STREAMS, MAX_CANDIDATES, MAX_ENDED, MAX_EVENTS, MAX_WAITING];
        assert!(
            sizes.iter().zip(limits).all(|(size, limit)| *size <= limit),
            "{sizes:?}"
        );
    }
    let rows = lab.station.look(lab.ms(4000.0));
    let speaker = rows.iter().find(|row| row.id.ssrc == 7).unwrap();
    assert_eq!((speaker.packets, speaker.lost), (200, 0));
    let counts = lab.station.counts();
    assert!(
        counts.unproven > 80_000 && counts.turned_away > 5000 && counts.evicted > 200,
        "{counts:?}"
    );
    assert!(counts.untold > 0 && counts.forgotten > 0, "{counts:?}");
    // The flood is over: whoever begins now has a place.
    for n in 0..10 {
        lab.send(
            5000.0 + f64::from(n) * 20.0,
            PHONE,
            GROUP,
            rtp(0, n as u16, n * 160, 8, &tone(n, 0.1)),
        );
    }
    assert!(lab.station.look(lab.ms(5200.0)).iter().any(|row| row.id.ssrc == 8));
}

#[test]
fn what_is_no_rtp_is_counted() {
    let mut lab = Lab::new(None);
    let ssdp = b"M-SEARCH * HTTP/1.1\r\nHOST: 239.255.255.250:1900\r\n\r\n".to_vec();
    lab.send(0.0, PHONE, "239.255.255.250:1900", ssdp);
    lab.send(1.0, PHONE, "224.0.0.251:5353", vec![0; 40]);
    lab.send(2.0, PHONE, GROUP, Vec::new());
    // A receiver report (RFC 3550 §6.4.2).
    lab.send(3.0, PHONE, GROUP, vec![0x80, 201, 0, 1, 0, 0, 0, 7]);
    lab.send(4.0, PHONE, GROUP, rtp(0, 1, 0, 9, &[0xFF; 160]));
    let now = lab.ms(5000.0);
    lab.station.advance(now, &mut |_, _, _| {});
    assert!(lab.station.look(now).is_empty());
    let counts = lab.station.counts();
    assert_eq!(
        (counts.datagrams, counts.not_rtp, counts.rtcp, counts.unproven),
        (5, 3, 1, 1)
    );
}

/// Whatever comes, nothing panics: every octet of a packet, and every length.
#[test]
fn nothing_panics() {
    let mut lab = Lab::new(None);
    let whole = rtp(0, 1, 160, 7, &[0xFF; 160]);
    for octet in 0..=255u8 {
        for place in 0..16 {
            let mut packet = whole.clone();
            packet[place] = octet;
            lab.send(1.0, PHONE, GROUP, packet.clone());
            packet[3] = packet[3].wrapping_add(1);
            lab.send(1.0, PHONE, GROUP, packet);
        }
    }
    for length in 0..whole.len() {
        lab.send(2.0, PHONE, GROUP, whole[..length].to_vec());
    }
    for length in 0..60 {
        let _ = look_into(&vec![0x45; length]);
        let _ = look_into(&vec![0x60; length]);
    }
}

#[test]
fn a_group_with_a_key_is_opened_and_another_key_is_told() {
    let own = Master::new(Suite::Aes128Tag80, &[7; 30]).unwrap();
    let other = Master::new(Suite::Aes128Tag80, &[8; 30]).unwrap();
    let mut plan = plan(CONFIG);
    plan.groups[0].srtp = Some(own);
    plan.groups[0].networks = None;
    let mut lab = Lab::new(Some(&plan));
    let (mut right, mut wrong) = (Protector::new(&own), Protector::new(&other));
    for n in 0..100u16 {
        for (ssrc, protector) in [(1, &mut right), (2, &mut wrong)] {
            let mut packet = rtp(0, n, u32::from(n) * 160, ssrc, &tone(u32::from(n), 0.1));
            protector.rtp(&mut packet).unwrap();
            lab.send(f64::from(n) * 20.0, PHONE, GROUP, packet);
        }
    }
    let rows = lab.station.look(lab.ms(1990.0));
    let row = |ssrc: u32| rows.iter().find(|row| row.id.ssrc == ssrc).unwrap();
    assert_eq!(
        (row(1).state, row(1).is_closed, row(1).packets),
        (State::Active, false, 100)
    );
    assert!((row(1).level.unwrap().0 + 23.01).abs() < 0.3);
    assert_eq!(
        (row(2).state, row(2).is_closed, row(2).packets),
        (State::Unheard, true, 100)
    );
    assert_eq!(row(2).gateway.verdict, Verdict::NotProtected);
}

#[test]
fn sound_is_handed_out_at_48_khz() {
    let mut station = Station::new(&Settings {
        hears: true,
        ..Settings::default()
    });
    let begin = Instant::now();
    let mut sound = Vec::new();
    for n in 0..100u32 {
        let now = begin + Duration::from_millis(20) * n;
        station.packet(
            now,
            at(PHONE),
            at(GROUP),
            &mut rtp(0, n as u16, n * 160, 7, &tone(n, 0.5)),
        );
        station.advance(now, &mut |_, number, samples| {
            assert_eq!((number, samples.len()), (1, 240));
            sound.extend_from_slice(samples);
        });
    }
    // 440 Hz: 880 crossings of zero a second (computed).
    let second = &sound[24_000..72_000];
    let crossings = second.windows(2).filter(|w| (w[0] < 0.0) != (w[1] < 0.0)).count();
    assert!((875..=885).contains(&crossings), "{crossings}");
}

#[test]
fn groups_are_read_and_large_ranges_refused() {
    let many = |text: &str| {
        groups(text)
            .unwrap()
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
    };
    assert_eq!(many("239.192.0.10:5004"), ["239.192.0.10:5004"]);
    assert_eq!(
        many("239.192.0.10-239.192.0.12:5004"),
        ["239.192.0.10:5004", "239.192.0.11:5004", "239.192.0.12:5004"]
    );
    assert_eq!(many("239.192.0.7/30:5004").first().unwrap(), "239.192.0.4:5004");
    assert_eq!(many("239.192.0.0/24:5004").len(), 256);
    assert_eq!(many("[ff15::1]:5004"), ["[ff15::1]:5004"]);
    assert_eq!(many("[ff15::/126]:5004").len(), 4);
    for (text, said) in [
        ("239.192.0.10", "has no port"),
        ("ff15::1", "has no port"),
        ("239.192.0.10:0", "is no port"),
        ("239.192.0.10:70000", "is no port"),
        ("192.0.2.7:5004", "is no multicast address"),
        ("239.192.0.300:5004", "is no IP address"),
        ("239.192.0.0/33:5004", "is no prefix length"),
        ("239.192.0.0/23:5004", "are 512 groups, at most 256"),
        ("[ff00::/8]:5004", "at most 256"),
        ("239.192.0.9-239.192.0.3:5004", "ends before it begins"),
        ("239.255.255.250-240.0.0.3:5004", "240.0.0.3 is no multicast address"),
        ("0.0.0.0/0:5004", "is no multicast address"),
        ("[::/0]:5004", "is no multicast address"),
    ] {
        let error = groups(text).unwrap_err().to_string();
        assert!(error.contains(said), "{text}: {error}");
    }
}

#[test]
fn payload_types_are_read() {
    let name = |text: &str| match payload(text).unwrap() {
        (number, crate::media::Format::Audio(codec)) => (number, codec.name()),
        other => panic!("{other:?}"),
    };
    assert_eq!(name("97=opus/48000/2"), (97, "opus"));
    assert_eq!(name("96=L16/16000"), (96, "L16/16000"));
    assert_eq!(name("96=l16/48000/2"), (96, "L16/48000/2"));
    assert_eq!(name("100=pcma"), (100, "PCMA"));
    for text in [
        "97",
        "128=PCMU",
        "x=PCMU",
        "97=",
        "97=G729",
        "97=opus/8000",
        "97=L16",
        "97=L16/9000",
        "97=PCMU/8000/2",
    ] {
        assert!(payload(text).is_err(), "{text}");
    }
}

fn ipv4(protocol: u8, to: [u8; 4], payload: &[u8]) -> Vec<u8> {
    let length = (20 + payload.len()) as u16;
    let mut packet = vec![0x45, 0];
    packet.extend(length.to_be_bytes());
    packet.extend([0, 0, 0, 0, 1, protocol, 0, 0, 192, 0, 2, 7]);
    packet.extend(to);
    packet.extend(payload);
    packet
}

#[test]
fn reports_and_datagrams_are_told_apart() {
    // RFC 2236 §2: a report of version 2.
    let report = ipv4(2, [239, 192, 0, 10], &[0x16, 0, 0, 0, 239, 192, 0, 10]);
    assert_eq!(look_into(&report), Seen::Report(vec!["239.192.0.10".parse().unwrap()]));
    // RFC 3376 §4.2: three records: EXCLUDE nobody (a join), INCLUDE nobody (a leave), the local network.
    let mut three = vec![0x22, 0, 0, 0, 0, 0, 0, 3];
    three.extend([4, 0, 0, 0, 239, 192, 0, 11]);
    three.extend([3, 0, 0, 0, 239, 192, 0, 12]);
    three.extend([4, 0, 0, 0, 224, 0, 0, 251]);
    let report = ipv4(2, [224, 0, 0, 22], &three);
    assert_eq!(look_into(&report), Seen::Report(vec!["239.192.0.11".parse().unwrap()]));
    let udp = [0x9C, 0x40, 0x13, 0x8C, 0, 12, 0, 0, 1, 2, 3, 4];
    let packet = ipv4(17, [239, 192, 0, 10], &udp);
    assert_eq!(
        look_into(&packet),
        Seen::Udp {
            from: at("192.0.2.7:40000"),
            to: at("239.192.0.10:5004"),
            payload: 28..32
        }
    );
    assert_eq!(look_into(&ipv4(17, [192, 0, 2, 9], &udp)), Seen::Other);
    let mut fragment = ipv4(17, [239, 192, 0, 10], &udp);
    fragment[6] = 0x20;
    assert_eq!(look_into(&fragment), Seen::Fragment);
}
