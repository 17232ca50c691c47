//! One value of the file, read by its kind.

use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use toml::Spanned;
use toml::de::DeValue;

use super::plan::{AudioDevice, ContactLine, RelayLine};
use super::problem::{Complaint, Problems, cut, nearest, quote};
use super::schema::{Key, Kind};
use super::text::{self, Hint};
use crate::bench::levels::cable::Cable;
use crate::bench::levels::line::Tap;
use crate::bench::levels::pad::Pad;
use crate::bench::levels::quantity::{Level, Ohms, Watts};
use crate::calendar::{Dates, Ring, Span};
use crate::gate::Pattern;
use crate::media::Codec;
use crate::sip::agent::{Registrar, Transport};
use crate::sip::network::Network;
use crate::sound::filter::Shape;
use crate::sound::level::Dbm;

mod electric;
mod gates;
mod sound;

pub(super) use gates::Route;

/// Longest list that a value may be.
const MAX_LIST: usize = 64;

/// Most registrars of one extension, and most proxies to them.
const MAX_REGISTRARS: usize = 4;

const SECRET_HINT: &str = "passwords belong in the secrets file, under a name; write that name here";

/// A name in the file, with its byte offset.
pub(super) type Named = (String, usize);

/// A value that is of its kind and in its range.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Value {
    Text(String),
    Flag(bool),
    Integer(i64),
    /// `None` is the word "none".
    Duration(Option<Duration>),
    Decibel(f32),
    Codecs(Vec<Codec>),
    Names(Vec<Named>),
    Device(AudioDevice),
    Integers(Vec<i64>),
    Line(RelayLine),
    Contact(ContactLine),
    Listen(Vec<(Transport, SocketAddr, usize)>),
    Ports((u16, u16)),
    Networks(Vec<Network>),
    Address(IpAddr),
    /// Empty is the word "none".
    Registrars(Vec<(Registrar, usize)>),
    SocketAddress(SocketAddr),
    Callers(Vec<(Pattern, usize)>),
    Hours(Vec<Span>),
    Moments(Vec<Ring>),
    Dates(Vec<Dates>),
    Routes(Vec<Route>),
    Urgent(Vec<(String, u8)>),
    Filters(Vec<Shape>),
    Signal(Level),
    Ohms(Ohms),
    Watts(Watts),
    /// `None` is the word "none".
    Pad(Option<Pad>),
    Cable(Cable),
    Taps(Vec<Tap>),
}

/// What a message may show of a value.
fn shown(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(s) => quote(s),
        DeValue::Integer(i) => cut(&i.to_string()),
        DeValue::Float(f) => cut(f.as_str()),
        DeValue::Boolean(b) => b.to_string(),
        DeValue::Datetime(_) => "a date or time".to_owned(),
        DeValue::Array(a) if a.is_empty() => "an empty list".to_owned(),
        DeValue::Array(_) => "a list".to_owned(),
        DeValue::Table(_) => "a table".to_owned(),
    }
}

/// One key's reader.
struct Reader<'a> {
    key: &'static Key,
    path: &'a str,
    problems: &'a mut Problems,
}

/// Reads `value`; `None` after telling what is wrong with it.
pub(super) fn read(
    key: &'static Key,
    path: &str,
    value: &Spanned<DeValue<'_>>,
    problems: &mut Problems,
) -> Option<Value> {
    Reader { key, path, problems }.value(value)
}

impl Reader<'_> {
    fn wanted(&self) -> String {
        format!("{}, such as {}", self.key.kind.describe(), self.key.example)
    }

    /// Without a hint of its own a value gets the example of its key.
    fn reject(&mut self, at: &Spanned<DeValue<'_>>, hint: impl Into<String>) {
        let mut hint = hint.into();
        if hint.is_empty() {
            hint = format!("write for example: {} = {}", self.key.name, self.key.example);
        }
        let found = match self.key.kind {
            Kind::SecretName => "a value (not shown: it may be the password)".to_owned(),
            Kind::Registrar | Kind::User if at.get_ref().as_str().is_some_and(|s| s.contains('@')) => {
                "a value with a user (not shown: it may hold a password)".to_owned()
            }
            Kind::User if at.get_ref().as_str().is_some_and(|s| s.contains(':')) => {
                "a value with a colon (not shown: it may hold a password)".to_owned()
            }
            _ => shown(at.get_ref()),
        };
        let complaint = Complaint {
            key: self.path.to_owned(),
            found,
            wanted: self.wanted(),
            hint,
        };
        self.problems.error(at.span().start, complaint);
    }

    /// Text, or a problem with a hint that fits what was found instead.
    fn text<'v>(&mut self, value: &'v Spanned<DeValue<'_>>) -> Option<&'v str> {
        if let Some(text) = value.get_ref().as_str() {
            return Some(text);
        }
        let hint = match (value.get_ref(), self.key.kind) {
            (DeValue::Integer(_) | DeValue::Float(_), Kind::Duration { .. }) => {
                "write the unit, and quotes around both".to_owned()
            }
            (DeValue::Integer(i), Kind::Gain { .. }) => format!("write \"{} dB\"", cut(&i.to_string())),
            (DeValue::Float(f), Kind::Gain { .. } | Kind::Level { .. })
                if !f.as_str().ends_with(|c: char| c.is_ascii_digit()) =>
            {
                String::new()
            }
            (DeValue::Float(f), Kind::Gain { .. }) => format!("write \"{} dB\"", cut(f.as_str())),
            (DeValue::Integer(i), Kind::Level { .. }) => format!("write \"{} dBFS\"", cut(&i.to_string())),
            (DeValue::Float(f), Kind::Level { .. }) => format!("write \"{} dBFS\"", cut(f.as_str())),
            (_, Kind::SecretName) => SECRET_HINT.to_owned(),
            (DeValue::Array(_), _) => "write one value, without brackets".to_owned(),
            (
                DeValue::Integer(_) | DeValue::Float(_) | DeValue::Boolean(_),
                Kind::Text | Kind::User | Kind::Name(_) | Kind::Names { .. } | Kind::Callers,
            ) => "put quotes around it".to_owned(),
            _ => String::new(),
        };
        self.reject(value, hint);
        None
    }

    fn parsed<T>(&mut self, value: &Spanned<DeValue<'_>>, parse: impl FnOnce(&str) -> Result<T, Hint>) -> Option<T> {
        let text = self.text(value)?;
        match parse(text) {
            Ok(parsed) => Some(parsed),
            Err(Hint(hint)) => {
                self.reject(value, hint);
                None
            }
        }
    }

    fn list<'v, 'i>(&mut self, value: &'v Spanned<DeValue<'i>>) -> Option<&'v [Spanned<DeValue<'i>>]> {
        let Some(list) = value.get_ref().as_array() else {
            let hint = match value.get_ref().as_str() {
                Some(s) => format!("write a list: [{}]", quote(s)),
                None => "write a list, in brackets".to_owned(),
            };
            self.reject(value, hint);
            return None;
        };
        if list.len() > MAX_LIST {
            self.reject(value, format!("a list has at most {MAX_LIST} entries"));
            return None;
        }
        Some(list)
    }

    /// Every entry by `parse`; all faulty ones are told.
    fn entries<T>(
        &mut self,
        value: &Spanned<DeValue<'_>>,
        parse: impl Fn(&str) -> Result<T, Hint>,
    ) -> Option<Vec<(T, usize)>> {
        let mut out = Some(Vec::new());
        for entry in self.list(value)? {
            match (self.parsed(entry, &parse), &mut out) {
                (Some(parsed), Some(out)) => out.push((parsed, entry.span().start)),
                _ => out = None,
            }
        }
        out
    }

    /// One, or a list.
    fn registrars(&mut self, value: &Spanned<DeValue<'_>>) -> Option<Vec<(Registrar, usize)>> {
        if value.get_ref().as_array().is_none() {
            let at = value.span().start;
            return self.parsed(value, |t| match t {
                "none" => Ok(Vec::new()),
                _ => text::registrar(t).map(|r| vec![(r, at)]),
            });
        }
        let list = self.entries(value, text::registrar)?;
        if list.is_empty() || list.len() > MAX_REGISTRARS {
            let hint = match list.len() {
                0 => "write \"none\" for none".to_owned(),
                _ => format!("there are at most {MAX_REGISTRARS}"),
            };
            self.reject(value, hint);
            return None;
        }
        Some(list)
    }

    fn choice(words: &[&str], text: &str) -> Result<String, Hint> {
        let lower = text.to_lowercase();
        if words.contains(&text) {
            return Ok(text.to_owned());
        }
        Err(Hint(match nearest(&lower, words.iter().copied()) {
            Some(word) => format!("did you mean \"{word}\"?"),
            None => String::new(),
        }))
    }

    fn integer(&mut self, value: &Spanned<DeValue<'_>>, from: i64, to: i64) -> Option<i64> {
        let hint = match value.get_ref() {
            DeValue::Integer(i) => match i64::from_str_radix(i.as_str(), i.radix()) {
                Ok(n) if (from..=to).contains(&n) => return Some(n),
                Ok(n) if n < from => format!("the smallest is {from}"),
                // What does not fit into 64 bits is large enough.
                _ if !i.as_str().starts_with('-') => format!("the largest is {to}"),
                _ => format!("the smallest is {from}"),
            },
            DeValue::String(s) if s.trim().parse::<i64>().is_ok() => {
                format!("write {} without quotes", cut(s.trim()))
            }
            DeValue::Float(_) => "write it without a fraction".to_owned(),
            _ => String::new(),
        };
        self.reject(value, hint);
        None
    }

    fn decibel(&mut self, value: &Spanned<DeValue<'_>>, unit: &str, from: f32, to: f32) -> Option<Value> {
        self.parsed(value, |t| {
            let n = text::decibels(t, unit)?;
            if (from..=to).contains(&n) {
                return Ok(Value::Decibel(n));
            }
            Err(Hint(match unit {
                "dBFS" if n > 0.0 => "nothing is louder than full scale; loudness comes from the amplifier".to_owned(),
                // A key that only lowers.
                _ if to < 0.0 && (from..=to).contains(&-n) => format!("softer is below zero: write \"-{n} {unit}\""),
                _ if n > to => format!("the most is {to} {unit}"),
                _ => format!("the least is {from} {unit}"),
            }))
        })
    }

    /// Warns of address blocks that let in more than they seem to.
    fn blocks(&mut self, value: &Spanned<DeValue<'_>>) {
        for entry in value.get_ref().as_array().into_iter().flat_map(|list| list.iter()) {
            let Some(text) = entry.get_ref().as_str().filter(|t| text::network(t).is_ok()) else {
                continue;
            };
            if let Some(block) = text::host_bits(text) {
                let complaint = Complaint {
                    key: self.path.to_owned(),
                    found: quote(text),
                    wanted: "an address block written by its first address".to_owned(),
                    hint: format!("this lets in all of {block}; for one address take the / and the number off"),
                };
                self.problems.warning(entry.span().start, complaint);
            }
        }
    }

    fn value(&mut self, value: &Spanned<DeValue<'_>>) -> Option<Value> {
        match self.key.kind {
            Kind::Text => self.parsed(value, |t| {
                let fine = (1..=64).contains(&t.trim().chars().count()) && !t.contains(char::is_control);
                if fine {
                    Ok(Value::Text(t.trim().to_owned()))
                } else {
                    Err(Hint(String::new()))
                }
            }),
            Kind::Flag => match value.get_ref() {
                DeValue::Boolean(b) => Some(Value::Flag(*b)),
                other => {
                    let word = other.as_str().map(str::to_lowercase);
                    let hint = match word.as_deref() {
                        Some("true" | "yes" | "on") => "write true, without quotes",
                        Some("false" | "no" | "off") => "write false, without quotes",
                        _ => "",
                    };
                    self.reject(value, hint);
                    None
                }
            },
            Kind::Integer { from, to } => self.integer(value, from, to).map(Value::Integer),
            Kind::PayloadType => {
                let n = self.integer(value, 0, 127)?;
                if (64..=95).contains(&n) {
                    self.reject(
                        value,
                        "64 to 95 look like RTCP on the wire; senders use 96 to 127 for opus",
                    );
                    return None;
                }
                Some(Value::Integer(n))
            }
            Kind::Duration { from, to, none } => self.parsed(value, |t| {
                if none && t == "none" {
                    return Ok(Value::Duration(None));
                }
                let d = text::duration(t)?;
                if (from..=to).contains(&d) {
                    return Ok(Value::Duration(Some(d)));
                }
                Err(Hint(match none {
                    true if d.is_zero() || d > to => "write \"none\" for no limit".to_owned(),
                    _ if d > to => format!("the longest is {}", text::show_duration(to)),
                    _ => format!("the shortest is {}", text::show_duration(from)),
                }))
            }),
            Kind::Gain { from, to } => self.decibel(value, "dB", from, to),
            Kind::Level { from, to } => self.decibel(value, "dBFS", from, to),
            Kind::LineLevel { from, to } => self.parsed(value, |t| {
                let Dbm(level) = text::line_level(t)?;
                match (from..=to).contains(&level) {
                    true => Ok(Value::Decibel(level)),
                    false => Err(Hint(format!("this is {level:+.1} dBm"))),
                }
            }),
            Kind::Equaliser => self.filters(value),
            Kind::SignalLevel { from, to } => self.signal(value, from, to),
            Kind::Impedance { from, to } => self.impedance(value, from, to),
            Kind::Power { to } => self.power(value, to),
            Kind::Pad => self.pad(value),
            Kind::Cable => self.cable(value),
            Kind::Taps => self.taps(value),
            Kind::Choice(words) => self.parsed(value, |t| Self::choice(words, t)).map(Value::Text),
            Kind::ChoiceOrName(words, _) => {
                let at = value.span().start;
                self.parsed(value, |t| match words.contains(&t) {
                    true => Ok(Value::Text(t.to_owned())),
                    false => Ok(Value::Names(vec![(t.to_owned(), at)])),
                })
            }
            Kind::Codec => self.parsed(value, text::codec).map(|codec| Value::Codecs(vec![codec])),
            Kind::Codecs => {
                let list = self.entries(value, text::codec)?;
                let list: Vec<Codec> = list.into_iter().map(|(codec, _)| codec).collect();
                let twice = list
                    .iter()
                    .enumerate()
                    .any(|(i, codec)| list.iter().take(i).any(|c| c == codec));
                if list.is_empty() || twice {
                    let hint = if twice {
                        "one of them is there twice"
                    } else {
                        "leave the key out for the default"
                    };
                    self.reject(value, hint);
                    return None;
                }
                Some(Value::Codecs(list))
            }
            Kind::Name(_) => {
                let at = value.span().start;
                self.parsed(value, |t| Ok(Value::Names(vec![(t.to_owned(), at)])))
            }
            Kind::Names { .. } | Kind::Sources => {
                let empty = matches!(self.key.kind, Kind::Names { empty: true, .. });
                let list = self.entries(value, |t| Ok(t.to_owned()))?;
                let twice = list
                    .iter()
                    .enumerate()
                    .find(|(i, (n, _))| list.iter().take(*i).any(|(m, _)| m == n));
                if let Some((_, (name, at))) = twice {
                    let (name, at) = (name.clone(), *at);
                    let complaint = Complaint {
                        key: self.path.to_owned(),
                        found: format!("{} for the second time", quote(&name)),
                        wanted: self.key.kind.describe(),
                        hint: "take one of the two out".to_owned(),
                    };
                    self.problems.error(at, complaint);
                    return None;
                }
                if list.is_empty() && !empty {
                    self.reject(value, "name at least one");
                    return None;
                }
                Some(Value::Names(list))
            }
            Kind::Output => self.parsed(value, text::output).map(Value::Device),
            Kind::Input => self.parsed(value, text::input).map(Value::Device),
            Kind::Mix { to } => self.mix(value, to),
            Kind::Duck { from, to } => self.duck(value, from, to),
            Kind::Line => self.parsed(value, text::line).map(Value::Line),
            Kind::Contact => self.parsed(value, text::contact).map(Value::Contact),
            Kind::Listen => {
                let list = self.entries(value, text::listen)?;
                if list.is_empty() {
                    self.reject(value, "leave the key out for the default");
                    return None;
                }
                Some(Value::Listen(list.into_iter().map(|((t, a), at)| (t, a, at)).collect()))
            }
            Kind::Ports => self.parsed(value, text::ports).map(Value::Ports),
            Kind::Networks => {
                self.blocks(value);
                let list = self.entries(value, text::network)?;
                Some(Value::Networks(list.into_iter().map(|(n, _)| n).collect()))
            }
            Kind::Advertise => self.parsed(value, text::advertise).map(Value::Address),
            Kind::Registrar => self.registrars(value).map(Value::Registrars),
            Kind::User => self.parsed(value, text::user).map(Value::Text),
            Kind::Multicast => self.parsed(value, text::multicast).map(Value::SocketAddress),
            Kind::Listener => self.parsed(value, text::listener).map(Value::SocketAddress),
            Kind::Interface => self.parsed(value, text::interface).map(Value::Text),
            Kind::Callers => self.callers(value),
            Kind::Hours => self.hours(value),
            Kind::Moments => self.moments(value),
            Kind::Dates => self.dates(value),
            Kind::TimeZone => self.time_zone(value),
            Kind::Keypad => self.routes(value, gates::digits),
            Kind::Dial => self.routes(value, gates::user),
            Kind::Urgent => self.urgent(value),
            Kind::SecretName => {
                let at = value.span().start;
                self.parsed(value, |t| {
                    if text::name(t) {
                        Ok(Value::Names(vec![(t.to_owned(), at)]))
                    } else {
                        Err(Hint(SECRET_HINT.to_owned()))
                    }
                })
            }
            Kind::Socket => self.parsed(value, |t| {
                let fine = t.starts_with('/') && t.len() <= 100 && !t.ends_with('/') && !t.contains('\0');
                match t == "none" || fine {
                    true => Ok(Value::Text(t.to_owned())),
                    false => Err(Hint(
                        "it begins with / and is short: sockets have no long names".to_owned(),
                    )),
                }
            }),
            Kind::File => self.parsed(value, |t| {
                if t.is_empty() || t.ends_with('/') || t.contains('\0') {
                    Err(Hint("the path must name a file".to_owned()))
                } else {
                    Ok(Value::Text(t.to_owned()))
                }
            }),
            Kind::Credential => self.parsed(value, |t| {
                let fine = (1..=255).contains(&t.len()) && !t.contains(['/', '\0', ':']) && t != "." && t != "..";
                if fine {
                    Ok(Value::Text(t.to_owned()))
                } else {
                    Err(Hint("the name that LoadCredential= gives it".to_owned()))
                }
            }),
        }
    }
}
