//! What the far end may say. `TAG`, `CALL` and so on are filled in with what the agent has said itself.

use hornwire::sip::wire::{Carrier, Message, Start};

/// Requests; `CALL` names a call, `TAG` our tag in it, `BRANCH` a transaction, `SEQ` a number.
pub const REQUESTS: [&str; 14] = [
    "INVITE sip:600@192.0.2.50 SIP/2.0\r\nVia: SIP/2.0/UDP 192.0.2.10;branch=z9hG4bKBRANCH\r\nMax-Forwards: 70\r\n\
     From: <sip:tally@quayside.example>;tag=f\r\nTo: <sip:600@192.0.2.50>\r\nCall-ID: CALL\r\nCSeq: SEQ INVITE\r\n\
     Contact: <sip:tally@192.0.2.10>\r\nSupported: timer, 100rel\r\nSession-Expires: 90\r\nContent-Type: application/sdp\r\n",
    "INVITE sip:600@192.0.2.50 SIP/2.0\r\nVia: SIP/2.0/UDP 192.0.2.10;rport;branch=z9hG4bKBRANCH\r\n\
     From: <sip:tally@quayside.example>;tag=f\r\nTo: <sip:600@192.0.2.50>;tag=TAG\r\nCall-ID: CALL\r\nCSeq: SEQ INVITE\r\n\
     Contact: <sip:tally@192.0.2.11:5070;transport=tcp>\r\nContent-Type: application/sdp\r\n",
    "INVITE sip:600@192.0.2.50 SIP/2.0\r\nVia: SIP/2.0/UDP gateway\r\nRequire: 100rel\r\nAnswer-Mode: Auto\r\n\
     From: <sip:tally@quayside.example>;tag=f\r\nTo: <sip:601@192.0.2.50>\r\nCall-ID: CALL\r\nCSeq: SEQ INVITE\r\n\
     Contact: <sip:tally@192.0.2.10>\r\nRecord-Route: <sip:192.0.2.12;lr>, <sip:192.0.2.13>\r\n",
    "ACK sip:600@192.0.2.50 SIP/2.0\r\nVia: SIP/2.0/UDP 192.0.2.10;branch=z9hG4bKBRANCH\r\n\
     From: <sip:tally@quayside.example>;tag=f\r\nTo: <sip:600@192.0.2.50>;tag=TAG\r\nCall-ID: CALL\r\nCSeq: SEQ ACK\r\n\
     Content-Type: application/sdp\r\n",
    "BYE sip:600@192.0.2.50 SIP/2.0\r\nVia: SIP/2.0/UDP 192.0.2.10;branch=z9hG4bKBRANCH\r\n\
     From: <sip:tally@quayside.example>;tag=f\r\nTo: <sip:600@192.0.2.50>;tag=TAG\r\nCall-ID: CALL\r\nCSeq: SEQ BYE\r\n",
    "CANCEL sip:600@192.0.2.50 SIP/2.0\r\nVia: SIP/2.0/UDP 192.0.2.10;branch=z9hG4bKBRANCH\r\n\
     From: <sip:tally@quayside.example>;tag=f\r\nTo: <sip:600@192.0.2.50>\r\nCall-ID: CALL\r\nCSeq: SEQ CANCEL\r\n",
    "OPTIONS sip:600@192.0.2.50 SIP/2.0\r\nVia: SIP/2.0/UDP 192.0.2.10;branch=z9hG4bKBRANCH\r\n\
     From: <sip:tally@quayside.example>;tag=f\r\nTo: <sip:600@192.0.2.50>;tag=TAG\r\nCall-ID: CALL\r\nCSeq: SEQ OPTIONS\r\n",
    "INFO sip:600@192.0.2.50 SIP/2.0\r\nVia: SIP/2.0/UDP 192.0.2.10;branch=z9hG4bKBRANCH\r\n\
     From: <sip:tally@quayside.example>;tag=f\r\nTo: <sip:600@192.0.2.50>;tag=TAG\r\nCall-ID: CALL\r\nCSeq: SEQ INFO\r\n\
     Content-Type: application/dtmf-relay\r\n",
    "UPDATE sip:600@192.0.2.50 SIP/2.0\r\nVia: SIP/2.0/UDP 192.0.2.10;branch=z9hG4bKBRANCH\r\n\
     From: <sip:tally@quayside.example>;tag=f\r\nTo: <sip:600@192.0.2.50>;tag=TAG\r\nCall-ID: CALL\r\nCSeq: SEQ UPDATE\r\n\
     Contact: <sip:tally@192.0.2.10>\r\nSession-Expires: 1800;refresher=uas\r\nContent-Type: application/sdp\r\n",
    "PRACK sip:600@192.0.2.50 SIP/2.0\r\nVia: SIP/2.0/UDP 192.0.2.10;branch=z9hG4bKBRANCH\r\n\
     From: <sip:tally@quayside.example>;tag=f\r\nTo: <sip:600@192.0.2.50>;tag=TAG\r\nCall-ID: CALL\r\nCSeq: SEQ PRACK\r\n\
     RAck: RSEQ 1 INVITE\r\n",
    "REFER sip:600@192.0.2.50 SIP/2.0\r\nVia: SIP/2.0/UDP 192.0.2.10;branch=z9hG4bKBRANCH\r\n\
     From: <sip:tally@quayside.example>;tag=f\r\nTo: <sip:600@192.0.2.50>;tag=TAG\r\nCall-ID: CALL\r\nCSeq: SEQ REFER\r\n\
     Refer-To: <sip:x@y>\r\n",
    "MESSAGE sip:600@192.0.2.50 SIP/2.0\r\nVia: SIP/2.0/UDP 192.0.2.10;branch=z9hG4bKBRANCH\r\n\
     From: <sip:tally@quayside.example>;tag=f\r\nTo: <sip:600@192.0.2.50>\r\nCall-ID: CALL\r\nCSeq: SEQ MESSAGE\r\n\
     Content-Type: text/plain\r\n",
    "NOTIFY sip:600@192.0.2.50 SIP/2.0\r\nVia: SIP/2.0/UDP 192.0.2.10;branch=z9hG4bKBRANCH\r\n\
     From: <sip:tally@quayside.example>;tag=f\r\nTo: <sip:600@192.0.2.50>;tag=TAG\r\nCall-ID: CALL\r\nCSeq: SEQ NOTIFY\r\n\
     Event: check-sync\r\n",
    "SAW sip:600@192.0.2.50 SIP/2.0\r\nVia: SIP/2.0/UDP 192.0.2.10;branch=z9hG4bKBRANCH\r\n\
     From: <sip:tally@quayside.example>;tag=f\r\nTo: <sip:600@192.0.2.50>\r\nCall-ID: CALL\r\nCSeq: SEQ SAW\r\n",
];

pub const BODIES: [&str; 4] = [
    "",
    "v=0\r\no=- 1 1 IN IP4 192.0.2.10\r\ns=-\r\nc=IN IP4 192.0.2.10\r\nt=0 0\r\nm=audio 40000 RTP/AVP 0\r\n",
    "Signal=5\r\nDuration=160\r\n",
    "x",
];

/// Extra lines of answers to requests of ours.
pub const ANSWERS: [(u16, &str); 20] = [
    (100, ""),
    (183, ""),
    (200, "Contact: <sip:601@192.0.2.50:5060>;expires=60\r\n"),
    (200, "Expires: 0\r\n"),
    (
        200,
        "Contact: <sip:601@192.0.2.50:5060>;expires=4294967295\r\nService-Route: <sip:192.0.2.14;lr>\r\n\
         Path: <sip:192.0.2.15;lr;ob>\r\nSupported: outbound\r\nRequire: outbound\r\nFlow-Timer: 20\r\n",
    ),
    (
        200,
        "Session-Expires: 90;refresher=uac\r\nContact: <sip:tally@192.0.2.10>\r\n",
    ),
    (
        401,
        "WWW-Authenticate: Digest realm=\"q\", nonce=\"n\", qop=\"auth\"\r\n",
    ),
    (
        401,
        "WWW-Authenticate: Digest realm=\"q\", nonce=\"m\", stale=true, algorithm=SHA-256\r\n",
    ),
    (401, "WWW-Authenticate: Basic realm=\"q\"\r\n"),
    (407, "Proxy-Authenticate: Digest realm=\"p\", nonce=\"n\"\r\n"),
    (403, ""),
    (408, ""),
    (422, "Min-SE: 4000\r\n"),
    (423, "Min-Expires: 7200\r\n"),
    (430, ""),
    (439, ""),
    (481, ""),
    (491, ""),
    (503, "Retry-After: 7\r\n"),
    (600, ""),
];

/// A request of the agent's, as far as an answer repeats it.
#[derive(Debug, Clone)]
pub struct Asked {
    head: Vec<u8>,
}

impl Asked {
    pub fn answer(&self, status: u16, extra: &str) -> Vec<u8> {
        let mut out = format!("SIP/2.0 {status} x\r\n").into_bytes();
        out.extend_from_slice(&self.head);
        out.extend_from_slice(extra.as_bytes());
        out.extend_from_slice(b"Content-Length: 0\r\n\r\n");
        out
    }
}

/// What can be learned of a message that the agent sent.
pub enum Learned {
    Asked(Asked),
    /// Our tag in a call, and the number of a reliable provisional answer (RFC 3262).
    Tag {
        call: Vec<u8>,
        tag: Vec<u8>,
        rseq: Option<Vec<u8>>,
    },
    Nothing,
}

pub fn learn(octets: &[u8]) -> Learned {
    let Some(message) = Message::read(octets, Carrier::Datagram) else {
        panic!("the agent sent what is no message: {}", String::from_utf8_lossy(octets));
    };
    match message.start {
        Start::Request { .. } => {
            let mut head = Vec::new();
            for name in ["Via", "From", "To", "Call-ID", "CSeq"] {
                for value in message.all(name) {
                    head.extend_from_slice(&[name.as_bytes(), b": ", value, b"\r\n"].concat());
                }
            }
            Learned::Asked(Asked { head })
        }
        Start::Response { .. } => {
            let tag = message.first("To").and_then(|to| {
                let at = to.windows(5).rposition(|w| w == b";tag=")?;
                to.get(at + 5..).map(<[u8]>::to_vec)
            });
            match (message.first("Call-ID"), tag) {
                (Some(call), Some(tag)) => Learned::Tag {
                    call: call.to_vec(),
                    tag,
                    rseq: message.first("RSeq").map(<[u8]>::to_vec),
                },
                _ => Learned::Nothing,
            }
        }
    }
}
