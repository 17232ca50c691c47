//! DTMF in the audio: which key of the dial pad is pressed (ITU-T Q.23, Q.24).
//!
//! Every 4 ms the last 16 ms are looked at through eight filters, one for each frequency of Q.23. From the turn of a
//! filter's output between two looks follows the tone's own frequency, to within 2 Hz, and from that its level; what
//! is left of the signal when the two tones are taken away tells a key from speech. A key is heard once tones that
//! hold their frequencies have lasted long enough. Lengths are measured by the sum of levels over time, which does not
//! depend on where the looks fall.
//!
//! What is accepted and what is not (Q.24 gives national limits; these lie between the "must" and the "must not"):
//!
//! | | must | must not | here |
//! |---|---|---|---|
//! | frequency, both tones | ±1.5 % and 2 Hz | ±3.5 % | [`OFFSET`] |
//! | length | 40 ms | 23 ms | [`LENGTH`] |
//! | interruption that does not end a key | 10 ms | 40 ms | [`PAUSE`] |
//! | level of each tone | 0 to −25 dBm0 | below −29 dBm0 | [`FAINTEST`] |
//! | level of the high tone above the low one | −8 to +8 dB | | [`TWIST`] |
//!
//! Europe and North America name opposite signs of twist normal and give them 8 and 4 dB; the wider limit stands on
//! both sides.

use std::f32::consts::{PI, TAU};

use super::decimate::{Decimator, TAPS};
use super::weights::{dot, hann_response};

/// Low and high frequencies, Hz (Q.23 §6), and their keys.
const FREQUENCIES: [f32; 8] = [697.0, 770.0, 852.0, 941.0, 1209.0, 1336.0, 1477.0, 1633.0];
const KEYS: [[u8; 4]; 4] = [*b"123A", *b"456B", *b"789C", *b"*0#D"];

/// Sampling rate that everything works at, Hz.
const RATE: usize = 8000;
/// Longest ratio of rates, and where the low-pass before it cuts: what folds back lies above 3 kHz, far from every tone.
const MAX_FACTOR: usize = 6;
const CUT: f32 = 3800.0 / RATE as f32;
/// One look, and the steps between looks, samples.
const WINDOW: usize = 128;
const STEP: usize = 32;

/// Largest deviation of a tone, as a share of its frequency: in one look, and on the average of a key.
const OFFSET_ONCE: f32 = 0.032;
pub const OFFSET: f32 = 0.026;
/// Largest difference between the tones' levels, dB.
pub const TWIST: f32 = 9.0;
/// Faintest tone, dBm0 by G.711's scale, where a sine of full amplitude is +3.17 dBm0.
pub const FAINTEST: f32 = -28.0;
/// Shortest key, s.
pub const LENGTH: f32 = 0.033;
/// Shortest pause that ends a key, s.
pub const PAUSE: f32 = 0.022;
/// Largest share of the power that is in neither tone.
const REST: f32 = 0.25;
/// The same on the average of a key.
const MEAN_REST: f32 = 0.12;
/// Looks that must show a key.
const LOOKS: u32 = 4;
/// Longest stretch without a look that shows the key, looks.
const MAX_MISSES: u32 = 25;
/// Longest loss of audio that a key may go through, samples: a pause could not hide in it.
const MAX_LOSS: usize = RATE * 40 / 1000;
/// Largest change of a tone's frequency from look to look, as a share, and of its level from the least to the most.
const WANDER: f32 = 0.012;
const SWELL: f32 = 1.6;
/// Share of their level that tones keep in a look whose middle they reach and pass (half a window gives 0.5).
const SOUNDING: f32 = 0.6;
/// Keys kept until they are fetched.
const MAX_FOUND: usize = 8;
/// High-pass against hum, Hz.
const HUM: f32 = 120.0;

/// What one look shows.
#[derive(Debug, Clone, Copy)]
struct Look {
    /// Output of each filter as amplitude, full scale 1.
    levels: [f32; 8],
    /// Best low and high filter.
    low: usize,
    high: usize,
    /// Deviation of both tones as a share of their frequencies; unknown right after a loss.
    offsets: Option<[f32; 2]>,
    /// Amplitudes of both tones, and the share of the power that is in neither.
    tones: [f32; 2],
    rest: f32,
}

impl Look {
    fn key(&self) -> (usize, usize) {
        (self.low, self.high)
    }

    fn shows_key(&self) -> bool {
        let [low, high] = self.tones;
        // 1.5 dB below the limit, which counts on the average.
        let least = amplitude(FAINTEST - 1.5);
        let twist = 10f32.powf((TWIST + 1.0) / 20.0);
        low > least
            && high > least
            && low < high * twist
            && high < low * twist
            && self.rest < REST
            && self.offsets.is_none_or(|o| o.iter().all(|o| o.abs() < OFFSET_ONCE))
    }

    /// Level in the filters of a key.
    fn level(&self, (low, high): (usize, usize)) -> f32 {
        self.levels[low] + self.levels[high]
    }
}

/// Amplitude, full scale 1, of a sine so loud by G.711's scale.
pub fn amplitude(dbm0: f32) -> f32 {
    10f32.powf((dbm0 - 3.17) / 20.0)
}

/// Tones that may be a key.
#[derive(Debug, Clone, Copy)]
struct Run {
    key: (usize, usize),
    looks: u32,
    /// Sums over the looks that show the key: filter outputs, tones, their deviations (and how many), what is left.
    level: f32,
    tones: [f32; 2],
    offsets: [f32; 2],
    offset_looks: f32,
    rest: f32,
    /// Least and most of each tone.
    least: [f32; 2],
    most: [f32; 2],
    /// Deviations of the look before.
    before: Option<[f32; 2]>,
    /// Sum of filter outputs over time: divided by their mean it is the length, s.
    area: f32,
    /// Time of which the tones were absent since they were last seen, s.
    absent: f32,
    misses: u32,
    told: bool,
    /// The last look shows both tones at no less than [`SOUNDING`] of their level.
    sounding: bool,
}

impl Run {
    fn new(key: (usize, usize)) -> Self {
        Run {
            key,
            looks: 0,
            level: 0.0,
            tones: [0.0; 2],
            offsets: [0.0; 2],
            offset_looks: 0.0,
            rest: 0.0,
            least: [f32::INFINITY; 2],
            most: [0.0; 2],
            before: None,
            area: 0.0,
            absent: 0.0,
            misses: 0,
            told: false,
            sounding: true,
        }
    }

    /// A look that shows the key, `seconds` after the one before. False when a tone changes its frequency or level: it
    /// is not the same.
    fn go_on(&mut self, look: &Look, seconds: f32) -> bool {
        if let (Some(before), Some(now)) = (self.before, look.offsets)
            && before.iter().zip(now).any(|(b, n)| (b - n).abs() > WANDER)
        {
            return false;
        }
        let (mut least, mut most) = (self.least, self.most);
        for (i, tone) in look.tones.into_iter().enumerate() {
            least[i] = least[i].min(tone);
            most[i] = most[i].max(tone);
            if most[i] > SWELL * least[i] {
                return false;
            }
        }
        (self.least, self.most) = (least, most);
        self.before = look.offsets;
        self.looks += 1;
        self.level += look.level(self.key);
        self.rest += look.rest;
        for i in 0..2 {
            self.tones[i] += look.tones[i];
            if let Some(offsets) = look.offsets {
                self.offsets[i] += offsets[i];
            }
        }
        self.offset_looks += f32::from(u8::from(look.offsets.is_some()));
        self.area += look.level(self.key) * seconds;
        self.sounding = true;
        self.absent = 0.0;
        self.misses = 0;
        true
    }

    /// A look that does not show it.
    fn miss(&mut self, look: &Look, seconds: f32) {
        let mean = self.level / self.looks.max(1) as f32;
        let present = (look.level(self.key) / mean).min(1.0);
        let each = [(self.key.0, self.tones[0]), (self.key.1, self.tones[1])];
        let looks = self.looks.max(1) as f32;
        self.sounding = each.iter().all(|(i, sum)| look.levels[*i] * looks >= SOUNDING * sum);
        self.area += present * mean * seconds;
        self.absent += (1.0 - present) * seconds;
        self.misses += 1;
    }

    fn is_over(&self) -> bool {
        self.absent > PAUSE || self.misses > MAX_MISSES
    }

    /// Whether there is enough of it to judge.
    fn is_long(&self) -> bool {
        self.looks >= LOOKS && self.area * self.looks as f32 >= LENGTH * self.level
    }

    fn is_key(&self) -> bool {
        let looks = self.looks.max(1) as f32;
        let mean = self.tones.map(|t| t / looks);
        let twist = 10f32.powf(TWIST / 20.0);
        mean.iter().all(|t| *t >= amplitude(FAINTEST))
            && mean[0] <= mean[1] * twist
            && mean[1] <= mean[0] * twist
            && self.rest <= MEAN_REST * looks
            && self.offset_looks > 0.0
            && self.offsets.iter().all(|o| o.abs() <= OFFSET * self.offset_looks)
    }
}

/// Detector for one stream. Nothing is allocated after `new`.
#[derive(Debug, Clone)]
pub struct DtmfDetector {
    /// Real and imaginary part of each filter.
    filters: Box<[[[f32; WINDOW]; 2]; 8]>,
    shape: Box<[f32; WINDOW]>,
    decimator: Decimator<{ TAPS * MAX_FACTOR }>,
    hum: HighPass,
    /// The last samples, and how many since the stream began or a loss.
    line: [f32; WINDOW],
    fresh: usize,
    /// Samples taken since the last look; lost ones count.
    since: usize,
    /// Filter outputs of the last look.
    before: Option<[[f32; 2]; 8]>,
    /// Levels of the looks since the last key that was shown, newest first.
    lead: [[f32; 8]; WINDOW / STEP],
    lead_length: usize,
    after_loss: bool,
    run: Option<Run>,
    found: [u8; MAX_FOUND],
    found_length: usize,
}

impl Default for DtmfDetector {
    fn default() -> Self {
        Self::new()
    }
}

impl DtmfDetector {
    pub fn new() -> Self {
        let mut shape = Box::new([0.0; WINDOW]);
        for (i, s) in shape.iter_mut().enumerate() {
            *s = 0.5 - 0.5 * (TAU * (i as f32 + 0.5) / WINDOW as f32).cos();
        }
        let sum: f32 = shape.iter().sum();
        shape.iter_mut().for_each(|s| *s /= sum);
        let mut filters = Box::new([[[0.0; WINDOW]; 2]; 8]);
        for (filter, hz) in filters.iter_mut().zip(FREQUENCIES) {
            for i in 0..WINDOW {
                let angle = f64::from(hz) * i as f64 / RATE as f64 * std::f64::consts::TAU;
                // Twice, so that the output is the tone's amplitude.
                filter[0][i] = 2.0 * shape[i] * angle.cos() as f32;
                filter[1][i] = -2.0 * shape[i] * angle.sin() as f32;
            }
        }
        DtmfDetector {
            filters,
            shape,
            decimator: Decimator::new(1, CUT),
            hum: HighPass::new(),
            line: [0.0; WINDOW],
            fresh: 0,
            since: 0,
            before: None,
            lead: [[0.0; 8]; WINDOW / STEP],
            lead_length: 0,
            after_loss: false,
            run: None,
            found: [0; MAX_FOUND],
            found_length: 0,
        }
    }

    /// Takes the next samples (full scale ±1.0) at `rate`: a multiple of 8 kHz up to 48 kHz; of other rates nothing
    /// is heard.
    pub fn block(&mut self, samples: &[f32], rate: u32) {
        let factor = rate as usize / RATE;
        if !(1..=MAX_FACTOR).contains(&factor) || rate as usize != factor * RATE {
            return;
        }
        if factor != self.decimator.factor() {
            self.decimator = Decimator::new(factor, CUT);
        }
        for s in samples {
            if let Some(s) = self.decimator.push(*s) {
                self.sample(s);
            }
        }
    }

    /// Samples at `rate` were lost: what the tones did meanwhile is not known.
    pub fn lose(&mut self, samples: usize, rate: u32) {
        let lost = samples * RATE / (rate as usize).max(1);
        if lost == 0 {
            return;
        }
        if lost > MAX_LOSS {
            self.run = None;
        }
        self.fresh = 0;
        self.since += lost;
        self.before = None;
        self.lead_length = 0;
        self.after_loss = true;
    }

    /// Whether the tones of a key that was heard lasted beyond 8 ms before the samples' end.
    pub fn is_sounding(&self) -> bool {
        self.run.is_some_and(|run| run.told && run.sounding)
    }

    /// The next key that was heard: `0` to `9`, `*`, `#`, `A` to `D`.
    pub fn poll(&mut self) -> Option<char> {
        if self.found_length == 0 {
            return None;
        }
        let first = self.found[0];
        self.found.copy_within(1.., 0);
        self.found_length -= 1;
        Some(char::from(first))
    }

    fn sample(&mut self, x: f32) {
        let x = self.hum.next(x);
        self.line[self.fresh.min(WINDOW - 1)] = x;
        self.fresh += 1;
        self.since += 1;
        if self.fresh >= WINDOW {
            let look = self.look();
            self.take(&look);
            self.line.copy_within(STEP.., 0);
            self.fresh = WINDOW - STEP;
        }
    }

    fn look(&mut self) -> Look {
        let mut outputs = [[0.0; 2]; 8];
        for (output, filter) in outputs.iter_mut().zip(self.filters.iter()) {
            *output = [dot(&filter[0], &self.line), dot(&filter[1], &self.line)];
        }
        let levels = outputs.map(|[re, im]| re.hypot(im));
        let best = |from: usize| (from..from + 4).fold(from, |b, i| if levels[i] > levels[b] { i } else { b });
        let (low, high) = (best(0), best(4));
        let offsets = self.before.map(|before| {
            [low, high].map(|i| {
                let ([re, im], [old_re, old_im]) = (outputs[i], before[i]);
                let turn = (im * old_re - re * old_im).atan2(re * old_re + im * old_im);
                let step = STEP as f32 / RATE as f32;
                let due = TAU * (FREQUENCIES[i] * step).fract();
                let more = (turn - due + 3.0 * PI).rem_euclid(TAU) - PI;
                more / (TAU * step * FREQUENCIES[i])
            })
        });
        self.before = Some(outputs);
        let mut tones = [levels[low], levels[high]];
        if let Some(offsets) = offsets {
            for (tone, (offset, i)) in tones.iter_mut().zip(offsets.iter().zip([low, high])) {
                *tone /= response((offset * FREQUENCIES[i]).abs());
            }
        }
        let power: f32 = self.line.iter().zip(self.shape.iter()).map(|(x, w)| x * x * w).sum();
        let in_tones = tones.iter().map(|t| t * t / 2.0).sum::<f32>();
        Look {
            levels,
            low,
            high,
            offsets,
            tones,
            rest: (1.0 - in_tones / power.max(1e-12)).max(0.0),
        }
    }

    fn take(&mut self, look: &Look) {
        let seconds = self.since as f32 / RATE as f32;
        self.since = 0;
        if look.shows_key() {
            let goes_on = match &mut self.run {
                Some(run) if run.key == look.key() => run.go_on(look, seconds),
                _ => false,
            };
            if !goes_on {
                self.begin(look);
            }
            self.lead_length = 0;
        } else {
            if let Some(run) = &mut self.run {
                run.miss(look, STEP as f32 / RATE as f32);
                if run.is_over() {
                    self.run = None;
                }
            }
            self.lead.copy_within(..WINDOW / STEP - 1, 1);
            self.lead[0] = look.levels;
            self.lead_length = (self.lead_length + 1).min(WINDOW / STEP);
        }
        self.after_loss = false;
        if let Some(run) = &mut self.run
            && !run.told
            && run.is_long()
        {
            if !run.is_key() {
                // It may begin badly, after a loss.
                self.run = None;
                return;
            }
            run.told = true;
            if self.found_length < MAX_FOUND {
                self.found[self.found_length] = KEYS[run.key.0][run.key.1 - 4];
                self.found_length += 1;
            }
        }
    }

    /// The first look at a key. What the filters already gave while the tones filled the window counts.
    fn begin(&mut self, look: &Look) {
        let told = self.run.filter(|run| run.key == look.key()).is_some_and(|run| run.told);
        let mut run = Run::new(look.key());
        let step = STEP as f32 / RATE as f32;
        run.go_on(
            look,
            if self.after_loss {
                WINDOW as f32 / RATE as f32
            } else {
                step
            },
        );
        let full = look.level(run.key);
        let (low, high) = run.key;
        for levels in &self.lead[..self.lead_length] {
            run.area += (levels[low] + levels[high]).min(full) * step;
        }
        // Tones that changed while the key was held are the same key.
        run.told = told;
        self.run = Some(run);
    }
}

/// Output of a filter for a tone that lies `hz` beside its frequency (the transform of the Hann window).
fn response(hz: f32) -> f32 {
    // Not beyond the first zero, where it would be divided by nothing.
    hann_response((hz * WINDOW as f32 / RATE as f32).min(0.95))
}

/// Second-order Butterworth high-pass: takes mains hum down.
#[derive(Debug, Clone)]
struct HighPass {
    b: [f32; 3],
    a: [f32; 2],
    state: [f32; 2],
}

impl HighPass {
    fn new() -> Self {
        let w = (PI * HUM / RATE as f32).tan();
        let norm = 1.0 / (1.0 + std::f32::consts::SQRT_2 * w + w * w);
        HighPass {
            b: [norm, -2.0 * norm, norm],
            a: [
                2.0 * (w * w - 1.0) * norm,
                (1.0 - std::f32::consts::SQRT_2 * w + w * w) * norm,
            ],
            state: [0.0; 2],
        }
    }

    fn next(&mut self, x: f32) -> f32 {
        // One bad sample would stay for ever, and a decaying filter ends in denormal numbers.
        let x = if x.is_finite() { x.clamp(-4.0, 4.0) } else { 0.0 };
        let y = self.b[0] * x + self.state[0];
        self.state[0] = self.b[1] * x - self.a[0] * y + self.state[1];
        self.state[1] = self.b[2] * x - self.a[1] * y;
        if self.state.iter().all(|s| s.abs() < 1e-15) {
            self.state = [0.0; 2];
        }
        y
    }
}

#[cfg(test)]
mod tests;
