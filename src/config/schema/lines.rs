//! What comes in by wire: line inputs and music.

use super::Absent::{Default, Required};
use super::sources::{BUSY_TONE, CHIME, LEVELLED, PAGE_LIMIT, PRIORITY, QUIET_LIMIT, SOURCE_GAIN, ZONES};
use super::{Key, Kind, Section, absent, gates, key, period, shared, terms};

/// Channels of one capture device at most.
const MOST: i64 = 8;

const INPUT: Key = key(
    "input",
    Kind::Input,
    Required,
    r#""alsa:plughw:CARD=Device""#,
    "The device to capture from: \"alsa:\" and a name that `arecord -L` lists; \"wav:\" and the whole path of a file of \
     48 kHz, for trials, which is read over and over at its own pace; or \"null\", which is silence. Several tables may \
     name the same device, each with its own channel.",
);

const CHANNELS: Key = key(
    "channels",
    Kind::Integer { from: 1, to: MOST },
    Default("2"),
    "4",
    "How many channels to open. All tables that name the device say the same.",
);

pub(super) const INPUTS: Section = Section {
    path: "inputs",
    named: true,
    doc: "A line input: whatever is louder than its threshold speaks in its zones (voice-operated start). What stirs up to \
          300 ms before that is kept and heard too, so that no first syllable is lost. Below 100 Hz nothing counts, nor does noise \
          that was there before.",
    defaults: Some("defaults.inputs"),
    keys: &[
        INPUT,
        CHANNELS,
        key(
            "channel",
            Kind::Integer { from: 1, to: MOST },
            Default("1"),
            "2",
            "The device's channel, from 1. On a stereo input 1 is left, 2 is right.",
        ),
        shared(key(
            "threshold",
            Kind::Level { from: -70.0, to: -10.0 },
            Default(r#""-40 dBFS""#),
            r#""-34 dBFS""#,
            "The level (RMS over 5 ms) that starts a page. Set it well below the softest speech and above the noise of a line that \
             rests; the page goes on down to 6 dB below it. 0 dBFS is the device's full scale.",
        )),
        shared(key(
            "attack",
            period(10, 200, false),
            Default(r#""20 ms""#),
            r#""60 ms""#,
            "How long the sound must stand above the threshold. Longer lets knocks and clicks pass by; nothing is lost by \
             it.",
        )),
        shared(key(
            "hang",
            period(200, 30_000, false),
            Default(r#""2 s""#),
            r#""4 s""#,
            "How long the page goes on after the last sound, so that pauses between words don't end it.",
        )),
        terms::WHEN_BUSY,
        terms::WHEN_CUT,
        terms::UNDER,
        terms::RECORD_FIRST,
        terms::BEGIN,
        gates::HOURS,
        ZONES,
        PRIORITY,
        CHIME,
        PAGE_LIMIT,
        absent(QUIET_LIMIT, Default(r#""none""#)),
        terms::WAIT_LIMIT,
        terms::COOL_DOWN,
        LEVELLED,
        BUSY_TONE,
        SOURCE_GAIN,
    ],
};

pub(super) const MUSIC: Section = Section {
    path: "music",
    named: true,
    doc: "Background music that runs through the board: always heard in its zones, at its own level, and muted or lowered \
          while a page holds the zone. Music that reaches the amplifier by its own wire needs no table here: mute it by a \
          zone's `mute` relays.",
    defaults: None,
    keys: &[
        INPUT,
        CHANNELS,
        key(
            "channel",
            Kind::Mix { to: MOST },
            Default("[1, 2]"),
            "1",
            "The device's channel, from 1, or two of them, which are mixed half and half.",
        ),
        Key {
            doc: "The zones where the music is heard.",
            ..ZONES
        },
        Key {
            doc: "Makes the music louder or softer; each zone's own gain comes on top.",
            example: r#""-12 dB""#,
            shared: false,
            ..SOURCE_GAIN
        },
        key(
            "when_paging",
            Kind::Duck { from: -60.0, to: -3.0 },
            Default(r#""mute""#),
            r#""-20 dB""#,
            "What becomes of it while a page holds the zone, from the moment its relays operate until they rest: \"mute\", or \
             that much softer.",
        ),
        key(
            "fade_out",
            period(20, 5_000, false),
            Default(r#""300 ms""#),
            r#""100 ms""#,
            "How long the music takes to go down.",
        ),
        key(
            "fade_in",
            period(20, 30_000, false),
            Default(r#""2 s""#),
            r#""5 s""#,
            "How long it takes to come back.",
        ),
    ],
};
