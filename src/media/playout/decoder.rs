//! Payloads to samples.

use super::convert::Converter;
use super::timing::TICKS;
use crate::media::{Codec, Format, PayloadMap, g711, g722, linear, opus};

/// Decoders of one session; the Opus one only where the session has Opus.
pub struct Decoders {
    map: PayloadMap,
    g722: g722::Decoder,
    /// For L16 of rates that are not played as they are.
    converter: Converter,
    opus: Option<opus::Decoder>,
}

impl Decoders {
    /// # Errors
    /// When the Opus library cannot make a decoder.
    pub fn new(map: &PayloadMap) -> Result<Self, String> {
        let wanted = map.iter().any(|(_, f)| f == Format::Audio(Codec::Opus));
        let opus = if wanted { Some(opus::Decoder::mono()?) } else { None };
        Ok(Decoders {
            map: *map,
            g722: g722::Decoder::new(),
            converter: Converter::new(),
            opus,
        })
    }

    pub fn format(&self, payload_type: u8) -> Option<Format> {
        self.map.format(payload_type)
    }

    /// Samples at [`Codec::playout_rate`] that decoding `payload` next gives; 0 when it is empty or broken.
    pub fn samples(&self, codec: Codec, payload: &[u8]) -> usize {
        let n = duration(codec, payload);
        match converted(codec) {
            Some(rate) => self.converter.outputs(rate, n),
            None => n,
        }
    }

    /// Decodes `payload` into `out`, which has the length that [`Decoders::samples`] gave. Silence if it cannot be decoded.
    pub fn decode(&mut self, codec: Codec, payload: &[u8], out: &mut [f32]) {
        match codec {
            Codec::Pcmu => expand(&g711::ULAW, payload, out),
            Codec::Pcma => expand(&g711::ALAW, payload, out),
            Codec::G722 => wideband(&mut self.g722, payload, out),
            Codec::L16(kind) => {
                let samples = linear::decode(kind, payload);
                match converted(codec) {
                    Some(rate) => self.converter.convert(rate, samples, out),
                    None => out.iter_mut().zip(samples).for_each(|(out, sample)| *out = sample),
                }
            }
            Codec::Opus => self.opus(Some(payload), out, false),
        }
    }

    /// As [`Decoders::decode`], of a payload that comes after a gap, and the stream stays where it is; `out` may be shorter.
    /// Silence for Opus, which sees no use in it.
    pub fn peek(&self, codec: Codec, payload: &[u8], out: &mut [f32]) {
        match codec {
            Codec::Pcmu => expand(&g711::ULAW, payload, out),
            Codec::Pcma => expand(&g711::ALAW, payload, out),
            Codec::G722 => wideband(&mut { self.g722 }, payload, out),
            Codec::L16(kind) => {
                let samples = linear::decode(kind, payload);
                match converted(codec) {
                    Some(rate) => {
                        let mut converter = self.converter.clone();
                        converter.part();
                        converter.convert(rate, samples, out);
                    }
                    None => out.iter_mut().zip(samples).for_each(|(out, sample)| *out = sample),
                }
            }
            Codec::Opus => out.fill(0.0),
        }
    }

    /// What is decoded next follows on a gap.
    pub fn part(&mut self) {
        self.converter.part();
    }

    /// Opus only: makes up `out` for packets that are missing, from the decoder's state, and from the in-band error
    /// correction of the packet that follows if that is given (RFC 6716 §2.1.7). A multiple of 2.5 ms.
    pub fn conceal(&mut self, following: Option<&[u8]>, out: &mut [f32]) {
        self.opus(following, out, following.is_some());
    }

    fn opus(&mut self, payload: Option<&[u8]>, out: &mut [f32], fec: bool) {
        let decoded = self.opus.as_mut().map(|decoder| decoder.decode(payload, out, fec));
        let valid = decoded.unwrap_or(0).min(out.len());
        out[valid..].fill(0.0);
    }

    /// Forgets the past of the stream.
    pub fn reset(&mut self) {
        self.g722 = g722::Decoder::new();
        self.converter.part();
        if let Some(opus) = &mut self.opus {
            opus.reset();
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

/// Rate of a codec whose audio is converted to another.
fn converted(codec: Codec) -> Option<u32> {
    let rate = codec.sample_rate();
    (rate != codec.playout_rate()).then_some(rate)
}

/// Media time, in [`TICKS`], that a payload holds.
pub fn ticks(codec: Codec, payload: &[u8]) -> i64 {
    duration(codec, payload) as i64 * (TICKS / i64::from(codec.sample_rate()))
}

/// Samples, at the codec's sampling rate, that a payload holds; 0 when it is empty or broken.
pub fn duration(codec: Codec, payload: &[u8]) -> usize {
    match codec {
        Codec::Pcmu | Codec::Pcma => payload.len(),
        Codec::G722 => 2 * payload.len(),
        Codec::L16(kind) => payload.len() / kind.frame(),
        Codec::Opus => opus::duration(payload).unwrap_or(0),
    }
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
