//! A recording on its way out, at the place that one voice or chime has reached.

use std::sync::Arc;
use std::time::Duration;

use super::Recording;
use crate::sound::RATE;
use crate::sound::level::Db;

/// How often a message is played.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Repeats {
    pub times: u32,
    /// Silence between two runs.
    pub gap: Duration,
}

impl Repeats {
    pub const ONCE: Repeats = Repeats {
        times: 1,
        gap: Duration::ZERO,
    };

    /// From the first sample of `run`, played so often, to the last.
    pub fn length(self, run: Duration) -> Duration {
        let gaps = self.gap.saturating_mul(self.times.saturating_sub(1));
        run.saturating_mul(self.times).saturating_add(gaps)
    }
}

/// Plays a recording. No heap of its own: it must not be the last to hold the recording where freeing is forbidden.
#[derive(Debug, Clone)]
pub struct Player {
    recording: Arc<Recording>,
    gain: f32,
    /// Frames of this run that are played.
    at: usize,
    /// Runs to come, this one counted.
    runs: u32,
    gap: usize,
    /// Frames until the next run begins.
    pause: usize,
}

impl Player {
    pub fn new(recording: Arc<Recording>, gain: Db, repeats: Repeats) -> Self {
        let runs = if recording.frames() == 0 { 0 } else { repeats.times };
        Player {
            recording,
            gain: gain.factor(),
            at: 0,
            runs,
            gap: (repeats.gap.as_secs_f64() * f64::from(RATE)) as usize,
            pause: 0,
        }
    }

    /// The same from its beginning, so often.
    pub fn repeated(self, repeats: Repeats) -> Self {
        let runs = if self.recording.frames() == 0 { 0 } else { repeats.times };
        Player {
            at: 0,
            runs,
            gap: (repeats.gap.as_secs_f64() * f64::from(RATE)) as usize,
            pause: 0,
            ..self
        }
    }

    /// Replaces what is in `out` (48 kHz) with what comes next; silence at the end.
    pub fn fill(&mut self, out: &mut [f32]) {
        out.fill(0.0);
        let mut rest = out;
        while !rest.is_empty() && !self.is_over() {
            let n = if self.pause > 0 {
                let n = self.pause.min(rest.len());
                self.pause -= n;
                n
            } else {
                let n = self.recording.add(self.at, self.gain, rest);
                self.at += n;
                if self.at >= self.recording.frames() {
                    self.at = 0;
                    self.runs -= 1;
                    self.pause = if self.runs > 0 { self.gap } else { 0 };
                }
                n
            };
            rest = &mut rest[n..];
        }
    }

    /// From the first sample to the last, had it not begun.
    pub fn length(&self) -> Duration {
        let repeats = Repeats {
            times: self.runs,
            gap: Duration::from_secs(self.gap as u64) / RATE,
        };
        repeats.length(self.recording.length())
    }

    /// Nothing more will sound.
    pub fn is_over(&self) -> bool {
        self.runs == 0
    }

    /// The run under way, or the first if none has begun, is the last.
    pub fn end_run(&mut self) {
        self.runs = if self.pause > 0 { 0 } else { self.runs.min(1) };
        self.pause = 0;
    }
}
