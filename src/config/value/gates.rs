//! Values that say who may page.

use toml::Spanned;
use toml::de::DeValue;

use super::super::problem::{Complaint, quote};
use super::super::text::Hint;
use super::{MAX_LIST, Named, Reader, Value};
use crate::calendar::{Dates, Ring, Span};
use crate::gate::{MAX_CHOICE, Pattern};

/// Zones under a key of the installer's choice.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::config) struct Route {
    pub key: String,
    /// The key's place in the file.
    pub at: usize,
    pub zones: Vec<Named>,
    pub priority: Option<u8>,
}

pub(super) fn digits(text: &str) -> Result<(), Hint> {
    if (1..=MAX_CHOICE).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_digit()) {
        Ok(())
    } else {
        Err(Hint(format!("1 to {MAX_CHOICE} digits, in quotes")))
    }
}

pub(super) fn user(text: &str) -> Result<(), Hint> {
    if text.contains('@') {
        return Err(Hint("the number alone, without @ and host".to_owned()));
    }
    text.parse::<Pattern>().map(|_| ()).map_err(|e| Hint(e.to_string()))
}

/// A token of RFC 3261 §25.1, as far as priorities are named in the field.
fn urgency(text: &str) -> Result<(), Hint> {
    let fine = (1..=64).contains(&text.len())
        && text
            .bytes()
            .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b"-._".contains(&b));
    if fine {
        Ok(())
    } else if text.contains(|c: char| c == ':' || c.is_whitespace()) {
        Err(Hint(
            "the header's value alone, without its name: \"emergency\"".to_owned(),
        ))
    } else if text.bytes().any(|b| b.is_ascii_uppercase()) {
        Err(Hint("write it in lower case".to_owned()))
    } else {
        Err(Hint(
            "a value of Priority such as \"emergency\", or of Resource-Priority such as \"dsn.flash\"".to_owned(),
        ))
    }
}

impl Reader<'_> {
    pub(super) fn callers(&mut self, value: &Spanned<DeValue<'_>>) -> Option<Value> {
        let parse = |t: &str| t.parse::<Pattern>().map_err(|e| Hint(e.to_string()));
        self.entries(value, parse).map(Value::Callers)
    }

    pub(super) fn hours(&mut self, value: &Spanned<DeValue<'_>>) -> Option<Value> {
        let list = self.entries(value, |t| t.parse::<Span>().map_err(|e| Hint(e.to_string())))?;
        if list.is_empty() {
            self.reject(value, "leave the key out for any time");
            return None;
        }
        Some(Value::Hours(list.into_iter().map(|(span, _)| span).collect()))
    }

    pub(super) fn moments(&mut self, value: &Spanned<DeValue<'_>>) -> Option<Value> {
        let list = self.entries(value, |t| t.parse::<Ring>().map_err(|e| Hint(e.to_string())))?;
        if list.is_empty() {
            self.reject(value, "name at least one time, or take the table out");
            return None;
        }
        Some(Value::Moments(list.into_iter().map(|(at, _)| at).collect()))
    }

    pub(super) fn dates(&mut self, value: &Spanned<DeValue<'_>>) -> Option<Value> {
        let list = self.entries(value, |t| t.parse::<Dates>().map_err(|e| Hint(e.to_string())))?;
        if list.is_empty() {
            self.reject(value, "leave the key out");
            return None;
        }
        Some(Value::Dates(list.into_iter().map(|(dates, _)| dates).collect()))
    }

    #[expect(clippy::disallowed_methods, reason = "whether the system knows it is the question")]
    pub(super) fn time_zone(&mut self, value: &Spanned<DeValue<'_>>) -> Option<Value> {
        self.parsed(value, |t| match jiff::tz::TimeZone::get(t) {
            Ok(_) => Ok(Value::Text(t.to_owned())),
            Err(_) => Err(Hint(match place(t) {
                Some(zone) => format!("did you mean \"{zone}\"?"),
                None => "this system knows no such time zone; is the package tzdata installed?".to_owned(),
            })),
        })
    }

    /// The entries of a table in the order of the file, each key by `check`.
    fn table<T>(
        &mut self,
        value: &Spanned<DeValue<'_>>,
        check: impl Fn(&str) -> Result<(), Hint>,
        mut read: impl FnMut(&mut Self, &str, usize, &Spanned<DeValue<'_>>) -> Option<T>,
    ) -> Option<Vec<T>> {
        let Some(table) = value.get_ref().as_table() else {
            self.reject(value, "");
            return None;
        };
        if table.len() > MAX_LIST {
            self.reject(value, format!("a table has at most {MAX_LIST} entries"));
            return None;
        }
        let mut entries: Vec<_> = table.iter().collect();
        entries.sort_by_key(|(key, _)| key.span().start);
        let mut out = Some(Vec::new());
        for (key, value) in entries {
            let at = key.span().start;
            let entry = match check(key.get_ref()) {
                Ok(()) => read(self, key.get_ref(), at, value),
                Err(Hint(hint)) => {
                    let complaint = Complaint {
                        key: self.path.to_owned(),
                        found: quote(key.get_ref()),
                        wanted: self.wanted(),
                        hint,
                    };
                    self.problems.error(at, complaint);
                    None
                }
            };
            match (entry, &mut out) {
                (Some(entry), Some(out)) => out.push(entry),
                _ => out = None,
            }
        }
        out
    }

    pub(super) fn routes(
        &mut self,
        value: &Spanned<DeValue<'_>>,
        check: impl Fn(&str) -> Result<(), Hint>,
    ) -> Option<Value> {
        let routes = self.table(value, check, |own, key, at, value| {
            let (zones, priority) = match value.get_ref().as_table() {
                Some(table) => {
                    let known = |k: &str| k == "zones" || k == "priority";
                    if let Some((other, _)) = table.iter().find(|(k, _)| !known(k.get_ref())) {
                        let complaint = Complaint {
                            key: own.path.to_owned(),
                            found: quote(other.get_ref()),
                            wanted: "zones and priority".to_owned(),
                            hint: "write for example: { zones = [\"yard\"], priority = 70 }".to_owned(),
                        };
                        own.problems.error(other.span().start, complaint);
                        return None;
                    }
                    let Some(zones) = table.get("zones") else {
                        own.reject(value, "an entry needs `zones`");
                        return None;
                    };
                    let priority = match table.get("priority") {
                        Some(priority) => Some(own.integer(priority, 0, 100)?),
                        None => None,
                    };
                    (zones, priority)
                }
                None => (value, None),
            };
            let zones = match zones.get_ref().as_str() {
                Some(name) => vec![(name.to_owned(), zones.span().start)],
                None => own.entries(zones, |t| Ok(t.to_owned()))?,
            };
            if zones.is_empty() {
                own.reject(value, "name at least one zone");
                return None;
            }
            Some(Route {
                key: key.to_owned(),
                at,
                zones,
                priority: priority.and_then(|p| u8::try_from(p).ok()),
            })
        })?;
        Some(Value::Routes(routes))
    }

    pub(super) fn urgent(&mut self, value: &Spanned<DeValue<'_>>) -> Option<Value> {
        let list = self.table(value, urgency, |own, key, _, value| {
            let priority = own.integer(value, 0, 100)?;
            Some((key.to_owned(), u8::try_from(priority).ok()?))
        })?;
        Some(Value::Urgent(list))
    }
}

/// The time zone of that place, without the continent.
fn place(text: &str) -> Option<String> {
    let plain = text.trim().replace(' ', "_");
    let (db, lower) = (jiff::tz::db(), plain.to_lowercase());
    let names: Vec<String> = db.available().map(|name| name.as_str().to_owned()).collect();
    let is_there = |name: &&String| {
        let name = name.to_lowercase();
        name == lower || name.rsplit('/').next() == Some(lower.as_str())
    };
    let near = || super::nearest(&plain, names.iter().map(String::as_str)).map(str::to_owned);
    names.iter().find(is_there).cloned().or_else(near)
}
