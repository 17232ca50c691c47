//! A sound card through ALSA: hardware (`hw:`), with conversion (`plughw:`), or a plugin such as `pulse`.

use std::time::Duration;

use alsa::Direction;
use alsa::pcm::{Frames, PCM, State};

use super::{DeviceError, Sink, Transfer, check_shape};
use crate::device::pcm::{self, Device, Kind, Patience, Shape};
use crate::sound::RATE;
use crate::sound::quantise::{Quantiser, to_i32};

/// Periods in the card's buffer.
const PERIODS: usize = 4;

/// An open card. Its buffer is kept full, so that an xrun needs three periods of lateness.
pub struct AlsaSink {
    pcm: PCM,
    name: String,
    kind: Kind,
    channels: usize,
    period: usize,
    buffer: usize,
    patience: Patience,
    quantiser: Quantiser,
    /// One period in the card's format.
    octets: Vec<u8>,
    /// As much silence as the buffer holds before the first period.
    silence: Vec<u8>,
}

impl AlsaSink {
    /// Opens a PCM by its ALSA name at 48 kHz; `period` is a wish, in frames.
    /// # Errors
    /// When the card is missing or busy, or does not take 48 kHz or the channels.
    pub fn open(name: &str, channels: usize, period: usize) -> Result<Self, DeviceError> {
        check_shape(name, channels, period)?;
        pcm::with_complaints(|| Self::try_open(name, channels, period)).map_err(|cause| DeviceError::open(name, cause))
    }

    fn try_open(name: &str, channels: usize, period: usize) -> Result<Self, String> {
        let shape = Shape {
            direction: Direction::Playback,
            channels,
            period,
            buffer: PERIODS * period,
        };
        let Device {
            pcm,
            kind,
            period,
            buffer,
        } = pcm::open(name, shape)?;
        {
            let sw = pcm.sw_params_current().map_err(|e| e.to_string())?;
            // It starts when full, and asks for more as soon as a period is free.
            let full = buffer / period * period;
            sw.set_start_threshold(full as Frames).map_err(|e| e.to_string())?;
            sw.set_avail_min(period as Frames).map_err(|e| e.to_string())?;
            pcm.sw_params(&sw).map_err(|e| e.to_string())?;
        }
        let frame = kind.octets() * channels;
        let sink = AlsaSink {
            pcm,
            name: name.to_owned(),
            kind,
            channels,
            period,
            buffer,
            patience: Patience::new(Direction::Playback, period),
            quantiser: Quantiser::new(),
            octets: vec![0; period * frame],
            silence: vec![0; (buffer / period - 1) * period * frame],
        };
        prepare(&sink.pcm, &sink.silence)?;
        Ok(sink)
    }

    /// Frames in the card's buffer.
    pub fn buffer(&self) -> usize {
        self.buffer
    }

    fn fill(&mut self, frames: &[f32]) {
        let octets = self.octets.chunks_exact_mut(self.kind.octets());
        match self.kind {
            Kind::S16 => {
                for (o, x) in octets.zip(frames) {
                    o.copy_from_slice(&self.quantiser.quantise(*x).to_ne_bytes());
                }
            }
            Kind::S32 => {
                for (o, x) in octets.zip(frames) {
                    o.copy_from_slice(&to_i32(*x).to_ne_bytes());
                }
            }
            Kind::F32 => {
                for (o, x) in octets.zip(frames) {
                    o.copy_from_slice(&x.clamp(-1.0, 1.0).to_ne_bytes());
                }
            }
        }
    }

    /// Writes at most one period.
    fn write_period(&mut self, frames: &[f32]) -> Result<Transfer, DeviceError> {
        self.fill(frames);
        let frame = self.kind.octets() * self.channels;
        let end = frames.len() / self.channels * frame;
        let (mut done, mut waited) = (0, false);
        self.patience.begin();
        while done < end {
            let errno = match self.pcm.io_bytes().writei(&self.octets[done..end]) {
                Ok(0) => libc::EAGAIN,
                Ok(n) => {
                    done += n * frame;
                    self.patience.moved();
                    // What makes the buffer full is no sign that it plays.
                    if waited {
                        self.patience.awake();
                    }
                    continue;
                }
                Err(e) => e.errno(),
            };
            // A plugin may call its buffer full before the threshold is reached.
            if errno == libc::EAGAIN && self.pcm.state_raw() == State::Prepared as i32 {
                self.pcm.start().map_err(|e| self.lost(&e))?;
            }
            waited = !self.wait_or_mend(errno)?;
        }
        Ok(self.patience.outcome())
    }

    /// True when the card was started anew.
    fn wait_or_mend(&mut self, errno: i32) -> Result<bool, DeviceError> {
        let Self {
            patience, pcm, silence, ..
        } = self;
        patience
            .wait_or_mend(pcm, errno, || prepare(pcm, silence))
            .map_err(|cause| self.lost(&cause))
    }

    fn lost(&self, cause: &impl std::fmt::Display) -> DeviceError {
        DeviceError::lost(&self.name, cause)
    }
}

/// Ready to start, all but one period filled with silence.
fn prepare(pcm: &PCM, silence: &[u8]) -> Result<(), String> {
    pcm.prepare().map_err(|e| e.to_string())?;
    // The buffer is empty and takes it all; a plugin that does not is filled by what follows.
    match pcm.io_bytes().writei(silence) {
        Ok(_) => Ok(()),
        Err(e) if e.errno() == libc::EAGAIN => Ok(()),
        Err(e) => Err(e.to_string()),
    }
}

impl Sink for AlsaSink {
    fn period(&self) -> usize {
        self.period
    }

    fn channels(&self) -> usize {
        self.channels
    }

    fn write(&mut self, frames: &[f32]) -> Result<Transfer, DeviceError> {
        let mut result = Transfer::Fine;
        for part in frames.chunks(self.period * self.channels) {
            if self.write_period(part)? == Transfer::Xrun {
                result = Transfer::Xrun;
            }
        }
        Ok(result)
    }

    fn delay(&self) -> Duration {
        let frames = self.pcm.delay().unwrap_or(0).max(0) as u64;
        Duration::from_secs(frames) / RATE
    }
}

impl Drop for AlsaSink {
    fn drop(&mut self) {
        // At once: closing would play out the rest, and wait for a card that may be stuck.
        let _ = self.pcm.drop();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn says_which_card_is_missing_and_keeps_stderr_clean() {
        let error = AlsaSink::open("hw:CARD=NoSuchCard", 2, 240)
            .err()
            .expect("an error")
            .to_string();
        assert!(error.starts_with("cannot open hw:CARD=NoSuchCard: "), "{error}");
        assert!(error.contains("no such card; `aplay -L` lists the names ("), "{error}");
        assert!(AlsaSink::open("hw:\0", 2, 240).is_err());
    }

    /// ALSA's own `null` takes everything at once: formats, sizes, filling and writing work without hardware.
    #[test]
    fn writes_to_the_librarys_null_device() {
        let mut sink = AlsaSink::open("null", 2, 240).expect("alsa-lib's null");
        assert_eq!(sink.channels(), 2);
        assert!(sink.period() >= 1 && sink.buffer() >= 2 * sink.period());
        for length in [1, 240, 1000] {
            assert_eq!(sink.write(&vec![0.5; 2 * length]).expect("writes"), Transfer::Fine);
        }
        let _ = sink.delay();
    }

    #[test]
    fn samples_are_put_into_the_cards_format() {
        let mut sink = AlsaSink::open("null", 1, 240).expect("alsa-lib's null");
        sink.octets = vec![0; 16];
        let frames = [0.0, 0.5, -1.0, 2.0];
        sink.kind = Kind::S32;
        sink.fill(&frames);
        let got: Vec<i32> = sink
            .octets
            .chunks(4)
            .map(|b| i32::from_ne_bytes([b[0], b[1], b[2], b[3]]))
            .collect();
        assert_eq!(got, [0, 1 << 30, i32::MIN, i32::MAX]);
        sink.kind = Kind::F32;
        sink.fill(&frames);
        let got: Vec<f32> = sink
            .octets
            .chunks(4)
            .map(|b| f32::from_ne_bytes([b[0], b[1], b[2], b[3]]))
            .collect();
        assert_eq!(got, [0.0, 0.5, -1.0, 1.0]);
        sink.kind = Kind::S16;
        sink.fill(&frames);
        let got: Vec<i16> = sink
            .octets
            .chunks(2)
            .take(4)
            .map(|b| i16::from_ne_bytes([b[0], b[1]]))
            .collect();
        assert_eq!(got[0], 0);
        assert!((i32::from(got[1]) - 16384).abs() <= 1 && got[2] <= -32767 && got[3] == i16::MAX);
    }
}
