//! Which far end a call's RTP is taken from.

use std::cell::Cell;
use std::net::{IpAddr, SocketAddr};
use std::rc::Rc;
use std::time::{Duration, Instant};

use super::doors::Doors;
use super::pace::{Allowance, Rate};

/// A source that sent nothing valid for this long may be replaced (a phone that changed its port after hold).
const SILENT: Duration = Duration::from_secs(1);
/// Datagrams of the valid SSRC, at once and a second: several times what the shortest packets of speech need.
const SPEECH: Rate = (500.0, 1000.0);
/// Everything else from a source that is heard: RTCP, a sender that begins, an SSRC that is not the stream's.
const OTHER: Rate = (100.0, 200.0);

#[derive(Debug)]
struct Inner {
    held: Cell<Option<(SocketAddr, Instant)>>,
    /// Where the far end said that it is, and where its signalling comes from.
    agreed: Cell<Option<SocketAddr>>,
    signalling: Cell<Option<IpAddr>>,
    /// Of the valid stream.
    ssrc: Cell<Option<u32>>,
    speech: Cell<Allowance>,
    other: Cell<Allowance>,
}

/// Holds a session to the first source that sent valid RTP, for as long as it goes on. Only the address that the
/// session description names comes before it: whoever blankets our ports with RTP cannot speak in a caller's place.
///
/// Shared with the reader of the session's socket, which drops what will not be heard before anything is kept of it.
#[derive(Debug, Clone)]
pub struct SourceLock(Rc<Inner>);

impl SourceLock {
    pub fn new(now: Instant) -> Self {
        SourceLock(Rc::new(Inner {
            held: Cell::default(),
            agreed: Cell::default(),
            signalling: Cell::default(),
            ssrc: Cell::default(),
            speech: Cell::new(Allowance::new(SPEECH, now)),
            other: Cell::new(Allowance::new(OTHER, now)),
        }))
    }

    /// Where the far end is: its signalling, and what the session description says.
    pub fn expect(&self, signalling: IpAddr, agreed: Option<SocketAddr>) {
        self.0.signalling.set(Some(signalling.to_canonical()));
        self.0.agreed.set(agreed);
    }

    /// Whether a datagram from `peer` at `at` may be looked at; `agreed` is where the far end said that it is.
    pub fn admits(&self, peer: SocketAddr, agreed: Option<SocketAddr>, at: Instant) -> bool {
        let Some((source, _)) = self.0.held.get() else {
            return true;
        };
        if source != peer && agreed == Some(peer) {
            self.0.held.set(Some((peer, at)));
            return true;
        }
        self.would_admit(peer, agreed, at)
    }

    fn would_admit(&self, peer: SocketAddr, agreed: Option<SocketAddr>, at: Instant) -> bool {
        let Some((source, last)) = self.0.held.get() else {
            return true;
        };
        source == peer || agreed == Some(peer) || at.saturating_duration_since(last) >= SILENT
    }

    /// A datagram from `peer` was valid.
    pub fn valid(&self, peer: SocketAddr, ssrc: Option<u32>, at: Instant) {
        self.0.held.set(Some((peer, at)));
        self.0.ssrc.set(ssrc);
    }

    /// Whose datagrams the kernel may keep at `now`; empty: everybody's, because a source that fell silent may be
    /// replaced. And when that changes if nothing comes.
    pub fn inside(&self, now: Instant) -> (Vec<SocketAddr>, Option<Instant>) {
        match self.0.held.get() {
            Some((source, last)) if now.saturating_duration_since(last) < SILENT => {
                let agreed = self
                    .0
                    .agreed
                    .get()
                    .filter(|a| *a != source && a.is_ipv4() == source.is_ipv4());
                ([source].into_iter().chain(agreed).collect(), Some(last + SILENT))
            }
            _ => (Vec::new(), None),
        }
    }

    /// For the reader: whether anything of a datagram is to be kept.
    pub fn is_worth_reading(&self, peer: SocketAddr, octets: &[u8], at: Instant, doors: &Doors) -> bool {
        let ip = peer.ip().to_canonical();
        let agreed = self.0.agreed.get();
        let known = agreed.is_some_and(|a| a.ip().to_canonical() == ip) || self.0.signalling.get() == Some(ip);
        if !(known || doors.admits(ip)) || !self.would_admit(peer, agreed, at) {
            return false;
        }
        let (rate, allowance) = if self.is_speech(octets) {
            (SPEECH, &self.0.speech)
        } else {
            (OTHER, &self.0.other)
        };
        let mut left = allowance.get();
        let enough = left.take(rate, 1.0, at);
        allowance.set(left);
        enough
    }

    /// RTP with the SSRC of the valid stream (RFC 3550 §5.1); RTCP has payload types 64 to 95 (RFC 5761 §4).
    fn is_speech(&self, octets: &[u8]) -> bool {
        let (Some(second), Some(ssrc)) = (octets.get(1), octets.get(8..12)) else {
            return false;
        };
        let ssrc = ssrc.iter().fold(0, |n, octet| n << 8 | u32::from(*octet));
        !(64..=95).contains(&(second & 0x7F)) && self.0.ssrc.get() == Some(ssrc)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_valid_source_is_kept_until_it_falls_silent() {
        let now = Instant::now();
        let phone: SocketAddr = "192.0.2.1:4000".parse().unwrap();
        let stranger: SocketAddr = "192.0.2.9:4000".parse().unwrap();
        let lock = SourceLock::new(now);
        assert!(
            lock.admits(stranger, None, now),
            "nothing is held before the first valid packet"
        );
        lock.valid(phone, None, now);
        assert!(lock.admits(phone, None, now + Duration::from_millis(20)));
        assert!(!lock.admits(stranger, None, now + Duration::from_millis(999)));
        assert!(
            lock.admits(stranger, None, now + SILENT),
            "a phone may come back from another port"
        );
        lock.valid(phone, None, now + SILENT);
        assert!(!lock.admits(stranger, None, now + SILENT + Duration::from_millis(500)));
    }

    #[test]
    fn the_agreed_address_takes_the_place_of_who_was_there_before_it() {
        let now = Instant::now();
        let phone: SocketAddr = "192.0.2.1:4000".parse().unwrap();
        let stranger: SocketAddr = "192.0.2.9:4000".parse().unwrap();
        let lock = SourceLock::new(now);
        lock.valid(stranger, None, now);
        assert!(lock.admits(phone, Some(phone), now + Duration::from_millis(20)));
        assert!(!lock.admits(stranger, Some(phone), now + Duration::from_millis(40)));
        lock.valid(phone, None, now + Duration::from_millis(60));
        assert!(!lock.admits(stranger, Some(phone), now + Duration::from_millis(80)));
        // Translated on the way: the agreed address never sends.
        let lock = SourceLock::new(now);
        lock.valid(stranger, None, now);
        assert!(lock.admits(stranger, Some(phone), now + Duration::from_millis(20)));
    }

    fn rtp(ssrc: u32) -> Vec<u8> {
        let mut octets = vec![0x80, 0, 0, 1, 0, 0, 0, 0];
        octets.extend_from_slice(&ssrc.to_be_bytes());
        octets.resize(172, 0xFF);
        octets
    }

    /// The reader's share of it: what a flood costs is bounded, and speech that is there goes on.
    #[test]
    fn a_flood_is_not_kept_and_speech_goes_on() {
        let now = Instant::now();
        let phone: SocketAddr = "192.0.2.1:4000".parse().unwrap();
        let doors = Doors::new(vec!["192.0.2.0/24".parse().unwrap()], now);
        let lock = SourceLock::new(now);
        lock.expect(phone.ip(), Some(phone));
        let worth = |peer: &str, octets: &[u8], at| lock.is_worth_reading(peer.parse().unwrap(), octets, at, &doors);
        assert!(!worth("198.51.100.9:4000", &rtp(7), now), "a stranger");
        assert!(worth("192.0.2.1:4000", &rtp(7), now));
        lock.valid(phone, Some(7), now);
        assert!(!worth("192.0.2.9:4000", &rtp(7), now), "another one who is let in");
        assert!(!worth("192.0.2.1:4002", &rtp(7), now), "another port");
        // One second of speech at 50 a second under 50,000 a second from the same address and port.
        let (mut speech, mut others) = (0, 0);
        for i in 0..50_000u32 {
            let at = now + Duration::from_micros(20) * i;
            others += u32::from(worth("192.0.2.1:4000", &rtp(i | 1 << 31), at));
            others += u32::from(worth("192.0.2.1:4000", &[0x81, 200, 0, 6, 0, 0, 0, 7, 0, 0, 0, 7], at));
            others += u32::from(worth("192.0.2.1:4000", b"", at));
            if i % 1000 == 0 {
                speech += u32::from(worth("192.0.2.1:4000", &rtp(7), at));
                lock.valid(phone, Some(7), at);
            }
        }
        let (inside, until) = lock.inside(now + Duration::from_secs(1));
        assert_eq!((inside, until), (vec![phone], Some(now + Duration::from_millis(1980))));
        assert_eq!(lock.inside(now + Duration::from_secs(2)), (Vec::new(), None));
        assert_eq!(speech, 50);
        assert!(others <= 300, "{others}");
        // A phone that moved is heard again.
        let later = now + Duration::from_secs(3);
        assert!(worth("192.0.2.1:4002", &rtp(7), later));
    }
}
