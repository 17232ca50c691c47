//! From datagrams to accepted packets: RTP told from RTCP (RFC 5761 §4), RFC 3550 A.1 validity, statistics.

use std::time::Instant;

use super::{Packet, PayloadMap};

/// What one datagram was.
#[derive(Debug)]
#[allow(clippy::large_enum_variant)] // moved once, into the queue; a box would allocate per packet
pub enum Received {
    /// A valid packet of the stream; `first` on the one that made the stream valid.
    Packet { packet: Packet, first: bool },
    /// Plausible, but the source is still on probation (RFC 3550 A.1).
    Probation,
    /// RTCP of a known shape; `bye` when it holds a BYE for the stream's SSRC.
    Rtcp { bye: bool },
    /// Duplicate, too old, another SSRC while the stream lives, unknown payload type, or not RTP at all.
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

/// Reception state of one session. Bounded memory.
#[derive(Debug)]
pub struct Receiver {
    _map: PayloadMap,
}

impl Receiver {
    pub fn new(map: PayloadMap) -> Self {
        Receiver { _map: map }
    }

    /// Reads one datagram that arrived at `at`. Never panics, whatever it holds.
    pub fn handle(&mut self, _datagram: &[u8], _at: Instant) -> Received {
        todo!()
    }

    /// Replaces the payload types (re-INVITE).
    pub fn set_map(&mut self, _map: PayloadMap) {
        todo!()
    }

    /// When the last valid packet arrived.
    pub fn last_packet(&self) -> Option<Instant> {
        todo!()
    }

    pub fn figures(&self) -> ReceiverFigures {
        todo!()
    }
}
