//! What a zone sends to its channel, measured for people who look.

use crate::sound::BLOCK;
use crate::sound::level::{Db, Dbfs};

/// Blocks of one reading: 100 ms.
const BLOCKS: u32 = 20;
/// Sums side by side, so that they are made together.
const LANES: usize = 8;

const _: () = assert!(BLOCK.is_multiple_of(LANES));

/// What a zone was like for about 100 ms, behind gain, filters and limiter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    pub rms: Dbfs,
    pub peak: Dbfs,
    /// What the limiter took off at most: 0 or more.
    pub reduction: Db,
}

#[derive(Debug, Default)]
pub(super) struct Meter {
    energy: f32,
    peak: f32,
    blocks: u32,
    /// The last reading had sound.
    sounded: bool,
}

impl Meter {
    /// After a rest.
    pub fn begin(&mut self) {
        *self = Meter {
            sounded: self.sounded,
            ..Meter::default()
        };
    }

    pub fn add(&mut self, block: &[f32; BLOCK]) {
        let (mut squares, mut peaks) = ([0f32; LANES], [0f32; LANES]);
        for part in block.chunks_exact(LANES) {
            for ((square, peak), x) in squares.iter_mut().zip(&mut peaks).zip(part) {
                *square += x * x;
                let height = x.abs();
                *peak = if height > *peak { height } else { *peak };
            }
        }
        self.energy += squares.iter().sum::<f32>();
        self.peak = peaks.iter().fold(self.peak, |most, peak| most.max(*peak));
        self.blocks += 1;
    }

    /// When it is due: while there is sound, and once when there is none any more.
    pub fn reading(&mut self, reduction: impl FnOnce() -> Db) -> Option<Reading> {
        if self.blocks < BLOCKS {
            return None;
        }
        let reading = Reading {
            rms: Dbfs::of((self.energy / (self.blocks * BLOCK as u32) as f32).sqrt()),
            peak: Dbfs::of(self.peak),
            reduction: reduction(),
        };
        let sounds = self.peak > 0.0;
        let is_news = sounds || self.sounded;
        *self = Meter {
            sounded: sounds,
            ..Meter::default()
        };
        is_news.then_some(reading)
    }
}
