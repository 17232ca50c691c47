//! WAV files: chunks, the many ways of writing samples, and headers that were never finished.
//!
//! Chunks and formats by the Multimedia Programming Interface and Data Specifications 1.0 (1991) and Microsoft's
//! WAVEFORMATEXTENSIBLE (from memory).

use std::io::Read;

use super::fault::{Fault, fill};
use super::intake::Intake;
use super::{MAX_CHANNELS, MAX_LENGTH, MAX_RATE, MIN_RATE, Recording};
use crate::media::g711;

const WHAT: &str = "a WAV file";
/// What of the format chunk is looked at, octets.
const FORMAT: usize = 40;
/// Most that may stand before the samples, octets: a picture or two.
const MAX_BEFORE: u64 = 16 * 1024 * 1024;
/// A length of this or more is what programs write that could not know it: SoX this, FFmpeg 2^32 − 1.
const UNKNOWN: u32 = 0x7fff_f000;
/// The rest of the GUID in a WAVEFORMATEXTENSIBLE, behind its format tag.
const GUID: [u8; 14] = [0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71];
/// Octets read at a time, about.
const STRIDE: usize = 16 * 1024;

/// How a sample is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Coding {
    /// 1 octet: unsigned. More: signed, the most significant bits used.
    Whole(usize),
    Float,
    Double,
    Ulaw,
    Alaw,
}

struct Format {
    coding: Coding,
    channels: usize,
    rate: u32,
    /// Octets in a frame.
    frame: usize,
}

/// `head` has been read already.
pub fn read(source: &mut dyn Read, head: &[u8]) -> Result<Recording, Fault> {
    if head.len() < super::fault::HEAD {
        return Err(Fault::cut_off(WHAT));
    }
    let mut format = None;
    let mut before = 0;
    loop {
        let mut header = [0; 8];
        match fill(source, &mut header)? {
            8 => {}
            _ if format.is_some() => return Err(Fault::no_samples(WHAT)),
            _ => return Err(Fault::cut_off(WHAT)),
        }
        let [a, b, c, d, length @ ..] = header;
        let length = u32::from_le_bytes(length);
        match &[a, b, c, d] {
            b"fmt " => {
                let mut octets = [0; FORMAT];
                let wanted = (length as usize).min(FORMAT);
                if fill(source, &mut octets[..wanted])? < wanted {
                    return Err(Fault::cut_off(WHAT));
                }
                format = Some(Format::read(&octets[..wanted])?);
                before += skip(source, padded(length) - wanted as u64)?;
            }
            b"data" => {
                let Some(format) = format else {
                    return Err(Fault::damaged(WHAT, "its samples come before their format", None));
                };
                return samples(source, &format, length);
            }
            _ => before += skip(source, padded(length))?,
        }
        if before > MAX_BEFORE {
            return Err(Fault::damaged(WHAT, "it has no samples where they should be", None));
        }
    }
}

/// Chunks begin at even places.
fn padded(length: u32) -> u64 {
    u64::from(length) + u64::from(length % 2)
}

fn skip(source: &mut dyn Read, length: u64) -> Result<u64, Fault> {
    let mut scratch = [0; 4096];
    let mut left = length.min(MAX_BEFORE + 1);
    while left > 0 {
        let wanted = scratch.len().min(left as usize);
        if fill(source, &mut scratch[..wanted])? < wanted {
            break;
        }
        left -= wanted as u64;
    }
    Ok(length.min(MAX_BEFORE + 1))
}

impl Format {
    fn read(octets: &[u8]) -> Result<Self, Fault> {
        let short = |at: usize| Some(u16::from_le_bytes([*octets.get(at)?, *octets.get(at + 1)?]));
        let long = |at: usize| Some(u32::from(short(at)?) | u32::from(short(at + 2)?) << 16);
        let (Some(mut tag), Some(channels), Some(rate), Some(frame), Some(bits)) =
            (short(0), short(2), long(4), short(12), short(14))
        else {
            return Err(Fault::damaged(WHAT, "its format is too short", None));
        };
        if tag == 0xfffe {
            let Some(inner) = short(24).filter(|_| octets.get(26..40) == Some(&GUID)) else {
                return Err(Fault::coding("a WAV file of a kind that is not known"));
            };
            tag = inner;
        }
        let channels = usize::from(channels);
        if !(1..=MAX_CHANNELS).contains(&channels) {
            return Err(Fault::channels(channels));
        }
        if !(MIN_RATE..=MAX_RATE).contains(&rate) {
            return Err(Fault::rate(rate));
        }
        let frame = usize::from(frame);
        let octets = frame / channels;
        let coding = match (tag, octets, bits) {
            (1, 1..=4, 1..) => Coding::Whole(octets),
            (3, 4, _) => Coding::Float,
            (3, 8, _) => Coding::Double,
            (6, 1, _) => Coding::Alaw,
            (7, 1, _) => Coding::Ulaw,
            (1 | 3 | 6 | 7, _, _) => {
                return Err(Fault::coding(&format!(
                    "a WAV file with samples of {bits} bits in {octets} octets"
                )));
            }
            (2 | 0x11, _, _) => return Err(Fault::coding("a WAV file with ADPCM")),
            (0x31, _, _) => return Err(Fault::coding("a WAV file with GSM 06.10")),
            (0x50 | 0x55, _, _) => return Err(Fault::coding("an MP3 file that is called WAV")),
            _ => return Err(Fault::coding(&format!("a WAV file of the kind {tag:#06x}"))),
        };
        if frame % channels != 0 || usize::from(bits) > 8 * octets {
            return Err(Fault::damaged(WHAT, "its format contradicts itself", None));
        }
        Ok(Format {
            coding,
            channels,
            rate,
            frame,
        })
    }

    /// The highest sample that it can hold.
    fn full(&self) -> f32 {
        match self.coding {
            Coding::Whole(octets) => 1.0 - 1.0 / (1u64 << (8 * octets.min(3) - 1)) as f32,
            Coding::Float | Coding::Double => 1.0,
            Coding::Ulaw => g711::to_f32(g711::ULAW[0x80]),
            Coding::Alaw => g711::to_f32(g711::ALAW[0xaa]),
        }
    }

    /// Appends the samples of whole frames.
    fn decode(&self, octets: &[u8], out: &mut Vec<f32>) {
        match self.coding {
            Coding::Whole(1) => out.extend(octets.iter().map(|o| (f32::from(*o) - 128.0) / 128.0)),
            Coding::Whole(n) => out.extend(octets.chunks_exact(n).map(|sample| {
                let mut whole = [0; 4];
                whole[4 - n..].copy_from_slice(sample);
                i32::from_le_bytes(whole) as f32 / 2_147_483_648.0
            })),
            Coding::Float => out.extend(
                octets
                    .chunks_exact(4)
                    .map(|o| f32::from_le_bytes([o[0], o[1], o[2], o[3]])),
            ),
            Coding::Double => out.extend(
                octets
                    .chunks_exact(8)
                    .map(|o| f64::from_le_bytes([o[0], o[1], o[2], o[3], o[4], o[5], o[6], o[7]]) as f32),
            ),
            Coding::Ulaw => out.extend(octets.iter().map(|o| g711::to_f32(g711::ULAW[usize::from(*o)]))),
            Coding::Alaw => out.extend(octets.iter().map(|o| g711::to_f32(g711::ALAW[usize::from(*o)]))),
        }
    }
}

fn samples(source: &mut dyn Read, format: &Format, length: u32) -> Result<Recording, Fault> {
    let announced = (length < UNKNOWN).then_some(u64::from(length) / format.frame as u64);
    let seconds = |frames: u64| frames as f64 / f64::from(format.rate);
    if let Some(frames) = announced
        && frames > MAX_LENGTH.as_secs() * u64::from(format.rate)
    {
        return Err(Fault::too_long(Some(seconds(frames))));
    }
    let mut intake = Intake::new(format.channels, format.rate, format.full());
    let mut octets = vec![0; (STRIDE / format.frame).max(1) * format.frame];
    let mut frames = Vec::new();
    let mut left = announced.map_or(u64::MAX, |frames| frames * format.frame as u64);
    while left > 0 {
        let wanted = octets.len().min(usize::try_from(left).unwrap_or(usize::MAX));
        let there = fill(source, &mut octets[..wanted])?;
        left -= there as u64;
        frames.clear();
        format.decode(&octets[..there / format.frame * format.frame], &mut frames);
        intake.push(&frames)?;
        if there == wanted {
            continue;
        }
        if let Some(announced) = announced {
            return Err(Fault::ends_early(WHAT, Some(seconds(announced)), intake.seconds()));
        }
        break;
    }
    intake.finish(WHAT, true)
}
