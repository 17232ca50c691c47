//! Adaptive jitter buffer, decoder, concealment and time-stretch of one stream, pulled by the output's clock.
//!
//! Built outside the audio thread, then handed to it: after [`Playout::new`] nothing here allocates, locks or logs.

use std::time::{Duration, Instant};

use super::{Packet, PayloadMap};

/// Bounds of the jitter buffer.
#[derive(Debug, Clone, Copy)]
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

/// One stream's playout.
pub struct Playout {
    _settings: PlayoutSettings,
}

impl Playout {
    /// # Errors
    /// When the codec library cannot make a decoder.
    pub fn new(_map: &PayloadMap, settings: PlayoutSettings) -> Result<Self, String> {
        Ok(Playout { _settings: settings })
    }

    /// Takes a packet, in any order. While held, or before the first pull, nothing is lost (up to `max_hold`).
    pub fn push(&mut self, _packet: &Packet) {
        todo!()
    }

    /// The next 5 ms at `now`. Silence before the first packet and after the last one.
    pub fn next_block(&mut self, _now: Instant) -> Block<'_> {
        todo!()
    }

    /// No more packets will come: play what is held without waiting for more.
    pub fn drain(&mut self) {
        todo!()
    }

    /// After [`Playout::drain`]: the last sample has been handed out.
    pub fn is_drained(&self) -> bool {
        todo!()
    }

    pub fn figures(&self) -> PlayoutFigures {
        todo!()
    }
}
