//! A caller message by message, for what no phone does: races, forged requests, requests of every kind.

use std::net::{SocketAddr, UdpSocket};
use std::time::{Duration, Instant};

use super::packets::socket;

/// One call's dialog as its caller sees it (RFC 3261 §12).
pub struct Dialog {
    socket: UdpSocket,
    own: SocketAddr,
    to: String,
    number: String,
    call_id: String,
    /// With its semicolon, once there is one.
    pub to_tag: String,
}

impl Dialog {
    /// From this loopback address to `to` (host and port).
    pub fn new(address: &str, to: &str, number: &str, call_id: &str) -> Dialog {
        let socket = socket(address);
        let own = socket.local_addr().expect("a bound socket");
        Dialog {
            socket,
            own,
            to: to.to_owned(),
            number: number.to_owned(),
            call_id: call_id.to_owned(),
            to_tag: String::new(),
        }
    }

    /// Any request of this dialog. `more` are further header lines, each with its line end; a body brings its own
    /// Content-Type in `more`.
    pub fn request(&self, method: &str, cseq: u32, more: &str, body: &str) -> String {
        let Dialog {
            own,
            to,
            number,
            call_id,
            to_tag,
            ..
        } = self;
        // CANCEL and the ACK for a refusal belong to the INVITE's transaction (RFC 3261 §9.1, §17.1.1.3).
        let branch = match method {
            "CANCEL" => format!("{call_id}INVITE{cseq}"),
            _ => format!("{call_id}{method}{cseq}"),
        };
        format!(
            "{method} sip:{number}@{to} SIP/2.0\r\nVia: SIP/2.0/UDP {own};branch=z9hG4bK{branch};rport\r\n\
             Max-Forwards: 70\r\nFrom: \"Gate house\" <sip:203@quayside.test>;tag=f{call_id}\r\n\
             To: <sip:{number}@quayside.test>{to_tag}\r\nCall-ID: {call_id}\r\nCSeq: {cseq} {method}\r\n\
             Contact: <sip:203@{own}>\r\n{more}Content-Length: {}\r\n\r\n{body}",
            body.len()
        )
    }

    /// An offer of G.711 and telephone events.
    pub fn offer(&self, media_port: u16) -> String {
        let ip = self.own.ip();
        format!(
            "v=0\r\no=gate 1 1 IN IP4 {ip}\r\ns=-\r\nc=IN IP4 {ip}\r\nt=0 0\r\nm=audio {media_port} RTP/AVP 0 101\r\n\
             a=rtpmap:101 telephone-event/8000\r\n"
        )
    }

    pub fn invite(&self, cseq: u32, media_port: u16) -> String {
        let body = self.offer(media_port);
        self.request("INVITE", cseq, "Content-Type: application/sdp\r\n", &body)
    }

    pub fn send(&self, message: &str) {
        self.socket.send_to(message.as_bytes(), &self.to).expect("a datagram");
    }

    /// The final answer to this CSeq, `1 INVITE` for example; its tag is kept if there was none. `None` after the limit.
    pub fn answer(&mut self, cseq: &str, limit: Duration) -> Option<String> {
        let deadline = Instant::now() + limit;
        let mut buffer = [0u8; 8192];
        while Instant::now() < deadline {
            let Ok((n, _)) = self.socket.recv_from(&mut buffer) else {
                continue;
            };
            let text = String::from_utf8_lossy(&buffer[..n]).into_owned();
            let of_it = text.contains(&format!("\r\nCSeq: {cseq}\r\n"));
            if !of_it || !text.starts_with("SIP/2.0 ") || text.starts_with("SIP/2.0 1") {
                continue;
            }
            if self.to_tag.is_empty() {
                let to = text.lines().find(|l| l.starts_with("To:")).unwrap_or_default();
                self.to_tag = to.find(";tag=").map(|at| to[at..].to_owned()).unwrap_or_default();
            }
            return Some(text);
        }
        None
    }

    /// Status of the final answer; 0: none came.
    pub fn status(&mut self, cseq: &str, limit: Duration) -> u16 {
        self.answer(cseq, limit).map_or(0, |a| status(&a))
    }
}

pub fn status(answer: &str) -> u16 {
    answer.split(' ').nth(1).and_then(|s| s.parse().ok()).unwrap_or(0)
}

/// The audio port that a description names.
pub fn audio_port(message: &str) -> u16 {
    let media = message.split("m=audio ").nth(1).expect("a description");
    media.split(' ').next().and_then(|p| p.parse().ok()).expect("a port")
}
