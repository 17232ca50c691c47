//! What the mutations start from: the torture messages, and one good example of everything else.

use std::collections::HashMap;

use super::notation::cases;

const FILES: [&str; 4] = [
    include_str!("../torture/messages/rfc4475-valid.txt"),
    include_str!("../torture/messages/rfc4475-invalid.txt"),
    include_str!("../torture/messages/rfc4475-semantics.txt"),
    include_str!("../torture/messages/rfc5118.txt"),
];

pub fn sip() -> Vec<Vec<u8>> {
    let parts = ["sent-by", "branch", "cseq", "call-id", "from", "to"];
    let values = [
        "192.0.2.50:5060",
        "z9hG4bK1",
        "7",
        "c",
        "<sip:601@q>;tag=1",
        "<sip:601@q>",
    ];
    let names: HashMap<&str, String> = parts.into_iter().zip(values.map(str::to_owned)).collect();
    FILES
        .iter()
        .flat_map(|text| cases(text))
        .map(|case| case.octets(&names))
        .collect()
}

/// The values of the torture messages' headers.
pub fn headers() -> Vec<Vec<u8>> {
    let mut out: Vec<Vec<u8>> = sip()
        .iter()
        .filter_map(|octets| hornwire::sip::wire::Message::read(octets, hornwire::sip::wire::Carrier::Datagram))
        .flat_map(|message| message.headers().iter().map(|h| h.value.clone()).collect::<Vec<_>>())
        .filter(|value| value.len() > 1 && value.len() < 1000)
        .collect();
    out.extend(
        [
            "192.0.2.0/28",
            "sip:600@[2001:db8::1]:5060;lr?a=b",
            "2001:db8::/32",
            "\"a,b\" <sip:c@d>;e=\"f\", g",
        ]
        .map(Vec::from),
    );
    out.sort();
    out.dedup();
    out
}

pub fn sdp() -> Vec<Vec<u8>> {
    let offer = "v=0\r\no=- 1 1 IN IP4 192.0.2.10\r\ns=-\r\nc=IN IP4 192.0.2.10\r\nt=0 0\r\n";
    [
        "m=audio 40000 RTP/AVP 0 8 101\r\na=rtpmap:101 telephone-event/8000\r\na=fmtp:101 0-15\r\na=ptime:30\r\na=maxptime:60\r\n",
        "m=audio 40000/1 RTP/AVPF 96 13\r\na=rtpmap:96 opus/48000/2\r\na=fmtp:96 useinbandfec=1\r\na=sendonly\r\na=rtcp-mux\r\n",
        "m=video 0 RTP/AVP 31\r\nm=audio 40000 RTP/AVP 8\r\nc=IN IP6 ::ffff:192.0.2.10\r\na=recvonly\r\n",
        "a=inactive\r\nm=audio 40000 RTP/SAVP 0\r\na=crypto:1 AES_CM_128_HMAC_SHA1_80 inline:WVNfX19zZW1jdGwgKCkgewkyMjA7fQp9CnVubGVz|2^20|1:4\r\n",
        "m=audio 9 RTP/AVP 0\r\nc=IN IP4 0.0.0.0\r\na=rtpmap:0 PCMU/8000/1\r\nm=application 9 TCP/X y\r\n",
    ]
    .iter()
    .enumerate()
    .map(|(i, media)| [&[i as u8 * 5 + 1][..], offer.as_bytes(), media.as_bytes()].concat())
    .collect()
}

pub fn rtp() -> Vec<Vec<u8>> {
    let packet = |seq: u8, ssrc: u8, kind: u8| {
        let mut out = vec![18, 20, 0x80, kind, 0, seq, 0, 0, 0, seq, 0, 0, 0, ssrc];
        out.extend_from_slice(&[0x7f; 8]);
        out
    };
    let bye = [4u8, 16, 0x80, 201, 0, 1, 0, 0, 0, 1, 0x81, 203, 0, 1, 0, 0, 0, 1];
    vec![
        (1..9).flat_map(|seq| packet(seq, 1, 0)).collect(),
        (1..5)
            .flat_map(|seq| packet(seq, 1, 8))
            .chain(bye)
            .chain((5..9).flat_map(|seq| packet(seq, 2, 96)))
            .collect(),
        [1, 3, 2, 2, 7, 200, 201, 8]
            .iter()
            .flat_map(|seq| packet(*seq, 1, 101))
            .collect(),
        // Padding, contributing sources, an extension.
        [10, 40, 0xb2, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 1]
            .iter()
            .copied()
            .chain([3; 26])
            .collect(),
    ]
}

pub fn telephone_event() -> Vec<Vec<u8>> {
    let packet = |time: u8, step: u8, end: u8, duration: u8| vec![time, step, 4, 5, end | 10, duration, 0];
    vec![
        [
            packet(50, 120, 0, 1),
            packet(50, 0, 0, 2),
            packet(50, 0, 0x80, 3),
            packet(5, 0, 0x80, 3),
        ]
        .concat(),
        [
            packet(50, 240, 0, 255),
            packet(50, 240, 0, 255),
            packet(200, 120, 0, 1),
            packet(250, 210, 0, 9),
        ]
        .concat(),
        vec![20, 120, 12, 1, 10, 1, 0, 2, 10, 1, 0, 3, 0x8a, 1, 0],
        vec![5, 1, 134, 160, 10],
    ]
}

pub fn digest() -> Vec<Vec<u8>> {
    [
        "Digest realm=\"quayside.example\", nonce=\"84a4cc6f\", algorithm=MD5, qop=\"auth,auth-int\", opaque=\"\", stale=TRUE",
        "Digest realm=\"q\", nonce=\"n\", algorithm=SHA-256, qop=\"auth\"\nDigest realm=\"q\", nonce=\"n\", algorithm=MD5",
        "Basic realm=\"q\", Digest realm=\"\\\"q\\\\\", nonce=n,algorithm=SHA-512-256-sess",
        "Digest username=\"600\", realm=\"q\", nonce=\"n\", uri=\"sip:q\", response=\"0123456789abcdef0123456789abcdef\", qop=auth, nc=00000001, cnonce=\"c\"",
        "quayside\n\"nonce\\",
    ]
    .map(Vec::from)
    .into()
}

pub fn stun() -> Vec<Vec<u8>> {
    let head = |kind: u8, length: u8| {
        let mut out = vec![kind >> 4, kind & 15, 0, length, 0x21, 0x12, 0xa4, 0x42];
        out.extend_from_slice(b"abcdefghijkl");
        out
    };
    let with = |mut head: Vec<u8>, tail: &[u8]| {
        head.extend_from_slice(tail);
        head
    };
    vec![
        head(0x01, 0),
        with(head(0x01, 8), &[0x7f, 0xff, 0, 3, 1, 2, 3, 0]),
        with(
            head(0x11, 12),
            &[0, 0x20, 0, 8, 0, 1, 0x32, 0x11, 0xe1, 0x12, 0xa6, 0x48],
        ),
        with(
            head(0x11, 24),
            &[
                0, 0x20, 0, 20, 0, 2, 0x32, 0x11, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16,
            ],
        ),
    ]
}

pub fn srtp() -> Vec<Vec<u8>> {
    let rtp = |seq: u8| vec![0, 2, 16, 0x80, 0, 0, seq, 0, 0, 0, seq, 0, 0, 0, 1, 1, 2, 3, 4];
    let rtcp = vec![0x10, 2, 16, 0x81, 203, 0, 3, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0, 0];
    let open = |which: u8| vec![3, 2, which];
    let injure = vec![6, 20, 1, 0x80];
    let one = [
        rtp(1),
        rtp(2),
        open(0),
        open(1),
        open(0),
        rtcp,
        open(2),
        open(2),
        injure,
    ]
    .concat();
    (0..8).map(|choice| [&[choice][..], &one].concat()).collect()
}

/// Scripts: a call that is taken and hung up, one that is refused, a registration that is challenged.
pub fn agent() -> Vec<Vec<u8>> {
    // Operation, flow, template, choice, numbers, injuries.
    let invite = [0, 0, 0, 0b0100_0100, 0b0000_1001, 0];
    let ack = [0, 0, 3, 0, 0b0001_0001, 0];
    let bye = [0, 0, 4, 0, 0b0001_1010, 0];
    let cancel = [0, 0, 5, 0b0100_0100, 0b0000_1001, 0];
    let accept = [14, 0, 0];
    let refuse = [14, 12, 143];
    let hang_up = [14, 20, 0];
    let time = [16, 0];
    let register = [16, 0, 18, 2, 16, 0];
    let challenged = [9, 0, 6, 0];
    let bound = [9, 0, 2, 0];
    let reinvite = [0, 0, 1, 0b0100_0000, 0b0010_0010, 0];
    let stream = [0, 5, 0, 0b0100_0100, 0b0000_1001, 0, 9];
    vec![
        [&invite[..], &accept, &ack, &bye, &time].concat(),
        [&invite[..], &refuse, &time, &ack].concat(),
        [&invite[..], &cancel, &time].concat(),
        [
            &invite[..],
            &accept,
            &ack,
            &reinvite,
            &[14, 24, 0],
            &ack,
            &hang_up,
            &bound,
            &time,
        ]
        .concat(),
        [&invite[..], &accept, &ack, &hang_up, &challenged, &bound].concat(),
        [
            &register[..],
            &challenged,
            &bound,
            &time,
            &time,
            &bound,
            &[23, 7],
            &bound,
            &[9, 1, 2, 0],
        ]
        .concat(),
        [&stream[..], &accept, &ack, &[20, 5], &time, &hang_up].concat(),
        [&invite[..], &accept, &[13, 13, 17, 200, 17, 230, 17, 255]].concat(),
    ]
}
