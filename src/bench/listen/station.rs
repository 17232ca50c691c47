//! All streams, bounded.

use std::collections::{BTreeMap, VecDeque};
use std::net::{IpAddr, SocketAddr};
use std::time::{Duration, Instant};

use super::gateway::{Gateway, Known};
use super::stream::{Row, Stream, StreamId};
use crate::config::plan::Plan;
use crate::media::receiver::KEEP_FOR;
use crate::media::srtp::Refused;
use crate::media::{Format, PayloadMap, PlayoutSettings, rtcp};
use crate::sound::resample::Bank;

/// Streams heard at one time. One that came when all places were taken is turned away, unless another one has been silent
/// for [`SILENT_BEFORE_EVICTION`].
pub const MAX_STREAMS: usize = 64;
pub const SILENT_BEFORE_EVICTION: Duration = Duration::from_millis(500);
/// Senders of one packet so far, which may be anything (RFC 3550 A.1); the oldest gives way, of the newcomer's own address first.
pub const MAX_CANDIDATES: usize = 256;
/// Streams without room that are known by themselves; of more some are counted again.
pub const MAX_WAITING: usize = 1024;
/// Streams that are over and still told of at the end; the oldest is forgotten.
pub const MAX_ENDED: usize = 256;
/// Beginnings and ends kept for who fetches them; more are only counted.
pub const MAX_EVENTS: usize = 64;
/// A stream of a group that is not in the config is over after this long without a packet.
const IDLE: Duration = Duration::from_secs(2);
/// Ended streams stay among the rows so long.
const LINGER: Duration = Duration::from_secs(10);
/// Fixed part of an RTP header (RFC 3550 §5.1).
const HEADER: usize = 12;

/// What is known beforehand.
#[derive(Debug, Clone, Copy, Default)]
pub struct Settings<'a> {
    pub plan: Option<&'a Plan>,
    /// Payload types beside the static ones and the config's.
    pub payloads: PayloadMap,
    /// The sound is wanted, not only its level.
    pub hears: bool,
}

/// What came beside the streams, and what did not fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    /// Everything.
    pub datagrams: u64,
    pub not_rtp: u64,
    pub rtcp: u64,
    /// RTP at first sight, of senders that did not go on with the next packet.
    pub unproven: u64,
    /// Packets of a known stream under the wrong key.
    pub not_authentic: u64,
    /// Streams that gave way to others.
    pub evicted: u64,
    /// Streams for which there was no room.
    pub turned_away: u64,
    /// Streams whose totals are no longer kept.
    pub forgotten: u64,
    /// Events that nobody fetched.
    pub untold: u64,
}

/// What happened.
#[derive(Debug, Clone)]
pub enum Event {
    Began(Row),
    Ended(Row),
}

struct Candidate {
    next: u16,
    at: Instant,
    is_closed: bool,
    octets: Vec<u8>,
}

struct Head {
    payload_type: u8,
    seq: u16,
    ssrc: u32,
}

/// Hears datagrams, tells streams.
pub struct Station {
    known: Vec<Known>,
    payloads: PayloadMap,
    bank: Option<Bank>,
    streams: BTreeMap<StreamId, Stream>,
    candidates: BTreeMap<StreamId, Candidate>,
    /// Streams for which there is no room, and their last packets.
    waiting: BTreeMap<StreamId, Instant>,
    ended: VecDeque<(Row, Instant)>,
    events: VecDeque<Event>,
    counts: Counts,
    numbers: u64,
}

impl Station {
    pub fn new(settings: &Settings<'_>) -> Station {
        Station {
            known: settings.plan.map(Known::all).unwrap_or_default(),
            payloads: settings.payloads,
            bank: settings.hears.then(Bank::new),
            streams: BTreeMap::new(),
            candidates: BTreeMap::new(),
            waiting: BTreeMap::new(),
            ended: VecDeque::new(),
            events: VecDeque::new(),
            counts: Counts::default(),
            numbers: 0,
        }
    }

    /// A UDP datagram from `sender` to `group` that arrived at `at`. Never panics, whatever it holds. `octets` are opened in
    /// place where the group has a key.
    pub fn packet(&mut self, at: Instant, sender: SocketAddr, group: SocketAddr, octets: &mut [u8]) {
        self.counts.datagrams += 1;
        if rtcp::is_rtcp(octets) && rtcp::read(octets, |_| false).is_some() {
            self.counts.rtcp += 1;
            return;
        }
        let Some(head) = head(octets) else {
            self.counts.not_rtp += 1;
            return;
        };
        let id = StreamId {
            group,
            sender,
            ssrc: head.ssrc,
        };
        let known = self.known_at(group);
        let (mut length, mut is_closed) = (octets.len(), false);
        if let Some(opener) = known.and_then(|index| self.known[index].opener.as_mut()) {
            match opener.open(octets, at) {
                Ok(opened) => length = opened,
                Err(Refused::NotAuthentic) => is_closed = true,
                Err(Refused::Replayed) => {
                    if let Some(stream) = self.streams.get_mut(&id) {
                        stream.replayed();
                    }
                    return;
                }
                Err(Refused::Malformed) => {
                    self.counts.not_rtp += 1;
                    return;
                }
            }
        }
        let octets = octets.get(..length).unwrap_or_default();
        if let Some(stream) = self.streams.get_mut(&id) {
            match (stream.is_closed, is_closed) {
                // Forged, or damaged: the stream has shown that it has the key.
                (false, true) => {
                    self.counts.not_authentic += 1;
                    return;
                }
                (true, false) => stream.open(),
                _ => {}
            }
            stream.packet(at, octets);
            let payload_type = stream.payload_type;
            if let Some(index) = known {
                stream.waits_for = self.known[index].hears(&id, payload_type, is_closed, at);
            }
            return;
        }
        self.candidate(id, known, &head, is_closed, at, octets);
    }

    fn known_at(&self, group: SocketAddr) -> Option<usize> {
        let here = |known: &Known| known.address.ip() == group.ip() && known.address.port() == group.port();
        self.known.iter().position(here)
    }

    /// The second packet in sequence makes a stream of it (RFC 3550 A.1).
    fn candidate(
        &mut self,
        id: StreamId,
        known: Option<usize>,
        head: &Head,
        is_closed: bool,
        at: Instant,
        octets: &[u8],
    ) {
        let first = match self.candidates.remove(&id) {
            Some(first) if first.next == head.seq && at.saturating_duration_since(first.at) < KEEP_FOR => first,
            other => {
                if other.is_some() {
                    self.counts.unproven += 1;
                } else if self.candidates.len() >= MAX_CANDIDATES {
                    self.give_way(id.sender.ip());
                }
                self.candidates.insert(
                    id,
                    Candidate {
                        next: head.seq.wrapping_add(1),
                        at,
                        is_closed,
                        octets: octets.to_vec(),
                    },
                );
                return;
            }
        };
        if !self.has_room(at) {
            self.turn_away(id, at);
            return;
        }
        self.waiting.remove(&id);
        self.numbers += 1;
        let settings = playout(known.map(|index| &self.known[index]));
        let closed = is_closed || first.is_closed;
        let map = self.map(known);
        let mut stream = Stream::new(self.numbers, id, map, settings, head.payload_type, closed, first.at);
        stream.packet(first.at, &first.octets);
        stream.packet(at, octets);
        if let Some(index) = known {
            stream.waits_for = self.known[index].hears(&id, head.payload_type, closed, at);
        }
        let row = stream.row(at, false, makes_of(&self.known, &stream));
        self.streams.insert(id, stream);
        self.tell(Event::Began(row));
    }

    /// Counted once, as long as it goes on.
    fn turn_away(&mut self, id: StreamId, at: Instant) {
        if self.waiting.len() >= MAX_WAITING && !self.waiting.contains_key(&id) {
            let oldest = self.waiting.iter().min_by_key(|(_, last)| **last).map(|(id, _)| *id);
            oldest.map(|id| self.waiting.remove(&id));
        }
        if self.waiting.insert(id, at).is_none() {
            self.counts.turned_away += 1;
        }
    }

    /// The oldest candidate of the newcomer's own address gives way, so that who floods displaces himself; else the oldest.
    fn give_way(&mut self, newcomer: IpAddr) {
        let own = |(id, _): &(&StreamId, &Candidate)| id.sender.ip() == newcomer;
        let oldest = self.candidates.iter().filter(own).min_by_key(|(_, c)| c.at);
        let oldest = oldest.or_else(|| self.candidates.iter().min_by_key(|(_, c)| c.at));
        if let Some(id) = oldest.map(|(id, _)| *id) {
            self.candidates.remove(&id);
            self.counts.unproven += 1;
        }
    }

    /// What a payload type is taken for: by the config, by who asks, by itself.
    fn map(&self, known: Option<usize>) -> PayloadMap {
        let of_config = known.map(|index| self.known[index].map).unwrap_or_default();
        of_config.joined(&self.payloads).joined(&PayloadMap::static_types())
    }

    /// Whether there is a place, made if need be.
    fn has_room(&mut self, at: Instant) -> bool {
        if self.streams.len() < MAX_STREAMS {
            return true;
        }
        let oldest = self.streams.iter().min_by_key(|(_, stream)| stream.last);
        let oldest = oldest
            .filter(|(_, stream)| at.saturating_duration_since(stream.last) >= SILENT_BEFORE_EVICTION)
            .map(|(id, _)| *id);
        let Some(oldest) = oldest else {
            return false;
        };
        self.counts.evicted += 1;
        self.end(&oldest, at);
        true
    }

    fn end(&mut self, id: &StreamId, at: Instant) {
        let Some(mut stream) = self.streams.remove(id) else {
            return;
        };
        let row = stream.row(at, true, makes_of(&self.known, &stream));
        if self.ended.len() >= MAX_ENDED {
            self.ended.pop_front();
            self.counts.forgotten += 1;
        }
        self.ended.push_back((row.clone(), at));
        self.tell(Event::Ended(row));
    }

    fn tell(&mut self, event: Event) {
        if self.events.len() >= MAX_EVENTS {
            self.counts.untold += 1;
        } else {
            self.events.push_back(event);
        }
    }

    /// Time has come to `now`: sound goes on, streams end. `hear` gets what each stream sounds like, 240 frames of 48 kHz at a
    /// time with the number of its row, if [`Settings::hears`].
    pub fn advance(&mut self, now: Instant, hear: &mut dyn FnMut(&StreamId, u64, &[f32])) {
        let mut over = Vec::new();
        for (id, stream) in &mut self.streams {
            stream.advance(now, self.bank.as_ref(), hear);
            let here = |known: &&Known| known.address.ip() == id.group.ip() && known.address.port() == id.group.port();
            let idle = self.known.iter().find(here).map_or(IDLE, |known| known.idle);
            if now.saturating_duration_since(stream.last) >= idle {
                over.push(*id);
            }
        }
        for id in over {
            self.end(&id, now);
        }
        self.waiting
            .retain(|_, last| now.saturating_duration_since(*last) < IDLE);
        let before = self.candidates.len();
        self.candidates
            .retain(|_, candidate| now.saturating_duration_since(candidate.at) < KEEP_FOR);
        self.counts.unproven += (before - self.candidates.len()) as u64;
    }

    /// The streams that are there, and those that have just ended; by group, then in the order in which they began.
    pub fn look(&mut self, now: Instant) -> Vec<Row> {
        let known = &self.known;
        let live = self.streams.values_mut().map(|stream| {
            let gateway = makes_of(known, stream);
            stream.row(now, false, gateway)
        });
        let ended = self
            .ended
            .iter()
            .filter(|(_, at)| now.saturating_duration_since(*at) < LINGER);
        let mut rows: Vec<Row> = live.chain(ended.map(|(row, _)| row.clone())).collect();
        rows.sort_by_key(|row| (row.id.group, row.number));
        rows
    }

    /// What happened since it was last asked.
    pub fn events(&mut self) -> impl Iterator<Item = Event> {
        std::mem::take(&mut self.events).into_iter()
    }

    /// Ends every stream.
    pub fn finish(&mut self, now: Instant) {
        let all: Vec<StreamId> = self.streams.keys().copied().collect();
        for id in all {
            self.end(&id, now);
        }
    }

    /// The totals of every stream that has ended and is not forgotten.
    pub fn totals(&self) -> Vec<Row> {
        let mut rows: Vec<Row> = self.ended.iter().map(|(row, _)| row.clone()).collect();
        rows.sort_by_key(|row| (row.id.group, row.number));
        rows
    }

    pub fn counts(&self) -> Counts {
        self.counts
    }

    #[cfg(test)]
    pub(super) fn sizes(&self) -> [usize; 5] {
        [
            self.streams.len(),
            self.candidates.len(),
            self.ended.len(),
            self.events.len(),
            self.waiting.len(),
        ]
    }
}

fn playout(known: Option<&Known>) -> PlayoutSettings {
    known.map_or_else(PlayoutSettings::default, |known| known.playout)
}

fn makes_of(known: &[Known], stream: &Stream) -> Gateway {
    let (group, sender) = (stream.id.group, stream.id.sender.ip());
    let here = |known: &&Known| known.address.ip() == group.ip() && known.address.port() == group.port();
    known.iter().find(here).map_or_else(Gateway::unknown, |known| {
        known.makes_of(sender, stream.payload_type, stream.is_closed, stream.waits_for)
    })
}

/// RTP at first sight (RFC 3550 A.1): version 2, a header that fits, a payload type that is no RTCP's (RFC 5761 §4).
fn head(octets: &[u8]) -> Option<Head> {
    let &[first, second, s1, s0, _, _, _, _, a, b, c, d] = octets.first_chunk::<HEADER>()?;
    let payload_type = second & 0x7F;
    if first >> 6 != 2 || (64..=95).contains(&payload_type) {
        return None;
    }
    let length = HEADER + 4 * usize::from(first & 15);
    (length < octets.len()).then(|| Head {
        payload_type,
        seq: u16::from_be_bytes([s1, s0]),
        ssrc: u32::from_be_bytes([a, b, c, d]),
    })
}

/// A map of payload types as they were given.
impl FromIterator<(u8, Format)> for PayloadMap {
    fn from_iter<T: IntoIterator<Item = (u8, Format)>>(all: T) -> Self {
        all.into_iter().fold(PayloadMap::new(), |map, (payload_type, format)| {
            map.with(payload_type, format)
        })
    }
}
