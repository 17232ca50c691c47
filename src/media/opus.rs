//! Opus to samples. The library's decoder is behind this file alone.

use std::convert::TryFrom;

use audiopus::coder::{Decoder as LibraryDecoder, GenericCtl as _};
use audiopus::packet::Packet;
use audiopus::{Channels, MutSignals, SampleRate};

/// Overshoot beyond full scale that a decoder may keep; the limiter of the output takes care of it.
const PEAK: f32 = 1.5;

/// Samples at 48 kHz in the longest packet, 120 ms (RFC 6716 §3.2.5).
pub const MAX_FRAME: usize = 5760;

/// One stream's decoder, at 48 kHz.
pub struct Decoder(LibraryDecoder);

impl Decoder {
    /// # Errors
    /// When the library cannot make one.
    pub fn mono() -> Result<Self, String> {
        Self::new(Channels::Mono)
    }

    /// Its output is interleaved, left first.
    ///
    /// # Errors
    /// As [`Decoder::mono`].
    pub fn stereo() -> Result<Self, String> {
        Self::new(Channels::Stereo)
    }

    fn new(channels: Channels) -> Result<Self, String> {
        LibraryDecoder::new(SampleRate::Hz48000, channels)
            .map(Decoder)
            .map_err(|e| format!("Opus decoder: {e}"))
    }

    /// Decodes a packet into `out` and returns the samples of each channel; 0 if it cannot be decoded. Without a packet, or
    /// with `fec` from the one that follows, it makes up `out` for what is missing (a multiple of 2.5 ms).
    pub fn decode(&mut self, payload: Option<&[u8]>, out: &mut [f32], fec: bool) -> usize {
        let packet = match payload.map(Packet::try_from).transpose() {
            Ok(packet) => packet,
            Err(_) => return 0,
        };
        let Ok(signals) = MutSignals::try_from(&mut *out) else {
            return 0;
        };
        let decoded = self.0.decode_float(packet, signals, fec).unwrap_or(0);
        for s in out {
            // A hostile payload can make the decoder overshoot without bound.
            *s = if s.is_finite() { s.clamp(-PEAK, PEAK) } else { 0.0 };
        }
        decoded
    }

    /// Forgets the past of the stream.
    pub fn reset(&mut self) {
        // Fails only on a null decoder.
        let _ = self.0.reset_state();
    }
}

/// Samples at 48 kHz in a packet, from its first octets (RFC 6716 §3.1, §3.2); at most 120 ms.
pub fn duration(payload: &[u8]) -> Option<usize> {
    let toc = *payload.first()?;
    let config = usize::from(toc >> 3);
    let frame = match config {
        0..=11 => [480, 960, 1920, 2880][config & 3],
        12..=15 => [480, 960][config & 1],
        _ => [120, 240, 480, 960][config & 3],
    };
    let frames = match toc & 3 {
        0 => 1,
        1 | 2 => 2,
        _ => usize::from(payload.get(1)? & 63),
    };
    Some(frame * frames).filter(|n| *n <= MAX_FRAME)
}
