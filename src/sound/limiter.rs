//! Look-ahead true-peak limiter.
//!
//! Each sample asks for a gain that brings it, and the wave between it and its neighbours, under the ceiling: what
//! the card's converter makes of the samples is what reaches the amplifier. The least gain asked for within the look-ahead
//! is held, let go slowly, and averaged over the look-ahead again: so the gain has come down smoothly by the time
//! the peak leaves. Gains are whole numbers, so the average carries no rounding, and what stays below the ceiling
//! passes bit for bit.

mod between;

use super::RATE;
use super::level::{Db, Dbfs};
use between::{Between, GAIN, LAG, REACH};

/// Look-ahead and delay, frames at 48 kHz: 3 ms.
pub const LOOK_AHEAD: usize = HOLD + LAG;
/// Of these, what the gain is averaged over: it stays still on a steady tone down to 175 Hz.
const HOLD: usize = 137;
/// Time constant of letting go, seconds.
const RELEASE: f64 = 0.100;
/// Samples beyond this (+24 dB) are cut before anything else, so that one wild value cannot silence a page.
const WILD: f32 = 16.0;
/// A gain of 1.
const ONE: u32 = 1 << 30;
/// The sum of gains that are all 1.
const OPEN: u64 = ONE as u64 * HOLD as u64;

/// One channel's limiter. The delay is [`LOOK_AHEAD`] frames.
#[derive(Debug, Clone)]
pub struct Limiter {
    ceiling: f32,
    /// Samples below this cannot make a wave above the ceiling between them.
    safe: f32,
    between: Between,
    /// Samples on their way, in a ring.
    delay: Box<[f32; LOOK_AHEAD]>,
    at: usize,
    /// Released gains, in a ring: the oldest belongs to the sample that leaves.
    gains: Box<[u32; HOLD]>,
    sum: u64,
    /// The least sum since that was asked last.
    least: u64,
    gain_at: usize,
    lowest: SlidingMinimum,
    released: u32,
    /// Frames until every gain in the rings is 1 again; then samples need no more than the delay.
    busy: usize,
    release_step: f64,
}

impl Limiter {
    /// No sample that comes out exceeds `ceiling`, which is at most full scale, nor does the wave between samples.
    pub fn new(ceiling: Dbfs) -> Self {
        let amplitude = ceiling.amplitude();
        let ceiling = if amplitude.is_finite() {
            amplitude.clamp(0.0, 1.0)
        } else {
            1.0
        };
        Limiter {
            ceiling,
            safe: ceiling / GAIN,
            between: Between::new(),
            delay: Box::new([0.0; LOOK_AHEAD]),
            at: 0,
            gains: Box::new([ONE; HOLD]),
            sum: OPEN,
            least: OPEN,
            gain_at: 0,
            lowest: SlidingMinimum::new(),
            released: ONE,
            busy: 0,
            release_step: 1.0 - (-1.0 / (RELEASE * f64::from(RATE))).exp(),
        }
    }

    /// Limits in place. Values that are not finite become silence.
    pub fn process(&mut self, samples: &mut [f32]) {
        for chunk in samples.chunks_mut(LOOK_AHEAD) {
            // No early end, so that many are compared at once.
            let quiet = chunk.iter().fold(true, |quiet, x| quiet & (x.abs() <= self.safe));
            if quiet && self.busy == 0 {
                self.pass(chunk);
            } else {
                chunk.iter_mut().for_each(|x| *x = self.next(*x));
            }
        }
    }

    /// What it took off at most since this was asked last: 0 or more.
    pub fn take_reduction(&mut self) -> Db {
        let least = std::mem::replace(&mut self.least, OPEN);
        // Not −0.
        Db((-20.0 * (least as f64 / OPEN as f64).log10()).max(0.0) as f32)
    }

    /// Only the delay: every gain is 1.
    fn pass(&mut self, chunk: &mut [f32]) {
        self.between.skip(chunk);
        let (first, second) = chunk.split_at_mut(chunk.len().min(LOOK_AHEAD - self.at));
        self.delay[self.at..self.at + first.len()].swap_with_slice(first);
        self.delay[..second.len()].swap_with_slice(second);
        self.at = (self.at + first.len() + second.len()) % LOOK_AHEAD;
    }

    fn next(&mut self, x: f32) -> f32 {
        let x = if x.is_finite() { x.clamp(-WILD, WILD) } else { 0.0 };
        if x.abs() > self.safe {
            self.busy = self.busy.max(REACH);
        }
        let peak = self.between.push(x, self.safe);
        let wanted = if peak > self.ceiling {
            // Rounded down: a gain never lets more through than it was asked to.
            (f64::from(self.ceiling) / f64::from(peak) * f64::from(ONE)) as u32
        } else {
            ONE
        };
        let held = self.lowest.push(wanted);
        if held <= self.released {
            self.released = held;
        } else {
            // At least one unit per sample, so that the end is reached.
            let step = (f64::from(held - self.released) * self.release_step) as u32;
            self.released += step.clamp(1, held - self.released);
        }
        if self.released < ONE {
            self.busy = 2 * LOOK_AHEAD;
        } else {
            self.busy = self.busy.saturating_sub(1);
            if self.busy == 0 {
                self.lowest.clear();
            }
        }
        let old = std::mem::replace(&mut self.delay[self.at], x);
        self.at = if self.at + 1 == LOOK_AHEAD { 0 } else { self.at + 1 };
        // The average that belongs to `old` ends with the gain just released and begins with its own.
        self.sum = self.sum - u64::from(self.gains[self.gain_at]) + u64::from(self.released);
        self.gains[self.gain_at] = self.released;
        self.gain_at = if self.gain_at + 1 == HOLD { 0 } else { self.gain_at + 1 };
        self.least = self.least.min(self.sum);
        if self.sum == OPEN {
            return old.clamp(-self.ceiling, self.ceiling);
        }
        let gain = self.sum as f64 / OPEN as f64;
        // The clamp takes off no more than the last bit of the multiplication.
        ((f64::from(old) * gain) as f32).clamp(-self.ceiling, self.ceiling)
    }
}

/// The least of the last [`SlidingMinimum::WINDOW`] values, in constant time on average: a queue of rising values.
#[derive(Debug, Clone)]
struct SlidingMinimum {
    queue: Box<[(u64, u32); SlidingMinimum::WINDOW]>,
    head: usize,
    len: usize,
    count: u64,
}

impl SlidingMinimum {
    /// The hold, and both neighbours of the wave that asked for it.
    const WINDOW: usize = HOLD + 3;

    fn new() -> Self {
        SlidingMinimum {
            queue: Box::new([(0, ONE); Self::WINDOW]),
            head: 0,
            len: 0,
            count: 0,
        }
    }

    /// Into the ring, from less than a whole turn beyond it.
    fn wrap(at: usize) -> usize {
        if at < Self::WINDOW { at } else { at - Self::WINDOW }
    }

    fn clear(&mut self) {
        self.len = 0;
    }

    fn push(&mut self, value: u32) -> u32 {
        self.count += 1;
        let oldest = self.count.saturating_sub(Self::WINDOW as u64 - 1);
        if self.len > 0 && self.queue[self.head].0 < oldest {
            self.head = Self::wrap(self.head + 1);
            self.len -= 1;
        }
        while self.len > 0 {
            let last = Self::wrap(self.head + self.len - 1);
            if self.queue[last].1 < value {
                break;
            }
            self.len -= 1;
        }
        let end = Self::wrap(self.head + self.len);
        self.queue[end] = (self.count, value);
        self.len += 1;
        self.queue[self.head].1
    }
}

#[cfg(test)]
mod tests;
