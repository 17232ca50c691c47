//! Tones: chimes, the caller's go-ahead beep, busy tone.

use std::time::Duration;

/// One stretch of a tone: up to two pitches, then silence.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Hz; 0 for none.
    pub pitch: [f32; 2],
    /// dB relative to full scale, of each pitch's peak.
    pub level: super::level::Dbfs,
    pub on: Duration,
    pub off: Duration,
}

/// A tone; no heap, so that it travels to the audio thread.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tone {
    steps: [Option<Step>; 4],
    /// Steps decay like a struck bar instead of holding their level.
    struck: bool,
}

impl Tone {
    /// Up to four steps.
    pub fn new(steps: &[Step], struck: bool) -> Self {
        let mut all = [None; 4];
        for (slot, step) in all.iter_mut().zip(steps) {
            *slot = Some(*step);
        }
        Tone { steps: all, struck }
    }

    pub fn steps(&self) -> impl Iterator<Item = Step> + '_ {
        self.steps.iter().flatten().copied()
    }

    pub fn struck(&self) -> bool {
        self.struck
    }

    /// Length of one run through all steps.
    pub fn length(&self) -> Duration {
        self.steps().map(|s| s.on + s.off).sum()
    }
}
