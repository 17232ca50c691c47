//! Signals for setting up and proving a line: tone, sweep, noise with the spectrum of speech, pulses of one polarity, counted beeps.

use std::f64::consts::{PI, TAU};
use std::time::Duration;

use super::RATE;
use super::filter::{Filter, Shape};
use super::level::{Db, Dbfs};
use super::leveller::SPEECH_LEVEL;

/// Longest signal.
pub const MAX_LENGTH: Duration = Duration::from_secs(600);
/// Frequencies that may be asked for, Hz.
pub const LOWEST: f64 = 20.0;
pub const HIGHEST: f64 = 20_000.0;
/// Most beeps in a row.
pub const MAX_BEEPS: u8 = 20;

/// What all of them come to: the level of a sine with the same RMS. Pulses: the level of a sine with the same peak.
const NATIVE: Dbfs = Dbfs(-12.0);
/// A steady signal begins this much softer and rises for so long, so that a hand can get to the volume.
pub const RISE: f64 = 1.5;
const RISE_DB: f64 = 30.0;
/// Raised-cosine edges, and the fade of one that is ended, seconds.
const EDGE: f64 = 0.010;
/// A beep, the rest after it, and the rest after the last one, seconds.
const BEEP: (f64, f64, f64) = (0.18, 0.22, 1.2);
const BEEP_HZ: f64 = 700.0;
/// A pulse, and how often it comes, seconds. Its return below zero is 1/[`RETURN`] as high and as many times as long, so that it passes
/// transformers.
const PULSE: f64 = 0.001;
const PULSE_EVERY: f64 = 0.5;
const RETURN: f64 = 10.0;
const OPENS: f64 = 0.03;
const HARDLY: f64 = 0.001;

/// What is played.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Signal {
    Tone {
        hz: f64,
    },
    /// Logarithmic, over its whole length.
    Sweep {
        from: f64,
        to: f64,
    },
    /// Long-term spectrum of a male voice (IEC 60268-16 test signal; octave levels from memory), steady.
    Noise,
    /// Two pulses a second whose first and high peak goes up.
    Polarity,
    /// So many beeps, a rest, and again.
    Beeps {
        count: u8,
    },
}

impl Signal {
    /// What is wrong with it, for whoever asked.
    ///
    /// # Errors
    /// A frequency or a count out of range.
    pub fn check(self) -> Result<Self, String> {
        let heard = |hz: f64| match (LOWEST..=HIGHEST).contains(&hz) {
            true => Ok(()),
            false => Err(format!("{hz} Hz; wanted {LOWEST} to {HIGHEST} Hz")),
        };
        match self {
            Signal::Tone { hz } => heard(hz)?,
            Signal::Sweep { from, to } => heard(from).and_then(|()| heard(to))?,
            Signal::Beeps { count } if count == 0 || count > MAX_BEEPS => {
                return Err(format!("{count} beeps; wanted 1 to {MAX_BEEPS}"));
            }
            Signal::Noise | Signal::Polarity | Signal::Beeps { .. } => {}
        }
        Ok(self)
    }

    /// The one frequency that it has.
    pub fn frequency(self) -> Option<f64> {
        match self {
            Signal::Tone { hz } => Some(hz),
            Signal::Beeps { .. } => Some(BEEP_HZ),
            Signal::Sweep { .. } | Signal::Noise | Signal::Polarity => None,
        }
    }

    /// Gain for it to come to this level: of a sine with the same RMS, of pulses with the same peak.
    pub fn gain_to(level: Dbfs) -> Db {
        Db(level.0 - NATIVE.0)
    }

    /// Gain for it to be as loud as levelled speech.
    pub fn gain_as_speech() -> Db {
        Self::gain_to(as_speech())
    }
}

/// How many beeps tell the zone with that place in the config, from 0.
pub fn beeps_of(place: usize) -> u8 {
    u8::try_from(place + 1).unwrap_or(MAX_BEEPS).min(MAX_BEEPS)
}

/// So many beeps and the rest after them.
pub fn round(count: u8) -> Duration {
    Duration::from_secs_f64(beeps_round(count))
}

fn beeps_round(count: u8) -> f64 {
    let (on, off, rest) = BEEP;
    f64::from(count) * (on + off) + rest
}

/// The level of a sine with the RMS of levelled speech.
pub fn as_speech() -> Dbfs {
    Dbfs(SPEECH_LEVEL.0 + 3.0103)
}

/// A signal at work; 48 kHz, no heap.
#[derive(Debug, Clone)]
pub struct Probe {
    signal: Signal,
    at: u64,
    length: u64,
    /// Where it fades out: its end, or where it was ended.
    stop: u64,
    phase: f64,
    noise: Noise,
}

impl Probe {
    /// At most [`MAX_LENGTH`] long.
    pub fn new(signal: Signal, length: Duration) -> Self {
        let length = (length.min(MAX_LENGTH).as_secs_f64() * f64::from(RATE)) as u64;
        Probe {
            signal,
            at: 0,
            length,
            stop: length,
            phase: 0.0,
            noise: Noise::new(),
        }
    }

    pub fn is_over(&self) -> bool {
        self.at >= self.stop
    }

    /// Fades now.
    pub fn end(&mut self) {
        self.stop = self.stop.min(self.at + (EDGE * f64::from(RATE)) as u64);
    }

    /// Replaces what is in `out`; silence at the end.
    pub fn fill(&mut self, out: &mut [f32]) {
        for sample in out {
            *sample = if self.is_over() { 0.0 } else { self.next() as f32 };
        }
    }

    fn next(&mut self) -> f64 {
        let rate = f64::from(RATE);
        let seconds = self.at as f64 / rate;
        let left = (self.stop - self.at) as f64 / rate;
        self.at += 1;
        let amplitude = f64::from(NATIVE.amplitude());
        let edges = edge(seconds, EDGE) * edge(left, EDGE);
        let rise = match self.signal {
            Signal::Tone { .. } | Signal::Noise => 10f64.powf(-RISE_DB * (1.0 - seconds / RISE).max(0.0) / 20.0),
            Signal::Sweep { .. } | Signal::Polarity | Signal::Beeps { .. } => 1.0,
        };
        let sample = match self.signal {
            Signal::Tone { hz } => self.sine(hz),
            Signal::Sweep { from, to } => {
                let share = seconds * rate / self.length as f64;
                self.sine(from * (to / from).powf(share))
            }
            // A sine's RMS is 3 dB below its peak.
            Signal::Noise => self.noise.next() * 0.5f64.sqrt(),
            // Clear of the edges. What is hardly there at the beginning opens the voice, which would soften the first pulse.
            Signal::Polarity => {
                pulse((seconds + PULSE_EVERY / 2.0) % PULSE_EVERY) + if seconds < OPENS { HARDLY } else { 0.0 }
            }
            Signal::Beeps { count } => {
                let (on, off, _) = BEEP;
                let at = seconds % beeps_round(count);
                let (number, within) = ((at / (on + off)).floor(), at % (on + off));
                match number < f64::from(count) && within < on {
                    true => self.sine(BEEP_HZ) * edge(within, EDGE) * edge(on - within, EDGE),
                    false => 0.0,
                }
            }
        };
        sample * amplitude * edges * rise
    }

    fn sine(&mut self, hz: f64) -> f64 {
        let sample = (TAU * self.phase).sin();
        self.phase = (self.phase + hz / f64::from(RATE)).fract();
        sample
    }
}

/// Half a sine up, then a long and low one down: no direct current is left.
fn pulse(at: f64) -> f64 {
    if at < PULSE {
        (PI * at / PULSE).sin()
    } else if at < PULSE * (1.0 + RETURN) {
        -(PI * (at - PULSE) / (PULSE * RETURN)).sin() / RETURN
    } else {
        0.0
    }
}

/// Raised cosine from 0 at 0 to 1 at `length`.
fn edge(at: f64, length: f64) -> f64 {
    0.5 - 0.5 * (PI * (at / length).clamp(0.0, 1.0)).cos()
}

/// Noise with the spectrum of a male voice, RMS 1: pink noise through a low-pass of first order, without what lies below speech.
#[derive(Debug, Clone)]
struct Noise {
    state: u64,
    pink: [Section; PINK.len()],
    low_pass: Section,
    high_pass: Filter,
}

/// Poles whose zeros lie an octave above, every two octaves: −3 dB for each octave, within half a dB. Hz.
const PINK: [f64; 5] = [25.0, 100.0, 400.0, 1600.0, 6400.0];
const SPEECH_CORNER: f64 = 300.0;
const SPEECH_BEGINS: f64 = 90.0;
/// Brings it to an RMS of 1; measured by the test.
const UNITY: f64 = 56.6;

impl Noise {
    fn new() -> Self {
        Noise {
            state: 0x9e37_79b9_7f4a_7c15,
            pink: PINK.map(|pole| Section::new(pole, Some(2.0 * pole))),
            low_pass: Section::new(SPEECH_CORNER, None),
            high_pass: Filter::new(
                Shape::HighPass {
                    frequency: SPEECH_BEGINS,
                    q: super::filter::BUTTERWORTH,
                },
                RATE,
            ),
        }
    }

    fn next(&mut self) -> f64 {
        // Marsaglia's xorshift (Journal of Statistical Software 8, 2003; 13, 7, 17): repeats after 12 million years.
        self.state ^= self.state << 13;
        self.state ^= self.state >> 7;
        self.state ^= self.state << 17;
        let white = (self.state >> 11) as f64 / (1u64 << 52) as f64 - 1.0;
        let pink = self.pink.iter_mut().fold(white, |x, section| section.next(x));
        let mut one = [(self.low_pass.next(pink) * UNITY) as f32];
        self.high_pass.process(&mut one);
        f64::from(one[0])
    }
}

/// A pole and a zero, gain 1 at 0 Hz, by the bilinear transform.
#[derive(Debug, Clone, Copy)]
struct Section {
    b: [f64; 2],
    a: f64,
    before: (f64, f64),
}

impl Section {
    fn new(pole: f64, zero: Option<f64>) -> Self {
        let tan = |hz: f64| (PI * hz / f64::from(RATE)).tan();
        let p = tan(pole);
        // (1 + s/z) / (1 + s/p) with s = (1 - 1/Z)/(1 + 1/Z); without a zero: 1 / (1 + s/p).
        let (b0, b1) = match zero.map(tan) {
            Some(z) => (1.0 + 1.0 / z, 1.0 - 1.0 / z),
            None => (1.0, 1.0),
        };
        let (a0, a1) = (1.0 + 1.0 / p, 1.0 - 1.0 / p);
        Section {
            b: [b0 / a0, b1 / a0],
            a: a1 / a0,
            before: (0.0, 0.0),
        }
    }

    fn next(&mut self, x: f64) -> f64 {
        let y = self.b[0] * x + self.b[1] * self.before.0 - self.a * self.before.1;
        self.before = (x, y);
        y
    }
}

#[cfg(test)]
mod tests;
