//! From the file's tables to events.

use std::borrow::Cow;
use std::net::IpAddr;
use std::path::Path;
use std::time::Duration;

use jiff::civil::DateTime;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::super::problem::{Complaint, Problems, alternatives, cut, nearest, quote};
use super::super::text;
use super::{
    Announcement, At, Call, Event, KINDS, MAX_EVENTS, MAX_SPAN, SETTINGS, Scenario, Speech, What, keys, time_of_day,
};

pub(super) struct Reader<'a> {
    pub(super) problems: &'a mut Problems,
}

type Value<'i> = Spanned<DeValue<'i>>;

impl Reader<'_> {
    pub(super) fn tell(
        &mut self,
        at: usize,
        key: &str,
        found: impl Into<String>,
        wanted: &str,
        hint: impl Into<String>,
    ) {
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

    pub(super) fn scenario(&mut self, root: &DeTable<'_>, path: &Path) -> Option<Scenario> {
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
    fn moment(&mut self, key: &str, value: &Value<'_>, now: &mut DateTime) -> Option<At> {
        let wanted = "a time of day, \"06:00:10\", or a time after the event before, \"+30 s\"";
        let text = self.text(key, value, wanted)?;
        let at = value.span().start;
        if let Some(later) = text.strip_prefix('+') {
            let later = match text::duration(later.trim()) {
                Ok(later) if later <= MAX_SPAN => later,
                Ok(_) => {
                    self.tell(at, key, quote(text), wanted, "the longest is 400 days");
                    return None;
                }
                Err(hint) => {
                    self.tell(at, key, quote(text), wanted, hint.0);
                    return None;
                }
            };
            *now = now.checked_add(jiff::SignedDuration::try_from(later).ok()?).ok()?;
            return Some(At::Later(later));
        }
        let time = match time_of_day(text) {
            Ok(time) => time,
            Err(hint) => {
                self.tell(at, key, quote(text), wanted, hint);
                return None;
            }
        };
        let today = now.date().to_datetime(time);
        if today < *now {
            let found = format!("{}, before the event before it, or before the beginning", quote(text));
            let hint = "taken as the next day; events stand in their order";
            let complaint = Complaint::new(key.to_owned(), found, "a later time", hint);
            self.problems.warning(at, complaint);
            *now = today.tomorrow().ok()?;
        } else {
            *now = today;
        }
        Some(At::Wall(*now))
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

    /// Tells of a name that is not among those.
    pub(super) fn known<S: AsRef<str>>(
        &mut self,
        at: usize,
        key: &str,
        name: &str,
        known: impl IntoIterator<Item = S>,
    ) {
        let known: Vec<S> = known.into_iter().collect();
        let names = || known.iter().map(AsRef::as_ref);
        if names().any(|known| known == name) {
            return;
        }
        let wanted = match known.is_empty() {
            false => alternatives(names()),
            true => "a name from the config, which has none of this kind".to_owned(),
        };
        let hint = nearest(name, names()).map(|near| format!("did you mean \"{near}\"?"));
        self.tell(
            at,
            &format!("events.{key}"),
            quote(name),
            &wanted,
            hint.unwrap_or_default(),
        );
    }

    fn event(&mut self, table: &DeTable<'_>, at: usize, now: &mut DateTime) -> Option<Event> {
        let moment = match table.get("at") {
            Some(value) => self.moment("events.at", value, now),
            None => {
                let hint = "add `at = \"06:00:10\"` or `at = \"+30 s\"`";
                self.tell(at, "events.at", "nothing", "when it happens", hint);
                None
            }
        };
        let kinds: Vec<(&'static str, &Value<'_>)> = KINDS
            .into_iter()
            .filter_map(|(kind, _)| Some((kind, table.get(kind)?)))
            .collect();
        for (key, _) in table {
            let name = key.get_ref().as_ref();
            let setting = SETTINGS.iter().find(|(setting, ..)| *setting == name);
            match (setting, kinds.as_slice()) {
                (Some((_, of, _)), [(kind, _)]) if !of.is_empty() && !of.contains(kind) => {
                    let of = of.iter().map(|kind| format!("`{kind}`"));
                    let wanted = format!("beside {}", of.collect::<Vec<String>>().join(", "));
                    let found = format!("a key that `{kind}` does not have");
                    self.tell(
                        key.span().start,
                        &format!("events.{name}"),
                        found,
                        &wanted,
                        "take the line out",
                    );
                }
                (Some(_), _) => {}
                (None, _) if keys().any(|known| known == name) => {}
                (None, _) => self.unknown(key, "events.", &keys().collect::<Vec<&'static str>>()),
            }
        }
        let &[(kind, value)] = kinds.as_slice() else {
            let found = if kinds.is_empty() {
                "none of them"
            } else {
                "several of them"
            };
            let wanted = format!("one of {}", alternatives(KINDS.into_iter().map(|(kind, _)| kind)));
            self.tell(at, "events", found, &wanted, "an event is one thing that happens");
            return None;
        };
        let name = self
            .text(&format!("events.{kind}"), value, "a name from the config")?
            .to_owned();
        let lasts = self.time(table, "for");
        let speech = Speech {
            silent_after: self.time(table, "silent_after"),
            cut_off_after: self.time(table, "cut_off_after"),
        };
        let what = match kind {
            "call" => What::Call(self.call(table, name, speech)),
            "stream" => What::Stream { group: name, speech },
            "speak" => What::Speak { input: name, speech },
            "close" => What::Close(name),
            "take_over" => What::TakeOver(name),
            "lose" => What::Lose(name),
            "stop" => What::Stop(name),
            "announce" => What::Announce(self.announcement(table, at, name, lasts)),
            _ => match time_of_day(&name) {
                Ok(time) => What::SetClock(time),
                Err(hint) => {
                    let wanted = "a time of day, such as \"07:00\"";
                    self.tell(value.span().start, "events.set_clock", quote(&name), wanted, hint);
                    return None;
                }
            },
        };
        let lasts_by_itself = ["announce", "stop", "set_clock"].contains(&kind);
        if !lasts_by_itself && !table.contains_key("for") {
            self.tell(at, "events.for", "nothing", "how long it lasts", "add `for = \"20 s\"`");
        }
        Some(Event {
            at: moment?,
            what,
            lasts: lasts.unwrap_or_default(),
            offset: at,
        })
    }

    fn time(&mut self, table: &DeTable<'_>, key: &str) -> Option<Duration> {
        self.duration(&format!("events.{key}"), table.get(key)?)
    }

    fn word(&mut self, table: &DeTable<'_>, key: &str) -> Option<String> {
        let word = self.text(&format!("events.{key}"), table.get(key)?, "text");
        word.map(str::to_owned)
    }

    fn number(&mut self, table: &DeTable<'_>, key: &str, from: u32, to: u32) -> Option<u32> {
        let value = table.get(key)?;
        let number = value.get_ref().as_integer().map(ToString::to_string);
        let number = number.and_then(|digits| digits.parse::<u32>().ok());
        let number = number.filter(|number| (from..=to).contains(number));
        if number.is_none() {
            let wanted = format!("a whole number from {from} to {to}");
            self.tell(
                value.span().start,
                &format!("events.{key}"),
                "something else",
                &wanted,
                "",
            );
        }
        number
    }

    fn call(&mut self, table: &DeTable<'_>, extension: String, speech: Speech) -> Call {
        let from = self.word(table, "from").and_then(|text| {
            let address = text.parse::<IpAddr>().ok();
            if let (None, Some(value)) = (address, table.get("from")) {
                let wanted = "an IPv4 or IPv6 address";
                self.tell(value.span().start, "events.from", quote(&text), wanted, "");
            }
            address
        });
        Call {
            extension,
            caller: self.word(table, "caller").unwrap_or_else(|| "201".to_owned()),
            from,
            code: self.word(table, "code"),
            keys: self.word(table, "keys").unwrap_or_default(),
            dialled: self.word(table, "dialled"),
            urgent: self.word(table, "urgent").map(|text| text.to_lowercase()),
            speech,
        }
    }

    fn announcement(
        &mut self,
        table: &DeTable<'_>,
        at: usize,
        plays: String,
        length: Option<Duration>,
    ) -> Announcement {
        let wanted = "a list of zones and zone groups";
        let mut zones = Vec::new();
        match table.get("zones").map(|value| (value, value.get_ref().as_array())) {
            Some((_, Some(list))) if !list.is_empty() => {
                for zone in list.iter() {
                    zones.extend(self.text("events.zones", zone, "the name of a zone").map(str::to_owned));
                }
            }
            Some((value, _)) => {
                let hint = "write `zones = [\"yard\"]`";
                self.tell(value.span().start, "events.zones", "something else", wanted, hint);
            }
            None => self.tell(at, "events.zones", "nothing", wanted, "add `zones = [\"yard\"]`"),
        }
        Announcement {
            plays,
            length,
            zones,
            priority: self
                .number(table, "priority", 0, 100)
                .and_then(|n| u8::try_from(n).ok()),
            times: self.number(table, "times", 1, 100).unwrap_or(1),
        }
    }
}
