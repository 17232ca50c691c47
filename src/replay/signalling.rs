//! Between the capture's calls and those of the replay. The gateway that answers now is not the one that answered then: it has chosen other
//! tags and other ports, and what the callers said to the old ones is turned to the new ones.

use std::collections::VecDeque;
use std::net::{IpAddr, SocketAddr};

use crate::media::codec::static_name;
use crate::media::rtcp;
use crate::report::entry::clean;
use crate::sip::wire::{Address, Carrier, Message, Start, Writer};

/// Calls that are remembered; those that are over give way first, then the oldest.
const MAX_CALLS: usize = 4096;

/// Notes about single calls.
const MAX_NOTES: usize = 8;
/// Longest name of a caller, or of a codec.
const MAX_NAME: usize = 40;
/// Formats of an answer that are looked at.
const MAX_TYPES: usize = 16;

/// In the order in which they came.
#[derive(Debug, Default)]
pub struct Calls {
    calls: VecDeque<Call>,
}

#[derive(Debug, Default)]
struct Call {
    id: Vec<u8>,
    /// Where the caller said that its audio comes from and goes to.
    offered: Option<SocketAddr>,
    /// Where the captured gateway had its audio; a later call may have got the same port.
    audio_then: Option<SocketAddr>,
    was_answered: bool,
    /// Its BYE has gone by.
    is_over: bool,
    /// The replay's own.
    tag: Option<Vec<u8>>,
    audio: Option<SocketAddr>,
    /// What the captured gateway agreed to, and what is agreed to now.
    types_then: Vec<Type>,
    types: Vec<Type>,
    caller: String,
}

/// A payload type of an answer, and the codec's name.
type Type = (u8, String);

/// Whether octets are a SIP message (RFC 3261 §7): keep-alives and others are not.
pub fn read(octets: &[u8]) -> Option<Message> {
    let looks = octets.windows(7).take(512).any(|seven| seven == b"SIP/2.0");
    looks.then(|| Message::read(octets, Carrier::Datagram)).flatten()
}

/// Method of a request.
pub fn method(message: &Message) -> Option<&[u8]> {
    match &message.start {
        Start::Request { method, .. } => Some(method),
        Start::Response { .. } => None,
    }
}

/// Status of an answer.
pub fn status(message: &Message) -> Option<u16> {
    match &message.start {
        Start::Response { status, .. } => Some(*status),
        Start::Request { .. } => None,
    }
}

/// RTP at first sight (RFC 3550 A.1): what the machine itself is asked, names and the time, looks otherwise or has a port of the system's.
pub fn is_rtp(octets: &[u8]) -> bool {
    octets.len() >= 12 && octets[0] >> 6 == 2 && !rtcp::is_rtcp(octets)
}

impl Calls {
    /// What a caller sent, as it has to be for the gateway that answers now.
    pub fn inward(&mut self, octets: &[u8], message: &Message) -> Vec<u8> {
        let then = tag_of(message);
        let is_invite = method(message) == Some(b"INVITE");
        if is_invite && then.is_none() {
            self.begin(message);
        }
        self.note_end(message);
        let Some(call) = self.call(message) else {
            return octets.to_vec();
        };
        if is_invite && call.offered.is_none() {
            call.offered = audio(&message.body);
            call.caller = caller(message);
        }
        match (then, &call.tag) {
            (Some(then), Some(now)) => replaced(octets, &then, now),
            _ => octets.to_vec(),
        }
    }

    /// What the captured gateway sent tells where it had a call's audio.
    pub fn outward_then(&mut self, message: &Message) {
        self.note_end(message);
        let Start::Response { .. } = message.start else { return };
        let Some(audio) = audio(&message.body) else { return };
        if self.call(message).is_none() {
            return;
        }
        // One port is one call's at a time.
        let is_that = |then: &SocketAddr| then.port() == audio.port();
        for other in self
            .calls
            .iter_mut()
            .filter(|it| it.audio_then.as_ref().is_some_and(is_that))
        {
            other.audio_then = None;
        }
        if let Some(call) = self.call(message) {
            call.audio_then = Some(audio);
            call.was_answered = true;
            call.types_then = types(&message.body);
        }
    }

    /// What the gateway sends now.
    pub fn outward_now(&mut self, message: &Message) {
        let Start::Response { .. } = &message.start else { return };
        let (tag, audio) = (tag_of(message), audio(&message.body));
        if self.call(message).is_none() {
            return;
        }
        for other in self.calls.iter_mut().filter(|it| audio.is_some() && it.audio == audio) {
            other.audio = None;
        }
        let Some(call) = self.call(message) else { return };
        call.tag = tag.or(call.tag.take());
        call.audio = audio.or(call.audio);
        if audio.is_some() {
            call.types = types(&message.body);
        }
    }

    /// Calls whose codec then is none that is agreed to now: what was said under another answer cannot be had from a capture.
    pub fn other_codecs(&self) -> Vec<String> {
        let others = self.calls.iter().filter_map(|call| {
            let (then, now) = (call.types_then.first()?, call.types.first()?);
            (!call.types.contains(then)).then(|| {
                format!(
                    "the call from {} was in {} at the site, and this config agrees to {}: what was captured is not played. \
                     A replay cannot say how it sounds in another codec",
                    call.caller, then.1, now.1
                )
            })
        });
        others.take(MAX_NOTES).collect()
    }

    /// Where a datagram of a call's audio has to go now. `by_port`: only the captured gateway's own word for its port counts.
    pub fn audio(&self, from: SocketAddr, to: SocketAddr, by_port: bool) -> Option<SocketAddr> {
        let latest = |fits: &dyn Fn(&Call) -> bool| self.calls.iter().rfind(|call| fits(call));
        if let Some(call) = latest(&|call| call.audio_then.is_some_and(|then| then.port() == to.port())) {
            return call.audio;
        }
        if by_port {
            return None;
        }
        // Where only one direction was captured, the caller's own word has to do.
        let waits = |call: &Call| !call.was_answered && call.audio.is_some();
        let by_offer = |call: &Call| waits(call) && call.offered == Some(from);
        let by_host = |call: &Call| waits(call) && call.offered.is_some_and(|it| it.ip() == from.ip());
        latest(&|call| by_offer(call) && !call.is_over)
            .or_else(|| latest(&by_offer))
            .or_else(|| latest(&|call| by_host(call) && !call.is_over))
            .or_else(|| latest(&by_host))?
            .audio
    }

    /// A Call-ID that comes anew, after its BYE, is another call.
    fn begin(&mut self, message: &Message) {
        let Some(id) = message.first("Call-ID") else { return };
        if self.calls.iter().any(|call| call.id == id && !call.is_over) {
            return;
        }
        if self.calls.len() >= MAX_CALLS {
            let first = self.calls.iter().position(|call| call.is_over).unwrap_or(0);
            self.calls.remove(first);
        }
        self.calls.push_back(Call {
            id: id.to_vec(),
            ..Call::default()
        });
    }

    fn note_end(&mut self, message: &Message) {
        if method(message) == Some(b"BYE")
            && let Some(call) = self.call(message)
        {
            call.is_over = true;
        }
    }

    fn call(&mut self, message: &Message) -> Option<&mut Call> {
        let id = message.first("Call-ID")?;
        self.calls.iter_mut().rfind(|call| call.id == id)
    }
}

/// The gateway's own, once it has answered.
fn tag_of(message: &Message) -> Option<Vec<u8>> {
    Address::read(message.first("To")?).ok()?.tag().map(<[u8]>::to_vec)
}

/// Address and port of the first audio stream of an SDP body (RFC 8866 §5.7, §5.14).
fn audio(body: &[u8]) -> Option<SocketAddr> {
    let text = std::str::from_utf8(body).ok()?;
    let (mut session, mut own, mut port) = (None, None, None);
    for line in text.lines() {
        if let Some(address) = line
            .strip_prefix("c=IN IP4 ")
            .or_else(|| line.strip_prefix("c=IN IP6 "))
        {
            let address: Option<IpAddr> = address.split(['/', ' ']).next().and_then(|it| it.parse().ok());
            match port {
                None => session = address,
                Some(_) => own = own.or(address),
            }
        } else if let Some(media) = line.strip_prefix("m=") {
            if port.is_some() {
                break;
            }
            let mut words = media.split(' ');
            if words.next() == Some("audio") {
                port = words
                    .next()
                    .and_then(|port| port.split('/').next()?.parse::<u16>().ok());
            }
        }
    }
    Some(SocketAddr::new(own.or(session)?, port.filter(|port| *port != 0)?))
}

/// The audio formats of an answer (RFC 8866 §5.14, §6.6), best first, without events and comfort noise.
fn types(body: &[u8]) -> Vec<Type> {
    let text = String::from_utf8_lossy(body);
    let audio = text.lines().filter_map(|line| line.strip_prefix("m=audio ")).next();
    let numbers = audio.into_iter().flat_map(|media| media.split(' ').skip(2));
    let name = |number: u8| {
        let maps = text.lines().filter_map(|line| line.strip_prefix("a=rtpmap:"));
        let mut maps = maps.filter_map(|map| map.split_once(' '));
        let own = maps.find(|(of, _)| of.parse() == Ok(number));
        let own = own.map(|(_, name)| name.trim().trim_end_matches("/8000").to_ascii_uppercase());
        own.or_else(|| static_name(number).map(str::to_owned))
            .unwrap_or_else(|| format!("payload type {number}"))
    };
    let all = numbers.filter_map(|number| number.trim().parse().ok());
    let all = all.map(|number| (number, clean(&name(number), MAX_NAME)));
    let all = all.filter(|(_, name)| name != "CN" && !name.starts_with("TELEPHONE-EVENT"));
    all.take(MAX_TYPES).collect()
}

/// As From says.
fn caller(message: &Message) -> String {
    let user = message
        .first("From")
        .and_then(|from| Address::read(from).ok()?.uri.sip()?.user_name());
    let user = user.map(|user| clean(&String::from_utf8_lossy(&user), MAX_NAME));
    user.unwrap_or_else(|| "somebody".to_owned())
}

/// A tag is long and random (RFC 3261 §19.3): wherever it stands it means the same.
fn replaced(octets: &[u8], from: &[u8], to: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(octets.len());
    let mut rest = octets;
    while !rest.is_empty() {
        if !from.is_empty() && rest.starts_with(from) {
            out.extend_from_slice(to);
            rest = &rest[from.len()..];
        } else {
            out.push(rest[0]);
            rest = &rest[1..];
        }
    }
    out
}

/// The answer of a phone system that agrees with everything (RFC 3261 §8.2.6, §10.3): the gateway's own registrations and goodbyes
/// need one, and the captured ones were for others. `None` for what is not answered.
pub fn agreed(message: &Message) -> Option<Vec<u8>> {
    let method = method(message)?;
    if method == b"ACK" {
        return None;
    }
    let mut reply = Writer::response(200);
    for name in ["Via", "From", "To", "Call-ID", "CSeq"] {
        for value in message.all(name) {
            let has_tag = name != "To" || Address::read(value).is_ok_and(|to| to.tag().is_some());
            let tag: &[u8] = if has_tag { b"" } else { b";tag=replay" };
            reply.header(name, [value, tag].concat());
        }
    }
    if method == b"REGISTER" {
        let expires = message.first("Expires").unwrap_or(b"300");
        reply.header("Expires", expires);
        for contact in message.all("Contact") {
            reply.header("Contact", contact);
        }
    }
    Some(reply.finish(b""))
}

#[cfg(test)]
mod tests {
    use super::*;

    const INVITE: &str = "INVITE sip:850@192.0.2.20 SIP/2.0\r\nVia: SIP/2.0/UDP 192.0.2.30;branch=z9hG4bK1\r\nFrom: <sip:213@pbx>;tag=a\r\n\
        To: <sip:850@192.0.2.20>\r\nCall-ID: x1\r\nCSeq: 1 INVITE\r\nContent-Type: application/sdp\r\n\r\nv=0\r\nc=IN IP4 192.0.2.30\r\nm=audio 4000 RTP/AVP 0\r\n";

    fn answer(tag: &str, port: u16) -> Message {
        let text = format!(
            "SIP/2.0 200 OK\r\nVia: SIP/2.0/UDP 192.0.2.30;branch=z9hG4bK1\r\nFrom: <sip:213@pbx>;tag=a\r\nTo: <sip:850@192.0.2.20>;tag={tag}\r\n\
             Call-ID: x1\r\nCSeq: 1 INVITE\r\nContent-Type: application/sdp\r\n\r\nv=0\r\nc=IN IP4 192.0.2.20\r\nm=audio {port} RTP/AVP 0\r\n"
        );
        read(text.as_bytes()).unwrap()
    }

    #[test]
    fn what_was_said_to_the_old_one_reaches_the_new_one() {
        let mut calls = Calls::default();
        let invite = read(INVITE.as_bytes()).unwrap();
        assert_eq!(calls.inward(INVITE.as_bytes(), &invite), INVITE.as_bytes());
        calls.outward_now(&answer("new", 16_400));
        let (phone, stranger): (SocketAddr, SocketAddr) =
            ("192.0.2.30:4000".parse().unwrap(), "192.0.2.31:4000".parse().unwrap());
        let old: SocketAddr = "192.0.2.20:20000".parse().unwrap();
        let now: SocketAddr = "192.0.2.20:16400".parse().unwrap();
        // The caller's word, as long as there is no other.
        assert_eq!(calls.audio(phone, old, false), Some(now));
        assert_eq!(calls.audio(stranger, old, false), None);
        calls.outward_then(&answer("old", 20_000));
        assert_eq!(calls.audio(stranger, old, false), Some(now));
        let bye = "BYE sip:850@192.0.2.20 SIP/2.0\r\nTo: <sip:850@192.0.2.20>;tag=old\r\nFrom: <sip:213@pbx>;tag=a\r\nCall-ID: x1\r\nCSeq: 2 BYE\r\n\r\n";
        let message = read(bye.as_bytes()).unwrap();
        let turned = calls.inward(bye.as_bytes(), &message);
        assert_eq!(String::from_utf8(turned).unwrap(), bye.replace("tag=old", "tag=new"));
    }

    #[test]
    fn audio_of_an_offer() {
        let sdp = |text: &str| audio(text.as_bytes()).map(|it| it.to_string());
        assert_eq!(
            sdp("c=IN IP4 192.0.2.1\r\nm=audio 4000 RTP/AVP 0\r\n").as_deref(),
            Some("192.0.2.1:4000")
        );
        assert_eq!(
            sdp("c=IN IP4 192.0.2.1\r\nm=audio 4000/2 RTP/AVP 0\r\nc=IN IP4 192.0.2.9/127\r\nm=video 1 RTP/AVP 9\r\n")
                .as_deref(),
            Some("192.0.2.9:4000")
        );
        assert_eq!(
            sdp("c=IN IP6 2001:db8::1\nm=audio 4000 RTP/AVP 0\n").as_deref(),
            Some("[2001:db8::1]:4000")
        );
        assert_eq!(sdp("c=IN IP4 192.0.2.1\r\nm=audio 0 RTP/AVP 0\r\n"), None);
        assert_eq!(sdp("m=audio 4000 RTP/AVP 0\r\n"), None);
    }
}
