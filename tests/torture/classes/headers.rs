//! Headers missing, repeated, spelt oddly, and with values that are none.

use super::*;

/// RFC 3261 §8.1.1: what must be there. Without Via nobody can be answered. RFC 2543 had no Max-Forwards, and a
/// Contact may be done without: the BYE goes back the way the INVITE came.
#[test]
fn missing_one_by_one() {
    for (name, _) in LINES {
        let mut all = lines();
        all.retain(|(n, _)| n != name.as_bytes());
        let wanted: &[u16] = match name {
            "Via" => &[],
            "From" | "To" | "Call-ID" | "CSeq" => &[400],
            _ => &[200],
        };
        assert_eq!(status(invite(&all, OFFER.as_bytes())), wanted, "without {name}");
    }
    // Content-Type is only needed where the body is not plainly a description.
    let mut all = lines();
    all.retain(|(n, _)| n != b"Content-Type");
    assert_eq!(status(invite(&all, b"hello")), [415]);
}

/// RFC 3261 §7.3.1: a header that is no list may stand once. Where we depend on it, two are 400; a list may go on in
/// another line; what we do not read may say what it likes.
#[test]
fn repeated_one_by_one() {
    for (name, value) in LINES {
        let wanted = match name {
            "Via" | "Contact" | "Record-Route" => 200,
            _ => 400,
        };
        for other in [value, &value.replace("plank", "board").replace("70", "69")] {
            let mut all = lines();
            all.push((name.to_ascii_lowercase().into_bytes(), other.as_bytes().to_vec()));
            assert_eq!(status(invite(&all, OFFER.as_bytes())), [wanted], "{name} twice");
        }
    }
    for name in [
        "Subject",
        "User-Agent",
        "Date",
        "Organization",
        "Server",
        "X-Yard",
        "Reply-To",
    ] {
        let mut all = lines();
        for value in ["one", "two"] {
            all.push((name.into(), value.into()));
        }
        assert_eq!(status(invite(&all, OFFER.as_bytes())), [200], "{name} twice");
    }
}

/// Parameters that identify something must not say two things.
#[test]
fn repeated_parameters() {
    for (name, value) in [
        ("From", "<sip:tally@quayside.example>;tag=a;tag=b"),
        ("From", "<sip:tally@quayside.example>;tag=a;TAG=a"),
        ("To", "<sip:600@quayside.example>;tag=a;tag=b"),
        ("Via", "SIP/2.0/UDP 192.0.2.10;branch=z9hG4bK1;branch=z9hG4bK2"),
    ] {
        assert_eq!(status(with(name, value)), [400], "{value}");
    }
}

/// RFC 3261 §7.3.1: white space may be folded wherever it may stand, names come in any case and in compact form.
#[test]
fn folded_everywhere() {
    let fold = |value: &[u8], with: &[u8]| {
        let pieces: Vec<&[u8]> = value.split(|b| *b == b' ').collect();
        pieces.join(with)
    };
    let folds: [&[u8]; 6] = [b"\r\n ", b"\r\n\t", b" \r\n  \t ", b"\t", b"    ", b"\r\n \r\n "];
    for with in folds {
        for only in 0..=LINES.len() {
            let mut all = lines();
            for (i, (_, value)) in all.iter_mut().enumerate() {
                // Quoted space is content, but folding it is allowed too.
                if only == LINES.len() || i == only {
                    *value = fold(value, with);
                    value.splice(0..0, with.iter().copied());
                    value.extend_from_slice(with);
                }
            }
            let octets = invite(&all, OFFER.as_bytes());
            assert_eq!(status(&octets), [200], "{with:?} in line {only}");
            assert_eq!(by_stream(&octets, 3), (vec![200], 0), "{with:?} in line {only}");
        }
    }
    // Not before the first header.
    let text = String::from_utf8(invite(&lines(), OFFER.as_bytes())).unwrap();
    assert_eq!(status(text.replacen("\r\nVia", "\r\n X-Yard: 1\r\nVia", 1)), [400]);
}

#[test]
fn names_of_any_spelling() {
    let compact = [
        ("Via", "v"),
        ("From", "f"),
        ("To", "t"),
        ("Call-ID", "i"),
        ("Contact", "m"),
        ("Content-Type", "c"),
    ];
    for spell in [str::to_ascii_lowercase, str::to_ascii_uppercase] {
        for space in ["", " ", "\t", "   \t "] {
            let mut all = lines();
            for (name, _) in &mut all {
                let full = String::from_utf8(name.clone()).unwrap();
                let short = compact
                    .iter()
                    .find(|(f, _)| *f == full)
                    .map_or(full.as_str(), |(_, s)| s);
                *name = (spell(short) + space).into_bytes();
            }
            let text = String::from_utf8(invite(&all, OFFER.as_bytes())).unwrap();
            for length in ["l", "L", "CONTENT-LENGTH", "l \t"] {
                let text = text.replace("Content-Length", length);
                assert_eq!(status(&text), [200], "{text}");
                assert_eq!(by_stream(text.as_bytes(), 2), (vec![200], 0));
            }
        }
    }
    // What is no token is no name (RFC 3261 §25.1 `header-name`).
    for name in ["", "X Y", "X(", "X\0", "\u{e4}", "X\"", "X/", "[X]"] {
        let mut all = lines();
        all.push((name.into(), b"1".to_vec()));
        assert_eq!(status(invite(&all, OFFER.as_bytes())), [400], "{name:?}");
    }
    // Names that nobody knows are passed over whatever they say.
    for value in [
        "",
        ";;,,;;,;",
        "\"",
        "<",
        "\\",
        "\u{1}\u{7f}",
        "%zz",
        "=?utf-8?q?x?=",
        ": :",
    ] {
        assert_eq!(status(with("X-Yard", value)), [200], "{value:?}");
    }
}

/// RFC 3261 §8.1.1.5, §20.16, §20.22, §20.8: values one by one.
#[test]
fn values() {
    let mut faults = Vec::new();
    for (name, good, bad) in [
        (
            "CSeq",
            &[
                "0 INVITE",
                "2147483647 INVITE",
                "0000000000000000000000001 INVITE",
                "1\tINVITE",
                "1   INVITE",
            ][..],
            &[
                "2147483648 INVITE",
                "4294967296 INVITE",
                "4294967297 INVITE",
                "18446744073709551617 INVITE",
                "99999999999999999999999999999999999999 INVITE",
                "-1 INVITE",
                "+1 INVITE",
                "1.0 INVITE",
                "0x1 INVITE",
                "one INVITE",
                "1INVITE",
                "1",
                "INVITE",
                "INVITE 1",
                "1 INVITE x",
                "1 INVITE, 2 INVITE",
                "1 invite",
                "1 OPTIONS",
                "1 IN(VITE",
                "\u{661} INVITE",
                "",
            ][..],
        ),
        (
            "Max-Forwards",
            &["0", "1", "255", "070"],
            &[
                "-1",
                "256",
                "4294967295",
                "99999999999999999999",
                "7 0",
                "7,0",
                "70;x",
                "x",
                "",
            ],
        ),
        (
            "Call-ID",
            &[
                "a",
                "a@b",
                "%ZK-!.*_+'@word`~)(><:\\/\"][?}{",
                "a=b",
                "@",
                "f81d4fae-7dec@foo.bar.com",
            ],
            &["", "a b", "a\tb", "a\0b", "a\u{7f}b", "a\u{1b}[31mb"],
        ),
        (
            "From",
            &[
                "sip:a@b;tag=1",
                "<sip:a@b>",
                "<sip:a@b> ; tag = 1",
                "\"\" <sip:a@b>;tag=1",
                "\"\\\"\\\\\" <sip:a@b>;tag=1",
                "\"a;tag=2,<>\" <sip:a@b>;tag=1",
                "Säge <sip:a@b>;tag=1",
                "A. B. C <sip:a@b>;tag=1",
                "<sip:b>;tag=1",
                "<sip:a@b;user=phone?Subject=x>;tag=1",
                "<tel:+1-555-0100;ext=7>;tag=1",
                "<im:a@b>;tag=1",
                "<sips:a@b>;tag=1;x=\"y;z\";w",
                "<sip:a%00b@c>;tag=1",
                "<sip:anonymous@anonymous.invalid>;tag=1",
                "<sip:a@[2001:db8::1]:5070>;tag=1",
                "<sip:a@[::ffff:192.0.2.1]>;tag=1",
            ],
            &[
                "",
                "a",
                "<>",
                "<sip:a@b",
                "sip:a@b>",
                "\"a <sip:a@b>;tag=1",
                "a\" <sip:a@b>;tag=1",
                "<sip:a@b>;",
                "<sip:a@b>;;tag=1",
                "<sip:a@b>;tag=",
                "<sip:a@b>;tag=1 2",
                "<sip:a@b>;tag=\"1",
                "<sip:a@b>;tag=\"1\"2",
                "<sip:a@b>;=1",
                "<sip:a@b>;t@g=1",
                "<sip:a@b> tag=1",
                "<sip:a@b>, <sip:c@d>",
                "<sip:a b@c>;tag=1",
                "< sip:a@b>;tag=1",
                "<sip:a@b >;tag=1",
                "<<sip:a@b>>;tag=1",
                "<sip:a@>;tag=1",
                "<sip:a@b:x>;tag=1",
                "<sip:a@b:70000>;tag=1",
                "<sip:a@fe80::1>;tag=1",
                "<sip:a@[fe80::1%25eth0]>;tag=1",
                "sip:a@b?Subject=x;tag=1",
                "<a@b>;tag=1",
                "<1:a@b>;tag=1",
            ],
        ),
        (
            "Via",
            &[
                "SIP/2.0/UDP 192.0.2.10;branch=z9hG4bK1",
                "sip/2.0/udp 192.0.2.10;BRANCH=z9hG4bK1",
                "SIP / 2.0 / UDP 192.0.2.10 : 5060 ; branch = z9hG4bK1",
                "SIP/2.0/X-BARGE relay.quayside.example:1;branch=z9hG4bK1",
                "SIP/2.0/UDP [2001:db8::1]:5060;branch=z9hG4bK1",
                "SIP/2.0/UDP [::ffff:192.0.2.10];branch=z9hG4bK1",
                "SIP/2.0/UDP 192.0.2.10",
                "SIP/2.0/UDP 192.0.2.10;branch=z9hG4bK",
                "SIP/2.0/UDP 192.0.2.10;branch=1",
                "SIP/2.0/UDP 192.0.2.10;rport;branch=z9hG4bK1;received=192.0.2.99;ttl=1;maddr=224.0.1.75",
                "SIP/2.0/UDP 192.0.2.10;branch=z9hG4bK1;x=\"a,b;c\"",
                "SIP/2.0/UDP 192.0.2.10:0;branch=z9hG4bK1",
                "SIP/2.0/UDP 255.255.255.255;branch=z9hG4bK1",
                "SIP/2.0/UDP a, SIP/2.0/UDP b , SIP/2.0/UDP c",
                "SIP/2.0/UDP a,",
                "SIP/2.0/UDP unknown_host.;branch=z9hG4bK1;rport=",
            ][..15],
            &[
                "",
                "SIP/2.0/UDP",
                "SIP/2.0 192.0.2.10",
                "SIP/2.0/UDP;branch=z9hG4bK1",
                "HTTP/1.1/TCP 192.0.2.10",
                "SIP/2.0/U(P 192.0.2.10",
                "SIP//UDP 192.0.2.10",
                "SIP/2.0/UDP 192.0.2.10:x",
                "SIP/2.0/UDP 192.0.2.10:65536",
                "SIP/2.0/UDP 192.0.2.10:",
                "SIP/2.0/UDP 192.0.2.10 192.0.2.11",
                "SIP/2.0/UDP 2001:db8::1",
                "SIP/2.0/UDP [2001:db8::1",
                "SIP/2.0/UDP [fe80::1%eth0]",
                "SIP/2.0/UDP 192.0.2.10;branch=",
                "SIP/2.0/UDP 192.0.2.10;;branch=z9hG4bK1",
                "SIP/2.0/UDP 192.0.2.10;branch=z9hG4bK1 x",
                "SIP/2.0/UDP 192.0.2.10;x=\"a",
                ",SIP/2.0/UDP 192.0.2.10",
                ";;,;,,",
            ],
        ),
        (
            "Contact",
            &[
                "<sip:a@192.0.2.10>",
                "sip:a@192.0.2.10;expires=99999999999999999999",
                "<sip:a@192.0.2.10>;expires=\"Sat, 01 Dec 2040 16:00:00 GMT\"",
                "\"\" <sip:192.0.2.10?Route=%3Csip:x%3E>;q=9.9",
                "<mailto:tally@quayside.example>",
                "<sip:a@192.0.2.10>, \"B, b\" <sip:b@192.0.2.10>",
            ],
            &[
                "*",
                "*, <sip:a@b>",
                "<sip:a@b>, *",
                "sip:a@b?x=y",
                "<sip:a@b>;;;;",
                "\"x",
                "x",
                "<sip:a@b> x",
            ],
        ),
        (
            "Record-Route",
            &[
                "<sip:192.0.2.7;lr>",
                "<sip:192.0.2.7;lr>,,<sip:x;lr>",
                "<sip:[2001:db8::7]:5070;lr;x=y>;z=w",
            ],
            &["<sip:192.0.2.7;lr", "sip:192.0.2.7?x=y", "\"<sip:192.0.2.7;lr>", "x"],
        ),
        (
            "Date",
            &[
                "Sat, 13 Nov 2010 23:29:00 GMT",
                "Fri, 01 Jan 2010 16:00:00 EST",
                "2010-11-13T23:29:00Z",
                "yesterday",
                "99 Foo 99999 99:99:99",
                "",
            ],
            &[],
        ),
        ("Timestamp", &["54", "54.1 0.2", "-1", "x"], &[]),
        (
            "Session-Expires",
            &[
                "1800",
                "1800;refresher=uac",
                "1800 ; refresher=uas;x",
                "90",
                "0001800",
                "4294967295",
            ],
            &["", "x", "-1", "1800;", "1800 x", "1800, 1800", "1800;refresher="],
        ),
        ("Min-SE", &["90", "90;x=y", "1800"], &["", "x", "-1"]),
        ("Answer-Mode", &["Auto", "Manual", "auto;require", "x(y", ""], &[]),
        ("Priority", &["emergency", "non-urgent", "no such", ""], &[]),
        ("Resource-Priority", &["ets.0", "x.y", "x", ""], &[]),
        ("P-Asserted-Identity", &["<sip:a@b>", "x", "\"", ""], &[]),
        ("Expires", &["0000300", "99999999999999999999", "-1", "soon"], &[]),
        ("Supported", &["", ",", "100rel,,timer", "x(y"], &[]),
        (
            "Authorization",
            &["", "Digest", "Digest username=\"", "Nobody knows, this=\"scheme\""],
            &[],
        ),
        ("Route", &["<sip:192.0.2.50;lr>", "<sip:192.0.2.50", "x"], &[]),
        (
            "Content-Disposition",
            &["session", "session;handling=required", "render;handling=optional"],
            &[],
        ),
    ] {
        for (values, wanted) in [(good, 200), (bad, 400)] {
            for value in values {
                let got = status(with(name, value));
                if got != [wanted] {
                    faults.push(format!("{name}: {value}: {got:?} instead of {wanted}"));
                }
            }
        }
    }
    assert!(faults.is_empty(), "\n{}\n", faults.join("\n"));
}

/// RFC 3261 §8.2.2.3, §20.1.
#[test]
fn demands() {
    for (name, value, wanted) in [
        ("Require", "nothing-like-this", 420),
        ("Require", "nothing, \u{e4}, \"x", 400),
        ("Require", "", 200),
        ("Require", ",", 200),
        ("Accept", "application/sdp", 200),
        ("Accept", "APPLICATION / SDP ; level=1", 200),
        ("Accept", "text/plain, */*;q=0.1", 200),
        ("Accept", "application/*", 200),
        ("Accept", "", 406),
        ("Accept", "text/plain", 406),
        ("Accept", "application/sdp;q=0.0, text/plain", 406),
        ("Accept-Encoding", "x-nothing", 200),
        ("Accept-Language", "x-nothing", 200),
    ] {
        assert_eq!(status(with(name, value)), [wanted], "{name}: {value}");
    }
}

/// Any octet anywhere in any header: one answer, never two, never a line of its own making.
#[test]
fn any_octet_in_any_header() {
    for (i, (name, _)) in LINES.iter().enumerate() {
        for octet in 0..=255u8 {
            for place in 0..3 {
                let mut all = lines();
                let value = &mut all[i].1;
                let at = [0, value.len() / 2, value.len()][place];
                value.insert(at, octet);
                let octets = invite(&all, OFFER.as_bytes());
                let mut world = World::new();
                world.datagram(PEER, &octets);
                let finals = world.finals();
                // A line feed makes two lines of one; then a header may be missing, and without Via nobody is asked.
                assert!(
                    finals.len() == 1 || octet == b'\n' && *name == "Via",
                    "{name} with {octet:#x} at {at}: {finals:?}"
                );
                for status in finals {
                    assert!(
                        [200, 400, 415, 481, 501].contains(&status),
                        "{name} with {octet:#x}: {status}"
                    );
                }
                for (_, message) in world.answers() {
                    for header in message.headers() {
                        let known = [
                            "Via",
                            "From",
                            "To",
                            "Call-ID",
                            "CSeq",
                            "Contact",
                            "Record-Route",
                            "Content-Type",
                            "Content-Length",
                            "Allow",
                            "Supported",
                            "Server",
                            "Accept",
                            "Timestamp",
                            "Accept-Encoding",
                            "Session-Expires",
                            "Min-SE",
                            "Require",
                            "Unsupported",
                            "Retry-After",
                            "RSeq",
                        ];
                        let name = String::from_utf8_lossy(&header.name);
                        assert!(known.contains(&name.as_ref()), "{name} of nowhere");
                    }
                }
            }
        }
    }
}
