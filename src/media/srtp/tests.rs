//! Checked against RFC 3711 Appendix B, RFC 6188 §7, RFC 4568 §6, and webrtc-srtp as an implementation of its own.
#![allow(clippy::disallowed_methods)]

use std::time::{Duration, Instant};

use proptest::prelude::*;
use rand::{Rng as _, RngCore as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use webrtc_srtp::context::Context;
use webrtc_srtp::option::{srtcp_replay_protection, srtp_replay_protection};
use webrtc_srtp::protection_profile::ProtectionProfile;

use super::keys::vectors;
use super::open::Scope;
use super::*;

fn octets(hex: &str) -> Vec<u8> {
    let digits: Vec<u32> = hex.chars().filter_map(|c| c.to_digit(16)).collect();
    digits.chunks(2).map(|p| (p[0] << 4 | p[1]) as u8).collect()
}

fn master(suite: Suite, key: &str, salt: &str) -> Master {
    Master::new(suite, &[octets(key), octets(salt)].concat()).unwrap()
}

fn some_master(suite: Suite, seed: u64) -> Master {
    let mut key = vec![0; suite.master_len()];
    ChaCha8Rng::seed_from_u64(seed).fill_bytes(&mut key);
    Master::new(suite, &key).unwrap()
}

/// A plain RTP packet with `csrcs` and an extension of `words` (RFC 3550 §5.1, §5.3.1).
fn rtp(ssrc: u32, seq: u16, csrcs: u8, words: Option<u16>, payload: &[u8]) -> Vec<u8> {
    let mut p = vec![0x80 | csrcs | if words.is_some() { 0x10 } else { 0 }, 0];
    p.extend(seq.to_be_bytes());
    p.extend((u32::from(seq) * 160).to_be_bytes());
    p.extend(ssrc.to_be_bytes());
    p.extend((0..u32::from(csrcs)).flat_map(u32::to_be_bytes));
    if let Some(words) = words {
        // Of no known profile: the other implementation panics on extensions whose elements do not fit.
        p.extend([0x12, 0x34]);
        p.extend(words.to_be_bytes());
        p.extend(std::iter::repeat_n(0x55, usize::from(words) * 4));
    }
    p.extend(payload);
    p
}

/// A receiver report without blocks and a BYE (RFC 3550 §6.4.2, §6.6).
fn rtcp(ssrc: u32) -> Vec<u8> {
    let s = ssrc.to_be_bytes();
    [&[0x80, 201, 0, 1][..], &s, &[0x81, 203, 0, 1], &s].concat()
}

fn protected(protector: &mut Protector, plain: &[u8]) -> Vec<u8> {
    let mut packet = plain.to_vec();
    protector.rtp(&mut packet).unwrap();
    packet
}

fn opened(opener: &mut Opener, packet: &[u8], at: Instant) -> Result<Vec<u8>, Refused> {
    let mut octets = packet.to_vec();
    let result = opener.open(&mut octets, at);
    match result {
        Ok(len) => Ok(octets[..len].to_vec()),
        Err(why) => {
            assert_eq!(octets, packet, "what is refused stays as it came");
            Err(why)
        }
    }
}

/// RFC 3711 B.3; B.2 for the key stream.
#[test]
fn vectors_of_rfc_3711() {
    let m = master(
        Suite::Aes128Tag80,
        "E1F97A0D3E018BE0D64FA32C06DE4139",
        "0EC675AD498AFEEBB6960B3AABE6",
    );
    let (key, auth, salt) = vectors::derived(&m);
    assert_eq!(key, octets("C61E7A93744F39EE10734AFE3FF7A087"));
    assert_eq!(salt, octets("30CBBC08863D8C85D49DB34A9AE1"));
    assert_eq!(
        auth,
        octets(
            "CEBE321F6FF7716B6FD4AB49AF256A156D38BAA48F0A0ACF3C34E2359E6CDBCEE049646C43D9327AD175578EF72270986371C10C9A369AC2\
             F94A8C5FBCDDDC256D6E919A48B610EF17C2041E474035766B68642C59BBFC2F34DB60DBDFB2"
        )
    );
    let stream = vectors::key_stream(
        &octets("2B7E151628AED2A6ABF7158809CF4F3C"),
        &octets("F0F1F2F3F4F5F6F7F8F9FAFBFCFD"),
        48,
    );
    assert_eq!(
        stream,
        octets("E03EAD0935C95E80E166B16DD92B4EB4D23513162B02D0F72A43A2FE4A5F97AB41E95B3BB0A2E8DD477901E4FCA894C0")
    );
}

/// RFC 6188 §7.1 (key stream) and §7.2 (key derivation).
#[test]
fn vectors_of_rfc_6188() {
    let m = master(
        Suite::Aes256Tag80,
        "f0f04914b513f2763a1b1fa130f10e2998f6f6e43e4309d1e622a0e332b9f1b6",
        "3b04803de51ee7c96423ab5b78d2",
    );
    let (key, auth, salt) = vectors::derived(&m);
    assert_eq!(
        key,
        octets("5ba1064e30ec51613cad926c5a28ef731ec7fb397f70a960653caf06554cd8c4")
    );
    assert_eq!(salt, octets("fa31791685ca444a9e07c6c64e93"));
    assert_eq!(auth[..20], octets("fd9c32d39ed5fbb5a9dc96b30818454d1313dc05"));
    let stream = vectors::key_stream(
        &octets("57f82fe3613fd170a85ec93c40b1f0922ec4cb0dc025b58272147cc438944a98"),
        &octets("f0f1f2f3f4f5f6f7f8f9fafbfcfd"),
        32,
    );
    assert_eq!(
        stream,
        octets("92bdd28a93c3f52511c677d08b5515a49da71b2378a854f67050756ded165bac")
    );
}

/// RFC 4568 §6.2.1 to §6.2.3, RFC 6188 §4 and Table: names, key lengths, tags.
#[test]
fn suites() {
    for (name, key, tag) in [
        ("AES_CM_128_HMAC_SHA1_80", 16, 10),
        ("AES_CM_128_HMAC_SHA1_32", 16, 4),
        ("AES_256_CM_HMAC_SHA1_80", 32, 10),
        ("AES_256_CM_HMAC_SHA1_32", 32, 4),
    ] {
        let suite = Suite::from_name(name).unwrap();
        assert_eq!(
            (suite.name(), suite.key_len(), suite.master_len()),
            (name, key, key + 14)
        );
        let mut protector = Protector::new(&some_master(suite, 1));
        let plain = rtp(7, 7, 0, None, &[1; 160]);
        assert_eq!(protected(&mut protector, &plain).len(), plain.len() + tag);
        let mut report = rtcp(7);
        protector.rtcp(&mut report).unwrap();
        assert_eq!(report.len(), rtcp(7).len() + 14, "80 bits in each");
    }
    assert_eq!(Suite::from_name("F8_128_HMAC_SHA1_80"), None);
    assert_eq!(Master::new(Suite::Aes128Tag80, &[0; 46]), None);
    assert_eq!(Master::new(Suite::Aes256Tag80, &[0; 30]), None);
    let shown = format!("{:?}", some_master(Suite::Aes128Tag80, 1));
    assert_eq!(shown, "Master(AES_CM_128_HMAC_SHA1_80, …)");
}

fn profile(suite: Suite) -> ProtectionProfile {
    match suite {
        Suite::Aes128Tag80 => ProtectionProfile::Aes128CmHmacSha1_80,
        Suite::Aes128Tag32 => ProtectionProfile::Aes128CmHmacSha1_32,
        Suite::Aes256Tag80 => ProtectionProfile::Aes256CmHmacSha1_80,
        Suite::Aes256Tag32 => ProtectionProfile::Aes256CmHmacSha1_32,
    }
}

fn other(master: &Master) -> Context {
    let (key, salt) = master.reveal().split_at(master.suite().key_len());
    let replay = (srtp_replay_protection(64), srtcp_replay_protection(64));
    Context::new(key, salt, profile(master.suite()), Some(replay.0), Some(replay.1)).unwrap()
}

/// Both ways against webrtc-srtp: headers with CSRCs and extensions, payloads of every length, over two wraps of the
/// sequence number, with losses; RTCP between.
#[test]
fn agrees_with_another_implementation() {
    let now = Instant::now();
    for (n, suite) in Suite::ALL.into_iter().enumerate() {
        let mut random = ChaCha8Rng::seed_from_u64(n as u64);
        let m = some_master(suite, 100 + n as u64);
        let (mut ours_out, mut theirs_out) = (Protector::new(&m), other(&m));
        let (mut ours_in, mut theirs_in) = (Opener::new(&m, Scope::Call), other(&m));
        let mut seq: u32 = 65_000;
        let mut payload = vec![0; 1400];
        while seq < 65_000 + 140_000 {
            random.fill_bytes(&mut payload);
            let words = random.random_bool(0.3).then(|| random.random_range(0..9));
            let len = random.random_range(1..=payload.len());
            let plain = rtp(0xCAFE, seq as u16, random.random_range(0..4), words, &payload[..len]);
            let packet = protected(&mut ours_out, &plain);
            assert_eq!(packet, theirs_out.encrypt_rtp(&plain).unwrap(), "{suite:?} at {seq}");
            assert_eq!(theirs_in.decrypt_rtp(&packet).unwrap(), plain);
            assert_eq!(opened(&mut ours_in, &packet, now).unwrap(), plain);
            assert_eq!(opened(&mut ours_in, &packet, now), Err(Refused::Replayed));
            if random.random_bool(0.1) {
                let plain = rtcp(0xCAFE);
                let mut packet = plain.clone();
                ours_out.rtcp(&mut packet).unwrap();
                assert_eq!(packet, theirs_out.encrypt_rtcp(&plain).unwrap());
                assert_eq!(theirs_in.decrypt_rtcp(&packet).unwrap(), plain);
                assert_eq!(opened(&mut ours_in, &packet, now).unwrap(), plain);
                assert_eq!(opened(&mut ours_in, &packet, now), Err(Refused::Replayed));
            }
            seq += random.random_range(1..100);
        }
    }
}

/// RFC 3711 §3.3.2: late ones within the window are taken, once; older ones are not.
#[test]
fn late_packets() {
    let now = Instant::now();
    let m = some_master(Suite::Aes128Tag80, 1);
    let mut out = Protector::new(&m);
    let packets: Vec<Vec<u8>> = (65_400u32..65_700)
        .map(|seq| protected(&mut out, &rtp(1, seq as u16, 0, None, &[seq as u8; 160])))
        .collect();
    let mut opener = Opener::new(&m, Scope::Call);
    assert!(opened(&mut opener, &packets[0], now).is_ok());
    assert!(opened(&mut opener, &packets[200], now).is_ok(), "after the wrap");
    assert!(opened(&mut opener, &packets[130], now).is_ok(), "from before the wrap");
    assert!(opened(&mut opener, &packets[73], now).is_ok(), "127 late");
    assert_eq!(
        opened(&mut opener, &packets[72], now),
        Err(Refused::Replayed),
        "128 late"
    );
    assert_eq!(opened(&mut opener, &packets[130], now), Err(Refused::Replayed));
    assert!(opened(&mut opener, &packets[201], now).is_ok());
}

/// The first packets of a sender that began just before the wrap were lost (RFC 3711 §3.3.1).
#[test]
fn first_packet_after_the_wrap() {
    let now = Instant::now();
    let m = some_master(Suite::Aes128Tag80, 1);
    let mut out = Protector::new(&m);
    let packets: Vec<Vec<u8>> = (65_534u32..65_540)
        .map(|seq| protected(&mut out, &rtp(1, seq as u16, 0, None, &[0; 160])))
        .collect();
    let mut opener = Opener::new(&m, Scope::Call);
    for (i, packet) in packets.iter().enumerate().skip(3) {
        assert_eq!(opened(&mut opener, packet, now).unwrap()[3], i as u8 - 2);
    }
    assert!(
        opened(&mut opener, &packets[1], now).is_ok(),
        "late, of before the wrap"
    );
}

#[test]
fn nothing_forged_or_plain_is_opened_and_no_sender_is_displaced() {
    let now = Instant::now();
    let m = some_master(Suite::Aes128Tag32, 1);
    let mut out = Protector::new(&m);
    let mut opener = Opener::new(&m, Scope::Call);
    let first = protected(&mut out, &rtp(1, 1, 1, Some(2), &[3; 160]));
    assert!(opened(&mut opener, &first, now).is_ok());
    let next = protected(&mut out, &rtp(1, 2, 1, Some(2), &[4; 160]));
    for bit in 0..next.len() * 8 {
        let mut forged = next.clone();
        forged[bit / 8] ^= 1 << (bit % 8);
        assert!(opened(&mut opener, &forged, now).is_err(), "bit {bit}");
    }
    for ssrc in 0..10_000 {
        let plain = rtp(ssrc, 2, 0, None, &[0; 160]);
        assert!(opened(&mut opener, &plain, now).is_err());
        assert!(opened(&mut opener, &rtcp(ssrc), now).is_err(), "BYE in the clear");
    }
    assert_eq!(opener.sources(), 1);
    assert!(opened(&mut opener, &next, now).is_ok());
    let mut wrong = Opener::new(&some_master(Suite::Aes128Tag32, 2), Scope::Call);
    assert_eq!(opened(&mut wrong, &next, now), Err(Refused::NotAuthentic));
    assert_eq!(wrong.figures().not_authentic, 1);
    for cut in 0..next.len() {
        assert!(opened(&mut opener, &next[..cut], now).is_err());
    }
}

/// Authentic senders are many on a group's key; the table stays bounded and the recent ones cannot be played again.
#[test]
fn recent_pages_of_a_group_cannot_be_played_again() {
    let now = Instant::now();
    let m = some_master(Suite::Aes128Tag80, 1);
    let mut opener = Opener::new(&m, Scope::Group);
    let page = |ssrc: u32| {
        let mut out = Protector::new(&m);
        [7u16, 8, 9].map(|seq| protected(&mut out, &rtp(ssrc, seq, 0, None, &[1; 160])))
    };
    let pages: Vec<_> = (0..1100).map(page).collect();
    for p in &pages {
        assert!(p.iter().all(|packet| opened(&mut opener, packet, now).is_ok()));
    }
    assert_eq!(opener.sources(), 1024);
    for p in pages.iter().rev().take(1024) {
        assert!(
            p.iter()
                .all(|packet| opened(&mut opener, packet, now) == Err(Refused::Replayed))
        );
    }
    assert!(
        opened(&mut opener, &pages[0][0], now).is_ok(),
        "forgotten: told in DEVELOPERS.md"
    );
}

/// A group is joined when its sender's roll-over counter has long risen.
#[test]
fn joining_in_the_middle_is_a_bounded_search() {
    let start = Instant::now();
    let m = some_master(Suite::Aes256Tag80, 1);
    for roc in [0u64, 1, 2, 9, 500, 1023] {
        let mut sender = Protector::new(&m);
        let mut seq = 0u16;
        for _ in 0..roc * 4 + 1 {
            protected(&mut sender, &rtp(1, seq, 0, None, &[0; 8]));
            seq = seq.wrapping_add(16_384);
        }
        let mut group = Opener::new(&m, Scope::Group);
        let mut call = Opener::new(&m, Scope::Call);
        let mut lost = 0;
        for i in 0..200u32 {
            let at = start + Duration::from_millis(20) * i;
            seq = seq.wrapping_add(1);
            let packet = protected(&mut sender, &rtp(1, seq, 0, None, &[0; 160]));
            assert_eq!(
                opened(&mut call, &packet, at).is_ok(),
                roc <= 1,
                "a call is not joined in the middle"
            );
            match opened(&mut group, &packet, at) {
                Ok(_) => {}
                Err(why) => {
                    assert_eq!((why, lost), (Refused::NotAuthentic, i), "in one run");
                    lost += 1;
                }
            }
        }
        assert!(u64::from(lost) <= roc / 8 + 1, "{lost} packets until {roc} was found");
    }
    // A flood is searched for a hundred times a second; the rest costs what a wrong tag costs.
    let mut search = Opener::new(&m, Scope::Group);
    for i in 0..1000 {
        assert!(opened(&mut search, &rtp(i, 1, 0, None, &[0; 160]), start).is_err());
    }
    assert!(!search.search_allowed(start + Duration::from_millis(999)));
    assert!(search.search_allowed(start + Duration::from_secs(1)));
}

/// A stream that goes on while the network is away for more than half a turn of the sequence number is found again.
#[test]
fn a_long_outage_of_a_group() {
    let now = Instant::now();
    let m = some_master(Suite::Aes128Tag80, 1);
    let mut sender = Protector::new(&m);
    let mut opener = Opener::new(&m, Scope::Group);
    let mut heard = 0;
    for n in 0..200_000u32 {
        let packet = protected(&mut sender, &rtp(1, n as u16, 0, None, &[0; 20]));
        if !(1000..150_000).contains(&n) {
            let at = now + Duration::from_millis(20) * n;
            heard += u32::from(opened(&mut opener, &packet, at).is_ok());
        }
    }
    assert!(heard >= 51_000 - 1, "{heard}");
}

/// RFC 4568 §7.1.4: a new key in a new offer, the counter at 0; what was sent before is still on its way. Some senders
/// keep the counter.
#[test]
fn new_key_in_a_call() {
    let now = Instant::now();
    let (a, b) = (some_master(Suite::Aes128Tag80, 1), some_master(Suite::Aes256Tag32, 2));
    let mut opener = Opener::new(&a, Scope::Call);
    let mut old = Protector::new(&a);
    for seq in (0..200_000u32).step_by(10_000) {
        assert!(
            opened(
                &mut opener,
                &protected(&mut old, &rtp(1, seq as u16, 0, None, &[0; 160])),
                now
            )
            .is_ok()
        );
    }
    let last = protected(&mut old, &rtp(1, (200_000u32) as u16, 0, None, &[0; 160]));
    opener.rekey(&a, now);
    assert!(
        opened(&mut opener, &last, now).is_ok(),
        "the same key: the counter goes on"
    );
    assert_eq!(opened(&mut opener, &last, now), Err(Refused::Replayed));
    opener.rekey(&b, now);
    let late = protected(&mut old, &rtp(1, (200_001u32) as u16, 0, None, &[0; 160]));
    let mut new = Protector::new(&b);
    let fresh = protected(&mut new, &rtp(1, (200_002u32) as u16, 0, None, &[0; 160]));
    assert!(opened(&mut opener, &fresh, now).is_ok());
    assert!(opened(&mut opener, &late, now).is_ok());
    let later = protected(&mut old, &rtp(1, (200_003u32) as u16, 0, None, &[0; 160]));
    assert_eq!(
        opened(&mut opener, &later, now + Duration::from_secs(5)),
        Err(Refused::NotAuthentic)
    );
    // The counter kept over a change of key.
    let c = some_master(Suite::Aes128Tag80, 3);
    let mut opener = Opener::new(&a, Scope::Call);
    let (mut old, mut kept) = (Protector::new(&a), Protector::new(&c));
    for seq in (0..200_000u32).step_by(10_000) {
        let plain = rtp(1, seq as u16, 0, None, &[0; 160]);
        assert!(opened(&mut opener, &protected(&mut old, &plain), now).is_ok());
        protected(&mut kept, &plain);
    }
    opener.rekey(&c, now);
    let packet = protected(&mut kept, &rtp(1, 200_000u32 as u16, 0, None, &[0; 160]));
    assert!(opened(&mut opener, &packet, now).is_ok());
}

/// RFC 3711 §3.4: an SRTCP packet whose E flag is not set is authentic and in the clear.
#[test]
fn srtcp_without_encryption() {
    let now = Instant::now();
    let m = some_master(Suite::Aes128Tag80, 1);
    let mut packet = rtcp(5);
    packet.extend(1u32.to_be_bytes());
    let tag = keys::Session::rtcp(&m).authenticator(&packet).tag(None);
    packet.extend(&tag[..10]);
    assert_eq!(
        opened(&mut Opener::new(&m, Scope::Call), &packet, now).unwrap(),
        rtcp(5)
    );
}

/// RFC 3711 §9.2: never the same key stream twice, never more than 2^48 packets.
#[test]
fn a_key_is_not_used_twice_for_an_index() {
    let m = some_master(Suite::Aes128Tag80, 1);
    let mut out = Protector::new(&m);
    let plain = rtp(1, 1, 0, None, &[0; 160]);
    protected(&mut out, &plain);
    let mut again = plain.clone();
    assert_eq!(out.rtp(&mut again), Err(Spent::UsedUp));
    assert_eq!(again, plain);
    for bad in [
        &[][..],
        &[0x80; 11],
        &[0x00; 40],
        &[0x8f; 40],
        &[0x90, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 9],
    ] {
        assert_eq!(out.rtp(&mut bad.to_vec()), Err(Spent::Malformed));
    }
    assert_eq!(out.rtcp(&mut vec![0x80; 7]), Err(Spent::Malformed));
}

proptest! {
    /// Whatever comes: no panic, and nothing is opened without the key.
    #[test]
    fn any_octets(mut octets in prop::collection::vec(any::<u8>(), 0..200), group in any::<bool>(), rtcp in any::<bool>()) {
        if let (true, Some(kind)) = (rtcp, octets.get_mut(1)) {
            *kind = 200 + *kind % 8;
        }
        if let Some(first) = octets.first_mut() {
            *first = 0x80 | *first & 0x3f;
        }
        let before = octets.clone();
        let scope = if group { Scope::Group } else { Scope::Call };
        let mut opener = Opener::new(&some_master(Suite::Aes128Tag80, 1), scope);
        prop_assert!(opener.open(&mut octets, Instant::now()).is_err());
        prop_assert_eq!(&octets, &before);
        prop_assert_eq!(opener.sources(), 0);
        let mut protector = Protector::new(&some_master(Suite::Aes128Tag80, 1));
        let _ = protector.rtp(&mut octets);
        let _ = protector.rtcp(&mut octets);
    }
}

/// RFC 3711 §3.3.1: after more than half a turn of sequence numbers the guess of the roll-over counter is one too low. A
/// call whose audio was away for so long goes on, and what was recorded before cannot be played again.
#[test]
fn a_call_goes_on_after_a_long_gap() {
    let key = some_master(Suite::Aes128Tag80, 77);
    for lost in [1, 32_760, 32_769, 40_000, 65_530, 65_535] {
        let mut protector = Protector::new(&key);
        let mut opener = Opener::new(&key, Scope::Call);
        let at = Instant::now();
        let mut recorded = Vec::new();
        for n in 0..3u64 {
            for k in 0..100u64 {
                let seq = (65_000 + n * (lost + 100) + k) as u16;
                let packet = protected(&mut protector, &rtp(9, seq, 0, None, b"timber"));
                opener
                    .open(&mut packet.clone(), at)
                    .unwrap_or_else(|e| panic!("{lost}, {n}, {k}: {e}"));
                recorded.push(packet);
            }
            for k in 100..100 + lost {
                let seq = (65_000 + n * (lost + 100) + k) as u16;
                protected(&mut protector, &rtp(9, seq, 0, None, b"timber"));
            }
        }
        for mut packet in recorded {
            assert!(opener.open(&mut packet, at).is_err());
        }
    }
}
