//! One received RTP packet, without a heap: it travels through a lock-free queue to the audio thread.

use std::time::Instant;

/// Largest payload kept, octets: 20 ms of L16 at 48 kHz in stereo, which come in several fragments; larger ones are refused
/// by the receiver.
pub const MAX_PAYLOAD: usize = 3840;

/// A packet accepted by the [`super::Receiver`].
#[derive(Clone, Copy)]
pub struct Packet {
    /// Extended sequence number (RFC 3550 A.1): the receiver has unwrapped it. A restart or a new SSRC
    /// continues above the old numbers, with `restart` set.
    pub seq: u64,
    /// RTP timestamp as on the wire, in the payload type's clock.
    pub timestamp: u32,
    pub payload_type: u8,
    /// First packet of a talkspurt (RFC 3551 §4.1).
    pub marker: bool,
    /// First packet after a new SSRC or a sequence restart: forget the old timing.
    pub restart: bool,
    /// When it arrived, by the kernel's receive timestamp where there is one.
    pub arrival: Instant,
    len: u16,
    data: [u8; MAX_PAYLOAD],
}

impl Packet {
    /// `None` if the payload is larger than [`MAX_PAYLOAD`].
    pub fn new(seq: u64, timestamp: u32, payload_type: u8, arrival: Instant, payload: &[u8]) -> Option<Self> {
        if payload.len() > MAX_PAYLOAD {
            return None;
        }
        let mut data = [0; MAX_PAYLOAD];
        data[..payload.len()].copy_from_slice(payload);
        Some(Packet {
            seq,
            timestamp,
            payload_type,
            marker: false,
            restart: false,
            arrival,
            len: payload.len() as u16,
            data,
        })
    }

    pub fn payload(&self) -> &[u8] {
        &self.data[..usize::from(self.len)]
    }
}

impl std::fmt::Debug for Packet {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Packet")
            .field("seq", &self.seq)
            .field("timestamp", &self.timestamp)
            .field("payload_type", &self.payload_type)
            .field("len", &self.len)
            .finish_non_exhaustive()
    }
}
