//! Opus packets of one or several streams (RFC 7845 §5.1.1), to frames of all channels.

use super::fault::Fault;
use crate::media::opus::{Decoder, MAX_FRAME, duration};

/// Most channels of the mapping families 0 and 1.
pub const MAX_CHANNELS: usize = 8;
/// An output channel that no stream feeds (RFC 7845 §5.1.1).
const SILENT: u8 = 255;

/// What the identification header says (RFC 7845 §5.1).
#[derive(Debug, Clone, PartialEq)]
pub struct Head {
    pub channels: usize,
    /// Samples at 48 kHz to throw away at the beginning.
    pub pre_skip: usize,
    /// dB.
    pub gain: f32,
    streams: usize,
    /// Streams of two channels, which come first.
    coupled: usize,
    /// For each output channel, the decoded channel that it is.
    mapping: Vec<u8>,
}

impl Head {
    /// Reads the packet that begins with `OpusHead`.
    pub fn read(packet: &[u8]) -> Result<Self, Fault> {
        let bad = |how: &str| Fault::damaged("an Ogg Opus file", how, None);
        let short = || bad("its header is too short");
        let Some(
            [
                version,
                channels,
                skip_low,
                skip_high,
                _,
                _,
                _,
                _,
                gain_low,
                gain_high,
                family,
                rest @ ..,
            ],
        ) = packet.get(8..)
        else {
            return Err(short());
        };
        // §5.1: a decoder takes every version with the upper four bits of this one.
        if version & 0xf0 != 0 {
            return Err(bad("its header is of a later version"));
        }
        let channels = usize::from(*channels);
        let (streams, coupled, mapping) = match family {
            0 if (1..=2).contains(&channels) => (1, channels - 1, (0..channels as u8).collect()),
            1 if (1..=MAX_CHANNELS).contains(&channels) => {
                let [streams, coupled, mapping @ ..] = rest else {
                    return Err(short());
                };
                let mapping = mapping.get(..channels).ok_or_else(short)?;
                (usize::from(*streams), usize::from(*coupled), mapping.to_vec())
            }
            0 | 1 => return Err(bad("its header gives a wrong number of channels")),
            family => return Err(Fault::mapping(*family)),
        };
        let decoded = streams + coupled;
        let wrong = |c: &u8| *c != SILENT && usize::from(*c) >= decoded;
        if streams == 0 || coupled > streams || decoded > 2 * MAX_CHANNELS || mapping.iter().any(wrong) {
            return Err(bad("its header maps channels that it does not have"));
        }
        Ok(Head {
            channels,
            pre_skip: usize::from(u16::from_le_bytes([*skip_low, *skip_high])),
            gain: f32::from(i16::from_le_bytes([*gain_low, *gain_high])) / 256.0,
            streams,
            coupled,
            mapping,
        })
    }
}

/// The decoders of all streams.
pub struct Streams {
    head: Head,
    decoders: Vec<Decoder>,
    /// What each stream gave, interleaved where it is coupled.
    decoded: Vec<Vec<f32>>,
    /// Frames of all channels.
    frames: Vec<f32>,
}

impl Streams {
    pub fn new(head: Head) -> Result<Self, Fault> {
        let make = |i| {
            if i < head.coupled {
                Decoder::stereo()
            } else {
                Decoder::mono()
            }
        };
        let decoders: Result<_, _> = (0..head.streams).map(make).collect();
        let size = |i| MAX_FRAME * if i < head.coupled { 2 } else { 1 };
        Ok(Streams {
            decoders: decoders.map_err(Fault::decoder)?,
            decoded: (0..head.streams).map(|i| vec![0.0; size(i)]).collect(),
            frames: Vec::new(),
            head,
        })
    }

    /// Decodes a packet to interleaved frames; `None` if it is broken.
    pub fn decode(&mut self, packet: &[u8]) -> Option<&[f32]> {
        let mut rest = packet;
        let mut length = None;
        let last = self.decoders.len().checked_sub(1)?;
        for (i, (decoder, out)) in self.decoders.iter_mut().zip(&mut self.decoded).enumerate() {
            let own = if i < last {
                let (own, more) = split(rest)?;
                rest = more;
                own
            } else {
                rest.to_vec()
            };
            let n = duration(&own).filter(|n| *n > 0)?;
            if length.is_some_and(|other| other != n) {
                return None;
            }
            length = Some(n);
            let size = n * if i < self.head.coupled { 2 } else { 1 };
            if decoder.decode(Some(&own), out.get_mut(..size)?, false) != n {
                return None;
            }
        }
        self.frames.clear();
        for n in 0..length? {
            for channel in &self.head.mapping {
                self.frames.push(self.sample(usize::from(*channel), n));
            }
        }
        Some(&self.frames)
    }

    /// The `n`th sample of a decoded channel: the coupled ones come first, two to a stream.
    fn sample(&self, channel: usize, n: usize) -> f32 {
        let coupled = self.head.coupled;
        let (stream, at) = if channel < 2 * coupled {
            (channel / 2, 2 * n + channel % 2)
        } else {
            (channel - coupled, n)
        };
        self.decoded
            .get(stream)
            .and_then(|s| s.get(at))
            .copied()
            .unwrap_or_default()
    }
}

/// A length of one or two octets (RFC 6716 §3.2.1), and how many they were.
fn length(octets: &[u8]) -> Option<(usize, usize)> {
    match *octets.first()? {
        short @ 0..=251 => Some((usize::from(short), 1)),
        long => Some((usize::from(*octets.get(1)?) * 4 + usize::from(long), 2)),
    }
}

/// Takes a self-delimited packet (RFC 6716 Appendix B) off the front: it in its ordinary form, and what follows it.
fn split(octets: &[u8]) -> Option<(Vec<u8>, &[u8])> {
    let toc = *octets.first()?;
    // Where the length that an ordinary packet does not have stands, and all that the frames take behind it.
    let (at, frames) = match toc & 3 {
        0 => (1, vec![length(octets.get(1..)?)?]),
        1 => {
            let one = length(octets.get(1..)?)?;
            (1, vec![one, (one.0, 0)])
        }
        2 => {
            let first = length(octets.get(1..)?)?;
            let at = 1 + first.1;
            (at, vec![(first.0, 0), length(octets.get(at..)?)?])
        }
        _ => return split_many(octets),
    };
    joined(octets, at, &frames, 0)
}

/// As [`split`], of a packet that says how many frames it has.
fn split_many(octets: &[u8]) -> Option<(Vec<u8>, &[u8])> {
    let about = *octets.get(1)?;
    let count = usize::from(about & 63);
    let mut at = 2;
    let mut padding = 0;
    let mut padded = about & 64 != 0;
    while padded {
        let more = usize::from(*octets.get(at)?);
        at += 1;
        padding += more.min(254);
        padded = more == 255;
    }
    let mut frames = Vec::new();
    if about & 128 == 0 {
        let one = length(octets.get(at..)?)?;
        frames.push(one);
        frames.extend((1..count).map(|_| (one.0, 0)));
    } else {
        for _ in 1..count {
            let (size, octets) = length(octets.get(at..)?)?;
            frames.push((size, 0));
            at += octets;
        }
        frames.push(length(octets.get(at..)?)?);
    }
    if count == 0 {
        return None;
    }
    joined(octets, at, &frames, padding)
}

/// The packet without the length at `at`. Of the frames' lengths those behind `at` say how many octets they took.
fn joined<'a>(octets: &'a [u8], at: usize, frames: &[(usize, usize)], padding: usize) -> Option<(Vec<u8>, &'a [u8])> {
    let own = frames.iter().map(|f| f.1).sum::<usize>();
    let size = frames.iter().map(|f| f.0).sum::<usize>() + padding;
    let from = at + own;
    let body = octets.get(from..from.checked_add(size)?)?;
    let mut packet = octets.get(..at)?.to_vec();
    packet.extend_from_slice(body);
    Some((packet, octets.get(from + size..)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 6716 §3.2 and Appendix B, a packet of each code: the delimited form gives the ordinary one and the rest.
    #[test]
    fn self_delimited_packets() {
        let long = vec![7; 300];
        // 300 = 4·12 + 252.
        let mut delimited = vec![0, 252, 12];
        delimited.extend(&long);
        let mut ordinary = vec![0];
        ordinary.extend(&long);
        let cases: &[(&[u8], &[u8])] = &[
            (&[8, 2, 1, 1], &[8, 1, 1]),
            (&[8 | 1, 2, 1, 1, 2, 2], &[8 | 1, 1, 1, 2, 2]),
            (&[8 | 2, 1, 2, 1, 2, 2], &[8 | 2, 1, 1, 2, 2]),
            (&[8 | 3, 3, 1, 1, 2, 3], &[8 | 3, 3, 1, 2, 3]),
            (&[8 | 3, 64 | 2, 1, 1, 1, 2, 0], &[8 | 3, 64 | 2, 1, 1, 2, 0]),
            (&[8 | 3, 128 | 2, 1, 2, 1, 2, 2], &[8 | 3, 128 | 2, 1, 1, 2, 2]),
            (&[8, 0], &[8]),
            (&delimited, &ordinary),
        ];
        for (delimited, ordinary) in cases {
            let mut octets = delimited.to_vec();
            octets.extend([9, 9]);
            let (packet, rest) = split(&octets).unwrap();
            assert_eq!(&packet, ordinary);
            assert_eq!(rest, [9, 9]);
            for end in 0..delimited.len() {
                assert_eq!(split(&delimited[..end]), None, "{end} octets of {delimited:?}");
            }
        }
        assert_eq!(split(&[8 | 3, 0, 0]), None, "no frames");
    }
}
