//! Captures are made here by the layouts of the formats' own documents; `tests/replay.rs` takes those that tshark and tcpdump write.

use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use super::capture::{self, Capture, CaptureError, Datagram};

mod replays;

const FROM: &str = "192.0.2.30:4000";
const TO: &str = "192.0.2.20:5004";

fn read(file: &[u8]) -> Result<Capture, CaptureError> {
    capture::read(file, &[5060, 5080].into())
}

fn peer(text: &str) -> SocketAddr {
    text.parse().unwrap()
}

/// IPv4 (RFC 791 §3.1) with UDP (RFC 768), without checksums, which captures of offloading cards lack as well.
fn ip(payload: &[u8], from: SocketAddr, to: SocketAddr) -> Vec<u8> {
    let udp = udp(payload, from, to);
    fragment(&udp, from, to, 0, false)
}

fn udp(payload: &[u8], from: SocketAddr, to: SocketAddr) -> Vec<u8> {
    let mut out = Vec::new();
    for word in [from.port(), to.port(), payload.len() as u16 + 8, 0] {
        out.extend(word.to_be_bytes());
    }
    out.extend(payload);
    out
}

fn fragment(data: &[u8], from: SocketAddr, to: SocketAddr, offset: u16, more: bool) -> Vec<u8> {
    let (IpAddr::V4(from), IpAddr::V4(to)) = (from.ip(), to.ip()) else {
        unreachable!("IPv4 only");
    };
    let mut out = vec![0x45, 0];
    out.extend((data.len() as u16 + 20).to_be_bytes());
    out.extend([0, 7]);
    out.extend((offset / 8 + if more { 0x2000 } else { 0 }).to_be_bytes());
    out.extend([64, 17, 0, 0]);
    out.extend(from.octets());
    out.extend(to.octets());
    out.extend(data);
    out
}

fn ethernet(ip: &[u8], vlan: bool) -> Vec<u8> {
    let mut out = vec![2; 12];
    if vlan {
        out.extend([0x81, 0, 0, 42]);
    }
    out.extend([8, 0]);
    out.extend(ip);
    out
}

/// pcap: magic, version 2.4, zone, accuracy, snapshot length, link type; then seconds, their parts, captured and original length.
fn pcap(link: u32, packets: &[(u64, &[u8])], nanos: bool, big: bool) -> Vec<u8> {
    let word = |n: u32| if big { n.to_be_bytes() } else { n.to_le_bytes() };
    let half = |n: u16| if big { n.to_be_bytes() } else { n.to_le_bytes() };
    let mut out = Vec::new();
    out.extend(word(if nanos { 0xa1b2_3c4d } else { 0xa1b2_c3d4 }));
    out.extend(half(2));
    out.extend(half(4));
    for n in [0, 0, 262_144, link] {
        out.extend(word(n));
    }
    for (at, data) in packets {
        let part = at % 1_000_000_000 / if nanos { 1 } else { 1000 };
        for n in [
            (at / 1_000_000_000) as u32,
            part as u32,
            data.len() as u32,
            data.len() as u32,
        ] {
            out.extend(word(n));
        }
        out.extend(*data);
    }
    out
}

/// pcapng of one interface that stamps in nanoseconds.
fn pcapng(link: u16, packets: &[(u64, &[u8])]) -> Vec<u8> {
    let packets: Vec<(u32, u64, &[u8])> = packets.iter().map(|(at, data)| (0, *at, *data)).collect();
    pcapng_of(&[(link, 9)], &packets)
}

/// pcapng: section header, interface descriptions (link type, `if_tsresol`), enhanced packets (interface, ticks).
fn pcapng_of(interfaces: &[(u16, u8)], packets: &[(u32, u64, &[u8])]) -> Vec<u8> {
    fn block(kind: u32, body: &[u8]) -> Vec<u8> {
        let mut body = body.to_vec();
        body.resize(body.len().next_multiple_of(4), 0);
        let length = (body.len() as u32 + 12).to_le_bytes();
        [&kind.to_le_bytes()[..], &length, &body, &length].concat()
    }
    let mut section = 0x1a2b_3c4d_u32.to_le_bytes().to_vec();
    section.extend([1, 0, 0, 0]);
    section.extend([0xff; 8]);
    let mut out = block(0x0a0d_0d0a, &section);
    for (link, resolution) in interfaces {
        let mut interface = link.to_le_bytes().to_vec();
        interface.extend([0, 0, 0, 0, 4, 0]);
        interface.extend([9, 0, 1, 0, *resolution, 0, 0, 0, 0, 0, 0, 0]);
        out.extend(block(1, &interface));
    }
    for (interface, at, data) in packets {
        let mut body = interface.to_le_bytes().to_vec();
        for n in [(at >> 32) as u32, *at as u32, data.len() as u32, data.len() as u32] {
            body.extend(n.to_le_bytes());
        }
        body.extend(*data);
        out.extend(block(6, &body));
    }
    out
}

const AT: u64 = 1_795_000_000_123_456_000;

fn one() -> Datagram {
    Datagram {
        at: Duration::from_nanos(AT),
        from: peer(FROM),
        to: peer(TO),
        octets: b"hello".to_vec(),
    }
}

#[test]
fn every_format_and_link_type_gives_the_same() {
    let packet = ip(b"hello", peer(FROM), peer(TO));
    let plain = ethernet(&packet, false);
    let sll = [&[0, 0, 0, 1, 0, 6, 2, 2, 2, 2, 2, 2, 0, 0, 8, 0][..], &packet].concat();
    let sll2 = [
        &[8, 0, 0, 0, 0, 0, 0, 2, 0, 1, 0, 6, 2, 2, 2, 2, 2, 2, 0, 0][..],
        &packet,
    ]
    .concat();
    let null = [&[2, 0, 0, 0][..], &packet].concat();
    let links = [
        (1, plain.clone()),
        (1, ethernet(&packet, true)),
        (101, packet.clone()),
        (228, packet.clone()),
        (113, sll),
        (276, sll2),
        (0, null),
    ];
    for (link, data) in links {
        let packets = [(AT, &data[..])];
        for file in [
            pcap(link, &packets, false, false),
            pcap(link, &packets, true, true),
            pcapng(link as u16, &packets),
        ] {
            assert_eq!(read(&file[..]).unwrap().datagrams, [one()], "link type {link}");
        }
    }
    assert!(matches!(
        read(&pcap(147, &[(AT, &plain)], false, false)[..]),
        Err(CaptureError::Link(147))
    ));
}

#[test]
fn fragments_are_put_together_and_order_is_the_files() {
    let long: Vec<u8> = (0..3000u32).map(|n| n as u8).collect();
    let whole = udp(&long, peer(FROM), peer(TO));
    let first = ethernet(&fragment(&whole[..1480], peer(FROM), peer(TO), 0, true), false);
    let second = ethernet(&fragment(&whole[1480..], peer(FROM), peer(TO), 1480, false), false);
    let short = ethernet(&ip(b"hello", peer(FROM), peer(TO)), false);
    // The second part came first, as networks do; the short one was written last, and was stamped a little early.
    let packets = [(AT + 2, &second[..]), (AT + 3, &first), (AT, &short)];
    let capture = read(&pcapng(1, &packets)[..]).unwrap();
    let octets: Vec<&[u8]> = capture.datagrams.iter().map(|d| &d.octets[..]).collect();
    assert_eq!(octets, [&long, b"hello".as_slice()]);
    // Of another interface it came when it was stamped.
    let packets = [(0, AT + 2, &second[..]), (0, AT + 3, &first), (1, AT, &short)];
    let capture = read(&pcapng_of(&[(1, 9), (1, 9)], &packets)).unwrap();
    assert_eq!(capture.datagrams[0].octets, b"hello");
}

const SECOND: u64 = 1_000_000_000;

/// One interface, with the clock set in between: 20 ms from packet to packet all the same, by the clock as it is in the end.
#[test]
fn a_clock_that_was_set() {
    let data = ethernet(&ip(b"hello", peer(FROM), peer(TO)), false);
    let day = 86_400 * SECOND;
    for (before, is_back) in [(AT + 5 * SECOND, true), (12 * SECOND, false)] {
        let stamps = [before, before + 20_000_000, AT, AT + 20_000_000];
        let packets: Vec<(u64, &[u8])> = stamps.iter().map(|at| (*at, &data[..])).collect();
        let capture = read(&pcap(1, &packets, true, false)).unwrap();
        let times: Vec<u128> = capture.datagrams.iter().map(|one| one.at.as_nanos()).collect();
        let at = u128::from(AT);
        assert_eq!(times, [at - 20_000_000, at, at, at + 20_000_000]);
        let [step] = capture.steps[..] else {
            panic!("{:?}", capture.steps)
        };
        assert_eq!((step.is_back, step.at.as_nanos()), (is_back, at));
        assert_eq!(step.by.as_nanos(), u128::from((before + 20_000_000).abs_diff(AT)));
    }
    // A quiet night is none.
    let packets = [(AT, &data[..]), (AT + day / 2, &data)];
    assert!(read(&pcap(1, &packets, true, false)).unwrap().steps.is_empty());
}

/// draft-ietf-opsawg-pcapng §4.2: 0x94 is 2^-20 s.
#[test]
fn resolutions_of_stamps() {
    let data = ethernet(&ip(b"hello", peer(FROM), peer(TO)), false);
    for (resolution, ticks) in [
        (0x94, 1_795_000_000 << 20 | 1 << 19),
        (3, 1_795_000_000_500),
        (6, 1_795_000_000_500_000),
    ] {
        let file = pcapng_of(&[(1, resolution)], &[(0, ticks, &data)]);
        let at = read(&file).unwrap().datagrams[0].at;
        assert_eq!(at, Duration::from_millis(1_795_000_000_500), "{resolution:#x}");
    }
}

#[test]
fn what_cannot_be_read_does_not_spoil_the_rest() {
    let data = ethernet(&ip(b"hello", peer(FROM), peer(TO)), false);
    // A USB interface beside it.
    let packets = [(0, AT, &data[..]), (1, AT, &[7; 40]), (1, AT, &[7; 40])];
    let capture = read(&pcapng_of(&[(1, 9), (220, 9)], &packets)).unwrap();
    assert_eq!((capture.datagrams.len(), capture.unknown), (1, 2));
    // Frame check sequences of 4 octets (draft-ietf-opsawg-pcap §4).
    let file = pcap(0x2400_0001, &[(AT, &[&data[..], &[1, 2, 3, 4]].concat())], true, false);
    assert_eq!(read(&file).unwrap().datagrams, [one()]);
    // Damage behind the first packet: no such length.
    let mut file = pcapng(1, &[(AT, &data), (AT, &data)]);
    let second = file.len() - (32 + data.len().next_multiple_of(4));
    file[second + 4..second + 8].copy_from_slice(&[0xfd, 0xff, 0xff, 0xff]);
    let capture = read(&file).unwrap();
    assert_eq!(
        (capture.datagrams.len(), capture.is_damaged || capture.is_torn),
        (1, true)
    );
    let fails = |file: &[u8]| read(file).unwrap_err().to_string();
    let magic = |octets: &[u8]| fails(&[octets, &[0; 100]].concat());
    assert_eq!(magic(&[0x1f, 0x8b, 8]), "it is packed: gunzip it first");
    assert_eq!(magic(&[0x28, 0xb5, 0x2f, 0xfd]), "it is packed: unzstd it first");
    assert_eq!(fails(b""), "the file is empty");
    let folder = std::fs::File::open(std::env::temp_dir()).unwrap();
    let folder = capture::read(folder, &[].into()).unwrap_err();
    assert!(matches!(folder, CaptureError::Folder), "{folder:?}");
}

/// TCP (RFC 9293 §3.1) from and to these ports.
fn tcp(ports: (u16, u16), payload: &[u8]) -> Vec<u8> {
    let mut segment = [ports.0.to_be_bytes(), ports.1.to_be_bytes()].concat();
    segment.extend([0, 0, 0, 1, 0, 0, 0, 0, 0x50, 0x18, 1, 0, 0, 0, 0, 0]);
    segment.extend(payload);
    let mut packet = fragment(&segment, peer(FROM), peer(TO), 0, false);
    packet[9] = 6;
    ethernet(&packet, false)
}

#[test]
fn a_capture_without_datagrams_says_what_it_has() {
    let segments = [
        tcp((40_000, 5080), b"anything, to a port of the config"),
        tcp((40_000, 7000), b"OPTIONS sip:850@192.0.2.20 SIP/2.0\r\nVia: "),
        tcp((7000, 40_000), b"SIP/2.0 200 OK\r\n"),
        tcp((40_000, 80), b"GET / HTTP/1.1\r\n"),
    ];
    let packets: Vec<(u64, &[u8])> = segments.iter().map(|data| (AT, &data[..])).collect();
    let error = read(&pcap(1, &packets, true, false)).unwrap_err().to_string();
    assert!(error.contains("3 packets of SIP by TCP or TLS"), "{error}");
    let data = ethernet(&ip(&[1; 400], peer(FROM), peer(TO)), false);
    let mut file = pcap(1, &[(AT, &data[..96])], true, false);
    // The original length.
    file[24 + 12..24 + 16].copy_from_slice(&(data.len() as u32).to_le_bytes());
    let error = read(&file).unwrap_err().to_string();
    assert!(
        error.contains("1 packet cut short (a snapshot length): capture with `-s 0`"),
        "{error}"
    );
}

/// Linux's "any" shows what a machine sends to itself twice: leaving, and coming (packet types 4 and 0).
#[test]
fn what_any_shows_twice_counts_once() {
    let packet = ip(b"hello", peer(FROM), peer(TO));
    let way = |kind: u8| [&[0, kind, 3, 4, 0, 6, 0, 0, 0, 0, 0, 0, 0, 0, 8, 0][..], &packet].concat();
    let (out, back) = (way(4), way(0));
    let later = AT + 20_000_000;
    let packets = [(AT, &out[..]), (AT + 4000, &back), (later, &out), (later + 4000, &back)];
    assert_eq!(read(&pcap(113, &packets, true, false)[..]).unwrap().datagrams.len(), 2);
    // On a cable twice is twice.
    let data = ethernet(&packet, false);
    let packets = [(AT, &data[..]), (AT + 4000, &data)];
    assert_eq!(read(&pcap(1, &packets, true, false)[..]).unwrap().datagrams.len(), 2);
}

#[test]
fn what_is_not_whole() {
    let data = ethernet(&ip(b"hello", peer(FROM), peer(TO)), false);
    let file = pcap(1, &[(AT, &data), (AT + 1, &data)], false, false);
    let torn = read(&file[..file.len() - 3]).unwrap();
    assert!(torn.is_torn && torn.datagrams.len() == 1, "{torn:?}");
    let mut cut = file.clone();
    // The original length of the first packet is one more than what was captured.
    cut[24 + 12] += 1;
    let cut = read(&cut[..]).unwrap();
    assert_eq!((cut.cut, cut.datagrams.len()), (1, 1));
    assert!(matches!(
        read(&b"#!/bin/sh\necho no capture\n"[..]),
        Err(CaptureError::NoCapture)
    ));
    assert!(matches!(
        read(&pcap(1, &[], false, false)[..]),
        Err(CaptureError::Empty {
            cut: 0,
            tcp_signalling: 0
        })
    ));
}

/// Whatever stands in the file: an answer, and no panic.
#[test]
fn hostile_files() {
    let data = ethernet(&ip(b"hello", peer(FROM), peer(TO)), false);
    let files = [
        pcap(1, &[(AT, &data), (AT, &data)], false, false),
        pcapng(1, &[(AT, &data), (AT, &data)]),
        pcapng(276, &[(AT, &data[..10])]),
    ];
    let mut state = 7u64;
    let mut random = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        (state >> 33) as usize
    };
    for file in &files {
        for _ in 0..3000 {
            let mut file = file.clone();
            for _ in 0..=random() % 3 {
                let at = random() % file.len();
                file[at] = random() as u8;
            }
            file.truncate(file.len() - random() % 8);
            let _ = read(&file[..]);
        }
    }
}
