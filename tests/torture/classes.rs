//! Further classes of broken and odd messages, made from plain ones by rule. Each says what RFC 3261 asks for.

mod bodies;
mod headers;
mod sizes;

use super::world::{PEER, World};

/// Final statuses of a datagram in a fresh world; afterwards a plain request must get through.
fn by_datagram(octets: &[u8]) -> Vec<u16> {
    let mut world = World::new();
    world.datagram(PEER, octets);
    let finals = world.finals();
    super::serves_still(world, &String::from_utf8_lossy(octets));
    finals
}

/// The same over a stream, and how often it was closed.
fn by_stream(octets: &[u8], piece: usize) -> (Vec<u16>, usize) {
    let mut world = World::new();
    world.stream(PEER, octets, piece);
    (world.finals(), world.closed)
}

fn status(text: impl AsRef<[u8]>) -> Vec<u16> {
    by_datagram(text.as_ref())
}

/// A plain INVITE with an offer, by lines.
const LINES: [(&str, &str); 9] = [
    ("Via", "SIP/2.0/UDP 192.0.2.10:5060 ;branch=z9hG4bKplank ;rport"),
    ("Max-Forwards", "70"),
    ("From", "\"Tally man\" <sip:tally@quayside.example> ;tag=f"),
    ("To", "<sip:600@paging.quayside.example>"),
    ("Call-ID", "plank@192.0.2.10"),
    ("CSeq", "1 INVITE"),
    ("Contact", "<sip:tally@192.0.2.10> ;q=0.5"),
    ("Record-Route", "<sip:192.0.2.7;lr> , <sip:192.0.2.8;lr>"),
    ("Content-Type", "application/sdp"),
];

const OFFER: &str =
    "v=0\r\no=- 1 1 IN IP4 192.0.2.10\r\ns=-\r\nc=IN IP4 192.0.2.10\r\nt=0 0\r\nm=audio 40000 RTP/AVP 0\r\n";

/// The INVITE from these header lines.
fn invite(lines: &[(Vec<u8>, Vec<u8>)], body: &[u8]) -> Vec<u8> {
    let mut out = b"INVITE sip:600@paging.quayside.example SIP/2.0\r\n".to_vec();
    for (name, value) in lines {
        out.extend_from_slice(&[name.as_slice(), b": ", value, b"\r\n"].concat());
    }
    out.extend_from_slice(format!("Content-Length: {}\r\n\r\n", body.len()).as_bytes());
    out.extend_from_slice(body);
    out
}

fn lines() -> Vec<(Vec<u8>, Vec<u8>)> {
    LINES
        .iter()
        .map(|(n, v)| (n.as_bytes().to_vec(), v.as_bytes().to_vec()))
        .collect()
}

/// The INVITE with one header's value replaced, or the header added.
fn with(name: &str, value: impl AsRef<[u8]>) -> Vec<u8> {
    let mut all = lines();
    match all.iter_mut().find(|(n, _)| n == name.as_bytes()) {
        Some(line) => line.1 = value.as_ref().to_vec(),
        None => all.push((name.into(), value.as_ref().to_vec())),
    }
    invite(&all, OFFER.as_bytes())
}

/// The INVITE to another Request-URI.
fn to_uri(uri: &str) -> String {
    String::from_utf8(invite(&lines(), OFFER.as_bytes()))
        .unwrap()
        .replacen("sip:600@paging.quayside.example", uri, 1)
}

#[test]
fn the_plain_one_is_taken() {
    assert_eq!(status(invite(&lines(), OFFER.as_bytes())), [200]);
    assert_eq!(by_stream(&invite(&lines(), OFFER.as_bytes()), 5), (vec![200], 0));
}

/// RFC 3261 §8.2.2.1, §19.1: schemes, hosts, users, ports, and what may not be there.
#[test]
fn request_uris() {
    for (uri, wanted) in [
        ("sip:600@paging.quayside.example", 200),
        ("SIP:600@PAGING.quayside.example.", 200),
        ("sip:600:password@192.0.2.50:5062;transport=udp;lr;method=INVITE", 200),
        ("sip:6%300@[2001:db8::50]", 200),
        ("sip:600@host;x=%00;y", 200),
        ("sip:600@host;maddr=224.0.1.75;ttl=1", 200),
        ("sip:gate;north@host", 200),
        ("sip:gate%3Bnorth@host", 200),
        ("sip:600%20@host", 404),
        ("sip:600%0d%0aX@host", 404),
        ("sip:600;x@host", 404),
        ("sip:%C3%A4@host", 404),
        ("sip:paging.quayside.example", 404),
        ("tel:600", 416),
        ("tel:+15550600;phone-context=quayside.example", 416),
        ("mailto:600@quayside.example", 416),
        ("http://600@host/", 416),
        ("urn:service:sos", 416),
        ("x-yard+a.b-c:600", 416),
        ("600", 400),
        ("600@host", 400),
        (":600", 400),
        ("sip:", 400),
        ("sip:@host", 400),
        ("sip:600@", 400),
        ("sip:600@@host", 400),
        ("sip:600@host:", 400),
        ("sip:600@host:0x10", 400),
        ("sip:600@host:65536", 400),
        ("sip:600@host:-1", 400),
        ("sip:600@ho,st", 400),
        ("sip:600@[2001:db8::50", 400),
        ("sip:600@2001:db8::50", 400),
        ("sip:600@[fe80::1%eth0]", 400),
        ("sip:600@[::1%25lo]", 400),
        ("sip:600@[192.0.2.50]", 400),
        ("sip:600@host;", 400),
        ("sip:600@host;=x", 400),
        ("sip:600@host;x=", 400),
        ("sip:600@host?", 400),
        ("sip:600@host?Subject=x&Route=y", 400),
        ("<sip:600@host>", 400),
        ("\"600\"<sip:600@host>", 400),
        ("sip:600@host\t", 400),
        ("1sip:600@host", 400),
    ] {
        assert_eq!(status(to_uri(uri)), [wanted], "{uri}");
    }
    // What only TLS may bring: refused one way or the other when it does not come by it.
    assert!(status(to_uri("sips:600@host"))[0] >= 400);
}

/// RFC 3261 §7.1, §25.1: the request line.
#[test]
fn request_lines() {
    let plain = to_uri("sip:600@h");
    let line = |new: &str| plain.replacen("INVITE sip:600@h SIP/2.0", new, 1);
    for (new, wanted) in [
        ("INVITE sip:600@h sip/2.0", 200),
        ("\r\n\r\nINVITE sip:600@h SIP/2.0", 200),
        ("INVITE sip:600@h SIP/2.1", 505),
        ("INVITE sip:600@h SIP/3.0", 505),
        ("INVITE sip:600@h SIP/1.0", 505),
        ("INVITE sip:600@h SIP/22.0", 505),
        ("INVITE sip:600@h SIP/2", 400),
        ("INVITE sip:600@h SIP/2.0.0", 400),
        ("INVITE sip:600@h SIP/2.x", 400),
        ("INVITE sip:600@h SIP/-2.0", 400),
        ("INVITE sip:600@h SIP/", 400),
        ("INVITE sip:600@h", 400),
        ("INVITE\tsip:600@h\tSIP/2.0", 400),
        (" INVITE sip:600@h SIP/2.0", 400),
        ("INVITE sip:600@h SIP/2.0 ", 400),
        ("INVITE sip:600@h x SIP/2.0", 400),
        ("INVITE  SIP/2.0", 400),
        ("INV\0ITE sip:600@h SIP/2.0", 400),
        ("INV\u{e4}TE sip:600@h SIP/2.0", 400),
    ] {
        assert_eq!(status(line(new)), [wanted], "{new:?}");
    }
}

/// RFC 3261 §25.1 `Method`: any token, exactly as it stands; what is no token is no method.
#[test]
fn methods() {
    let called = |method: &[u8]| {
        let text = with("CSeq", [b"1 ", method].concat());
        [method, text.strip_prefix(b"INVITE").unwrap()].concat()
    };
    for method in ["invite", "Invite", "INVITEE", "I", "%49NVITE", "-.!%*_+`'~", "0"] {
        assert_eq!(status(called(method.as_bytes())), [501], "{method}");
    }
    for octet in (0..=255u8).filter(|b| !b.is_ascii_alphanumeric() && !b"-.!%*_+`'~\n".contains(b)) {
        let got = status(called(&[b'I', octet, b'N']));
        assert_eq!(got, [400], "octet {octet:#x}");
    }
    // A very long one is no trouble.
    assert_eq!(status(called(&[b'M'; 30_000])), [501]);
}
