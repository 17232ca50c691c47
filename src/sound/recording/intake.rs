//! Frames of a file on their way to a [`Recording`]: mixed down, measured, brought to 48 kHz.

use super::convert::Converter;
use super::fault::Fault;
use super::{About, MAX_LENGTH, Recording};
use crate::sound::RATE;
use crate::sound::level::Dbfs;
use crate::sound::speech_level::SpeechLevel;

/// So many samples in a row at full scale are a flat top; a sine that just reaches it has fewer at any pitch that
/// matters.
const FLAT: u32 = 4;
/// Samples beyond this (60 dB above full scale) are no sound.
const BEYOND: f32 = 1000.0;
/// Frames converted at a time.
const STRIDE: usize = 4096;

/// An offset of the whole file beyond this share of full scale is taken out; less is below hearing and measuring.
const OFFSET: f64 = 0.02;

pub struct Intake {
    channels: usize,
    rate: u32,
    /// Samples at or beyond it are at full scale.
    full: f32,
    /// For each channel, how long it has been at full scale.
    runs: Vec<u32>,
    flat: u64,
    samples: u64,
    /// Energy of the channels, on average, and of the mix.
    apart: f64,
    mixed: f64,
    mono: Vec<f32>,
    converter: Converter,
    out: Vec<f32>,
}

impl Intake {
    /// `full`: the highest sample that the file's coding can hold.
    pub fn new(channels: usize, rate: u32, full: f32) -> Self {
        Intake {
            channels,
            rate,
            full,
            runs: vec![0; channels],
            flat: 0,
            samples: 0,
            apart: 0.0,
            mixed: 0.0,
            mono: Vec::with_capacity(STRIDE),
            converter: Converter::new(rate),
            out: Vec::new(),
        }
    }

    /// Seconds taken so far.
    pub fn seconds(&self) -> f64 {
        self.frames() as f64 / f64::from(self.rate)
    }

    fn frames(&self) -> u64 {
        self.samples / self.channels as u64
    }

    /// Takes interleaved frames.
    pub fn push(&mut self, frames: &[f32]) -> Result<(), Fault> {
        let share = 1.0 / self.channels as f32;
        for frame in frames.chunks_exact(self.channels) {
            let mut sum = 0.0;
            for (x, run) in frame.iter().zip(&mut self.runs) {
                if x.is_nan() || x.abs() > BEYOND {
                    return Err(Fault::scale());
                }
                sum += x;
                self.apart += f64::from(x * x) * f64::from(share);
                if x.abs() < self.full {
                    *run = 0;
                    continue;
                }
                *run = run.saturating_add(1);
                self.flat += match *run {
                    FLAT => u64::from(FLAT),
                    n if n > FLAT => 1,
                    _ => 0,
                };
            }
            let mix = sum * share;
            self.mixed += f64::from(mix * mix);
            self.samples += self.channels as u64;
            self.mono.push(mix);
            if self.mono.len() == STRIDE {
                self.convert()?;
            }
        }
        Ok(())
    }

    fn convert(&mut self) -> Result<(), Fault> {
        if self.frames() > MAX_LENGTH.as_secs() * u64::from(self.rate) {
            return Err(Fault::too_long(None));
        }
        self.converter.push(&self.mono, &mut self.out);
        self.mono.clear();
        Ok(())
    }

    /// The message. `what` names the kind of file.
    pub fn finish(mut self, what: &str, is_whole: bool) -> Result<Recording, Fault> {
        self.convert()?;
        self.converter.finish(&mut self.out);
        if self.out.is_empty() {
            return Err(Fault::no_samples(what));
        }
        // An offset would count as loudness, and thump at both ends.
        let mean = self.out.iter().map(|x| f64::from(*x)).sum::<f64>() / self.out.len() as f64;
        if mean.abs() > OFFSET {
            self.out.iter_mut().for_each(|x| *x -= mean as f32);
        }
        let mut meter = SpeechLevel::new();
        meter.push(&self.out, RATE);
        let peak = self.out.iter().fold(0f32, |m, x| m.max(x.abs()));
        // Where every sample is a zero, the channels were too.
        let mixed = if self.apart > 0.0 {
            10.0 * (self.mixed / self.apart).max(1e-12).log10()
        } else {
            0.0
        };
        let about = About {
            level: meter.level().map(|(level, _)| level).filter(|_| peak > 0.0),
            peak: Dbfs::of(peak),
            clipped: self.flat as f64 / self.samples.max(1) as f64,
            mixed,
            is_whole,
        };
        Ok(Recording::new(&self.out, about))
    }
}
