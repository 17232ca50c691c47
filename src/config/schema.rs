//! Every key of the config format: its kind, its default and what it does.
//!
//! The reader, its messages and the key reference all come from this table, so they cannot differ.

use std::time::Duration;

use crate::sound::busy::Plan;

mod amplifiers;
mod calendar;
mod contacts;
mod control;
mod gates;
mod hardware;
mod lines;
mod messages;
mod signalling;
mod sources;
mod terms;

/// What a value must be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Kind {
    /// One line of text.
    Text,
    Flag,
    Integer {
        from: i64,
        to: i64,
    },
    Duration {
        from: Duration,
        to: Duration,
        /// `"none"` is allowed too.
        none: bool,
    },
    /// dB.
    Gain {
        from: f32,
        to: f32,
    },
    /// dBFS.
    Level {
        from: f32,
        to: f32,
    },
    /// dBm into 600 ohm, also written in dBu or volts.
    LineLevel {
        from: f32,
        to: f32,
    },
    /// A level at a line input, in dBm, dBu, dBV or volts: from and to in dBu.
    SignalLevel {
        from: f32,
        to: f32,
    },
    /// Ohms.
    Impedance {
        from: f64,
        to: f64,
    },
    /// Watts.
    Power {
        to: f64,
    },
    /// A pad's kind and loss.
    Pad,
    /// A cable's length and gauge.
    Cable,
    /// Loudspeakers and their taps.
    Taps,
    /// Filters, in their order.
    Equaliser,
    Choice(&'static [&'static str]),
    /// One of these words, or the name of a table of this section.
    ChoiceOrName(&'static [&'static str], &'static str),
    Codec,
    /// Preferred first.
    Codecs,
    /// The name of a table of this section.
    Name(&'static str),
    Names {
        section: &'static str,
        /// The list may be empty.
        empty: bool,
    },
    Output,
    /// Where audio is captured.
    Input,
    /// An address and a TCP port of this machine.
    Listener,
    /// One channel of a device, or two that are mixed.
    Mix {
        to: i64,
    },
    /// "mute", or dB below.
    Duck {
        from: f32,
        to: f32,
    },
    Line,
    /// Where a contact comes in.
    Contact,
    Listen,
    Ports,
    Networks,
    Advertise,
    Registrar,
    User,
    Multicast,
    Interface,
    PayloadType,
    /// Patterns of callers.
    Callers,
    /// Opening hours.
    Hours,
    /// Days and times of day.
    Moments,
    /// Days of the year.
    Dates,
    /// Names of tables of [`SPEAKERS`].
    Sources,
    TimeZone,
    /// Zones by digits of the dial pad.
    Keypad,
    /// Zones by dialled user.
    Dial,
    /// Priorities by values of Priority and Resource-Priority.
    Urgent,
    /// A name in the secrets file; never repeated in a message.
    SecretName,
    /// A UNIX socket, or none.
    Socket,
    /// A file, relative to the config file's directory.
    File,
    /// The name of a systemd credential.
    Credential,
}

/// What holds when the key is not there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Absent {
    Required,
    /// This value, as TOML.
    Default(&'static str),
    /// No value; what that means.
    Unset(&'static str),
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Key {
    pub name: &'static str,
    pub kind: Kind,
    pub absent: Absent,
    /// A fitting value, as TOML.
    pub example: &'static str,
    pub doc: &'static str,
    /// May also stand in the `[defaults.*]` table of its section.
    pub shared: bool,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Section {
    /// Path of the table, or of the table of tables.
    pub path: &'static str,
    /// Tables with names of the installer's choice stand below the path.
    pub named: bool,
    pub doc: &'static str,
    pub keys: &'static [Key],
    /// Path of the table that gives defaults to its shared keys.
    pub defaults: Option<&'static str>,
}

const fn ms(n: u64) -> Duration {
    Duration::from_millis(n)
}

const fn key(name: &'static str, kind: Kind, absent: Absent, example: &'static str, doc: &'static str) -> Key {
    Key {
        name,
        kind,
        absent,
        example,
        doc,
        shared: false,
    }
}

const fn shared(key: Key) -> Key {
    Key { shared: true, ..key }
}

const fn absent(key: Key, absent: Absent) -> Key {
    Key { absent, ..key }
}

/// Names of `media::srtp::Suite`.
pub(super) const SUITES: &[&str] = &[
    "AES_CM_128_HMAC_SHA1_80",
    "AES_CM_128_HMAC_SHA1_32",
    "AES_256_CM_HMAC_SHA1_80",
    "AES_256_CM_HMAC_SHA1_32",
];

/// Whose busy tone ends a page.
pub(super) const BUSY_TONES: &[&str] = &[
    "none",
    Plan::Itu.name(),
    Plan::NorthAmerica.name(),
    Plan::Uk.name(),
    Plan::Germany.name(),
    Plan::France.name(),
    Plan::Australia.name(),
    Plan::Japan.name(),
];

pub(super) const CHIMES: &[&str] = &["none", "single", "double", "triple"];
pub(super) const PLAYED: &[&str] = &["bell", "single", "double", "triple"];

const fn period(from: u64, to: u64, none: bool) -> Kind {
    Kind::Duration {
        from: ms(from),
        to: ms(to),
        none,
    }
}

/// All of it, in the order of the reference.
pub(super) const SECTIONS: &[Section] = &[
    hardware::SITE,
    hardware::CARDS,
    hardware::RELAYS,
    hardware::ZONES,
    hardware::ZONE_GROUPS,
    amplifiers::AMPLIFIERS,
    signalling::SIP,
    signalling::SECRETS,
    signalling::TLS,
    sources::EXTENSIONS,
    gates::CODES,
    sources::GROUPS,
    messages::MESSAGES,
    lines::INPUTS,
    lines::MUSIC,
    contacts::CONTACTS,
    contacts::VETOES,
    calendar::SCHEDULES,
    calendar::QUIET_HOURS,
    control::CONTROL,
    control::METRICS,
];

/// The tables of defaults and what they are for.
pub(super) const DEFAULTS: &[(&str, &str)] = &[
    ("defaults.extensions", "extensions"),
    ("defaults.groups", "groups"),
    ("defaults.inputs", "inputs"),
    ("defaults.contacts", "contacts"),
    ("defaults.schedules", "schedules"),
];

/// The sections whose tables page, in the order of [`crate::page::SourceId`].
pub(super) const SPEAKERS: [&str; 5] = ["extensions", "groups", "inputs", "contacts", "schedules"];

pub(super) fn section(path: &str) -> Option<&'static Section> {
    SECTIONS.iter().find(|s| s.path == path)
}

impl Section {
    pub fn key(&self, name: &str) -> Option<&'static Key> {
        self.keys.iter().find(|k| k.name == name)
    }
}
