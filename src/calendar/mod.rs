//! What holds and what is due when, by the clock on the wall of the site. Pure: the moment and the time zone are
//! arguments, and the time zone is data (the IANA database, read by the crate jiff).
//!
//! [`hours`] are stretches of the week, [`dates`] days of the year, [`timetable`] moments that come again, [`quiet`]
//! who must be quiet when, [`clock`] makes one line of time out of a clock that may be set.

mod clock;
mod dates;
mod hours;
mod quiet;
mod timetable;

pub use clock::{Clock, Passed, Stretch};
pub use dates::{Dates, DatesError, Season};
pub use hours::{Hours, HoursError, LocalTime, Span};
pub use quiet::{Loudness, QuietHours, loudness};
pub use timetable::{Ring, Timetable};

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

/// What calendar and clock on the wall show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Wall {
    pub date: Date,
    pub time: LocalTime,
}

impl Wall {
    pub fn at(moment: Timestamp, zone: &TimeZone) -> Self {
        let local = zone.to_datetime(moment);
        let whole = |n: i8| u16::try_from(n).unwrap_or_default();
        Wall {
            date: local.date(),
            time: LocalTime {
                weekday: weekday(local.date()),
                minute: whole(local.hour()) * 60 + whole(local.minute()),
            },
        }
    }
}

/// 0 is Monday, 6 is Sunday.
fn weekday(date: Date) -> u8 {
    u8::try_from(date.weekday().to_monday_zero_offset()).unwrap_or_default()
}
