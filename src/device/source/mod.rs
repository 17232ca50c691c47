//! Where captured audio comes from: ALSA, a WAV file read in real time, or silence at the same pace.

mod alsa;
mod null;
mod wav;

use std::time::Duration;

pub use self::alsa::AlsaSource;
pub use self::null::NullSource;
pub use self::wav::WavSource;
use super::news::{DeviceError, Transfer};

/// One open sound input. Used by one capture thread only.
pub trait Source: Send {
    /// Frames to take at a time.
    fn period(&self) -> usize;
    fn channels(&self) -> usize;
    /// Fills `frames` (interleaved, ±1.0, one period) and returns once it has them: this paces the capture thread.
    ///
    /// # Errors
    /// When the device is gone or stuck.
    fn read(&mut self, frames: &mut [f32]) -> Result<Transfer, DeviceError>;
    /// Age of the last frame read: what has been captured since and not been read yet.
    fn delay(&self) -> Duration;
}

/// Refuses what no device can be.
fn check_shape(device: &str, channels: usize) -> Result<(), DeviceError> {
    if (1..=MAX_CHANNELS).contains(&channels) {
        return Ok(());
    }
    let cause = format!("{channels} channels; 1 to {MAX_CHANNELS} are possible");
    Err(DeviceError::open(device, cause))
}

/// Most channels of one device.
const MAX_CHANNELS: usize = 64;
/// Wished for at a time, frames: 5 ms, a line input's packet.
const PERIOD: usize = crate::sound::BLOCK;
