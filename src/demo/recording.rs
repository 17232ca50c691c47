//! From the card's recording to what there is to hear: a file for each zone, and one for each loudspeaker with its
//! music. The loudspeakers are simulated: an amplifier passes the page while its trigger is closed, and the music
//! passes the mute relay's normally closed contact.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use super::{DemoError, Files};
use crate::config::plan::{Plan, Zone};
use crate::device::relay::Movement;
use crate::page::RelayId;

/// A relay's contact takes this long from one side to the other.
const CONTACT: Duration = Duration::from_millis(5);
/// Samples louder than this are a page: −60 dB of full scale.
const AUDIBLE: f32 = 0.001;
/// Length of one figure of [`ZoneRecording::levels`].
pub const LEVEL_STEP: Duration = Duration::from_millis(100);

/// What one zone was given.
#[derive(Debug, Clone)]
pub struct ZoneRecording {
    pub zone: String,
    /// The zone's line output alone.
    pub line: PathBuf,
    /// With the music, as people in the zone hear it.
    pub loudspeaker: PathBuf,
    /// RMS of the line output for every [`LEVEL_STEP`], relative to full scale.
    pub levels: Vec<f32>,
}

impl ZoneRecording {
    /// How long something was audible.
    pub fn audible(&self) -> Duration {
        let loud = self.levels.iter().filter(|level| **level > AUDIBLE * 3.0).count();
        LEVEL_STEP * u32::try_from(loud).unwrap_or(u32::MAX)
    }
}

/// All zones' recordings, and when the card began to play.
#[derive(Debug, Clone)]
pub struct Recordings {
    pub zones: Vec<ZoneRecording>,
    /// `None` when nothing was ever heard.
    pub began: Option<Instant>,
}

/// Takes the card's file apart. `movements` are those of the relays, oldest first.
///
/// # Errors
/// When a file cannot be read or written.
pub fn take_apart(plan: &Plan, files: &Files, movements: &[Movement]) -> Result<Recordings, DemoError> {
    let (rate, channels) = read(&files.card)?;
    let silent = Vec::new();
    let zones: Vec<(&Zone, &Vec<f32>)> = plan
        .zones
        .iter()
        .map(|zone| (zone, channels.get(zone.channel).unwrap_or(&silent)))
        .collect();
    let began = zones
        .iter()
        .filter_map(|(zone, samples)| beginning(zone, samples, rate, movements))
        .min();
    let mut out = Vec::new();
    for (zone, samples) in zones {
        let line = files.directory.join(format!("{}-line.wav", zone.name));
        let loudspeaker = files.directory.join(format!("{}-loudspeaker.wav", zone.name));
        write(&line, rate, samples.iter().copied())?;
        let since = began.unwrap_or_else(Instant::now);
        let mut page = Contact::new(&zone.trigger, movements, since, rate);
        let mut mute = Contact::new(&zone.mute, movements, since, rate);
        let mut music = Music::new(rate);
        let always = zone.trigger.is_empty();
        let mixed = samples.iter().map(|sample| {
            let passed = if always { 1.0 } else { page.next() };
            sample * passed + music.next() * (1.0 - mute.next())
        });
        write(&loudspeaker, rate, mixed)?;
        let step = (LEVEL_STEP.as_secs_f64() * f64::from(rate)) as usize;
        out.push(ZoneRecording {
            zone: zone.name.clone(),
            line,
            loudspeaker,
            levels: samples.chunks(step.max(1)).map(rms).collect(),
        });
    }
    Ok(Recordings { zones: out, began })
}

/// The file does not say when it began; the first audible sample does, since it comes one lead after the first
/// movement of the zone's relays.
fn beginning(zone: &Zone, samples: &[f32], rate: u32, movements: &[Movement]) -> Option<Instant> {
    let first = samples.iter().position(|s| s.abs() > AUDIBLE)?;
    let ours = |relay: &RelayId| zone.trigger.contains(relay) || zone.mute.contains(relay);
    let seized = movements.iter().find(|m| m.operated && ours(&m.relay))?.at;
    (seized + zone.lead).checked_sub(Duration::from_secs_f64(first as f64 / f64::from(rate)))
}

fn rms(samples: &[f32]) -> f32 {
    (samples.iter().map(|s| s * s).sum::<f32>() / samples.len().max(1) as f32).sqrt()
}

/// The operated side of a zone's relays, sample by sample: 1.0 when all of them are operated.
struct Contact {
    /// Sample number and new state.
    changes: std::iter::Peekable<std::vec::IntoIter<(u64, bool)>>,
    at: u64,
    closed: bool,
    now: f32,
    slew: f32,
}

impl Contact {
    fn new(relays: &[RelayId], movements: &[Movement], began: Instant, rate: u32) -> Self {
        let mut operated: Vec<bool> = relays.iter().map(|_| false).collect();
        let mut changes = Vec::new();
        for movement in movements {
            let Some(i) = relays.iter().position(|r| *r == movement.relay) else {
                continue;
            };
            if let Some(one) = operated.get_mut(i) {
                *one = movement.operated;
            }
            let after = movement.at.saturating_duration_since(began);
            let sample = (after.as_secs_f64() * f64::from(rate)) as u64;
            changes.push((sample, operated.iter().all(|o| *o)));
        }
        Contact {
            changes: changes.into_iter().peekable(),
            at: 0,
            closed: false,
            now: 0.0,
            slew: (1.0 / (CONTACT.as_secs_f64() * f64::from(rate))) as f32,
        }
    }

    fn next(&mut self) -> f32 {
        while let Some((_, closed)) = self.changes.next_if(|(sample, _)| *sample <= self.at) {
            self.closed = closed;
        }
        self.at += 1;
        let step = if self.closed { self.slew } else { -self.slew };
        self.now = (self.now + step).clamp(0.0, 1.0);
        self.now
    }
}

/// Background music: four chords, plucked note by note, over and over.
struct Music {
    rate: f32,
    at: u64,
    /// Phase and loudness of each string.
    strings: [(f32, f32); 4],
}

impl Music {
    /// Seconds from note to note, and for a note to fall to 1/e.
    const NOTE: f32 = 0.25;
    const FADE: f32 = 0.6;
    const LEVEL: f32 = 0.035;
    /// Hz; D minor, B flat, F, C.
    const CHORDS: [[f32; 4]; 4] = [
        [146.83, 220.00, 293.66, 349.23],
        [116.54, 174.61, 233.08, 293.66],
        [174.61, 220.00, 261.63, 349.23],
        [130.81, 196.00, 261.63, 329.63],
    ];

    fn new(rate: u32) -> Self {
        Music {
            rate: rate as f32,
            at: 0,
            strings: [(0.0, 0.0); 4],
        }
    }

    fn next(&mut self) -> f32 {
        let note_length = (Self::NOTE * self.rate) as u64;
        let note = self.at / note_length.max(1);
        let [played, chord] = [note % 4, note / 8 % 4].map(|n| n as usize);
        if self.at.is_multiple_of(note_length.max(1))
            && let Some(string) = self.strings.get_mut(played)
        {
            *string = (0.0, 1.0);
        }
        self.at += 1;
        let pitches = Self::CHORDS.get(chord).copied().unwrap_or_default();
        let fade = (-1.0 / (Self::FADE * self.rate)).exp();
        let mut sum = 0.0;
        for ((phase, loudness), pitch) in self.strings.iter_mut().zip(pitches) {
            *phase = (*phase + pitch / self.rate).fract();
            *loudness *= fade;
            let angle = *phase * std::f32::consts::TAU;
            sum += *loudness * (angle.sin() + 0.3 * (2.0 * angle).sin());
        }
        sum * Self::LEVEL
    }
}

/// The sampling rate and every channel, full scale ±1.0.
fn read(path: &Path) -> Result<(u32, Vec<Vec<f32>>), DemoError> {
    let fail = |cause| DemoError::Recording {
        path: path.to_owned(),
        cause,
    };
    let mut reader = hound::WavReader::open(path).map_err(fail)?;
    let spec = reader.spec();
    let all: Vec<f32> = match spec.sample_format {
        hound::SampleFormat::Float => reader.samples::<f32>().collect::<Result<_, _>>(),
        hound::SampleFormat::Int => {
            let scale = 2f32.powi(1 - i32::from(spec.bits_per_sample));
            let samples = reader.samples::<i32>();
            samples.map(|s| s.map(|s| s as f32 * scale)).collect()
        }
    }
    .map_err(fail)?;
    let count = usize::from(spec.channels.max(1));
    let channels = (0..count)
        .map(|channel| all.iter().skip(channel).step_by(count).copied().collect())
        .collect();
    Ok((spec.sample_rate, channels))
}

/// Mono, 16 bit.
fn write(path: &Path, rate: u32, samples: impl Iterator<Item = f32>) -> Result<(), DemoError> {
    let fail = |cause| DemoError::Recording {
        path: path.to_owned(),
        cause,
    };
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: rate,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).map_err(fail)?;
    for sample in samples {
        writer.write_sample((sample * 32767.0) as i16).map_err(fail)?;
    }
    writer.finalize().map_err(fail)
}
