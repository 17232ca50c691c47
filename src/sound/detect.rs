//! Is somebody speaking? For the quiet limit.
//!
//! Speech is told by its syllables: the level rises well above the noise floor and falls again within a second
//! or so. Line noise, comfort noise and hum hold their level, and so does every burst of a signalling tone. A
//! syllable is known when it ends, so the answer comes a few tenths of a second late, which a limit of seconds
//! does not notice. The figures are our own (no published source); the tests measure them on speech.

use std::f32::consts::{PI, SQRT_2};

use super::lowest::Lowest;

/// Level is taken over this many blocks (20 ms).
const SMOOTH: usize = 4;
/// The floor is the lowest level of the last `FLOOR_PARTS` stretches of `FLOOR_PART` blocks (1.6 s).
const FLOOR_PARTS: usize = 8;
const FLOOR_PART: usize = 40;
/// Noise at −50 dBFS never counts, even when it sets in after silence: the floor is not believed below this.
const LOWEST_FLOOR: f32 = -52.0;
/// Speech rises above the floor by this, dB.
const RISE: f32 = 7.0;
/// The level has fallen when it is this far below its peak, dB.
const FALL: f32 = 6.0;
/// Shortest and longest stretch above the threshold that is a syllable, blocks: clicks are shorter, tones longer.
const SHORTEST: usize = 8;
const LONGEST: usize = 300;
/// A burst that holds its level within `FLAT` dB for most of a `FLAT_BLOCKS` stretch is a tone.
const FLAT: f32 = 2.5;
const FLAT_BLOCKS: usize = 30;
/// Speech goes on for this long after a syllable, blocks (0.5 s).
const HANGOVER: usize = 100;

/// Speech detector of one stream, fed 5 ms at a time at any sampling rate. No heap.
#[derive(Debug, Clone)]
pub struct SpeechDetector {
    filter: HighPass,
    powers: [f32; SMOOTH],
    count: usize,
    floor: Lowest<FLOOR_PARTS, FLOOR_PART>,
    burst: Option<Burst>,
    hangover: usize,
}

/// A stretch of level above the threshold.
#[derive(Debug, Clone, Copy)]
struct Burst {
    blocks: usize,
    peak: f32,
    /// The level's range since it last left it, and for how long it has held.
    low: f32,
    high: f32,
    held: usize,
    flat: bool,
}

impl Default for SpeechDetector {
    fn default() -> Self {
        Self::new()
    }
}

impl SpeechDetector {
    pub fn new() -> Self {
        SpeechDetector {
            filter: HighPass::default(),
            powers: [0.0; SMOOTH],
            count: 0,
            floor: Lowest::new(LOWEST_FLOOR),
            burst: None,
            hangover: 0,
        }
    }

    /// Takes the next 5 ms (full scale ±1.0) and says whether somebody is speaking. `rate` in Hz.
    pub fn block(&mut self, samples: &[f32], rate: u32) -> bool {
        let power = self.filter.power(samples, rate);
        self.powers[self.count % SMOOTH] = power;
        self.count = self.count.wrapping_add(1);
        let mean = self.powers.iter().sum::<f32>() / SMOOTH as f32;
        let level = 10.0 * mean.max(1e-12).log10();
        let threshold = self.floor.get().max(LOWEST_FLOOR) + RISE;
        self.floor.push(level);
        self.hangover = self.hangover.saturating_sub(1);
        self.follow(level, threshold);
        self.speech()
    }

    /// The answer of the last block.
    pub fn speech(&self) -> bool {
        self.hangover > 0
    }

    /// Something is above the noise that may turn out to be speech.
    pub fn raised(&self) -> bool {
        self.burst.is_some()
    }

    fn follow(&mut self, level: f32, threshold: f32) {
        let Some(burst) = &mut self.burst else {
            if level > threshold {
                self.burst = Some(Burst::new(level));
            }
            return;
        };
        if level < burst.peak - FALL {
            let syllable = (SHORTEST..=LONGEST).contains(&burst.blocks) && !burst.flat;
            // Still above the threshold: the next syllable has its own peak.
            self.burst = (level > threshold).then(|| Burst::new(level));
            if syllable {
                self.hangover = HANGOVER;
            }
        } else if level < threshold - RISE / 2.0 {
            // It did not fall, the floor came up to it: a steady sound.
            self.burst = None;
        } else {
            burst.grow(level);
        }
    }
}

impl Burst {
    fn new(level: f32) -> Self {
        Burst {
            blocks: 1,
            peak: level,
            low: level,
            high: level,
            held: 0,
            flat: false,
        }
    }

    fn grow(&mut self, level: f32) {
        self.blocks += 1;
        self.peak = self.peak.max(level);
        let (low, high) = (self.low.min(level), self.high.max(level));
        if high - low > FLAT {
            (self.low, self.high, self.held) = (level, level, 0);
            return;
        }
        (self.low, self.high) = (low, high);
        self.held += 1;
        // Most of it flat, not only a vowel within a longer word.
        self.flat = self.held >= FLAT_BLOCKS && self.held * 10 >= self.blocks * 7;
    }
}

/// Second-order Butterworth high-pass at 300 Hz, where the telephone band begins: takes mains hum, its first harmonics and wind down.
#[derive(Debug, Clone, Default)]
struct HighPass {
    rate: u32,
    b: [f32; 3],
    a: [f32; 2],
    state: [f32; 2],
}

impl HighPass {
    const CUTOFF: f32 = 300.0;

    fn set(&mut self, rate: u32) {
        let w = (PI * Self::CUTOFF / rate.max(1000) as f32).tan();
        let norm = 1.0 / (1.0 + SQRT_2 * w + w * w);
        self.b = [norm, -2.0 * norm, norm];
        self.a = [2.0 * (w * w - 1.0) * norm, (1.0 - SQRT_2 * w + w * w) * norm];
        self.state = [0.0; 2];
        self.rate = rate;
    }

    /// Mean square of what passes.
    fn power(&mut self, samples: &[f32], rate: u32) -> f32 {
        if rate != self.rate {
            self.set(rate);
        }
        let mut sum = 0.0;
        for x in samples {
            let y = self.b[0] * x + self.state[0];
            self.state[0] = self.b[1] * x - self.a[0] * y + self.state[1];
            self.state[1] = self.b[2] * x - self.a[1] * y;
            sum += y * y;
        }
        // A decaying filter ends in denormal numbers, and one bad sample would stay for ever.
        for s in &mut self.state {
            if !s.is_finite() || s.abs() < 1e-15 {
                *s = 0.0;
            }
        }
        let power = sum / samples.len().max(1) as f32;
        if power.is_finite() { power } else { 0.0 }
    }
}

#[cfg(test)]
mod tests;
