//! Moments that come again: bells, announcements.

use std::fmt;
use std::str::FromStr;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan as _};

use super::hours::{self, HoursError};
use super::{Dates, Season, Stretch, weekday};

/// How far ahead the next moment is looked for: over a leap year.
const AHEAD: i32 = 4 * 366;

/// `Mon-Fri 09:30`: a time of day on several days of the week.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ring {
    /// Bit 0 is Monday.
    days: u8,
    /// Since midnight.
    minute: u16,
}

impl FromStr for Ring {
    type Err = HoursError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let (days, minute) = hours::moment(text)?;
        Ok(Ring { days, minute })
    }
}

/// As in the config file.
impl fmt::Display for Ring {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", hours::days(self.days), hours::clock(self.minute))
    }
}

/// When something is due.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Timetable {
    pub at: Vec<Ring>,
    pub season: Season,
}

impl Timetable {
    /// The next moment after `after`; `None` if there is none for some years. A time of day that a day does not have (the clock is
    /// set forward) counts by the clock before the change; of one that comes twice the first counts (RFC 5545 §3.3.5).
    pub fn next(&self, after: Timestamp, zone: &TimeZone) -> Option<Timestamp> {
        self.next_on(after, zone, AHEAD)
    }

    /// As [`Timetable::next`], looked for on so many days, from the day before `after` on.
    fn next_on(&self, after: Timestamp, zone: &TimeZone, days: i32) -> Option<Timestamp> {
        // Midnight itself may be skipped: a moment of yesterday may fall into today.
        let mut date = zone.to_datetime(after).date().yesterday().ok()?;
        for _ in 0..days {
            let tomorrow = date.tomorrow().ok()?;
            if let Some(next) = self.on(date, after, zone).min() {
                return self.on(tomorrow, after, zone).chain([next]).min();
            }
            date = tomorrow;
        }
        None
    }

    /// Whether terms and exceptions leave any moment, past or to come.
    pub fn ever_rings(&self) -> bool {
        let terms = self.season.terms.iter().filter_map(|dates| match dates {
            Dates::Once { first, .. } => first.yesterday().ok(),
            Dates::Yearly { .. } => None,
        });
        // Every date of every year falls on every day of the week within 28 years of the Gregorian calendar.
        let years = (2000..2028).map(|year| jiff::civil::date(year, 1, 1));
        terms.chain(years).any(|date| {
            let from = TimeZone::UTC.to_timestamp(date.at(0, 0, 0, 0));
            from.is_ok_and(|from| self.next(from, &TimeZone::UTC).is_some())
        })
    }

    /// Moments of a date that come after `after`.
    fn on<'a>(&'a self, date: Date, after: Timestamp, zone: &'a TimeZone) -> impl Iterator<Item = Timestamp> + 'a {
        let day = 1u8 << weekday(date);
        let rings = self.at.iter().filter(move |ring| ring.days & day != 0);
        let rings = rings.filter(move |_| self.season.holds(date));
        let midnight = date.at(0, 0, 0, 0);
        let moments = rings.filter_map(move |ring| {
            let at = midnight.checked_add(i64::from(ring.minute).minutes()).ok()?;
            zone.to_ambiguous_timestamp(at).compatible().ok()
        });
        moments.filter(move |at| *at > after)
    }

    /// All moments of a stretch, in their order.
    pub fn within<'a>(&'a self, stretch: Stretch, zone: &'a TimeZone) -> impl Iterator<Item = Timestamp> + 'a {
        let day = |at: Timestamp| zone.to_datetime(at).date();
        // The days between, and those before and after.
        let days = day(stretch.after)
            .until(day(stretch.until))
            .map_or(AHEAD, |span| span.get_days() + 3);
        let next = move |after: Timestamp| self.next_on(after, zone, days).filter(|at| *at <= stretch.until);
        std::iter::successors(next(stretch.after), move |at| next(*at))
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::disallowed_methods)]

    use super::*;

    fn timetable(at: &[&str], terms: &[&str], except: &[&str]) -> Timetable {
        Timetable {
            at: at.iter().map(|t| t.parse().unwrap()).collect(),
            season: Season {
                terms: terms.iter().map(|t| t.parse().unwrap()).collect(),
                except: except.iter().map(|t| t.parse().unwrap()).collect(),
            },
        }
    }

    fn rings(table: &Timetable, zone: &str, after: &str, until: &str) -> Vec<String> {
        let zone = TimeZone::get(zone).unwrap();
        let stretch = Stretch {
            after: after.parse().unwrap(),
            until: until.parse().unwrap(),
        };
        table.within(stretch, &zone).map(|at| at.to_string()).collect()
    }

    /// Summer time in London begins on the last Sunday in March at 01:00 UTC (tz database).
    #[test]
    fn shown_as_it_may_be_written() {
        for text in ["daily 00:00", "Mon-Fri 06:30", "Sat 07:00"] {
            assert_eq!(text.parse::<Ring>().unwrap().to_string(), text);
        }
    }

    #[test]
    fn bells_ring_by_the_clock_on_the_wall() {
        let table = timetable(&["Mon-Fri 08:00", "Sat 09:30"], &[], &[]);
        let week = rings(&table, "Europe/London", "2027-03-25T08:00:00Z", "2027-03-30T07:00:00Z");
        // Thursday 08:00 itself is past; from Sunday on the clock is an hour ahead.
        assert_eq!(
            week,
            [
                "2027-03-26T08:00:00Z",
                "2027-03-27T09:30:00Z",
                "2027-03-29T07:00:00Z",
                "2027-03-30T07:00:00Z"
            ]
        );
    }

    /// RFC 5545 §3.3.5, for America/New_York: "If the local time described occurs more than once, the value refers to the first
    /// occurrence"; one that does not occur "is interpreted using the UTC offset before the gap". In 2007 the clock went back
    /// on 4 November and forward on 11 March (the RFC's own examples).
    #[test]
    fn a_time_that_comes_twice_rings_once_and_one_that_does_not_come_is_not_lost() {
        let table = timetable(&["daily 01:30", "daily 02:30"], &[], &[]);
        let back = rings(
            &table,
            "America/New_York",
            "2007-11-04T04:00:00Z",
            "2007-11-05T04:00:00Z",
        );
        assert_eq!(back, ["2007-11-04T05:30:00Z", "2007-11-04T07:30:00Z"]);
        let forward = rings(
            &table,
            "America/New_York",
            "2007-03-11T05:00:00Z",
            "2007-03-12T04:00:00Z",
        );
        assert_eq!(forward, ["2007-03-11T06:30:00Z", "2007-03-11T07:30:00Z"]);
    }

    /// A day that a zone left out: Samoa crossed the date line at the end of 29 December 2011 (tz database).
    #[test]
    fn a_day_that_was_left_out() {
        let table = timetable(&["daily 12:00"], &[], &["2011-12-30"]);
        let rings = rings(&table, "Pacific/Apia", "2011-12-29T00:00:00Z", "2012-01-01T00:00:00Z");
        assert_eq!(
            rings,
            ["2011-12-29T22:00:00Z", "2011-12-30T22:00:00Z", "2011-12-31T22:00:00Z"]
        );
    }

    #[test]
    fn terms_and_exceptions_are_days_on_the_wall() {
        let table = timetable(
            &["daily 00:05", "daily 23:55"],
            &["2027-03-01 to 2027-03-02"],
            &["03-02"],
        );
        let rings = rings(
            &table,
            "Pacific/Auckland",
            "2027-02-27T00:00:00Z",
            "2027-03-05T00:00:00Z",
        );
        assert_eq!(rings, ["2027-02-28T11:05:00Z", "2027-03-01T10:55:00Z"]);
        let never = timetable(&["Mon 08:00"], &["2027-03-02"], &[]);
        assert_eq!(
            never.next("2027-01-01T00:00:00Z".parse().unwrap(), &TimeZone::UTC),
            None
        );
        assert!(!never.ever_rings());
        assert!(timetable(&["Mon 08:00"], &["2031-03-03"], &[]).ever_rings());
        let leap = timetable(&["daily 08:00"], &["02-29"], &[]);
        let next = leap
            .next("2028-03-01T00:00:00Z".parse().unwrap(), &TimeZone::UTC)
            .unwrap();
        assert_eq!(next.to_string(), "2032-02-29T08:00:00Z");
    }
}
