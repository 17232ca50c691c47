//! Adaptive jitter buffer, decoder, concealment and time-stretch of one stream, pulled by the output's clock.
//!
//! Built outside the audio thread, then handed to it: after [`Playout::new`] nothing here allocates, locks or logs.
//!
//! ```text
//! push ─▶ timing (how late?) ─▶ store ─▶ decoder ─▶ line ─▶ next_block
//!                                          │ gap: conceal    │ too deep, too shallow: stretch
//! ```
//!
//! The delay is the time from the pace of the fastest packet to the moment of playing; the target is what the
//! packets' spread asks for. When nothing has come, the time line stands still and concealment fills in: a late
//! packet is played late, not lost. When a later packet is there, the gap is a loss and the time line goes on.

mod activity;
mod conceal;
mod convert;
pub(in crate::media) mod decoder;
mod feed;
mod line;
mod noise;
mod numbering;
mod pitch;
mod steer;
mod store;
mod stretch;
mod timing;

use std::time::{Duration, Instant};

use super::{Codec, Format, MAX_PAYLOAD, Packet, PayloadMap};
use activity::Activity;
use conceal::Concealer;
use decoder::Decoders;
use line::Line;
use noise::ComfortNoise;
use numbering::Numbering;
use store::{Entry, Inserted, Store};
use timing::{Seen, TICKS, Timing};

pub use convert::prepare;

/// Bounds of the jitter buffer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PlayoutSettings {
    /// Least delay kept against jitter.
    pub min_delay: Duration,
    /// Most delay that jitter alone may build up.
    pub max_delay: Duration,
    /// Longest speech kept while held (lead and chime); older is dropped and counted beyond it.
    pub max_hold: Duration,
}

impl Default for PlayoutSettings {
    fn default() -> Self {
        PlayoutSettings {
            min_delay: Duration::from_millis(20),
            max_delay: Duration::from_millis(400),
            max_hold: Duration::from_secs(15),
        }
    }
}

/// 5 ms of mono audio, full scale ±1.0.
#[derive(Debug, Clone, Copy)]
pub struct Block<'a> {
    /// Hz; `samples.len()` is `rate / 200`.
    pub rate: u32,
    pub samples: &'a [f32],
}

/// Cumulative figures of one playout.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PlayoutFigures {
    /// Packets decoded.
    pub played: u64,
    /// Packets that came after their turn.
    pub late: u64,
    /// Audio made up by concealment, ms.
    pub concealed_ms: u64,
    /// Audio taken out by time-stretch and shortened pauses, ms.
    pub shortened_ms: u64,
    /// Audio put in by time-stretch, ms.
    pub stretched_ms: u64,
    /// Packets dropped because the hold or the buffer was full.
    pub overflowed: u64,
    /// Delay of the buffer now, ms, and its target.
    pub delay_ms: f32,
    pub target_ms: f32,
}

const BLOCK_SECONDS: f64 = 0.005;
const BLOCKS_PER_SECOND: usize = 200;
/// Deviation from the target that is left alone, s: above, below.
const SLACK_ABOVE: f64 = 0.015;
const SLACK_BELOW: f64 = 0.008;
/// Excess from which a backlog is caught up in the speech too, s, and in any pause until it is gone; one that never gets
/// that far gives way in long pauses only: a page that comes half a second late is heard as well as one that comes at
/// once, one with its words squeezed is not.
const BACKLOG: f64 = 0.500;
/// Excess from which pauses are shortened by large steps, s.
const PAUSES_FROM: f64 = 0.100;
/// Share of the speech that catching up may take out, and that trimming may.
const CATCH_UP_RATE: f64 = 0.15;
const TRIM_RATE: f64 = 0.02;
/// Likeness that a joint needs: when trimming, when catching up, when growing.
const TRIM_LIKENESS: f32 = 0.85;
const CATCH_UP_LIKENESS: f32 = 0.4;
const GROW_LIKENESS: f32 = 0.8;
/// What a shortened pause keeps, ms: after speech, and before it.
const PAUSE_AFTER_MS: usize = 100;
const PAUSE_BEFORE_MS: usize = 60;
/// Taken out of a pause at once, ms.
const PAUSE_STEP_MS: usize = 20;
/// Longest wait for the target once a packet is there, blocks.
const MAX_WAIT: u32 = 200;
/// Sequence numbers remembered as played, to tell a duplicate from a late packet.
const PLAYED_MEMORY: u64 = 128;

/// Most delay added so that the far end of a loss is known, s.
const MAX_LOSS_FLOOR: f64 = 0.050;
/// Decay of the count of losses per block: half after 17 s.
const LOSS_MEMORY: f64 = 0.9998;

/// Where the audio comes from at present.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    /// Packets follow one another.
    Flowing,
    /// Nothing to play: the time line stands still.
    Standing,
    /// Drained to the last sample.
    Done,
}

/// One stream's playout.
pub struct Playout {
    settings: PlayoutSettings,
    numbering: Numbering,
    store: Store,
    timing: Timing,
    decoders: Decoders,
    line: Line,
    concealer: Concealer,
    /// Runs from the far end of a gap.
    backward: Concealer,
    activity: Activity,
    state: State,
    codec: Codec,
    /// Media time and sequence number that follow what was decoded last.
    next_media: i64,
    /// What gaps of a part of a sample come to so far, ticks; only at rates that are converted.
    owed: i64,
    next_seq: Option<u64>,
    /// Bit n: `next_seq - 1 - n` was played.
    played: u128,
    /// Samples in the last packet.
    last_frame: usize,
    /// In a gap now: what was appended last is made up.
    in_gap: bool,
    /// Samples made up in this gap.
    bridged: usize,
    /// The end has been faded in.
    ending: bool,
    /// The last Opus packet announced silence.
    opus_silent: bool,
    /// Concealment of the gap not yet known to be a loss, ms.
    pending_concealed: f64,
    waited: u32,
    noise: ComfortNoise,
    backlog: bool,
    allowance: f64,
    /// Blocks since the delay left its target, or a pause gave way.
    deviating: u32,
    draining: bool,
    /// Losses of late, decaying: more delay pays, since a gap with both its ends known is mended better.
    losses: f64,
    /// Packets lost in a row, typically.
    loss_run: f64,
    concealed: f64,
    shortened: f64,
    stretched: f64,
    figures: PlayoutFigures,
    scratch: [u8; MAX_PAYLOAD],
    out: [f32; 240],
}

impl Playout {
    /// # Errors
    /// When the codec library cannot make a decoder.
    pub fn new(map: &PayloadMap, settings: PlayoutSettings) -> Result<Self, String> {
        let codec = map.audio().map_or(Codec::Pcmu, |(_, c)| c);
        Ok(Playout {
            settings,
            numbering: Numbering::default(),
            store: Store::new(),
            timing: Timing::new(&settings),
            decoders: Decoders::new(map)?,
            line: Line::new(codec.playout_rate()),
            concealer: Concealer::new(),
            backward: Concealer::new(),
            activity: Activity::new(),
            state: State::Standing,
            codec,
            next_media: 0,
            owed: 0,
            next_seq: None,
            played: 0,
            last_frame: 0,
            in_gap: false,
            bridged: 0,
            ending: false,
            opus_silent: false,
            pending_concealed: 0.0,
            waited: 0,
            noise: ComfortNoise::new(),
            backlog: false,
            allowance: 0.0,
            deviating: 0,
            draining: false,
            losses: 0.0,
            loss_run: 1.0,
            concealed: 0.0,
            shortened: 0.0,
            stretched: 0.0,
            figures: PlayoutFigures::default(),
            scratch: [0; MAX_PAYLOAD],
            out: [0.0; 240],
        })
    }

    /// Takes a packet, in any order. While held, or before the first pull, nothing is lost (up to `max_hold`).
    pub fn push(&mut self, packet: &Packet) {
        let Some(format) = self.decoders.format(packet.payload_type) else {
            return;
        };
        let (clock, duration) = match format {
            Format::Audio(codec) => (codec.clock_rate(), decoder::ticks(codec, packet.payload())),
            // In one session their clock is the audio's (RFC 4733 §2.1, RFC 3389 §4).
            Format::TelephoneEvent | Format::ComfortNoise => (self.codec.clock_rate(), 0),
        };
        let Some((seq, opens)) = self.numbering.number(packet.seq, packet.restart) else {
            self.figures.late += 1;
            return;
        };
        let seen = Seen {
            seq: packet.seq,
            timestamp: packet.timestamp,
            restart: opens,
            clock,
            duration,
            arrival: packet.arrival,
        };
        if let Some(next) = self.next_seq
            && seq < next
        {
            let back = next - 1 - seq;
            if back >= PLAYED_MEMORY || (self.played >> back) & 1 == 0 {
                self.figures.late += 1;
                self.timing.arrive(&seen);
            }
            return;
        }
        if self.store.contains(seq) {
            return;
        }
        let media = self.timing.arrive(&seen);
        while self.store.insert(packet, seq, media, opens) == Inserted::Full {
            let older = self.store.first().is_none_or(|e| seq < e.seq);
            if older || !self.drop_oldest() {
                self.figures.overflowed += 1;
                return;
            }
        }
        if self.state == State::Done {
            self.state = State::Standing;
            self.ending = false;
        }
        let limit = (self.settings.max_hold.as_secs_f64() * TICKS as f64) as i64;
        while self.store.len() > 1
            && self
                .store
                .first()
                .is_some_and(|e| self.timing.ahead_of(e.media) > limit)
        {
            self.drop_oldest();
        }
    }

    /// Makes room; what follows is joined on, not concealed.
    fn drop_oldest(&mut self) -> bool {
        let Some(entry) = self.store.pop() else {
            return false;
        };
        self.figures.overflowed += 1;
        self.advance_seq(entry.seq, false);
        if let Some(first) = self.store.first() {
            self.next_media = first.media;
        }
        true
    }

    /// The next 5 ms at `now`. Silence before the first packet and after the last one.
    pub fn next_block(&mut self, now: Instant) -> Block<'_> {
        self.timing.pull(now, BLOCK_SECONDS);
        self.fill();
        self.adjust();
        self.figures.delay_ms = (self.delay() * 1000.0) as f32;
        self.figures.target_ms = (self.target() * 1000.0) as f32;
        let n = self.block_len();
        self.line.take(&mut self.out[..n]);
        self.activity.hear(&self.out[..n]);
        self.losses *= LOSS_MEMORY;
        Block {
            rate: self.line.rate(),
            samples: &self.out[..n],
        }
    }

    /// No more packets will come: play what is held without waiting for more.
    pub fn drain(&mut self) {
        self.draining = true;
        if self.next_seq.is_none() && self.store.is_empty() {
            self.state = State::Done;
        }
    }

    /// After [`Playout::drain`]: the last sample has been handed out.
    pub fn is_drained(&self) -> bool {
        self.draining && self.state == State::Done && self.store.is_empty() && self.line.pending() == 0
    }

    pub fn figures(&self) -> PlayoutFigures {
        PlayoutFigures {
            concealed_ms: self.concealed.round() as u64,
            shortened_ms: self.shortened.round() as u64,
            stretched_ms: self.stretched.round() as u64,
            ..self.figures
        }
    }

    fn ticks_per_sample(&self) -> i64 {
        TICKS / i64::from(self.line.rate())
    }

    fn milliseconds(&self, samples: usize) -> f64 {
        samples as f64 * 1000.0 / f64::from(self.line.rate())
    }

    /// Delay of the next sample to be played, s.
    fn delay(&self) -> f64 {
        let pending = self.line.pending() as i64 * self.ticks_per_sample();
        self.timing.delay(self.next_media - pending)
    }

    fn target(&self) -> f64 {
        let frame = self.last_frame as f64 / f64::from(self.line.rate());
        let floor = if self.losses > 0.5 {
            (frame * self.loss_run).min(MAX_LOSS_FLOOR) + BLOCK_SECONDS
        } else {
            0.0
        };
        self.timing.target(floor)
    }

    fn advance_seq(&mut self, seq: u64, played: bool) {
        let steps = self.next_seq.map_or(1, |next| (seq + 1).saturating_sub(next));
        let steps = steps.min(PLAYED_MEMORY) as u32;
        self.played = self.played.checked_shl(steps).unwrap_or(0) | u128::from(played);
        self.next_seq = Some(seq + 1);
    }
}

#[cfg(test)]
mod tests;
