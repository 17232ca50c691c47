//! Contacts that come in: bells and buttons, and other systems that take over.

use super::Absent::{Default, Required, Unset};
use super::sources::{CHIME, PAGE_LIMIT, PRIORITY, SOURCE_GAIN, ZONES};
use super::{Key, Kind, PLAYED, Section, gates, key, period, terms};

const LINE: Key = key(
    "line",
    Kind::Contact,
    Required,
    r#""gpiochip0:5""#,
    "Chip and line of the GPIO character device (`gpioinfo` lists them; on a Raspberry Pi the line's number is the BCM number), or \
     \"file:/PATH\" for a trial without hardware: the contact is closed while the file is there.",
);

const CLOSED: Key = key(
    "closed",
    Kind::Choice(&["low", "high"]),
    Default(r#""low""#),
    r#""high""#,
    "The line's level while the contact is closed. The board's own resistor pulls it the other way.",
);

const DEBOUNCE: Key = key(
    "debounce",
    period(1, 2_000, false),
    Default(r#""30 ms""#),
    r#""100 ms""#,
    "How long the contact must be steady to count.",
);

pub(super) const PLAYS: Key = key(
    "plays",
    Kind::ChoiceOrName(PLAYED, "messages"),
    Default(r#""bell""#),
    r#""double""#,
    "What is heard: a bell, a tone of one to three notes, or the stored message of this name.",
);

pub(super) const TIMES: Key = key(
    "times",
    Kind::Integer { from: 1, to: 100 },
    Unset("for as long as the contact is closed, and then to the end of the sound."),
    "2",
    "How often it is played each time the contact closes, however long it stays closed.",
);

pub(super) const PAUSE: Key = key(
    "pause",
    period(0, 60_000, false),
    Default(r#""2 s""#),
    r#""500 ms""#,
    "Silence between one playing and the next.",
);

/// Of what can wait, and is not worth keeping.
pub(super) const WHEN_BUSY: Key = Key {
    kind: Kind::Choice(&["wait", "refuse"]),
    doc: "While its zones are held by a page it cannot cut into: \"wait\" and be heard from the moment a zone is free, if \
          it still has something to play, or \"refuse\".",
    ..terms::WHEN_BUSY
};

pub(super) const CONTACTS: Section = Section {
    path: "contacts",
    named: true,
    doc: "A dry contact at an input line: a night bell, a door bell, a button. It plays a sound in its zones. Connect nothing but \
          a contact without voltage of its own, from the line to ground (or to the board's 3.3 V with `closed = \"high\"`).",
    defaults: Some("defaults.contacts"),
    keys: &[
        LINE,
        CLOSED,
        DEBOUNCE,
        PLAYS,
        TIMES,
        PAUSE,
        gates::HOURS,
        ZONES,
        PRIORITY,
        CHIME,
        WHEN_BUSY,
        terms::BEGIN,
        PAGE_LIMIT,
        terms::WAIT_LIMIT,
        terms::COOL_DOWN,
        SOURCE_GAIN,
    ],
};

pub(super) const VETOES: Section = Section {
    path: "vetoes",
    named: true,
    doc: "An output of another system that takes over the amplifiers: while its contact is closed, whatever is heard in these zones \
          ends, or waits where its source has `when_cut` for that, music that this board plays is silent, their relays go to rest, and \
          nothing new begins. Connect as for `contacts`. What must be heard in an emergency never \
          depends on this board: such a system needs priority of its own over the amplifiers.",
    defaults: None,
    keys: &[
        LINE,
        CLOSED,
        DEBOUNCE,
        Key {
            doc: "The zones whose amplifiers it takes.",
            ..ZONES
        },
    ],
};
