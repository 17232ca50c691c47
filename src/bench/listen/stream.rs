//! One stream: its figures, and its sound through a jitter buffer like the gateway's.

use std::net::SocketAddr;
use std::time::{Duration, Instant};

use super::gateway::{Gateway, codec_name};
use crate::media::{Codec, Format, Packet, PayloadMap, Playout, PlayoutSettings, Received, Receiver};
use crate::sound::level::Dbfs;
use crate::sound::resample::{Bank, Upsampler};

/// Length of a block of the playout.
const BLOCK: Duration = Duration::from_millis(5);
/// Blocks of one second: over so long the level is told.
const LEVEL_BLOCKS: usize = 200;
/// Frames of a block at 48 kHz.
const FRAMES: usize = 240;
/// Sound is not made up for longer than this after a standstill of this program.
const MAX_CATCH_UP: Duration = Duration::from_secs(1);
/// Below it nobody is taken to speak: softer than quiet speech in any codec, louder than a telephone line's noise.
pub const ACTIVE: Dbfs = Dbfs(-50.0);
/// Between two looks closer than this the rate stays what it was.
const MIN_RATE_TIME: Duration = Duration::from_millis(500);

/// Who sends what where.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct StreamId {
    pub group: SocketAddr,
    pub sender: SocketAddr,
    pub ssrc: u32,
}

/// How a stream stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// Louder than −50 dBFS over the last second.
    Active,
    Silent,
    /// It cannot be decoded, or not be opened.
    Unheard,
    Ended,
}

impl State {
    pub fn word(self) -> &'static str {
        match self {
            State::Active => "active",
            State::Silent => "silent",
            State::Unheard => "unheard",
            State::Ended => "ended",
        }
    }
}

/// What is told of one stream.
#[derive(Debug, Clone)]
pub struct Row {
    /// Counts streams from 1.
    pub number: u64,
    pub id: StreamId,
    pub payload_type: u8,
    /// `None`: it is not known, or not decoded here.
    pub codec: Option<Codec>,
    /// "PCMU 8 kHz"; "PT 97" where it is not known.
    pub codec_name: String,
    /// Not to be opened with the group's key.
    pub is_closed: bool,
    pub state: State,
    /// From the first packet to the last one.
    pub length: Duration,
    pub packets: u64,
    /// RFC 3550 A.3.
    pub lost: u64,
    pub duplicates: u64,
    /// Of late: since the look before.
    pub packets_a_second: Option<f64>,
    pub packet_time_ms: Option<f64>,
    /// RFC 3550 §6.4.1; `None` where the clock rate is not known.
    pub jitter_ms: Option<f64>,
    /// RMS over the last second.
    pub level: Option<Dbfs>,
    /// RMS of the loudest second.
    pub loudest: Option<Dbfs>,
    /// Packets that came too late to be played.
    pub late: u64,
    pub gateway: Gateway,
}

impl Row {
    /// Share of the packets that did not come, per cent.
    pub fn loss_percent(&self) -> f64 {
        100.0 * self.lost as f64 / (self.packets + self.lost).max(1) as f64
    }
}

pub(super) struct Stream {
    pub number: u64,
    pub id: StreamId,
    receiver: Receiver,
    map: PayloadMap,
    settings: PlayoutSettings,
    playout: Option<Playout>,
    pub is_closed: bool,
    /// Whom the gateway heard instead when its last packet came.
    pub waits_for: Option<SocketAddr>,
    pub payload_type: u8,
    pub first: Instant,
    pub last: Instant,
    /// Sound was pulled up to here.
    pulled: Instant,
    /// Number and timestamp of the packet before.
    before: Option<(u64, u32)>,
    packet_time_ms: Option<f64>,
    replayed: u64,
    level: Level,
    /// When it was looked at, how many packets there were, and what rate came of it.
    looked: (Instant, u64, Option<f64>),
    upsampler: Option<Box<Upsampler>>,
}

/// Mean squares of the last second's blocks.
struct Level {
    squares: [f32; LEVEL_BLOCKS],
    blocks: usize,
    loudest: Option<f32>,
}

impl Level {
    fn block(&mut self, samples: &[f32]) {
        let sum: f32 = samples.iter().map(|x| x * x).sum();
        self.squares[self.blocks % LEVEL_BLOCKS] = sum / samples.len().max(1) as f32;
        self.blocks += 1;
        // In steps of a tenth of a second.
        if self.blocks >= LEVEL_BLOCKS && self.blocks.is_multiple_of(LEVEL_BLOCKS / 10) {
            let now = self.mean();
            self.loudest = Some(self.loudest.map_or(now, |before| before.max(now)));
        }
    }

    fn mean(&self) -> f32 {
        let filled = self.blocks.min(LEVEL_BLOCKS);
        self.squares[..filled].iter().sum::<f32>() / filled.max(1) as f32
    }

    fn now(&self) -> Option<Dbfs> {
        (self.blocks > 0).then(|| Dbfs::of(self.mean().sqrt()))
    }
}

impl Stream {
    /// `payload_type` is what it begins with. One that nobody knows is counted, not heard.
    pub fn new(
        number: u64,
        id: StreamId,
        map: PayloadMap,
        settings: PlayoutSettings,
        payload_type: u8,
        is_closed: bool,
        at: Instant,
    ) -> Stream {
        let counted = match map.format(payload_type) {
            Some(_) => map,
            // Without a clock rate, so that no jitter is told.
            None => map.with(payload_type, Format::ComfortNoise),
        };
        Stream {
            number,
            id,
            receiver: Receiver::new(counted),
            map,
            settings,
            playout: None,
            is_closed,
            waits_for: None,
            payload_type,
            first: at,
            last: at,
            pulled: at,
            before: None,
            packet_time_ms: None,
            replayed: 0,
            level: Level {
                squares: [0.0; LEVEL_BLOCKS],
                blocks: 0,
                loudest: None,
            },
            looked: (at, 0, None),
            upsampler: None,
        }
    }

    /// From now on it can be heard.
    pub fn open(&mut self) {
        self.is_closed = false;
    }

    pub fn replayed(&mut self) {
        self.replayed += 1;
    }

    fn codec(&self) -> Option<Codec> {
        match self.map.format(self.payload_type) {
            Some(Format::Audio(codec)) => Some(codec),
            _ => None,
        }
    }

    /// One RTP packet in the clear, or one whose header alone is.
    pub fn packet(&mut self, at: Instant, octets: &[u8]) {
        match self.receiver.handle(octets, at) {
            Received::Packet { packet, .. } => {
                let packet = packet.into_owned();
                while let Some(kept) = self.receiver.take_kept() {
                    self.valid(&kept);
                }
                self.valid(&packet);
            }
            Received::Unknown(payload_type) => {
                self.payload_type = payload_type;
                self.last = self.last.max(at);
            }
            _ => {}
        }
    }

    fn valid(&mut self, packet: &Packet<'_>) {
        self.first = self.first.min(packet.arrival);
        self.last = self.last.max(packet.arrival);
        if !matches!(
            self.map.format(packet.payload_type),
            Some(Format::ComfortNoise | Format::TelephoneEvent)
        ) {
            self.payload_type = packet.payload_type;
        }
        if let (Some((seq, timestamp)), Some(codec)) = (self.before, self.codec())
            && packet.seq == seq + 1
            && !packet.restart
        {
            let step = packet.timestamp.wrapping_sub(timestamp).cast_signed();
            let ms = f64::from(step) * 1000.0 / f64::from(codec.clock_rate());
            // Longer ones are pauses (RFC 3551 §4.1).
            if !packet.marker && (1.0..=200.0).contains(&ms) {
                self.packet_time_ms = Some(ms);
            }
        }
        if self.before.is_none_or(|(seq, _)| packet.seq > seq) {
            self.before = Some((packet.seq, packet.timestamp));
        }
        if self.is_closed {
            return;
        }
        // It may begin with what cannot be played: comfort noise, keys.
        if self.playout.is_none() && self.codec().is_some() {
            self.playout = Playout::new(&self.map, self.settings).ok();
            self.pulled = packet.arrival;
        }
        if let Some(playout) = &mut self.playout {
            playout.push(packet);
        }
    }

    /// Lets the sound go on to `now`; `hear` gets it in blocks of 48 kHz.
    pub fn advance(&mut self, now: Instant, bank: Option<&Bank>, hear: &mut dyn FnMut(&StreamId, u64, &[f32])) {
        let Some(playout) = self.playout.as_mut().filter(|_| !self.is_closed) else {
            return;
        };
        if let Some(earliest) = now.checked_sub(MAX_CATCH_UP) {
            self.pulled = self.pulled.max(earliest);
        }
        while self.pulled + BLOCK <= now {
            self.pulled += BLOCK;
            let block = playout.next_block(self.pulled);
            self.level.block(block.samples);
            if let Some(bank) = bank {
                let upsampler = self.upsampler.get_or_insert_with(|| Box::new(Upsampler::new()));
                let mut out = [0.0; FRAMES];
                upsampler.process(bank, block.rate, block.samples, &mut out);
                hear(&self.id, self.number, &out);
            }
        }
    }

    pub fn row(&mut self, now: Instant, has_ended: bool, gateway: Gateway) -> Row {
        let figures = self.receiver.figures();
        let length = self.last.saturating_duration_since(self.first);
        let since = now.saturating_duration_since(self.looked.0);
        let average =
            |packets: u64, time: Duration| (time >= MIN_RATE_TIME / 2).then(|| packets as f64 / time.as_secs_f64());
        let packets_a_second = if has_ended {
            average(figures.packets.saturating_sub(1), length)
        } else if self.looked.1 == 0 {
            // The first look: from its own beginning on.
            self.looked = (now, figures.packets, average(figures.packets.saturating_sub(1), length));
            self.looked.2
        } else {
            if since >= MIN_RATE_TIME {
                let rate = average(figures.packets.saturating_sub(self.looked.1), since);
                self.looked = (now, figures.packets, rate);
            }
            self.looked.2
        };
        let heard = self.playout.is_some() && !self.is_closed;
        let level = self.level.now().filter(|_| heard && !has_ended);
        let state = match level {
            _ if has_ended => State::Ended,
            _ if !heard => State::Unheard,
            Some(level) if level > ACTIVE => State::Active,
            _ => State::Silent,
        };
        Row {
            number: self.number,
            id: self.id,
            payload_type: self.payload_type,
            codec: self.codec(),
            codec_name: codec_name(self.map.format(self.payload_type), self.payload_type),
            is_closed: self.is_closed,
            state,
            length,
            packets: figures.packets,
            lost: figures.lost,
            duplicates: figures.duplicates + self.replayed,
            packets_a_second,
            packet_time_ms: self.packet_time_ms,
            jitter_ms: self.codec().map(|_| figures.jitter_ms),
            level,
            loudest: self
                .level
                .loudest
                .map(|square| Dbfs::of(square.sqrt()))
                .or_else(|| self.level.now())
                .filter(|_| heard),
            late: self.playout.as_ref().map_or(0, |playout| playout.figures().late),
            gateway,
        }
    }
}
