//! Making audio a little shorter or longer without changing its pitch: one repetition of the waveform is taken out
//! or put in, joined by a crossfade where both sides look alike.

use super::line::Line;
use super::pitch;

/// Crossfade, ms.
const FADE_MS: usize = 6;
/// Window that is compared, ms.
const WINDOW_MS: usize = 10;

/// Pending audio, ms, that [`plan_cut`] needs.
pub const CUT_NEEDS_MS: usize = WINDOW_MS + pitch::MAX_PERIOD_MS;
/// Pending audio, ms, that [`plan_insert`] needs.
pub const INSERT_NEEDS_MS: usize = WINDOW_MS;

/// A change that could be made to the next samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plan {
    /// Samples taken out or put in.
    pub length: usize,
    /// How alike both sides of the joint are, at most 1.
    pub correlation: f32,
}

/// The best cut at the front of the pending audio; `None` when there is too little of it.
pub fn plan_cut(line: &Line) -> Option<Plan> {
    let (all, now) = line.all();
    let window = line.samples(WINDOW_MS);
    let min = line.rate() as usize * pitch::MIN_PERIOD_US / 1_000_000;
    let max = line.samples(pitch::MAX_PERIOD_MS);
    let reference = all.get(now..now + window)?;
    let region = all.get(now + min..now + max + window)?;
    let (offset, correlation) = pitch::best_match(reference, region, line.rate())?;
    Some(Plan {
        length: min + offset,
        correlation,
    })
}

/// The best insertion at the front of the pending audio; `None` when there is too little of it, or of the past.
pub fn plan_insert(line: &Line) -> Option<Plan> {
    let (all, now) = line.all();
    let window = line.samples(WINDOW_MS);
    let min = line.rate() as usize * pitch::MIN_PERIOD_US / 1_000_000;
    let max = line.samples(pitch::MAX_PERIOD_MS);
    let reference = all.get(now..now + window)?;
    let region = all.get(now.checked_sub(max)?..now - min + window)?;
    let (offset, correlation) = pitch::best_match(reference, region, line.rate())?;
    Some(Plan {
        length: max - offset,
        correlation,
    })
}

/// Takes `length` samples out at the front of the pending audio, crossfading over the joint. The samples removed.
pub fn cut(line: &mut Line, length: usize) -> usize {
    let fade = line.samples(FADE_MS);
    let (all, now) = line.all_mut();
    let Some(window) = all.get_mut(now..now + length + fade) else {
        return 0;
    };
    for i in 0..fade {
        let weight = (i + 1) as f32 / (fade + 1) as f32;
        window[i] = window[i] * (1.0 - weight) + window[i + length] * weight;
    }
    line.cut(fade, length);
    length
}

/// Puts `length` samples in at the front of the pending audio: after a crossfade, what came `length` earlier is
/// played once more. The samples added.
pub fn insert(line: &mut Line, length: usize) -> usize {
    let fade = line.samples(FADE_MS).min(line.pending());
    let (all, now) = line.all();
    if now < length || all.len() < now + fade || !line.open(0, length) {
        return 0;
    }
    let (all, now) = line.all_mut();
    // Before: past | x0 x1 …   Now: past | gap of `length` | x0 x1 …, and x0 may be repeated from the past.
    // The first `fade` samples go from x to what lies `length` before it; the rest up to x0 follows from there.
    let Some(start) = now.checked_sub(length) else {
        return 0;
    };
    for i in 0..length {
        let earlier = all[start + i];
        all[now + i] = if i < fade {
            let weight = (i + 1) as f32 / (fade + 1) as f32;
            all[now + length + i] * (1.0 - weight) + earlier * weight
        } else {
            earlier
        };
    }
    length
}
