//! Every talker equally loud: a gain that brings the active speech level (ITU-T P.56) to the same value.
//!
//! The level is measured while somebody speaks, over the last few seconds of speech, and the gain moves only then: in
//! pauses it stands still, so noise is never lifted between words and nothing pumps. It moves fast while a talker is
//! new and slowly afterwards. Sound that proves to be no speech (a tone, noise that sets in) moves nothing.
//! The speeds are our own (no published source); the tests measure what comes of them on speech.

use super::detect::SpeechDetector;
use super::level::{Db, Dbfs};
use super::speech_level::SpeechLevel;

/// Where speech is brought: its peaks lie about 15 dB above it.
pub const SPEECH_LEVEL: Dbfs = Dbfs(-20.0);
/// Most gain and most attenuation, dB.
pub const MOST: f32 = 26.0;
pub const LEAST: f32 = -20.0;
/// Speech that the level is measured over, seconds: older speech fades away.
const MEMORY: f64 = 3.0;
/// A talker that becomes too loud by more than `JUMP` dB is noticed over this much speech.
const SHORT_MEMORY: f64 = 0.8;
const JUMP: f32 = 5.0;
const JUMP_AFTER: f64 = 0.5;
/// Speech heard until the level is believed, seconds.
const FIRST: f64 = 0.15;
/// Time constant of the gain, seconds: this share of the speech heard so far, within bounds.
const SHARE: f64 = 0.2;
const FASTEST: f64 = 0.12;
const SLOWEST: f64 = 1.0;
/// Most change of the gain, dB per second.
const SLEW: f32 = 40.0;
/// Blocks of speech from one look at the meters to the next.
const MEASURE: u32 = 5;
/// Length of a block, seconds.
const STEP: f64 = 0.005;

/// One voice's gain. Fed 5 ms at a time. No heap.
#[derive(Debug, Clone)]
pub struct Leveller {
    target: Dbfs,
    gain: Db,
    meters: Meters,
    /// The meters as they were before a sound set in that may be no speech.
    before: Option<Meters>,
    /// Speech heard of this talker so far, seconds.
    heard: f64,
    /// Where the gain is going, dB.
    wanted: Option<f32>,
    blocks: u32,
}

#[derive(Debug, Clone, Default)]
struct Meters {
    long: SpeechLevel,
    short: SpeechLevel,
}

/// What the speech detector makes of a block.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sounding {
    /// Nothing above the noise.
    Pause,
    /// Something that may become speech.
    Perhaps,
    Speech,
}

impl Sounding {
    /// The answer of the detector's last block.
    pub fn of(detector: &SpeechDetector) -> Self {
        if detector.speech() {
            Sounding::Speech
        } else if detector.raised() {
            Sounding::Perhaps
        } else {
            Sounding::Pause
        }
    }
}

impl Leveller {
    /// Brings speech to `target`, beginning with the gain `start`.
    pub fn new(target: Dbfs, start: Db) -> Self {
        Leveller {
            target,
            gain: Db(start.0.clamp(LEAST, MOST)),
            meters: Meters::default(),
            before: None,
            heard: 0.0,
            wanted: None,
            blocks: 0,
        }
    }

    /// The gain at the end of the last block.
    pub fn gain(&self) -> Db {
        self.gain
    }

    /// Active speech level of what comes in, once there was speech.
    pub fn level(&self) -> Option<Dbfs> {
        let (level, heard) = self.meters.long.level()?;
        (self.heard > 0.0 && heard >= FIRST).then_some(level)
    }

    /// Takes the next 5 ms (full scale ±1.0) as they come in, and moves the gain.
    pub fn block(&mut self, samples: &[f32], rate: u32, sounding: Sounding) {
        match sounding {
            Sounding::Pause => {
                if let Some(before) = self.before.take() {
                    self.meters = before;
                }
                return;
            }
            Sounding::Perhaps if self.before.is_none() => self.before = Some(self.meters.clone()),
            Sounding::Perhaps => {}
            Sounding::Speech => self.before = None,
        }
        self.meters.push(samples, rate);
        if sounding == Sounding::Speech {
            self.heard += STEP;
            self.steer();
        }
    }

    fn steer(&mut self) {
        if self.blocks.is_multiple_of(MEASURE) {
            self.measure();
        }
        self.blocks = self.blocks.wrapping_add(1);
        let Some(wanted) = self.wanted else { return };
        let time = (self.heard * SHARE).clamp(FASTEST, SLOWEST);
        let most = SLEW * STEP as f32;
        let step = (wanted - self.gain.0) * (STEP / time) as f32;
        self.gain.0 += step.clamp(-most, most);
    }

    fn measure(&mut self) {
        let Some((short, recent)) = self.meters.short.level() else {
            return;
        };
        let Some((mut level, heard)) = self.meters.long.level() else {
            return;
        };
        if heard < FIRST {
            return;
        }
        if recent >= JUMP_AFTER && short.0 + self.gain.0 > self.target.0 + JUMP {
            self.meters.long = self.meters.short.clone();
            self.heard = self.heard.min(JUMP_AFTER);
            level = short;
        }
        self.wanted = Some((self.target.0 - level.0).clamp(LEAST, MOST));
    }
}

impl Meters {
    fn push(&mut self, samples: &[f32], rate: u32) {
        self.long.fade(1.0 - STEP / MEMORY);
        self.short.fade(1.0 - STEP / SHORT_MEMORY);
        self.long.push(samples, rate);
        self.short.push(samples, rate);
    }
}

#[cfg(test)]
mod tests;
