//! Stored messages: a WAV or Ogg Opus file, read once and kept as mono at 48 kHz, and its playing.
//!
//! ```text
//! file ─▶ wav ─────┐ frames
//!      └▶ ogg_opus ┴▶ intake: mixed down ─▶ convert: to 48 kHz ─▶ Recording ─▶ Player (audio thread)
//!          (opus streams)  measured
//! ```
//!
//! Reading takes whatever memory and time its bounds allow and is done at the start; a [`Player`] has no heap of its
//! own. Nobody changes a recording once it is read: any number of players share it.

mod convert;
mod fault;
mod intake;
mod ogg_opus;
mod packets;
mod player;
mod wav;

use std::io::Read;
use std::time::Duration;

pub use self::fault::Fault;
pub use self::player::{Player, Repeats};
use super::RATE;
use super::level::{Db, Dbfs};
use super::leveller::SPEECH_LEVEL;

/// Longest message.
pub const MAX_LENGTH: Duration = Duration::from_secs(300);
/// Sampling rates, Hz.
pub const MIN_RATE: u32 = 8_000;
pub const MAX_RATE: u32 = 192_000;
/// Channels, mixed down to one.
pub const MAX_CHANNELS: usize = 8;
/// Largest Ogg file, octets: the longest message at Opus's highest bit rate, and a picture.
pub const MAX_OGG: u64 = 32 * 1024 * 1024;
/// Most that levelling makes a message louder: beyond it, it would be the noise.
pub const MOST_GAIN: Db = Db(40.0);
/// Below this active speech level a message is too soft for its noise.
const VERY_QUIET: Dbfs = Dbfs(-50.0);
/// This share of the samples in flat tops is heard as distortion (our own; no published source).
const CLIPPED: f64 = 0.001;
/// A mix that is this much softer than its channels, dB: they cancel out. One live channel of eight comes to −9.
const CANCELS: f64 = -15.0;

/// Edges, frames: a file that begins or ends in the middle of a wave does not click.
const RISE: usize = 96;
const FALL: usize = 240;

/// One message, 48 kHz, mono.
#[derive(PartialEq)]
pub struct Recording {
    samples: Box<[i16]>,
    /// What one step of a sample stands for: a power of two, so that 16-bit files stay as they are to the bit.
    step: f32,
    about: About,
}

/// What is known of a message.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct About {
    /// Active speech level (ITU-T P.56); `None` of digital silence.
    pub level: Option<Dbfs>,
    /// Highest sample.
    pub peak: Dbfs,
    /// Share of the samples, 0 to 1, that are cut off at full scale.
    pub clipped: f64,
    /// How much softer the mix is than its channels, dB.
    pub mixed: f64,
    /// It came to the end that its file announced. Of a stream without an end nobody knows whether more belonged to it.
    pub is_whole: bool,
}

/// What may be wrong with the sound of a message that can be played.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Flaw {
    Silent,
    /// The channels cancel each other out.
    Cancels,
    VeryQuiet,
    Clipped,
    /// The file has no end.
    NoEnd,
}

impl std::fmt::Debug for Recording {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Recording")
            .field("length", &self.length())
            .field("about", &self.about)
            .finish_non_exhaustive()
    }
}

/// Reads a message.
///
/// # Errors
/// What the file is instead of a message, with what would be one and a hint in which FILE stands for its name.
pub fn read(source: &mut dyn Read) -> Result<Recording, Fault> {
    let mut head = [0; fault::HEAD];
    let len = fault::fill(source, &mut head)?;
    let head = &head[..len];
    if head.starts_with(b"RIFF") && head.get(8..12) == Some(b"WAVE") {
        wav::read(source, head)
    } else if head.starts_with(b"OggS") {
        let mut octets = head.to_vec();
        source
            .take(MAX_OGG + 1 - len as u64)
            .read_to_end(&mut octets)
            .map_err(|e| Fault::unreadable(&e))?;
        if octets.len() as u64 > MAX_OGG {
            return Err(Fault::too_large());
        }
        ogg_opus::read(&octets)
    } else {
        Err(Fault::no_sound(head))
    }
}

impl Recording {
    /// Keeps samples of 48 kHz, ±1.0 or beyond.
    fn new(samples: &[f32], about: About) -> Self {
        let highest = samples.iter().fold(0f32, |m, x| m.max(*x));
        let lowest = samples.iter().fold(0f32, |m, x| m.min(*x));
        let fits = |step: f32| highest <= step * f32::from(i16::MAX) && lowest >= step * f32::from(i16::MIN);
        let mut step = 1.0 / 32_768.0;
        while !fits(step) {
            step *= 2.0;
        }
        while step > 1e-12 && fits(step / 2.0) && (highest, lowest) != (0.0, 0.0) {
            step /= 2.0;
        }
        let last = samples.len();
        let edge = |at: usize, length: usize| {
            let part = (at as f32 + 0.5) / length as f32;
            0.5 - 0.5 * (std::f32::consts::PI * part.min(1.0)).cos()
        };
        let quantised = samples.iter().enumerate().map(|(i, x)| {
            let x = match (i, last - 1 - i) {
                (i, _) if i < RISE => x * edge(i, RISE),
                (_, left) if left < FALL => x * edge(left, FALL),
                _ => *x,
            };
            (x / step).round() as i16
        });
        Recording {
            samples: quantised.collect(),
            step,
            about,
        }
    }

    /// Of one run.
    pub fn length(&self) -> Duration {
        Duration::from_micros(self.samples.len() as u64 * 1_000_000 / u64::from(RATE))
    }

    /// Frames at 48 kHz.
    pub fn frames(&self) -> usize {
        self.samples.len()
    }

    /// What it takes in memory, octets.
    pub fn memory(&self) -> usize {
        std::mem::size_of_val(&*self.samples)
    }

    pub fn about(&self) -> &About {
        &self.about
    }

    /// The gain that brings it to the level where every talker is brought.
    pub fn levelling(&self) -> Db {
        let gain = self.about.level.map_or(0.0, |level| SPEECH_LEVEL.0 - level.0);
        Db(gain.min(MOST_GAIN.0))
    }

    /// What somebody should know before it is heard.
    pub fn flaws(&self) -> Vec<Flaw> {
        let about = &self.about;
        let mut flaws = Vec::new();
        match about.level {
            _ if about.mixed < CANCELS => flaws.push(Flaw::Cancels),
            None => flaws.push(Flaw::Silent),
            Some(level) if level < VERY_QUIET => flaws.push(Flaw::VeryQuiet),
            Some(_) => {}
        }
        if about.clipped > CLIPPED {
            flaws.push(Flaw::Clipped);
        }
        if !about.is_whole {
            flaws.push(Flaw::NoEnd);
        }
        flaws
    }

    /// Adds frames from `at` on, times `gain`, to `out`; how many there were.
    fn add(&self, at: usize, gain: f32, out: &mut [f32]) -> usize {
        let rest = self.samples.get(at..).unwrap_or_default();
        let gain = gain * self.step;
        for (out, x) in out.iter_mut().zip(rest) {
            *out += f32::from(*x) * gain;
        }
        rest.len().min(out.len())
    }
}

#[cfg(test)]
mod tests;
