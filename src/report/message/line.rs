//! What line inputs, music and the devices they come from tell.

use super::super::entry::Severity;
use super::{Entry, kind, times};
use crate::sound::hum::Hum;

#[derive(Debug, Clone, PartialEq)]
pub enum LineMessage {
    /// A capture device runs.
    Opened {
        device: String,
        /// The inputs and music that it carries.
        serves: String,
        /// Its thread runs with real-time scheduling.
        real_time: bool,
    },
    Lost {
        device: String,
        serves: String,
        cause: String,
    },
    /// The device ran over `count` times since the last such message.
    Xruns {
        device: String,
        count: u64,
    },
    /// A line input sounds outside its hours.
    NotHeard {
        input: String,
    },
    /// The mains are heard on a line input: the first time in a while.
    Hums {
        input: String,
        hum: Hum,
    },
    HumGone {
        input: String,
    },
    /// Music stopped and began again `count` times on the way to a card.
    MusicBroken {
        music: String,
        card: String,
        count: u64,
    },
}

impl LineMessage {
    pub(super) fn entry(&self) -> Entry {
        match self {
            LineMessage::Opened {
                device,
                serves,
                real_time,
            } => {
                let scheduling = if *real_time { "with" } else { "without" };
                Entry::new(
                    kind::INPUT_OPENED,
                    format!("{device} captures for {serves}, {scheduling} real-time scheduling"),
                )
                .severe(if *real_time {
                    Severity::Notice
                } else {
                    Severity::Warning
                })
                .with("INPUT_DEVICE", device)
                .with("SERVES", serves)
                .with("REAL_TIME", u8::from(*real_time))
            }
            LineMessage::Lost { device, serves, cause } => Entry::new(
                kind::INPUT_LOST,
                format!("{device} does not work: {cause}; nothing is heard from {serves} until it does"),
            )
            .with("INPUT_DEVICE", device)
            .with("SERVES", serves)
            .with("CAUSE", cause),
            LineMessage::Xruns { device, count } => Entry::new(
                kind::INPUT_XRUNS,
                format!("{device} ran over {}: what was captured then is missing", times(*count)),
            )
            .with("INPUT_DEVICE", device)
            .with("COUNT", count),
            LineMessage::NotHeard { input } => Entry::new(
                kind::LINE_NOT_HEARD,
                format!("line input {input} speaks outside its hours and is not heard"),
            )
            .with("SOURCE", input),
            LineMessage::Hums { input, hum } => Entry::new(
                kind::LINE_HUMS,
                format!(
                    "line input {input} hums: {} Hz mains at {:.0} dBFS, strongest at {} Hz",
                    hum.mains,
                    hum.level.0,
                    hum.mains * hum.strongest
                ),
            )
            .with("SOURCE", input)
            .with("MAINS_HZ", hum.mains)
            .with("STRONGEST_HZ", hum.mains * hum.strongest)
            .with("LEVEL", format_args!("{:.1}", hum.level.0)),
            LineMessage::HumGone { input } => {
                Entry::new(kind::LINE_HUM_GONE, format!("line input {input} hums no longer")).with("SOURCE", input)
            }
            LineMessage::MusicBroken { music, card, count } => Entry::new(
                kind::MUSIC_BROKEN,
                format!(
                    "music {music} broke off and began again {} on the way to sound card {card}",
                    times(*count)
                ),
            )
            .with("MUSIC", music)
            .with("CARD", card)
            .with("COUNT", count),
        }
    }
}
