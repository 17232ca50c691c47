//! Messages of our own making after the classes of RFC 4475 and RFC 5118.

use super::*;

fn read(text: impl AsRef<[u8]>) -> Message {
    Message::read(text.as_ref(), Carrier::Datagram).unwrap()
}

fn request(text: impl AsRef<[u8]>) -> Result<Request, Fault> {
    Request::read(read(text)).map_err(|e| e.0)
}

/// A plain request with one line replaced or added.
fn with(line: &str) -> String {
    let name = line.split(':').next().unwrap().trim().to_ascii_lowercase();
    let mut out = String::from("OPTIONS sip:600@192.0.2.50 SIP/2.0\r\n");
    for usual in [
        "Via: SIP/2.0/UDP 192.0.2.10;branch=z9hG4bK1",
        "Max-Forwards: 70",
        "From: <sip:201@quayside.example>;tag=f",
        "To: <sip:600@192.0.2.50>",
        "Call-ID: one",
        "CSeq: 1 OPTIONS",
    ] {
        if !usual.to_ascii_lowercase().starts_with(&format!("{name}:")) {
            out += usual;
            out += "\r\n";
        }
    }
    out + line + "\r\n\r\n"
}

fn status(text: impl AsRef<[u8]>) -> u16 {
    request(text).map_or_else(|f| f.status, |_| 200)
}

/// RFC 4475 §3.1.1.1: folding, odd case, compact and long names, spaces around everything.
#[test]
fn tortuous() {
    let text = "INVITE sip:600@192.0.2.50;unknown SIP/2.0\r\n\
        tO :\r\n sip:600@192.0.2.50 ;\r\n\t  tag    = abc\r\n\
        f   : \"Kiln \\\\\\\" two\"   <sip:kiln@quayside.example>\r\n  ;\r\n  tag = xyz\r\n\
        mAX-fORWARDS: 0068\r\n\
        i: tortuous.1@192.0.2.10\r\n\
        l   : 4\r\n\
        CSEQ: 0009\r\n  INVITE\r\n\
        Via  : SIP  /   2.0\r\n /UDP\r\n    192.0.2.2;branch=old-style\r\n\
        s :\r\n\
        Odd-Header: ;;,,;;,;\r\n\
        v:  SIP  / 2.0  / TCP     mill.example   ;\r\n  branch  =   z9hG4bK9 ,\r\n SIP / 2.0 / UDP 192.0.2.9 ; branch= z9hG4bK3\r\n\
        m:\"Quoted \\\"\\\"\" <sip:kiln@192.0.2.2> ; new =\r\n  value ;\r\n second ; q = 0.33\r\n\r\nbody";
    let r = request(text).unwrap();
    assert_eq!(r.to.tag(), Some(&b"abc"[..]));
    assert_eq!(r.from.tag(), Some(&b"xyz"[..]));
    assert_eq!(r.from.display, b"Kiln \\\" two");
    assert_eq!((r.cseq, r.max_forwards), (9, Some(68)));
    assert_eq!(r.call_id, b"tortuous.1@192.0.2.10");
    assert_eq!(r.via.transport, b"UDP");
    assert_eq!(r.via.branch(), None);
    assert_eq!(r.message.list("Via").unwrap().len(), 3);
    assert_eq!(r.contact.unwrap().params.value("q"), Some(&b"0.33"[..]));
    assert_eq!(r.message.body, b"body");
    assert_eq!(r.message.first("Subject"), Some(&b""[..]));
}

/// §3.1.1.2, §3.1.1.5: any token is a method, and case and escapes make another one.
#[test]
fn methods() {
    let odd = "!odd-Method0123456789_*+`.%indeed'~";
    let text = with(&format!("CSeq: 1 {odd}")).replace("OPTIONS sip", &format!("{odd} sip"));
    assert_eq!(request(text).unwrap().method, RequestLine::Unknown(odd.into()));
    for other in ["RE%47ISTER", "options", "Invite"] {
        let text = with(&format!("CSeq: 1 {other}")).replace("OPTIONS sip", &format!("{other} sip"));
        assert_eq!(request(text).unwrap().method, RequestLine::Unknown(other.into()));
    }
    assert!(
        request(with("CSeq: 1 OPTIONS"))
            .unwrap()
            .method
            .is(rsip::Method::Options)
    );
}

/// §3.1.1.2, §3.1.1.3, §3.1.1.4, §3.1.1.9: users with escapes, NULs, semicolons, question marks, passwords.
#[test]
fn users() {
    for (uri, user) in [
        (
            "sip:1_x~(to-be!sure)&isn't+it$/crazy?,/;;*:pass$wo~d@example.com",
            &b"1_x~(to-be!sure)&isn't+it$/crazy?,/;;*"[..],
        ),
        ("sip:sips%3Auser%40example.com@example.net", b"sips:user@example.com"),
        ("sip:null-%00-null@example.com", b"null-\0-null"),
        ("sip:user;par=u%40example.net@example.com", b"user;par=u@example.net"),
        ("SIP:%36%30%30@host", b"600"),
        ("sip:100%@host", b"100%"),
    ] {
        let Uri::Sip(read) = Uri::read(uri.as_bytes()).unwrap() else {
            panic!("{uri}");
        };
        assert_eq!(read.user_name().as_deref(), Some(user), "{uri}");
    }
}

/// §3.1.1.6: no space between display name and bracket; names without quotes that need them (§3.1.2.15).
#[test]
fn display_names() {
    for (value, name) in [
        ("caller<sip:a@b>;tag=1", &b"caller"[..]),
        ("\"\"<sip:a@b>", b""),
        ("Bell, Alexander <sip:a@b>", b"Bell, Alexander"),
        ("\"a <b> ; \\\" , c\" <sip:a@b>", b"a <b> ; \" , c"),
        ("\"BEL:\\\x07 NUL:\\\0\" <sip:a@b>", b"BEL:\x07 NUL:\0"),
    ] {
        assert_eq!(Address::read(value.as_bytes()).unwrap().display, name, "{value:?}");
    }
}

/// Without brackets the parameters are the header's (RFC 3261 §20).
#[test]
fn bare_addresses() {
    let a = Address::read(b"sip:a@b;user=phone ; tag=1").unwrap();
    assert_eq!(a.raw_uri, b"sip:a@b");
    assert!(a.params.has("user") && a.tag() == Some(b"1"));
    let a = Address::read(b"<sip:a@b;user=phone?x=y>;tag=1").unwrap();
    assert!(a.uri.sip().unwrap().headers && !a.params.has("user"));
    // §3.1.2.13.
    assert!(Address::read(b"sip:a@b?Route=%3Csip:c%3E").is_err());
}

/// §3.1.1.7: long values; the datagram is the limit.
#[test]
fn long_values() {
    let long = "x".repeat(20_000);
    let r = request(with(&format!("To: \"{long}\" <sip:{long}@192.0.2.50>"))).unwrap();
    assert_eq!(r.to.display.len(), 20_000);
    let vias: String = (0..34)
        .map(|i| format!("Via: SIP/2.0/SCTP h{i};branch=z9hG4bK{i}\r\n"))
        .collect();
    assert_eq!(
        status(with("X: y").replace("Max-Forwards", &format!("{vias}Max-Forwards"))),
        200
    );
}

/// §3.1.1.8: octets beyond Content-Length are another matter. §3.1.1.11: bodies keep every octet.
#[test]
fn bodies() {
    let mut text = with("Content-Length: 5").into_bytes();
    text.extend_from_slice(b"\0\xff\r\n\x80INVITE sip:x@y SIP/2.0\r\n\r\n");
    assert_eq!(request(text).unwrap().message.body, b"\0\xff\r\n\x80");
    // Without Content-Length the datagram's end (RFC 3261 §20.14).
    assert_eq!(request(with("X: y") + "rest").unwrap().message.body, b"rest");
}

/// §3.1.1.10: transports of any name in Via.
#[test]
fn transports() {
    for (value, transport, port) in [
        ("SIP/2.0/TLS t1.example;branch=z9hG4bKa", &b"TLS"[..], None),
        ("SIP/2.0/unknown t1.example:9;branch=z9hG4bKa", b"UNKNOWN", Some(9)),
        ("sip / 2.0 / UDP [2001:db8::9:1] : 5070 ;rport", b"UDP", Some(5070)),
    ] {
        let via = Via::read(value.as_bytes()).unwrap();
        assert_eq!((via.transport.as_slice(), via.port), (transport, port));
    }
}

/// §3.1.1.12, §3.1.1.13: any reason phrase, or none.
#[test]
fn responses() {
    let rest = "Via: SIP/2.0/UDP 192.0.2.50;branch=z9hG4bK77\r\nCSeq: 35 REGISTER\r\n\r\n";
    for line in [
        "SIP/2.0 200 = 2**3 * 5**2 \u{43d}\u{43e} \u{441}\u{442}\u{43e}",
        "SIP/2.0 100 ",
        "sip/2.0 486",
        "SIP/2.0 200 \u{ff}",
    ] {
        let response = Response::read(read(format!("{line}\r\n{rest}"))).unwrap();
        assert_eq!(response.branch, b"z9hG4bK77");
    }
    // §3.1.2.19 and others that are no status.
    for line in [
        "SIP/2.0 4294967301 OK",
        "SIP/2.0 099 No",
        "SIP/2.0 700 No",
        "SIP/2.0 2x0 No",
        "SIP/3.0 200 OK",
    ] {
        assert!(Message::read(format!("{line}\r\n{rest}").as_bytes(), Carrier::Datagram).is_none());
    }
    // §3.1.2.5: a CSeq out of range is dropped. RFC 3261 §8.1.3.3: so is one with two Vias.
    let text = format!("SIP/2.0 200 OK\r\n{rest}");
    assert!(Response::read(read(text.replace("35", "9292394834772304023312"))).is_none());
    assert!(
        Response::read(read(
            text.replace("z9hG4bK77", "z9hG4bK77, SIP/2.0/UDP a;branch=z9hG4bK1")
        ))
        .is_none()
    );
    assert!(Response::read(read(text.replace("z9hG4bK77", "other"))).is_none());
}

/// Octets that are no UTF-8 stay as they are: a Latin-1 name in From.
#[test]
fn latin_1() {
    let text: Vec<u8> = with("From: \"S\u{e4}ge\" <sip:201@quayside.example>;tag=f")
        .chars()
        .map(|c| u8::try_from(u32::from(c)).unwrap())
        .collect();
    let r = request(text).unwrap();
    assert_eq!(r.from.display, b"S\xe4ge");
    assert_eq!(display(&r.from.display, 10), "S\u{e4}ge");
    assert!(r.message.first("From").unwrap().contains(&0xe4));
}

#[test]
fn shown_text_is_harmless_and_bounded() {
    assert_eq!(display("a\u{202e}b\x1b[2Jc\r\nd\u{85}".as_bytes(), 100), "ab[2Jcd");
    assert_eq!(display("\u{e9}\u{e9}\u{e9}".as_bytes(), 2), "\u{e9}\u{e9}");
}

/// RFC 4475 §3.1.2: what is broken gets 400.
#[test]
fn broken_headers() {
    for line in [
        // §3.1.2.1: separators without anything between them.
        "Via: SIP/2.0/UDP 192.0.2.15;;,;,,",
        "Contact: \"Joe\" <sip:joe@example.org>;;;;",
        // §3.1.2.2, §3.1.2.3.
        "Content-Length: 9999",
        "Content-Length: -999",
        "Content-Length: 4x",
        // §3.1.2.4.
        "CSeq: 36893488147419103232 OPTIONS",
        "CSeq: 2147483648 OPTIONS",
        "Max-Forwards: 300",
        "Max-Forwards: many",
        // §3.1.2.6.
        "To: \"Mr. J. User <sip:j.user@example.com>",
        "To: <sip:j.user@example.com",
        // §3.1.2.13, §3.1.2.14.
        "Contact: sip:user@example.com?Route=%3Csip:sip.example.com%3E",
        "To: \"Watson\" < sip:t.watson@example.org >",
        // §3.1.2.17.
        "CSeq: 8 INVITE",
        "CSeq: OPTIONS",
        "CSeq: 8",
        "Call-ID: a b",
        "Call-ID:",
        "From: nobody",
        "To: <sip:>",
        "To: <sip:@host>",
        "To: <sip:a@host:port>",
        "To: <sip:a@host:70000>",
        "Via: SIP/2.0/UDP",
        "Via: HTTP/1.1/UDP 192.0.2.10",
        "Record-Route: <sip:192.0.2.7;lr",
        "no colon here",
        "bad name : x",
        "\u{e4}: x",
    ] {
        assert_eq!(status(with(line)), 400, "{line}");
    }
    // RFC 5118 §4.2: IPv6 without brackets.
    assert_eq!(
        status(with("X: y").replace("sip:600@192.0.2.50 ", "sip:2001:db8::10 ")),
        400
    );
}

/// §3.3.1: missing; §3.3.8: repeated; §3.3.9: two lengths that differ. Two that agree are one.
#[test]
fn missing_and_repeated() {
    for name in ["Via", "From", "To", "Call-ID", "CSeq"] {
        let text = with("X: y");
        let line = text.split("\r\n").find(|l| l.starts_with(&format!("{name}:"))).unwrap();
        assert_eq!(status(text.replace(&format!("{line}\r\n"), "")), 400, "without {name}");
        if name != "Via" {
            assert_eq!(
                status(text.replace(line, &format!("{line}\r\n{line}"))),
                400,
                "{name} twice"
            );
        }
    }
    assert_eq!(status(with("Max-Forwards: 70\r\nMax-Forwards: 5")), 400);
    assert_eq!(status(with("Content-Length: 1\r\nl: 2") + "xy"), 400);
    assert_eq!(status(with("Content-Length: 2\r\nl: 2") + "xy"), 200);
    // RFC 2543 peers send none (§3.4.1).
    assert_eq!(status(with("X: y").replace("Max-Forwards: 70\r\n", "")), 200);
}

/// §3.1.2.7 to §3.1.2.11, §3.1.2.16: the request line.
#[test]
fn request_lines() {
    let line = |new: &str| with("X: y").replace("OPTIONS sip:600@192.0.2.50 SIP/2.0", new);
    for (new, expected) in [
        ("OPTIONS <sip:600@192.0.2.50> SIP/2.0", 400),
        ("OPTIONS sip:600@192.0.2.50; lr SIP/2.0", 400),
        ("OPTIONS  sip:600@192.0.2.50  SIP/2.0", 400),
        ("OPTIONS sip:600@192.0.2.50 SIP/2.0  ", 400),
        ("OPTIONS sip:600@192.0.2.50?Route=x SIP/2.0", 400),
        ("OPTIONS 600 SIP/2.0", 400),
        ("OPTIONS  SIP/2.0", 400),
        ("OPT(IONS sip:600@192.0.2.50 SIP/2.0", 400),
        ("OPTIONS sip:600@192.0.2.50 SIP/2.x", 400),
        ("OPTIONS sip:600@192.0.2.50 SIP/7.0", 505),
        ("OPTIONS sip:600@192.0.2.50 SIP/2.1", 505),
        ("OPTIONS sip:600@192.0.2.50 sip/2.0", 200),
        ("OPTIONS foreign:opaque SIP/2.0", 200),
        ("OPTIONS soap.beep://192.0.2.103:3002 SIP/2.0", 200),
    ] {
        assert_eq!(status(line(new)), expected, "{new}");
    }
    for new in [
        "GET / HTTP/1.1",
        "",
        "\0\x01\0\x08\x21\x12A\x42",
        "OPTIONS sip:600@192.0.2.50",
    ] {
        assert!(
            Message::read(line(new).trim_start().as_bytes(), Carrier::Datagram).is_none_or(|m| {
                // Without its first line the rest begins with a header.
                matches!(m.start, Start::Request { .. }) && m.fault.is_some()
            })
        );
    }
    // Empty lines before the start (RFC 3261 §7.5).
    assert_eq!(status("\r\n\r\n".to_owned() + &with("X: y")), 200);
    // Cut before the empty line.
    assert_eq!(status(with("X: y").trim_end()), 400);
    // Bare LF is understood.
    assert_eq!(status(with("X: y").replace("\r\n", "\n")), 200);
}

/// RFC 5118 §4.1, §4.3 to §4.5, §4.10.
#[test]
fn ipv6_hosts() {
    let ip = |text: &str| match Uri::read(text.as_bytes()).unwrap() {
        Uri::Sip(SipUri {
            host: Host::Ip(ip),
            port,
            ..
        }) => (ip.to_string(), port),
        other => panic!("{other:?}"),
    };
    assert_eq!(ip("sip:[2001:db8::10]"), ("2001:db8::10".into(), None));
    assert_eq!(ip("sip:u@[2001:db8::10:5070]"), ("2001:db8::10:5070".into(), None));
    assert_eq!(ip("sip:u@[2001:db8::10]:5070;lr"), ("2001:db8::10".into(), Some(5070)));
    assert_eq!(ip("sip:u@[::ffff:192.0.2.1]"), ("::ffff:192.0.2.1".into(), None));
    assert_eq!(ip("sip:u@[2001:db8:::192.0.2.1]"), ("2001:db8::c000:201".into(), None));
    for value in ["received=[2001:db8::9:255]", "received=2001:db8::9:255"] {
        let via = Via::read(format!("SIP/2.0/UDP [2001:db8::9:1];{value};branch=z9hG4bKas3").as_bytes()).unwrap();
        assert_eq!(via.branch(), Some(&b"z9hG4bKas3"[..]));
    }
    let source = "[2001:db8::9]:5062".parse().unwrap();
    assert_eq!(
        reply_via(b"SIP/2.0/UDP [2001:db8::1];rport;branch=z9hG4bK1", source),
        b"SIP/2.0/UDP [2001:db8::1];rport=5062;branch=z9hG4bK1;received=2001:db8::9"
    );
}

/// RFC 3261 §18.2.1, RFC 3581 §4: only the topmost element changes, and a forged `received` goes.
#[test]
fn via_goes_back() {
    let source = "192.0.2.1:9988".parse().unwrap();
    for (given, expected) in [
        ("SIP/2.0/UDP 192.0.2.1;branch=a", "SIP/2.0/UDP 192.0.2.1;branch=a"),
        (
            "SIP/2.0/UDP pc33.example;branch=a",
            "SIP/2.0/UDP pc33.example;branch=a;received=192.0.2.1",
        ),
        (
            "SIP / 2.0 / UDP h ; RPort ; x=\"a;rport\" ;received=1.2.3.4 , SIP/2.0/UDP b;rport",
            "SIP / 2.0 / UDP h ;rport=9988; x=\"a;rport\" ;received=192.0.2.1 , SIP/2.0/UDP b;rport",
        ),
    ] {
        let out = reply_via(given.as_bytes(), source);
        assert_eq!(String::from_utf8_lossy(&out), expected);
    }
}

/// What is read of a parameter is what is sent back of it: brackets do not hide a semicolon.
#[test]
fn brackets_in_a_via_hide_nothing() {
    let value = b"SIP/2.0/UDP h;received=2001:db8::9<5;branch=z9hG4bK1>6";
    assert!(Via::read(value).is_err());
    assert_eq!(reply_via(value, "192.0.2.1:5060".parse().unwrap()), value);
}

/// RFC 3581 §4: one port. A parameter that is written many times does not make the answer longer than the question.
#[test]
fn a_port_is_asked_for_once() {
    let value = b"SIP/2.0/UDP h;rport;branch=z9hG4bK1;RPORT;rport=7;received=x;rport , SIP/2.0/TCP b;rport";
    assert_eq!(
        reply_via(value, "192.0.2.1:5062".parse().unwrap()),
        b"SIP/2.0/UDP h;rport=5062;branch=z9hG4bK1;received=192.0.2.1 , SIP/2.0/TCP b;rport"
    );
}

#[test]
fn lists() {
    let elements = split_list(b"<sip:a,b@c>;x=\"1,2\" , \"d, <e\" <sip:f> ,g").unwrap();
    assert_eq!(elements, [&b"<sip:a,b@c>;x=\"1,2\""[..], b"\"d, <e\" <sip:f>", b"g"]);
    assert!(split_list(b"a, \"b").is_err() && split_list(b"<a").is_err());
    assert!(split_list(&b",".repeat(MAX_LIST + 1)).is_err());
}

#[test]
fn too_many_headers() {
    let many = "X: y\r\n".repeat(MAX_HEADERS);
    assert_eq!(status(with(many.trim_end())), 400);
    assert!(read(with(many.trim_end())).headers().len() <= MAX_HEADERS);
}

/// Any cut into pieces gives the same messages.
#[test]
fn framing_in_any_pieces() {
    let one = with("Content-Length: 6") + "\r\n\r\nab";
    let two = with("l : 0");
    let folded =
        with("X: a\r\n l: 99\r\nContent-Length:\r\n 2").replace("Content-Length:\r\n 2", "Content-Length: 2") + "ok";
    let stream = format!("\r\n{one}{two}\r\n\r\n\r\n{folded}\r\n\r\n");
    let expected = [
        Frame::Message(one.clone().into_bytes()),
        Frame::Message(two.clone().into_bytes()),
        Frame::Ping,
        Frame::Message(folded.clone().into_bytes()),
        Frame::Ping,
    ];
    for size in [1, 2, 3, 7, 64, stream.len()] {
        let mut framer = Framer::default();
        let mut frames = Vec::new();
        for piece in stream.as_bytes().chunks(size) {
            framer.push(piece);
            while let Some(frame) = framer.pull() {
                frames.push(frame);
            }
        }
        assert_eq!(frames, expected, "in pieces of {size}");
        assert!(!framer.is_pending());
    }
}

/// A stream without a usable length ends: no more than one message's worth is ever held.
#[test]
fn framing_gives_up() {
    for line in [
        "Content-Length: x",
        "Content-Length: 1\r\nl: 2",
        "Content-Length: 70000",
        "Content-Length: 99999999999",
    ] {
        let mut framer = Framer::default();
        framer.push(with(line).as_bytes());
        assert!(matches!(framer.pull(), Some(Frame::Broken(_))), "{line}");
        framer.push(b"more");
        assert_eq!((framer.pull(), framer.held()), (None, 0));
    }
    let mut framer = Framer::default();
    for _ in 0..200 {
        framer.push(&[b'x'; 1000]);
        if framer.pull().is_some() {
            break;
        }
        assert!(framer.held() <= MAX_MESSAGE);
    }
    assert_eq!(framer.held(), 0);
}
