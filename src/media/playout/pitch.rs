//! Where a waveform repeats itself: normalised cross-correlation, coarse at 8 kHz, then at the full rate.

use crate::sound::weights::dot;

/// Shortest and longest repetition looked for, ms: voices from 62 to 400 Hz.
pub const MIN_PERIOD_US: usize = 2500;
pub const MAX_PERIOD_MS: usize = 16;

const COARSE_RATE: usize = 8000;
const COARSE_MAX: usize = 640;

/// Best place for `reference` in `region`: offset in samples and correlation −1 to 1 there.
///
/// `None` when `region` is shorter than `reference`, or either longer than 80 ms.
pub fn best_match(reference: &[f32], region: &[f32], rate: u32) -> Option<(usize, f32)> {
    let last = region.len().checked_sub(reference.len())?;
    let factor = (rate as usize / COARSE_RATE).max(1);
    if factor == 1 {
        return search(reference, region, 0, last);
    }
    let (mut a, mut b) = ([0.0; COARSE_MAX], [0.0; COARSE_MAX]);
    let (a, b) = (decimate(reference, factor, &mut a)?, decimate(region, factor, &mut b)?);
    let (coarse, _) = search(a, b, 0, b.len().checked_sub(a.len())?)?;
    let centre = coarse * factor;
    search(
        reference,
        region,
        centre.saturating_sub(factor).min(last),
        (centre + factor).min(last),
    )
}

fn decimate<'a>(x: &[f32], factor: usize, into: &'a mut [f32; COARSE_MAX]) -> Option<&'a [f32]> {
    let n = x.len() / factor;
    let out = into.get_mut(..n)?;
    for (out, group) in out.iter_mut().zip(x.chunks_exact(factor)) {
        *out = group.iter().sum::<f32>() / factor as f32;
    }
    Some(out)
}

fn search(reference: &[f32], region: &[f32], from: usize, to: usize) -> Option<(usize, f32)> {
    let n = reference.len();
    let energy = dot(reference, reference);
    let mut best: Option<(usize, f32)> = None;
    for offset in from..=to {
        let candidate = region.get(offset..offset + n)?;
        let other = dot(candidate, candidate);
        // An absolute floor keeps digital silence from dividing by nothing.
        let correlation = dot(reference, candidate) / (energy * other + 1e-12).sqrt();
        if best.is_none_or(|(_, c)| correlation > c) {
            best = Some((offset, correlation));
        }
    }
    best
}

/// Length in samples and correlation of the repetition at the end of `history`, by its last 20 ms.
pub fn at_end(history: &[f32], rate: u32) -> Option<(usize, f32)> {
    let per_ms = rate as usize / 1000;
    let (min, max) = (per_ms * MIN_PERIOD_US / 1000, per_ms * MAX_PERIOD_MS);
    let window = per_ms * 20;
    let n = history.len();
    let reference = history.get(n.checked_sub(window)?..)?;
    let start = n.checked_sub(window + max)?;
    let (offset, correlation) = best_match(reference, &history[start..n - min], rate)?;
    Some((max - offset, correlation))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn voice(rate: u32, hz: f32, n: usize) -> Vec<f32> {
        (0..n)
            .map(|i| {
                let t = i as f32 / rate as f32 * hz * std::f32::consts::TAU;
                0.5 * t.sin() + 0.3 * (2.0 * t + 1.0).sin() + 0.2 * (3.0 * t + 0.3).sin()
            })
            .collect()
    }

    #[test]
    fn finds_the_period_at_both_rates() {
        for rate in [8000, 48000] {
            for hz in [70.0, 125.0, 211.0, 390.0] {
                let x = voice(rate, hz, rate as usize / 10);
                let (lag, correlation) = at_end(&x, rate).unwrap();
                let periods = lag as f32 / rate as f32 * hz;
                assert!((periods - periods.round()).abs() < 0.06, "{rate} {hz}: {lag}");
                assert!(correlation > 0.95, "{rate} {hz}: {correlation}");
            }
        }
    }

    #[test]
    fn silence_and_short_input_are_harmless() {
        let (_, correlation) = at_end(&[0.0; 800], 8000).unwrap();
        assert!(correlation.abs() < 0.01);
        assert!(at_end(&[0.0; 100], 8000).is_none());
        assert!(best_match(&[0.0; 5000], &[0.0; 6000], 48000).is_none());
    }
}
