//! How loud each zone is now, by the audio threads' readings.

use std::collections::{BTreeMap, VecDeque};
use std::time::{Duration, Instant};

use crate::page::ZoneId;
use crate::sound::engine::Reading;
use crate::sound::level::{Db, Dbfs};

/// Readings of about 100 ms that count together.
const TOGETHER: usize = 3;
/// An older one says nothing of now.
const FRESH: Duration = Duration::from_millis(500);
/// Silence (`Dbfs::of` ends at −120).
const SILENCE: Dbfs = Dbfs(-119.0);

/// The last readings of every zone that had any.
#[derive(Default)]
pub struct Meters {
    zones: BTreeMap<ZoneId, Meter>,
}

#[derive(Default)]
struct Meter {
    readings: VecDeque<Reading>,
    at: Option<Instant>,
}

impl Meters {
    pub fn note(&mut self, zone: ZoneId, reading: Reading, now: Instant) {
        let meter = self.zones.entry(zone).or_default();
        let goes_on = meter
            .at
            .replace(now)
            .is_some_and(|at| now.saturating_duration_since(at) < FRESH);
        if reading.peak.0 < SILENCE.0 || !goes_on {
            meter.readings.clear();
        }
        if reading.peak.0 >= SILENCE.0 {
            meter.readings.truncate(TOGETHER - 1);
            meter.readings.push_front(reading);
        }
    }

    /// The last 300 ms: their RMS, their highest peak, the most that the limiter took off. `None` in silence.
    pub fn reading(&self, zone: ZoneId, now: Instant) -> Option<Reading> {
        let meter = self.zones.get(&zone)?;
        if now.saturating_duration_since(meter.at?) > FRESH {
            return None;
        }
        let readings = || meter.readings.iter();
        let most = |of: fn(&Reading) -> f32| readings().map(of).reduce(f32::max);
        let power: f32 = readings().map(|r| r.rms.amplitude().powi(2)).sum();
        Some(Reading {
            peak: Dbfs(most(|r| r.peak.0)?),
            reduction: Db(most(|r| r.reduction.0)?),
            rms: Dbfs::of((power / meter.readings.len() as f32).sqrt()),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(rms: f32, peak: f32, reduction: f32) -> Reading {
        Reading {
            rms: Dbfs(rms),
            peak: Dbfs(peak),
            reduction: Db(reduction),
        }
    }

    /// Two powers a and a/4 together: 5/8 a, 2.04 dB below the louder (computed).
    #[test]
    fn three_readings_together_until_they_are_old() {
        let (mut meters, start) = (Meters::default(), Instant::now());
        let at = |ms| start + Duration::from_millis(ms);
        let zone = ZoneId(0);
        assert_eq!(meters.reading(zone, at(0)), None);
        meters.note(zone, reading(-20.0, -10.0, 0.0), at(0));
        meters.note(zone, reading(-26.02, -16.0, 3.0), at(100));
        let now = meters.reading(zone, at(150)).unwrap();
        assert!((now.rms.0 + 22.04).abs() < 0.01, "{now:?}");
        assert_eq!((now.peak, now.reduction), (Dbfs(-10.0), Db(3.0)));
        for n in 2..5 {
            meters.note(zone, reading(-40.0, -30.0, 0.0), at(100 * n));
        }
        let now = meters.reading(zone, at(400)).unwrap();
        assert!((now.rms.0 + 40.0).abs() < 0.01 && now.peak.0 == -30.0, "{now:?}");
        assert!(meters.reading(zone, at(900)).is_some());
        assert_eq!(meters.reading(zone, at(901)), None);
        // What was before a gap counts no more.
        meters.note(zone, reading(-6.0, -3.0, 0.0), at(2000));
        assert!((meters.reading(zone, at(2000)).unwrap().rms.0 + 6.0).abs() < 0.01);
        meters.note(zone, reading(-120.0, -120.0, 0.0), at(2100));
        assert_eq!(meters.reading(zone, at(2100)), None);
    }
}
