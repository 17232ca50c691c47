//! What stands behind a card's output: an amplifier and its loudspeakers. It changes nothing of what the daemon does; the level plan
//! and the sheets for the installation are made from it.

use crate::bench::levels::cable::Cable;
use crate::bench::levels::line::Tap;
use crate::bench::levels::pad::Pad;
use crate::bench::levels::quantity::{Level, Ohms, Watts};
use crate::page::ZoneId;

#[derive(Debug, Clone, PartialEq)]
pub struct Amplifier {
    pub name: String,
    /// Whose sound it carries; no zone has two amplifiers.
    pub zones: Vec<ZoneId>,
    /// At its line input, for speech at full output.
    pub level: Level,
    /// Of its line input.
    pub impedance: Ohms,
    /// An isolation transformer, one to one, stands before it.
    pub transformer: bool,
    pub pad: Option<Pad>,
    /// From the card to the amplifier.
    pub cable: Option<Cable>,
    pub line: Option<LoudspeakerLine>,
    /// Rated.
    pub power: Option<Watts>,
    pub taps: Vec<Tap>,
    pub music: MusicMute,
}

/// The amplifier's output.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LoudspeakerLine {
    Volts25,
    Volts70,
    Volts100,
    LowImpedance,
}

impl LoudspeakerLine {
    pub const WORDS: [&str; 4] = ["25 V", "70.7 V", "100 V", "low impedance"];

    pub(in crate::config) fn of(word: &str) -> Option<Self> {
        match word {
            "25 V" => Some(LoudspeakerLine::Volts25),
            "70.7 V" => Some(LoudspeakerLine::Volts70),
            "100 V" => Some(LoudspeakerLine::Volts100),
            "low impedance" => Some(LoudspeakerLine::LowImpedance),
            _ => None,
        }
    }

    /// As in the config file.
    pub const fn name(self) -> &'static str {
        match self {
            LoudspeakerLine::Volts25 => Self::WORDS[0],
            LoudspeakerLine::Volts70 => Self::WORDS[1],
            LoudspeakerLine::Volts100 => Self::WORDS[2],
            LoudspeakerLine::LowImpedance => Self::WORDS[3],
        }
    }
}

/// How the music is silenced during a page.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MusicMute {
    /// There is none, or it comes through the board.
    None,
    /// The music source passes through the mute relay's normally-closed contact.
    Relay,
    /// The amplifier mutes it, by a contact of its own.
    Own,
}

impl MusicMute {
    pub(in crate::config) const WORDS: [&str; 3] = ["none", "relay", "own"];

    /// As in the config file.
    pub const fn name(self) -> &'static str {
        match self {
            MusicMute::None => Self::WORDS[0],
            MusicMute::Relay => Self::WORDS[1],
            MusicMute::Own => Self::WORDS[2],
        }
    }
}
