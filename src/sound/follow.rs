//! Music across two clocks: a resampler whose ratio follows how long the audio has been on its way.
//!
//! What is captured comes in the pace of one crystal and leaves in the pace of another. The follower measures the age of
//! what it plays and turns its ratio by a few millionths, slowly, so that the age stays: no sample is lost or doubled, for as
//! long as both devices run. When the audio runs out, or has fallen too far behind, it fades out, waits for enough, and
//! fades in. No allocation after `new`.
//!
//! The interpolation is a windowed sinc (Kaiser) of [`TAPS`] samples in [`PHASES`] steps, linear between them: flat to
//! 19 kHz, images 80 dB down and more. The loop is of second order, critically damped, at 0.04 rad/s: 500 ppm of
//! difference move the age by 5 ms, and the pitch by less than anybody hears.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use rtrb::Consumer;

use super::tap::MusicBlock;
use super::weights::{dot, kaiser, kaiser_beta, sinc};
use super::{BLOCK, RATE};

/// Samples that make one output, and steps between two samples.
const TAPS: usize = 32;
const PHASES: usize = 256;
/// Attenuation that the window is made for, dB: 32 samples allow it from 28 kHz on (Kaiser's formula).
const ATTENUATION: f64 = 90.0;
/// Age of the audio when it leaves, s: at first, more each time that it ran out, and at most. It bridges the periods of
/// both devices and the lateness of both threads; nobody minds late music.
const AGE: f64 = 0.080;
const MORE: f64 = 0.020;
const MOST: f64 = 0.400;
/// Older than wanted by this much, it is not caught up but cut, s.
const BEHIND: f64 = 0.150;
/// The loop: smoothing of the age, s; gains for natural frequency 0.04 rad/s and damping 1; bounds of the ratio.
const SMOOTHING: f64 = 2.0;
const PROPORTIONAL: f64 = 0.08;
const INTEGRAL: f64 = 0.0016;
const MOST_STEADY: f64 = 0.0012;
const MOST_TURN: f64 = 0.002;
const BLOCK_SECONDS: f64 = BLOCK as f64 / RATE as f64;
/// Blocks of the fade after a break: 40 ms. Before it there is one block.
const FADE_IN: usize = 8;
/// Room for the samples at work: an output block's worth at the fastest, the taps, and two blocks that came.
const LINE: usize = TAPS + 4 * BLOCK;

/// Blocks that may wait on the way to a card: more than the greatest age.
pub const MUSIC_QUEUE: usize = 128;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    /// Waits for enough.
    Waiting,
    /// Plays; blocks since the beginning, as far as they matter for the fade.
    Playing(usize),
}

/// Plays one queue of captured blocks in the pace of whoever asks.
pub struct Follower {
    blocks: Consumer<MusicBlock>,
    kernel: Kernel,
    state: State,
    line: [f32; LINE],
    /// Samples in the line, and where the next output begins in it.
    filled: usize,
    at: f64,
    /// When the line's last sample was captured.
    newest: Option<Instant>,
    /// The block after the line's last, so that a break is known before it is reached.
    next: Option<MusicBlock>,
    pace: Pace,
    /// How often it broke off.
    broken: Arc<AtomicU64>,
}

impl Follower {
    pub fn new(blocks: Consumer<MusicBlock>, broken: Arc<AtomicU64>) -> Self {
        Follower {
            blocks,
            kernel: Kernel::new(),
            state: State::Waiting,
            line: [0.0; LINE],
            filled: 0,
            at: 0.0,
            newest: None,
            next: None,
            pace: Pace::new(),
            broken,
        }
    }

    /// The next 5 ms, of which the first sample leaves at `now`; `false` for silence.
    pub fn fill(&mut self, out: &mut [f32; BLOCK], now: Instant) -> bool {
        if self.state == State::Waiting && !self.begin(now) {
            out.fill(0.0);
            return false;
        }
        let age = self.age(now);
        let ratio = self.pace.follow(age);
        let ends = self.fetch(ratio);
        self.kernel.interpolate(&self.line, &mut self.at, ratio, out);
        let behind = age > self.pace.wanted + BEHIND;
        if let State::Playing(blocks) = &mut self.state
            && *blocks < FADE_IN
        {
            let (from, to) = (*blocks, *blocks + 1);
            fade(out, from as f32 / FADE_IN as f32, to as f32 / FADE_IN as f32);
            *blocks += 1;
        }
        if ends.is_some() || behind {
            fade(out, 1.0, 0.0);
            self.break_off(ends, behind);
        }
        true
    }

    /// Begins with a block of the right age; leaves out what is older.
    fn begin(&mut self, now: Instant) -> bool {
        loop {
            if self.next.is_none() {
                self.next = self.blocks.pop().ok();
            }
            let Some(block) = &self.next else {
                return false;
            };
            // Of its first sample.
            let age = since(block.at, now) + BLOCK_SECONDS;
            if age < self.pace.wanted {
                return false;
            }
            if age < self.pace.wanted + BLOCK_SECONDS {
                break;
            }
            self.next = None;
        }
        self.line.fill(0.0);
        self.filled = TAPS;
        self.at = 0.0;
        self.newest = None;
        self.pace.begin();
        self.state = State::Playing(0);
        true
    }

    /// How long ago the sample that leaves next was captured, s.
    fn age(&self, now: Instant) -> f64 {
        let Some(newest) = self.newest else {
            return self.pace.wanted;
        };
        let ahead = self.filled as f64 - self.at - (TAPS / 2) as f64;
        since(newest, now) + ahead / f64::from(RATE)
    }

    /// Gets what one block of output needs. `Some` when nothing follows on what is there then.
    fn fetch(&mut self, ratio: f64) -> Option<End> {
        let needed = |at: f64| (at + BLOCK as f64 * ratio) as usize + TAPS + 1;
        let whole = self.at as usize;
        self.line.copy_within(whole..self.filled, 0);
        self.filled -= whole;
        self.at -= whole as f64;
        let mut end = None;
        while self.filled < needed(self.at) {
            let Some(block) = self.next.take() else { break };
            self.line[self.filled..self.filled + BLOCK].copy_from_slice(&block.samples);
            self.filled += BLOCK;
            self.newest = Some(block.at);
            self.next = self.blocks.pop().ok();
            end = match &self.next {
                None => Some(End::Empty),
                Some(next) if next.gap => Some(End::Gap),
                Some(_) => None,
            };
            if end.is_some() {
                break;
            }
        }
        // A sample or two at an end, where the fade is.
        let needed = needed(self.at).min(LINE);
        if self.filled < needed {
            self.line[self.filled..needed].fill(0.0);
            self.filled = needed;
        }
        end
    }

    fn break_off(&mut self, end: Option<End>, behind: bool) {
        self.state = State::Waiting;
        if end == Some(End::Empty) {
            self.pace.wait_longer();
        }
        // A hole in what was captured is told by whoever captures.
        if end == Some(End::Empty) || behind {
            self.broken.fetch_add(1, Ordering::Relaxed);
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum End {
    Empty,
    Gap,
}

/// Seconds from `then` to `now`; below 0 when `then` is still to come.
fn since(then: Instant, now: Instant) -> f64 {
    match now.checked_duration_since(then) {
        Some(since) => since.as_secs_f64(),
        None => -then.duration_since(now).as_secs_f64(),
    }
}

/// From one gain to another along a raised cosine's half.
fn fade(out: &mut [f32; BLOCK], from: f32, to: f32) {
    for (n, x) in out.iter_mut().enumerate() {
        let part = from + (to - from) * (n as f32 + 0.5) / BLOCK as f32;
        *x *= 0.5 - 0.5 * (std::f32::consts::PI * part).cos();
    }
}

/// The loop: from the age to the ratio.
#[derive(Debug)]
struct Pace {
    wanted: f64,
    /// Smoothed difference from the age wanted, s.
    error: f64,
    /// What has been found to be the clocks' difference.
    steady: f64,
}

impl Pace {
    const fn new() -> Self {
        Pace {
            wanted: AGE,
            error: 0.0,
            steady: 0.0,
        }
    }

    /// A new beginning, of the same clocks.
    fn begin(&mut self) {
        self.error = 0.0;
    }

    fn wait_longer(&mut self) {
        self.wanted = (self.wanted + MORE).min(MOST);
    }

    /// Input samples for one output sample.
    fn follow(&mut self, age: f64) -> f64 {
        let difference = (age - self.wanted).clamp(-BEHIND, BEHIND);
        self.error += (difference - self.error) * (BLOCK_SECONDS / SMOOTHING);
        self.steady = (self.steady + self.error * INTEGRAL * BLOCK_SECONDS).clamp(-MOST_STEADY, MOST_STEADY);
        1.0 + (self.steady + self.error * PROPORTIONAL).clamp(-MOST_TURN, MOST_TURN)
    }
}

/// The interpolation's weights: for each phase, and for the one after the last.
struct Kernel(Vec<[f32; TAPS]>);

impl Kernel {
    fn new() -> Self {
        let beta = kaiser_beta(ATTENUATION);
        let half = (TAPS / 2) as f64;
        let weights = (0..=PHASES).map(|phase| {
            let fraction = phase as f64 / PHASES as f64;
            let raw: [f64; TAPS] = std::array::from_fn(|tap| {
                let t = tap as f64 - (half - 1.0) - fraction;
                sinc(t) * kaiser(beta, t / half)
            });
            let sum: f64 = raw.iter().sum();
            raw.map(|w| (w / sum) as f32)
        });
        Kernel(weights.collect())
    }

    /// Outputs from `at` on, `ratio` samples apart; `at` is moved on. The line holds what is needed.
    fn interpolate(&self, line: &[f32; LINE], at: &mut f64, ratio: f64, out: &mut [f32; BLOCK]) {
        for x in out {
            let whole = *at as usize;
            let phase = (*at - whole as f64) * PHASES as f64;
            let index = (phase as usize).min(PHASES - 1);
            let between = (phase - index as f64) as f32;
            let window = &line[whole..whole + TAPS];
            let (a, b) = (dot(window, &self.0[index]), dot(window, &self.0[index + 1]));
            *x = a + between * (b - a);
            *at += ratio;
        }
    }
}

/// The age of music when it leaves, at first: for tests and tables.
pub const FIRST_AGE: Duration = Duration::from_millis((AGE * 1000.0) as u64);

#[cfg(test)]
mod tests;
