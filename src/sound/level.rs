//! Kinds of decibel that cannot be mixed up.

/// A ratio in dB (gain).
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default)]
pub struct Db(pub f32);

/// A level in dB relative to a full-scale amplitude of 1.0.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Dbfs(pub f32);

/// A level in dB above 1 mW into 600 ohm; the same number as dBu across such a load.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Dbm(pub f32);

/// A voltage in dB relative to 0.775 V (the root of 0.6), whatever the load.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Dbu(pub f32);

/// A voltage in dB relative to 1 V.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Dbv(pub f32);

/// Volts at 0 dBm: the root of 1 mW times 600 ohm.
const ZERO_DBM_VOLTS: f32 = 0.774_596_7;
/// RMS of a full-scale sine (dBFS here is relative to an amplitude of 1.0).
const SINE: f32 = -3.010_3;

impl Dbm {
    /// Of a voltage (RMS) across 600 ohm.
    pub fn of_volts(volts: f32) -> Self {
        Dbm(20.0 * (volts / ZERO_DBM_VOLTS).log10())
    }

    /// What a signal of this RMS comes to on a line where a full-scale sine has the level `self`.
    pub fn of_rms(self, rms: Dbfs) -> Self {
        Dbm(self.0 + rms.0 - SINE)
    }

    /// What a sine of this amplitude comes to on such a line.
    pub fn of_sine(self, amplitude: Dbfs) -> Self {
        Dbm(self.0 + amplitude.0)
    }
}

impl Dbu {
    /// Of a voltage (RMS).
    pub fn of_volts(volts: f64) -> Self {
        Dbu((20.0 * (volts / 0.6f64.sqrt()).log10()) as f32)
    }

    /// Volts RMS.
    pub fn volts(self) -> f64 {
        0.6f64.sqrt() * 10f64.powf(f64::from(self.0) / 20.0)
    }
}

impl Dbv {
    /// Of a voltage (RMS).
    pub fn of_volts(volts: f64) -> Self {
        Dbv((20.0 * volts.log10()) as f32)
    }

    /// Volts RMS.
    pub fn volts(self) -> f64 {
        10f64.powf(f64::from(self.0) / 20.0)
    }
}

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

#[cfg(test)]
mod tests {
    use super::*;

    /// Volts at round levels: 0 dBu = 0.7746 V, +4 dBu = 1.2277 V (computed; 1 mW in 600 ohm).
    #[test]
    fn levels_on_the_line() {
        for (volts, dbm) in [(0.774_6, 0.0), (1.227_7, 4.0), (0.387_3, -6.02), (1.0, 2.218)] {
            assert!((Dbm::of_volts(volts).0 - dbm).abs() < 0.01, "{volts} V");
        }
        let full_scale = Dbm(4.0);
        assert!((full_scale.of_sine(Dbfs(-3.0)).0 - 1.0).abs() < 1e-3);
        // A full-scale sine is at −3.01 dB RMS.
        assert!((full_scale.of_rms(Dbfs::of(0.5f32.sqrt())).0 - 4.0).abs() < 1e-3);
        assert!((full_scale.of_rms(Dbfs(-20.0)).0 - -12.99).abs() < 0.01);
    }
}
