//! A sound card's input through ALSA: hardware (`hw:`), with conversion (`plughw:`), or a plugin such as `pulse`.

use std::time::Duration;

use alsa::Direction;
use alsa::pcm::{Frames, PCM};

use super::{DeviceError, PERIOD, Source, Transfer, check_shape};
use crate::device::pcm::{self, Device, Kind, Patience, Shape};
use crate::sound::RATE;

/// The device's buffer, frames (200 ms): what is in it waits nowhere but there, and a late thread loses nothing.
const BUFFER: usize = 9_600;

/// An open input, running.
pub struct AlsaSource {
    pcm: PCM,
    name: String,
    kind: Kind,
    channels: usize,
    period: usize,
    patience: Patience,
    /// One period in the device's format.
    octets: Vec<u8>,
}

impl AlsaSource {
    /// Opens a PCM by its ALSA name at 48 kHz and starts it.
    ///
    /// # Errors
    /// When the device is missing or busy, or does not give 48 kHz or the channels.
    pub fn open(name: &str, channels: usize) -> Result<Self, DeviceError> {
        check_shape(name, channels)?;
        pcm::with_complaints(|| Self::try_open(name, channels)).map_err(|cause| DeviceError::open(name, cause))
    }

    fn try_open(name: &str, channels: usize) -> Result<Self, String> {
        let shape = Shape {
            direction: Direction::Capture,
            channels,
            period: PERIOD,
            buffer: BUFFER,
        };
        let Device { pcm, kind, period, .. } = pcm::open(name, shape)?;
        {
            let sw = pcm.sw_params_current().map_err(|e| e.to_string())?;
            sw.set_avail_min(period as Frames).map_err(|e| e.to_string())?;
            pcm.sw_params(&sw).map_err(|e| e.to_string())?;
        }
        let source = AlsaSource {
            pcm,
            name: name.to_owned(),
            kind,
            channels,
            period,
            patience: Patience::new(Direction::Capture, period),
            octets: vec![0; period * kind.octets() * channels],
        };
        start(&source.pcm)?;
        Ok(source)
    }

    /// Reads `octets[..end]` full.
    fn read_octets(&mut self, end: usize) -> Result<Transfer, DeviceError> {
        let frame = self.kind.octets() * self.channels;
        let mut done = 0;
        self.patience.begin();
        while done < end {
            let errno = match self.pcm.io_bytes().readi(&mut self.octets[done..end]) {
                Ok(0) => libc::EAGAIN,
                Ok(n) => {
                    done += n * frame;
                    self.patience.moved();
                    self.patience.awake();
                    continue;
                }
                Err(e) => e.errno(),
            };
            let Self { patience, pcm, .. } = self;
            let mended = patience.wait_or_mend(pcm, errno, || start(pcm));
            if mended.map_err(|cause| self.lost(&cause))? {
                // Half a period from before would be joined to what comes after.
                done = 0;
            }
        }
        Ok(self.patience.outcome())
    }

    fn lost(&self, cause: &impl std::fmt::Display) -> DeviceError {
        DeviceError::lost(&self.name, cause)
    }
}

fn start(pcm: &PCM) -> Result<(), String> {
    pcm.prepare().map_err(|e| e.to_string())?;
    pcm.start().map_err(|e| e.to_string())
}

/// From the device's format to ±1.0.
fn convert(kind: Kind, octets: &[u8], frames: &mut [f32]) {
    match kind {
        Kind::S16 => {
            for (x, o) in frames.iter_mut().zip(octets.chunks_exact(2)) {
                *x = f32::from(i16::from_ne_bytes([o[0], o[1]])) / 32_768.0;
            }
        }
        Kind::S32 => {
            for (x, o) in frames.iter_mut().zip(octets.chunks_exact(4)) {
                *x = i32::from_ne_bytes([o[0], o[1], o[2], o[3]]) as f32 / 2_147_483_648.0;
            }
        }
        Kind::F32 => {
            for (x, o) in frames.iter_mut().zip(octets.chunks_exact(4)) {
                let value = f32::from_ne_bytes([o[0], o[1], o[2], o[3]]);
                *x = if value.is_finite() { value.clamp(-1.0, 1.0) } else { 0.0 };
            }
        }
    }
}

impl Source for AlsaSource {
    fn period(&self) -> usize {
        self.period
    }

    fn channels(&self) -> usize {
        self.channels
    }

    fn read(&mut self, frames: &mut [f32]) -> Result<Transfer, DeviceError> {
        let wanted = frames.len() * self.kind.octets();
        let end = wanted.min(self.octets.len());
        let read = self.read_octets(end)?;
        convert(self.kind, &self.octets[..end], frames);
        Ok(read)
    }

    fn delay(&self) -> Duration {
        let frames = self.pcm.delay().unwrap_or(0).max(0) as u64;
        Duration::from_secs(frames) / RATE
    }
}

impl Drop for AlsaSource {
    fn drop(&mut self) {
        let _ = self.pcm.drop();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn says_which_card_is_missing_and_keeps_stderr_clean() {
        let error = AlsaSource::open("hw:CARD=NoSuchCard", 2)
            .err()
            .expect("an error")
            .to_string();
        assert!(error.starts_with("cannot open hw:CARD=NoSuchCard: "), "{error}");
        assert!(
            error.contains("no such card; `arecord -L` lists the names ("),
            "{error}"
        );
        assert!(AlsaSource::open("hw:\0", 2).is_err());
        assert!(AlsaSource::open("null", 0).is_err());
    }

    /// ALSA's own `null` gives silence at once: formats, sizes and reading work without hardware.
    #[test]
    fn reads_the_librarys_null_device() {
        let mut source = AlsaSource::open("null", 2).expect("alsa-lib's null");
        assert_eq!(source.channels(), 2);
        let mut frames = vec![0.5; 2 * source.period()];
        for _ in 0..3 {
            assert_eq!(source.read(&mut frames).expect("reads"), Transfer::Fine);
        }
        assert!(frames.iter().all(|x| *x == 0.0));
        let _ = source.delay();
    }

    #[test]
    fn every_format_becomes_the_same_numbers() {
        let mut out = [9.0; 4];
        let octets: Vec<u8> = [0, i16::MIN, 16_384, -1].iter().flat_map(|x| x.to_ne_bytes()).collect();
        convert(Kind::S16, &octets, &mut out);
        assert_eq!(out, [0.0, -1.0, 0.5, -1.0 / 32_768.0]);
        let octets: Vec<u8> = [0, i32::MIN, 1 << 30, -65_536]
            .iter()
            .flat_map(|x| x.to_ne_bytes())
            .collect();
        convert(Kind::S32, &octets, &mut out);
        assert_eq!(out, [0.0, -1.0, 0.5, -1.0 / 32_768.0]);
        let octets: Vec<u8> = [f32::NAN, -3.0, 0.5, 0.25]
            .iter()
            .flat_map(|x| x.to_ne_bytes())
            .collect();
        convert(Kind::F32, &octets, &mut out);
        assert_eq!(out, [0.0, -1.0, 0.5, 0.25]);
    }
}
