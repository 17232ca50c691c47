//! Where a card's audio goes: ALSA, a WAV file paced in real time, or nowhere at the same pace.

mod alsa;
mod null;
mod pace;
mod wav;

use std::time::Duration;

pub use self::alsa::AlsaSink;
pub use self::null::NullSink;
pub use self::pace::Pacer;
pub use self::wav::WavSink;
use super::news::{DeviceError, Transfer};

/// One open sound output. Used by one audio thread only.
pub trait Sink: Send {
    /// Frames to hand over at a time.
    fn period(&self) -> usize;
    fn channels(&self) -> usize;
    /// Takes interleaved frames (±1.0) and returns when the device wants more: this paces the audio thread.
    /// # Errors
    /// When the device is gone or stuck.
    fn write(&mut self, frames: &[f32]) -> Result<Transfer, DeviceError>;
    /// Audio handed over but not yet heard.
    fn delay(&self) -> Duration;
}

/// Refuses what no card can be: nothing in the plan lets it through, but it would divide by zero further on.
fn check_shape(device: &str, channels: usize, period: usize) -> Result<(), DeviceError> {
    if (1..=MAX_CHANNELS).contains(&channels) && (1..=MAX_PERIOD).contains(&period) {
        return Ok(());
    }
    let cause = format!(
        "{channels} channels with {period} frames per period; 1 to {MAX_CHANNELS} and 1 to {MAX_PERIOD} are possible"
    );
    Err(DeviceError::open(device, cause))
}

/// Most channels of one card.
const MAX_CHANNELS: usize = 64;
/// Longest period, frames (1 s).
const MAX_PERIOD: usize = 48_000;
