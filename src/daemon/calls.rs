//! Calls: from INVITE to BYE, seen from the media side.

use std::net::{IpAddr, SocketAddr};
use std::rc::Rc;
use std::time::{Duration, Instant};

use super::ports::{Arrival, Reader};
use super::return_path::ReturnPath;
use super::source_lock::SourceLock;
use crate::device::net::DatagramSocket;
use crate::media::srtp::{Opener, Scope, SrtpFigures};
use crate::media::{Keypad, PayloadMap, Receiver};
use crate::page::{EndReason, PageId, Refusal};
use crate::sip::agent::Cause;
use crate::sip::sdp::{self, Agreed, Direction, KeySeed};
use crate::sound::tone::Tone;

/// How long a caller who is cut hears the busy tone before the BYE: two beats, and into the pause after them.
pub const BUSY_TONE: Duration = Duration::from_millis(1750);

/// One call's media.
pub struct Leg {
    pub page: PageId,
    /// Indexes the plan's extensions.
    pub extension: usize,
    pub caller: String,
    /// See [`crate::gate::Caller::counted_as`].
    pub counted_as: u64,
    /// What we say of ourselves in session descriptions.
    pub local: sdp::Local,
    /// The far end's signalling address: its RTP may come from there too (translation on the way).
    pub peer: SocketAddr,
    pub agreed: Option<Agreed>,
    pub receiver: Receiver,
    /// What may arrive; the voice knows these.
    pub payloads: PayloadMap,
    pub lock: SourceLock,
    /// Whose datagrams the socket takes; everybody's if empty. And until when, if nothing comes.
    pub inside: Vec<SocketAddr>,
    pub fence_until: Option<Instant>,
    /// Opens what comes; `None` while it is agreed to come in the clear.
    pub opener: Option<Opener>,
    /// Signalling came by TLS, and with it the keys.
    pub secret_keys: bool,
    /// What is dialled during the call.
    pub keypad: Keypad,
    pub back: Option<ReturnPath>,
    /// Came before there was a way back.
    pub waiting_tone: Option<(Tone, bool)>,
    /// The body that answers the INVITE once the page is admitted; an offer if the INVITE had none.
    pub body: Vec<u8>,
    pub socket: Rc<DatagramSocket>,
    pub reader: Option<Reader>,
    /// The caller pressed hold: what comes now (music on hold) is nobody's speech.
    pub held: bool,
    pub hang_up: Option<(Instant, Cause)>,
}

impl Leg {
    /// Whether RTP from this address may belong to the call.
    pub fn may_send(&self, address: IpAddr) -> bool {
        let address = address.to_canonical();
        address == self.peer.ip().to_canonical()
            || self
                .agreed
                .and_then(|a| a.remote)
                .is_some_and(|r| r.ip().to_canonical() == address)
    }

    /// Whether this is the address that the leg's own RTP comes from.
    pub fn is_sent_from(&self, address: SocketAddr) -> bool {
        address.port() == self.local.rtp_port && self.socket.local_addr().is_ok_and(|own| own.ip() == address.ip())
    }

    /// Takes what a new offer and answer agreed on.
    pub fn agree(&mut self, agreed: Agreed, seed: u64, now: Instant) {
        self.held = is_held(self.held, self.agreed, agreed);
        self.receiver.set_map(agreed.payloads, now);
        self.keypad.set_map(agreed.payloads);
        match (&agreed.keys, &mut self.opener) {
            (Some(keys), Some(opener)) => opener.rekey(&keys.theirs, now),
            (Some(keys), None) => self.opener = Some(Opener::new(&keys.theirs, Scope::Call)),
            (None, opener) => *opener = None,
        }
        match &mut self.back {
            Some(back) => back.agree(agreed, seed, now),
            None => self.back = ReturnPath::new(agreed, seed, now),
        }
        self.agreed = Some(agreed);
        self.lock.expect(self.peer.ip(), agreed.remote);
        if let Some((tone, repeat)) = self.waiting_tone.take() {
            self.play(&tone, repeat);
        }
    }

    /// Whether a new offer has another key or address than before: then ours is to be new too, since who listens there
    /// cannot know our roll-over counter (RFC 4568 §7.1.4).
    fn wants_new_key(&self, agreed: &Agreed) -> bool {
        let theirs = |a: &Agreed| a.keys.map(|keys| keys.theirs);
        self.agreed.is_some_and(|before| {
            agreed.keys.is_some() && (theirs(&before) != theirs(agreed) || before.remote != agreed.remote)
        })
    }

    /// Takes `fresh` for our next key where a new offer within the call wants one.
    pub fn renew_key(&mut self, offer: &[u8], fresh: KeySeed) {
        let wanted = sdp::answer(offer, &self.local).is_ok_and(|(_, agreed)| self.wants_new_key(&agreed));
        if wanted {
            self.local.keys = fresh;
        }
    }

    /// Takes a datagram for what it is agreed to be: `Some` of its octets in the clear. Of a protected one that reached us
    /// the key decides, and the lock follows it; one in the clear is taken only from an address that may send.
    pub fn open<'a>(&mut self, arrival: &'a mut Arrival, lets_in: impl Fn(IpAddr) -> bool) -> Option<&'a [u8]> {
        let Arrival { peer, octets, at, .. } = arrival;
        if self.agreed.is_none() && self.local.srtp.offers_keys() {
            // Whether it is protected stands in an answer that has not come yet.
            return None;
        }
        if let Some(opener) = &mut self.opener {
            let len = opener.open(octets, *at).ok()?;
            return octets.get(..len);
        }
        let agreed = self.agreed.and_then(|a| a.remote);
        let may = self.may_send(peer.ip()) || lets_in(peer.ip());
        (may && self.lock.admits(*peer, agreed, *at)).then_some(octets)
    }

    /// What has come protected.
    pub fn opened(&self) -> SrtpFigures {
        self.opener.as_ref().map(Opener::figures).unwrap_or_default()
    }

    /// Lets the caller hear that the page is over, then hangs up.
    pub fn cut(&mut self, cause: Cause, now: Instant) {
        self.play(&Tone::busy(), true);
        self.hang_up = Some((now + BUSY_TONE, cause));
    }

    /// Plays a tone to the caller, in place of the one before.
    pub fn play(&mut self, tone: &Tone, repeat: bool) {
        match &mut self.back {
            Some(back) => back.play(tone, repeat),
            None => self.waiting_tone = Some((*tone, repeat)),
        }
    }

    /// Lets the kernel drop what will not be heard.
    pub fn fence(&mut self, now: Instant) {
        let (inside, until) = self.lock.inside(now);
        self.fence_until = until;
        if inside != self.inside {
            // Without it the reader drops the same, at a higher cost.
            let _ = self.socket.fence(&inside);
            self.inside = inside;
        }
    }

    /// When the leg wants attention next.
    pub fn due(&self) -> Option<Instant> {
        let hang_up = self.hang_up.as_ref().map(|(at, _)| *at);
        let packet = self.back.as_ref().and_then(ReturnPath::due);
        [hang_up, packet, self.fence_until].into_iter().flatten().min()
    }

    /// Sends what is due to the caller.
    pub fn send(&mut self, now: Instant) {
        while let Some((remote, octets)) = self.back.as_mut().and_then(|back| back.packet(now)) {
            // A full socket buffer loses a packet of a beep; the next one goes.
            let _ = self.socket.try_send(&octets, remote, None);
        }
    }
}

/// What we say next of ourselves: under the same version if it is the same, else under the next one (RFC 3264 §8).
/// `last` is what we said before.
/// # Errors
/// The far end's description does not fit.
pub fn described<T>(
    local: &mut sdp::Local,
    last: &mut Vec<u8>,
    write: impl Fn(&sdp::Local, &[u8]) -> Result<(Vec<u8>, T), sdp::SdpError>,
) -> Result<(Vec<u8>, T), sdp::SdpError> {
    let (mut body, mut rest) = write(local, last)?;
    if body != *last {
        local.version += 1;
        (body, rest) = write(local, last)?;
    }
    last.clone_from(&body);
    Ok((body, rest))
}

/// Going from speaking to sendonly or inactive, or to the zero address, is hold (RFC 3264 §8.4); an announcement that
/// begins as sendonly, or gives a host name for its address, is not.
fn is_held(held: bool, before: Option<Agreed>, now: Agreed) -> bool {
    match now.direction {
        Direction::SendRecv => now.remote.is_none() && (held || before.is_some_and(|a| a.remote.is_some())),
        Direction::RecvOnly => held || before.is_some_and(|a| a.direction == Direction::SendRecv),
        Direction::SendOnly | Direction::Inactive => true,
    }
}

/// Status and Reason (RFC 3326) of a refusal.
pub fn refusal(why: Refusal) -> (u16, &'static str) {
    match why {
        Refusal::Busy(_) => (486, "zone busy"),
        Refusal::DeviceFault => (480, "sound device fault"),
        Refusal::Vetoed => (480, "amplifier taken over by another system"),
        Refusal::QuietHours => (603, "quiet hours"),
        Refusal::CoolDown => (486, "too soon after the last page"),
        Refusal::TooMany => (486, "too many pages in an hour"),
        Refusal::Shutdown => (480, "shutting down"),
    }
}

/// Reason (RFC 3326) of a BYE.
pub fn cause(reason: EndReason) -> Cause {
    let (status, text) = match reason {
        EndReason::Preempted => (486, "preempted by a page of higher priority"),
        EndReason::PageLimit => (480, "page length limit reached"),
        EndReason::NoRoom => (480, "no room to record more"),
        EndReason::WaitLimit => (480, "no zone was free in time"),
        EndReason::QuietHours => (603, "quiet hours"),
        EndReason::CoolDown => (486, "too soon after the last page"),
        EndReason::TooMany => (486, "too many pages in an hour"),
        EndReason::Quiet => (480, "nothing was said"),
        EndReason::BusyTone => (480, "busy tone on the line"),
        EndReason::NoPackets => (480, "no audio received"),
        EndReason::Operator => (480, "ended by the operator"),
        EndReason::DeviceFault => (480, "sound device fault"),
        EndReason::Vetoed => (480, "amplifier taken over by another system"),
        EndReason::Shutdown => (480, "shutting down"),
        EndReason::Busy => (486, "zone busy"),
        EndReason::HungUp
        | EndReason::Cancelled
        | EndReason::StreamEnded
        | EndReason::Finished
        | EndReason::CallLost => (200, "page ended"),
    };
    Cause {
        status,
        text: text.to_owned(),
    }
}

/// Whether the caller should hear the busy tone before the BYE: somebody may be speaking.
pub fn deserves_tone(reason: EndReason) -> bool {
    matches!(
        reason,
        EndReason::Preempted
            | EndReason::PageLimit
            | EndReason::NoRoom
            | EndReason::WaitLimit
            | EndReason::QuietHours
            | EndReason::Quiet
            | EndReason::Operator
            | EndReason::DeviceFault
            | EndReason::Vetoed
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn agreed(direction: Direction, remote: Option<&str>) -> Agreed {
        Agreed {
            remote: remote.map(|r| r.parse().unwrap()),
            keys: None,
            payloads: PayloadMap::static_types(),
            direction,
            ptime: 20,
        }
    }

    /// RFC 3264 §8, RFC 4028 §7.4: a refresh keeps the version, a change raises it by one, a misfit leaves it.
    #[test]
    fn versions_of_descriptions() {
        let mut local = sdp::Local {
            address: "192.0.2.50".parse().unwrap(),
            rtp_port: 30_000,
            codecs: vec![crate::media::Codec::Pcmu, crate::media::Codec::Pcma],
            session_id: 7,
            version: 0,
            srtp: sdp::Policy::Off,
            keys: KeySeed([0; 32]),
        };
        let offer = |types: &str| {
            format!(
                "v=0\r\no=- 1 1 IN IP4 192.0.2.10\r\ns=-\r\nc=IN IP4 192.0.2.10\r\nt=0 0\r\nm=audio 4000 RTP/AVP {types}\r\n"
            )
        };
        let mut last = sdp::answer(offer("0").as_bytes(), &local).unwrap().0;
        let mut again = |types: &str| {
            let offer = offer(types);
            let said = described(&mut local, &mut last, |l, _| sdp::answer(offer.as_bytes(), l)).is_ok();
            (said, local.version, last.clone())
        };
        let first = again("0");
        assert_eq!((first.0, first.1), (true, 0));
        let changed = again("8");
        assert_eq!((changed.0, changed.1), (true, 1));
        assert!(String::from_utf8(changed.2.clone()).unwrap().contains("o=- 7 1 IN"));
        assert_eq!(again("8"), (true, 1, changed.2.clone()));
        assert_eq!(again("77"), (false, 1, changed.2));
    }

    /// RFC 3264 §8.4, and RFC 2543's zero address that it keeps; directions are ours, mirrored from the offer's.
    #[test]
    fn hold_is_a_change_and_not_a_beginning() {
        let phone = Some("192.0.2.1:4000");
        let speaking = agreed(Direction::SendRecv, phone);
        let sendonly = agreed(Direction::RecvOnly, phone);
        let zero = agreed(Direction::SendRecv, None);
        assert!(!is_held(false, None, speaking));
        assert!(!is_held(false, None, sendonly), "an announcement that only sends");
        assert!(!is_held(false, None, zero), "a host name from the start");
        assert!(!is_held(false, Some(sendonly), sendonly), "a refresh of it");
        assert!(is_held(false, Some(speaking), sendonly), "music on hold");
        assert!(is_held(true, Some(sendonly), sendonly), "a refresh during hold");
        assert!(is_held(false, Some(speaking), zero));
        assert!(is_held(true, Some(zero), zero));
        assert!(is_held(false, Some(speaking), agreed(Direction::Inactive, phone)));
        assert!(!is_held(true, Some(sendonly), speaking), "resumed");
        assert!(!is_held(true, Some(zero), speaking), "resumed");
    }
}
