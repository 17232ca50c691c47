//! Silence, in real time.

use std::time::Duration;

use super::{DeviceError, PERIOD, Source, Transfer, check_shape};
use crate::device::sink::Pacer;

/// Gives silence at the pace of a card.
#[derive(Debug)]
pub struct NullSource {
    channels: usize,
    pacer: Pacer,
}

impl NullSource {
    /// # Errors
    /// When the shape is impossible.
    pub fn open(channels: usize) -> Result<Self, DeviceError> {
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

    fn read(&mut self, frames: &mut [f32]) -> Result<Transfer, DeviceError> {
        frames.fill(0.0);
        Ok(self.pacer.wait(frames.len() / self.channels))
    }

    fn delay(&self) -> Duration {
        Duration::ZERO
    }
}
