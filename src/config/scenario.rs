//! A day's events for a rehearsal: a small TOML file.

use std::io::Read as _;
use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::civil::{DateTime, Time};
use toml::de::DeTable;

use self::reader::Reader;
use super::plan::Plan;
use super::problem::{Complaint, Problems, cut, quote};
use super::{MAX_FILE, Problem, Unreadable, open};

mod reader;

/// Most events of a scenario.
pub const MAX_EVENTS: usize = 10_000;
/// Longest span of a scenario.
pub const MAX_SPAN: Duration = Duration::from_secs(400 * 86_400);

/// What happens on a day.
#[derive(Debug, Clone, PartialEq)]
pub struct Scenario {
    /// The config that it is rehearsed against, if it names one.
    pub config: Option<PathBuf>,
    /// By the clock on the wall.
    pub begins: DateTime,
    /// `None`: a minute after the last event is over.
    pub ends: Option<At>,
    /// In their order.
    pub events: Vec<Event>,
}

/// When something happens.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum At {
    /// By the clock on the wall.
    Wall(DateTime),
    /// So long after the event before it.
    Later(Duration),
}

#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    pub at: At,
    pub what: What,
    pub lasts: Duration,
    /// Where it stands in the file.
    offset: usize,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum What {
    Call(Call),
    /// A multicast stream to this group.
    Stream {
        group: String,
        speech: Speech,
    },
    /// Sound at this line input.
    Speak {
        input: String,
        speech: Speech,
    },
    /// This contact closes.
    Close(String),
    /// This veto's contact closes.
    TakeOver(String),
    /// This sound card is gone.
    Lose(String),
    /// The board's clock is set to this time of the same day.
    SetClock(Time),
    /// The local command announces something.
    Announce(Announcement),
    /// The local command stops every page of this source.
    Stop(String),
}

/// What the local command is told to play.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Announcement {
    /// A stored message, a tone, or any word for a file whose length is given.
    pub plays: String,
    pub length: Option<Duration>,
    /// Zones and zone groups.
    pub zones: Vec<String>,
    pub priority: Option<u8>,
    pub times: u32,
}

/// A call to an extension.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Call {
    pub extension: String,
    pub caller: String,
    /// The address that it comes from; the extension's registrar's if `None`.
    pub from: Option<IpAddr>,
    /// Name of the code that is typed; "wrong" for one that is none.
    pub code: Option<String>,
    /// Typed where zones can be chosen.
    pub keys: String,
    /// The number that was dialled, where it is not the extension's own.
    pub dialled: Option<String>,
    pub urgent: Option<String>,
    pub speech: Speech,
}

/// How long somebody speaks and their audio comes; for as long as the event lasts if `None`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Speech {
    pub silent_after: Option<Duration>,
    pub cut_off_after: Option<Duration>,
}

/// What can happen, and what it means.
pub const KINDS: [(&str, &str); 9] = [
    ("call", "somebody calls this extension"),
    ("stream", "somebody sends to this multicast group"),
    ("speak", "there is sound at this line input"),
    ("close", "this contact closes"),
    ("take_over", "another system takes the zones of this table in [vetoes]"),
    ("lose", "this sound card is gone"),
    (
        "set_clock",
        "somebody sets the board's clock to this time of the same day",
    ),
    (
        "announce",
        "`hornwire announce` plays this stored message or tone, or a file of any name whose length is `for`",
    ),
    ("stop", "`hornwire stop` ends every page of this source"),
];

const SPEECH: &[&str] = &["call", "stream", "speak"];

/// Settings of an event: the key, the kinds that have it (all if none stands there), what it means.
pub const SETTINGS: [(&str, &[&str], &str); 13] = [
    (
        "at",
        &[],
        "when: a time of day, which is the next day's if it is earlier than the event before, or a time after that one, `\"+30 s\"`",
    ),
    (
        "for",
        &["call", "stream", "speak", "close", "take_over", "lose", "announce"],
        "how long it lasts; of an announcement, how long its file is",
    ),
    ("caller", &["call"], "who calls (default `\"201\"`)"),
    (
        "from",
        &["call"],
        "the address that the call comes from; without it, from the extension's registrar, or from the first network that is let in",
    ),
    (
        "code",
        &["call"],
        "the code that the caller types, by its name in the config, or `\"wrong\"`",
    ),
    ("keys", &["call"], "what else the caller types, to choose zones"),
    (
        "dialled",
        &["call"],
        "the number that was dialled, where it is not the extension's own",
    ),
    ("urgent", &["call"], "the word in the call that may raise its priority"),
    (
        "silent_after",
        SPEECH,
        "after so long nobody speaks any more, though packets come",
    ),
    (
        "cut_off_after",
        SPEECH,
        "after so long nothing comes any more, and nobody hangs up",
    ),
    ("zones", &["announce"], "a list of zones and zone groups"),
    ("priority", &["announce"], "0 to 100; without it, that of [control]"),
    ("times", &["announce"], "how often it is played (default 1)"),
];

fn keys() -> impl Iterator<Item = &'static str> {
    let kinds = KINDS.iter().map(|(name, _)| *name);
    kinds.chain(SETTINGS.iter().map(|(name, ..)| *name))
}

/// Reads a scenario, and tells everything that is wrong with it.
///
/// # Errors
/// When the file cannot be read.
pub fn load(path: &Path) -> Result<(Option<Scenario>, Vec<Problem>, String), Unreadable> {
    let mut text = String::new();
    open(path)
        .and_then(|f| f.take(MAX_FILE + 1).read_to_string(&mut text))
        .map_err(|error| Unreadable::of(path, &error))?;
    if text.len() as u64 > MAX_FILE {
        let mut problems = Problems::new(&path.display().to_string(), "");
        problems.whole(Complaint {
            found: "a file that is too large".to_owned(),
            wanted: format!("at most {MAX_FILE} octets of TOML"),
            hint: "several scenarios".to_owned(),
            ..Complaint::default()
        });
        return Ok((None, problems.into_list(), text));
    }
    let (scenario, problems) = read(&text, path);
    Ok((scenario, problems, text))
}

/// As [`load`], of a text. `path` names it, and is where a config's relative path begins.
pub fn read(text: &str, path: &Path) -> (Option<Scenario>, Vec<Problem>) {
    let mut problems = Problems::new(&path.display().to_string(), text);
    let (root, errors) = DeTable::parse_recoverable(text);
    for error in errors {
        let complaint = Complaint {
            found: cut(error.message()),
            wanted: "a `key = value` line of TOML, or a line [[events]]".to_owned(),
            ..Complaint::default()
        };
        problems.syntax(error.span().map_or(0, |s| s.start), complaint);
    }
    let scenario = Reader {
        problems: &mut problems,
    }
    .scenario(root.get_ref(), path);
    let scenario = scenario.filter(|_| !problems.has_errors());
    (scenario, problems.into_list())
}

/// `6:00`, `06:00:10.5`; what else is wrong with it.
pub fn time_of_day(text: &str) -> Result<Time, &'static str> {
    if text.contains(['-', 'T', ' ']) {
        return Err("a time of day without a date: the day is that of `begins`, or of the event before");
    }
    if text.contains('.') && !text.contains(':') {
        return Err("write a colon: \"06:00\"");
    }
    let padded = match text.split(':').next() {
        Some(hour) if hour.len() == 1 => format!("0{text}"),
        _ => text.to_owned(),
    };
    let digits = padded.starts_with(|c: char| c.is_ascii_digit()) && padded.contains(':');
    match padded.parse::<Time>() {
        Ok(time) if digits => Ok(time),
        _ if digits => Err("there is no such time; midnight is 00:00"),
        _ => Err("write hours and minutes: \"06:00\""),
    }
}

/// Tells of every name that the plan has not. `text` and `path` are those that the scenario was read from.
pub fn check(scenario: &Scenario, plan: &Plan, text: &str, path: &Path) -> Vec<Problem> {
    let mut problems = Problems::new(&path.display().to_string(), text);
    let mut reader = Reader {
        problems: &mut problems,
    };
    for event in &scenario.events {
        let at = event.offset;
        match &event.what {
            What::Call(call) => {
                reader.known(at, "call", &call.extension, plan.extensions.iter().map(|e| &e.name));
                let is_code = |code: &String| code == WRONG_CODE || plan.codes.iter().any(|c| c.name == *code);
                if let Some(code) = call.code.as_ref().filter(|code| !is_code(code)) {
                    let wanted = "the name of a table in [codes.NAME] of the config, or \"wrong\"";
                    let hint = "the digits themselves stand nowhere in a scenario";
                    reader.tell(at, "events.code", quote(code), wanted, hint);
                }
            }
            What::Stream { group, .. } => reader.known(at, "stream", group, plan.groups.iter().map(|g| &g.name)),
            What::Speak { input, .. } => reader.known(at, "speak", input, plan.inputs.iter().map(|i| &i.name)),
            What::Close(contact) => reader.known(at, "close", contact, plan.contacts.iter().map(|c| &c.name)),
            What::TakeOver(veto) => reader.known(at, "take_over", veto, plan.vetoes.iter().map(|v| &v.name)),
            What::Lose(card) => reader.known(at, "lose", card, plan.cards.iter().map(|c| &c.name)),
            What::Announce(wanted) => {
                for zone in &wanted.zones {
                    reader.known(at, "zones", zone, plan.zone_names());
                }
                if wanted.length.is_none() {
                    reader.known(at, "announce", &wanted.plays, plan.played_names());
                }
            }
            What::Stop(source) => {
                let names: Vec<&str> = plan.speakers().map(|speaker| speaker.name(plan)).collect();
                reader.known(at, "stop", source, names);
            }
            What::SetClock(_) => {}
        }
    }
    problems.into_list()
}

/// In place of a code's name: one that is none.
pub const WRONG_CODE: &str = "wrong";
