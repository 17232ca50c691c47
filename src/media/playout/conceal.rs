//! Concealment of missing G.711 audio: pitch-based waveform substitution, of the class of G.711 Appendix I.
//!
//! The last pitch periods before the gap are repeated: one at first, then two, then three, so that a long gap does
//! not buzz; the level falls to silence; at both ends the waveforms are joined without a step.

use super::pitch;

/// History needed, ms: the correlation window and the longest period, or three periods and a quarter.
const HISTORY_MS: usize = 52;
/// After this much a longer pattern is repeated, ms.
const PATTERN_MS: usize = 10;
const MAX_HISTORY: usize = 48 * HISTORY_MS;
/// Below this correlation a sound has no pitch.
const VOICED: f32 = 0.5;

pub struct Concealer {
    rate: usize,
    /// The end of the audio before the gap.
    history: [f32; MAX_HISTORY],
    len: usize,
    period: usize,
    /// Periods in the pattern that is repeated now, and the place in it.
    periods: usize,
    position: usize,
    /// Step to be smoothed away at the start.
    step: f32,
    made: usize,
    /// Full level until here, then falling to silence at the second, samples.
    hold: usize,
    silent: usize,
}

impl Concealer {
    pub fn new() -> Self {
        Concealer {
            rate: 8000,
            history: [0.0; MAX_HISTORY],
            len: 0,
            period: 1,
            periods: 1,
            position: 0,
            step: 0.0,
            made: 0,
            hold: 0,
            silent: 0,
        }
    }

    /// Starts a gap after `past`. With little or no past, silence.
    pub fn begin(&mut self, past: &[f32], rate: u32) {
        self.rate = rate as usize;
        self.len = (HISTORY_MS * self.rate / 1000).min(past.len());
        self.history[..self.len].copy_from_slice(&past[past.len() - self.len..]);
        self.made = 0;
        self.position = 0;
        self.periods = 1;
        let past = &self.history[..self.len];
        let (period, correlation) = pitch::at_end(past, rate).unwrap_or((0, 0.0));
        let voiced = correlation >= VOICED;
        if voiced {
            self.period = period;
        } else {
            // Noise: the longest pattern there is, so that its repetition is not heard as a pitch.
            self.period = (pitch::MAX_PERIOD_MS * self.rate / 1000).min(self.len * 3 / 4).max(1);
        }
        self.step = match self.len {
            0 => 0.0,
            n if n > self.period => past[n - 1] - self.pattern(self.period - 1),
            n => past[n - 1],
        };
        let ms = self.rate / 1000;
        (self.hold, self.silent) = (10 * ms, 60 * ms);
    }

    /// Length in samples of the pattern repeated now.
    fn pattern_len(&self) -> usize {
        self.period * self.periods
    }

    /// Sample of the pattern: the last periods of the history, the end of the pattern crossfaded towards what came
    /// before its start, so that it loops without a step.
    fn pattern(&self, at: usize) -> f32 {
        let len = self.pattern_len();
        let quarter = (self.period / 4).max(1);
        let Some(start) = self.len.checked_sub(len) else {
            return 0.0;
        };
        let x = self.history[start + at];
        let to_end = len - at; // 1 ..= len
        if to_end > quarter || start < quarter {
            return x;
        }
        let weight = to_end as f32 / (quarter + 1) as f32;
        x * weight + self.history[start - to_end] * (1.0 - weight)
    }

    fn gain(&self) -> f32 {
        if self.made <= self.hold {
            1.0
        } else {
            let left = self.silent.saturating_sub(self.made);
            left as f32 / (self.silent - self.hold) as f32
        }
    }

    /// Whether all that follows is silence.
    pub fn is_silent(&self) -> bool {
        self.len == 0 || self.made >= self.silent
    }

    /// Falls to silence within `ms` from here.
    pub fn fade(&mut self, ms: usize) {
        let gain = self.gain();
        let length = ms * self.rate / 1000;
        // A line of the same slope that passes through the present gain.
        self.hold = self.hold.min(self.made);
        if gain >= 1.0 {
            self.silent = self.made + length;
            self.hold = self.made;
        } else {
            self.silent = self.silent.min(self.made + length);
        }
    }

    fn next_sample(&mut self) -> f32 {
        if self.is_silent() {
            return 0.0;
        }
        let pattern_ms = PATTERN_MS * self.rate / 1000;
        let wanted = 1 + (self.made / pattern_ms).min(2);
        if wanted > self.periods && self.position.is_multiple_of(self.period) && self.len >= self.period * wanted {
            // At the start of a period: the longer pattern begins at the same phase.
            self.periods = wanted;
            self.position = 0;
        }
        let mut sample = self.pattern(self.position);
        self.position = (self.position + 1) % self.pattern_len();
        let smooth = 2 * self.rate / 1000;
        if self.made < smooth {
            sample += self.step * (1.0 - (self.made + 1) as f32 / (smooth + 1) as f32);
        }
        sample *= self.gain();
        self.made += 1;
        sample
    }

    /// Makes up the next samples of the gap.
    pub fn extend(&mut self, out: &mut [f32]) {
        out.iter_mut().for_each(|s| *s = self.next_sample());
    }

    /// Joins the gap to what follows: crossfades into the first samples of `audio`, 4 ms and more after a longer
    /// gap, at most 10 ms (G.711 Appendix I).
    pub fn rejoin(&mut self, audio: &mut [f32]) {
        let ms = self.rate / 1000;
        let length = (4 * ms + self.made * 4 / 10).min(10 * ms).min(audio.len());
        for (i, s) in audio[..length].iter_mut().enumerate() {
            let weight = (i + 1) as f32 / (length + 1) as f32;
            *s = *s * weight + self.next_sample() * (1.0 - weight);
        }
    }
}
