//! Payloads to samples. The Opus library is behind this file alone.

use std::convert::TryFrom;

use audiopus::coder::Decoder as OpusDecoder;
use audiopus::packet::Packet as OpusPacket;
use audiopus::{Channels, MutSignals, SampleRate};

use crate::media::{Codec, Format, PayloadMap, g711, g722};

/// Overshoot beyond full scale that a decoder may keep; the limiter of the output takes care of it.
const PEAK: f32 = 1.5;

/// Decoders of one session; the Opus one only where the session has Opus.
pub struct Decoders {
    map: PayloadMap,
    g722: g722::Decoder,
    opus: Option<OpusDecoder>,
}

impl Decoders {
    /// # Errors
    /// When the Opus library cannot make a decoder.
    pub fn new(map: &PayloadMap) -> Result<Self, String> {
        let wanted = map.iter().any(|(_, f)| f == Format::Audio(Codec::Opus));
        let opus = match wanted {
            true => {
                Some(OpusDecoder::new(SampleRate::Hz48000, Channels::Mono).map_err(|e| format!("Opus decoder: {e}"))?)
            }
            false => None,
        };
        Ok(Decoders {
            map: *map,
            g722: g722::Decoder::new(),
            opus,
        })
    }

    pub fn format(&self, payload_type: u8) -> Option<Format> {
        self.map.format(payload_type)
    }

    /// Decodes `payload` into `out`, which has the length that [`duration`] gave. Silence if it cannot be decoded.
    pub fn decode(&mut self, codec: Codec, payload: &[u8], out: &mut [f32]) {
        match codec {
            Codec::Pcmu => expand(&g711::ULAW, payload, out),
            Codec::Pcma => expand(&g711::ALAW, payload, out),
            Codec::G722 => wideband(&mut self.g722, payload, out),
            Codec::Opus => self.opus(Some(payload), out, false),
        }
    }

    /// As [`Decoders::decode`], but the stream stays where it is. Silence for Opus, which sees no use in it.
    pub fn peek(&self, codec: Codec, payload: &[u8], out: &mut [f32]) {
        match codec {
            Codec::Pcmu => expand(&g711::ULAW, payload, out),
            Codec::Pcma => expand(&g711::ALAW, payload, out),
            Codec::G722 => wideband(&mut { self.g722 }, payload, out),
            Codec::Opus => out.fill(0.0),
        }
    }

    /// Opus only: makes up `out` for packets that are missing, from the decoder's state, and from the in-band error
    /// correction of the packet that follows if that is given (RFC 6716 §2.1.7). A multiple of 2.5 ms.
    pub fn conceal(&mut self, following: Option<&[u8]>, out: &mut [f32]) {
        self.opus(following, out, following.is_some());
    }

    fn opus(&mut self, payload: Option<&[u8]>, out: &mut [f32], fec: bool) {
        let wanted = out.len();
        let decoded = self.opus.as_mut().and_then(|decoder| {
            let packet = match payload {
                Some(p) => Some(OpusPacket::try_from(p).ok()?),
                None => None,
            };
            let signals = MutSignals::try_from(&mut *out).ok()?;
            decoder.decode_float(packet, signals, fec).ok()
        });
        let valid = decoded.unwrap_or(0).min(wanted);
        for s in &mut out[..valid] {
            // A hostile payload can make the decoder overshoot without bound.
            *s = if s.is_finite() { s.clamp(-PEAK, PEAK) } else { 0.0 };
        }
        out[valid..].fill(0.0);
    }

    /// Forgets the past of the stream.
    pub fn reset(&mut self) {
        use audiopus::coder::GenericCtl;
        self.g722 = g722::Decoder::new();
        if let Some(opus) = &mut self.opus {
            // Fails only on a null decoder.
            let _ = opus.reset_state();
        }
    }
}

fn expand(table: &[i16; 256], payload: &[u8], out: &mut [f32]) {
    for (out, code) in out.iter_mut().zip(payload) {
        *out = g711::to_f32(table[usize::from(*code)]);
    }
}

fn wideband(decoder: &mut g722::Decoder, payload: &[u8], out: &mut [f32]) {
    for (out, octet) in out.chunks_mut(2).zip(payload) {
        for (out, sample) in out.iter_mut().zip(decoder.decode(*octet)) {
            *out = g711::to_f32(sample);
        }
    }
}

/// Samples, at the codec's sampling rate, that a payload holds; 0 when it is empty or broken.
pub fn duration(codec: Codec, payload: &[u8]) -> usize {
    match codec {
        Codec::Pcmu | Codec::Pcma => payload.len(),
        Codec::G722 => 2 * payload.len(),
        Codec::Opus => opus_duration(payload).unwrap_or(0),
    }
}

/// Samples at 48 kHz in an Opus packet, from its first octets (RFC 6716 §3.1, §3.2); at most 120 ms.
fn opus_duration(payload: &[u8]) -> Option<usize> {
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
    Some(frame * frames).filter(|n| *n <= super::line::MAX_FRAME)
}

/// Whether an Opus payload is a sign of discontinuous transmission: no more than its first octet (RFC 7587 §3.1.3).
pub fn is_opus_silence(codec: Codec, payload: &[u8]) -> bool {
    codec == Codec::Opus && payload.len() <= 2
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 6716 Table 2 and §3.2.
    #[test]
    fn opus_durations() {
        for (payload, ms10) in [
            (&[0u8][..], 100),
            (&[3 << 3], 600),
            (&[9 << 3 | 1], 400),
            (&[13 << 3], 200),
            (&[16 << 3], 25),
            (&[31 << 3 | 2], 400),
            (&[28 << 3 | 3, 48], 1200),
            (&[28 << 3 | 3, 49], 0),
            (&[3 << 3 | 3, 2], 1200),
            (&[3 << 3 | 3], 0),
            (&[], 0),
        ] {
            assert_eq!(duration(Codec::Opus, payload) * 10, ms10 * 48, "{payload:?}");
        }
    }

    #[test]
    fn broken_opus_is_silence() {
        let map = PayloadMap::new().with(96, Format::Audio(Codec::Opus));
        let mut d = Decoders::new(&map).unwrap();
        let mut out = [1.0; 960];
        d.decode(Codec::Opus, &[3 << 3 | 3, 0xff, 0xff], &mut out);
        assert!(out.iter().all(|s| *s == 0.0));
        d.conceal(None, &mut out);
        assert!(out.iter().all(|s| s.is_finite()));
    }
}
