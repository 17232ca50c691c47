//! Offers in random composition, and offers with octets changed.

use proptest::prelude::*;
use rand::{Rng as _, SeedableRng as _};

use super::*;

/// A stream as phones and browsers offer it, in random composition.
fn any_stream() -> impl Strategy<Value = String> {
    let formats = prop::collection::vec(
        prop::sample::select(vec![
            ("0", ""),
            ("0", "a=rtpmap:0 PCMU/8000\r\n"),
            ("8", "a=rtpmap:8 PCMA/8000/1\r\n"),
            ("8", ""),
            ("9", "a=rtpmap:9 G722/8000\r\n"),
            ("13", ""),
            ("18", "a=fmtp:18 annexb=no\r\n"),
            ("96", "a=rtpmap:96 opus/48000/2\r\na=fmtp:96 useinbandfec=1\r\n"),
            ("97", "a=rtpmap:97 telephone-event/8000\r\na=fmtp:97 0-15\r\n"),
            ("98", "a=rtpmap:98 telephone-event/48000\r\n"),
            ("99", "a=rtpmap:99 L16/48000/2\r\n"),
            ("100", "a=rtpmap:100 PCMA/8000\r\n"),
        ]),
        1..8,
    );
    (
        prop::sample::select(vec!["audio", "audio", "audio", "video", "image", "text"]),
        prop::sample::select(vec!["0", "5004", "5004/2", "65535", "1"]),
        prop::sample::select(vec!["RTP/AVP", "RTP/AVP", "RTP/AVPF", "RTP/SAVP", "udptl"]),
        formats,
        prop::sample::select(vec![
            "",
            "a=sendonly\r\n",
            "a=recvonly\r\n",
            "a=inactive\r\n",
            "a=sendrecv\r\n",
        ]),
        prop::sample::select(vec![
            "",
            "c=IN IP4 0.0.0.0\r\n",
            "c=IN IP4 203.0.113.5\r\n",
            "c=IN IP4 224.2.36.42/127\r\n",
            "c=IN IP6 2001:db8::1\r\n",
            "c=IN IP4 a.example\r\n",
        ]),
        prop::sample::select(vec![
            "",
            "a=ptime:10\r\n",
            "a=ptime:30\r\na=maxptime:150\r\n",
            "a=rtcp-mux\r\na=mid:1\r\n",
        ]),
    )
        .prop_map(|(kind, port, proto, formats, direction, connection, rest)| {
            let mut numbers: Vec<&str> = Vec::new();
            let mut maps = String::new();
            for (number, map) in formats {
                if !numbers.contains(&number) {
                    numbers.push(number);
                    maps.push_str(map);
                }
            }
            format!(
                "m={kind} {port} {proto} {}\r\n{connection}{maps}{rest}{direction}",
                numbers.join(" ")
            )
        })
}

fn any_codecs() -> impl Strategy<Value = Vec<Codec>> {
    prop::sample::subsequence(vec![Codec::Opus, Codec::Pcmu, Codec::Pcma], 1..=3).prop_shuffle()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    /// A random offer gets a legal answer, or a refusal only when no stream is takeable.
    #[test]
    fn answers_are_legal(
        streams in prop::collection::vec(any_stream(), 0..5),
        session in prop::sample::select(vec!["", "a=sendonly\r\n", "a=inactive\r\n", "a=group:BUNDLE 1\r\n"]),
        times in prop::sample::select(vec!["t=0 0\r\n", "t=3034423619 3042462419\r\n", ""]),
        codecs in any_codecs(),
    ) {
        let offer = format!("v=0\r\no=- 1 1 IN IP4 198.51.100.7\r\ns=-\r\nc=IN IP4 198.51.100.7\r\n{times}{session}{}", streams.concat());
        let local = Local { codecs, ..local() };
        match answer(offer.as_bytes(), &local) {
            Ok((body, agreed)) => {
                assert_legal(&offer, &body);
                let (_, codec) = agreed.payloads.audio().unwrap();
                prop_assert!(local.codecs.contains(&codec));
                prop_assert!((10..=60).contains(&agreed.ptime));
                prop_assert!(agreed.remote.is_none_or(|r| !r.ip().is_multicast() && r.port() != 0 && r.is_ipv4()));
                // The far end can read it, and agrees on the way round.
                let peer = Local { address: "198.51.100.7".parse().unwrap(), codecs: vec![Codec::Opus, Codec::Pcmu, Codec::Pcma], ..local.clone() };
                let seen = accept(&body, &peer).unwrap();
                prop_assert_eq!(seen.remote, Some(SocketAddr::new(local.address, local.rtp_port)));
                prop_assert_eq!(seen.direction, agreed.direction.mirrored());
                prop_assert_eq!(seen.payloads.audio(), agreed.payloads.audio());
                // And our next offer in the call is readable to it.
                let again = offer_again(&Local { version: 4, ..local.clone() }, &body);
                let (reply, _) = answer(&again, &peer).unwrap();
                assert_legal(std::str::from_utf8(&again).unwrap(), &reply);
                prop_assert_eq!(media(std::str::from_utf8(&again).unwrap()).len(), streams.len());
            }
            Err(SdpError::NothingFits(_)) => {
                // By plain text: no open audio RTP/AVP stream with G.711 of ours on a usable address.
                let g711 = |s: &str| {
                    let m = s.lines().next().unwrap();
                    let fields: Vec<&str> = m.split(' ').collect();
                    m.starts_with("m=audio") && fields[1] != "0" && fields[2].starts_with("RTP/AVP")
                        && !s.contains("c=IN IP6") && !s.contains("224.")
                        && ((local.codecs.contains(&Codec::Pcmu) && fields[3..].contains(&"0"))
                            || (local.codecs.contains(&Codec::Pcma) && fields[3..].contains(&"8")))
                };
                prop_assert!(!streams.iter().any(|s| g711(s)), "{offer}");
            }
            Err(SdpError::Unreadable(why)) => prop_assert!(false, "{why}\n{offer}"),
        }
    }
}

/// Broken bodies: nothing panics, and what is answered is well-formed.
#[test]
fn a_hundred_thousand_mutations() {
    let seeds = [
        offer_of(
            "m=audio 49170 RTP/AVP 0 8 101\na=rtpmap:101 telephone-event/8000\na=fmtp:101 0-15\na=ptime:20\na=sendrecv\n",
        ),
        offer_of(
            "m=audio 5004 RTP/AVP 107 0\na=rtpmap:107 opus/48000/2\nm=video 5010 RTP/AVP 31\nc=IN IP4 224.2.36.42/127\n",
        ),
        String::from_utf8(offer(&local())).unwrap(),
    ];
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(1);
    let mut fine = 0;
    for round in 0..100_000 {
        let mut body = seeds[round % seeds.len()].clone().into_bytes();
        for _ in 0..rng.random_range(1..6) {
            let at = rng.random_range(0..body.len());
            match rng.random_range(0..5) {
                0 => body[at] = rng.random(),
                1 if body.len() > 1 => drop(body.remove(at)),
                2 => body.insert(at, *b"\r\n =/:.0123456789amc".get(rng.random_range(0..20)).unwrap()),
                3 => body.truncate(at.max(1)),
                _ => {
                    let end = (at + rng.random_range(1..30)).min(body.len());
                    let piece = body[at..end].to_vec();
                    let to = rng.random_range(0..body.len());
                    body.splice(to..to, piece);
                }
            }
        }
        if let Ok((reply, agreed)) = answer(&body, &local()) {
            fine += 1;
            assert!(agreed.payloads.audio().is_some());
            assert!(reply.iter().all(|b| matches!(b, b'\r' | b'\n' | b' '..=b'~')));
            let again = sdp_types::Session::parse(&reply).expect("a strict reader takes the answer");
            assert_eq!(again.medias.iter().filter(|m| m.port != 0).count(), 1);
        }
        let _ = accept(&body, &local());
        let _ = offer_again(&local(), &body);
    }
    assert!(fine > 20_000, "{fine} of the mutations could still be answered");
}
