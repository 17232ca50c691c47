//! Where captured audio comes from: ALSA, a WAV file read in real time, or silence at the same pace.

mod alsa;
mod null;
mod wav;

use std::time::Duration;

pub use self::alsa::AlsaSource;
pub use self::null::NullSource;
pub use self::wav::WavSource;

/// Why a source cannot go on; the supervisor closes it and opens it anew.
#[derive(Debug, thiserror::Error)]
pub enum SourceError {
    #[error("cannot open {device}: {cause}")]
    Open { device: String, cause: String },
    #[error("{device} stopped: {cause}")]
    Lost { device: String, cause: String },
}

/// What a read met.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Read {
    Fine,
    /// What was captured before these frames is lost: the device ran over and was started again.
    Xrun,
}

/// One open sound input. Used by one capture thread only.
pub trait Source: Send {
    /// Frames to take at a time.
    fn period(&self) -> usize;
    fn channels(&self) -> usize;
    /// Fills `frames` (interleaved, ±1.0, one period) and returns once it has them: this paces the capture thread.
    ///
    /// # Errors
    /// When the device is gone or stuck.
    fn read(&mut self, frames: &mut [f32]) -> Result<Read, SourceError>;
    /// Age of the last frame read: what has been captured since and not been read yet.
    fn delay(&self) -> Duration;
}

/// Refuses what no device can be.
fn check_shape(device: &str, channels: usize) -> Result<(), SourceError> {
    if (1..=MAX_CHANNELS).contains(&channels) {
        return Ok(());
    }
    Err(SourceError::Open {
        device: device.to_owned(),
        cause: format!("{channels} channels; 1 to {MAX_CHANNELS} are possible"),
    })
}

/// Most channels of one device.
const MAX_CHANNELS: usize = 64;
/// Wished for at a time, frames: 5 ms, a line input's packet.
const PERIOD: usize = crate::sound::BLOCK;
