//! Mains hum on a line that nobody speaks on: how loud it is, and of which mains.
//!
//! Ten times a second the last 0.2 s are looked at at the first harmonics of 50 Hz and of 60 Hz. A line of the spectrum
//! turns by the same angle from look to look: what stays together when the looks are turned back and averaged is hum,
//! what cancels is noise. The angle gives the line's own frequency, and hum is only what all belongs to one mains
//! frequency, so a bass note is none. The figures are our own (no published source) but where they say otherwise.

use std::f32::consts::{PI, TAU};

use super::decimate::{Decimator, TAPS};
use super::level::Dbfs;
use super::weights::{correlate, hann_response, turned};

/// Hum from here on is worth a warning, and below the other no longer: speech is brought to −20 dBFS, and hum 35 dB
/// below it is heard in every pause (common practice, no published source).
pub const LOUD: Dbfs = Dbfs(-55.0);
pub const FAINT: Dbfs = Dbfs(-60.0);
/// For so long without a break before a warning begins or ends, looks (5 s).
const STAND: u32 = 50;
/// The level may vary by so much meanwhile, dB: music does more.
const STEADY: f32 = 6.0;
/// Most deviation of the mains frequency, Hz: grids keep within 1 % (EN 50160).
pub const DEVIATION: f32 = 0.7;
/// Hum so far below everything else on the line is not heard there, dB.
const MASKED: f32 = 20.0;
/// Harmonics of one mains belong together within this, Hz of the fundamental.
const AGREEMENT: f32 = 0.2;

/// Harmonics looked at; one of the first [`PRINCIPAL`] must be there.
const HARMONICS: usize = 6;
const PRINCIPAL: usize = 3;
const MAINS: [f32; 2] = [50.0, 60.0];
/// Rates from which the detector works, Hz: it decimates to between 3 and 6 kHz.
const LOWEST_RATE: u32 = 4000;
const WORKING_RATE: u32 = 3000;
const MOST: usize = 64;
/// The low-pass, as a share of the working rate.
const CUT: f32 = 0.25;
/// A look, and the step between looks, seconds; most samples of a look.
const STEP: f32 = 0.1;
const WINDOW: usize = 2 * WORKING_RATE as usize * 2 / 10;
/// Time constant of the averages, looks.
const AVERAGE: f32 = 20.0;
/// Looks until an average is believed.
const FIRST: u32 = 15;
/// Share of a band's power that must stay together.
const COHERENCE: f32 = 0.6;

/// Hum on a line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hum {
    /// 50 or 60 Hz.
    pub mains: u32,
    /// RMS of all its harmonics together.
    pub level: Dbfs,
    /// RMS of everything else on the line.
    pub noise: Dbfs,
    /// The strongest harmonic, counted from 1. The first or third points at magnetic fields or earth loops, the second at
    /// a power supply (common practice, no published source).
    pub strongest: u32,
}

/// What changes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Change {
    /// Hum has stood above [`LOUD`] for 5 s.
    Begins(Hum),
    /// It has been below [`FAINT`] for 5 s of listening.
    Ends,
}

/// Hum detector of one line input, to be fed while nothing else is heard there. Nothing is allocated.
#[derive(Debug, Clone)]
pub struct HumDetector {
    decimator: Decimator<{ TAPS * MOST }>,
    rate: u32,
    line: [f32; WINDOW],
    filled: usize,
    /// Output of each band in the look before and the one before that.
    before: [Option<[[[f32; 2]; HARMONICS]; 2]>; 2],
    bands: [[Band; HARMONICS]; 2],
    looks: u32,
    /// Mean of the line over `AVERAGE` looks, and mean square without it, over the same.
    offset: f32,
    power: f32,
    /// Sums since the last look.
    sum: f32,
    square: f32,
    count: usize,
    standing: Standing,
    warned: bool,
}

/// Averages of one harmonic. Complex ones are the product of a look with the one before it.
#[derive(Debug, Clone, Copy, Default)]
struct Band {
    power: f32,
    /// With the look two steps back: the windows do not overlap, so noise cancels.
    together: [f32; 2],
    /// With the one before: its angle is not ambiguous.
    turn: [f32; 2],
}

/// For how long the hum has been what it is.
#[derive(Debug, Clone, Copy)]
struct Standing {
    loud: u32,
    faint: u32,
    least: f32,
    most: f32,
    mains: u32,
}

impl Standing {
    const NONE: Self = Standing {
        loud: 0,
        faint: 0,
        least: f32::INFINITY,
        most: f32::NEG_INFINITY,
        mains: 0,
    };
}

impl Default for HumDetector {
    fn default() -> Self {
        Self::new()
    }
}

impl HumDetector {
    pub fn new() -> Self {
        HumDetector {
            decimator: Decimator::new(1, CUT),
            rate: 0,
            line: [0.0; WINDOW],
            filled: 0,
            before: [None; 2],
            bands: [[Band::default(); HARMONICS]; 2],
            looks: 0,
            offset: 0.0,
            power: 0.0,
            sum: 0.0,
            square: 0.0,
            count: 0,
            standing: Standing::NONE,
            warned: false,
        }
    }

    /// Takes the next samples (full scale ±1.0) at `rate`, 4 to 192 kHz; of other rates nothing is heard. Any number of
    /// samples at a time. A look, ten times a second, costs more than the samples between.
    pub fn hear(&mut self, samples: &[f32], rate: u32) -> Option<Change> {
        if rate != self.rate {
            *self = HumDetector {
                rate,
                decimator: Decimator::new((rate / WORKING_RATE) as usize, CUT),
                warned: self.warned,
                ..Self::new()
            };
        }
        if !(LOWEST_RATE..=WORKING_RATE * MOST as u32).contains(&rate) {
            return None;
        }
        let mut change = None;
        for x in samples {
            let x = if x.is_finite() { x.clamp(-2.0, 2.0) } else { 0.0 };
            self.sum += x;
            self.square += x * x;
            self.count += 1;
            if let Some(x) = self.decimator.push(x) {
                self.line[self.filled] = x;
                self.filled += 1;
                if self.filled == 2 * self.step() {
                    change = self.look().or(change);
                }
            }
        }
        change
    }

    /// Something else was on the line, or samples are missing: what comes next does not join what came before. Whether a
    /// warning stands is kept.
    pub fn interrupt(&mut self) {
        *self = HumDetector {
            rate: self.rate,
            decimator: self.decimator.clone(),
            warned: self.warned,
            ..Self::new()
        };
    }

    /// Whether a warning stands.
    pub fn is_warned(&self) -> bool {
        self.warned
    }

    /// What the last two seconds or so show: hum however faint, as long as it stands out of what else there is.
    pub fn hum(&self) -> Option<Hum> {
        if self.looks < FIRST {
            return None;
        }
        let [fifty, sixty] = [0, 1].map(|m| self.series(m));
        let (m, (power, strongest)) = match (fifty, sixty) {
            (Some(a), Some(b)) if b.0 > a.0 => (1, b),
            (Some(a), _) => (0, a),
            (None, b) => (1, b?),
        };
        let hum = Hum {
            mains: MAINS[m] as u32,
            level: Dbfs::of(power.sqrt()),
            noise: Dbfs::of((self.power - power).max(0.0).sqrt()),
            strongest: strongest as u32 + 1,
        };
        (hum.level.0 > hum.noise.0 - MASKED).then_some(hum)
    }

    /// Samples from one look to the next at the working rate.
    fn step(&self) -> usize {
        (self.working_rate() * STEP) as usize
    }

    fn working_rate(&self) -> f32 {
        self.rate as f32 / self.decimator.factor() as f32
    }

    fn look(&mut self) -> Option<Change> {
        let mut now = [[[0.0; 2]; HARMONICS]; 2];
        let step = self.step();
        let mut window = [0.0f32; WINDOW];
        let sum: f32 = step as f32;
        for (i, (w, x)) in window[..2 * step].iter_mut().zip(&self.line).enumerate() {
            *w = x * (0.5 - 0.5 * (PI * (i as f32 + 0.5) / step as f32).cos()) / sum;
        }
        for (m, k) in indices() {
            now[m][k] = correlate(&window[..2 * step], hertz(m, k) / self.working_rate());
        }
        let share = 1.0 / AVERAGE.min(self.looks as f32 + 1.0);
        if let (Some(last), Some(earlier)) = (self.before[0], self.before[1]) {
            for (m, k) in indices() {
                // The working rate need not be a whole number of steps a second.
                let due = TAU * hertz(m, k) * step as f32 / self.working_rate();
                self.bands[m][k].take(now[m][k], last[m][k], earlier[m][k], due, share);
            }
            self.looks = self.looks.saturating_add(1);
        }
        self.before = [Some(now), self.before[0]];
        self.line.copy_within(step..2 * step, 0);
        self.filled = step;
        let count = self.count.max(1) as f32;
        self.offset += (self.sum / count - self.offset) * share;
        let offset = self.offset;
        let square = self.square / count - 2.0 * offset * self.sum / count + offset * offset;
        self.power += (square.max(0.0) - self.power) * share;
        (self.sum, self.square, self.count) = (0.0, 0.0, 0);
        self.judge()
    }

    fn judge(&mut self) -> Option<Change> {
        if self.looks < FIRST {
            return None;
        }
        let hum = self.hum();
        let level = hum.map_or(f32::NEG_INFINITY, |h| h.level.0);
        let s = &mut self.standing;
        s.faint = if level < FAINT.0 { s.faint + 1 } else { 0 };
        match hum {
            Some(hum) if level >= LOUD.0 => {
                let (least, most) = (s.least.min(level), s.most.max(level));
                if hum.mains != s.mains || most - least > STEADY {
                    (s.mains, s.least, s.most, s.loud) = (hum.mains, level, level, 0);
                } else {
                    (s.least, s.most) = (least, most);
                }
                s.loud += 1;
            }
            _ => (s.loud, s.mains) = (0, 0),
        }
        if !self.warned && s.loud >= STAND {
            self.warned = true;
            return hum.map(Change::Begins);
        }
        if self.warned && s.faint >= STAND {
            self.warned = false;
            return Some(Change::Ends);
        }
        None
    }

    /// Power of the harmonics that belong to one mains frequency, and which is the strongest.
    fn series(&self, m: usize) -> Option<(f32, usize)> {
        let mut lines = [None; HARMONICS];
        let mut strongest: Option<usize> = None;
        for (k, line) in lines.iter_mut().enumerate() {
            *line = self.bands[m][k].line(m, k);
            let Some((power, _)) = *line else { continue };
            let best = strongest.and_then(|s| self.bands[m][s].line(m, s));
            if best.is_none_or(|(most, _)| power > most) {
                strongest = Some(k);
            }
        }
        let strongest = strongest?;
        let (_, mains) = lines[strongest]?;
        let belongs = |line: &Option<(f32, f32)>| line.filter(|(_, f)| (f - mains).abs() < AGREEMENT);
        lines[..PRINCIPAL].iter().find_map(belongs)?;
        let power = lines.iter().filter_map(belongs).map(|(p, _)| p).sum();
        Some((power, strongest))
    }
}

impl Band {
    fn take(&mut self, now: [f32; 2], last: [f32; 2], earlier: [f32; 2], due: f32, share: f32) {
        let power = now[0] * now[0] + now[1] * now[1];
        let products = [(&mut self.together, earlier, 2.0 * due), (&mut self.turn, last, due)];
        for (mean, old, due) in products {
            let [re, im] = turned(
                [now[0] * old[0] + now[1] * old[1], now[1] * old[0] - now[0] * old[1]],
                -due,
            );
            mean[0] += (re - mean[0]) * share;
            mean[1] += (im - mean[1]) * share;
        }
        self.power += (power - self.power) * share;
    }

    /// If there is a line here: its mean square, and the mains frequency that it belongs to.
    fn line(&self, m: usize, k: usize) -> Option<(f32, f32)> {
        let together = self.together[0].hypot(self.together[1]);
        if together <= 1e-14 || together < COHERENCE * self.power {
            return None;
        }
        let off = self.turn[1].atan2(self.turn[0]) / (TAU * STEP);
        let mains = MAINS[m] + off / (k + 1) as f32;
        ((mains - MAINS[m]).abs() <= DEVIATION).then(|| (2.0 * together / response(off).powi(2), mains))
    }
}

fn indices() -> impl Iterator<Item = (usize, usize)> {
    (0..2).flat_map(|m| (0..HARMONICS).map(move |k| (m, k)))
}

fn hertz(m: usize, k: usize) -> f32 {
    MAINS[m] * (k + 1) as f32
}

/// Share of a sine's amplitude that the window leaves when it lies `hz` beside the frequency (transform of the Hann
/// window).
fn response(hz: f32) -> f32 {
    hann_response(hz * 2.0 * STEP)
}

#[cfg(test)]
mod tests;
