//! The table of keys in words: for messages, and as a page of reference.

use super::scenario;
use super::schema::{Absent, DEFAULTS, Kind, SECTIONS, section};
use super::text::show_duration;
use crate::bench::levels::quantity::Ohms;
use crate::report::text::fill;

impl Kind {
    /// What the value must be, in words.
    pub fn describe(&self) -> String {
        match self {
            Kind::Text => "text of 1 to 64 characters".to_owned(),
            Kind::Flag => "true or false".to_owned(),
            Kind::Integer { from, to } => format!("a whole number from {from} to {to}"),
            Kind::Duration { from, to, none } => format!(
                "a time from {} to {}{}",
                show_duration(*from),
                show_duration(*to),
                if *none { ", or \"none\"" } else { "" }
            ),
            Kind::Gain { from, to } => format!("a gain from {from} to {to} dB"),
            Kind::Level { from, to } => format!("a level from {from} to {to} dBFS"),
            Kind::LineLevel { from, to } => {
                format!("a level from {from} to {to} dBm across 600 ohm, in dBm, dBu or V")
            }
            Kind::SignalLevel { from, to } => {
                format!("a level from {from} to {to} dBu, in dBm, dBu, dBV or V")
            }
            Kind::Impedance { from, to } => format!("an impedance from {} to {}", Ohms(*from), Ohms(*to)),
            Kind::Power { to } => format!("a power up to {to} W"),
            Kind::Pad => {
                "\"none\", or the kind of a pad (L, U, T, H, pi, O, bridged-T) and its loss from 0.5 to 60 dB".to_owned()
            }
            Kind::Cable => "a length in m or ft and a gauge in mm2 or AWG".to_owned(),
            Kind::Taps => "a list of COUNT x POWER".to_owned(),
            Kind::Equaliser => {
                "a list of up to 8 of \"high-pass FREQUENCY\", \"bell FREQUENCY GAIN\", \"low-shelf FREQUENCY GAIN\" and \
                 \"high-shelf FREQUENCY GAIN\"; the first two may end with q NUMBER"
                    .to_owned()
            }
            Kind::Choice(words) => one_of(words),
            Kind::ChoiceOrName(words, section) => {
                format!("{}, or the name of a table in [{section}.NAME]", quoted(words).join(", "))
            }
            Kind::Codec => CODECS.to_owned(),
            Kind::Codecs => format!("a list without repetition of {CODECS}"),
            Kind::Name(section) => format!("the name of a table in [{section}.NAME]"),
            Kind::Names { section, empty } => format!(
                "a list{} of names from [{section}.NAME]{}, without repetition",
                if *empty { " (it may be empty)" } else { "" },
                if *section == "zones" { " and [zone_groups.NAME]" } else { "" }
            ),
            Kind::Sources => {
                "a list of names of extensions, groups, line inputs, contacts and schedules, without repetition".to_owned()
            }
            Kind::Output => "\"alsa:NAME\", \"wav:/PATH\" or \"null\"".to_owned(),
            Kind::Input => "\"alsa:NAME\", \"wav:/PATH\" or \"null\"".to_owned(),
            Kind::Mix { to } => format!("a channel from 1 to {to}, or a list of two of them"),
            Kind::Duck { from, to } => format!("\"mute\", or a gain from {from} to {to} dB"),
            Kind::Line => "\"gpiochipN:LINE\", \"/dev/gpiochipN:LINE\", \"pi:BCM\" or \"simulated\"".to_owned(),
            Kind::Contact => "\"gpiochipN:LINE\", \"/dev/gpiochipN:LINE\" or \"file:/PATH\"".to_owned(),
            Kind::Listen => "a list of \"udp:ADDRESS:PORT\", \"tcp:ADDRESS:PORT\" and \"tls:ADDRESS:PORT\"".to_owned(),
            Kind::Ports => "\"FIRST-LAST\", two ports from 1024 to 65535, the first one even".to_owned(),
            Kind::Networks => "a list of addresses and address blocks".to_owned(),
            Kind::Advertise => "an IPv4 or IPv6 address".to_owned(),
            Kind::Registrar => {
                "\"sip:HOST\" or \"sip:HOST:PORT\", also with ;transport=tcp or ;transport=tls, \"sips:HOST\", a list of up to \
                 four of them, or \"none\""
                    .to_owned()
            }
            Kind::User => "the user part of a SIP address".to_owned(),
            Kind::Multicast => "\"ADDRESS:PORT\" with a multicast address".to_owned(),
            Kind::Interface => "the name or an address of a network interface".to_owned(),
            Kind::PayloadType => "an RTP payload type, 0 to 127 but not 64 to 95 (RFC 5761 §4)".to_owned(),
            Kind::Callers => "a list of USER and USER@HOST, with * for any characters".to_owned(),
            Kind::Hours => "a list of DAYS HH:MM-HH:MM, DAYS as in Mon-Fri, Sat,Sun or daily".to_owned(),
            Kind::Moments => "a list of DAYS HH:MM, DAYS as in Mon-Fri, Sat,Sun or daily".to_owned(),
            Kind::Dates => {
                "a list of YYYY-MM-DD or, for every year, MM-DD; several days as FIRST to LAST".to_owned()
            }
            Kind::TimeZone => "the name of a time zone (`timedatectl list-timezones`)".to_owned(),
            Kind::Keypad => "a table of zones by the digits that choose them".to_owned(),
            Kind::Dial => "a table of zones by the number that is dialled".to_owned(),
            Kind::Urgent => "a table of priorities from 0 to 100 by the header's value".to_owned(),
            Kind::SecretName => "a name that stands in the secrets file".to_owned(),
            Kind::Listener => "\"ADDRESS:PORT\" of this machine".to_owned(),
            Kind::Socket => "the whole path of a socket, at most 100 octets, or \"none\"".to_owned(),
            Kind::File => "the path of a file".to_owned(),
            Kind::Credential => "the name of a systemd credential, without slashes".to_owned(),
        }
    }
}

/// The spelling of a codec.
const CODECS: &str = r#""opus", "g722", "pcmu", "pcma", "l16/RATE" or "l16/RATE/2""#;

fn quoted(words: &[&str]) -> Vec<String> {
    words.iter().map(|w| format!("\"{w}\"")).collect()
}

fn one_of(words: &[&str]) -> String {
    let quoted = quoted(words);
    match quoted.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} or {last}", rest.join(", ")),
        _ => quoted.concat(),
    }
}

/// A piece of the reference. Words in backquotes are literal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Block {
    /// The name of a part.
    Part(String),
    /// The name of a table.
    Table(String),
    Text(String),
    /// What is explained, and what is said of it: each text begins a line.
    Item(String, Vec<String>),
}

/// The key reference, piece by piece: the first part tells the keys of the config file, the second those of a scenario.
pub fn blocks() -> Vec<Block> {
    let mut blocks = vec![
        Block::Part("Keys of the config file".to_owned()),
        Block::Text(
            "This page is the output of `hornwire check --keys`. A config file is TOML. `NAME` is a name of your choice: \
             1 to 32 letters, digits, `-` and `_`. Times have a unit: `ms`, `s`, `min`, `h`. Files `*.toml` in the folder of the same name \
             with `.d` behind it are read after it, by their names; a key there takes the place of the same key before."
                .to_owned(),
        ),
    ];
    for section in SECTIONS {
        let name = if section.named { ".NAME" } else { "" };
        blocks.push(Block::Table(format!("[{}{name}]", section.path)));
        blocks.push(Block::Text(section.doc.to_owned()));
        for key in section.keys {
            let absent = match key.absent {
                Absent::Required => format!("Required, for example `{}`.", key.example),
                Absent::Default(value) => format!("Default: `{value}`."),
                Absent::Unset(meaning) => format!("For example `{}`. When absent: {meaning}", key.example),
            };
            let term = format!("`{}`: {}.", key.name, key.kind.describe());
            blocks.push(Block::Item(term, vec![absent, key.doc.to_owned()]));
        }
    }
    for (path, of) in DEFAULTS {
        let keys = section(of).map_or(&[][..], |s| s.keys);
        let names: Vec<String> = keys
            .iter()
            .filter(|k| k.shared)
            .map(|k| format!("`{}`", k.name))
            .collect();
        blocks.push(Block::Table(format!("[{path}]")));
        blocks.push(Block::Text(format!(
            "Defaults for every table in [{of}.NAME]; a key in the table itself wins. It takes: {}.",
            names.join(", ")
        )));
    }
    scenarios(&mut blocks);
    blocks
}

fn scenarios(blocks: &mut Vec<Block>) {
    blocks.push(Block::Part("Keys of a scenario".to_owned()));
    blocks.push(Block::Text(
        "A scenario is TOML too, for `hornwire rehearse`. At its head stand `config` (a config file, beside the scenario), \
         `begins` (a date and a time by the clock on the wall) and, if it is not to end a minute after the last event, `ends`. \
         Each event begins with a line `[[events]]`, and is one of:"
            .to_owned(),
    ));
    for (kind, about) in scenario::KINDS {
        blocks.push(Block::Item(format!("`{kind}`: {about}."), Vec::new()));
    }
    blocks.push(Block::Text("With it come:".to_owned()));
    for (key, of, about) in scenario::SETTINGS {
        let of = match of {
            [] => "of all events".to_owned(),
            kinds => format!("of `{}`", kinds.join("`, `")),
        };
        blocks.push(Block::Item(format!("`{key}`, {of}: {about}."), Vec::new()));
    }
}

/// Longest line of the reference, in characters; of an item, without what sets it in.
const WIDTH: usize = 110;

/// The key reference, as Markdown that also reads well in a terminal.
pub fn reference() -> String {
    let mut page = String::new();
    let mut in_list = false;
    for block in blocks() {
        let is_item = matches!(block, Block::Item(..));
        let goes_on = in_list && is_item;
        if !goes_on && !page.is_empty() {
            page.push('\n');
        }
        in_list = is_item;
        match block {
            Block::Part(name) => page.push_str(&format!("# {name}\n")),
            Block::Table(name) => page.push_str(&format!("## {name}\n")),
            Block::Text(text) => fill(&mut page, &text, "", "", WIDTH),
            Block::Item(term, texts) => {
                fill(&mut page, &term, "- ", "  ", WIDTH + 2);
                for text in &texts {
                    fill(&mut page, text, "  ", "  ", WIDTH + 2);
                }
            }
        }
    }
    page
}
