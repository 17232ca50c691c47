//! Where a card's audio goes: ALSA, a WAV file paced in real time, or nowhere at the same pace.

use std::time::Duration;

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
