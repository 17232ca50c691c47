//! One card's mixer: voices and tones into zones, zones into channels. Runs on the audio thread.
//!
//! Commands and packets come in, figures and spent voices go out through bounded lock-free queues; after
//! [`engine`] nothing here allocates, frees, locks, logs or asks the clock.

use std::time::Instant;

use rtrb::{Consumer, Producer};

use super::level::{Db, Dbfs};
use super::tone::Tone;
use crate::media::{Packet, Playout, PlayoutFigures};
use crate::page::{PageId, ZoneId};

/// One zone on this card.
#[derive(Debug, Clone, Copy)]
pub struct ZoneOutput {
    pub zone: ZoneId,
    /// Channel of the card, from 0.
    pub channel: usize,
    pub gain: Db,
    /// The limiter lets no sample exceed this.
    pub ceiling: Dbfs,
}

/// One page's audio on one card: its packets, its playout, its gain.
pub struct Voice {
    pub page: PageId,
    pub playout: Playout,
    pub packets: Consumer<Packet>,
    pub gain: Db,
}

/// From the control task.
pub enum Command {
    /// Take the voice; it is silent and keeps its audio until the first [`Command::Speak`].
    Attach(Box<Voice>),
    Chime {
        zone: ZoneId,
        page: PageId,
        tone: Tone,
    },
    Speak {
        zone: ZoneId,
        page: PageId,
    },
    /// Fade the page's voice and chime out of the zone.
    Silence {
        zone: ZoneId,
        page: PageId,
    },
    /// Play out what is held, then report [`Report::Drained`].
    Drain(PageId),
    /// Fade, then send the voice back by [`Report::Spent`].
    Detach(PageId),
}

/// To the control task.
pub enum Report {
    /// About every 50 ms for each voice that is open in a zone.
    Heard {
        page: PageId,
        speech: bool,
        level: Dbfs,
        figures: PlayoutFigures,
    },
    Drained(PageId),
    /// To be dropped outside the audio thread.
    Spent(Box<Voice>),
}

/// The control task's ends of the queues.
pub struct EngineHandle {
    pub commands: Producer<Command>,
    pub reports: Consumer<Report>,
}

/// Most voices that one card plays at once.
pub const MAX_VOICES: usize = 64;

/// One card's mixer.
pub struct Engine {
    _commands: Consumer<Command>,
    _reports: Producer<Report>,
}

/// Builds the mixer of a card with `channels` channels.
pub fn engine(_zones: &[ZoneOutput], _channels: usize) -> (Engine, EngineHandle) {
    let (commands, command_end) = rtrb::RingBuffer::new(256);
    let (report_end, reports) = rtrb::RingBuffer::new(1024);
    (
        Engine {
            _commands: command_end,
            _reports: report_end,
        },
        EngineHandle { commands, reports },
    )
}

impl Engine {
    /// Fills `out` (interleaved frames, ±1.0) with what the card plays next. Any whole number of frames.
    pub fn render(&mut self, _out: &mut [f32], _now: Instant) {
        todo!()
    }
}
