//! What the clock does: schedules and quiet hours.

use super::Absent::{Default, Required, Unset};
use super::contacts::{PAUSE, PLAYS, TIMES, WHEN_BUSY};
use super::sources::{CHIME, PAGE_LIMIT, PRIORITY, SOURCE_GAIN, ZONES};
use super::{Key, Kind, Section, absent, gates, key, terms};

const TERMS: Key = key(
    "terms",
    Kind::Dates,
    Unset("on every day of the year."),
    r#"["2027-01-04 to 2027-03-25", "2027-04-12 to 2027-07-21"]"#,
    "The days on which it holds: a day, or several in a row; without a year, every year.",
);

const EXCEPT: Key = key(
    "except",
    Kind::Dates,
    Unset("no exceptions."),
    r#"["12-24 to 01-01", "2027-05-03"]"#,
    "The days on which it does not hold, terms or not.",
);

pub(super) const SCHEDULES: Section = Section {
    path: "schedules",
    named: true,
    doc: "A sound at set times: a shift bell, a closing announcement. A time that a day does not have, because the clock is set \
          forward, counts by the clock before the change; one that comes twice counts the first time. What falls due while the board \
          is off, or its clock not set, is not made up for.",
    defaults: Some("defaults.schedules"),
    keys: &[
        key(
            "at",
            Kind::Moments,
            Required,
            r#"["Mon-Fri 07:00", "Sat 08:30"]"#,
            "When, by the clock on the wall of `site.time_zone`.",
        ),
        TERMS,
        EXCEPT,
        PLAYS,
        absent(
            Key {
                doc: "How often it is played each time.",
                ..TIMES
            },
            Default("1"),
        ),
        PAUSE,
        ZONES,
        PRIORITY,
        CHIME,
        WHEN_BUSY,
        terms::BEGIN,
        PAGE_LIMIT,
        terms::WAIT_LIMIT,
        SOURCE_GAIN,
    ],
};

pub(super) const QUIET_HOURS: Section = Section {
    path: "quiet_hours",
    named: true,
    doc: "When pages are not heard, or more softly: for neighbours, a night shift, an examination. What was bid for before goes on. \
          Where several tables hold, one that bars wins, else the one that lowers most. While the board's clock is not set nobody is kept quiet.",
    defaults: None,
    keys: &[
        Key {
            doc: "When it is quiet, by the clock on the wall of `site.time_zone`. An end before its beginning is on the next day.",
            ..absent(gates::HOURS, Required)
        },
        Key {
            doc: "The days on which it holds; a night belongs to the day on which it begins.",
            ..TERMS
        },
        EXCEPT,
        Key {
            doc: "Where it is quiet.",
            ..absent(ZONES, Unset("in all zones."))
        },
        key(
            "sources",
            Kind::Sources,
            Unset("all of them."),
            r#"["yard-page"]"#,
            "Who is kept quiet.",
        ),
        key(
            "up_to",
            Kind::Integer { from: 0, to: 100 },
            Default("50"),
            "69",
            "Pages of a higher priority than this are heard as ever.",
        ),
        key(
            "lower",
            Kind::Gain { from: -60.0, to: -1.0 },
            Unset("they are not heard at all: callers are refused."),
            r#""-12 dB""#,
            "They are heard so much more softly.",
        ),
    ],
};
