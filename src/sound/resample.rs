//! Fixed-ratio polyphase upsampling to 48 kHz.
//!
//! One windowed-sinc low-pass (Kaiser) per input rate, cut at the input's half rate with a transition of ±600 Hz:
//! from 8 kHz all that G.711 carries (to 3.4 kHz) passes flat, and its images (from 4.6 kHz) are gone. The
//! filters are computed when the [`Bank`] is built, outside the audio thread; each stream then owns an
//! [`Upsampler`], which is only a stretch of history.

use super::RATE;
use super::weights::{kaiser, kaiser_beta, sinc};

/// Length of every filter, frames at 48 kHz; the delay is half of it (2.49 ms).
const LENGTH: usize = 240;
/// Attenuation that the window is made for, dB. 240 frames and 1200 Hz of transition allow 93 (Kaiser's formula).
const ATTENUATION: f64 = 92.0;
/// Input samples weighed side by side: one vector register.
const LANES: usize = 4;
/// Most outputs of one input sample.
const MAX_UP: usize = 6;
/// Longest window, input samples (from 32 kHz).
const MAX_TAPS: usize = 160;
/// Most input samples taken in one stride.
const MAX_INPUT: usize = 160;
/// Rates that are converted, with the ratio 48 kHz : rate.
const RATES: [(u32, usize, usize); 5] = [
    (8_000, 6, 1),
    (12_000, 4, 1),
    (16_000, 3, 1),
    (24_000, 2, 1),
    (32_000, 3, 2),
];

/// Frames after the last input until an [`Upsampler`] is silent again.
pub const TAIL: usize = LENGTH - 1;

/// One rate's filter, split into its phases.
#[derive(Debug)]
pub struct Kernel {
    rate: u32,
    up: usize,
    down: usize,
    taps: usize,
    /// For each input sample of the window (oldest first), its weight in each of the `up` outputs that follow; once
    /// for each lane, so that nothing is left to spread out.
    weights: Vec<[f32; LANES]>,
}

impl Kernel {
    fn new(rate: u32, up: usize, down: usize) -> Self {
        let length = LENGTH * down;
        let taps = length / up;
        let inner = f64::from(rate) * up as f64;
        let cutoff = f64::from(rate) / 2.0 / inner;
        let beta = kaiser_beta(ATTENUATION);
        let middle = (length - 1) as f64 / 2.0;
        let mut prototype: Vec<f64> = (0..length)
            .map(|n| {
                let t = n as f64 - middle;
                2.0 * cutoff * sinc(2.0 * cutoff * t) * kaiser(beta, t / middle)
            })
            .collect();
        let sum: f64 = prototype.iter().sum();
        prototype.iter_mut().for_each(|c| *c *= up as f64 / sum);
        let weights = (0..taps)
            .rev()
            .flat_map(|tap| &prototype[tap * up..(tap + 1) * up])
            .map(|weight| [*weight as f32; LANES])
            .collect();
        Kernel {
            rate,
            up,
            down,
            taps,
            weights,
        }
    }
}

/// The filters for every rate.
#[derive(Debug)]
pub struct Bank {
    kernels: Vec<Kernel>,
}

impl Default for Bank {
    fn default() -> Self {
        Self::new()
    }
}

impl Bank {
    pub fn new() -> Self {
        let kernels = RATES.iter().map(|(r, up, down)| Kernel::new(*r, *up, *down)).collect();
        Bank { kernels }
    }

    /// `None` for 48 kHz (which needs none) and for rates that nothing here decodes to.
    pub fn kernel(&self, rate: u32) -> Option<&Kernel> {
        self.kernels.iter().find(|k| k.rate == rate)
    }
}

/// One stream's state. No heap.
#[derive(Debug, Clone)]
pub struct Upsampler {
    /// The last `taps − 1` samples of the stream, then room for new ones, and for lanes that lead nowhere.
    line: [f32; MAX_TAPS + MAX_INPUT + LANES],
    /// Samples of digital silence that the stream has ended with so far.
    silent: usize,
    /// Rate of what the line holds.
    rate: u32,
    /// What an earlier rate still owed when the stream changed to another.
    owed: [f32; LENGTH],
    owes: bool,
}

impl Default for Upsampler {
    fn default() -> Self {
        Self::new()
    }
}

impl Upsampler {
    pub fn new() -> Self {
        Upsampler {
            line: [0.0; MAX_TAPS + MAX_INPUT + LANES],
            silent: MAX_TAPS,
            rate: RATE,
            owed: [0.0; LENGTH],
            owes: false,
        }
    }

    /// Forgets the stream.
    pub fn reset(&mut self) {
        *self = Self::new();
    }

    /// Delay of a rate, in frames at 48 kHz.
    pub fn delay(rate: u32) -> f32 {
        if rate == RATE { 0.0 } else { TAIL as f32 / 2.0 }
    }

    /// Fills one block of `out` (48 kHz) from `input` at `rate`; the lengths are in the same ratio as the rates.
    ///
    /// The rate may change from block to block: the old filter then rings out below the new stream. An input of
    /// a rate without a filter counts as silence.
    pub fn process(&mut self, bank: &Bank, rate: u32, input: &[f32], out: &mut [f32]) {
        if rate != self.rate {
            self.change(bank, rate);
        }
        match bank.kernel(rate) {
            Some(kernel) => {
                if input.len() * kernel.up != out.len() * kernel.down {
                    out.fill(0.0);
                }
                let strides = input.chunks(MAX_INPUT / kernel.down * kernel.down);
                let frames = MAX_INPUT / kernel.down * kernel.up;
                for (input, out) in strides.zip(out.chunks_mut(frames)) {
                    self.stride(kernel, input, out);
                }
            }
            None if rate == RATE && input.len() == out.len() => out.copy_from_slice(input),
            None => out.fill(0.0),
        }
        if self.owes {
            for (o, owed) in out.iter_mut().zip(&self.owed) {
                *o += *owed;
            }
            self.owes = false;
        }
    }

    fn change(&mut self, bank: &Bank, rate: u32) {
        if let Some(old) = bank.kernel(self.rate) {
            let mut owed = [0.0; LENGTH];
            let silence = [0.0; MAX_INPUT];
            let input = LENGTH * old.down / old.up;
            self.stride(old, &silence[..input], &mut owed);
            self.owed = owed;
            self.owes = true;
        }
        self.line.fill(0.0);
        self.silent = MAX_TAPS;
        self.rate = rate;
    }

    fn stride(&mut self, kernel: &Kernel, input: &[f32], out: &mut [f32]) {
        let history = kernel.taps - 1;
        for (new, x) in self.line[history..].iter_mut().zip(input) {
            // Denormal numbers, as the end of a fade may leave them, would make the filter many times slower.
            *new = if x.abs() < 1e-15 { 0.0 } else { *x };
        }
        let end = history + input.len();
        let last_sound = self.line[history..end].iter().rposition(|x| *x != 0.0);
        if last_sound.is_none() && self.silent >= history {
            // Nothing but zeros in the window: the line stays as it is.
            out.fill(0.0);
            return;
        }
        self.silent = match last_sound {
            Some(at) => input.len() - 1 - at,
            None => self.silent + input.len(),
        };
        match kernel.up {
            2 => self.weigh::<2>(kernel, input.len(), out),
            3 => self.weigh::<3>(kernel, input.len(), out),
            4 => self.weigh::<4>(kernel, input.len(), out),
            _ => self.weigh::<MAX_UP>(kernel, input.len(), out),
        }
        self.line.copy_within(input.len()..end, 0);
    }

    /// The outputs of the `length` new samples in the line. `UP` is the kernel's.
    fn weigh<const UP: usize>(&self, kernel: &Kernel, length: usize, out: &mut [f32]) {
        let mut out = out.iter_mut();
        let mut phase = 0;
        for at in (0..length).step_by(LANES) {
            let sums = weigh::<UP>(&self.line[at..at + kernel.taps - 1 + LANES], &kernel.weights);
            let by_input: [[f32; UP]; LANES] =
                std::array::from_fn(|lane| std::array::from_fn(|phase| sums[phase][lane]));
            for outputs in by_input.iter().take(length - at) {
                while phase < UP {
                    if let Some(o) = out.next() {
                        *o = outputs[phase];
                    }
                    phase += kernel.down;
                }
                phase -= UP;
            }
        }
        out.for_each(|o| *o = 0.0);
    }
}

/// All outputs that follow each of [`LANES`] input samples, by phase. Inlined, the compiler would arrange the sums as
/// the caller reads them, and lose the vector registers.
#[inline(never)]
fn weigh<const UP: usize>(line: &[f32], weights: &[[f32; LANES]]) -> [[f32; LANES]; UP] {
    let mut sums = [[0f32; LANES]; UP];
    for (x, weights) in line.windows(LANES).zip(weights.chunks_exact(UP)) {
        for (sum, weight) in sums.iter_mut().zip(weights) {
            for lane in 0..LANES {
                sum[lane] += x[lane] * weight[lane];
            }
        }
    }
    sums
}

#[cfg(test)]
mod tests;
