//! One received RTP packet, and the queue by which packets go to the audio thread.

use std::borrow::Cow;
use std::time::Instant;

use rtrb::{Consumer, Producer, RingBuffer};

/// Largest payload kept, octets: 20 ms of L16 at 48 kHz in stereo, which come in several fragments; larger ones are refused
/// by the receiver.
pub const MAX_PAYLOAD: usize = 3840;

/// A packet accepted by the [`super::Receiver`]. Its payload is lent by the datagram; only what has to wait owns it
/// ([`Packet::into_owned`]).
#[derive(Clone)]
pub struct Packet<'a> {
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
    payload: Cow<'a, [u8]>,
}

impl<'a> Packet<'a> {
    /// `None` if the payload is larger than [`MAX_PAYLOAD`].
    pub fn new(seq: u64, timestamp: u32, payload_type: u8, arrival: Instant, payload: &'a [u8]) -> Option<Self> {
        (payload.len() <= MAX_PAYLOAD).then_some(Packet {
            seq,
            timestamp,
            payload_type,
            marker: false,
            restart: false,
            arrival,
            payload: Cow::Borrowed(payload),
        })
    }

    pub fn payload(&self) -> &[u8] {
        &self.payload
    }

    /// The packet with a payload of its own.
    pub fn into_owned(self) -> Packet<'static> {
        Packet {
            payload: Cow::Owned(self.payload.into_owned()),
            ..self
        }
    }
}

impl std::fmt::Debug for Packet<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Packet")
            .field("seq", &self.seq)
            .field("timestamp", &self.timestamp)
            .field("payload_type", &self.payload_type)
            .field("len", &self.payload.len())
            .finish_non_exhaustive()
    }
}

/// A packet without its payload, and how long that is.
type Head = (Packet<'static>, usize);

/// The control task's end of a [`queue`].
pub struct PacketSender {
    heads: Producer<Head>,
    octets: Producer<u8>,
}

/// The audio thread's end of a [`queue`].
pub struct PacketReceiver {
    heads: Consumer<Head>,
    octets: Consumer<u8>,
    payload: Box<[u8; MAX_PAYLOAD]>,
}

/// A lock-free queue of `packets` packets, whose payloads have `octets` octets together. Neither end allocates.
pub fn queue(packets: usize, octets: usize) -> (PacketSender, PacketReceiver) {
    let (heads, heads_end) = RingBuffer::new(packets);
    let (octets, octets_end) = RingBuffer::new(octets);
    let receiver = PacketReceiver {
        heads: heads_end,
        octets: octets_end,
        payload: Box::new([0; MAX_PAYLOAD]),
    };
    (PacketSender { heads, octets }, receiver)
}

impl PacketSender {
    /// False when there is no room: the packet is lost.
    pub fn push(&mut self, packet: &Packet) -> bool {
        let payload = packet.payload();
        if self.heads.is_full() {
            return false;
        }
        // The payload first: who sees the head finds it.
        let Ok(chunk) = self.octets.write_chunk_uninit(payload.len()) else {
            return false;
        };
        chunk.fill_from_iter(payload.iter().copied());
        let head = Packet {
            payload: Cow::Borrowed(&[][..]),
            ..*packet
        };
        self.heads.push((head, payload.len())).is_ok()
    }
}

impl PacketReceiver {
    /// The next packet. It lends its payload from here.
    pub fn pop(&mut self) -> Option<Packet<'_>> {
        let (head, len) = self.heads.pop().ok()?;
        let chunk = self.octets.read_chunk(len).ok()?;
        let (first, rest) = chunk.as_slices();
        let payload = &mut self.payload[..len];
        payload[..first.len()].copy_from_slice(first);
        payload[first.len()..].copy_from_slice(rest);
        chunk.commit_all();
        Some(Packet {
            payload: Cow::Borrowed(payload),
            ..head
        })
    }
}

#[cfg(test)]
#[allow(clippy::disallowed_methods)]
mod tests {
    use super::*;

    /// Payloads of every length go through a queue whose ring they cross, whole and in order.
    #[test]
    fn packets_cross_the_queue_whole() {
        let now = Instant::now();
        let (mut sender, mut receiver) = queue(4, 5000);
        let octets: Vec<u8> = (0..MAX_PAYLOAD).map(|i| (i * 7 % 251) as u8).collect();
        for (seq, len) in [0, 1, 160, MAX_PAYLOAD, 1000, 3000, 33]
            .into_iter()
            .cycle()
            .take(700)
            .enumerate()
        {
            let mut packet = Packet::new(seq as u64, 9, 8, now, &octets[..len]).unwrap();
            (packet.marker, packet.restart) = (seq % 2 == 0, seq % 3 == 0);
            assert!(sender.push(&packet));
            let got = receiver.pop().unwrap();
            assert_eq!((got.seq, got.timestamp, got.payload_type), (seq as u64, 9, 8));
            assert_eq!(
                (got.marker, got.restart, got.arrival),
                (seq % 2 == 0, seq % 3 == 0, now)
            );
            assert_eq!(got.payload(), &octets[..len]);
        }
        assert!(receiver.pop().is_none());
    }

    #[test]
    fn a_full_queue_refuses_and_keeps_what_it_has() {
        let (mut sender, mut receiver) = queue(2, 5000);
        let octets = [5; MAX_PAYLOAD];
        let packet = |seq: u64, len: usize| Packet::new(seq, 0, 0, Instant::now(), &octets[..len]).unwrap();
        assert!(sender.push(&packet(1, MAX_PAYLOAD)));
        assert!(!sender.push(&packet(2, 2000)), "no room for its payload");
        assert!(sender.push(&packet(3, 1000)));
        assert!(!sender.push(&packet(4, 0)), "no room for its head");
        assert_eq!(receiver.pop().unwrap().payload().len(), MAX_PAYLOAD);
        assert_eq!(receiver.pop().unwrap().seq, 3);
        assert!(receiver.pop().is_none());
    }
}
