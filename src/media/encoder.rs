//! Samples to payloads, for the caller's return path and for tests.

use std::convert::TryFrom;

use audiopus::coder::Encoder as OpusEncoder;
use audiopus::{Application, Bitrate, Channels, SampleRate};

use super::{Codec, Linear, MAX_PAYLOAD, g711, g722, linear};

/// Bit rate of Opus speech, bit/s: the upper end of wideband speech (RFC 7587 §3.1.1), where in-band FEC has room.
const OPUS_BITRATE: i32 = 32_000;
/// Loss that the in-band FEC reckons with, per cent.
const OPUS_LOSS: u8 = 10;

/// An encoder of one codec.
pub enum Encoder {
    Pcmu,
    Pcma,
    G722(Box<g722::Encoder>),
    L16(Linear),
    Opus(OpusEncoder),
}

impl Encoder {
    /// # Errors
    /// When the Opus library cannot make an encoder.
    pub fn new(codec: Codec) -> Result<Self, String> {
        Ok(match codec {
            Codec::Pcmu => Encoder::Pcmu,
            Codec::Pcma => Encoder::Pcma,
            Codec::G722 => Encoder::G722(Box::default()),
            Codec::L16(linear) => Encoder::L16(linear),
            Codec::Opus => Encoder::Opus(opus().map_err(|e| format!("Opus encoder: {e}"))?),
        })
    }

    /// Encodes one packet's samples (±1.0, at [`Codec::sample_rate`]) and appends the payload to `out`.
    ///
    /// G.722 takes samples in pairs: a last odd one is left out.
    ///
    /// # Errors
    /// Opus: when `pcm` is not 2.5, 5, 10, 20, 40 or 60 ms long.
    pub fn encode(&mut self, pcm: &[f32], out: &mut Vec<u8>) -> Result<(), String> {
        match self {
            Encoder::Pcmu => out.extend(pcm.iter().map(|s| g711::ulaw_encode(g711::to_i16(*s)))),
            Encoder::Pcma => out.extend(pcm.iter().map(|s| g711::alaw_encode(g711::to_i16(*s)))),
            Encoder::G722(encoder) => out.extend(
                pcm.chunks_exact(2)
                    .map(|pair| encoder.encode(g711::to_i16(pair[0]), g711::to_i16(pair[1]))),
            ),
            Encoder::L16(linear) => linear::encode(*linear, pcm, out),
            Encoder::Opus(encoder) => {
                let start = out.len();
                out.resize(start + MAX_PAYLOAD, 0);
                let encoded = encoder.encode_float(pcm, &mut out[start..]);
                out.truncate(start + *encoded.as_ref().unwrap_or(&0));
                encoded.map_err(|e| format!("Opus encoder: {e}"))?;
            }
        }
        Ok(())
    }
}

impl std::fmt::Debug for Encoder {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Encoder::Pcmu => "Encoder(PCMU)",
            Encoder::Pcma => "Encoder(PCMA)",
            Encoder::G722(_) => "Encoder(G722)",
            Encoder::L16(_) => "Encoder(L16)",
            Encoder::Opus(_) => "Encoder(Opus)",
        })
    }
}

fn opus() -> Result<OpusEncoder, audiopus::Error> {
    let mut encoder = OpusEncoder::new(SampleRate::Hz48000, Channels::Mono, Application::Voip)?;
    encoder.set_bitrate(Bitrate::try_from(OPUS_BITRATE)?)?;
    encoder.set_inband_fec(true)?;
    encoder.set_packet_loss_perc(OPUS_LOSS)?;
    Ok(encoder)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn g711_is_one_octet_a_sample_and_opus_refuses_odd_lengths() {
        let mut out = vec![1];
        Encoder::new(Codec::Pcma)
            .unwrap()
            .encode(&[0.0; 160], &mut out)
            .unwrap();
        assert_eq!((out.len(), out[1]), (161, g711::ALAW_SILENCE));
        let mut opus = Encoder::new(Codec::Opus).unwrap();
        out.clear();
        assert!(opus.encode(&[0.0; 161], &mut out).is_err());
        assert!(out.is_empty());
        opus.encode(&[0.1; 960], &mut out).unwrap();
        assert!(!out.is_empty() && out.len() < 300);
    }
}
