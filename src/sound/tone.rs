//! Tones: chimes, the caller's go-ahead beep, busy tone.
//!
//! None of them resembles an evacuation signal: ISO 8201's temporal-3 (0.5 s on, 0.5 s off, three times, then
//! 1.5 s off) is kept clear of by a test.

use std::f64::consts::{PI, TAU};
use std::time::Duration;

use super::level::Dbfs;

/// Most steps in one tone.
pub const MAX_STEPS: usize = 4;
/// Length of the raised-cosine edges, seconds: short enough to sound prompt, long enough not to click.
const EDGE: f64 = 0.005;
/// A struck tone is cut off at its end by a longer edge, seconds.
const LAST_EDGE: f64 = 0.060;
/// Decay of a struck bar's ground tone: seconds to fall to 1/e (60 dB in 2.8 s).
const DECAY: f64 = 0.4;
/// A tuned bar's second mode lies two octaves up; it is weaker and dies sooner.
const OVERTONE: f64 = 4.0;
const OVERTONE_SHARE: f64 = 0.16;
const OVERTONE_DECAY: f64 = 0.08;

/// One stretch of a tone: up to two pitches, then silence.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Hz; 0 for none.
    pub pitch: [f32; 2],
    /// dB relative to full scale, of each pitch's peak.
    pub level: Dbfs,
    pub on: Duration,
    pub off: Duration,
}

/// A tone; no heap, so that it travels to the audio thread.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tone {
    steps: [Option<Step>; MAX_STEPS],
    /// Steps decay like a struck bar instead of holding their level.
    struck: bool,
}

impl Tone {
    /// Up to four steps.
    pub fn new(steps: &[Step], struck: bool) -> Self {
        let mut all = [None; MAX_STEPS];
        for (slot, step) in all.iter_mut().zip(steps) {
            *slot = Some(*step);
        }
        Tone { steps: all, struck }
    }

    /// One struck bar, 1.5 s.
    pub fn chime_single() -> Self {
        Self::struck_bars(&[(587.33, 1500)])
    }

    /// Two struck bars, a falling fourth, 2.0 s.
    pub fn chime_double() -> Self {
        Self::struck_bars(&[(783.99, 600), (587.33, 1400)])
    }

    /// Three struck bars, rising, 2.2 s.
    pub fn chime_triple() -> Self {
        Self::struck_bars(&[(440.0, 400), (587.33, 400), (739.99, 1400)])
    }

    /// A door or night bell: two struck bars by turns, 1.6 s. Common practice, no published source.
    pub fn bell() -> Self {
        Self::struck_bars(&[(880.0, 250), (698.46, 250), (880.0, 250), (698.46, 850)])
    }

    /// Tells the caller to speak: 0.15 s of 800 Hz at −16 dBm0 (common practice, no published source).
    pub fn go_ahead() -> Self {
        Self::held(&[800.0], -16.0, 150, 0)
    }

    /// Tells the caller to wait for a zone: a soft short note every three seconds. To be repeated. This and the next two:
    /// common practice, no published source.
    pub fn waiting() -> Self {
        Self::held(&[660.0], -22.0, 120, 2880)
    }

    /// Tells the caller to speak, and that it is recorded: one long beep.
    pub fn recording() -> Self {
        Self::held(&[1000.0], -16.0, 600, 0)
    }

    /// Tells the caller that little time is left: the go-ahead beep, shorter, twice.
    pub fn warning() -> Self {
        Self::notes(&[(800.0, 80, 80), (800.0, 80, 0)])
    }

    /// Busy tone of the ITU's preference (E.180): 425 Hz, 0.5 s on, 0.5 s off. The level, −13 dBm0, is common
    /// practice. To be repeated.
    pub fn busy() -> Self {
        Self::held(&[425.0], -13.0, 500, 500)
    }

    /// Busy tone of North America (RFC 4733 Table 4): 480 + 620 Hz at −24 dBm0 each, 0.5 s on, 0.5 s off. To be
    /// repeated.
    pub fn busy_north_america() -> Self {
        Self::held(&[480.0, 620.0], -24.0, 500, 500)
    }

    /// Asks the caller for a code: two short notes, rising. This and the next two: common practice, no published source.
    pub fn code_prompt() -> Self {
        Self::notes(&[(523.25, 120, 60), (784.0, 180, 0)])
    }

    /// Asks the caller for a zone: the same short note twice.
    pub fn zone_prompt() -> Self {
        Self::notes(&[(659.25, 110, 90), (659.25, 110, 0)])
    }

    /// Tells the caller that it was wrong: two long notes, falling.
    pub fn refused() -> Self {
        Self::notes(&[(392.0, 250, 50), (294.0, 400, 0)])
    }

    /// Held notes at the level of the go-ahead beep.
    fn notes(notes: &[(f32, u64, u64)]) -> Self {
        let mut tone = Tone {
            steps: [None; MAX_STEPS],
            struck: false,
        };
        for (slot, (pitch, on, off)) in tone.steps.iter_mut().zip(notes) {
            *slot = Self::held(&[*pitch], -16.0, *on, *off).steps().next();
        }
        tone
    }

    fn struck_bars(bars: &[(f32, u64)]) -> Self {
        let mut tone = Tone {
            steps: [None; MAX_STEPS],
            struck: true,
        };
        for (slot, (pitch, on)) in tone.steps.iter_mut().zip(bars) {
            *slot = Some(Step {
                pitch: [*pitch, 0.0],
                // Level with speech at its usual −26 dBov once the bar has begun to decay.
                level: Dbfs(-15.0),
                on: Duration::from_millis(*on),
                off: Duration::ZERO,
            });
        }
        tone
    }

    /// `dbm0` by G.711's scale, where a sine of full amplitude is +3.17 dBm0.
    fn held(pitches: &[f32], dbm0: f32, on: u64, off: u64) -> Self {
        let mut pitch = [0.0; 2];
        for (slot, p) in pitch.iter_mut().zip(pitches) {
            *slot = *p;
        }
        let step = Step {
            pitch,
            level: Dbfs(dbm0 - 3.17),
            on: Duration::from_millis(on),
            off: Duration::from_millis(off),
        };
        Self::new(&[step], false)
    }

    pub fn steps(&self) -> impl Iterator<Item = Step> + '_ {
        self.steps.iter().flatten().copied()
    }

    pub fn struck(&self) -> bool {
        self.struck
    }

    /// Length of one run through all steps.
    pub fn length(&self) -> Duration {
        self.steps().map(|s| s.on + s.off).sum()
    }
}

/// A step on the sample clock, counted from the tone's beginning.
#[derive(Debug, Clone, Copy, Default)]
struct Span {
    start: u64,
    /// End of the sounding part.
    stop: u64,
    end: u64,
}

/// One sine, turned by a complex factor per sample; a factor shorter than 1 lets it die away.
#[derive(Debug, Clone, Copy, Default)]
struct Partial {
    amplitude: f64,
    at: (f64, f64),
    turn: (f64, f64),
}

impl Partial {
    fn next(&mut self) -> f64 {
        let ((re, im), (c, s)) = (self.at, self.turn);
        self.at = (re * c - im * s, re * s + im * c);
        im
    }
}

/// Two pitches, each with an overtone when struck.
const PARTIALS: usize = 4;

/// Plays a [`Tone`] at any sampling rate. No heap; click-free at every edge and seamless from call to call.
///
/// Struck steps ring on below the steps after them; held ones end with their `on`.
#[derive(Debug, Clone, Copy)]
pub struct ToneGenerator {
    spans: [Span; MAX_STEPS],
    steps: usize,
    partials: [[Partial; PARTIALS]; MAX_STEPS],
    struck: bool,
    repeat: bool,
    edge: u64,
    last_edge: u64,
    length: u64,
    at: u64,
}

impl ToneGenerator {
    /// Plays once, then is silent. `rate` in Hz.
    pub fn once(tone: &Tone, rate: u32) -> Self {
        Self::new(tone, rate, false)
    }

    /// Begins again at its end, for ever.
    pub fn repeating(tone: &Tone, rate: u32) -> Self {
        Self::new(tone, rate, true)
    }

    fn new(tone: &Tone, rate: u32, repeat: bool) -> Self {
        let hz = f64::from(rate);
        let mut new = ToneGenerator {
            spans: [Span::default(); MAX_STEPS],
            steps: 0,
            partials: [[Partial::default(); PARTIALS]; MAX_STEPS],
            struck: tone.struck,
            repeat,
            edge: (EDGE * hz) as u64,
            last_edge: (LAST_EDGE * hz) as u64,
            length: 0,
            at: 0,
        };
        let mut passed = Duration::ZERO;
        let samples = |d: Duration| (d.as_secs_f64() * hz).round() as u64;
        for (i, step) in tone.steps().enumerate() {
            new.spans[i] = Span {
                start: samples(passed),
                stop: samples(passed + step.on),
                end: samples(passed + step.on + step.off),
            };
            passed += step.on + step.off;
            new.steps = i + 1;
            new.length = new.spans[i].end;
            let level = f64::from(step.level.amplitude());
            for (p, pitch) in step.pitch.into_iter().enumerate() {
                let pitch = f64::from(pitch);
                let mut set = |slot: usize, pitch: f64, amplitude: f64, decay: f64| {
                    if pitch > 0.0 && pitch < hz * 0.45 {
                        let shrink = if tone.struck { (-1.0 / (decay * hz)).exp() } else { 1.0 };
                        let angle = TAU * pitch / hz;
                        new.partials[i][slot] = Partial {
                            amplitude,
                            at: (0.0, 0.0),
                            turn: (shrink * angle.cos(), shrink * angle.sin()),
                        };
                    }
                };
                if tone.struck {
                    set(2 * p, pitch, level * (1.0 - OVERTONE_SHARE), DECAY);
                    set(2 * p + 1, pitch * OVERTONE, level * OVERTONE_SHARE, OVERTONE_DECAY);
                } else {
                    set(2 * p, pitch, level, 0.0);
                }
            }
        }
        new
    }

    /// True once nothing more will sound. Never for a repeating tone (unless it is empty).
    pub fn finished(&self) -> bool {
        self.at >= self.length
    }

    /// Samples until it is finished; of a repeating tone, until it begins again.
    pub fn left(&self) -> u64 {
        self.length.saturating_sub(self.at)
    }

    /// Replaces what is in `out`.
    pub fn fill(&mut self, out: &mut [f32]) {
        out.fill(0.0);
        self.add_to(out);
    }

    /// Adds the tone to what is in `out`.
    pub fn add_to(&mut self, out: &mut [f32]) {
        for sample in out {
            if self.finished() {
                return;
            }
            *sample += self.next();
        }
    }

    fn next(&mut self) -> f32 {
        let at = self.at;
        let mut sum = 0.0;
        for (span, partials) in self.spans[..self.steps].iter().zip(&mut self.partials) {
            if at == span.start {
                for p in partials.iter_mut() {
                    p.at = (p.amplitude, 0.0);
                }
            }
            let stop = if self.struck { self.length } else { span.stop };
            if at < span.start || at >= stop {
                continue;
            }
            let voice: f64 = partials.iter_mut().map(Partial::next).sum();
            let last = if self.struck { self.last_edge } else { self.edge };
            let half = (stop - span.start) / 2;
            let rise = edge(at - span.start, self.edge.min(half));
            let fall = edge(stop - 1 - at, last.min(half));
            sum += voice * rise * fall;
        }
        self.at += 1;
        if self.repeat && self.at == self.length {
            self.at = 0;
        }
        sum as f32
    }
}

/// Raised cosine from 0 at `at` = 0 to 1 at `length`.
fn edge(at: u64, length: u64) -> f64 {
    if at >= length {
        return 1.0;
    }
    0.5 - 0.5 * (PI * at as f64 / length as f64).cos()
}

#[cfg(test)]
mod tests;
