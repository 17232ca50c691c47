//! Tones in a call's packets: put in order, decoded, listened to. For keys that are dialled in band.

use std::collections::VecDeque;

use super::super::packet::Packet;
use super::super::playout::decoder::{self, Decoders};
use super::super::{Codec, Format, PayloadMap};
use crate::sound::dtmf::DtmfDetector;

/// Packets that wait for one that is missing; with the next one it counts as lost. 60 ms at 20 ms a packet.
pub const MAX_WAITING: usize = 4;
/// Longest jump of the timestamps that is told to the detector as it is, s. Longer ones end every key.
const MAX_JUMP: i32 = 1;

/// Opus: longest loss that its error correction is asked to restore, ms. A pause between keys could not hide in it.
const RESTORED_MS: i32 = 40;

/// Half of the detector's window, as a part of a second (8 ms): a look this far into a packet tells whether the key's
/// tones reach into it.
const HALF_LOOK: usize = 125;

/// Listens to one call. Its own decoder, apart from the loudspeakers': they may hear the call much later, or not at
/// all. Bounded memory.
pub struct Ears {
    map: PayloadMap,
    decoders: Decoders,
    detector: DtmfDetector,
    /// In order of sequence.
    waiting: VecDeque<Packet<'static>>,
    /// Sequence number that is due, and timestamp if it is audio.
    next: Option<(u64, u32)>,
    pcm: Vec<f32>,
    /// The last packet that was heard holds some of a key's tones, whose key was found before.
    sounding: bool,
    /// While the end of a key is looked for: packets behind it, to be fetched.
    behind: Option<VecDeque<Packet<'static>>>,
}

impl Ears {
    /// # Errors
    /// When the codec library cannot make a decoder.
    pub fn new(map: PayloadMap) -> Result<Self, String> {
        Ok(Ears {
            map,
            decoders: Decoders::new(&map)?,
            detector: DtmfDetector::new(),
            waiting: VecDeque::with_capacity(MAX_WAITING),
            next: None,
            pcm: Vec::new(),
            sounding: false,
            behind: None,
        })
    }

    pub fn packet(&mut self, packet: &Packet) {
        if packet.restart {
            self.waiting.clear();
            self.next = None;
            self.decoders.reset();
            self.detector = DtmfDetector::new();
            self.sounding = false;
        }
        let (due, _) = *self.next.get_or_insert((packet.seq, packet.timestamp));
        if packet.seq < due {
            return;
        }
        let place = self.waiting.partition_point(|w| w.seq < packet.seq);
        if self.waiting.get(place).is_some_and(|w| w.seq == packet.seq) {
            return;
        }
        self.waiting.insert(place, packet.clone().into_owned());
        while let Some(first) = self.waiting.front()
            && (self.waiting.len() >= MAX_WAITING || self.next.is_some_and(|(due, _)| first.seq == due))
        {
            if let Some(packet) = self.waiting.pop_front() {
                self.hear(&packet);
                if let Some(behind) = self.behind.as_mut().filter(|_| !self.sounding) {
                    behind.push_back(packet);
                }
            }
        }
    }

    /// The next key that was heard.
    pub fn poll(&mut self) -> Option<char> {
        self.detector.poll()
    }

    /// Whether a key that was found still sounds.
    pub fn is_sounding(&self) -> bool {
        self.sounding
    }

    /// From now on keeps the packets that hold nothing of the key, in order, for [`Ears::take_behind`].
    pub fn keep_behind(&mut self) {
        self.behind = Some(VecDeque::with_capacity(MAX_WAITING));
    }

    /// What is kept so far; with `all`, what still waits for a missing packet too.
    pub fn take_behind(&mut self, all: bool) -> impl Iterator<Item = Packet<'static>> {
        if all && let Some(behind) = &mut self.behind {
            behind.append(&mut self.waiting);
        }
        std::iter::from_fn(|| self.behind.as_mut()?.pop_front())
    }

    fn hear(&mut self, packet: &Packet) {
        let (due, timestamp) = self.next.unwrap_or((packet.seq, packet.timestamp));
        let Some(Format::Audio(codec)) = self.map.format(packet.payload_type) else {
            self.next = Some((packet.seq + 1, timestamp));
            return;
        };
        let (clock, rate) = (codec.clock_rate(), codec.playout_rate());
        // What is between the packets by their timestamps was lost, or not sent: not known, either way. Some senders
        // count wrongly from packet to packet; that is no gap.
        let jump = packet.timestamp.wrapping_sub(timestamp) as i32;
        let restored = clock as i32 / 1000 * RESTORED_MS;
        if codec == Codec::Opus && packet.seq != due && (1..=restored).contains(&jump) {
            self.pcm.clear();
            self.pcm.resize(jump as usize / 120 * 120, 0.0);
            self.decoders.conceal(Some(packet.payload()), &mut self.pcm);
            self.detector.block(&self.pcm, rate);
        } else if jump != 0 && (packet.seq != due || packet.marker || jump.unsigned_abs() > clock / 10) {
            let lost = match jump {
                0.. if jump <= clock as i32 * MAX_JUMP => jump as usize,
                _ => clock as usize * MAX_JUMP as usize,
            };
            self.detector.lose(lost, clock);
        }
        let n = self.decoders.samples(codec, packet.payload());
        self.pcm.clear();
        self.pcm.resize(n, 0.0);
        self.decoders.decode(codec, packet.payload(), &mut self.pcm);
        let (first, rest) = self.pcm.split_at(n.min(rate as usize / HALF_LOOK));
        self.detector.block(first, rate);
        self.sounding = self.detector.is_sounding();
        self.detector.block(rest, rate);
        // Or the key became known in what is left.
        self.sounding |= self.detector.is_sounding();
        let samples = decoder::duration(codec, packet.payload()) as u64;
        let ticks = (samples * u64::from(clock) / u64::from(codec.sample_rate())) as u32;
        self.next = Some((packet.seq + 1, packet.timestamp.wrapping_add(ticks)));
    }
}

impl std::fmt::Debug for Ears {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Ears").field("next", &self.next).finish_non_exhaustive()
    }
}
