//! Keys in offers and answers: RFC 4568 §5.1, §7.1; RFC 3264 §6 for which stream is taken.

use super::*;

const THEIRS: &str = "PS1uQCVeeCFCanVmcjkpPywjNWhcYD0mXXtxaVBR";
const LONG: &str = "MTIzNDU2Nzg5QUJDREUwMTIzNDU2Nzg5QUJjZGVmZ2hpamtsbW5vcHFyc3R1dg==";

fn local(srtp: Policy) -> Local {
    Local {
        address: "192.0.2.10".parse().unwrap(),
        rtp_port: 40000,
        codecs: vec![Codec::Pcmu, Codec::Pcma],
        session_id: 77,
        version: 3,
        srtp,
        keys: KeySeed([9; 32]),
    }
}

const PREFER: Policy = Policy::Prefer { offer: true };

fn body_of(streams: &str) -> String {
    let streams = streams
        .replace("KEY", THEIRS)
        .replace("LONG", LONG)
        .replace('\n', "\r\n");
    format!("v=0\r\no=- 1 1 IN IP4 198.51.100.7\r\ns=-\r\nc=IN IP4 198.51.100.7\r\nt=0 0\r\n{streams}")
}

/// The lines of the answer that matter here, and what was agreed.
fn answered(srtp: Policy, streams: &str) -> Result<(Vec<String>, Agreed), String> {
    let (body, agreed) = answer(body_of(streams).as_bytes(), &local(srtp)).map_err(|e| e.to_string())?;
    let lines = String::from_utf8(body).unwrap();
    let lines = lines
        .lines()
        .filter(|l| l.starts_with("m=") || l.starts_with("a=crypto"))
        .map(str::to_owned)
        .collect();
    Ok((lines, agreed))
}

const SECURE: &str = "m=audio 5004 RTP/SAVP 0\na=crypto:7 AES_CM_128_HMAC_SHA1_32 inline:KEY|2^31\n";
const CLEAR: &str = "m=audio 5006 RTP/AVP 0\n";
const BOTH_WAYS: &str = "m=audio 5008 RTP/AVP 0\na=crypto:1 AES_CM_128_HMAC_SHA1_80 inline:KEY\n";

/// RFC 4568 §5.1.2: one line, the tag and suite of the one taken, our own key.
#[test]
fn an_answer_has_one_key_of_our_own() {
    let (lines, agreed) = answered(PREFER, SECURE).unwrap();
    let keys = agreed.keys.unwrap();
    assert_eq!(keys.theirs, written_key(Suite::Aes128Tag32, THEIRS).unwrap());
    assert_eq!(lines[0], "m=audio 40000 RTP/SAVP 0");
    assert_eq!(lines.len(), 2);
    let ours = lines[1]
        .strip_prefix("a=crypto:7 AES_CM_128_HMAC_SHA1_32 inline:")
        .unwrap();
    assert_eq!(written_key(Suite::Aes128Tag32, ours), Some(keys.ours));
    assert_ne!(keys.ours, keys.theirs);
    assert_eq!(agreed.suite(), Some(Suite::Aes128Tag32));
    // Another call, another key.
    let other = Local {
        keys: KeySeed([10; 32]),
        ..local(PREFER)
    };
    let (_, second) = answer(body_of(SECURE).as_bytes(), &other).unwrap();
    assert_ne!(second.keys.unwrap().ours, keys.ours);
    // And no key in what is printed of it.
    let printed = format!("{agreed:?} {other:?}");
    assert!(
        printed.contains("Master(AES_CM_128_HMAC_SHA1_32, …)") && printed.contains("KeySeed(…)"),
        "{printed}"
    );
    assert!(!printed.contains("octets"));
}

/// RFC 4568 §5.1.1: the offer's order is its sender's preference; lines that cannot be used are passed over.
#[test]
fn the_first_usable_line_is_taken() {
    for (lines, suite) in [
        (
            "a=crypto:1 AES_256_CM_HMAC_SHA1_80 inline:LONG\na=crypto:2 AES_CM_128_HMAC_SHA1_80 inline:KEY\n",
            Suite::Aes256Tag80,
        ),
        (
            "a=crypto:1 AES_CM_128_HMAC_SHA1_32 inline:KEY\na=crypto:2 AES_CM_128_HMAC_SHA1_80 inline:KEY\n",
            Suite::Aes128Tag32,
        ),
        (
            "a=crypto:1 F8_128_HMAC_SHA1_80 inline:KEY\na=crypto:2 AES_CM_128_HMAC_SHA1_80 inline:KEY|2^20|1:4\n\
             a=crypto:3 AES_CM_128_HMAC_SHA1_80 inline:KEY UNENCRYPTED_SRTP\na=crypto:4 AES_CM_128_HMAC_SHA1_80 inline:AAAA\n\
             a=crypto:5 AES_CM_128_HMAC_SHA1_80 inline:KEY\n",
            Suite::Aes128Tag80,
        ),
    ] {
        let (_, agreed) = answered(PREFER, &format!("m=audio 5004 RTP/SAVP 0\n{lines}")).unwrap();
        assert_eq!(agreed.suite(), Some(suite), "{lines}");
    }
    let none = "m=audio 5004 RTP/SAVP 0\na=crypto:1 AES_CM_128_HMAC_SHA1_80 inline:KEY|2^20|1:4\n";
    for policy in [PREFER, Policy::Require] {
        let why = answered(policy, none).unwrap_err();
        assert!(why.contains("crypto line"), "{why}");
    }
    // Never in the clear where the profile says otherwise.
    assert!(
        answered(PREFER, "m=audio 5004 RTP/SAVP 0\n")
            .unwrap_err()
            .contains("without a crypto")
    );
    // Of the session, not of the stream (RFC 4568 §4): no key.
    let session = body_of(SECURE).replace(
        "t=0 0\r\n",
        &format!("t=0 0\r\na=crypto:1 AES_CM_128_HMAC_SHA1_80 inline:{THEIRS}\r\n"),
    );
    let session = session.replace("a=crypto:7", "a=other:7");
    assert!(answer(session.as_bytes(), &local(PREFER)).is_err());
}

#[test]
fn policies() {
    let port = |policy, streams: &str| {
        let (lines, agreed) = answered(policy, streams)?;
        let open: Vec<&String> = lines.iter().filter(|l| l.starts_with("m=audio 40000")).collect();
        assert_eq!(open.len(), 1);
        let cryptos = lines.iter().filter(|l| l.starts_with("a=crypto")).count();
        assert_eq!(cryptos, usize::from(agreed.keys.is_some()));
        Ok::<_, String>((agreed.remote.unwrap().port(), agreed.keys.is_some()))
    };
    let (two, owt) = ([CLEAR, SECURE].concat(), [SECURE, CLEAR].concat());
    for (streams, off, prefer, require) in [
        (SECURE, None, Some((5004, true)), Some((5004, true))),
        (CLEAR, Some((5006, false)), Some((5006, false)), None),
        (BOTH_WAYS, Some((5008, false)), Some((5008, true)), Some((5008, true))),
        (&two, Some((5006, false)), Some((5004, true)), Some((5004, true))),
        (&owt, Some((5006, false)), Some((5004, true)), Some((5004, true))),
    ] {
        for (policy, expected) in [(Policy::Off, off), (PREFER, prefer), (Policy::Require, require)] {
            assert_eq!(port(policy, streams).ok(), expected, "{policy:?} {streams}");
        }
    }
    assert!(answered(Policy::Off, SECURE).unwrap_err().contains("SRTP is off"));
    assert!(answered(Policy::Require, CLEAR).unwrap_err().contains("required"));
    // The feedback profile (RFC 5124) is answered as itself.
    let (lines, _) = answered(PREFER, &SECURE.replace("RTP/SAVP", "RTP/SAVPF")).unwrap();
    assert_eq!(lines[0], "m=audio 40000 RTP/SAVPF 0");
    let (lines, _) = answered(PREFER, BOTH_WAYS).unwrap();
    assert_eq!(
        lines[0], "m=audio 40000 RTP/AVP 0",
        "the transport of the offer (RFC 3264 §6)"
    );
    // DTLS is another thing.
    assert!(answered(PREFER, "m=audio 5004 UDP/TLS/RTP/SAVPF 0\na=fingerprint:sha-1 00\n").is_err());
}

/// Our own offers, answered by ourselves and by others (RFC 4568 §5.1.3).
#[test]
fn offers() {
    let text = |policy| String::from_utf8(offer(&local(policy))).unwrap();
    for (policy, profile, lines) in [
        (Policy::Off, "RTP/AVP", 0),
        (Policy::Prefer { offer: false }, "RTP/AVP", 0),
        (PREFER, "RTP/AVP", 4),
        (Policy::Require, "RTP/SAVP", 4),
    ] {
        let body = text(policy);
        assert!(body.contains(&format!("m=audio 40000 {profile} 0")), "{body}");
        assert_eq!(body.matches("a=crypto:").count(), lines, "{body}");
        // The other side takes it as its policy says; both agree on the keys.
        for peer in [Policy::Off, PREFER, Policy::Require] {
            let peer = Local {
                keys: KeySeed([1; 32]),
                ..local(peer)
            };
            let Ok((reply, theirs)) = answer(body.as_bytes(), &peer) else {
                assert!(
                    lines == 0 && peer.srtp == Policy::Require || policy == Policy::Require && peer.srtp == Policy::Off
                );
                continue;
            };
            let ours = accept(&reply, &local(policy)).unwrap();
            assert_eq!(
                ours.keys.map(|k| (k.ours, k.theirs)),
                theirs.keys.map(|k| (k.theirs, k.ours))
            );
            assert_eq!(ours.keys.is_some(), lines > 0 && peer.srtp != Policy::Off);
        }
    }
}

#[test]
fn answers_that_do_not_fit_our_keys() {
    let accepted = |policy, streams: &str| accept(body_of(streams).as_bytes(), &local(policy));
    let tag = |n: u32, suite: &str, key: &str| format!("m=audio 5004 RTP/SAVP 0\na=crypto:{n} {suite} inline:{key}\n");
    let good = accepted(Policy::Require, &tag(2, "AES_CM_128_HMAC_SHA1_80", "KEY")).unwrap();
    assert_eq!(good.suite(), Some(Suite::Aes128Tag80), "the second of ours");
    for wrong in [
        tag(1, "AES_CM_128_HMAC_SHA1_80", "KEY"),
        tag(9, "AES_CM_128_HMAC_SHA1_80", "KEY"),
        tag(2, "AES_CM_128_HMAC_SHA1_80", "AAAA"),
        tag(2, "F8_128_HMAC_SHA1_80", "KEY"),
        "m=audio 5004 RTP/SAVP 0\n".to_owned(),
    ] {
        for policy in [PREFER, Policy::Require] {
            assert!(accepted(policy, &wrong).is_err(), "{wrong}");
        }
    }
    assert!(accepted(Policy::Require, CLEAR).is_err());
    assert_eq!(accepted(PREFER, CLEAR).unwrap().keys, None);
    assert!(accepted(Policy::Off, BOTH_WAYS).is_err(), "noise is not played");
}

/// RFC 4568 §7.1.4: a refresh keeps keys, tags may change; a re-INVITE without an offer keeps ours.
#[test]
fn offers_within_a_call() {
    let us = local(PREFER);
    let (first, agreed) = answer(body_of(SECURE).as_bytes(), &us).unwrap();
    let (_, again) = answer(body_of(SECURE).as_bytes(), &us).unwrap();
    assert_eq!(agreed, again);
    let body = String::from_utf8(offer_again(&us, &first)).unwrap();
    assert!(body.contains("m=audio 40000 RTP/SAVP 0"), "{body}");
    let peer = Local {
        keys: KeySeed([1; 32]),
        ..local(Policy::Require)
    };
    let only = body
        .split_inclusive("\r\n")
        .filter(|l| !l.starts_with("a=crypto") || l.contains("AES_CM_128_HMAC_SHA1_32"))
        .collect::<String>();
    let (reply, _) = answer(only.as_bytes(), &peer).unwrap();
    assert_eq!(
        accept(&reply, &us).unwrap().keys.unwrap().ours,
        agreed.keys.unwrap().ours
    );
    // A stream that was in the clear stays so.
    let (first, _) = answer(body_of(CLEAR).as_bytes(), &us).unwrap();
    assert!(!String::from_utf8(offer_again(&us, &first)).unwrap().contains("crypto"));
}

/// A hostile number of lines costs no more than a few.
#[test]
fn many_lines() {
    let lines = "a=crypto:1 AES_CM_128_HMAC_SHA1_80 inline:nonsense\n".repeat(300);
    let streams = format!("m=audio 5004 RTP/SAVP 0\n{lines}a=crypto:1 AES_CM_128_HMAC_SHA1_80 inline:KEY\n");
    assert!(answered(PREFER, &streams).is_err(), "behind the last that is read");
}
