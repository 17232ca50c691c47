//! Voice-operated start: when a line input that has no signalling speaks, and from which sample on.
//!
//! The level is taken above 120 Hz, so that neither DC nor the mains' own frequency counts, over 5 ms. Sound is what is
//! louder than the threshold, and than the noise that was there before by a margin; the tail of a click is none. What
//! stands for the attack time opens the gate, from where something stirs in the [`PRE_BUFFER`] before it; after the hang time
//! without sound it closes. The figures but for threshold, attack and hang are our own (no published source); the tests measure them on
//! speech.

use std::time::{Duration, Instant};

use super::filter::{Filter, Shape};
use super::level::Dbfs;
use super::lowest::Lowest;
use super::{BLOCK, RATE};

/// Audio kept from before the sound that opened the gate: a soft consonant may come a quarter of a second before its
/// vowel.
pub const PRE_BUFFER: Duration = Duration::from_millis(300);

/// Of what is kept only what sounds, with this much before it, blocks: silence would have to be caught up.
const BEFORE: usize = 8;
/// It sounds when two blocks together stand out of the noise by this much, dB.
const STIRS: f32 = 4.0;

/// Blocks a second.
const PER_SECOND: u32 = RATE / BLOCK as u32;
const PRE_BLOCKS: usize = blocks(PRE_BUFFER) as usize;
/// Blocks kept: what comes before, the longest attack (200 ms), and as much again for one that comes haltingly.
const KEPT: usize = PRE_BLOCKS + 80;
/// Where the measure's high-pass begins, Hz; fourth-order Butterworth: 60 Hz is 24 dB down, 50 Hz 30 dB.
const HIGH_PASS: f64 = 120.0;
/// The two sections of a fourth-order Butterworth filter, by their quality: 1 / (2 cos(π/8)), 1 / (2 cos(3π/8)).
const SECTIONS: [f64; 2] = [0.541_196_1, 1.306_563];
/// Once open, sound counts down to this much below the threshold, dB.
const HYSTERESIS: f32 = 6.0;
/// Sound stands out of the noise before it by this much, dB, to open the gate and to keep it open.
const ABOVE_NOISE: f32 = 9.0;
const ABOVE_NOISE_OPEN: f32 = 5.0;
/// What has fallen by this much from the peak of the last `PEAKS` blocks is the tail of a click, dB. A step through the
/// high-pass falls by 12 dB in a block and more; speech does not.
const CLICK: f32 = 12.0;
const PEAKS: usize = 6;
/// Blocks without sound after which a sound begins anew; speech has gaps between the beats of a low voice.
const GAP: u32 = 3;
/// Before this the noise is not known, nor has the measure's filter settled: the gate stays closed, blocks.
const LEARNING: u32 = 100;
const SETTLING: u32 = 30;
/// The noise is the lowest level, over `SMOOTH` blocks, of the last `FLOOR_PARTS` stretches of `FLOOR_PART` blocks (8 s)
/// with the gate closed.
const SMOOTH: usize = 4;
const FLOOR_PARTS: usize = 8;
const FLOOR_PART: usize = PER_SECOND as usize;
/// Silence, dBFS.
const SILENCE: f32 = -120.0;

/// What an installer sets.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VoxSettings {
    /// RMS over 5 ms.
    pub threshold: Dbfs,
    /// How long sound must stand, at most 200 ms.
    pub attack: Duration,
    /// How long the gate stays open after the last sound.
    pub hang: Duration,
}

/// A block and its level.
#[derive(Debug, Clone, Copy)]
struct Kept {
    samples: [f32; BLOCK],
    arrival: Instant,
    level: f32,
}

/// What the gate lets through.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Passed<'a> {
    /// It opens; the blocks that follow begin before the sound.
    Begin,
    /// A block, its number since the start of the gate, and when it came.
    Block {
        samples: &'a [f32; BLOCK],
        number: u64,
        arrival: Instant,
    },
    /// It closes.
    End,
}

/// The gate of one line input. No allocation after `new`.
#[derive(Debug)]
pub struct Vox {
    settings: VoxSettings,
    measure: Measure,
    floor: Floor,
    /// Levels of the last blocks, for the peak.
    recent: [f32; PEAKS],
    blocks: u32,
    /// Blocks of sound in this run, blocks since it began, and since its last sound.
    run: u32,
    since: u32,
    gap: u32,
    open: bool,
    /// Blocks since the last sound, while open.
    quiet: u32,
    kept: Vec<Kept>,
    /// Blocks taken in all; the last of them lies at `(taken - 1) % KEPT`.
    taken: u64,
    /// Blocks in `kept` that may be let through.
    fresh: usize,
}

impl Vox {
    pub fn new(settings: VoxSettings) -> Self {
        Vox {
            settings,
            measure: Measure::new(),
            floor: Floor::new(),
            recent: [SILENCE; PEAKS],
            blocks: 0,
            run: 0,
            since: 0,
            gap: 0,
            open: false,
            quiet: 0,
            kept: Vec::with_capacity(KEPT),
            taken: 0,
            fresh: 0,
        }
    }

    /// Something is let through now.
    pub fn is_open(&self) -> bool {
        self.open
    }

    /// Takes 5 ms (±1.0, 48 kHz), which came at `arrival`, and tells `pass` what goes through.
    pub fn block(&mut self, samples: &[f32; BLOCK], arrival: Instant, mut pass: impl FnMut(Passed)) {
        let level = self.measure.level(samples);
        self.keep(Kept {
            samples: *samples,
            arrival,
            level,
        });
        self.blocks = self.blocks.saturating_add(1);
        let sound = self.is_sound(level);
        if self.open {
            pass(self.passed(0));
            self.while_open(sound, pass);
        } else {
            if self.blocks > SETTLING {
                self.floor.push(level);
            }
            self.while_closed(sound, pass);
        }
    }

    /// So many blocks are missing before the next one. What was kept before them is not let through any more.
    pub fn skip(&mut self, blocks: u64) {
        self.taken += blocks;
        self.fresh = 0;
    }

    /// The input begins anew, with noise not yet known. Closes the gate.
    pub fn reset(&mut self, mut pass: impl FnMut(Passed)) {
        if std::mem::take(&mut self.open) {
            pass(Passed::End);
        }
        self.measure = Measure::new();
        self.floor = Floor::new();
        self.recent = [SILENCE; PEAKS];
        (self.blocks, self.run, self.since, self.gap, self.quiet, self.fresh) = (0, 0, 0, 0, 0, 0);
    }

    /// Above the threshold and the noise, and not the tail of a click.
    fn is_sound(&mut self, level: f32) -> bool {
        self.recent.rotate_right(1);
        self.recent[0] = level;
        let peak = self.recent.iter().copied().fold(SILENCE, f32::max);
        let (below, above) = if self.open {
            (HYSTERESIS, ABOVE_NOISE_OPEN)
        } else {
            (0.0, ABOVE_NOISE)
        };
        let threshold = (self.settings.threshold.0 - below).max(self.floor.level() + above);
        level >= threshold && level > peak - CLICK
    }

    fn while_closed(&mut self, sound: bool, mut pass: impl FnMut(Passed)) {
        self.follow(sound);
        if self.run < blocks(self.settings.attack).max(1) || self.blocks <= LEARNING {
            return;
        }
        let back = self.beginning();
        self.open = true;
        (self.run, self.since, self.quiet) = (0, 0, 0);
        pass(Passed::Begin);
        for age in (0..back).rev() {
            pass(self.passed(age));
        }
    }

    fn while_open(&mut self, sound: bool, mut pass: impl FnMut(Passed)) {
        self.follow(sound);
        self.quiet += 1;
        // A single block is a click, and does not hold a page.
        if self.run >= 2 {
            self.quiet = 0;
        }
        if self.quiet >= blocks(self.settings.hang).max(1) {
            self.open = false;
            (self.run, self.since) = (0, 0);
            pass(Passed::End);
        }
    }

    /// Counts the sound that stands now.
    fn follow(&mut self, sound: bool) {
        if sound {
            self.run += 1;
            self.gap = 0;
        } else {
            self.gap += 1;
        }
        if self.run > 0 {
            self.since += 1;
        }
        if self.gap > GAP {
            (self.run, self.since) = (0, 0);
        }
    }

    /// How many of the last blocks belong to the sound that opens the gate: those of its run, and before them from where
    /// something stirs.
    fn beginning(&self) -> usize {
        let run = (self.since as usize).min(self.fresh);
        let most = (run + PRE_BLOCKS).min(self.fresh);
        let clear = self.floor.level() + STIRS;
        let loud = |age: usize| self.block_at(age).is_some_and(|b| b.level > clear);
        let first = (run.max(1)..most).rev().find(|age| loud(*age) && loud(age - 1));
        (first.map_or(run, |age| age + 1) + BEFORE).min(most)
    }

    fn keep(&mut self, block: Kept) {
        let place = (self.taken % KEPT as u64) as usize;
        while self.kept.len() <= place {
            self.kept.push(block);
        }
        if let Some(slot) = self.kept.get_mut(place) {
            *slot = block;
        }
        self.taken += 1;
        self.fresh = (self.fresh + 1).min(KEPT);
    }

    /// The block that was taken `age` blocks before the last.
    fn block_at(&self, age: usize) -> Option<&Kept> {
        let number = self.taken.checked_sub(1 + age as u64)?;
        self.kept.get((number % KEPT as u64) as usize)
    }

    /// That block, to be let through.
    fn passed(&self, age: usize) -> Passed<'_> {
        let number = self.taken.saturating_sub(1 + age as u64);
        let block = &self.kept[(number % KEPT as u64) as usize];
        Passed::Block {
            samples: &block.samples,
            number,
            arrival: block.arrival,
        }
    }
}

const fn blocks(time: Duration) -> u32 {
    (time.as_millis() as u32).div_ceil(1000 / PER_SECOND)
}

/// Level of each block above [`HIGH_PASS`], dBFS.
#[derive(Debug)]
struct Measure {
    filters: [Filter; 2],
    block: [f32; BLOCK],
}

impl Measure {
    fn new() -> Self {
        Measure {
            filters: SECTIONS.map(|q| {
                Filter::new(
                    Shape::HighPass {
                        frequency: HIGH_PASS,
                        q,
                    },
                    RATE,
                )
            }),
            block: [0.0; BLOCK],
        }
    }

    fn level(&mut self, samples: &[f32; BLOCK]) -> f32 {
        self.block = *samples;
        for filter in &mut self.filters {
            filter.process(&mut self.block);
        }
        let power = self.block.iter().map(|x| x * x).sum::<f32>() / BLOCK as f32;
        if power.is_finite() {
            (10.0 * power.max(1e-12).log10()).max(SILENCE)
        } else {
            SILENCE
        }
    }
}

/// The noise: the lowest level, over `SMOOTH` blocks, of the recent past.
#[derive(Debug)]
struct Floor {
    powers: [f32; SMOOTH],
    count: usize,
    lowest: Lowest<FLOOR_PARTS, FLOOR_PART>,
}

impl Floor {
    fn new() -> Self {
        Floor {
            powers: [0.0; SMOOTH],
            count: 0,
            lowest: Lowest::new(f32::INFINITY),
        }
    }

    fn push(&mut self, level: f32) {
        self.powers[self.count % SMOOTH] = 10f32.powf(level / 10.0);
        self.count = self.count.wrapping_add(1);
        if self.count >= SMOOTH {
            let mean = self.powers.iter().sum::<f32>() / SMOOTH as f32;
            self.lowest.push(10.0 * mean.max(1e-12).log10());
        }
    }

    fn level(&self) -> f32 {
        let lowest = self.lowest.get();
        if lowest.is_finite() { lowest } else { SILENCE }
    }
}

#[cfg(test)]
mod tests;
