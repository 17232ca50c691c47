//! What stands behind the cards' outputs, for the level plan and the sheets of the installation.

use super::super::plan::{LoudspeakerLine, MusicMute};
use super::Absent::{Default, Unset};
use super::sources::ZONES as ZONE_NAMES;
use super::{Key, Kind, Section, key};

const MUSIC: &[&str] = &MusicMute::WORDS;
const LINES: &[&str] = &LoudspeakerLine::WORDS;

pub(super) const AMPLIFIERS: Section = Section {
    path: "amplifiers",
    named: true,
    doc: "An amplifier and its loudspeakers, as they are installed. What stands here changes nothing of what the program does: `hornwire levels` \
          plans the levels by it.",
    defaults: None,
    keys: &[
        Key {
            doc: "The zones that it serves. A zone has one amplifier.",
            ..ZONE_NAMES
        },
        key(
            "level",
            Kind::SignalLevel { from: -60.0, to: 26.0 },
            Default(r#""0 dBm""#),
            r#""-10 dBV""#,
            "The nominal level of speech at its line input, as its label or its manual says. dBm is meant in 600 ohm: 0 dBm is 0.775 V.",
        ),
        key(
            "impedance",
            Kind::Impedance { from: 1.0, to: 1e6 },
            Default(r#""600 ohm""#),
            r#""10 kohm""#,
            "The impedance of its line input.",
        ),
        key(
            "isolation",
            Kind::Choice(&["none", "transformer"]),
            Default(r#""none""#),
            r#""transformer""#,
            "An isolation transformer, 600 ohm to 600 ohm, between card and amplifier.",
        ),
        key(
            "pad",
            Kind::Pad,
            Default(r#""none""#),
            r#""T 10 dB""#,
            "The pad before the amplifier's input. U, H and O are for lines that float, behind a transformer.",
        ),
        key(
            "cable",
            Kind::Cable,
            Unset("it is short."),
            r#""20 m 0.5 mm2""#,
            "The cable between card and amplifier.",
        ),
        key(
            "line",
            Kind::Choice(LINES),
            Unset("its loudspeakers are not reckoned with."),
            r#""70.7 V""#,
            "Its loudspeaker line.",
        ),
        key(
            "power",
            Kind::Power { to: 10_000.0 },
            Unset("it is not known whether its loudspeakers are too many."),
            r#""120 W""#,
            "Its rated power.",
        ),
        key(
            "taps",
            Kind::Taps,
            Default("[]"),
            r#"["12 x 6 W", "4 x 1.5 W"]"#,
            "Its loudspeakers, by the power that each is tapped at.",
        ),
        key(
            "music",
            Kind::Choice(MUSIC),
            Default(r#""none""#),
            r#""relay""#,
            "How its music is silenced during a page: the music passes through the mute relay's normally closed contact (\"relay\"), or the amplifier \
             mutes it by a contact of its own (\"own\").",
        ),
    ],
};
