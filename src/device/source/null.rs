//! Silence, in real time.

use std::time::Duration;

use super::{PERIOD, Read, Source, SourceError, check_shape};
use crate::device::sink::{Pacer, Written};

/// Gives silence at the pace of a card.
#[derive(Debug)]
pub struct NullSource {
    channels: usize,
    pacer: Pacer,
}

impl NullSource {
    /// # Errors
    /// When the shape is impossible.
    pub fn open(channels: usize) -> Result<Self, SourceError> {
        check_shape("null", channels)?;
        Ok(NullSource {
            channels,
            pacer: Pacer::new(),
        })
    }
}

impl Source for NullSource {
    fn period(&self) -> usize {
        PERIOD
    }

    fn channels(&self) -> usize {
        self.channels
    }

    fn read(&mut self, frames: &mut [f32]) -> Result<Read, SourceError> {
        frames.fill(0.0);
        Ok(paced(&mut self.pacer, frames.len() / self.channels))
    }

    fn delay(&self) -> Duration {
        Duration::ZERO
    }
}

/// Waits until so many frames would have been captured.
pub(super) fn paced(pacer: &mut Pacer, frames: usize) -> Read {
    match pacer.wait(frames) {
        Written::Fine => Read::Fine,
        Written::Xrun => Read::Xrun,
    }
}
