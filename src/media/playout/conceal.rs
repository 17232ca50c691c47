//! Concealment of missing audio of all codecs but Opus: pitch-based waveform substitution, of the class of G.711 Appendix I.
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
    voiced: bool,
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
            voiced: false,
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
        let pitch = pitch::at_end(past, rate).filter(|(_, correlation)| *correlation >= VOICED);
        self.begin_with(past.iter().rev(), rate, pitch.map(|(period, _)| period));
    }

    /// Starts from audio given backwards, with its period if it has one.
    fn begin_with<'a>(&mut self, backwards: impl Iterator<Item = &'a f32>, rate: u32, period: Option<usize>) {
        self.rate = rate as usize;
        let wanted = HISTORY_MS * self.rate / 1000;
        self.len = 0;
        for s in backwards.take(wanted) {
            self.len += 1;
            self.history[wanted - self.len] = *s;
        }
        self.history.copy_within(wanted - self.len..wanted, 0);
        self.made = 0;
        self.position = 0;
        self.periods = 1;
        self.voiced = period.is_some();
        // Noise: the longest pattern there is, so that its repetition is not heard as a pitch.
        let longest = (pitch::MAX_PERIOD_MS * self.rate / 1000).min(self.len * 3 / 4);
        self.period = period.unwrap_or(longest).clamp(1, self.len.max(1));
        let last = |back: usize| self.history[..self.len].iter().rev().nth(back).copied().unwrap_or(0.0);
        self.step = last(0) - last(self.period);
        let ms = self.rate / 1000;
        // Longer than G.711 Appendix I, which falls to silence by 60 ms: losses in a row are often 40 to 80 ms.
        (self.hold, self.silent) = (10 * ms, 88 * ms);
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
        sample.clamp(-1.0, 1.0)
    }

    /// Makes up the next samples of the gap.
    pub fn extend(&mut self, out: &mut [f32]) {
        out.iter_mut().for_each(|s| *s = self.next_sample());
    }

    /// Joins the gap to what follows: crossfades into the first samples of `audio`, 4 ms and more after a longer
    /// gap, at most 10 ms (G.711 Appendix I). A voice first goes on until its waveform meets that of `audio`; those
    /// samples are written to `more`, and their number returned.
    pub fn rejoin(&mut self, audio: &mut [f32], more: &mut [f32; MAX_MORE]) -> usize {
        let ms = self.rate / 1000;
        let fade = (4 * ms + self.made * 4 / 10).min(10 * ms).min(audio.len());
        let mut on = [0.0; MAX_MORE + 48 * 10];
        let reach = if self.voiced && !self.is_silent() {
            self.period.min(MAX_MORE)
        } else {
            0
        };
        let on = &mut on[..reach + fade];
        on.iter_mut().for_each(|s| *s = self.next_sample());
        let shift = match pitch::best_match(&audio[..fade], on, self.rate as u32) {
            Some((offset, correlation)) if reach > 0 && correlation >= VOICED => offset.min(reach),
            _ => 0,
        };
        more[..shift].copy_from_slice(&on[..shift]);
        for (i, s) in audio[..fade].iter_mut().enumerate() {
            let weight = (i + 1) as f32 / (fade + 1) as f32;
            *s = *s * weight + on[shift + i] * (1.0 - weight);
        }
        shift
    }

    /// Fills `gap` between the audio given to [`Concealer::begin`] and `future`, with `backward` as a second
    /// concealer that runs from the future towards the past. Both are blended over the gap; where both are voices,
    /// the forward one is stretched or squeezed so that its waveform meets the future's.
    pub fn interpolate(&mut self, backward: &mut Concealer, future: &[f32], gap: &mut [f32]) {
        let ms = self.rate / 1000;
        let n = gap.len();
        let future = &future[..future.len().min(20 * ms)];
        backward.begin_with(
            future.iter(),
            self.rate as u32,
            period_at_start(future, self.period, ms),
        );
        for c in [&mut *self, &mut *backward] {
            c.hold = c.hold.max(n * 3 / 4);
            c.silent = c.silent.max(n + 40 * ms);
        }
        let mut made = [0.0f32; MAX_INTERPOLATED + 2 * MAX_MORE];
        let slack = if self.voiced && backward.voiced {
            self.period / 2
        } else {
            0
        };
        let window = (10 * ms).min(future.len());
        let made = &mut made[..(n + slack + window).min(MAX_INTERPOLATED + 2 * MAX_MORE)];
        made.iter_mut().for_each(|s| *s = self.next_sample());
        let mut reach = n;
        if slack > 0
            && let Some(from) = n.checked_sub(slack)
            && let Some((offset, correlation)) = pitch::best_match(&future[..window], &made[from..], self.rate as u32)
            && correlation >= VOICED
        {
            reach = from + offset;
        }
        let pace = reach as f32 / n.max(1) as f32;
        for i in (0..n).rev() {
            let place = i as f32 * pace;
            let (whole, part) = (place as usize, place.fract());
            let next = made.get(whole + 1).copied().unwrap_or(0.0);
            let forward = made.get(whole).copied().unwrap_or(0.0) * (1.0 - part) + next * part;
            let weight = (i + 1) as f32 / (n + 1) as f32;
            gap[i] = forward * (1.0 - weight) + backward.next_sample() * weight;
        }
    }
}

/// Longest gap that is interpolated, ms; the same, and the longest continuation before a rejoin, samples at 48 kHz.
pub const INTERPOLATED_MS: usize = 100;
const MAX_INTERPOLATED: usize = 48 * INTERPOLATED_MS;
pub const MAX_MORE: usize = 48 * pitch::MAX_PERIOD_MS;

/// The period with which `future` begins; `hint` is the one before the gap. At 8 kHz its 20 ms leave room for
/// periods up to 10 ms to be found, longer ones are taken on trust if they fit.
fn period_at_start(future: &[f32], hint: usize, ms: usize) -> Option<usize> {
    let min = ms * pitch::MIN_PERIOD_US / 1000;
    let window = 10 * ms;
    let reference = future.get(..window)?;
    let region = future.get(min..)?;
    let (offset, correlation) = pitch::best_match(reference, region, ms as u32 * 1000)?;
    let found = (correlation >= VOICED).then_some(min + offset);
    match found {
        Some(period) => Some(period),
        None if hint > window && hint + ms < future.len() => {
            let n = future.len() - hint;
            let (_, likeness) = pitch::best_match(&future[..n], &future[hint..], ms as u32 * 1000)?;
            (likeness >= VOICED).then_some(hint)
        }
        None => None,
    }
}
