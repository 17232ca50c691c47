//! Real time for outputs that have no clock of their own.

use std::time::{Duration, Instant};

use super::Transfer;
use crate::sound::RATE;

/// Lateness up to this is made up; beyond it the timeline starts anew, as a card does after it ran dry.
const STALL: Duration = Duration::from_millis(500);

/// Lets frames go by at 48 kHz of the monotonic clock. Deadlines are absolute, so that lateness does not add up.
#[derive(Debug, Default)]
pub struct Pacer {
    start: Option<Instant>,
    frames: u64,
}

impl Pacer {
    pub fn new() -> Self {
        Self::default()
    }

    /// Returns when all frames so far, with these, would have been played.
    pub fn wait(&mut self, frames: usize) -> Transfer {
        let start = *self.start.get_or_insert_with(Instant::now);
        self.frames += frames as u64;
        let due = start + self.played();
        let now = Instant::now();
        if let Some(early) = due.checked_duration_since(now) {
            std::thread::sleep(early);
        } else if now.duration_since(due) > STALL {
            *self = Pacer {
                start: Some(now),
                frames: 0,
            };
            return Transfer::Xrun;
        }
        Transfer::Fine
    }

    fn played(&self) -> Duration {
        let rate = u64::from(RATE);
        Duration::from_secs(self.frames / rate) + Duration::from_secs(self.frames % rate) / RATE
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn deadlines_are_absolute() {
        let mut pacer = Pacer::new();
        let start = Instant::now();
        for _ in 0..40 {
            // 10.02 ms: not a whole number of milliseconds, nor of nanoseconds.
            assert_eq!(pacer.wait(481), Transfer::Fine);
            std::thread::sleep(Duration::from_millis(3));
        }
        // Sleeping on the way costs nothing: 40 · 481 frames are 400.8 ms. Never early.
        assert!(start.elapsed() >= Duration::from_micros(400_833));
        assert_eq!(pacer.played(), Duration::from_nanos(19_240 * 1_000_000_000 / 48_000));
    }

    #[test]
    fn a_long_stall_starts_anew_and_is_told() {
        let mut pacer = Pacer::new();
        pacer.wait(48);
        std::thread::sleep(STALL + Duration::from_millis(50));
        assert_eq!(pacer.wait(48), Transfer::Xrun);
        let start = Instant::now();
        assert_eq!(pacer.wait(480), Transfer::Fine);
        assert!(start.elapsed() >= Duration::from_millis(9));
    }
}
