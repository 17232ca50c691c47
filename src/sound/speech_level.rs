//! Active speech level: how loud a talker is while talking (ITU-T P.56 method B).
//!
//! The envelope is compared with thresholds 6.02 dB apart. For each the time spent above it, with a hangover of 0.2 s,
//! is counted; the level is the one that lies 15.9 dB above the threshold that its own active time belongs to. Pauses
//! and the noise in them do not count. The envelope is looked at 2,000 times a second (P.56 asks for 600 at least).

use super::level::Dbfs;

/// Looks at the envelope per second.
const LOOKS: u32 = 2000;
/// Time constant of the envelope's two smoothers, seconds.
const SMOOTH: f64 = 0.03;
/// Looks for which a threshold counts as passed after the envelope has left it: 0.2 s.
const HANGOVER: u64 = 400;
/// From the threshold to the level, dB.
const MARGIN: f64 = 15.9;
const THRESHOLDS: usize = 15;
/// From −90.3 dBFS, one step of 16-bit samples, to −6.02 dBFS.
const THRESHOLD: [f64; THRESHOLDS] = {
    let mut all = [0.5; THRESHOLDS];
    let mut j = THRESHOLDS - 1;
    while j > 0 {
        all[j - 1] = all[j] / 2.0;
        j -= 1;
    }
    all
};

/// Meter of one talker's level. No heap.
#[derive(Debug, Clone)]
pub struct SpeechLevel {
    /// The look under way: sum of magnitudes, sum of squares, samples still to come.
    magnitude: f32,
    square: f32,
    left: u32,
    rate: u32,
    keep: f64,
    envelope: [f64; 2],
    looks: u64,
    /// When the envelope was last above each threshold.
    last: [u64; THRESHOLDS],
    /// Looks above each threshold, and the mean squares of all looks together.
    active: [f64; THRESHOLDS],
    energy: f64,
}

impl Default for SpeechLevel {
    fn default() -> Self {
        Self::new()
    }
}

impl SpeechLevel {
    pub fn new() -> Self {
        SpeechLevel {
            magnitude: 0.0,
            square: 0.0,
            left: 0,
            rate: 0,
            keep: (-1.0 / (SMOOTH * f64::from(LOOKS))).exp(),
            envelope: [0.0; 2],
            looks: HANGOVER,
            last: [0; THRESHOLDS],
            active: [0.0; THRESHOLDS],
            energy: 0.0,
        }
    }

    /// Takes samples (full scale ±1.0) at `rate` Hz, a multiple of 2,000; other rates are measured a little short or long.
    pub fn push(&mut self, samples: &[f32], rate: u32) {
        let size = (rate / LOOKS).max(1);
        if rate != self.rate {
            self.rate = rate;
            (self.magnitude, self.square, self.left) = (0.0, 0.0, size);
        }
        let mut rest = samples;
        while !rest.is_empty() {
            let (now, later) = rest.split_at(rest.len().min(self.left as usize));
            for x in now {
                self.magnitude += x.abs();
                self.square += x * x;
            }
            self.left -= now.len() as u32;
            rest = later;
            if self.left == 0 {
                let size = size as f32;
                self.look(f64::from(self.magnitude / size), f64::from(self.square / size));
                (self.magnitude, self.square, self.left) = (0.0, 0.0, size as u32);
            }
        }
    }

    fn look(&mut self, magnitude: f64, square: f64) {
        if !square.is_finite() {
            return;
        }
        let [p, q] = &mut self.envelope;
        *p = magnitude + self.keep * (*p - magnitude);
        *q = *p + self.keep * (*q - *p);
        self.looks += 1;
        self.energy += square;
        for (threshold, (last, active)) in THRESHOLD.iter().zip(self.last.iter_mut().zip(&mut self.active)) {
            if *q >= *threshold {
                *last = self.looks;
            } else if self.looks - *last >= HANGOVER {
                // The higher ones were left earlier.
                break;
            }
            *active += 1.0;
        }
    }

    /// Forgets the older part: what was counted so far keeps this share of its weight.
    pub fn fade(&mut self, share: f64) {
        self.energy *= share;
        self.active.iter_mut().for_each(|a| *a *= share);
    }

    /// The active speech level as RMS relative to a full-scale amplitude of 1.0, which is dBov; and the active time in
    /// seconds, faded as the rest. `None` while there was only silence.
    pub fn level(&self) -> Option<(Dbfs, f64)> {
        let mut before: Option<(f64, f64)> = None;
        for (j, threshold) in THRESHOLD.iter().enumerate() {
            let active = self.active[j];
            if active < 0.5 {
                break;
            }
            let level = decibel(self.energy / active);
            let over = level - 2.0 * decibel(*threshold) - MARGIN;
            if over <= 0.0 {
                // Between this threshold and the one below, both lines are straight.
                let (level, active) = match before {
                    Some((below, under)) if under > over => {
                        let part = under / (under - over);
                        let lower = self.active[j - 1];
                        (below + part * (level - below), lower + part * (active - lower))
                    }
                    _ => (level, active),
                };
                return Some((Dbfs(level as f32), active / f64::from(LOOKS)));
            }
            before = Some((level, over));
        }
        // Above what the highest threshold can tell apart.
        let highest = self.active[THRESHOLDS - 1];
        let (level, _) = before.filter(|_| highest >= 0.5)?;
        Some((Dbfs(level as f32), highest / f64::from(LOOKS)))
    }
}

fn decibel(power: f64) -> f64 {
    10.0 * power.max(1e-30).log10()
}

#[cfg(test)]
mod tests;
