//! Soft starts and stops.

use std::f32::consts::PI;

/// Length of a fade, frames: 5 ms.
const FADE: usize = 240;

/// Least time in which a level goes from nothing to full, frames: 100 ms.
const GLIDE: f32 = 4800.0;

/// The raised cosine from 0 to 1.
#[derive(Debug)]
pub struct Curve([f32; FADE + 1]);

impl Curve {
    pub fn new() -> Self {
        let mut curve = [0.0; FADE + 1];
        for (n, c) in curve.iter_mut().enumerate() {
            *c = 0.5 - 0.5 * (PI * n as f32 / FADE as f32).cos();
        }
        Curve(curve)
    }
}

/// Where one source stands in one zone. May be turned round half-way.
#[derive(Debug, Clone, Copy)]
pub struct Fade {
    at: usize,
    open: bool,
    level: f32,
    /// Where the level goes.
    target: f32,
}

impl Default for Fade {
    fn default() -> Self {
        Fade {
            at: 0,
            open: false,
            level: 1.0,
            target: 1.0,
        }
    }
}

impl Fade {
    /// Full from the first sample, for sources with soft edges of their own.
    pub fn opened(level: f32) -> Self {
        Fade {
            at: FADE,
            open: true,
            level,
            target: level,
        }
    }

    /// Opens it at this level; one that is heard glides there.
    pub fn open(&mut self, level: f32) {
        if !self.is_active() {
            self.level = level;
        }
        self.open = true;
        self.target = level;
    }

    /// Takes over from another source, which fades.
    pub fn follow(&mut self, former: &Self) {
        if former.open {
            self.open = true;
            (self.level, self.target) = (former.level, former.target);
        }
    }

    pub fn close(&mut self) {
        self.open = false;
    }

    pub fn is_open(&self) -> bool {
        self.open
    }

    /// Something of the source is heard, or will be.
    pub fn is_active(&self) -> bool {
        self.open || self.at > 0
    }

    /// Adds the faded `input` to `mix`.
    pub fn add(&mut self, curve: &Curve, input: &[f32], mix: &mut [f32]) {
        if self.open && self.at == FADE && self.level == self.target {
            let level = self.level;
            mix.iter_mut().zip(input).for_each(|(m, x)| *m += x * level);
            return;
        }
        for (m, x) in mix.iter_mut().zip(input) {
            if self.open {
                self.at = (self.at + 1).min(FADE);
            } else {
                self.at = self.at.saturating_sub(1);
            }
            self.level += (self.target - self.level).clamp(-1.0 / GLIDE, 1.0 / GLIDE);
            *m += x * curve.0[self.at] * self.level;
        }
    }
}
