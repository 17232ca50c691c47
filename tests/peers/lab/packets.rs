//! Raw packets: RTP of the test's own making, and noise from a seeded generator.

use std::net::{SocketAddr, UdpSocket};
use std::time::{Duration, Instant};

/// A small generator with a seed (SplitMix64), so that a failing run can be repeated.
pub struct Dice(pub u64);

impl Dice {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// From 0 to `bound` − 1.
    pub fn below(&mut self, bound: usize) -> usize {
        (self.next() % bound.max(1) as u64) as usize
    }

    pub fn octets(&mut self, count: usize) -> Vec<u8> {
        (0..count).map(|_| self.next() as u8).collect()
    }

    /// Spoils a message: flips, cuts, repeats and inserts octets.
    pub fn spoil(&mut self, message: &[u8]) -> Vec<u8> {
        let mut out = message.to_vec();
        for _ in 0..=self.below(6) {
            let at = self.below(out.len());
            match self.below(5) {
                0 => out.truncate(at),
                1 => {
                    let n = self.below(40);
                    let more = self.octets(n);
                    out.splice(at..at, more);
                }
                2 if !out.is_empty() => {
                    let to = (at + self.below(60)).min(out.len());
                    let piece = out[at..to].to_vec();
                    out.splice(at..at, piece);
                }
                3 if !out.is_empty() => {
                    let to = (at + self.below(30)).min(out.len());
                    out.drain(at..to);
                }
                _ if !out.is_empty() => out[at] ^= 1 << self.below(8),
                _ => {}
            }
        }
        out.truncate(4000);
        out
    }
}

/// An RTP packet (RFC 3550 §5.1) without padding, extension or contributing sources.
pub fn rtp(payload_type: u8, marker: bool, sequence: u16, timestamp: u32, ssrc: u32, payload: &[u8]) -> Vec<u8> {
    let mut out = vec![0x80, payload_type | u8::from(marker) << 7];
    out.extend(sequence.to_be_bytes());
    out.extend(timestamp.to_be_bytes());
    out.extend(ssrc.to_be_bytes());
    out.extend(payload);
    out
}

/// A socket on a loopback address of one's choice, with a short patience.
pub fn socket(address: &str) -> UdpSocket {
    let socket = UdpSocket::bind((address, 0)).unwrap_or_else(|e| panic!("{address}: {e}"));
    socket
        .set_read_timeout(Some(Duration::from_millis(100)))
        .expect("a time-out");
    socket
}

/// Everything that arrives within this time.
pub fn listen(socket: &UdpSocket, time: Duration) -> Vec<(Vec<u8>, SocketAddr)> {
    let deadline = Instant::now() + time;
    let mut heard = Vec::new();
    let mut buffer = [0u8; 65_536];
    while Instant::now() < deadline {
        if let Ok((n, from)) = socket.recv_from(&mut buffer) {
            heard.push((buffer[..n].to_vec(), from));
        }
    }
    heard
}

/// An INVITE with PCMU from a bare socket.
pub fn invite(from: SocketAddr, to: &str, number: &str, call_id: &str, media_port: u16) -> String {
    let ip = from.ip();
    let body = format!(
        "v=0\r\no=stranger 1 1 IN IP4 {ip}\r\ns=-\r\nc=IN IP4 {ip}\r\nt=0 0\r\nm=audio {media_port} RTP/AVP 0\r\n\
         a=rtpmap:0 PCMU/8000\r\n"
    );
    format!(
        "INVITE sip:{number}@{to} SIP/2.0\r\nVia: SIP/2.0/UDP {from};branch=z9hG4bK{call_id};rport\r\n\
         Max-Forwards: 70\r\nFrom: <sip:stranger@{ip}>;tag=t{call_id}\r\nTo: <sip:{number}@{to}>\r\n\
         Call-ID: {call_id}\r\nCSeq: 1 INVITE\r\nContact: <sip:stranger@{from}>\r\n\
         Content-Type: application/sdp\r\nContent-Length: {}\r\n\r\n{body}",
        body.len()
    )
}
