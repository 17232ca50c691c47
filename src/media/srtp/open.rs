//! Packets that came (RFC 3711 §3.3, §3.4).

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use super::keys::{Authenticator, Master, Session};
use super::replay::Window;
use super::{ENCRYPTED, RTCP_HEADER, RTCP_INDEX, rtp_header};
use crate::media::rtcp;

/// Senders remembered in a call. One is live; forgotten ones can be played again, for as long as the call lasts.
const CALL_SOURCES: usize = 16;
/// Senders remembered of a group: each of its pages has an SSRC of its own.
const GROUP_SOURCES: usize = 1024;
/// The roll-over counters that an unknown sender may be at without a search: at the start, or wrapped since (RFC 3711
/// §3.3.1), when packets before the first one were lost.
const FIRST_ROCS: [u32; 2] = [0, 1];
/// A group is joined in the middle, and nothing tells where its sender is (RFC 3711 §3.3.1). Counters searched: two
/// weeks at 50 packets a second.
const MAX_ROC: u32 = 1024;
/// Counters tried for one packet.
const SEARCH_WIDTH: u32 = 8;
/// Packets that may be searched for a second. A sender's come at 50 to 100; a flood's are not worth more.
const SEARCHES: u32 = 100;
/// What was sent before a new key may be on its way this long.
const OLD_KEY: Duration = Duration::from_secs(5);

/// Where packets come from, which bounds what is remembered and searched for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scope {
    /// From a sender's first packet on, with a key of its own.
    Call,
    /// Joined at any time, one page after another under one key.
    Group,
}

impl Scope {
    fn sources(self) -> usize {
        match self {
            Scope::Call => CALL_SOURCES,
            Scope::Group => GROUP_SOURCES,
        }
    }
}

/// Why a packet was not opened. Its octets are as they came.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    #[error("neither RTP nor RTCP, or cut short")]
    Malformed,
    /// The tag does not fit: not protected, another key, forged, or damaged.
    #[error("not authentic")]
    NotAuthentic,
    /// Its index came before, or is older than the window.
    #[error("came before")]
    Replayed,
}

/// What came, in numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct SrtpFigures {
    pub opened: u64,
    pub malformed: u64,
    pub not_authentic: u64,
    pub replayed: u64,
}

/// One sender that has proved itself.
#[derive(Debug, Default)]
struct Source {
    rtp: Option<Window>,
    rtcp: Option<Window>,
    /// Grows; the smallest is the one silent longest.
    used: u64,
}

/// A key and the senders known by it.
struct Keyed {
    master: Master,
    rtp: Session,
    rtcp: Session,
    sources: BTreeMap<u32, Source>,
}

/// Opens what comes to one port. Bounded memory; a sender is remembered only once a packet of it was authentic, so
/// that forged ones displace nobody.
pub struct Opener {
    scope: Scope,
    keyed: Keyed,
    /// The key before, until then.
    before: Option<(Keyed, Instant)>,
    uses: u64,
    search: Search,
    figures: SrtpFigures,
}

/// Looking for a roll-over counter, a bounded number of times.
struct Search {
    left: u32,
    since: Option<Instant>,
    next: u32,
}

impl Search {
    /// Whether one more packet may be searched for.
    fn may(&mut self, at: Instant) -> bool {
        let second = |since| at.saturating_duration_since(since) >= Duration::from_secs(1);
        if self.since.is_none_or(second) {
            self.since = Some(at);
            self.left = SEARCHES;
        }
        let may = self.left > 0;
        self.left = self.left.saturating_sub(1);
        may
    }

    /// The counter above or at `from` that fits.
    fn find(&mut self, from: u32, tag: &[u8], mac: &Authenticator) -> Option<u32> {
        for _ in 0..SEARCH_WIDTH {
            let roc = from.saturating_add(self.next);
            self.next = (self.next + 1) % MAX_ROC;
            if mac.fits(Some(roc), tag) {
                self.next = 0;
                return Some(roc);
            }
        }
        None
    }
}

impl Keyed {
    fn new(master: &Master) -> Keyed {
        Keyed {
            master: *master,
            rtp: Session::rtp(master),
            rtcp: Session::rtcp(master),
            sources: BTreeMap::new(),
        }
    }

    fn window(&self, ssrc: u32) -> Option<Window> {
        self.sources.get(&ssrc)?.rtp
    }

    /// The sender of an authentic packet.
    fn source(&mut self, ssrc: u32, used: u64, most: usize) -> &mut Source {
        if self.sources.len() >= most && !self.sources.contains_key(&ssrc) {
            let oldest = self.sources.iter().min_by_key(|(_, s)| s.used).map(|(ssrc, _)| *ssrc);
            if let Some(oldest) = oldest {
                self.sources.remove(&oldest);
            }
        }
        let source = self.sources.entry(ssrc).or_default();
        source.used = used;
        source
    }

    /// Octets of the RTP packet within.
    fn rtp(&mut self, octets: &mut [u8], find: &mut Find<'_>) -> Result<usize, Refused> {
        let (ssrc, seq, header) = rtp_header(octets).ok_or(Refused::Malformed)?;
        let end = end_of(octets, header, self.rtp.tag_len)?;
        let (covered, tag) = octets.split_at_checked(end).ok_or(Refused::Malformed)?;
        let index = |roc: u32| u64::from(roc) << 16 | u64::from(seq);

        let window = self.window(ssrc);
        let near = window.map(|w| w.roll_over(seq));
        let fresh = window.is_none_or(|w| w.is_fresh(index(w.roll_over(seq))));
        let mac = self.rtp.authenticator(covered);
        let found = match near {
            Some(roc) if fresh && mac.fits(Some(roc), tag) => Some(roc),
            // Not heard for more than half a turn, so that the guess is one too low (RFC 3711 §3.3.1).
            Some(roc) => roc
                .checked_add(1)
                .filter(|roc| mac.fits(Some(*roc), tag))
                .or_else(|| find.search(roc.saturating_add(2), tag, &mac)),
            None => FIRST_ROCS
                .into_iter()
                .chain(find.hint)
                .find(|roc| mac.fits(Some(*roc), tag))
                .or_else(|| find.search(2, tag, &mac)),
        };
        let refused = if fresh {
            Refused::NotAuthentic
        } else {
            Refused::Replayed
        };
        let index = index(found.ok_or(refused)?);
        let source = self.source(ssrc, find.used, find.scope.sources());
        source.rtp.get_or_insert(Window::new(index)).note(index);
        if let Some(payload) = octets.get_mut(header..end) {
            self.rtp.crypt(ssrc, index, payload);
        }
        Ok(end)
    }

    /// Octets of the RTCP packet within.
    fn rtcp(&mut self, octets: &mut [u8], find: &Find<'_>) -> Result<usize, Refused> {
        let &[first, _, _, _, a, b, c, d] = octets.first_chunk::<RTCP_HEADER>().ok_or(Refused::Malformed)?;
        if first >> 6 != 2 {
            return Err(Refused::Malformed);
        }
        let ssrc = u32::from_be_bytes([a, b, c, d]);
        let covered_to = end_of(octets, RTCP_HEADER + RTCP_INDEX, self.rtcp.tag_len)?;
        let (covered, tag) = octets.split_at_checked(covered_to).ok_or(Refused::Malformed)?;
        let word = u32::from_be_bytes(*covered.last_chunk::<RTCP_INDEX>().ok_or(Refused::Malformed)?);
        let index = u64::from(word & !ENCRYPTED);
        let window = self.sources.get(&ssrc).and_then(|s| s.rtcp);
        if window.is_some_and(|w| !w.is_fresh(index)) {
            return Err(Refused::Replayed);
        }
        if !self.rtcp.authenticator(covered).fits(None, tag) {
            return Err(Refused::NotAuthentic);
        }
        let source = self.source(ssrc, find.used, find.scope.sources());
        source.rtcp.get_or_insert(Window::new(index)).note(index);
        let end = covered_to - RTCP_INDEX;
        if word & ENCRYPTED != 0
            && let Some(payload) = octets.get_mut(RTCP_HEADER..end)
        {
            self.rtcp.crypt(ssrc, index, payload);
        }
        Ok(end)
    }
}

/// Where the tag begins, if at least `least` octets stand before it.
fn end_of(octets: &[u8], least: usize, tag: usize) -> Result<usize, Refused> {
    match octets.len().checked_sub(tag) {
        Some(end) if end >= least => Ok(end),
        _ => Err(Refused::Malformed),
    }
}

/// What helps to place an unknown sender.
struct Find<'a> {
    scope: Scope,
    used: u64,
    /// The roll-over counter that the sender had under the key before: some keep it.
    hint: Option<u32>,
    search: &'a mut Search,
    at: Instant,
}

impl Find<'_> {
    fn search(&mut self, from: u32, tag: &[u8], mac: &Authenticator) -> Option<u32> {
        if self.scope == Scope::Group && self.search.may(self.at) {
            self.search.find(from, tag, mac)
        } else {
            None
        }
    }
}

impl Opener {
    pub fn new(master: &Master, scope: Scope) -> Opener {
        Opener {
            scope,
            keyed: Keyed::new(master),
            before: None,
            uses: 0,
            search: Search {
                left: 0,
                since: None,
                next: 0,
            },
            figures: SrtpFigures::default(),
        }
    }

    /// Takes a new key; the old one still opens what is on its way. The same key changes nothing: what came before
    /// stays known.
    pub fn rekey(&mut self, master: &Master, at: Instant) {
        if self.keyed.master != *master {
            let old = std::mem::replace(&mut self.keyed, Keyed::new(master));
            self.before = Some((old, at + OLD_KEY));
        }
    }

    /// Opens an SRTP or SRTCP packet that arrived at `at`, in place: returns how many octets of it are the RTP or RTCP
    /// packet. RTCP is told by its type (RFC 5761 §4). Never panics, whatever it holds.
    ///
    /// # Errors
    /// [`Refused`]; the octets are as they came.
    pub fn open(&mut self, octets: &mut [u8], at: Instant) -> Result<usize, Refused> {
        self.before.take_if(|(_, until)| *until <= at);
        self.uses += 1;
        let mut find = Find {
            scope: self.scope,
            used: self.uses,
            hint: None,
            search: &mut self.search,
            at,
        };
        let is_rtcp = rtcp::is_rtcp(octets);
        if let (Some((before, _)), Some((ssrc, seq, _))) = (&self.before, rtp_header(octets)) {
            find.hint = before.window(ssrc).map(|w| w.roll_over(seq));
        }
        let mut open = |keyed: &mut Keyed| match is_rtcp {
            true => keyed.rtcp(octets, &find),
            false => keyed.rtp(octets, &mut find),
        };
        let opened = match (open(&mut self.keyed), &mut self.before) {
            (Err(Refused::NotAuthentic), Some((before, _))) => open(before),
            (opened, _) => opened,
        };
        match opened {
            Ok(_) => self.figures.opened += 1,
            Err(Refused::Malformed) => self.figures.malformed += 1,
            Err(Refused::NotAuthentic) => self.figures.not_authentic += 1,
            Err(Refused::Replayed) => self.figures.replayed += 1,
        }
        opened
    }

    pub fn figures(&self) -> SrtpFigures {
        self.figures
    }
}

impl std::fmt::Debug for Opener {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Opener")
            .field("scope", &self.scope)
            .field("key", &self.keyed.master)
            .field("sources", &self.keyed.sources.len())
            .field("figures", &self.figures)
            .finish_non_exhaustive()
    }
}

#[cfg(test)]
impl Opener {
    pub(super) fn sources(&self) -> usize {
        self.keyed.sources.len()
    }

    pub(super) fn search_allowed(&mut self, at: Instant) -> bool {
        self.search.may(at)
    }
}
