//! What becomes of captured frames on the capture thread: a line input's packets, music's blocks.
//!
//! A line input is one more stream: its audio goes as L16 of 5 ms packets (RFC 3551 §4.5.11) into the same playout as what
//! comes by RTP; the time at which the device gave it is its time of arrival, so that a device's coarse steps count as
//! jitter does. Nothing here allocates after `new`.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use rtrb::Producer;

use super::hum::{Change, HumDetector};
use super::quantise::Quantiser;
use super::vox::{Passed, Vox, VoxSettings};
use super::{BLOCK, RATE};
use crate::media::Packet;

/// The payload type that a line input's packets have: any dynamic one, since nobody else sees it.
pub const LINE_TYPE: u8 = 96;

/// Most audio that may be missing within one stream; beyond it the input begins anew.
const MAX_MISSING: Duration = Duration::from_secs(1);
/// Extended sequence numbers begin here, as a receiver's do (RFC 3550 A.1).
const FIRST: u64 = 1 << 16;

/// From a line input to the control task.
#[derive(Debug, Clone)]
#[allow(clippy::large_enum_variant)] // moved once, into the queue; a box would allocate per packet
pub enum LineHeard {
    Packet(LinePacket),
    /// The gate has closed, or the device has gone.
    Ended,
    /// Hum has begun or ended.
    Hum(Change),
}

/// 5 ms of a line input as L16.
#[derive(Debug, Clone)]
pub struct LinePacket {
    number: u64,
    arrival: Instant,
    /// The first of a page.
    begins: bool,
    octets: [u8; 2 * BLOCK],
}

impl LinePacket {
    /// As what comes by RTP; the marker is on the first of a page (RFC 3551 §4.1).
    pub fn packet(&self) -> Option<Packet<'_>> {
        let timestamp = (self.number as u32).wrapping_mul(BLOCK as u32);
        let mut packet = Packet::new(FIRST + self.number, timestamp, LINE_TYPE, self.arrival, &self.octets)?;
        packet.marker = self.begins;
        Some(packet)
    }
}

/// One channel's block after block.
#[derive(Debug)]
struct Blocks {
    block: [f32; BLOCK],
    filled: usize,
}

impl Blocks {
    const fn new() -> Self {
        Blocks {
            block: [0.0; BLOCK],
            filled: 0,
        }
    }

    /// Adds what `of` makes of each frame; `done` gets each block with the time of its last sample. The last frame is
    /// of `at`.
    fn take(
        &mut self,
        frames: &[f32],
        channels: usize,
        at: Instant,
        of: impl Fn(&[f32]) -> f32,
        mut done: impl FnMut(&[f32; BLOCK], Instant),
    ) {
        let mut left = frames.len() / channels;
        for frame in frames.chunks_exact(channels) {
            self.block[self.filled] = of(frame);
            self.filled += 1;
            left -= 1;
            if self.filled == BLOCK {
                self.filled = 0;
                let after = Duration::from_secs(left as u64) / RATE;
                done(&self.block, at.checked_sub(after).unwrap_or(at));
            }
        }
    }
}

/// A line input on its capture thread.
pub struct LineTap {
    channel: usize,
    blocks: Blocks,
    vox: Vox,
    hum: HumDetector,
    sender: Sender,
    /// When the last block ended.
    last: Option<Instant>,
}

/// Packetises.
struct Sender {
    queue: Producer<LineHeard>,
    /// Packets that found the queue full.
    dropped: Arc<AtomicU64>,
    wake: Box<dyn Fn() + Send>,
    quantiser: Quantiser,
    begins: bool,
    /// The end found the queue full.
    owes_end: bool,
    /// So did a change of the hum.
    owes_hum: Option<Change>,
}

impl LineTap {
    /// `channel` from 0. `wake` is called when there is something in the queue.
    pub fn new(
        channel: usize,
        settings: VoxSettings,
        queue: Producer<LineHeard>,
        dropped: Arc<AtomicU64>,
        wake: Box<dyn Fn() + Send>,
    ) -> Self {
        LineTap {
            channel,
            blocks: Blocks::new(),
            vox: Vox::new(settings),
            hum: HumDetector::new(),
            sender: Sender {
                queue,
                dropped,
                wake,
                quantiser: Quantiser::new(),
                begins: false,
                owes_end: false,
                owes_hum: None,
            },
            last: None,
        }
    }

    /// Takes interleaved frames, which came from the device at `now`, and the last of which was captured at `at`. `gap`:
    /// some before them are missing.
    pub fn hear(&mut self, frames: &[f32], channels: usize, at: Instant, now: Instant, gap: bool) {
        if channels == 0 {
            return;
        }
        if gap {
            self.missing(frames.len() / channels, at);
        }
        let LineTap {
            channel,
            blocks,
            vox,
            hum,
            sender,
            last,
        } = self;
        sender.pay();
        let of = |frame: &[f32]| frame.get(*channel).copied().unwrap_or_default();
        blocks.take(frames, channels, at, of, |block, at| {
            let was_open = vox.is_open();
            vox.block(block, now, |passed| sender.pass(passed));
            // What stands for long is looked at while the gate is open as well: it may be the hum that holds it open.
            if vox.is_open() != was_open {
                hum.interrupt();
            }
            if let Some(change) = hum.hear(block, RATE) {
                sender.owes_hum = Some(change);
                sender.pay();
            }
            *last = Some(at);
        });
    }

    /// The device has gone: what was on ends.
    pub fn away(&mut self) {
        let sender = &mut self.sender;
        self.vox.reset(|passed| sender.pass(passed));
        self.sender.pay();
        self.hum.interrupt();
        self.blocks.filled = 0;
        self.last = None;
    }

    /// Keeps the stream's own time in step with what was lost before `frames`.
    fn missing(&mut self, frames: usize, at: Instant) {
        self.blocks.filled = 0;
        self.hum.interrupt();
        let began = at.checked_sub(Duration::from_secs(frames as u64) / RATE).unwrap_or(at);
        let missing = self.last.map(|last| began.saturating_duration_since(last));
        match missing {
            Some(missing) if missing <= MAX_MISSING => {
                let block = Duration::from_secs(BLOCK as u64) / RATE;
                let count = (missing.as_secs_f64() / block.as_secs_f64()).round() as u64;
                self.vox.skip(count);
            }
            _ => self.away(),
        }
    }
}

impl Sender {
    fn pass(&mut self, passed: Passed) {
        match passed {
            Passed::Begin => self.begins = true,
            Passed::Block {
                samples,
                number,
                arrival,
            } => {
                let mut packet = LinePacket {
                    number,
                    arrival,
                    begins: std::mem::take(&mut self.begins),
                    octets: [0; 2 * BLOCK],
                };
                for (octets, x) in packet.octets.chunks_exact_mut(2).zip(samples) {
                    octets.copy_from_slice(&self.quantiser.quantise(*x).to_be_bytes());
                }
                if !self.send(LineHeard::Packet(packet)) {
                    self.dropped.fetch_add(1, Ordering::Relaxed);
                }
            }
            Passed::End => {
                self.owes_end = true;
                self.pay();
            }
        }
    }

    /// The end must arrive, and so must news of the hum.
    fn pay(&mut self) {
        if self.owes_end && self.send(LineHeard::Ended) {
            self.owes_end = false;
        }
        if let Some(change) = self.owes_hum
            && !self.owes_end
            && self.send(LineHeard::Hum(change))
        {
            self.owes_hum = None;
        }
    }

    fn send(&mut self, heard: LineHeard) -> bool {
        // An end that is owed comes before what follows it.
        if self.owes_end && matches!(heard, LineHeard::Packet(_)) {
            self.pay();
            if self.owes_end {
                return false;
            }
        }
        let sent = self.queue.push(heard).is_ok();
        (self.wake)();
        sent
    }
}

/// 5 ms of music for one card.
#[derive(Debug, Clone, Copy)]
pub struct MusicBlock {
    pub samples: [f32; BLOCK],
    /// When its last sample was captured.
    pub at: Instant,
    /// It does not follow on the block before it.
    pub gap: bool,
}

/// Music on its capture thread: one or two channels to every card that plays it.
pub struct MusicTap {
    channels: Vec<usize>,
    blocks: Blocks,
    /// One for each card, and whether something was lost on the way to it.
    queues: Vec<(Producer<MusicBlock>, bool)>,
}

impl MusicTap {
    /// `channels` from 0; several are mixed in equal parts.
    pub fn new(channels: Vec<usize>, queues: Vec<Producer<MusicBlock>>) -> Self {
        MusicTap {
            channels,
            blocks: Blocks::new(),
            queues: queues.into_iter().map(|queue| (queue, true)).collect(),
        }
    }

    /// Takes interleaved frames, the last of which was captured at `at`. `gap`: some before them are missing.
    pub fn hear(&mut self, frames: &[f32], channels: usize, at: Instant, gap: bool) {
        if channels == 0 {
            return;
        }
        if gap {
            self.away();
        }
        let part = 1.0 / self.channels.len().max(1) as f32;
        let wanted = &self.channels;
        let queues = &mut self.queues;
        let of = |frame: &[f32]| wanted.iter().filter_map(|c| frame.get(*c)).sum::<f32>() * part;
        self.blocks.take(frames, channels, at, of, |block, at| {
            for (queue, lost) in queues.iter_mut() {
                let block = MusicBlock {
                    samples: *block,
                    at,
                    gap: *lost,
                };
                *lost = queue.push(block).is_err();
            }
        });
    }

    /// The device has gone.
    pub fn away(&mut self) {
        self.blocks.filled = 0;
        self.queues.iter_mut().for_each(|(_, lost)| *lost = true);
    }
}

#[cfg(test)]
mod tests;
