//! Nowhere, in real time.

use std::time::Duration;

use super::{DeviceError, Pacer, Sink, Transfer, check_shape};

/// Takes audio at the pace of a card and drops it.
#[derive(Debug)]
pub struct NullSink {
    channels: usize,
    period: usize,
    pacer: Pacer,
}

impl NullSink {
    /// `period` in frames.
    /// # Errors
    /// When the shape is impossible.
    pub fn open(channels: usize, period: usize) -> Result<Self, DeviceError> {
        check_shape("null", channels, period)?;
        Ok(NullSink {
            channels,
            period,
            pacer: Pacer::new(),
        })
    }
}

impl Sink for NullSink {
    fn period(&self) -> usize {
        self.period
    }

    fn channels(&self) -> usize {
        self.channels
    }

    fn write(&mut self, frames: &[f32]) -> Result<Transfer, DeviceError> {
        Ok(self.pacer.wait(frames.len() / self.channels))
    }

    fn delay(&self) -> Duration {
        Duration::ZERO
    }
}
