//! A sound card through ALSA: hardware (`hw:`), with conversion (`plughw:`), or a plugin such as `pulse`.

use std::time::{Duration, Instant};

use alsa::Direction;
use alsa::pcm::{Frames, PCM, State};

use super::{Sink, SinkError, Written, check_shape};
use crate::device::pcm::{self, Device, Kind, Shape};
use crate::sound::RATE;
use crate::sound::quantise::{Quantiser, to_i32};

/// Periods in the card's buffer.
const PERIODS: usize = 4;
/// A card that takes nothing for this long is stuck.
const STUCK: Duration = Duration::from_secs(1);
/// Just started, it may take longer: a sound server's idle output wakes up in steps of 2 s.
const WAKING: Duration = Duration::from_secs(3);
/// Tries to wake a card after the machine slept, 50 ms apart.
const RESUMES: u32 = 10;
/// Xruns without one period taken in between; then the card is no use.
const MAX_XRUNS: u32 = 8;

/// An open card. Its buffer is kept full, so that an xrun needs three periods of lateness.
pub struct AlsaSink {
    pcm: PCM,
    name: String,
    kind: Kind,
    channels: usize,
    period: usize,
    buffer: usize,
    /// How long it may take nothing, once it runs.
    stuck: Duration,
    waking: bool,
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
    pub fn open(name: &str, channels: usize, period: usize) -> Result<Self, SinkError> {
        check_shape(name, channels, period)?;
        pcm::with_complaints(|| Self::try_open(name, channels, period)).map_err(|cause| SinkError::Open {
            device: name.to_owned(),
            cause,
        })
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
        let mut sink = AlsaSink {
            pcm,
            name: name.to_owned(),
            kind,
            channels,
            period,
            buffer,
            stuck: STUCK.max(Duration::from_secs(2 * period as u64) / RATE),
            waking: true,
            quantiser: Quantiser::new(),
            octets: vec![0; period * frame],
            silence: vec![0; (buffer / period - 1) * period * frame],
        };
        sink.prepare()?;
        Ok(sink)
    }

    /// Frames in the card's buffer.
    pub fn buffer(&self) -> usize {
        self.buffer
    }

    /// Ready to start, all but one period filled with silence.
    fn prepare(&mut self) -> Result<(), String> {
        self.pcm.prepare().map_err(|e| e.to_string())?;
        self.waking = true;
        let io = self.pcm.io_bytes();
        // The buffer is empty and takes it all; a plugin that does not is filled by what follows.
        match io.writei(&self.silence) {
            Ok(_) => Ok(()),
            Err(e) if e.errno() == libc::EAGAIN => Ok(()),
            Err(e) => Err(e.to_string()),
        }
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
    fn write_period(&mut self, frames: &[f32]) -> Result<Written, SinkError> {
        self.fill(frames);
        let frame = self.kind.octets() * self.channels;
        let end = frames.len() / self.channels * frame;
        let (mut done, mut xruns, mut waited) = (0, 0, false);
        let mut since = Instant::now();
        while done < end {
            let written = self.pcm.io_bytes().writei(&self.octets[done..end]);
            let errno = match written {
                Ok(0) => libc::EAGAIN,
                Ok(n) => {
                    done += n * frame;
                    since = Instant::now();
                    // What makes the buffer full is no sign that it plays.
                    self.waking &= !waited;
                    continue;
                }
                Err(e) => e.errno(),
            };
            waited = true;
            match self.wait_or_mend(errno, since)? {
                Written::Fine => {}
                Written::Xrun => {
                    waited = false;
                    xruns += 1;
                    if xruns > MAX_XRUNS {
                        return Err(self.lost("it runs dry again and again"));
                    }
                }
            }
        }
        Ok(if xruns > 0 { Written::Xrun } else { Written::Fine })
    }

    /// What to do about a write that did not take everything.
    fn wait_or_mend(&mut self, errno: i32, since: Instant) -> Result<Written, SinkError> {
        match errno {
            libc::EAGAIN => {
                let most = if self.waking {
                    WAKING.max(self.stuck)
                } else {
                    self.stuck
                };
                let left = most.saturating_sub(since.elapsed());
                if left.is_zero() {
                    return Err(self.lost(&format!("it has taken nothing for {} ms", most.as_millis())));
                }
                // A plugin may call its buffer full before the threshold is reached.
                if self.pcm.state_raw() == State::Prepared as i32 {
                    self.pcm.start().map_err(|e| self.lost(&e))?;
                }
                let before = Instant::now();
                match self.pcm.wait(Some(left.as_millis() as u32 + 1)) {
                    // Ready, and yet the write took nothing: don't spin.
                    Ok(true) if before.elapsed() < Duration::from_micros(100) => {
                        std::thread::sleep(Duration::from_millis(1));
                        Ok(Written::Fine)
                    }
                    Ok(_) => Ok(Written::Fine),
                    Err(e) if e.errno() == libc::EAGAIN => Ok(Written::Fine),
                    Err(e) => self.wait_or_mend_error(e.errno()),
                }
            }
            other => self.wait_or_mend_error(other),
        }
    }

    fn wait_or_mend_error(&mut self, errno: i32) -> Result<Written, SinkError> {
        match errno {
            libc::EINTR => Ok(Written::Fine),
            libc::EPIPE => self.prepare().map(|()| Written::Xrun).map_err(|e| self.lost(&e)),
            libc::ESTRPIPE => {
                let woken = (0..RESUMES).any(|_| match self.pcm.resume() {
                    Err(e) if e.errno() == libc::EAGAIN => {
                        std::thread::sleep(Duration::from_millis(50));
                        false
                    }
                    result => result.is_ok(),
                });
                if !woken {
                    // Cards that cannot resume start afresh.
                    self.prepare().map_err(|e| self.lost(&e))?;
                }
                Ok(Written::Xrun)
            }
            other => Err(self.lost(&std::io::Error::from_raw_os_error(other))),
        }
    }

    fn lost(&self, cause: &(impl std::fmt::Display + ?Sized)) -> SinkError {
        SinkError::Lost {
            device: self.name.clone(),
            cause: cause.to_string(),
        }
    }
}

impl Sink for AlsaSink {
    fn period(&self) -> usize {
        self.period
    }

    fn channels(&self) -> usize {
        self.channels
    }

    fn write(&mut self, frames: &[f32]) -> Result<Written, SinkError> {
        let mut result = Written::Fine;
        for part in frames.chunks(self.period * self.channels) {
            if self.write_period(part)? == Written::Xrun {
                result = Written::Xrun;
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
            assert_eq!(sink.write(&vec![0.5; 2 * length]).expect("writes"), Written::Fine);
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
