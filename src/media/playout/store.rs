//! Packets waiting for their turn: a bounded slab in order of sequence. Nothing is allocated after `new`: the lists have
//! their whole capacity from then on, but grow into it only as far as packets need it. Memory never written to costs
//! address space alone, and few streams come near the bounds.

use crate::media::{MAX_PAYLOAD, Packet};

/// Packets held at most: 20 s at 2.5 ms a packet.
pub const MAX_PACKETS: usize = 8192;
/// Payloads lie in chained chunks, so that short packets do not pay for long ones. One holds 20 ms of G.711,
/// all of them 15 s of L16 at 48 kHz in stereo.
const CHUNK: usize = 160;
const CHUNKS: usize = 18_432;
const NONE: u16 = u16::MAX;

/// A packet in the store, without its payload.
#[derive(Debug, Clone, Copy)]
pub struct Entry {
    pub seq: u64,
    /// Place on the stream's own time line, in ticks.
    pub media: i64,
    pub payload_type: u8,
    /// First of a new run (RFC 3550 A.1 restart, new SSRC).
    pub restart: bool,
    len: u16,
    chunk: u16,
}

/// What became of an inserted packet.
#[derive(Debug, PartialEq, Eq)]
pub enum Inserted {
    Stored,
    Duplicate,
    /// No room: the caller drops the oldest and tries again.
    Full,
}

pub struct Store {
    /// By sequence number, modulo [`MAX_PACKETS`]; what lies beyond the end is empty.
    slots: Vec<Option<Entry>>,
    /// Chunks that were ever needed, and what follows each: of its packet, or of the free ones.
    chunks: Vec<[u8; CHUNK]>,
    next: Vec<u16>,
    free: u16,
    in_use: usize,
    count: usize,
    /// Bounds of the sequence numbers held, when `count > 0`.
    low: u64,
    high: u64,
}

impl Store {
    pub fn new() -> Self {
        Store {
            slots: Vec::with_capacity(MAX_PACKETS),
            chunks: Vec::with_capacity(CHUNKS),
            next: Vec::with_capacity(CHUNKS),
            free: NONE,
            in_use: 0,
            count: 0,
            low: 0,
            high: 0,
        }
    }

    pub fn contains(&self, seq: u64) -> bool {
        self.at(seq).is_some_and(|e| e.seq == seq)
    }

    pub fn len(&self) -> usize {
        self.count
    }

    pub fn is_empty(&self) -> bool {
        self.count == 0
    }

    fn slot(seq: u64) -> usize {
        (seq % MAX_PACKETS as u64) as usize
    }

    fn at(&self, seq: u64) -> Option<Entry> {
        *self.slots.get(Self::slot(seq))?
    }

    /// A chunk nobody uses, holding `part`, before the chunk `following`. There must be one.
    fn take_chunk(&mut self, part: &[u8], following: u16) -> u16 {
        self.in_use += 1;
        let taken = self.free;
        let Some(next) = self.next.get_mut(usize::from(taken)) else {
            let mut chunk = [0; CHUNK];
            chunk[..part.len()].copy_from_slice(part);
            self.chunks.push(chunk);
            self.next.push(following);
            return (self.chunks.len() - 1) as u16;
        };
        self.free = std::mem::replace(next, following);
        self.chunks[usize::from(taken)][..part.len()].copy_from_slice(part);
        taken
    }

    /// Takes a packet under the number `seq`, at `media` ticks; `restart` if it opens a run.
    pub fn insert(&mut self, packet: &Packet, seq: u64, media: i64, restart: bool) -> Inserted {
        let payload = packet.payload();
        let needed = payload.len().div_ceil(CHUNK);
        if self.count > 0 {
            if self.contains(seq) {
                return Inserted::Duplicate;
            }
            let (low, high) = (self.low.min(seq), self.high.max(seq));
            if high - low >= MAX_PACKETS as u64 {
                return Inserted::Full;
            }
        }
        if self.in_use + needed > CHUNKS {
            return Inserted::Full;
        }
        let mut chunk = NONE;
        for part in payload.chunks(CHUNK).rev() {
            chunk = self.take_chunk(part, chunk);
        }
        let slot = Self::slot(seq);
        if slot >= self.slots.len() {
            self.slots.resize(slot + 1, None);
        }
        self.slots[slot] = Some(Entry {
            seq,
            media,
            payload_type: packet.payload_type,
            restart,
            len: payload.len() as u16,
            chunk,
        });
        if self.count == 0 {
            (self.low, self.high) = (seq, seq);
        } else {
            self.low = self.low.min(seq);
            self.high = self.high.max(seq);
        }
        self.count += 1;
        Inserted::Stored
    }

    /// The packet with the lowest sequence number.
    pub fn first(&self) -> Option<Entry> {
        match self.count {
            0 => None,
            _ => self.at(self.low),
        }
    }

    /// Copies the payload of `entry` out; the part of `into` that it fills.
    pub fn payload<'a>(&self, entry: &Entry, into: &'a mut [u8; MAX_PAYLOAD]) -> &'a [u8] {
        let len = usize::from(entry.len).min(MAX_PAYLOAD);
        let mut chunk = entry.chunk;
        for part in into[..len].chunks_mut(CHUNK) {
            let Some(from) = self.chunks.get(usize::from(chunk)) else {
                break;
            };
            part.copy_from_slice(&from[..part.len()]);
            chunk = self.next[usize::from(chunk)];
        }
        &into[..len]
    }

    /// Removes the packet with the lowest sequence number.
    pub fn pop(&mut self) -> Option<Entry> {
        let entry = self.first()?;
        self.slots[Self::slot(entry.seq)] = None;
        self.count -= 1;
        let mut chunk = entry.chunk;
        while let Some(next) = self.next.get_mut(usize::from(chunk)) {
            let following = std::mem::replace(next, self.free);
            self.free = chunk;
            self.in_use -= 1;
            chunk = following;
        }
        if self.count > 0 {
            // Bounded: the numbers held span less than MAX_PACKETS.
            while self.at(self.low).is_none() {
                self.low += 1;
            }
        }
        Some(entry)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::disallowed_methods)]

    use super::*;
    use rand::{Rng, SeedableRng, seq::SliceRandom};
    use std::time::Instant;

    fn packet(payload: &[u8]) -> Packet<'_> {
        Packet::new(0, 0, 0, Instant::now(), payload).unwrap()
    }

    #[test]
    fn comes_out_in_order_with_its_payload() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        let mut store = Store::new();
        let mut scratch = [0; MAX_PAYLOAD];
        for round in 0..50u64 {
            let mut seqs: Vec<u64> = (0..90).map(|i| round * 1000 + i * rng.random_range(1..3)).collect();
            seqs.sort_unstable();
            seqs.dedup();
            let expected = seqs.clone();
            seqs.shuffle(&mut rng);
            let body = |seq: u64| -> Vec<u8> { (0..(seq * 37) % 1473).map(|i| (i ^ seq) as u8).collect() };
            for seq in &seqs {
                assert_eq!(store.insert(&packet(&body(*seq)), *seq, 0, false), Inserted::Stored);
                assert_eq!(store.insert(&packet(b"x"), *seq, 0, false), Inserted::Duplicate);
            }
            for seq in expected {
                let entry = store.first().unwrap();
                assert_eq!(entry.seq, seq);
                assert_eq!(store.payload(&entry, &mut scratch), body(seq));
                store.pop();
            }
            assert!(store.is_empty() && store.pop().is_none());
            assert_eq!(store.in_use, 0, "nothing leaks");
        }
    }

    #[test]
    fn is_bounded_in_packets_span_and_octets() {
        let mut store = Store::new();
        for seq in 0..MAX_PACKETS as u64 {
            assert_eq!(store.insert(&packet(&[1; 160]), seq, 0, false), Inserted::Stored);
        }
        assert_eq!(
            store.insert(&packet(&[1]), MAX_PACKETS as u64, 0, false),
            Inserted::Full
        );
        while store.pop().is_some() {}
        assert_eq!(store.insert(&packet(&[]), 9, 0, false), Inserted::Stored);
        assert_eq!(
            store.insert(&packet(&[]), 9 + MAX_PACKETS as u64, 0, false),
            Inserted::Full
        );
        store.pop();
        let mut held = 0;
        while store.insert(&packet(&[0; MAX_PAYLOAD]), held, 0, false) == Inserted::Stored {
            held += 1;
        }
        assert_eq!(held as usize, CHUNKS / MAX_PAYLOAD.div_ceil(CHUNK));
        let room = |s: &Store| (s.slots.capacity(), s.chunks.capacity(), s.next.capacity());
        assert_eq!(room(&store), room(&Store::new()), "nothing is allocated after `new`");
    }

    /// A page of an hour that keeps ten packets waiting writes to the chunks of ten packets.
    #[test]
    fn takes_no_more_room_than_what_waits() {
        let mut store = Store::new();
        for seq in 100..180_100 {
            assert_eq!(store.insert(&packet(&[1; 400]), seq, 0, false), Inserted::Stored);
            if store.len() > 10 {
                store.pop();
            }
        }
        assert_eq!(store.chunks.len(), 11 * 3);
    }
}
