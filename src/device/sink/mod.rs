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

/// Why a sink cannot go on; the supervisor closes it and opens it anew.
#[derive(Debug, thiserror::Error)]
pub enum SinkError {
    #[error("cannot open {device}: {cause}")]
    Open { device: String, cause: String },
    #[error("{device} stopped: {cause}")]
    Lost { device: String, cause: String },
}

/// What a write met.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Written {
    Fine,
    /// The card ran dry and was started again.
    Xrun,
}

/// One open sound output. Used by one audio thread only.
pub trait Sink: Send {
    /// Frames to hand over at a time.
    fn period(&self) -> usize;
    fn channels(&self) -> usize;
    /// Takes interleaved frames (±1.0) and returns when the device wants more: this paces the audio thread.
    /// # Errors
    /// When the device is gone or stuck.
    fn write(&mut self, frames: &[f32]) -> Result<Written, SinkError>;
    /// Audio handed over but not yet heard.
    fn delay(&self) -> Duration;
}

/// Refuses what no card can be: nothing in the plan lets it through, but it would divide by zero further on.
fn check_shape(device: &str, channels: usize, period: usize) -> Result<(), SinkError> {
    if (1..=MAX_CHANNELS).contains(&channels) && (1..=MAX_PERIOD).contains(&period) {
        return Ok(());
    }
    Err(SinkError::Open {
        device: device.to_owned(),
        cause: format!(
            "{channels} channels with {period} frames per period; 1 to {MAX_CHANNELS} and 1 to {MAX_PERIOD} are possible"
        ),
    })
}

/// Most channels of one card.
const MAX_CHANNELS: usize = 64;
/// Longest period, frames (1 s).
const MAX_PERIOD: usize = 48_000;
