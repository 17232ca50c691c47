//! What comes out of the line: tones, mixing, resampling, limiting, detectors. Pure.

pub mod busy;
pub mod decimate;
pub mod detect;
pub mod dtmf;
pub mod engine;
pub mod filter;
pub mod follow;
pub mod hum;
pub mod level;
pub mod leveller;
pub mod limiter;
pub mod lowest;
pub mod probe;
pub mod quantise;
pub mod recording;
#[cfg(test)]
mod recordings;
pub mod repeat;
pub mod resample;
pub mod speech_level;
pub mod tap;
pub mod tone;
pub mod vox;
pub mod weights;

/// Sampling rate of everything inside [`engine`], Hz.
pub const RATE: u32 = 48_000;
/// Frames in one engine block (5 ms).
pub const BLOCK: usize = 240;
