//! What becomes of a page that has no zone, and how often one may be made: keys that sources share.

use super::Absent::{Default, Unset};
use super::{Key, Kind, key, period, shared};

const LOSSES: &[&str] = &["refuse", "wait", "record", "under"];

const WHEN_BUSY_DOC: &str = "While its zones are held by a page it cannot cut into: \"refuse\" (a caller hears busy), \"wait\" in line \
     and be heard from the moment a zone is free (a caller hears a waiting tone until then), or \"record\": what is said is \
     kept, and played once its source has ended and a zone is free; or \"under\": be heard below the page that is on, as much softer as \
     `under` says, and wait where none speaks yet.";

/// Of who can be told.
pub(super) const WHEN_BUSY_CALL: Key = shared(key(
    "when_busy",
    Kind::Choice(LOSSES),
    Default(r#""refuse""#),
    r#""record""#,
    WHEN_BUSY_DOC,
));

/// Of who can't.
pub(super) const WHEN_BUSY: Key = shared(key(
    "when_busy",
    Kind::Choice(LOSSES),
    Default(r#""wait""#),
    r#""refuse""#,
    WHEN_BUSY_DOC,
));

pub(super) const WHEN_CUT: Key = shared(key(
    "when_cut",
    Kind::Choice(&["end", "resume", "record", "under"]),
    Unset(
        "as `when_busy`: \"end\" with \"refuse\", \"resume\" with \"wait\", \"record\" with \"record\", \"under\" with \"under\".",
    ),
    r#""record""#,
    "When a page of higher priority takes its last zone: \"end\" the page, \"resume\" it live when a zone is free again, \"record\" \
     the rest, or go on \"under\" it, as with `when_busy`.",
));

pub(super) const UNDER: Key = shared(key(
    "under",
    Kind::Gain { from: -40.0, to: -3.0 },
    Default(r#""-15 dB""#),
    r#""-10 dB""#,
    "How much softer it is heard below another page, with \"under\".",
));

pub(super) const RECORD_FIRST: Key = shared(key(
    "record_first",
    Kind::Flag,
    Default("false"),
    "true",
    "What is said is recorded and played after the call, the stream or the sound has ended: for who stands beside a loudspeaker, \
     where a live page would howl.",
));

pub(super) const WAIT_LIMIT: Key = shared(key(
    "wait_limit",
    period(1_000, 3_600_000, true),
    Default(r#""5 min""#),
    r#""30 s""#,
    "The longest wait for a zone, live or recorded; then the page ends unheard, and the journal says so. \"none\" for no limit.",
));

pub(super) const WARNING: Key = shared(key(
    "warning",
    period(1_000, 60_000, true),
    Default(r#""5 s""#),
    r#""10 s""#,
    "The caller hears two short beeps this long before `page_limit` ends the page, if it is at least twice as long. \"none\" for \
     no warning.",
));

pub(super) const COOL_DOWN: Key = shared(key(
    "cool_down",
    period(1_000, 86_400_000, false),
    Unset("one page may follow another at once."),
    r#""30 s""#,
    "From the end of the source's page until its next one may begin. Meanwhile, and while one goes on, it is refused.",
));

pub(super) const PAGES_PER_HOUR: Key = shared(key(
    "pages_per_hour",
    Kind::Integer {
        from: 1,
        to: crate::page::MAX_PER_HOUR as i64,
    },
    Unset("as many as they like."),
    "12",
    "The most pages of one caller, or one sender, that are heard within an hour. Callers for whom neither the registrar nor a trusted \
     peer vouches are counted by their address.",
));

pub(super) const BEGIN: Key = shared(key(
    "begin",
    Kind::Choice(&["each", "together"]),
    Default(r#""each""#),
    r#""together""#,
    "A page to several zones of which some are busy: begin in \"each\" as it becomes free, or in all of them \"together\", \
     which keeps the free ones from lower and later pages until then.",
));
