//! Files that are no messages, and what they are instead.

use std::io::Read;

use super::{MAX_CHANNELS, MAX_LENGTH, MAX_OGG, MAX_RATE, MIN_RATE};

/// Octets that tell what a file is.
pub const HEAD: usize = 12;

/// Why a file cannot be a message.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{found} (wanted: {wanted})")]
pub struct Fault {
    pub found: String,
    pub wanted: String,
    /// What to do; `FILE` stands for the file's name.
    pub hint: String,
}

const ANY: &str = "a WAV or an Ogg Opus file";
const WHOLE: &str = "a whole file";
const CONVERT: &str = "convert it: ffmpeg -i FILE -ac 1 -ar 48000 FILE.wav";
const AGAIN: &str = "copy it again, or save it again in the program that it was made with";

fn fault(found: impl Into<String>, wanted: impl Into<String>, hint: impl Into<String>) -> Fault {
    Fault {
        found: found.into(),
        wanted: wanted.into(),
        hint: hint.into(),
    }
}

/// Reads until `out` is full or the file ends; how much there was.
pub fn fill(source: &mut dyn Read, out: &mut [u8]) -> Result<usize, Fault> {
    let mut have = 0;
    while let Some(rest) = out.get_mut(have..).filter(|rest| !rest.is_empty()) {
        match source.read(rest) {
            Ok(0) => break,
            Ok(n) => have += n,
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => {}
            Err(e) => return Err(Fault::unreadable(&e)),
        }
    }
    Ok(have)
}

/// Minutes and seconds.
pub fn clock(seconds: f64) -> String {
    format!("{}:{:04.1}", (seconds / 60.0) as u64, seconds % 60.0)
}

impl Fault {
    pub(super) fn unreadable(error: &std::io::Error) -> Self {
        fault(
            format!("a file that cannot be read: {error}"),
            ANY,
            "look at the disk: dmesg tells of its faults",
        )
    }

    /// What `head`, the first octets, belong to.
    pub(super) fn no_sound(head: &[u8]) -> Self {
        let at = |from: usize, what: &[u8]| head.get(from..from + what.len()) == Some(what);
        let converted = |what: &str| fault(what, ANY, CONVERT);
        match head {
            [] => fault("an empty file", ANY, AGAIN),
            _ if at(0, b"ID3") => converted("an MP3 file"),
            // Layer bits of 0 are AAC's (ISO/IEC 13818-7), others MPEG audio's (ISO/IEC 11172-3); from memory.
            [0xff, second, ..] if second & 0xf6 == 0xf0 => converted("an AAC file"),
            [0xff, second, ..] if second & 0xe0 == 0xe0 => converted("an MP3 file"),
            _ if at(0, b"fLaC") => converted("a FLAC file"),
            _ if at(4, b"ftyp") => converted("an MP4 or M4A file"),
            _ if at(0, b"FORM") => converted("an AIFF file"),
            _ if at(0, b".snd") => converted("an AU file"),
            _ if at(0, b"caff") => converted("a CAF file"),
            _ if at(0, b"#!AMR") => converted("an AMR file"),
            _ if at(0, b"wvpk") => converted("a WavPack file"),
            _ if at(0, b"\x1a\x45\xdf\xa3") => converted("a Matroska or WebM file"),
            _ if at(0, b"0&\xb2u") => converted("a Windows Media file"),
            _ if at(0, b"RF64") || at(0, b"BW64") => converted("a WAV file of the kind for more than 4 GB (RF64)"),
            _ if at(0, b"RIFX") => converted("a WAV file of big-endian order (RIFX)"),
            _ if at(0, b"RIFF") && head.len() >= HEAD => converted("a RIFF file that is no WAV"),
            _ if at(0, b"RIFF") => Self::cut_off("a WAV file"),
            _ if head.iter().all(|o| *o == 0) => fault("a file that begins with zeros", ANY, AGAIN),
            _ if head.iter().all(|o| matches!(o, b' '..=b'~' | b'\t' | b'\r' | b'\n')) => {
                fault("a text file", ANY, "perhaps it is another file")
            }
            _ => fault("a file of another kind", ANY, "`file FILE` may tell what it is"),
        }
    }

    pub(super) fn too_large() -> Self {
        fault(
            format!("an Ogg file of more than {} MiB", MAX_OGG / 1024 / 1024),
            format!("at most {} MiB", MAX_OGG / 1024 / 1024),
            "perhaps it holds a video, or is not for here",
        )
    }

    /// `seconds` are known, or at least so many.
    pub(super) fn too_long(seconds: Option<f64>) -> Self {
        let most = clock(MAX_LENGTH.as_secs_f64());
        fault(
            match seconds {
                Some(s) => format!("a message of {}", clock(s)),
                None => format!("a message of more than {most}"),
            },
            format!("at most {most} minutes"),
            "cut it, or make several messages of it",
        )
    }

    pub(super) fn no_samples(what: &str) -> Self {
        fault(
            format!("{what} without a single sample"),
            "something to be heard",
            "perhaps its recording was never finished: save it again",
        )
    }

    pub(super) fn cut_off(what: &str) -> Self {
        fault(format!("{what} that is cut off in its header"), WHOLE, AGAIN)
    }

    pub(super) fn ends_early(what: &str, announced: Option<f64>, there: f64) -> Self {
        let found = match announced {
            Some(announced) => format!(
                "{what} that is cut off: it announces {}, and {} are there",
                clock(announced),
                clock(there)
            ),
            None => format!("{what} that is cut off after {}", clock(there)),
        };
        fault(found, WHOLE, AGAIN)
    }

    pub(super) fn damaged(what: &str, how: &str, seconds: Option<f64>) -> Self {
        let place = seconds.map_or(String::new(), |s| format!(" at {}", clock(s)));
        fault(format!("{what} that is damaged{place}: {how}"), WHOLE, AGAIN)
    }

    pub(super) fn coding(what: &str) -> Self {
        fault(
            what,
            "a WAV file of 8 to 32-bit numbers, floating point or G.711",
            CONVERT,
        )
    }

    pub(super) fn rate(rate: u32) -> Self {
        fault(
            format!("a sampling rate of {rate} Hz"),
            format!("{MIN_RATE} to {MAX_RATE} Hz"),
            CONVERT,
        )
    }

    pub(super) fn channels(channels: usize) -> Self {
        fault(
            format!("{channels} channels"),
            format!("1 to {MAX_CHANNELS} channels"),
            CONVERT,
        )
    }

    pub(super) fn scale() -> Self {
        fault(
            "floating-point samples that are no sound: far beyond full scale, or no numbers",
            "samples of about ±1.0",
            "save it with 16-bit samples",
        )
    }

    pub(super) fn other_ogg(what: &str) -> Self {
        fault(
            format!("an Ogg file with {what}"),
            "Opus in the Ogg file",
            "convert it: ffmpeg -i FILE -ac 1 -c:a libopus FILE.opus",
        )
    }

    pub(super) fn chained() -> Self {
        fault(
            "an Ogg file of several streams one behind the other",
            "one stream",
            "make one of them: ffmpeg -i FILE -c:a libopus FILE.opus",
        )
    }

    pub(super) fn mapping(family: u8) -> Self {
        fault(
            format!("Opus with channels of the mapping family {family}"),
            "mono, stereo or surround (families 0 and 1)",
            "convert it: ffmpeg -i FILE -ac 1 -c:a libopus FILE.opus",
        )
    }

    pub(super) fn decoder(why: String) -> Self {
        fault(why, "a decoder for it", "is the package libopus0 installed?")
    }
}
