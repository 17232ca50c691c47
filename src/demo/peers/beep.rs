//! Tones in what comes back to a caller.

use std::time::Duration;

/// A tone that was heard.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beep {
    /// From the first sample that was fed.
    pub at: Duration,
    pub length: Duration,
    /// Hz.
    pub pitch: f32,
    /// RMS relative to a full-scale sine, dB.
    pub level: f32,
}

/// Finds stretches that stand out of silence and measures them.
#[derive(Debug)]
pub struct BeepMeter {
    rate: u32,
    fed: u64,
    run: Vec<i16>,
    beeps: Vec<Beep>,
}

/// Louder than this, of full scale, is not silence: −46 dB.
const FLOOR: f32 = 0.005;
/// Shorter stretches are clicks.
const SHORTEST: Duration = Duration::from_millis(40);
/// Most beeps kept, and longest one measured.
const MAX_BEEPS: usize = 100;
const LONGEST: Duration = Duration::from_secs(2);

impl BeepMeter {
    /// `rate` in Hz.
    pub fn new(rate: u32) -> Self {
        BeepMeter {
            rate,
            fed: 0,
            run: Vec::new(),
            beeps: Vec::new(),
        }
    }

    pub fn feed(&mut self, samples: &[i16]) {
        // 5 ms at a time.
        for piece in samples.chunks((self.rate / 200) as usize) {
            let loud = rms(piece) > FLOOR;
            if loud && self.run.len() < self.samples(LONGEST) {
                self.run.extend_from_slice(piece);
            } else if !loud {
                self.close();
            }
            self.fed += piece.len() as u64;
        }
    }

    /// What was heard so far; a tone that still sounds is not in it.
    pub fn beeps(&self) -> &[Beep] {
        &self.beeps
    }

    fn samples(&self, time: Duration) -> usize {
        (time.as_secs_f64() * f64::from(self.rate)) as usize
    }

    fn close(&mut self) {
        let run = std::mem::take(&mut self.run);
        if run.len() < self.samples(SHORTEST) || self.beeps.len() == MAX_BEEPS {
            return;
        }
        let rate = f64::from(self.rate);
        let time = |samples: u64| Duration::from_secs_f64(samples as f64 / rate);
        // Edges fade, so the middle half is measured.
        let middle = run.get(run.len() / 4..run.len() * 3 / 4).unwrap_or(&run);
        self.beeps.push(Beep {
            at: time(self.fed.saturating_sub(run.len() as u64)),
            length: time(run.len() as u64),
            pitch: pitch(middle, self.rate),
            level: 20.0 * (rms(middle) * std::f32::consts::SQRT_2).max(1e-6).log10(),
        });
    }
}

fn rms(samples: &[i16]) -> f32 {
    let sum: f32 = samples.iter().map(|s| (f32::from(*s) / 32768.0).powi(2)).sum();
    (sum / samples.len().max(1) as f32).sqrt()
}

/// Upward crossings of zero over the time between the first and the last, each placed between its two samples.
fn pitch(samples: &[i16], rate: u32) -> f32 {
    let crossings: Vec<f32> = samples
        .windows(2)
        .enumerate()
        .filter_map(|(i, pair)| match pair {
            [a, b] if *a < 0 && *b >= 0 => Some(i as f32 - f32::from(*a) / (f32::from(*b) - f32::from(*a))),
            _ => None,
        })
        .collect();
    match crossings.as_slice() {
        [first, .., last] => (crossings.len() - 1) as f32 * rate as f32 / (last - first),
        _ => 0.0,
    }
}
