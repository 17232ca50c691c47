//! Kinds of decibel that cannot be mixed up.

/// A ratio in dB (gain).
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default)]
pub struct Db(pub f32);

/// A level in dB relative to a full-scale amplitude of 1.0.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Dbfs(pub f32);

impl Db {
    /// Amplitude factor.
    pub fn factor(self) -> f32 {
        10f32.powf(self.0 / 20.0)
    }
}

impl Dbfs {
    /// Amplitude.
    pub fn amplitude(self) -> f32 {
        10f32.powf(self.0 / 20.0)
    }

    /// The level of an amplitude; −120 for silence.
    pub fn of(amplitude: f32) -> Self {
        Dbfs(20.0 * amplitude.max(1e-6).log10())
    }
}
