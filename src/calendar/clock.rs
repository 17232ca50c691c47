//! One line of time out of a clock that may be set while it runs.

use std::time::Duration;

use jiff::Timestamp;

/// What fell due longer ago than this is not made up for: a bell that rings late calls people at the wrong time.
const LATE: Duration = Duration::from_secs(60);
/// A clock that is set back by no more is waited for: nothing rings twice. One that is set back by more was wrong
/// before, and counts anew.
const BACK: Duration = Duration::from_secs(300);

/// After the one moment, up to the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stretch {
    pub after: Timestamp,
    pub until: Timestamp,
}

/// What has passed since the last look at the clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Passed {
    Nothing,
    Time(Stretch),
    /// The clock was set forward by so much, or nobody looked for so long; only the last of it counts.
    Skipped(Stretch, Duration),
    /// The clock was set back by so much.
    SetBack(Duration),
}

/// How far time has been counted.
#[derive(Debug, Default)]
pub struct Clock {
    until: Option<Timestamp>,
}

impl Clock {
    /// `now`: what the clock shows; `None` while it is not set. No moment is in two stretches, unless the clock is set back by
    /// more than five minutes.
    pub fn advance(&mut self, now: Option<Timestamp>) -> Passed {
        let Some(now) = now else {
            self.until = None;
            return Passed::Nothing;
        };
        let Some(before) = self.until.replace(now) else {
            return Passed::Nothing;
        };
        let by = now.duration_since(before).unsigned_abs();
        if now < before {
            if by > BACK {
                return Passed::SetBack(by);
            }
            self.until = Some(before);
            return Passed::Nothing;
        }
        if by > LATE {
            let after = now.checked_sub(LATE).unwrap_or(before);
            return Passed::Skipped(Stretch { after, until: now }, by);
        }
        Passed::Time(Stretch {
            after: before,
            until: now,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(second: i64) -> Option<Timestamp> {
        Some(Timestamp::from_second(1_800_000_000 + second).unwrap())
    }

    fn stretch(after: i64, until: i64) -> Stretch {
        Stretch {
            after: at(after).unwrap(),
            until: at(until).unwrap(),
        }
    }

    #[test]
    fn time_passes_without_gaps_and_without_overlap() {
        let mut clock = Clock::default();
        assert_eq!(
            clock.advance(at(0)),
            Passed::Nothing,
            "nothing before the start is made up for"
        );
        assert_eq!(clock.advance(at(1)), Passed::Time(stretch(0, 1)));
        assert_eq!(clock.advance(at(61)), Passed::Time(stretch(1, 61)));
    }

    #[test]
    fn a_clock_that_is_corrected_back_makes_nothing_ring_twice() {
        let mut clock = Clock::default();
        clock.advance(at(1000));
        assert_eq!(clock.advance(at(701)), Passed::Nothing);
        assert_eq!(clock.advance(at(999)), Passed::Nothing);
        assert_eq!(clock.advance(at(1001)), Passed::Time(stretch(1000, 1001)));
    }

    #[test]
    fn a_clock_that_was_wrong_counts_anew() {
        let mut clock = Clock::default();
        clock.advance(at(10_000));
        assert_eq!(clock.advance(at(0)), Passed::SetBack(Duration::from_secs(10_000)));
        assert_eq!(clock.advance(at(5)), Passed::Time(stretch(0, 5)));
        let skipped = Passed::Skipped(stretch(940, 1000), Duration::from_secs(995));
        assert_eq!(clock.advance(at(1000)), skipped);
        assert_eq!(clock.advance(None), Passed::Nothing);
        assert_eq!(clock.advance(at(500)), Passed::Nothing);
    }
}
