//! The clock on the wall: for hours, and for nothing else.

use std::time::{Duration, UNIX_EPOCH};

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::control::Control;
use crate::config::plan::Plan;
use crate::gate::LocalTime;
use crate::report::message::{GateMessage, Message};
use crate::report::time;

pub struct WallClock {
    zone: TimeZone,
    /// Hours stand somewhere in the plan.
    wanted: bool,
    told: bool,
}

impl WallClock {
    pub fn new(plan: &Plan) -> Self {
        let named = plan.time_zone.as_deref().and_then(|name| TimeZone::get(name).ok());
        let wanted = plan.extensions.iter().any(|e| !e.gate.hours.0.is_empty())
            || plan.codes.iter().any(|c| !c.hours.0.is_empty())
            || plan.groups.iter().any(|g| !g.hours.0.is_empty())
            || plan.inputs.iter().any(|i| !i.hours.0.is_empty())
            || plan.contacts.iter().any(|c| !c.hours.0.is_empty());
        WallClock {
            zone: named.unwrap_or_else(TimeZone::system),
            wanted,
            told: false,
        }
    }

    /// `None` while the clock is not set.
    fn at(&self, now: Timestamp) -> Option<LocalTime> {
        let since_1970 = Duration::from_secs(u64::try_from(now.as_second()).unwrap_or(0));
        if !time::is_set(UNIX_EPOCH + since_1970) {
            return None;
        }
        let local = self.zone.to_datetime(now);
        Some(LocalTime {
            weekday: u8::try_from(local.date().weekday().to_monday_zero_offset()).ok()?,
            minute: u16::try_from(local.hour()).ok()? * 60 + u16::try_from(local.minute()).ok()?,
        })
    }
}

impl Control {
    /// Local time; `None` while the clock is not set, which is told once.
    pub(super) fn local_time(&mut self) -> Option<LocalTime> {
        if !self.clock.wanted {
            return None;
        }
        let local = self.clock.at(Timestamp::now());
        if local.is_none() && !std::mem::replace(&mut self.clock.told, true) {
            self.tell(Message::Gate(GateMessage::ClockNotSet));
        }
        if local.is_some() {
            self.clock.told = false;
        }
        local
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clock(zone: &str) -> WallClock {
        WallClock {
            zone: TimeZone::get(zone).unwrap(),
            wanted: true,
            told: false,
        }
    }

    fn at(clock: &WallClock, utc: &str) -> Option<(u8, u16, u16)> {
        let local = clock.at(utc.parse().unwrap())?;
        Some((local.weekday, local.minute / 60, local.minute % 60))
    }

    /// Summer time in London begins on the last Sunday in March at 01:00 UTC and ends on the last in October (tz database).
    #[test]
    fn hours_follow_the_wall_through_summer_time() {
        let london = clock("Europe/London");
        assert_eq!(at(&london, "2027-03-28T00:59:00Z"), Some((6, 0, 59)));
        assert_eq!(at(&london, "2027-03-28T01:00:00Z"), Some((6, 2, 0)));
        assert_eq!(at(&london, "2027-10-31T00:59:00Z"), Some((6, 1, 59)));
        assert_eq!(at(&london, "2027-10-31T01:00:00Z"), Some((6, 1, 0)));
        // 06:00 by the clock, winter and summer.
        assert_eq!(at(&london, "2027-01-11T06:00:00Z"), Some((0, 6, 0)));
        assert_eq!(at(&london, "2027-07-12T05:00:00Z"), Some((0, 6, 0)));
        // Another day than in UTC.
        assert_eq!(
            at(&clock("Pacific/Auckland"), "2027-01-10T23:30:00Z"),
            Some((0, 12, 30))
        );
    }

    #[test]
    fn a_clock_that_is_not_set_says_nothing() {
        let utc = clock("UTC");
        assert_eq!(at(&utc, "1970-01-01T00:03:00Z"), None);
        assert_eq!(at(&utc, "2026-10-31T23:59:59Z"), None);
        assert_eq!(at(&utc, "2026-11-01T00:00:00Z"), Some((6, 0, 0)));
    }

    /// A time service in wrong hands can say anything: the answer depends on what it says now, and on nothing before.
    #[test]
    fn jumps_leave_nothing_behind() {
        let auckland = clock("Pacific/Auckland");
        let noon = (0, 12, 30);
        for wild in [Timestamp::MIN, Timestamp::UNIX_EPOCH, Timestamp::MAX] {
            let there = auckland.at(wild);
            assert_eq!(there.is_some(), wild == Timestamp::MAX, "{wild}");
            assert!(there.is_none_or(|t| t.weekday < 7 && t.minute < 24 * 60), "{there:?}");
            assert_eq!(at(&auckland, "2027-01-10T23:30:00Z"), Some(noon));
        }
    }
}
