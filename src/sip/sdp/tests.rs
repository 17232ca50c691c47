//! Checked against RFC 3264 §6 (legal answers), RFC 8866, RFC 3551 Table 4, RFC 7587 §6 and §7, RFC 4733.

use super::*;

fn local() -> Local {
    Local {
        address: "192.0.2.10".parse().unwrap(),
        rtp_port: 40000,
        codecs: vec![Codec::Opus, Codec::Pcmu, Codec::Pcma],
        session_id: 77,
        version: 3,
        srtp: Policy::Off,
        keys: KeySeed([9; 32]),
    }
}

/// An offer with these streams and their attributes.
fn offer_of(streams: &str) -> String {
    format!(
        "v=0\r\no=alice 2890844526 2890844526 IN IP4 host.example.com\r\ns=-\r\nc=IN IP4 198.51.100.7\r\nt=0 0\r\n{}",
        streams.trim_start().replace('\n', "\r\n")
    )
}

fn answered(offer: &str) -> (Vec<String>, Agreed) {
    let (body, agreed) = answer(offer.as_bytes(), &local()).unwrap_or_else(|e| panic!("{e}\n{offer}"));
    assert_legal(offer, &body);
    let lines = String::from_utf8(body).unwrap();
    (lines.split("\r\n").map(str::to_owned).collect(), agreed)
}

fn refused(offer: &str) -> String {
    match answer(offer.as_bytes(), &local()) {
        Err(SdpError::NothingFits(why)) => why,
        other => panic!("{other:?}\n{offer}"),
    }
}

fn has(lines: &[String], line: &str) -> bool {
    lines.iter().any(|l| l == line)
}

fn media(text: &str) -> Vec<Vec<&str>> {
    let mut streams: Vec<Vec<&str>> = Vec::new();
    for line in text.lines() {
        if line.starts_with("m=") {
            streams.push(Vec::new());
        }
        if let Some(stream) = streams.last_mut() {
            stream.push(line);
        }
    }
    streams
}

/// RFC 3264 §6, RFC 8866 §5 and §9, by a reader of its own.
fn assert_legal(offer: &str, answer: &[u8]) {
    let answer = std::str::from_utf8(answer).unwrap();
    assert!(answer.ends_with("\r\n") && !answer.contains("\r\n\r\n"));
    let head: String = answer
        .lines()
        .take_while(|l| !l.starts_with("m="))
        .map(|l| &l[..1])
        .collect();
    assert!(head.starts_with("vosct"), "order of lines (RFC 8866 §5): {head}");
    let times = |text: &str| -> Vec<String> {
        text.lines()
            .filter(|l| l.starts_with("t="))
            .map(|l| l.trim_end().to_owned())
            .collect()
    };
    if !times(offer).is_empty() {
        assert_eq!(times(offer), times(answer), "t= is the same (RFC 3264 §6)");
    }
    let (offered, given) = (media(offer), media(answer));
    assert_eq!(
        offered.len(),
        given.len(),
        "as many m= lines (RFC 3264 §6)\n{offer}\n{answer}"
    );
    let mut open = 0;
    for (o, a) in offered.iter().zip(&given) {
        let fields = |line: &str| -> Vec<String> { line[2..].split_whitespace().map(str::to_owned).collect() };
        let (of, af) = (fields(o[0]), fields(a[0]));
        assert!(af.len() >= 4, "a format even when refused (RFC 3264 §6): {}", a[0]);
        assert_eq!((&of[0], &of[2]), (&af[0], &af[2]), "same media and transport");
        if af[1] == "0" {
            assert!(of[3..].contains(&af[3]));
            continue;
        }
        open += 1;
        assert_ne!(
            of[1].split('/').next(),
            Some("0"),
            "a stream of port 0 stays refused (RFC 3264 §6)"
        );
        for format in &af[3..] {
            assert!(of[3..].contains(format), "payload types of the offer (RFC 3264 §6.1)");
            let map = |lines: &[&str]| {
                let prefix = format!("a=rtpmap:{format} ");
                lines
                    .iter()
                    .find_map(|l| l.strip_prefix(&prefix).map(|m| m.trim().to_ascii_lowercase()))
            };
            if let (Some(theirs), Some(ours)) = (map(o), map(a)) {
                let norm = |m: String| m.trim_end_matches("/1").trim_end_matches("/2").to_owned();
                assert_eq!(norm(theirs), norm(ours));
            }
        }
        let session: Vec<&str> = offer.lines().take_while(|l| !l.starts_with("m=")).collect();
        let direction = |lines: &[&str]| {
            lines.iter().find_map(|l| {
                ["sendrecv", "sendonly", "recvonly", "inactive"]
                    .into_iter()
                    .find(|d| l.trim_end() == format!("a={d}"))
            })
        };
        let theirs = direction(o).or(direction(&session)).unwrap_or("sendrecv");
        let ours = direction(a).expect("explicit");
        let allowed: &[&str] = match theirs {
            "sendonly" => &["recvonly", "inactive"],
            "recvonly" => &["sendonly", "inactive"],
            "inactive" => &["inactive"],
            _ => &["sendrecv", "sendonly", "recvonly", "inactive"],
        };
        assert!(allowed.contains(&ours), "{theirs} → {ours} (RFC 3264 §6.1)");
    }
    assert!(open <= 1);
}

/// RFC 3264 §6.1: the table; our answer is always the widest that it allows.
#[test]
fn directions() {
    for (theirs, ours, attribute) in [
        ("a=sendonly\n", Direction::RecvOnly, "a=recvonly"),
        ("a=recvonly\n", Direction::SendOnly, "a=sendonly"),
        ("a=sendrecv\n", Direction::SendRecv, "a=sendrecv"),
        ("", Direction::SendRecv, "a=sendrecv"),
        ("a=inactive\n", Direction::Inactive, "a=inactive"),
    ] {
        let (lines, agreed) = answered(&offer_of(&format!("m=audio 49170 RTP/AVP 0\n{theirs}")));
        assert_eq!(agreed.direction, ours);
        assert!(has(&lines, attribute), "{lines:?}");
        // At the session level it counts for the stream (RFC 8866 §6.7) …
        let at_session = offer_of(&format!("{theirs}m=audio 49170 RTP/AVP 0\n"));
        assert_eq!(answered(&at_session).1.direction, ours);
        // … unless the stream has its own.
        let both = offer_of(&format!("{theirs}m=audio 49170 RTP/AVP 0\na=inactive\n"));
        assert_eq!(answered(&both).1.direction, Direction::Inactive);
    }
}

/// RFC 8866 §6.6: a static payload type needs no rtpmap.
#[test]
fn static_payload_types() {
    let (lines, agreed) = answered(&offer_of("m=audio 49232 RTP/AVP 0\n"));
    assert!(has(&lines, "m=audio 40000 RTP/AVP 0"), "{lines:?}");
    assert!(has(&lines, "a=rtpmap:0 PCMU/8000"));
    assert_eq!(agreed.payloads.audio(), Some((0, Codec::Pcmu)));
    assert_eq!(agreed.remote, Some("198.51.100.7:49232".parse().unwrap()));
    assert_eq!(agreed.ptime, 20, "RFC 3551 §4.2");
    let (_, agreed) = answered(&offer_of("m=audio 49232 RTP/AVP 18 4 3 9 8\n"));
    assert_eq!(agreed.payloads.audio(), Some((8, Codec::Pcma)));
    // An rtpmap comes before the static meaning.
    let why = refused(&offer_of("m=audio 49232 RTP/AVP 0\na=rtpmap:0 L16/8000\n"));
    assert!(why.contains("0 L16/8000"), "{why}");
    // Dynamic numbers for the same codecs.
    let (lines, agreed) = answered(&offer_of(
        "m=audio 49232 RTP/AVP 97 96\na=rtpmap:96 pcmu/8000/1\na=rtpmap:97 PCMA/16000\n",
    ));
    assert_eq!(agreed.payloads.audio(), Some((96, Codec::Pcmu)));
    assert!(has(&lines, "m=audio 40000 RTP/AVP 96"));
}

/// RFC 3551 §4.5.2: G.722 is signalled with a clock of 8000, by its static number or a dynamic one.
#[test]
fn g722_has_a_clock_of_8_khz() {
    let local = Local {
        codecs: vec![Codec::G722, Codec::Pcmu],
        ..local()
    };
    for (offered, payload_type) in [
        ("m=audio 5004 RTP/AVP 0 9 101\na=rtpmap:101 telephone-event/8000\n", 9),
        (
            "m=audio 5004 RTP/AVP 0 97 101\na=rtpmap:97 g722/8000/1\na=rtpmap:101 telephone-event/8000\n",
            97,
        ),
    ] {
        let (body, agreed) = answer(offer_of(offered).as_bytes(), &local).unwrap();
        assert_eq!(agreed.payloads.audio(), Some((payload_type, Codec::G722)));
        assert_eq!(agreed.payloads.format(101), Some(Format::TelephoneEvent));
        let body = String::from_utf8(body).unwrap();
        assert!(
            body.contains(&format!("a=rtpmap:{payload_type} G722/8000\r\n")),
            "{body}"
        );
    }
    let body = String::from_utf8(offer(&local)).unwrap();
    assert!(
        body.contains("RTP/AVP 9 0 101\r\n") && body.contains("a=rtpmap:9 G722/8000\r\n"),
        "{body}"
    );
}

/// RFC 7587 §7: `opus/48000/2`, whatever number; events in the codec's clock (RFC 4733 §2.1).
#[test]
fn opus_with_events_of_its_clock() {
    let offer = offer_of(
        "m=audio 5004 RTP/AVP 101 107 0 102 13\na=rtpmap:107 opus/48000/2\n\
         a=fmtp:107 maxplaybackrate=16000; sprop-maxcapturerate=16000; maxaveragebitrate=20000; stereo=1; useinbandfec=1; usedtx=0\n\
         a=rtpmap:101 telephone-event/8000\na=fmtp:101 0-16\na=rtpmap:102 telephone-event/48000\na=ptime:40\na=maxptime:40\n",
    );
    let (lines, agreed) = answered(&offer);
    assert!(has(&lines, "m=audio 40000 RTP/AVP 107 102"), "{lines:?}");
    assert!(has(&lines, "a=rtpmap:107 opus/48000/2"));
    assert!(
        lines
            .iter()
            .any(|l| l.starts_with("a=fmtp:107 ") && l.contains("useinbandfec=1") && l.contains("stereo=0"))
    );
    assert!(has(&lines, "a=rtpmap:102 telephone-event/48000"));
    assert!(has(&lines, "a=fmtp:102 0-15"), "RFC 4733 §2.5.1.1");
    assert_eq!(agreed.ptime, 40);
    let map: Vec<_> = agreed.payloads.iter().collect();
    assert_eq!(map, [(107, Format::Audio(Codec::Opus)), (102, Format::TelephoneEvent)]);

    // With G.711 preferred, the events and the comfort noise of 8000 Hz.
    let narrow = Local {
        codecs: vec![Codec::Pcmu, Codec::Opus],
        ..local()
    };
    let (body, agreed) = answer(offer.as_bytes(), &narrow).unwrap();
    assert!(
        String::from_utf8(body)
            .unwrap()
            .contains("m=audio 40000 RTP/AVP 0 101 13\r\n")
    );
    assert_eq!(agreed.payloads.format(101), Some(Format::TelephoneEvent));
    assert_eq!(agreed.payloads.format(13), Some(Format::ComfortNoise));
    assert_eq!(agreed.payloads.format(107), None);

    // Opus of another clock or channel count is not Opus.
    refused(&offer_of("m=audio 5004 RTP/AVP 107\na=rtpmap:107 opus/16000/2\n"));
    refused(&offer_of("m=audio 5004 RTP/AVP 107\na=rtpmap:107 opus/48000/6\n"));
}

/// Our order decides; of one codec twice, the offer's order.
#[test]
fn choice_of_codec() {
    let offer = offer_of("m=audio 5004 RTP/AVP 8 0 98\na=rtpmap:98 PCMU/8000\n");
    assert_eq!(answered(&offer).1.payloads.audio(), Some((0, Codec::Pcmu)));
    let only_a = Local {
        codecs: vec![Codec::Pcma],
        ..local()
    };
    assert_eq!(
        answer(offer.as_bytes(), &only_a).unwrap().1.payloads.audio(),
        Some((8, Codec::Pcma))
    );
    let none = Local {
        codecs: vec![],
        ..local()
    };
    assert!(matches!(answer(offer.as_bytes(), &none), Err(SdpError::NothingFits(_))));
}

/// RFC 3264 §6: every m= line is answered, one stream is taken, the times are repeated.
#[test]
fn several_streams() {
    let offer = offer_of(
        "m=audio 0 RTP/AVP 0\nm=video 5010 RTP/AVP 31 32\na=rtpmap:31 H261/90000\nm=audio 5004 RTP/SAVP 0\n\
         a=crypto:1 AES_CM_128_HMAC_SHA1_80 inline:PS1uQCVeeCFCanVmcjkpPywjNWhcYD0mXXtxaVBR\n\
         m=audio 5006 RTP/AVP 3\nm=audio 5008/2 RTP/AVPF 0\nm=audio 5012 RTP/AVP 8\nm=application 9 UDP/DTLS/SCTP webrtc-datachannel\n",
    )
    .replace("t=0 0\r\n", "t=2873397496 2873404696\r\nr=604800 3600 0 90000\r\n");
    let (lines, agreed) = answered(&offer);
    let m: Vec<&String> = lines.iter().filter(|l| l.starts_with("m=")).collect();
    assert_eq!(
        m,
        [
            "m=audio 0 RTP/AVP 0",
            "m=video 0 RTP/AVP 31",
            "m=audio 0 RTP/SAVP 0",
            "m=audio 0 RTP/AVP 3",
            "m=audio 40000 RTP/AVPF 0",
            "m=audio 0 RTP/AVP 8",
            "m=application 0 UDP/DTLS/SCTP webrtc-datachannel",
        ]
    );
    assert!(has(&lines, "t=2873397496 2873404696"));
    assert_eq!(agreed.remote.unwrap().port(), 5008);
}

#[test]
fn what_does_not_fit() {
    for (streams, why) in [
        ("", "no media stream"),
        ("m=video 5010 RTP/AVP 31\n", "video is not audio"),
        ("m=audio 5004 RTP/SAVP 0\n", "RTP/SAVP"),
        ("m=audio 5004 UDP/TLS/RTP/SAVPF 0\n", "UDP/TLS/RTP/SAVPF"),
        ("m=audio 5004 udp 0\n", "transport udp"),
        ("m=audio 0 RTP/AVP 0\n", "port 0"),
        (
            "m=audio 5004 RTP/AVP 18 101\na=rtpmap:101 telephone-event/8000\n",
            "101 telephone-event/8000",
        ),
        // RFC 8866 §5.7 forms of multicast, and the IPv4 broadcast address.
        (
            "m=audio 5004 RTP/AVP 0\nc=IN IP4 233.252.0.1/127\n",
            "233.252.0.1 is not a unicast address",
        ),
        ("m=audio 5004 RTP/AVP 0\nc=IN IP4 233.252.0.1/127/3\n", "unicast"),
        ("m=audio 5004 RTP/AVP 0\nc=IN IP4 255.255.255.255\n", "unicast"),
        ("m=audio 5004 RTP/AVP 0\nc=IN IP6 ff15::101\n", "unicast"),
        (
            "m=audio 5004 RTP/AVP 0\nc=IN IP6 2001:db8::7\n",
            "another address family",
        ),
        ("m=audio 5004 RTP/AVP 0\nc=ATM NSAP 47.0091\n", "network type"),
        ("m=audio 5004 RTP/AVP 0\nc=IN IP4 999.1.2.3\n", "999.1.2.3"),
    ] {
        let told = refused(&offer_of(streams));
        assert!(told.contains(why), "{told}");
    }
    let no_c = offer_of("m=audio 5004 RTP/AVP 0\n").replace("c=IN IP4 198.51.100.7\r\n", "");
    assert!(refused(&no_c).contains("no c= line"));
}

/// Payload types 64 to 95 look like RTCP on the same port (RFC 5761 §4); above 127 there are none.
#[test]
fn impossible_payload_types() {
    let offer = offer_of(
        "m=audio 5004 RTP/AVP 72 200 x 96\na=rtpmap:72 PCMU/8000\na=rtpmap:200 PCMU/8000\na=rtpmap:96 PCMA/8000\n",
    );
    assert_eq!(answered(&offer).1.payloads.audio(), Some((96, Codec::Pcma)));
}

/// RFC 3264 §8.4, RFC 6157 §6; host names are legal in c= (RFC 8866 §5.7), but nothing here resolves them.
#[test]
fn hold_and_names() {
    for (connection, remote) in [
        ("c=IN IP4 0.0.0.0", None),
        ("c=IN IP6 ::", None),
        ("c=IN IP6 hold.invalid", None),
        ("c=IN IP4 phone.example.com", None),
        ("c=IN IP4 198.51.100.9", Some("198.51.100.9:5004")),
        ("c=IN IP6 ::ffff:198.51.100.9", Some("198.51.100.9:5004")),
    ] {
        let (lines, agreed) = answered(&offer_of(&format!(
            "m=audio 5004 RTP/AVP 0\n{connection}\na=sendonly\n"
        )));
        assert_eq!(agreed.remote, remote.map(|r| r.parse().unwrap()), "{connection}");
        assert_eq!(agreed.direction, Direction::RecvOnly);
        assert!(has(&lines, "m=audio 40000 RTP/AVP 0"), "the stream stays open");
    }
}

#[test]
fn ipv6() {
    let six = Local {
        address: "2001:db8::10".parse().unwrap(),
        ..local()
    };
    let offer = "v=0\no=- 1 1 IN IP6 2001:db8::7\ns=-\nt=0 0\nm=audio 5004 RTP/AVP 0\nc=IN IP6 2001:db8::7\n";
    let (body, agreed) = answer(offer.as_bytes(), &six).unwrap();
    assert_legal(offer, &body);
    let text = String::from_utf8(body).unwrap();
    assert!(
        text.contains("o=- 77 3 IN IP6 2001:db8::10\r\n") && text.contains("c=IN IP6 2001:db8::10\r\n"),
        "{text}"
    );
    assert_eq!(agreed.remote, Some("[2001:db8::7]:5004".parse().unwrap()));
}

#[test]
fn packet_times() {
    for (attributes, time) in [
        ("", 20),
        ("a=ptime:30\n", 30),
        ("a=ptime:60\na=maxptime:40\n", 40),
        ("a=maxptime:10\n", 10),
        ("a=ptime:0\n", 20),
        ("a=ptime:20.5\n", 20),
        ("a=ptime:bogus\n", 20),
        ("a=ptime:4000000000\n", 60),
        ("a=ptime:99999999999999\n", 20),
    ] {
        let (lines, agreed) = answered(&offer_of(&format!("m=audio 5004 RTP/AVP 0\n{attributes}")));
        assert_eq!(agreed.ptime, time, "{attributes}");
        assert!(has(&lines, &format!("a=ptime:{time}")));
    }
    // No 30 ms frames in Opus (RFC 7587 §3.3).
    let (_, agreed) = answered(&offer_of(
        "m=audio 5004 RTP/AVP 96\na=rtpmap:96 opus/48000/2\na=ptime:30\n",
    ));
    assert_eq!(agreed.ptime, 20);
}

/// RFC 5761 §5.1.1: answered when offered, only then.
#[test]
fn rtcp_mux() {
    let (lines, _) = answered(&offer_of("m=audio 5004 RTP/AVP 0\na=rtcp-mux\n"));
    assert!(has(&lines, "a=rtcp-mux"));
    let (lines, _) = answered(&offer_of("m=audio 5004 RTP/AVP 0\n"));
    assert!(!has(&lines, "a=rtcp-mux"));
}

/// Unknown attributes and lines are passed over (RFC 8866 §5); Latin-1 in a title, bare LF, missing o= and s=, spaces.
#[test]
fn lenient_reading() {
    let latin = b"v=0\r\no=J\xf6rg 1 1 IN IP4 h\xf6st\r\ns=Durchsage f\xfcr den Hof\r\ni=\xe4\r\ne=x\r\nb=AS:many\r\nk=clear:\xff\r\n\
        c=IN IP4 198.51.100.7\r\nt=0 0\r\na=tool:\xfc\r\nx=unknown\r\nm=audio 5004 RTP/AVP 0\r\ni=\xff\r\na=candidate:1 1 UDP 2130706431 10.0.1.1 8998 typ host\r\na=\xe9t\xe9\r\n";
    assert!(answer(latin, &local()).is_ok());
    for offer in [
        "\r\n\r\nv=0 \nc=IN IP4 198.51.100.7 \nt=0 0\nm=audio  5004   RTP/AVP  0  8 \na=sendrecv \n\n",
        "v=0\rc=IN IP4 198.51.100.7\rm=audio 5004 RTP/AVP 0\r",
        "v=0\r\nc=IN IP4 198.51.100.7\r\nm=audio 5004 rtp/avp 0\r\na=RTPMAP:0 pcmu/8000",
        "v=0\r\nt=now forever\r\nc=IN IP4 198.51.100.7/24\r\nm=AUDIO 5004 RTP/AVP 0\r\n",
    ] {
        let (body, agreed) = answer(offer.as_bytes(), &local()).unwrap_or_else(|e| panic!("{e}\n{offer}"));
        assert_eq!(agreed.payloads.audio(), Some((0, Codec::Pcmu)));
        assert!(
            String::from_utf8(body).unwrap().contains("t="),
            "t= is required (RFC 8866 §5.9)"
        );
    }
}

#[test]
fn unreadable_bodies() {
    for body in [
        "",
        "hello",
        "v=1\r\n",
        "v=0\r\nm=audio\r\n",
        "v=0\r\nm=audio 99999 RTP/AVP 0\r\n",
        "v=0\r\nnonsense\r\n",
        "v=0\r\nm=audio 5004 RTP/AVP\r\n",
    ] {
        assert!(
            matches!(answer(body.as_bytes(), &local()), Err(SdpError::Unreadable(_))),
            "{body}"
        );
    }
    let many = offer_of(&"m=audio 5004 RTP/AVP 3\n".repeat(65));
    assert!(matches!(
        answer(many.as_bytes(), &local()),
        Err(SdpError::Unreadable(_))
    ));
    let long = offer_of(&format!("m=audio 5004 RTP/AVP 0\na=x:{}\n", "y".repeat(40_000)));
    assert!(matches!(
        answer(long.as_bytes(), &local()),
        Err(SdpError::Unreadable(_))
    ));
    // A control character inside the line number 4: said with the number of the line as it came.
    let Err(SdpError::Unreadable(why)) = answer(b"v=0\r\ns=-\r\nt=0 0\r\nm=audio x RTP/AVP 0\r\n", &local()) else {
        panic!()
    };
    assert!(why.contains('4'), "{why}");
}

/// RFC 3261 §13.2.1: an INVITE without offer gets ours, the ACK holds the answer.
#[test]
fn our_offer() {
    let body = String::from_utf8(offer(&local())).unwrap();
    for line in [
        "o=- 77 3 IN IP4 192.0.2.10",
        "m=audio 40000 RTP/AVP 111 0 8 110 101",
        "a=rtpmap:111 opus/48000/2",
        "a=rtpmap:110 telephone-event/48000",
        "a=rtpmap:101 telephone-event/8000",
        "a=sendrecv",
    ] {
        assert!(body.contains(&format!("\r\n{line}\r\n")), "{line}\n{body}");
    }
    // A peer that reads it with this same code can answer it, and the answer can be read.
    let peer = Local {
        address: "192.0.2.99".parse().unwrap(),
        rtp_port: 6000,
        codecs: vec![Codec::Pcma],
        session_id: 1,
        version: 1,
        ..local()
    };
    let (reply, theirs) = answer(body.as_bytes(), &peer).unwrap();
    assert_legal(&body, &reply);
    let ours = accept(&reply, &local()).unwrap();
    assert_eq!(ours.remote, Some("192.0.2.99:6000".parse().unwrap()));
    assert_eq!(theirs.remote, Some("192.0.2.10:40000".parse().unwrap()));
    assert_eq!(ours.payloads.audio(), Some((8, Codec::Pcma)));
    assert_eq!(ours.payloads.format(101), Some(Format::TelephoneEvent));
    assert_eq!(ours.payloads.format(110), None, "another clock");
    assert_eq!(ours.payloads.format(111), None, "not in the answer");
}

#[test]
fn answers_to_our_offer() {
    let text =
        |media: &str| format!("v=0\r\no=- 1 1 IN IP4 198.51.100.7\r\ns=-\r\nc=IN IP4 198.51.100.7\r\nt=0 0\r\n{media}");
    // RFC 3264 §6.1: the direction is the far end's.
    for (theirs, ours) in [
        ("sendonly", Direction::RecvOnly),
        ("recvonly", Direction::SendOnly),
        ("inactive", Direction::Inactive),
        ("sendrecv", Direction::SendRecv),
    ] {
        let agreed = accept(
            text(&format!("m=audio 5004 RTP/AVP 0\r\na={theirs}\r\n")).as_bytes(),
            &local(),
        )
        .unwrap();
        assert_eq!(agreed.direction, ours);
    }
    // No rtpmap for our own dynamic number; the far end's first codec is the one to send.
    let agreed = accept(text("m=audio 5004 RTP/AVP 8 111 110 101\r\n").as_bytes(), &local()).unwrap();
    assert_eq!(agreed.payloads.audio(), Some((8, Codec::Pcma)));
    assert_eq!(agreed.payloads.format(111), Some(Format::Audio(Codec::Opus)));
    assert_eq!(agreed.payloads.format(101), Some(Format::TelephoneEvent));
    // Other numbers for the way to them: we send theirs, and still take ours (RFC 3264 §6.1).
    let agreed = accept(
        text("m=audio 5004 RTP/AVP 120\r\na=rtpmap:120 opus/48000/2\r\n").as_bytes(),
        &local(),
    )
    .unwrap();
    assert_eq!(agreed.payloads.audio(), Some((120, Codec::Opus)));
    assert_eq!(agreed.payloads.format(111), Some(Format::Audio(Codec::Opus)));
    // Refused.
    for media in ["m=audio 0 RTP/AVP 0\r\n", "m=audio 5004 RTP/AVP 18\r\n", ""] {
        assert!(matches!(
            accept(text(media).as_bytes(), &local()),
            Err(SdpError::NothingFits(_))
        ));
    }
    assert!(matches!(accept(b"?", &local()), Err(SdpError::Unreadable(_))));
}

/// RFC 3264 §8: the streams keep their places, §8.3.2: payload types keep their meaning.
#[test]
fn our_offer_in_a_call() {
    let theirs = offer_of("m=video 5010 RTP/AVP 31\nm=audio 5004 RTP/AVP 101 8\na=rtpmap:101 opus/48000/2\n");
    let (last, _) = answer(theirs.as_bytes(), &local()).unwrap();
    let next = Local { version: 4, ..local() };
    let body = String::from_utf8(offer_again(&next, &last)).unwrap();
    let m: Vec<&str> = body.lines().filter(|l| l.starts_with("m=")).collect();
    assert_eq!(m[0], "m=video 0 RTP/AVP 31");
    assert!(m[1].starts_with("m=audio 40000 RTP/AVP 101 0 8 110 "), "{}", m[1]);
    assert_eq!(m.len(), 2);
    assert!(
        body.contains("a=rtpmap:101 opus/48000/2\r\n") && !body.contains("a=rtpmap:101 telephone-event"),
        "{body}"
    );
    assert!(body.contains("o=- 77 4 IN"));
    assert_eq!(offer_again(&next, b"junk"), offer(&next));
}

mod random;
