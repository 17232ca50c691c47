//! Quiet hours: who is not heard, or heard more softly, and when.

use super::{Hours, Season, Wall};
use crate::page::{Priority, SourceId, ZoneId};
use crate::sound::level::Db;

/// One rule.
#[derive(Debug, Clone, PartialEq)]
pub struct QuietHours {
    pub name: String,
    pub hours: Hours,
    /// Of a stretch that goes over midnight the day counts on which it began.
    pub season: Season,
    pub zones: Vec<ZoneId>,
    /// Everybody, if `None`.
    pub sources: Option<Vec<SourceId>>,
    /// Pages of higher priority are heard as ever.
    pub up_to: Priority,
    /// How much more softly; not at all, if `None`.
    pub lower: Option<Db>,
}

/// What quiet hours make of a page in a zone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Loudness {
    Full,
    Lowered(Db),
    Barred,
}

impl QuietHours {
    /// Whether it is quiet at that time.
    pub fn hold(&self, at: Wall) -> bool {
        let days_ago = |n: u8| (0..n).try_fold(at.date, |date, _| date.yesterday());
        let began = self.hours.since(at.time);
        began
            .into_iter()
            .any(|n| days_ago(n).is_ok_and(|date| self.season.holds(date)))
    }

    fn concerns(&self, zone: ZoneId, source: SourceId, priority: Priority) -> bool {
        let named = self.sources.as_ref().is_none_or(|list| list.contains(&source));
        named && priority <= self.up_to && self.zones.contains(&zone)
    }
}

/// What the rules make of a page in a zone, and which of them decides: one that bars it, else the one that lowers it most.
pub fn loudness(
    rules: &[QuietHours],
    zone: ZoneId,
    source: SourceId,
    priority: Priority,
    at: Wall,
) -> (Loudness, Option<usize>) {
    let mut decided = (Loudness::Full, None);
    for (index, rule) in rules.iter().enumerate() {
        if !rule.concerns(zone, source, priority) || !rule.hold(at) {
            continue;
        }
        match (rule.lower, decided.0) {
            (None, _) => return (Loudness::Barred, Some(index)),
            (Some(lower), Loudness::Lowered(lowest)) if lower.0 >= lowest.0 => {}
            (Some(lower), _) => decided = (Loudness::Lowered(lower), Some(index)),
        }
    }
    decided
}

#[cfg(test)]
mod tests {
    #![allow(clippy::disallowed_methods)]

    use jiff::tz::TimeZone;

    use super::*;

    fn rule(hours: &str, sources: Option<&[u16]>, up_to: u8, lower: Option<f32>) -> QuietHours {
        QuietHours {
            name: "night".into(),
            hours: Hours(vec![hours.parse().unwrap()]),
            season: Season::default(),
            zones: vec![ZoneId(0)],
            sources: sources.map(|list| list.iter().copied().map(SourceId).collect()),
            up_to: Priority(up_to),
            lower: lower.map(Db),
        }
    }

    fn wall(utc: &str) -> Wall {
        Wall::at(utc.parse().unwrap(), &TimeZone::UTC)
    }

    #[test]
    fn who_bars_decides_before_who_lowers_and_urgent_pages_pass() {
        let rules = [
            rule("daily 20:00-07:00", None, 50, Some(-6.0)),
            rule("daily 22:00-06:00", Some(&[3]), 60, None),
            rule("daily 21:00-07:00", None, 50, Some(-12.0)),
        ];
        let at = |utc, source, priority| loudness(&rules, ZoneId(0), SourceId(source), Priority(priority), wall(utc));
        let night = "2027-03-02T23:00:00Z";
        assert_eq!(at(night, 3, 50), (Loudness::Barred, Some(1)));
        assert_eq!(at(night, 3, 61), (Loudness::Full, None));
        assert_eq!(at(night, 4, 50), (Loudness::Lowered(Db(-12.0)), Some(2)));
        assert_eq!(
            at("2027-03-02T20:30:00Z", 3, 50),
            (Loudness::Lowered(Db(-6.0)), Some(0))
        );
        assert_eq!(at("2027-03-02T12:00:00Z", 3, 50), (Loudness::Full, None));
        let elsewhere = loudness(&rules, ZoneId(1), SourceId(3), Priority(50), wall(night));
        assert_eq!(elsewhere, (Loudness::Full, None));
    }

    #[test]
    fn a_night_belongs_to_the_day_on_which_it_began() {
        let mut rule = rule("daily 22:00-06:00", None, 50, None);
        rule.season.except = vec!["12-31".parse().unwrap()];
        assert!(rule.hold(wall("2027-12-31T05:59:00Z")));
        assert!(!rule.hold(wall("2027-12-31T22:00:00Z")) && !rule.hold(wall("2028-01-01T05:00:00Z")));
        assert!(rule.hold(wall("2028-01-01T22:00:00Z")));
    }
}
