//! A phone of our own: one call by SIP over UDP, and its RTP.
#![allow(dead_code)] // each test uses a part of it

use std::net::UdpSocket;
use std::time::{Duration, Instant};

use hornwire::media::g711::{ULAW, ulaw_encode};

const PATIENCE: Duration = Duration::from_secs(30);

/// One call.
pub struct Phone {
    sip: UdpSocket,
    rtp: UdpSocket,
    user: String,
    to: String,
    headers: String,
    tag: u32,
    to_header: String,
    media: Option<String>,
    sequence: u16,
    timestamp: u32,
}

impl Phone {
    /// `daemon`: where it listens.
    pub fn new(address: &str, user: &str, daemon: &str, dialled: &str) -> Phone {
        let sip = UdpSocket::bind((address, 0)).unwrap();
        sip.connect(daemon).unwrap();
        sip.set_read_timeout(Some(Duration::from_millis(50))).unwrap();
        let rtp = UdpSocket::bind((address, 0)).unwrap();
        rtp.set_read_timeout(Some(Duration::from_millis(5))).unwrap();
        Phone {
            tag: u32::from(sip.local_addr().unwrap().port()),
            sip,
            rtp,
            user: user.to_owned(),
            to: format!("sip:{dialled}@{}", daemon),
            headers: String::new(),
            to_header: String::new(),
            media: None,
            sequence: 1,
            timestamp: 1000,
        }
    }

    pub fn header(mut self, line: &str) -> Phone {
        self.headers += line;
        self.headers += "\r\n";
        self
    }

    fn request(&self, method: &str, cseq: u32, to: &str, body: &str) -> String {
        let own = self.sip.local_addr().unwrap();
        let kind = if body.is_empty() {
            ""
        } else {
            "Content-Type: application/sdp\r\n"
        };
        format!(
            "{method} {uri} SIP/2.0\r\nVia: SIP/2.0/UDP {own};branch=z9hG4bK{method}{tag}\r\nMax-Forwards: 70\r\n\
             From: <sip:{user}@pbx.quayside.example>;tag=f{tag}\r\nTo: {to}\r\nCall-ID: c{tag}@quayside\r\n\
             CSeq: {cseq} {method}\r\nContact: <sip:{user}@{own}>\r\n{more}{kind}Content-Length: {length}\r\n\r\n{body}",
            uri = self.to,
            tag = self.tag,
            user = self.user,
            more = self.headers,
            length = body.len()
        )
        .replace("z9hG4bKACK", if self.media.is_some() { "z9hG4bKACK" } else { "z9hG4bKINVITE" })
    }

    /// Status and text of the final answer; acknowledged.
    pub fn call(&mut self) -> (u16, String) {
        let own = self.rtp.local_addr().unwrap();
        let body = format!(
            "v=0\r\no=- 1 1 IN IP4 {ip}\r\ns=-\r\nc=IN IP4 {ip}\r\nt=0 0\r\nm=audio {port} RTP/AVP 0 101\r\n\
             a=rtpmap:101 telephone-event/8000\r\n",
            ip = own.ip(),
            port = own.port()
        );
        let invite = self.request("INVITE", 1, &format!("<{}>", self.to), &body);
        self.sip.send(invite.as_bytes()).unwrap();
        let answer = self.receive(|m| m.starts_with("SIP/2.0 ") && !m.starts_with("SIP/2.0 100"));
        let status: u16 = answer[8..11].parse().unwrap();
        self.to_header = field(&answer, "To: ").unwrap();
        if status == 200 {
            let ip = field(&answer, "c=IN IP4 ").unwrap();
            let port = field(&answer, "m=audio ").unwrap();
            self.media = Some(format!("{ip}:{}", port.split(' ').next().unwrap()));
        }
        let ack = self.request("ACK", 1, &self.to_header, "");
        self.sip.send(ack.as_bytes()).unwrap();
        (status, answer)
    }

    pub fn receive(&self, wanted: impl Fn(&str) -> bool) -> String {
        let by = Instant::now() + PATIENCE;
        let mut octets = [0; 4096];
        loop {
            if let Ok(n) = self.sip.recv(&mut octets) {
                let text = String::from_utf8_lossy(&octets[..n]).into_owned();
                if wanted(&text) {
                    return text;
                }
            }
            assert!(Instant::now() < by, "no such message");
        }
    }

    /// A BYE from the daemon, answered.
    pub fn bye(&self) -> String {
        let bye = self.receive(|m| m.starts_with("BYE "));
        let copied: String = bye
            .lines()
            .filter(|l| {
                ["Via:", "From:", "To:", "Call-ID:", "CSeq:"]
                    .iter()
                    .any(|h| l.starts_with(h))
            })
            .map(|l| format!("{l}\r\n"))
            .collect();
        let ok = format!("SIP/2.0 200 OK\r\n{copied}Content-Length: 0\r\n\r\n");
        self.sip.send(ok.as_bytes()).unwrap();
        bye
    }

    pub fn hang_up(&self) {
        let bye = self.request("BYE", 2, &self.to_header, "");
        self.sip.send(bye.as_bytes()).unwrap();
        self.receive(|m| m.starts_with("SIP/2.0 200"));
    }

    fn packet(&mut self, payload_type: u8, marker: bool, timestamp: u32, payload: &[u8]) {
        let mut octets = vec![0x80, payload_type | if marker { 0x80 } else { 0 }];
        octets.extend(self.sequence.to_be_bytes());
        octets.extend(timestamp.to_be_bytes());
        octets.extend(self.tag.to_be_bytes());
        octets.extend(payload);
        self.sequence = self.sequence.wrapping_add(1);
        self.rtp.send_to(&octets, self.media.as_ref().unwrap()).unwrap();
    }

    /// 20 ms of silence.
    pub fn silence(&mut self, packets: u32) {
        for _ in 0..packets {
            self.packet(0, false, self.timestamp, &[0xff; 160]);
            self.timestamp += 160;
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Speaks a tone for so many packets of 20 ms, and listens: what came meanwhile, 8 kHz.
    pub fn speak(&mut self, pitch: f64, packets: u32) -> Vec<f32> {
        let (start, mut heard, mut octets) = (Instant::now(), Vec::new(), [0; 2048]);
        for n in 1..=packets {
            let payload: Vec<u8> = (0..160u32)
                .map(|i| {
                    let time = f64::from(self.timestamp.wrapping_add(i)) / 8000.0;
                    // Louder and softer four times a second, as syllables are.
                    let swell = (std::f64::consts::TAU * 2.0 * time).sin().abs();
                    ulaw_encode((9000.0 * swell * (std::f64::consts::TAU * pitch * time).sin()) as i16)
                })
                .collect();
            self.packet(0, false, self.timestamp, &payload);
            self.timestamp += 160;
            while let Ok(n) = self.rtp.recv(&mut octets) {
                heard.extend(
                    octets[12..n]
                        .iter()
                        .map(|o| f32::from(ULAW[usize::from(*o)]) / 32_768.0),
                );
            }
            std::thread::sleep((start + Duration::from_millis(20) * n).saturating_duration_since(Instant::now()));
        }
        heard
    }

    /// RFC 4733 §2.5: one event for each key, its end three times.
    pub fn dial(&mut self, keys: &str) {
        self.silence(3);
        for key in keys.chars() {
            let code = "0123456789*#".find(key).unwrap() as u8;
            for (n, end) in [(1u16, false), (2, false), (3, true), (3, true), (3, true)] {
                let duration = (n * 160).to_be_bytes();
                let flags = if end { 0x8a } else { 0x0a };
                let payload = [code, flags, duration[0], duration[1]];
                self.packet(101, n == 1, self.timestamp, &payload);
                std::thread::sleep(Duration::from_millis(5));
            }
            self.timestamp += 800;
            self.silence(2);
        }
    }

    /// Whether anything but silence comes within a while.
    pub fn hears(&mut self) -> bool {
        let by = Instant::now() + Duration::from_secs(10);
        let mut octets = [0; 2048];
        while Instant::now() < by {
            self.silence(1);
            while let Ok(n) = self.rtp.recv(&mut octets) {
                if octets[12..n].iter().any(|o| !matches!(o, 0xff | 0x7f | 0xfe | 0x7e)) {
                    return true;
                }
            }
        }
        false
    }
}

fn field(message: &str, name: &str) -> Option<String> {
    let line = message.lines().find(|l| l.starts_with(name))?;
    Some(line[name.len()..].to_owned())
}

pub fn reason(message: &str) -> String {
    field(message, "Reason: ").unwrap_or_default()
}
