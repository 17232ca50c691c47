//! From datagrams to accepted packets: RTP told from RTCP (RFC 5761 §4), RFC 3550 A.1 validity, statistics.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use rtp_rs::RtpReader;

use super::{Format, Packet, PayloadMap, rtcp};

/// Packets in sequence that make a source valid (RFC 3550 A.1).
pub const MIN_SEQUENTIAL: u32 = 2;
/// Largest jump ahead that still counts as loss (RFC 3550 A.1).
pub const MAX_DROPOUT: u16 = 3000;
/// How far back a packet may come and still count as misordered (RFC 3550 A.1).
pub const MAX_MISORDER: u16 = 100;
/// How long the stream must be silent before another SSRC may take its place: longer than a network's stall,
/// shorter than a listener's patience. The newcomer's packets of this time are kept, not lost.
pub const TAKEOVER_SILENCE: Duration = Duration::from_millis(500);
/// Sources on probation at one time; the one silent longest gives way.
pub const MAX_CANDIDATES: usize = 4;
/// Packets kept for one source on probation: [`TAKEOVER_SILENCE`] at 10 ms a packet, and some.
pub const MAX_KEPT: usize = 64;
/// Packets kept on probation longer than this are stale.
pub const KEEP_FOR: Duration = Duration::from_secs(2);

/// Difference of relative transit times, seconds, from which the sender's time line was broken (a phone system that
/// changes from music to speech): no network is so late, and one such would spoil the figure for a whole page.
const MAX_DIFFERENCE: f64 = 2.0;

/// What one datagram was.
#[derive(Debug)]
pub enum Received<'a> {
    /// A valid packet of the stream; `first` on the one that made the stream valid. Packets that were kept during
    /// its probation come before it: fetch them with [`Receiver::take_kept`].
    Packet { packet: Packet<'a>, first: bool },
    /// Telephone events under an SSRC of their own beside the stream, as some gateways send them. Their sequence numbers
    /// are as on the wire.
    Events(Packet<'a>),
    /// Plausible, but the source is still on probation (RFC 3550 A.1). The packet is kept.
    Probation,
    /// RTCP of a known shape; `bye` when it holds a BYE for the stream's SSRC.
    Rtcp { bye: bool },
    /// RTP of a payload type that the session does not have.
    Unknown(u8),
    /// Duplicate, too old, another SSRC while the stream lives, or not RTP at all.
    Dropped(&'static str),
}

/// Cumulative figures of one stream.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ReceiverFigures {
    pub packets: u64,
    /// Expected minus received (RFC 3550 A.3), never below 0.
    pub lost: u64,
    pub duplicates: u64,
    pub malformed: u64,
    /// Valid RTP, but not of this stream (other SSRC, unknown payload type).
    pub foreign: u64,
    /// Interarrival jitter (RFC 3550 §6.4.1), milliseconds.
    pub jitter_ms: f64,
}

/// A source on probation, or the stream's own SSRC after a jump of its sequence.
#[derive(Debug)]
struct Candidate {
    ssrc: u32,
    max_seq: u16,
    run: u32,
    last: Instant,
    /// In order of arrival; `Packet::seq` holds the number on the wire.
    kept: VecDeque<Packet<'static>>,
}

/// The valid source.
#[derive(Debug)]
struct Stream {
    ssrc: u32,
    /// Highest extended sequence number, and the lowest of this run.
    max: u64,
    base: u64,
    /// Bit n: `max - n` was received.
    window: u128,
    received: u64,
    last: Instant,
    ended: bool,
}

enum Order {
    Fresh(u64),
    Duplicate,
    /// Beyond [`MAX_DROPOUT`] or [`MAX_MISORDER`].
    Jump,
}

impl Stream {
    fn place(&mut self, seq: u16) -> Order {
        let ahead = seq.wrapping_sub(self.max as u16);
        if ahead < MAX_DROPOUT {
            if ahead == 0 {
                return Order::Duplicate;
            }
            self.max += u64::from(ahead);
            self.window = self.window.checked_shl(u32::from(ahead)).unwrap_or(0) | 1;
            return Order::Fresh(self.max);
        }
        let back = ahead.wrapping_neg();
        if back >= MAX_MISORDER {
            return Order::Jump;
        }
        let bit = 1u128 << back;
        if self.window & bit != 0 {
            return Order::Duplicate;
        }
        self.window |= bit;
        // The first number is 65536 or above, so this cannot pass below 0.
        let seq = self.max.saturating_sub(u64::from(back));
        self.base = self.base.min(seq);
        Order::Fresh(seq)
    }

    fn expected(&self) -> u64 {
        self.max - self.base + 1
    }
}

/// Interarrival jitter of one stream (RFC 3550 §6.4.1).
#[derive(Debug, Default)]
struct Jitter {
    last: Option<(Instant, u32, u32)>,
    seconds: f64,
}

impl Jitter {
    fn note(&mut self, arrival: Instant, timestamp: u32, clock: u32) {
        if let Some((last_arrival, last_timestamp, last_clock)) = self.last
            && last_clock == clock
        {
            let apart = if arrival >= last_arrival {
                (arrival - last_arrival).as_secs_f64()
            } else {
                -(last_arrival - arrival).as_secs_f64()
            };
            let media = f64::from(timestamp.wrapping_sub(last_timestamp) as i32) / f64::from(clock);
            let difference = (apart - media).abs();
            if difference < MAX_DIFFERENCE {
                self.seconds += (difference - self.seconds) / 16.0;
            }
        }
        self.last = Some((arrival, timestamp, clock));
    }
}

/// How long a stream's payload types from before a re-INVITE are still taken.
const FORMER_TYPES: Duration = Duration::from_secs(1);

/// Reception state of one session. Bounded memory.
///
/// The packets of a source on probation are kept and handed over when it becomes valid, so the first word of a page
/// is whole. A new SSRC (a restarted sender) takes over when the old one has sent BYE or has been silent for
/// [`TAKEOVER_SILENCE`]; until then it is foreign.
#[derive(Debug)]
pub struct Receiver {
    map: PayloadMap,
    /// What counted before a re-INVITE, and until when it still does.
    former: Option<(PayloadMap, Instant)>,
    stream: Option<Stream>,
    candidates: Vec<Candidate>,
    handover: VecDeque<Packet<'static>>,
    jitter: Jitter,
    /// Of earlier runs: expected and received packets.
    expected_before: u64,
    received_before: u64,
    duplicates: u64,
    malformed: u64,
    foreign: u64,
}

impl Receiver {
    pub fn new(map: PayloadMap) -> Self {
        Receiver {
            map,
            former: None,
            stream: None,
            candidates: Vec::new(),
            handover: VecDeque::new(),
            jitter: Jitter::default(),
            expected_before: 0,
            received_before: 0,
            duplicates: 0,
            malformed: 0,
            foreign: 0,
        }
    }

    /// Reads one datagram that arrived at `at`. Never panics, whatever it holds.
    ///
    /// After a [`Received::Packet`], first fetch what [`Receiver::take_kept`] holds.
    pub fn handle<'a>(&mut self, datagram: &'a [u8], at: Instant) -> Received<'a> {
        if rtcp::is_rtcp(datagram) {
            return self.rtcp(datagram);
        }
        let Ok(rtp) = RtpReader::new(datagram) else {
            return self.malformed("not RTP");
        };
        let (ssrc, seq) = (rtp.ssrc(), u16::from(rtp.sequence_number()));
        let Some(mut packet) = Packet::new(u64::from(seq), rtp.timestamp(), rtp.payload_type(), at, rtp.payload())
        else {
            return self.malformed("payload too large");
        };
        packet.marker = rtp.mark();
        let known = self.map.format(packet.payload_type).is_some();
        if let Some(stream) = self.stream.as_mut().filter(|s| s.ssrc == ssrc) {
            match stream.place(seq) {
                Order::Fresh(extended) => {
                    stream.received += 1;
                    stream.last = at;
                    packet.seq = extended;
                    let former = self.former.filter(|(_, until)| at < *until);
                    if !known && former.is_none_or(|(map, _)| map.format(packet.payload_type).is_none()) {
                        self.foreign += 1;
                        return Received::Unknown(packet.payload_type);
                    }
                    self.note_jitter(&packet);
                    return Received::Packet { packet, first: false };
                }
                // After a silence it is a sender that began anew with the numbers it had.
                Order::Duplicate if at.saturating_duration_since(stream.last) < TAKEOVER_SILENCE => {
                    self.duplicates += 1;
                    return Received::Dropped("duplicate");
                }
                Order::Duplicate | Order::Jump => {}
            }
        }
        if !known {
            self.foreign += 1;
            self.pass_over(ssrc, seq);
            return Received::Unknown(packet.payload_type);
        }
        // They may not take the stream's place while the caller only listens.
        if self.stream.as_ref().is_some_and(|s| s.ssrc != ssrc)
            && self.map.format(packet.payload_type) == Some(Format::TelephoneEvent)
        {
            return Received::Events(packet);
        }
        self.probation(ssrc, packet, at)
    }

    /// The next packet kept during probation, in order of sequence; `None` when there is no more.
    pub fn take_kept(&mut self) -> Option<Packet<'static>> {
        self.handover.pop_front()
    }

    /// Replaces the payload types (re-INVITE). The sender changes when it has the answer (RFC 3264 §8): until then, and
    /// for what is on its way, the former ones count for [`FORMER_TYPES`].
    pub fn set_map(&mut self, map: PayloadMap, now: Instant) {
        if map != self.map {
            self.former = Some((self.map, now + FORMER_TYPES));
            self.map = map;
        }
    }

    /// When the last valid packet arrived.
    pub fn last_packet(&self) -> Option<Instant> {
        self.stream.as_ref().map(|s| s.last)
    }

    /// Synchronisation source of the valid stream.
    pub fn ssrc(&self) -> Option<u32> {
        self.stream.as_ref().map(|s| s.ssrc)
    }

    pub fn figures(&self) -> ReceiverFigures {
        let (expected, received) = self.stream.as_ref().map_or((0, 0), |s| (s.expected(), s.received));
        let packets = self.received_before + received;
        ReceiverFigures {
            packets,
            lost: (self.expected_before + expected).saturating_sub(packets),
            duplicates: self.duplicates,
            malformed: self.malformed,
            foreign: self.foreign,
            jitter_ms: self.jitter.seconds * 1000.0,
        }
    }

    fn malformed(&mut self, why: &'static str) -> Received<'static> {
        self.malformed += 1;
        Received::Dropped(why)
    }

    fn rtcp(&mut self, datagram: &[u8]) -> Received<'static> {
        let ours = self.stream.as_ref().map(|s| s.ssrc);
        match rtcp::read(datagram, |ssrc| Some(ssrc) == ours) {
            Some(bye) => {
                if let Some(stream) = &mut self.stream {
                    stream.ended |= bye;
                }
                Received::Rtcp { bye }
            }
            None => self.malformed("malformed RTCP"),
        }
    }

    fn note_jitter(&mut self, packet: &Packet) {
        // Events repeat their timestamp and would count as jitter (RFC 4733 §2.5.1).
        if let Some(Format::Audio(codec)) = self.map.format(packet.payload_type) {
            self.jitter.note(packet.arrival, packet.timestamp, codec.clock_rate());
        }
    }

    fn probation<'a>(&mut self, ssrc: u32, packet: Packet<'a>, at: Instant) -> Received<'a> {
        let seq = packet.seq as u16;
        let index = self.candidate(ssrc, seq, at);
        let candidate = &mut self.candidates[index];
        if candidate.kept.iter().any(|k| k.seq as u16 == seq) {
            self.duplicates += 1;
            return Received::Dropped("duplicate");
        }
        candidate.run = match seq == candidate.max_seq.wrapping_add(1) {
            true => candidate.run.saturating_add(1),
            false => 1,
        };
        candidate.max_seq = seq;
        candidate.last = at;
        let ready = candidate.run >= MIN_SEQUENTIAL;
        let may = match &self.stream {
            None => true,
            Some(s) => s.ssrc == ssrc || s.ended || at.saturating_duration_since(s.last) >= TAKEOVER_SILENCE,
        };
        if ready && may {
            let candidate = self.candidates.swap_remove(index);
            return self.adopt(candidate, packet, at);
        }
        if candidate.kept.len() == MAX_KEPT {
            candidate.kept.pop_front();
        }
        candidate.kept.push_back(packet.into_owned());
        if self.stream.as_ref().is_some_and(|s| s.ssrc != ssrc) {
            self.foreign += 1;
            return Received::Dropped("another SSRC");
        }
        Received::Probation
    }

    /// A packet that is not for us, comfort noise between the words say, breaks no run of a source on probation.
    fn pass_over(&mut self, ssrc: u32, seq: u16) {
        let next = |c: &&mut Candidate| c.ssrc == ssrc && seq == c.max_seq.wrapping_add(1);
        if let Some(candidate) = self.candidates.iter_mut().find(next) {
            candidate.max_seq = seq;
        }
    }

    /// Index of the candidate of `ssrc`, made if need be.
    fn candidate(&mut self, ssrc: u32, seq: u16, at: Instant) -> usize {
        if let Some(i) = self.candidates.iter().position(|c| c.ssrc == ssrc) {
            return i;
        }
        let fresh = Candidate {
            ssrc,
            max_seq: seq.wrapping_sub(2), // not the predecessor: the first packet starts a run of 1
            run: 0,
            last: at,
            kept: VecDeque::new(),
        };
        if self.candidates.len() < MAX_CANDIDATES {
            self.candidates.push(fresh);
            return self.candidates.len() - 1;
        }
        let oldest = (0..self.candidates.len())
            .min_by_key(|i| self.candidates[*i].last)
            .unwrap_or(0);
        self.candidates[oldest] = fresh;
        oldest
    }

    /// The candidate becomes the stream; what it sent on probation is handed over.
    fn adopt<'a>(&mut self, candidate: Candidate, mut packet: Packet<'a>, at: Instant) -> Received<'a> {
        let seq = packet.seq as u16;
        let old = self.stream.take();
        let first = old.is_none();
        // Numbers go on above the old ones, with room for misordered packets below.
        let cycle = old.as_ref().map_or(1, |s| (s.max >> 16) + 2);
        packet.seq = cycle << 16 | u64::from(seq);

        let not_before = match &old {
            // What a newcomer said while the old stream still spoke was foreign and stays unheard.
            Some(s) if s.ssrc != candidate.ssrc => Some(s.last),
            _ => None,
        };
        let mut stream = Stream {
            ssrc: candidate.ssrc,
            max: packet.seq,
            base: packet.seq,
            window: 1,
            received: 1,
            last: at,
            ended: false,
        };
        self.handover.clear();
        self.jitter = Jitter {
            last: None,
            seconds: self.jitter.seconds,
        };
        for mut kept in candidate.kept {
            let back = seq.wrapping_sub(kept.seq as u16);
            let fresh = at.saturating_duration_since(kept.arrival) <= KEEP_FOR
                && not_before.is_none_or(|t| kept.arrival >= t)
                && (1..MAX_MISORDER).contains(&back);
            if fresh {
                kept.seq = packet.seq - u64::from(back);
                stream.window |= 1 << back;
                stream.base = stream.base.min(kept.seq);
                stream.received += 1;
                self.note_jitter(&kept);
                self.handover.push_back(kept);
            }
        }
        self.note_jitter(&packet);
        self.handover.make_contiguous().sort_unstable_by_key(|k| k.seq);
        if let Some(old) = old {
            self.expected_before += old.expected();
            self.received_before += old.received;
            match self.handover.front_mut() {
                Some(kept) => kept.restart = true,
                None => packet.restart = true,
            }
            if old.ssrc != stream.ssrc {
                self.foreign = self.foreign.saturating_sub(stream.received - 1);
            }
        }
        self.stream = Some(stream);
        Received::Packet { packet, first }
    }
}

#[cfg(test)]
mod tests;
