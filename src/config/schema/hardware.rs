//! The board and what hangs on it: site, cards, relays, zones.

use super::Absent::{Default, Required, Unset};
use super::sources::ZONES as ZONE_NAMES;
use super::{Key, Kind, Section, key, period};

pub(super) const SITE: Section = Section {
    path: "site",
    named: false,
    doc: "Where the board is.",
    defaults: None,
    keys: &[
        key(
            "name",
            Kind::Text,
            Required,
            r#""Quayside Timber""#,
            "Stands in the journal and in `hornwire check`'s summary.",
        ),
        key(
            "time_zone",
            Kind::TimeZone,
            Unset("the system's."),
            r#""Europe/London""#,
            "The time zone of all `hours`, schedules and quiet hours.",
        ),
    ],
};

pub(super) const CARDS: Section = Section {
    path: "cards",
    named: true,
    doc: "A sound card, or what stands for one.",
    defaults: None,
    keys: &[
        key(
            "output",
            Kind::Output,
            Required,
            r#""alsa:plughw:CARD=Device""#,
            "\"alsa:\" and a name that `aplay -L` lists; \"wav:\" and the whole path of a file to write, for trials \
             (it grows by about 6 MB a minute and channel); or \"null\", which plays nowhere at the same pace.",
        ),
        key(
            "channels",
            Kind::Integer { from: 1, to: 8 },
            Default("2"),
            "4",
            "How many channels to open. Each feeds one amplifier.",
        ),
        key(
            "period",
            period(2, 100, false),
            Default(r#""10 ms""#),
            r#""20 ms""#,
            "How much audio the card takes at a time. Longer is safer on a slow board and adds delay.",
        ),
        key(
            "full_scale",
            Kind::LineLevel { from: -40.0, to: 30.0 },
            Unset("levels on the line are not known, and not told."),
            r#""+2.5 dBm""#,
            "What a meter shows across the amplifier's 600-ohm input while the card plays a sine at full scale: in dBm or \
             dBu (the same number across 600 ohm), or in volts RMS. Measure with a softer tone and add what it lacks: full \
             scale may be too loud for the amplifier, and for you. With it `hornwire check` tells each zone's level on the line. Where a \
             transformer or a pad stands between, measure at the card, across a resistor of 600 ohm in their place: `hornwire levels` \
             reckons what they take.",
        ),
        key(
            "impedance",
            Kind::Impedance {
                from: 0.1,
                to: 100_000.0,
            },
            Unset("`hornwire levels` takes 100 ohm."),
            r#""47 ohm""#,
            "The source impedance of the line output, for the level plan. From two readings: volts without a load and across 600 ohm; \
             `hornwire levels source` reckons it.",
        ),
    ],
};

pub(super) const RELAYS: Section = Section {
    path: "relays",
    named: true,
    doc: "A relay output. At rest = de-energised: the amplifier idle, the music playing.",
    defaults: None,
    keys: &[
        key(
            "line",
            Kind::Line,
            Required,
            r#""gpiochip0:17""#,
            "Chip and line of the GPIO character device (`gpioinfo` lists them), \"pi:\" and a BCM number on a \
             Raspberry Pi, or \"simulated\".",
        ),
        key(
            "active",
            Kind::Choice(&["high", "low"]),
            Default(r#""high""#),
            r#""low""#,
            "The line's level while the relay is operated. Many relay boards want \"low\".",
        ),
        key(
            "optional",
            Kind::Flag,
            Default("false"),
            "true",
            "Start even when the line is missing or busy. Otherwise the daemon refuses to start.",
        ),
        key(
            "lead",
            period(0, 15_000, false),
            Unset("the `lead` of each zone that names it."),
            r#""50 ms""#,
            "From operating it until what hangs on it is ready. One that is faster than the others of its zone operates later, so that all \
             are ready together: a music mute need not wait with the amplifier.",
        ),
        key(
            "release",
            period(0, 10_000, false),
            Unset("the `release` of each zone that names it."),
            r#""2 s""#,
            "From the last sample until it goes back to rest.",
        ),
        key(
            "min_on",
            period(0, 60_000, false),
            Default(r#""0 s""#),
            r#""3 s""#,
            "The least time that it stays operated, so that quick pages don't make an amplifier chatter. A fault, a veto and the end of \
             the program come before it.",
        ),
        key(
            "min_off",
            period(0, 10_000, false),
            Default(r#""0 s""#),
            r#""1 s""#,
            "The least time that it stays at rest. A page that comes sooner waits for it, and what is said meanwhile is kept.",
        ),
        key(
            "shows",
            Kind::Choice(&["page", "healthy", "fault"]),
            Unset("it serves the zones that name it in `trigger` or `mute`."),
            r#""page""#,
            "An output for a lamp or another system, that no zone names: operated while a page has a zone; while the program runs and nothing \
             is missing (\"healthy\": it falls with the power too); or while it runs and something is missing (\"fault\"): a card, a line \
             input, a contact, a group, every registrar of an extension.",
        ),
        key(
            "zones",
            ZONE_NAMES.kind,
            Unset("any zone."),
            r#"["yard"]"#,
            "With `shows = \"page\"`: the zones.",
        ),
        key(
            "blinks",
            period(200, 10_000, false),
            Unset("it is steady."),
            r#""1 s""#,
            "With `shows`: once on and off in this time. A mechanical relay wears out by blinking: for lamps on transistor outputs.",
        ),
    ],
};

pub(super) const ZONES: Section = Section {
    path: "zones",
    named: true,
    doc: "A zone: one channel of a sound card with its amplifier.",
    defaults: None,
    keys: &[
        key(
            "card",
            Kind::Name("cards"),
            Required,
            r#""usb""#,
            "The card that feeds the amplifier.",
        ),
        key(
            "channel",
            Kind::Integer { from: 1, to: 8 },
            Required,
            "1",
            "The card's channel, from 1. On a stereo card 1 is left, 2 is right.",
        ),
        key(
            "trigger",
            Kind::Names {
                section: "relays",
                empty: true,
            },
            Default("[]"),
            r#"["yard-trigger"]"#,
            "Relays that are operated for the whole page so that the amplifier passes speech.",
        ),
        key(
            "mute",
            Kind::Names {
                section: "relays",
                empty: true,
            },
            Default("[]"),
            r#"["yard-mute"]"#,
            "Relays that are operated for the whole page to mute the music (wired through the normally closed \
             contact).",
        ),
        key(
            "lead",
            period(0, 15_000, false),
            Default(r#""300 ms""#),
            r#""600 ms""#,
            "The amplifier's wake-up time, from operating the relays until audio starts. Speech is kept meanwhile: with the \
             chime at most 15 s.",
        ),
        key(
            "release",
            period(0, 10_000, false),
            Default(r#""500 ms""#),
            r#""1 s""#,
            "From the last sample until the relays go back to rest.",
        ),
        key(
            "gain",
            Kind::Gain { from: -60.0, to: 20.0 },
            Default(r#""0 dB""#),
            r#""-6 dB""#,
            "The zone's level. Start low, then set it with a tone and a meter.",
        ),
        key(
            "equaliser",
            Kind::Equaliser,
            Default("[]"),
            r#"["high-pass 300 Hz", "bell 3 kHz -4 dB q 1.4"]"#,
            "Filters for the zone's loudspeakers, before the ceiling. Horn loudspeakers want a high-pass at or above the \
             lowest frequency that their maker names: what is below only moves the diaphragm.",
        ),
        key(
            "ceiling",
            Kind::Level { from: -40.0, to: 0.0 },
            Default(r#""-3 dBFS""#),
            r#""-6 dBFS""#,
            "No peak leaves the card above this, whatever comes in. 0 dBFS is the card's full scale.",
        ),
    ],
};

pub(super) const ZONE_GROUPS: Section = Section {
    path: "zone_groups",
    named: true,
    doc: "A name for several zones: it may stand wherever `zones` are listed, alone or beside others, but in no other group.",
    defaults: None,
    keys: &[Key {
        doc: "The zones that it stands for.",
        ..ZONE_NAMES
    }],
};
