//! The clock on the wall: for hours, schedules and quiet hours, and for nothing else.

use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::control::Control;
use crate::calendar::{Clock, LocalTime, Loudness, Passed, Stretch, Wall, loudness};
use crate::config::plan::Plan;
use crate::page::{PageId, ZoneId};
use crate::report::message::{ClockMessage, Message};
use crate::report::time;
use crate::sound::level::Db;

const MINUTE: i128 = 60_000_000_000;

pub struct WallClock {
    pub(super) zone: TimeZone,
    /// Hours, schedules or quiet hours stand somewhere in the plan.
    wanted: bool,
    told: bool,
    pub(super) passed: Clock,
    pub(super) wall: Box<dyn Fn() -> Timestamp>,
    /// When the next minute begins, as far as is known.
    minute_at: Instant,
}

impl WallClock {
    pub fn new(plan: &Plan, wall: Box<dyn Fn() -> Timestamp>, now: Instant) -> Self {
        WallClock {
            zone: plan.wall_zone(),
            wanted: plan.asks_for_the_time(),
            told: false,
            passed: Clock::default(),
            wall,
            minute_at: now,
        }
    }

    /// Goes by another plan.
    pub fn change(&mut self, plan: &Plan, now: Instant) {
        self.zone = plan.wall_zone();
        self.wanted = plan.asks_for_the_time();
        self.minute_at = now;
    }

    /// When the next minute begins; `None` where it does not matter.
    pub fn due(&self) -> Option<Instant> {
        self.wanted.then_some(self.minute_at)
    }

    /// What it shows, if it is set.
    pub fn moment(&self) -> Option<Timestamp> {
        Some((self.wall)()).filter(|now| is_set(*now))
    }

    /// What it shows, set or not.
    pub fn shows(&self) -> SystemTime {
        system_time((self.wall)())
    }

    /// Date and time for people.
    pub fn text(&self) -> String {
        self.moment().map_or_else(
            || "an unknown time".to_owned(),
            |moment| self.zone.to_datetime(moment).strftime("%F %T").to_string(),
        )
    }
}

fn is_set(now: Timestamp) -> bool {
    time::is_set(system_time(now))
}

/// Before 1970 there is none.
pub fn system_time(moment: Timestamp) -> SystemTime {
    UNIX_EPOCH + Duration::try_from(moment.duration_since(Timestamp::UNIX_EPOCH)).unwrap_or_default()
}

impl Control {
    /// Local time; `None` while the clock is not set, which is told once.
    pub(super) fn local_time(&mut self) -> Option<LocalTime> {
        self.wall().map(|wall| wall.time)
    }

    /// As [`Control::local_time`], with the date.
    pub(super) fn wall(&mut self) -> Option<Wall> {
        self.shown().map(|now| Wall::at(now, &self.clock.zone))
    }

    fn shown(&mut self) -> Option<Timestamp> {
        if !self.clock.wanted {
            return None;
        }
        let shown = self.clock.moment();
        let was_told = std::mem::replace(&mut self.clock.told, shown.is_none());
        if shown.is_none() && !was_told {
            self.tell(Message::Clock(ClockMessage::NotSet));
        }
        shown
    }

    /// The time on the wall that has passed since this was last called. Tells when the clock was set.
    pub(super) fn passed(&mut self, now: Instant) -> Option<Stretch> {
        let Some(wall) = self.shown() else {
            self.clock.minute_at = now + Duration::from_secs(1);
            self.clock.passed.advance(None);
            return None;
        };
        let left = MINUTE - wall.as_nanosecond().rem_euclid(MINUTE);
        self.clock.minute_at = now + Duration::from_nanos(u64::try_from(left).unwrap_or_default());
        match self.clock.passed.advance(Some(wall)) {
            Passed::Nothing => None,
            Passed::Time(stretch) => Some(stretch),
            Passed::Skipped(stretch, by) => {
                self.tell(Message::Clock(ClockMessage::Jumped { by, forward: true }));
                Some(stretch)
            }
            Passed::SetBack(by) => {
                self.tell(Message::Clock(ClockMessage::Jumped { by, forward: false }));
                None
            }
        }
    }

    /// By how much quiet hours lower a page in a zone.
    pub(super) fn lowered(&mut self, zone: ZoneId, page: PageId) -> Db {
        let full = Db(0.0);
        if self.plan.quiet_hours.is_empty() {
            return full;
        }
        let Some(wall) = self.wall() else { return full };
        let Some(entry) = self.pages.get(&page) else {
            return full;
        };
        if entry.is_test() {
            return full;
        }
        let (source, priority) = (entry.origin.speaker().id(), entry.priority());
        match loudness(&self.plan.quiet_hours, zone, source, priority, wall).0 {
            Loudness::Lowered(gain) => gain,
            // It was bid for before they began.
            Loudness::Full | Loudness::Barred => full,
        }
    }
}

#[cfg(test)]
mod tests {
    use std::cell::Cell;
    use std::rc::Rc;

    use super::*;

    /// One that always shows the same.
    fn clock(zone: &str, shows: Timestamp) -> WallClock {
        WallClock {
            zone: TimeZone::get(zone).unwrap(),
            wanted: true,
            told: false,
            passed: Clock::default(),
            wall: Box::new(move || shows),
            minute_at: Instant::now(),
        }
    }

    fn local(clock: &WallClock) -> Option<LocalTime> {
        clock.moment().map(|now| Wall::at(now, &clock.zone).time)
    }

    fn at(zone: &str, utc: &str) -> Option<(u8, u16, u16)> {
        let local = local(&clock(zone, utc.parse().unwrap()))?;
        Some((local.weekday, local.minute / 60, local.minute % 60))
    }

    /// Summer time in London begins on the last Sunday in March at 01:00 UTC and ends on the last in October (tz database).
    #[test]
    fn hours_follow_the_wall_through_summer_time() {
        let london = "Europe/London";
        assert_eq!(at(london, "2027-03-28T00:59:00Z"), Some((6, 0, 59)));
        assert_eq!(at(london, "2027-03-28T01:00:00Z"), Some((6, 2, 0)));
        assert_eq!(at(london, "2027-10-31T00:59:00Z"), Some((6, 1, 59)));
        assert_eq!(at(london, "2027-10-31T01:00:00Z"), Some((6, 1, 0)));
        // 06:00 by the clock, winter and summer.
        assert_eq!(at(london, "2027-01-11T06:00:00Z"), Some((0, 6, 0)));
        assert_eq!(at(london, "2027-07-12T05:00:00Z"), Some((0, 6, 0)));
        // Another day than in UTC.
        assert_eq!(at("Pacific/Auckland", "2027-01-10T23:30:00Z"), Some((0, 12, 30)));
    }

    #[test]
    fn a_clock_that_is_not_set_says_nothing() {
        assert_eq!(at("UTC", "1970-01-01T00:03:00Z"), None);
        assert_eq!(at("UTC", "2026-10-31T23:59:59Z"), None);
        assert_eq!(at("UTC", "2026-11-01T00:00:00Z"), Some((6, 0, 0)));
    }

    /// A time service in wrong hands can say anything: the answer depends on what it says now, and on nothing before.
    #[test]
    fn jumps_leave_nothing_behind() {
        let shown = Rc::new(Cell::new(Timestamp::UNIX_EPOCH));
        let shows = Rc::clone(&shown);
        let mut auckland = clock("Pacific/Auckland", Timestamp::UNIX_EPOCH);
        auckland.wall = Box::new(move || shows.get());
        for wild in [Timestamp::MIN, Timestamp::UNIX_EPOCH, Timestamp::MAX] {
            shown.set(wild);
            let there = local(&auckland);
            assert_eq!(there.is_some(), wild == Timestamp::MAX, "{wild}");
            assert!(there.is_none_or(|t| t.weekday < 7 && t.minute < 24 * 60), "{there:?}");
            shown.set("2027-01-10T23:30:00Z".parse().unwrap());
            let noon = local(&auckland).unwrap();
            assert_eq!((noon.weekday, noon.minute), (0, 12 * 60 + 30));
        }
    }
}
