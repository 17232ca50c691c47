//! The least caller that is a proper one: INVITE with SDP, ACK, speech, BYE (RFC 3261, RFC 3264).

use std::cell::Cell;
use std::io::ErrorKind;
use std::net::{Ipv4Addr, UdpSocket};
use std::time::{Duration, Instant};

use crate::Failure;
use crate::signal::{FRAME, PACKET_TIME, mulaw, rtp, speech};

/// Longest that an answer may take.
const PATIENCE: Duration = Duration::from_secs(5);
/// A request is repeated after this, and then after twice as long each time (RFC 3261 §17.1, T1).
const T1: Duration = Duration::from_millis(500);

/// A telephone at an address of its own; one call at a time.
pub struct Phone {
    sip: UdpSocket,
    rtp: UdpSocket,
    port: u16,
    calls: Cell<u32>,
}

impl Phone {
    /// At `ip`, with a Hornwire at this port of 127.0.0.1.
    pub fn new(ip: Ipv4Addr, port: u16) -> Result<Self, Failure> {
        let sip = UdpSocket::bind((ip, 0)).map_err(Failure::broken)?;
        sip.connect(("127.0.0.1", port)).map_err(Failure::broken)?;
        let rtp = UdpSocket::bind((ip, 0)).map_err(Failure::broken)?;
        Ok(Phone {
            sip,
            rtp,
            port,
            calls: Cell::new(0),
        })
    }

    /// Calls, and waits for 200.
    pub fn call(&self, number: &str) -> Result<Call<'_>, String> {
        let text = |error: std::io::Error| error.to_string();
        let own = self.rtp.local_addr().map_err(text)?;
        let (ip, rtp_port) = (own.ip(), own.port());
        let sdp =
            format!("v=0\r\no=- 1 1 IN IP4 {ip}\r\ns=-\r\nc=IN IP4 {ip}\r\nt=0 0\r\nm=audio {rtp_port} RTP/AVP 0\r\n");
        let target = format!("sip:{number}@127.0.0.1:{}", self.port);
        self.calls.set(self.calls.get() + 1);
        let mut call = Call {
            phone: self,
            id: self.calls.get(),
            to: format!("<{target}>"),
            target,
            speech_port: 0,
            answered_after: Duration::ZERO,
        };
        let from = Instant::now();
        let answer = call.ask("INVITE", 1, &sdp)?;
        call.answered_after = from.elapsed();
        if status(&answer) != 200 {
            return Err(format!("the call was answered {}", answer.lines().next().unwrap_or("")));
        }
        let header = |name: &str| answer.lines().find_map(|l| l.strip_prefix(name)).map(str::trim);
        call.to = header("To:").ok_or("no To in the answer")?.to_owned();
        if let Some(contact) = header("Contact:").and_then(|c| c.split(['<', '>']).nth(1)) {
            call.target = contact.to_owned();
        }
        call.speech_port = header("m=audio ")
            .and_then(|m| m.split(' ').next()?.parse().ok())
            .ok_or("no audio in the answer")?;
        call.request("ACK", 1, "").map_err(text)?;
        Ok(call)
    }

    /// What comes within this time.
    fn receive(&self, time: Duration) -> Result<Option<String>, String> {
        let time = time.max(Duration::from_millis(1));
        self.sip.set_read_timeout(Some(time)).map_err(|e| e.to_string())?;
        let mut buffer = [0; 4096];
        match self.sip.recv(&mut buffer) {
            Ok(n) => Ok(Some(String::from_utf8_lossy(&buffer[..n]).into_owned())),
            Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => Ok(None),
            Err(e) => Err(format!("no answer: {e}")),
        }
    }
}

pub struct Call<'p> {
    phone: &'p Phone,
    id: u32,
    /// `To` with the tag of the answer.
    to: String,
    target: String,
    speech_port: u16,
    /// From sending INVITE to having the 200.
    pub answered_after: Duration,
}

impl Call<'_> {
    pub fn speak(&self, length: Duration) -> std::io::Result<()> {
        let speech = speech(length.as_secs() as u32 + 1);
        let start = Instant::now();
        for (number, frame) in speech.chunks_exact(FRAME).enumerate() {
            let due = start + PACKET_TIME * number as u32;
            std::thread::sleep(due.saturating_duration_since(Instant::now()));
            if start.elapsed() >= length {
                break;
            }
            let payload: Vec<u8> = frame.iter().map(|s| mulaw(*s)).collect();
            let packet = rtp(number as u64, 0, FRAME as u32, &payload);
            self.phone.rtp.send_to(&packet, ("127.0.0.1", self.speech_port))?;
        }
        Ok(())
    }

    pub fn hang_up(&self) -> Result<(), String> {
        let answer = self.ask("BYE", 2, "")?;
        if status(&answer) == 200 {
            Ok(())
        } else {
            Err(format!("BYE was answered {answer}"))
        }
    }

    /// Sends a request, repeats it as one by UDP must be, and gives its final answer; others are passed over.
    fn ask(&self, method: &str, cseq: u32, body: &str) -> Result<String, String> {
        let (line, id) = (
            format!("\r\nCSeq: {cseq} {method}\r\n"),
            format!("\r\nCall-ID: {}\r\n", self.call_id()),
        );
        let (began, mut interval) = (Instant::now(), T1);
        let mut again = began;
        while began.elapsed() < PATIENCE {
            if again <= Instant::now() {
                self.request(method, cseq, body).map_err(|e| e.to_string())?;
                again = Instant::now() + interval;
                interval *= 2;
            }
            let answer = self.phone.receive(again.saturating_duration_since(Instant::now()))?;
            if let Some(answer) = answer.filter(|a| a.contains(&line) && a.contains(&id) && status(a) >= 200) {
                return Ok(answer);
            }
        }
        Err(format!("no final answer to {method}"))
    }

    fn call_id(&self) -> String {
        let own = self.phone.sip.local_addr().map(|a| a.to_string()).unwrap_or_default();
        format!("{}-bench@{own}", self.id)
    }

    fn request(&self, method: &str, cseq: u32, body: &str) -> std::io::Result<()> {
        let own = self.phone.sip.local_addr()?;
        let kind = if body.is_empty() {
            ""
        } else {
            "Content-Type: application/sdp\r\n"
        };
        let message = format!(
            "{method} {} SIP/2.0\r\nVia: SIP/2.0/UDP {own};branch=z9hG4bK{method}{};rport\r\nMax-Forwards: 70\r\n\
             From: \"Office\" <sip:201@{own}>;tag=bench{}\r\nTo: {}\r\nCall-ID: {}\r\nCSeq: {cseq} {method}\r\n\
             Contact: <sip:201@{own}>\r\n{kind}Content-Length: {}\r\n\r\n{body}",
            self.target,
            self.id,
            self.id,
            self.to,
            self.call_id(),
            body.len()
        );
        self.phone.sip.send(message.as_bytes()).map(|_| ())
    }
}

fn status(answer: &str) -> u16 {
    answer.split(' ').nth(1).and_then(|s| s.parse().ok()).unwrap_or(0)
}
