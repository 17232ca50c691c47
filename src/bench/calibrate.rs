//! Measuring a card: from tones of known level and what a meter read, or what a line input heard, to its full scale.

use std::f64::consts::TAU;

use super::levels::quantity::{Level, Ohms};
use crate::sound::RATE;
use crate::sound::level::{Db, Dbfs, Dbm};

/// The first tone; nothing is louder before somebody has agreed.
pub const FIRST: Dbfs = Dbfs(-40.0);
/// The second one: loud enough for every meter, below what any card clips.
pub const SECOND: Dbfs = Dbfs(-20.0);
/// Frequency of the tones, Hz: every AC range of a meter is made for 50 Hz to some 400 Hz at least, and cheap ones fall off above 1 kHz
/// (common practice, no published source).
pub const HZ: f64 = 400.0;
/// Two tones agree within this, dB: about what the last digit of a small reading makes.
const AGREE: f32 = 1.0;
/// Full scales that line outputs have, dBm, and a margin: a reading beyond was taken in the wrong unit or range.
const PLAUSIBLE: (f32, f32) = (-35.0, 32.0);
/// The load that a full scale is meant across.
const LINE: f64 = 600.0;

/// A tone and what was read of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    pub tone: Dbfs,
    pub read: Level,
}

/// What the readings say together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Found {
    /// Of a full-scale sine across 600 ohm.
    pub full_scale: Dbm,
    /// The louder tone against the softer one, beyond what it should be: below 0 something holds it down.
    pub bend: Option<Db>,
}

/// Why readings cannot be used.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum Fault {
    #[error("no reading")]
    None,
    #[error(
        "that would be {0:+.0} dBm at full scale, which no line output has; wanted about {1:+.0} to {2:+.0} dBm. Is the unit right, and is the meter on AC?"
    )]
    Implausible(f32, f32, f32),
    #[error(
        "the louder tone is {0:.1} dB below what the softer one promises. Something clips or holds it down: a mixer control above 0 dB, an automatic \
         gain, a limiter, or noise was read instead of the softer tone"
    )]
    HeldDown(f32),
    #[error(
        "the louder tone is {0:.1} dB above what the softer one promises: the softer one was read too low, as true of a meter without true RMS or \
         near the end of its range"
    )]
    TooLoud(f32),
}

/// What a level measured on an open line comes to across 600 ohm, behind that source.
pub fn loaded(open: Dbm, source: Ohms) -> Dbm {
    Dbm(open.0 - (20.0 * ((LINE + source.0) / LINE).log10()) as f32)
}

/// The full scale by one reading.
///
/// # Errors
/// One that no card has.
pub fn full_scale(reading: Reading) -> Result<Dbm, Fault> {
    let Dbm(full) = by(reading);
    let (least, most) = PLAUSIBLE;
    match (least..=most).contains(&full) {
        true => Ok(Dbm(full)),
        false => Err(Fault::Implausible(full, least, most)),
    }
}

fn by(reading: Reading) -> Dbm {
    Dbm(reading.read.volts().dbu().0 - reading.tone.0)
}

/// The full scale by all readings, softest first: the loudest counts, as it is the furthest from noise.
///
/// # Errors
/// Readings that no card has, or that do not agree.
pub fn together(readings: &[Reading]) -> Result<Found, Fault> {
    readings
        .iter()
        .try_for_each(|reading| full_scale(*reading).map(|_| ()))?;
    agree(readings)
}

/// As [`together`], where the levels are relative: any full scale will do.
///
/// # Errors
/// Readings that do not agree.
pub fn agree(readings: &[Reading]) -> Result<Found, Fault> {
    let mut found: Option<Found> = None;
    for reading in readings {
        let now = by(*reading);
        let bend = found.map(|before| Db(now.0 - before.full_scale.0));
        match bend {
            Some(Db(bend)) if bend < -AGREE => return Err(Fault::HeldDown(-bend)),
            Some(Db(bend)) if bend > AGREE => return Err(Fault::TooLoud(bend)),
            _ => {}
        }
        found = Some(Found { full_scale: now, bend });
    }
    found.ok_or(Fault::None)
}

/// Whether a tone would be louder than the amplifier's input is made for by more than 6 dB, and by how much.
pub fn blasts(full_scale: Dbm, tone: Dbfs, input: Level) -> Option<Db> {
    let above = full_scale.of_sine(tone).0 - input.volts().dbu().0;
    (above > 6.0).then_some(Db(above))
}

/// What a line input heard of a tone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Heard {
    /// Of the tone alone: the level of a sine, 0 at the input's full scale.
    pub tone: Dbfs,
    /// All that is not the tone, against the tone: distortion, hum and noise.
    pub rest: Db,
    /// Highest sample.
    pub peak: Dbfs,
}

impl Heard {
    /// From samples at 48 kHz, ±1.0, during which the tone was steady. `None` of fewer than 0.1 s.
    pub fn of(samples: &[f32], hz: f64) -> Option<Self> {
        // The two clocks are not the same: the tone may come out some millionths off, which a long correlation would miss.
        let piece = (RATE as usize / 10).min(samples.len());
        if piece < RATE as usize / 10 {
            return None;
        }
        // A whole number of periods, so that direct current and the ends do not count.
        let periods = (piece as f64 * hz / f64::from(RATE)).floor();
        let n = (periods * f64::from(RATE) / hz).round() as usize;
        let (mut tone, mut rest, mut pieces) = (0.0, 0.0, 0.0);
        for samples in samples.chunks_exact(piece).map(|samples| &samples[..n]) {
            let mean = samples.iter().map(|x| f64::from(*x)).sum::<f64>() / n as f64;
            let (mut re, mut im) = (0.0, 0.0);
            for (i, x) in samples.iter().enumerate() {
                let (sin, cos) = (TAU * hz * i as f64 / f64::from(RATE)).sin_cos();
                re += f64::from(*x) * cos;
                im += f64::from(*x) * sin;
            }
            let (re, im) = (2.0 * re / n as f64, 2.0 * im / n as f64);
            tone += re * re + im * im;
            for (i, x) in samples.iter().enumerate() {
                let (sin, cos) = (TAU * hz * i as f64 / f64::from(RATE)).sin_cos();
                rest += (f64::from(*x) - mean - re * cos - im * sin).powi(2) / n as f64;
            }
            pieces += 1.0;
        }
        let amplitude = (tone / pieces).sqrt();
        // Against the tone's RMS.
        let rest = 2.0 * rest / tone.max(1e-20);
        Some(Heard {
            tone: Dbfs::of(amplitude as f32),
            rest: Db((10.0 * rest.max(1e-14).log10()) as f32),
            peak: Dbfs::of(samples.iter().fold(0.0, |peak: f32, x| peak.max(x.abs()))),
        })
    }

    /// The level on the line, by the level of a full-scale sine at the input.
    pub fn on_the_line(self, input: Dbm) -> Dbm {
        input.of_sine(self.tone)
    }

    /// The input clips.
    pub fn clips(self) -> bool {
        self.peak.0 > -0.2
    }

    /// The tone stands out of all else.
    pub fn is_there(self) -> bool {
        self.rest.0 < -10.0 && self.tone.0 > -85.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::levels::quantity::Volts;

    fn read(tone: f32, text: &str) -> Reading {
        Reading {
            tone: Dbfs(tone),
            read: Level::read(text).unwrap(),
        }
    }

    /// A card that gives 1.2277 V (+4 dBu, computed) at full scale: 20 dB below it 122.77 mV, 40 dB below 12.28 mV.
    #[test]
    fn two_readings_give_the_full_scale() {
        let found = together(&[read(-40.0, "12.28 mV"), read(-20.0, "122.8 mV")]).unwrap();
        assert!((found.full_scale.0 - 4.0).abs() < 0.01, "{found:?}");
        assert!(found.bend.unwrap().0.abs() < 0.01);
        let found = together(&[read(-40.0, "-36 dBu")]).unwrap();
        assert!((found.full_scale.0 - 4.0).abs() < 0.01 && found.bend.is_none());
    }

    #[test]
    fn what_cannot_be_is_refused() {
        assert_eq!(together(&[]), Err(Fault::None));
        // Volts for millivolts.
        assert!(matches!(together(&[read(-40.0, "12.28 V")]), Err(Fault::Implausible(full, ..)) if full > 60.0));
        let held = together(&[read(-40.0, "12.28 mV"), read(-20.0, "90 mV")]);
        assert!(
            matches!(held, Err(Fault::HeldDown(by)) if (by - 2.7).abs() < 0.05),
            "{held:?}"
        );
        let loud = together(&[read(-40.0, "9 mV"), read(-20.0, "122.8 mV")]);
        assert!(matches!(loud, Err(Fault::TooLoud(_))), "{loud:?}");
    }

    /// Behind 600 ohm a 600-ohm load halves the voltage: 6.02 dB. Behind 100 ohm 1.339 dB (computed).
    #[test]
    fn an_open_line_reads_more() {
        assert!((loaded(Dbm(10.0), Ohms(600.0)).0 - 3.979).abs() < 0.001);
        assert!((loaded(Dbm(10.0), Ohms(100.0)).0 - 8.661).abs() < 0.001);
    }

    #[test]
    fn a_microphone_input_is_not_blasted() {
        // +4 dBm at full scale, a tone at −20: −16 dBm into an input for −50 dBu.
        let input = Level::read("-50 dBu").unwrap();
        assert!((blasts(Dbm(4.0), SECOND, input).unwrap().0 - 34.0).abs() < 0.01);
        assert_eq!(blasts(Dbm(4.0), SECOND, Level::Volts(Volts(0.775))), None);
    }

    fn sine(hz: f64, amplitude: f64, add: impl Fn(f64) -> f64) -> Vec<f32> {
        let at = |i: usize| i as f64 / f64::from(RATE);
        let one = |i| (amplitude * (TAU * hz * at(i) + 0.3).sin() + add(at(i))) as f32;
        (0..RATE as usize).map(one).collect()
    }

    /// A tenth of the third harmonic is −20 dB; direct current does not count; a clock 50 millionths off neither.
    #[test]
    fn a_tone_is_heard_apart_from_the_rest() {
        let heard = Heard::of(&sine(HZ * 1.000_05, 0.1, |_| 0.02), HZ).unwrap();
        assert!((heard.tone.0 + 20.0).abs() < 0.02 && heard.rest.0 < -45.0, "{heard:?}");
        let third = |t: f64| 0.01 * (TAU * 3.0 * HZ * t).sin();
        let heard = Heard::of(&sine(HZ, 0.1, third), HZ).unwrap();
        assert!(
            (heard.tone.0 + 20.0).abs() < 0.02 && (heard.rest.0 + 20.0).abs() < 0.1,
            "{heard:?}"
        );
        assert!((heard.on_the_line(Dbm(2.0)).0 + 18.0).abs() < 0.02);
        assert!(heard.is_there() && !heard.clips());
        let hum = Heard::of(&sine(50.0, 0.1, |_| 0.0), HZ).unwrap();
        assert!(!hum.is_there(), "{hum:?}");
        assert_eq!(Heard::of(&[0.0; 100], HZ), None);
    }
}
