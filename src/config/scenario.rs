//! A day's events for a rehearsal: a small TOML file.

use std::borrow::Cow;
use std::io::Read as _;
use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::civil::{DateTime, Time};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::plan::Plan;
use super::problem::{Complaint, Problems, alternatives, cut, nearest, quote};
use super::{MAX_FILE, Problem, Unreadable, open, text};

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
    pub ends: Option<DateTime>,
    /// In their order.
    pub events: Vec<Event>,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    pub at: DateTime,
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

const KINDS: [&str; 7] = ["call", "stream", "speak", "close", "take_over", "lose", "set_clock"];
const KEYS: [&str; 17] = [
    "at",
    "for",
    "call",
    "stream",
    "speak",
    "close",
    "take_over",
    "lose",
    "set_clock",
    "caller",
    "from",
    "code",
    "keys",
    "dialled",
    "urgent",
    "silent_after",
    "cut_off_after",
];
/// Keys that belong to one kind of events.
const OF_CALLS: [&str; 6] = ["caller", "from", "code", "keys", "dialled", "urgent"];

/// Reads a scenario, and tells everything that is wrong with it.
///
/// # Errors
/// When the file cannot be read.
pub fn load(path: &Path) -> Result<(Option<Scenario>, Vec<Problem>, String), Unreadable> {
    let mut text = String::new();
    open(path)
        .and_then(|f| f.take(MAX_FILE).read_to_string(&mut text))
        .map_err(|error| Unreadable::of(path, &error))?;
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
    let names = |list: Vec<&String>| list.into_iter().cloned().collect::<Vec<String>>();
    for event in &scenario.events {
        let (key, name, known) = match &event.what {
            What::Call(call) => (
                "call",
                &call.extension,
                names(plan.extensions.iter().map(|e| &e.name).collect()),
            ),
            What::Stream { group, .. } => ("stream", group, names(plan.groups.iter().map(|g| &g.name).collect())),
            What::Speak { input, .. } => ("speak", input, names(plan.inputs.iter().map(|i| &i.name).collect())),
            What::Close(contact) => ("close", contact, names(plan.contacts.iter().map(|c| &c.name).collect())),
            What::TakeOver(veto) => ("take_over", veto, names(plan.vetoes.iter().map(|v| &v.name).collect())),
            What::Lose(card) => ("lose", card, names(plan.cards.iter().map(|c| &c.name).collect())),
            What::SetClock(_) => continue,
        };
        if !known.contains(name) {
            let known = || known.iter().map(String::as_str);
            let wanted = match known().next() {
                Some(_) => alternatives(known()),
                None => "a name from the config, which has none of this kind".to_owned(),
            };
            let hint = nearest(name, known()).map(|near| format!("did you mean \"{near}\"?"));
            reader.tell(
                event.offset,
                &format!("events.{key}"),
                quote(name),
                &wanted,
                hint.unwrap_or_default(),
            );
        }
        if let What::Call(Call { code: Some(code), .. }) = &event.what
            && code != WRONG_CODE
            && !plan.codes.iter().any(|c| c.name == *code)
        {
            let wanted = "the name of a table in [codes.NAME] of the config, or \"wrong\"";
            reader.tell(
                event.offset,
                "events.code",
                quote(code),
                wanted,
                "the digits themselves stand nowhere in a scenario",
            );
        }
    }
    problems.into_list()
}

/// In place of a code's name: one that is none.
pub const WRONG_CODE: &str = "wrong";

struct Reader<'a> {
    problems: &'a mut Problems,
}

type Value<'i> = Spanned<DeValue<'i>>;

impl Reader<'_> {
    fn tell(&mut self, at: usize, key: &str, found: impl Into<String>, wanted: &str, hint: impl Into<String>) {
        let complaint = Complaint::new(key.to_owned(), found, wanted, hint);
        self.problems.error(at, complaint);
    }

    fn text<'v>(&mut self, key: &str, value: &'v Value<'_>, wanted: &str) -> Option<&'v str> {
        let text = value.get_ref().as_str();
        if text.is_none() {
            self.tell(
                value.span().start,
                key,
                "something else than text",
                wanted,
                "text stands in quotes",
            );
        }
        text
    }

    fn duration(&mut self, key: &str, value: &Value<'_>) -> Option<Duration> {
        let wanted = "a time with its unit, such as \"20 s\"";
        let text = self.text(key, value, wanted)?;
        match text::duration(text) {
            Ok(duration) if duration <= MAX_SPAN => Some(duration),
            Ok(_) => {
                self.tell(value.span().start, key, quote(text), wanted, "the longest is 400 days");
                None
            }
            Err(hint) => {
                self.tell(value.span().start, key, quote(text), wanted, hint.0);
                None
            }
        }
    }

    fn scenario(&mut self, root: &DeTable<'_>, path: &Path) -> Option<Scenario> {
        for (key, _) in root {
            let known = ["config", "begins", "ends", "events"];
            if !known.contains(&key.get_ref().as_ref()) {
                self.unknown(key, "", &known);
            }
        }
        let config = root
            .get("config")
            .and_then(|v| self.text("config", v, "the path of a config file"));
        let config = config.map(|config| path.parent().unwrap_or(Path::new("")).join(config));
        let wanted = "a date and a time of day by the clock on the wall: \"2027-03-02 05:55\"";
        let Some(begins) = root.get("begins") else {
            self.tell(0, "begins", "nothing", wanted, "add it at the head of the file");
            return None;
        };
        let text = self.text("begins", begins, wanted)?;
        let Ok(start) = text.parse::<DateTime>() else {
            self.tell(begins.span().start, "begins", quote(text), wanted, "");
            return None;
        };
        let mut now = start;
        let ends = root.get("ends");
        let empty = Vec::new();
        let list = match root.get("events").map(|v| (v, v.get_ref().as_array())) {
            None => empty.iter(),
            Some((_, Some(list))) => list.iter(),
            Some((value, None)) => {
                let hint = "each event begins with a line [[events]]";
                self.tell(
                    value.span().start,
                    "events",
                    "something else than a list",
                    "[[events]]",
                    hint,
                );
                return None;
            }
        };
        let mut events = Vec::new();
        for (index, value) in list.enumerate() {
            if index == MAX_EVENTS {
                let wanted = format!("at most {MAX_EVENTS} events");
                self.tell(
                    value.span().start,
                    "events",
                    "more events",
                    &wanted,
                    "several scenarios",
                );
                break;
            }
            let Some(table) = value.get_ref().as_table() else {
                self.tell(
                    value.span().start,
                    "events",
                    "something else than a table",
                    "[[events]]",
                    "",
                );
                continue;
            };
            events.extend(self.event(table, value.span().start, &mut now));
        }
        let ends = match ends {
            Some(value) => Some(self.moment("ends", value, &mut now)?),
            None => None,
        };
        let span = now.duration_since(start).unsigned_abs();
        if span > MAX_SPAN {
            self.tell(
                begins.span().start,
                "events",
                "more than 400 days",
                "at most 400 days",
                "several scenarios",
            );
        }
        Some(Scenario {
            config,
            begins: start,
            ends,
            events,
        })
    }

    /// A moment not before `now`: as a time of day, which may be the next day's, or as a time after `now`.
    fn moment(&mut self, key: &str, value: &Value<'_>, now: &mut DateTime) -> Option<DateTime> {
        let wanted = "a time of day, \"06:00:10\", or a time after the event before, \"+30 s\"";
        let text = self.text(key, value, wanted)?;
        let at = value.span().start;
        let later = match text.strip_prefix('+').map(|t| text::duration(t.trim())) {
            Some(Ok(later)) => later,
            Some(Err(hint)) => {
                self.tell(at, key, quote(text), wanted, hint.0);
                return None;
            }
            None => {
                let time = match time_of_day(text) {
                    Ok(time) => time,
                    Err(hint) => {
                        self.tell(at, key, quote(text), wanted, hint);
                        return None;
                    }
                };
                let today = now.date().to_datetime(time);
                let then = match today < *now {
                    true => today.tomorrow().ok()?,
                    false => today,
                };
                if today < *now {
                    let found = format!("{}, before the event before it, or before the beginning", quote(text));
                    let hint = "taken as the next day; events stand in their order";
                    let complaint = Complaint::new(key.to_owned(), found, "a later time", hint);
                    self.problems.warning(at, complaint);
                }
                then.duration_since(*now).unsigned_abs()
            }
        };
        *now = now.checked_add(jiff::SignedDuration::try_from(later).ok()?).ok()?;
        Some(*now)
    }

    fn unknown(&mut self, key: &Spanned<Cow<'_, str>>, path: &str, known: &[&'static str]) {
        let name = key.get_ref().as_ref();
        let hint = match nearest(name, known.iter().copied()) {
            Some(near) => format!("did you mean `{near}`?"),
            None => "take the line out".to_owned(),
        };
        let path = format!("{path}{}", cut(name));
        let wanted = alternatives(known.iter().copied());
        self.tell(key.span().start, &path, "a key that does not exist", &wanted, hint);
    }

    fn event(&mut self, table: &DeTable<'_>, at: usize, now: &mut DateTime) -> Option<Event> {
        for (key, _) in table {
            if !KEYS.contains(&key.get_ref().as_ref()) {
                self.unknown(key, "events.", &KEYS);
            }
        }
        let moment = match table.get("at") {
            Some(value) => self.moment("events.at", value, now),
            None => {
                self.tell(
                    at,
                    "events.at",
                    "nothing",
                    "when it happens",
                    "add `at = \"06:00:10\"` or `at = \"+30 s\"`",
                );
                None
            }
        };
        let kinds: Vec<(&'static str, &Value<'_>)> = KINDS
            .into_iter()
            .filter_map(|kind| Some((kind, table.get(kind)?)))
            .collect();
        let &[(kind, value)] = kinds.as_slice() else {
            let found = if kinds.is_empty() {
                "none of them"
            } else {
                "several of them"
            };
            let wanted = format!("one of {}", alternatives(KINDS));
            self.tell(at, "events", found, &wanted, "an event is one thing that happens");
            return None;
        };
        let name = self
            .text(&format!("events.{kind}"), value, "a name from the config")?
            .to_owned();
        let text = |own: &mut Self, key: &str| {
            let value = table.get(key)?;
            own.text(&format!("events.{key}"), value, "text").map(str::to_owned)
        };
        for key in OF_CALLS
            .into_iter()
            .filter(|key| kind != "call" && table.contains_key(*key))
        {
            self.tell(
                at,
                &format!("events.{key}"),
                "a key of calls",
                "`call` beside it",
                "take the line out",
            );
        }
        let time = |own: &mut Self, key: &str| {
            let value = table.get(key)?;
            own.duration(&format!("events.{key}"), value)
        };
        let lasts = time(self, "for");
        let speech = Speech {
            silent_after: time(self, "silent_after"),
            cut_off_after: time(self, "cut_off_after"),
        };
        let what = match kind {
            "call" => What::Call(Call {
                extension: name,
                caller: text(self, "caller").unwrap_or_else(|| "201".to_owned()),
                from: match text(self, "from").map(|t| (t.parse::<IpAddr>(), t)) {
                    None => None,
                    Some((Ok(address), _)) => Some(address),
                    Some((Err(_), text)) => {
                        self.tell(at, "events.from", quote(&text), "an IPv4 or IPv6 address", "");
                        None
                    }
                },
                code: text(self, "code"),
                keys: text(self, "keys").unwrap_or_default(),
                dialled: text(self, "dialled"),
                urgent: text(self, "urgent").map(|t| t.to_lowercase()),
                speech,
            }),
            "stream" => What::Stream { group: name, speech },
            "speak" => What::Speak { input: name, speech },
            "close" => What::Close(name),
            "take_over" => What::TakeOver(name),
            "lose" => What::Lose(name),
            _ => match time_of_day(&name) {
                Ok(time) => What::SetClock(time),
                Err(_) => {
                    self.tell(
                        value.span().start,
                        "events.set_clock",
                        quote(&name),
                        "a time of day, such as \"07:00\"",
                        "",
                    );
                    return None;
                }
            },
        };
        if lasts.is_none() && !table.contains_key("for") && kind != "set_clock" {
            self.tell(at, "events.for", "nothing", "how long it lasts", "add `for = \"20 s\"`");
        }
        Some(Event {
            at: moment?,
            what,
            lasts: lasts.unwrap_or_default(),
            offset: at,
        })
    }
}
