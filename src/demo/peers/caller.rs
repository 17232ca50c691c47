//! Somebody with a telephone: calls, speaks, listens, hangs up or is hung up on.

use std::net::{IpAddr, SocketAddr};
use std::time::{Duration, Instant};

use rand::Rng as _;
use tokio::net::UdpSocket;
use tokio::time::{MissedTickBehavior, timeout_at};

use super::message::{Message, address, endpoint};
use super::rtp::{FRAME, PTIME, Stream, payload_type, samples};
use super::{Beep, BeepMeter, Log, MAX_DATAGRAM, PeerError, any_port, bind};
use crate::media::Codec;

/// RFC 3261 Table 4.
const T1: Duration = Duration::from_millis(500);
const T2: Duration = Duration::from_secs(4);
const TIMER_B: Duration = Duration::from_secs(32);
/// How long the answer to our BYE is waited for.
const BYE_PATIENCE: Duration = Duration::from_secs(4);

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Opening {
    /// Speaks in the moment of the answer.
    AtOnce,
    /// Waits for the go-ahead beep, but not longer than this.
    AfterBeep(Duration),
}

#[derive(Debug, Clone)]
pub struct CallSettings {
    /// As it stands in the log.
    pub name: String,
    /// User part of From.
    pub user: String,
    /// Own address, SIP and RTP at free ports.
    pub address: IpAddr,
    /// Every request goes here first.
    pub proxy: SocketAddr,
    /// Who is called, e.g. `sip:850@127.0.0.2:5060`.
    pub target: String,
    /// PCMU or PCMA.
    pub codec: Codec,
    /// Mono at 8 kHz.
    pub speech: Vec<i16>,
    pub opening: Opening,
    /// Hangs up this long after the last word.
    pub linger: Duration,
    /// Gives up this long after dialling; not later than the INVITE's own time-out.
    pub patience: Duration,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum CallEnd {
    /// The answer was not 200.
    Refused,
    NoAnswer,
    /// We sent BYE; `answered` tells whether it was confirmed.
    HungUp {
        answered: bool,
    },
    /// They sent BYE, with this Reason (RFC 3326).
    CutOff {
        reason: Option<String>,
    },
}

/// A call as the caller saw it.
#[derive(Debug, Clone)]
pub struct CallReport {
    /// Final status, 0 without one.
    pub status: u16,
    /// From the INVITE to the final answer.
    pub answered_after: Duration,
    pub end: CallEnd,
    pub packets_sent: u64,
    pub packets_heard: u64,
    /// From the answer on.
    pub beeps: Vec<Beep>,
}

/// One telephone, one call.
pub struct Caller {
    settings: CallSettings,
    log: Log,
    sip: UdpSocket,
    sip_address: SocketAddr,
    rtp: UdpSocket,
    rtp_address: SocketAddr,
    buffer: Vec<u8>,
    invite: Message,
}

/// An established call (RFC 3261 §12).
struct Dialog {
    ack: Vec<u8>,
    target: String,
    route: Vec<String>,
    to: String,
    media: Option<SocketAddr>,
}

impl Caller {
    /// # Errors
    /// When the address cannot be bound.
    pub async fn new(settings: CallSettings, log: Log) -> Result<Self, PeerError> {
        let (sip, sip_address) = bind("caller", any_port(settings.address)).await?;
        let (rtp, rtp_address) = bind("caller", any_port(settings.address)).await?;
        let mut invite = Message::request("INVITE", &settings.target);
        let host = sip_address.ip();
        invite
            .push("Via", via(sip_address))
            .push("Max-Forwards", "70")
            .push(
                "From",
                format!("\"{}\" <sip:{}@{host}>;tag={}", settings.name, settings.user, token()),
            )
            .push("To", format!("<{}>", settings.target))
            .push("Call-ID", format!("{}@{host}", token()))
            .push("CSeq", "1 INVITE")
            .push("Contact", format!("<sip:{}@{sip_address}>", settings.user))
            .push("Allow", "INVITE, ACK, BYE, CANCEL, OPTIONS")
            .push("Content-Type", "application/sdp");
        invite.body = offer(rtp_address, settings.codec);
        Ok(Caller {
            settings,
            log,
            sip,
            sip_address,
            rtp,
            rtp_address,
            buffer: vec![0; MAX_DATAGRAM],
            invite,
        })
    }

    /// Makes the call, from the first INVITE to the end.
    ///
    /// # Errors
    /// When a socket fails.
    pub async fn run(mut self) -> Result<CallReport, PeerError> {
        let name = self.settings.name.clone();
        self.log.note(&name, format!("dials {}", self.settings.target));
        let began = Instant::now();
        let answer = self.call().await?;
        let mut report = CallReport {
            status: answer.as_ref().and_then(Message::status).unwrap_or(0),
            answered_after: began.elapsed(),
            end: CallEnd::NoAnswer,
            packets_sent: 0,
            packets_heard: 0,
            beeps: Vec::new(),
        };
        let Some(answer) = answer else {
            self.log.note(&name, "gets no answer");
            return Ok(report);
        };
        if report.status >= 300 {
            let told = answer.start.strip_prefix("SIP/2.0 ").unwrap_or_default();
            let reason = answer
                .get("Reason")
                .map(|r| format!(", Reason: {r}"))
                .unwrap_or_default();
            self.log.note(&name, format!("is refused: {told}{reason}"));
            let ack = self.ack_of_refusal(&answer);
            self.send(&ack.octets()).await?;
            report.end = CallEnd::Refused;
            return Ok(report);
        }
        self.log.note(
            &name,
            format!("is answered after {} ms", report.answered_after.as_millis()),
        );
        let dialog = self.dialog(&answer);
        self.send(&dialog.ack).await?;
        self.talk(&dialog, &mut report).await?;
        Ok(report)
    }

    /// INVITE until a final answer (RFC 3261 §17.1.1).
    async fn call(&mut self) -> Result<Option<Message>, PeerError> {
        let octets = self.invite.octets();
        let give_up = tokio::time::Instant::now() + self.settings.patience.min(TIMER_B);
        let mut gap = T1;
        let mut provisional = false;
        loop {
            if !provisional {
                self.send(&octets).await?;
            }
            let until = (tokio::time::Instant::now() + gap).min(give_up);
            gap *= 2;
            while let Ok(received) = timeout_at(until, self.sip.recv_from(&mut self.buffer)).await {
                let Ok((length, _)) = received else { continue };
                let Some(message) = Message::read(self.buffer.get(..length).unwrap_or_default()) else {
                    continue;
                };
                match message.status() {
                    Some(100..=199) => provisional = true,
                    Some(_) => return Ok(Some(message)),
                    None => {}
                }
            }
            if tokio::time::Instant::now() >= give_up {
                return Ok(None);
            }
        }
    }

    /// Speaks and listens until one of both hangs up.
    async fn talk(&mut self, dialog: &Dialog, report: &mut CallReport) -> Result<(), PeerError> {
        let name = self.settings.name.clone();
        let answered = Instant::now();
        let mut stream = Stream::new(self.settings.codec, std::mem::take(&mut self.settings.speech));
        let mut meter = BeepMeter::new(8000);
        let mut clock = tokio::time::interval(PTIME);
        // Like a telephone: late packets follow at once, none is left out.
        clock.set_missed_tick_behavior(MissedTickBehavior::Burst);
        let mut last_word = None;
        let mut speaking = false;
        let mut heard = vec![0; MAX_DATAGRAM];
        report.end = loop {
            tokio::select! {
                _ = clock.tick() => {
                    let may_speak = match self.settings.opening {
                        Opening::AtOnce => true,
                        Opening::AfterBeep(limit) => !meter.beeps().is_empty() || answered.elapsed() >= limit,
                    };
                    if may_speak && !speaking {
                        speaking = true;
                        self.log.note(&name, "speaks");
                    }
                    let packet = stream.packet(may_speak);
                    if let Some(media) = dialog.media {
                        let _ = self.rtp.send_to(&packet, media).await;
                    }
                    if stream.is_done() && last_word.is_none() {
                        last_word = Some(Instant::now());
                    }
                    if last_word.is_some_and(|at| at.elapsed() >= self.settings.linger) {
                        self.log.note(&name, "hangs up");
                        let answered = self.hang_up(dialog).await?;
                        break CallEnd::HungUp { answered };
                    }
                }
                Ok((length, _)) = self.rtp.recv_from(&mut heard) => {
                    if let Some(samples) = samples(heard.get(..length).unwrap_or_default()) {
                        report.packets_heard += 1;
                        let before = meter.beeps().len();
                        meter.feed(&samples);
                        if let Some(beep) = meter.beeps().get(before) {
                            self.log.note(&name, format!(
                                "hears a tone: {:.0} Hz for {} ms at {:.0} dBFS",
                                beep.pitch, beep.length.as_millis(), beep.level,
                            ));
                        }
                    }
                }
                Ok((length, source)) = self.sip.recv_from(&mut self.buffer) => {
                    let octets = self.buffer.get(..length).unwrap_or_default();
                    let Some(message) = Message::read(octets) else { continue };
                    let (status, reason) = match message.method() {
                        // A repeated 200: our ACK was lost (RFC 3261 §13.2.2.4).
                        None if message.status() == Some(200) && message.get("CSeq") == Some("1 INVITE") => {
                            self.send(&dialog.ack).await?;
                            continue;
                        }
                        None | Some("ACK") => continue,
                        Some("BYE" | "OPTIONS") => (200, "OK"),
                        Some("INVITE") => (488, "Not Acceptable Here"),
                        Some(_) => (405, "Method Not Allowed"),
                    };
                    let response = Message::response(&message, status, reason, &token());
                    let _ = self.sip.send_to(&response.octets(), source).await;
                    if message.method() == Some("BYE") {
                        let reason = message.get("Reason").map(str::to_owned);
                        let told = reason.as_deref().unwrap_or("none given");
                        self.log.note(&name, format!("is cut off; Reason: {told}"));
                        break CallEnd::CutOff { reason };
                    }
                }
            }
        };
        report.packets_sent = stream.sent;
        // Closes a tone that was still sounding.
        meter.feed(&[0; FRAME]);
        report.beeps = meter.beeps().to_vec();
        Ok(())
    }

    /// BYE until it is answered; tells whether it was.
    async fn hang_up(&mut self, dialog: &Dialog) -> Result<bool, PeerError> {
        let bye = self.in_dialog("BYE", 2, dialog).octets();
        let give_up = tokio::time::Instant::now() + BYE_PATIENCE;
        let mut gap = T1;
        while tokio::time::Instant::now() < give_up {
            self.send(&bye).await?;
            let until = (tokio::time::Instant::now() + gap).min(give_up);
            gap = (gap * 2).min(T2);
            while let Ok(received) = timeout_at(until, self.sip.recv_from(&mut self.buffer)).await {
                let Ok((length, source)) = received else { continue };
                let Some(message) = Message::read(self.buffer.get(..length).unwrap_or_default()) else {
                    continue;
                };
                let for_bye = message.get("CSeq").is_some_and(|c| c.ends_with("BYE"));
                match (message.status(), message.method()) {
                    (Some(200..), _) if for_bye => return Ok(true),
                    // Both hung up at once.
                    (None, Some("BYE")) => {
                        let response = Message::response(&message, 200, "OK", &token());
                        let _ = self.sip.send_to(&response.octets(), source).await;
                    }
                    _ => {}
                }
            }
        }
        Ok(false)
    }

    /// RFC 3261 §12.1.2.
    fn dialog(&self, answer: &Message) -> Dialog {
        let mut route = answer.list("Record-Route");
        route.reverse();
        let contact = answer.list("Contact").into_iter().next().unwrap_or_default();
        let mut dialog = Dialog {
            ack: Vec::new(),
            target: address(&contact).0.to_owned(),
            route,
            to: answer.get("To").unwrap_or_default().to_owned(),
            media: media(&answer.body),
        };
        dialog.ack = self.in_dialog("ACK", 1, &dialog).octets();
        dialog
    }

    fn in_dialog(&self, method: &str, cseq: u32, dialog: &Dialog) -> Message {
        let mut request = Message::request(method, &dialog.target);
        request.push("Via", via(self.sip_address)).push("Max-Forwards", "70");
        for route in &dialog.route {
            request.push("Route", route);
        }
        request
            .push("From", self.invite.get("From").unwrap_or_default())
            .push("To", &dialog.to)
            .push("Call-ID", self.invite.get("Call-ID").unwrap_or_default())
            .push("CSeq", format!("{cseq} {method}"));
        request
    }

    /// RFC 3261 §17.1.1.3: of the INVITE's own transaction.
    fn ack_of_refusal(&self, answer: &Message) -> Message {
        let mut ack = Message::request("ACK", &self.settings.target);
        ack.push("Via", self.invite.get("Via").unwrap_or_default())
            .push("Max-Forwards", "70")
            .push("From", self.invite.get("From").unwrap_or_default())
            .push("To", answer.get("To").unwrap_or_default())
            .push("Call-ID", self.invite.get("Call-ID").unwrap_or_default())
            .push("CSeq", "1 ACK");
        ack
    }

    /// To the next hop.
    async fn send(&self, octets: &[u8]) -> Result<(), PeerError> {
        let to = self.settings.proxy;
        match self.sip.send_to(octets, to).await {
            Ok(_) => Ok(()),
            // Nobody there yet; it is sent again.
            Err(e) if e.kind() == std::io::ErrorKind::ConnectionRefused => Ok(()),
            Err(cause) => Err(PeerError {
                who: "caller",
                what: "cannot send to",
                address: to,
                cause,
            }),
        }
    }

    /// Where it hears.
    pub fn rtp_address(&self) -> SocketAddr {
        self.rtp_address
    }
}

fn via(address: SocketAddr) -> String {
    format!("SIP/2.0/UDP {address};rport;branch=z9hG4bK{}", token())
}

fn token() -> String {
    format!("{:016x}", rand::rng().random::<u64>())
}

/// G.711 and telephone events, as a desk telephone offers them.
fn offer(rtp: SocketAddr, codec: Codec) -> String {
    let family = if rtp.is_ipv4() { "IP4" } else { "IP6" };
    let (address, port, pt) = (rtp.ip(), rtp.port(), payload_type(codec));
    let name = if pt == 8 { "PCMA" } else { "PCMU" };
    format!(
        "v=0\r\no=- 1 1 IN {family} {address}\r\ns=-\r\nc=IN {family} {address}\r\nt=0 0\r\n\
         m=audio {port} RTP/AVP {pt} 101\r\na=rtpmap:{pt} {name}/8000\r\na=rtpmap:101 telephone-event/8000\r\n\
         a=fmtp:101 0-15\r\na=ptime:20\r\na=sendrecv\r\n"
    )
}

/// Where the answer wants RTP.
fn media(body: &str) -> Option<SocketAddr> {
    let line = |prefix: &str| body.lines().find_map(|l| l.strip_prefix(prefix)).map(str::trim);
    let host = line("c=IN IP4 ").or_else(|| line("c=IN IP6 "))?;
    let port: u16 = line("m=audio ")?.split(' ').next()?.parse().ok()?;
    let mut place = endpoint(host)?;
    place.set_port(port);
    (port != 0).then_some(place)
}

#[cfg(test)]
mod tests {
    use super::super::message::destination;
    use super::*;

    #[test]
    fn reads_where_audio_goes() {
        let rtp: SocketAddr = "127.0.0.3:4000".parse().unwrap();
        assert_eq!(media(&offer(rtp, Codec::Pcma)), Some(rtp));
        let rtp: SocketAddr = "[::1]:4000".parse().unwrap();
        assert_eq!(media(&offer(rtp, Codec::Pcmu)), Some(rtp));
        assert_eq!(media("c=IN IP4 127.0.0.1\r\nm=audio 0 RTP/AVP 0\r\n"), None);
        assert_eq!(
            destination("sip:850@127.0.0.1:5070;transport=udp"),
            "127.0.0.1:5070".parse().ok()
        );
    }
}
