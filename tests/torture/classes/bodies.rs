//! Lengths, types and descriptions.

use super::*;

fn lengths(line: &str, body: &str) -> Vec<u8> {
    let text = String::from_utf8(invite(&lines(), b"")).unwrap();
    (text.replace("Content-Length: 0\r\n", line) + body).into_bytes()
}

/// RFC 3261 §18.3, §20.14. On a stream what cannot be framed ends the connection.
#[test]
fn content_lengths() {
    let n = OFFER.len();
    for (line, datagram, stream, closed) in [
        (format!("Content-Length: {n}\r\n"), 200, Some(200), 0),
        (format!("Content-Length: 000000000000{n}\r\n"), 200, Some(200), 0),
        (format!("Content-Length:\r\n {n}\r\n"), 200, Some(200), 0),
        (format!("Content-Length : \t {n} \t\r\n"), 200, Some(200), 0),
        (format!("Content-Length: {n}\r\nl: {n}\r\n"), 200, Some(200), 0),
        (format!("Content-Length: {n}\r\nl: {}\r\n", n - 1), 400, Some(400), 1),
        (format!("Content-Length: {n}, {n}\r\n"), 400, Some(400), 1),
        (format!("Content-Length: {n};x\r\n"), 400, Some(400), 1),
        (format!("Content-Length: +{n}\r\n"), 400, Some(400), 1),
        (format!("Content-Length: {n}.0\r\n"), 400, Some(400), 1),
        (format!("Content-Length: {}\r\n", n + 1), 400, None, 0),
        ("Content-Length: 99999999999999999999\r\n".into(), 400, Some(400), 1),
        ("Content-Length: 4294967296\r\n".into(), 400, Some(400), 1),
        ("Content-Length: -1\r\n".into(), 400, Some(400), 1),
        ("Content-Length: 0x10\r\n".into(), 400, Some(400), 1),
        ("Content-Length:\r\n".into(), 400, Some(400), 1),
        ("Content-Length: ten\r\n".into(), 400, Some(400), 1),
        // To the datagram's end; on a stream there is no end.
        (String::new(), 200, Some(400), 1),
    ] {
        let octets = lengths(&line, OFFER);
        assert_eq!(status(&octets), [datagram], "{line}");
        for piece in [1, octets.len()] {
            let wanted = (stream.into_iter().collect::<Vec<u16>>(), closed);
            assert_eq!(by_stream(&octets, piece), wanted, "{line}");
        }
    }
    // Without a body many leave the length out.
    let bare = String::from_utf8(lengths("", ""))
        .unwrap()
        .replace("Content-Type: application/sdp\r\n", "");
    let two = bare.clone() + &bare.replace("z9hG4bKplank", "z9hG4bKboard").replace("plank@", "board@");
    assert_eq!(by_stream(two.as_bytes(), 9), (vec![200, 200], 0));
}

/// RFC 3261 §8.2.3, RFC 5621.
#[test]
fn types() {
    for (kind, wanted) in [
        ("application/sdp", 200),
        ("APPLICATION/SDP", 200),
        ("application / sdp ; charset=\"utf-8\"", 200),
        ("application/sdp;;", 200),
        ("", 415),
        ("application", 415),
        ("application/", 415),
        ("/sdp", 415),
        ("application/sdpx", 415),
        ("text/plain", 415),
        ("message/sip", 415),
        ("multipart/mixed", 415),
        ("multipart/mixed;boundary=x", 415),
        ("multipart/mixed;boundary=", 415),
        ("multipart/mixed;boundary=\"", 415),
    ] {
        assert_eq!(status(with("Content-Type", kind)), [wanted], "{kind}");
    }
    for encoding in ["gzip", "identity, gzip", "x(", "\u{0}"] {
        assert_eq!(status(with("Content-Encoding", encoding)), [415], "{encoding}");
    }
    assert_eq!(status(with("Content-Encoding", "identity")), [200]);
}

/// Multipart bodies with everything that can be wrong with them.
#[test]
fn multipart() {
    let part = format!("Content-Type: application/sdp\r\n\r\n{OFFER}");
    let deep = |depth: usize| {
        (0..depth).fold(format!("--b0\r\n{part}\r\n--b0--\r\n"), |inner, i| {
            format!(
                "--b{}\r\nContent-Type: multipart/mixed;boundary=b{i}\r\n\r\n{inner}\r\n--b{}--\r\n",
                i + 1,
                i + 1
            )
        })
    };
    let many = |count: usize| "--b\r\n\r\nx\r\n".repeat(count) + &format!("--b\r\n{part}\r\n--b--");
    for (boundary, body, wanted) in [
        ("b", format!("--b\r\n{part}\r\n--b--"), 200),
        (
            "b",
            format!("--b\r\n{part}\r\n--b--\r\n--b\r\nContent-Type: text/plain\r\n\r\nx\r\n--b--"),
            200,
        ),
        ("b", format!("--b\r\n{part}\r\n--b \t--\r\n"), 415),
        ("b", format!("--bb\r\n\r\nx\r\n--b\r\n{part}\r\n--b--"), 200),
        ("b", format!("--b\n{}\n--b--\n", part.replace("\r\n", "\n")), 200),
        ("b", format!("x--b\r\n{part}\r\n--b--"), 415),
        ("b", format!("--b\r\n{part}"), 415),
        ("b", "--b--".into(), 415),
        ("b", "--b\r\n--b\r\n--b--".into(), 415),
        ("b", "--".into(), 415),
        ("b1", deep(1), 200),
        ("b2", deep(2), 200),
        // Deeper than anybody nests, and longer than anybody lists.
        ("b9", deep(9), 415),
        ("b", many(10), 200),
        ("b", many(1000), 415),
        (
            "b",
            format!("--b\r\nContent-Transfer-Encoding: base64\r\n{part}\r\n--b--"),
            415,
        ),
        (
            "b",
            format!("--b\r\n continued: x\r\nno colon\r\n\0: y\r\n{part}\r\n--b--"),
            200,
        ),
    ] {
        let mut all = lines();
        all.last_mut().unwrap().1 = format!("multipart/mixed;boundary={boundary}").into_bytes();
        assert_eq!(status(invite(&all, body.as_bytes())), [wanted], "{body:.200}");
    }
}

/// RFC 8866 §5, leniently: what a page needs must be there, the rest may be as it likes. 488 where it is readable and
/// does not fit, 400 where it is no description.
#[test]
fn descriptions() {
    let offer = |from: &str, to: &str| OFFER.replace(from, to);
    for (body, wanted) in [
        (OFFER.replace("\r\n", "\n"), 200),
        (OFFER.replace("\r\n", "\r"), 200),
        (OFFER.trim_end().to_owned(), 200),
        (OFFER.to_owned() + "\r\n", 200),
        (offer("s=-\r\n", ""), 200),
        (offer("s=-", "s="), 200),
        (offer("s=-", "s=S\u{e4}ge\u{0}\u{1b}[31m"), 200),
        (offer("t=0 0\r\n", ""), 200),
        (offer("t=0 0", "t=x y z"), 200),
        (
            offer("t=0 0", "t=99999999999999999999999 0\r\nr=7d 1h 0 25h\r\nz=0 0"),
            200,
        ),
        (offer("o=- 1 1 IN IP4 192.0.2.10", "o=x"), 200),
        (offer("o=- 1 1", "o=- 99999999999999999999999999 -1"), 200),
        (offer("c=IN IP4 192.0.2.10\r\n", "") + "c=IN IP4 192.0.2.10\r\n", 200),
        (
            offer("c=IN IP4 192.0.2.10\r\nt=0 0", "t=0 0\r\nc=IN IP4 192.0.2.10"),
            200,
        ),
        (offer("c=IN", "b=AS:64\r\nb=X-Y:z\r\nk=prompt\r\nc=IN"), 200),
        (
            offer("c=IN IP4 192.0.2.10", "a=sendrecv\r\na=x:y\r\nc=IN IP4 192.0.2.10"),
            200,
        ),
        (offer("40000 RTP/AVP 0", "40000/1 RTP/AVP 0"), 200),
        (offer("RTP/AVP 0", "RTP/AVP 0 0 8 300 x -1 96"), 200),
        (offer("RTP/AVP 0", "RTP/AVP   0  "), 200),
        (offer("RTP/AVP 0", "RTP/AVP 96\r\na=rtpmap:96 pcmu/8000/1"), 200),
        (
            OFFER.to_owned() + "a=rtpmap:\r\na=rtpmap:0\r\na=fmtp\r\na=\r\na=ptime:x\r\na=ptime:0\r\na=crypto:x\r\n",
            200,
        ),
        (OFFER.to_owned() + "a=sendonly\r\na=recvonly\r\n", 200),
        (OFFER.to_owned() + "m=video 0 RTP/AVP 31\r\nm=x-y 9 a/b c\r\n", 200),
        (offer("m=audio", "m=video 40002 RTP/AVP 31\r\nm=audio"), 200),
        (OFFER.to_owned() + &"a=x\r\n".repeat(2000), 200),
        (offer("192.0.2.10\r\nt", "host.quayside.example\r\nt"), 200),
        (offer("c=IN IP4 192.0.2.10", "c=IN IP4 0.0.0.0"), 200),
        (offer("c=IN IP4 192.0.2.10", "c=IN IP4 224.2.1.1/127"), 488),
        (offer("c=IN IP4 192.0.2.10", "c=IN IP4 255.255.255.255"), 488),
        (offer("c=IN IP4 192.0.2.10\r\n", ""), 488),
        (offer("RTP/AVP 0", "RTP/AVP 3 31"), 488),
        (offer("40000", "0"), 488),
        (offer("m=audio", "m=video"), 488),
        (offer("m=audio 40000 RTP/AVP 0\r\n", ""), 488),
        (offer("RTP/AVP", "TCP/MSRP"), 488),
        (offer("40000", "70000"), 400),
        (offer("40000", "-1"), 400),
        (offer("40000", "x"), 400),
        (offer("v=0\r\n", ""), 400),
        (offer("v=0", "v=1"), 400),
        ("v=0".into(), 488),
        ("hello".into(), 400),
        ("\0".repeat(1000), 400),
        ("m=".repeat(1000), 400),
        (OFFER.to_owned() + &"m=audio 40000 RTP/AVP 0\r\n".repeat(100), 400),
        (OFFER.to_owned() + &format!("a={}\r\n", "x".repeat(40_000)), 400),
    ] {
        let got = status(invite(&lines(), body.as_bytes()));
        assert!(
            got == [wanted] || wanted >= 400 && (got == [400] || got == [488]),
            "{got:?} for {body:.300}"
        );
    }
}
