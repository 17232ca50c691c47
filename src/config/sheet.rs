//! The file as sheets: one per table, its keys known and its values of the right kind.

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};
use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::plan::{CardOutput, RelayLine};
use super::problem::{Complaint, Problems, alternatives, nearest, quote, step};
use super::schema::{self, Absent, Key, Section};
use super::text;
use super::value::{self, Named, Value};
use crate::sip::agent::{Registrar, Transport};
use crate::sip::network::Network;

/// Most tables that one section may hold.
pub const MAX_TABLES: usize = 256;

/// Keys that people give to a password.
const PASSWORD_KEYS: &[&str] = &[
    "password",
    "passwd",
    "passphrase",
    "pass",
    "pwd",
    "pw",
    "secret",
    "auth_password",
    "token",
    "credentials",
];

#[derive(Debug, Clone)]
struct Given {
    value: Value,
    at: usize,
}

/// One table.
#[derive(Debug, Clone)]
pub(super) struct Sheet {
    /// Path without the last name, such as `zones`.
    pub section: &'static str,
    /// Empty for sections without names.
    pub name: String,
    /// Byte offset of the name in the file.
    pub at: usize,
    values: BTreeMap<&'static str, Given>,
    /// Keys that are there, right or wrong.
    written: BTreeSet<&'static str>,
}

impl Sheet {
    /// `zones.yard.lead`.
    pub fn path(&self, key: &str) -> String {
        let mut out = self.section.to_owned();
        for part in [self.name.as_str(), key] {
            if !part.is_empty() {
                out.push('.');
                out.push_str(&step(part));
            }
        }
        out
    }

    /// Where a key's value stands; the table's own place when it is not written.
    pub fn at(&self, key: &str) -> usize {
        self.values.get(key).map_or(self.at, |g| g.at)
    }

    /// The key is there, right or wrong.
    pub fn wrote(&self, key: &str) -> bool {
        self.written.contains(key)
    }

    /// The key has a value: written and right, inherited or by default.
    pub fn has(&self, key: &str) -> bool {
        self.values.contains_key(key)
    }

    fn value(&self, key: &str) -> Option<&Value> {
        self.values.get(key).map(|g| &g.value)
    }

    pub fn text(&self, key: &str) -> Option<&str> {
        match self.value(key) {
            Some(Value::Text(t)) => Some(t),
            _ => None,
        }
    }

    pub fn flag(&self, key: &str) -> Option<bool> {
        match self.value(key) {
            Some(Value::Flag(b)) => Some(*b),
            _ => None,
        }
    }

    pub fn integer(&self, key: &str) -> Option<i64> {
        match self.value(key) {
            Some(Value::Integer(n)) => Some(*n),
            _ => None,
        }
    }

    /// A time; the word "none" counts as no value.
    pub fn duration(&self, key: &str) -> Option<Duration> {
        match self.value(key) {
            Some(Value::Duration(d)) => *d,
            _ => None,
        }
    }

    pub fn decibel(&self, key: &str) -> Option<f32> {
        match self.value(key) {
            Some(Value::Decibel(n)) => Some(*n),
            _ => None,
        }
    }

    pub fn choices(&self, key: &str) -> &[String] {
        match self.value(key) {
            Some(Value::Choices(list)) => list,
            _ => &[],
        }
    }

    pub fn names(&self, key: &str) -> &[Named] {
        match self.value(key) {
            Some(Value::Names(list)) => list,
            _ => &[],
        }
    }

    pub fn output(&self, key: &str) -> Option<&CardOutput> {
        match self.value(key) {
            Some(Value::Output(o)) => Some(o),
            _ => None,
        }
    }

    pub fn line(&self, key: &str) -> Option<&RelayLine> {
        match self.value(key) {
            Some(Value::Line(l)) => Some(l),
            _ => None,
        }
    }

    pub fn listen(&self, key: &str) -> Option<&[(Transport, SocketAddr, usize)]> {
        match self.value(key) {
            Some(Value::Listen(l)) => Some(l),
            _ => None,
        }
    }

    pub fn ports(&self, key: &str) -> Option<(u16, u16)> {
        match self.value(key) {
            Some(Value::Ports(p)) => Some(*p),
            _ => None,
        }
    }

    pub fn networks(&self, key: &str) -> &[Network] {
        match self.value(key) {
            Some(Value::Networks(n)) => n,
            _ => &[],
        }
    }

    pub fn address(&self, key: &str) -> Option<IpAddr> {
        match self.value(key) {
            Some(Value::Address(a)) => Some(*a),
            _ => None,
        }
    }

    pub fn registrar(&self, key: &str) -> Option<&Registrar> {
        match self.value(key) {
            Some(Value::Registrar(r)) => r.as_ref(),
            _ => None,
        }
    }

    pub fn multicast(&self, key: &str) -> Option<SocketAddr> {
        match self.value(key) {
            Some(Value::Multicast(a)) => Some(*a),
            _ => None,
        }
    }

    /// The key is there but could not be read: more about it would be noise.
    pub fn faulty(&self, key: &str) -> bool {
        self.wrote(key) && !self.has(key)
    }

    /// Gives a key that is not written the value of `defaults`.
    fn inherit(&mut self, key: &Key, defaults: &Sheet) {
        if defaults.written.contains(key.name) {
            self.written.insert(key.name);
            if let Some(given) = defaults.values.get(key.name) {
                self.values.insert(key.name, given.clone());
            }
        }
    }
}

/// All tables of a file, each section in the order of the file.
#[derive(Debug, Default)]
pub(super) struct Sheets {
    all: Vec<Sheet>,
}

impl Sheets {
    /// The tables of a section; at most one for a section without names.
    pub fn of(&self, section: &str) -> impl Iterator<Item = &Sheet> + Clone {
        self.all.iter().filter(move |s| s.section == section)
    }

    /// Its index among [`Sheets::of`] the section.
    pub fn index(&self, section: &str, name: &str) -> Option<usize> {
        self.of(section).position(|s| s.name == name)
    }
}

/// Reads the whole file; everything that is wrong goes to `problems`.
pub(super) fn read(text: &str, problems: &mut Problems) -> Sheets {
    let (root, errors) = DeTable::parse_recoverable(text);
    for error in errors {
        let offset = error.span().map_or(0, |s| s.start);
        problems.syntax(
            offset,
            Complaint {
                found: super::problem::cut(error.message()),
                wanted: "a [table] line or a `key = value` line of TOML".to_owned(),
                hint: "text stands in quotes, a list in brackets, a remark behind #".to_owned(),
                ..Complaint::default()
            },
        );
    }
    let mut sheets = Sheets::default();
    let mut defaults = Vec::new();
    for (path, of) in schema::DEFAULTS {
        let Some(section) = schema::section(of) else { continue };
        if let Some((table, at)) = defaults_table(root.get_ref(), path) {
            defaults.push(sheet(section, Place::Defaults(path), table, at, problems));
        }
    }
    for (key, value) in in_order(root.get_ref()) {
        match schema::section(key.get_ref()) {
            Some(section) => section_tables(section, key, value, &defaults, &mut sheets, problems),
            None if key.get_ref() == "defaults" => unknown_defaults(value, problems),
            None => unknown_section(key, problems),
        }
    }
    for section in schema::SECTIONS.iter().filter(|s| !s.named) {
        if sheets.of(section.path).next().is_none() {
            let empty = DeTable::new();
            let mut own = sheet(section, Place::Section, &empty, 0, problems);
            own.at = 0;
            sheets.all.push(own);
        }
    }
    sheets
}

type Entry<'a, 'i> = (&'a Spanned<Cow<'i, str>>, &'a Spanned<DeValue<'i>>);

/// The parser sorts by name; names here count in the order of the file.
fn in_order<'a, 'i>(table: &'a DeTable<'i>) -> Vec<Entry<'a, 'i>> {
    let mut entries: Vec<Entry<'a, 'i>> = table.iter().collect();
    entries.sort_by_key(|(key, _)| key.span().start);
    entries
}

fn defaults_table<'a, 'i>(root: &'a DeTable<'i>, path: &str) -> Option<(&'a DeTable<'i>, usize)> {
    let (outer, inner) = path.split_once('.')?;
    let outer = root.get(outer)?.get_ref().as_table()?;
    let (key, value) = outer.get_key_value(inner)?;
    Some((value.get_ref().as_table()?, key.span().start))
}

fn unknown_defaults(value: &Spanned<DeValue<'_>>, problems: &mut Problems) {
    let known: Vec<&str> = schema::DEFAULTS
        .iter()
        .filter_map(|(path, _)| path.split_once('.'))
        .map(|p| p.1)
        .collect();
    let Some(table) = value.get_ref().as_table() else {
        return not_a_table("defaults", value, problems);
    };
    for (key, value) in in_order(table) {
        if known.contains(&key.get_ref().as_ref()) {
            if value.get_ref().as_table().is_none() {
                not_a_table(&format!("defaults.{}", key.get_ref()), value, problems);
            }
            continue;
        }
        let hint = match nearest(key.get_ref(), known.iter().copied()) {
            Some(near) => format!("did you mean [defaults.{near}]?"),
            None => "extensions and groups have defaults of their own".to_owned(),
        };
        problems.error(
            key.span().start,
            Complaint {
                key: format!("defaults.{}", step(key.get_ref())),
                found: "a key that does not exist".to_owned(),
                wanted: "[defaults.extensions] or [defaults.groups]".to_owned(),
                hint,
            },
        );
    }
}

fn not_a_table(path: &str, value: &Spanned<DeValue<'_>>, problems: &mut Problems) {
    problems.error(
        value.span().start,
        Complaint {
            key: path.to_owned(),
            found: format!("a {} instead of a table", value.get_ref().type_str()),
            wanted: format!("a table: a line [{path}] with its keys below"),
            hint: String::new(),
        },
    );
}

fn unknown_section(key: &Spanned<Cow<'_, str>>, problems: &mut Problems) {
    let name = key.get_ref().as_ref();
    let known = || schema::SECTIONS.iter().map(|s| s.path).chain(["defaults"]);
    let hint = if let Some(near) = nearest(name, known()) {
        format!("did you mean `{near}`?")
    } else {
        owners(name).unwrap_or_default()
    };
    // Behind a faulty [table] line, that table's keys come here.
    problems.lack(
        key.span().start,
        Complaint {
            key: step(name),
            found: "a key that does not exist".to_owned(),
            wanted: alternatives(known()),
            hint,
        },
    );
}

/// Says where a key belongs that stands in the wrong table.
fn owners(name: &str) -> Option<String> {
    let owners: Vec<String> = schema::SECTIONS
        .iter()
        .filter(|s| s.key(name).is_some())
        .map(|s| format!("[{}{}]", s.path, if s.named { ".NAME" } else { "" }))
        .collect();
    let (last, rest) = owners.split_last()?;
    let places = if rest.is_empty() {
        last.clone()
    } else {
        format!("{} or {last}", rest.join(", "))
    };
    Some(format!("`{name}` belongs in {places}"))
}

fn section_tables(
    section: &'static Section,
    key: &Spanned<Cow<'_, str>>,
    value: &Spanned<DeValue<'_>>,
    defaults: &[Sheet],
    sheets: &mut Sheets,
    problems: &mut Problems,
) {
    let Some(table) = value.get_ref().as_table() else {
        let path = if section.named {
            format!("{}.NAME", section.path)
        } else {
            section.path.to_owned()
        };
        return not_a_table(&path, value, problems);
    };
    if !section.named {
        let own = sheet(section, Place::Section, table, key.span().start, problems);
        return sheets.all.push(own);
    }
    let defaults = section
        .defaults
        .and_then(|path| defaults.iter().find(|d| d.section == path));
    for (i, (name, value)) in in_order(table).into_iter().enumerate() {
        let path = format!("{}.{}", section.path, step(name.get_ref()));
        if i >= MAX_TABLES {
            problems.error(
                name.span().start,
                Complaint {
                    key: path,
                    found: format!("more than {MAX_TABLES} tables"),
                    wanted: format!("at most {MAX_TABLES} tables in [{}.NAME]", section.path),
                    hint: String::new(),
                },
            );
            return;
        }
        let Some(table) = value.get_ref().as_table() else {
            let hint = match section.key(name.get_ref()) {
                Some(key) => format!("`{}` belongs below a line such as [{}.main]", key.name, section.path),
                None => String::new(),
            };
            problems.error(
                name.span().start,
                Complaint {
                    key: path,
                    found: format!("a {} instead of a table", value.get_ref().type_str()),
                    wanted: format!("a line [{}.NAME] with the keys of NAME below", section.path),
                    hint,
                },
            );
            continue;
        };
        if !text::name(name.get_ref()) {
            problems.error(
                name.span().start,
                Complaint {
                    key: path,
                    found: quote(name.get_ref()),
                    wanted: "a name of 1 to 32 letters, digits, - and _, that begins with a letter or digit".to_owned(),
                    hint: String::new(),
                },
            );
        }
        let place = Place::Named(name.get_ref(), defaults);
        let own = sheet(section, place, table, name.span().start, problems);
        sheets.all.push(own);
    }
}

/// Which table of its section a sheet is.
#[derive(Clone, Copy)]
enum Place<'a> {
    Section,
    Named(&'a str, Option<&'a Sheet>),
    /// The table of defaults at this path: shared keys only, none required.
    Defaults(&'static str),
}

fn sheet(
    section: &'static Section,
    place: Place<'_>,
    table: &DeTable<'_>,
    at: usize,
    problems: &mut Problems,
) -> Sheet {
    let (path, name, only_shared) = match place {
        Place::Section => (section.path, "", false),
        Place::Named(name, _) => (section.path, name, false),
        Place::Defaults(path) => (path, "", true),
    };
    let mut own = Sheet {
        section: path,
        name: name.to_owned(),
        at,
        values: BTreeMap::new(),
        written: BTreeSet::new(),
    };
    for (key, value) in in_order(table) {
        match section.key(key.get_ref()).filter(|k| k.shared || !only_shared) {
            Some(known) => {
                own.written.insert(known.name);
                let at = value.span().start;
                if let Some(value) = value::read(known, &own.path(known.name), value, problems) {
                    own.values.insert(known.name, Given { value, at });
                }
            }
            None => unknown_key(section, only_shared, &own, key, problems),
        }
    }
    if only_shared {
        return own;
    }
    for key in section.keys {
        if own.written.contains(key.name) {
            continue;
        }
        if let (true, Place::Named(_, Some(defaults))) = (key.shared, place) {
            own.inherit(key, defaults);
            if own.written.contains(key.name) {
                continue;
            }
        }
        match key.absent {
            Absent::Unset(_) => {}
            Absent::Default(default) => {
                if let Ok(default) = DeValue::parse(default)
                    && let Some(value) = value::read(key, key.name, &default, problems)
                {
                    own.values.insert(key.name, Given { value, at });
                }
            }
            Absent::Required => problems.lack(
                at,
                Complaint {
                    key: own.path(key.name),
                    found: "nothing".to_owned(),
                    wanted: key.kind.describe(),
                    hint: format!("add `{} = {}`, with your own value", key.name, key.example),
                },
            ),
        }
    }
    own
}

fn unknown_key(
    section: &Section,
    only_shared: bool,
    own: &Sheet,
    key: &Spanned<Cow<'_, str>>,
    problems: &mut Problems,
) {
    let name = key.get_ref().as_ref();
    let known = || section.keys.iter().filter(|k| k.shared || !only_shared).map(|k| k.name);
    let mut complaint = Complaint {
        key: own.path(name),
        found: "a key that does not exist".to_owned(),
        wanted: alternatives(known()),
        hint: String::new(),
    };
    let lower = name.to_lowercase();
    if section.path == "secrets" || PASSWORD_KEYS.contains(&lower.as_str()) {
        let entry = if section.path == "secrets" || own.name.is_empty() {
            "NAME".to_owned()
        } else {
            step(&own.name)
        };
        complaint.found = "a key for a secret in the main file".to_owned();
        complaint.wanted = "secrets in the secrets file only, which other users cannot read".to_owned();
        complaint.hint = match section.path {
            "secrets" => "write `file = \"hornwire-secrets.toml\"` here and move the line into that file".to_owned(),
            "extensions" if !only_shared => format!(
                "move the value into the secrets file as `{entry} = \"…\"` and write `secret = \"{entry}\"` here"
            ),
            _ => "passwords are asked for in [extensions.NAME] only, by `secret`".to_owned(),
        };
        if let ("secrets", Some(near)) = (section.path, nearest(name, known())) {
            complaint.found = "a key that does not exist".to_owned();
            complaint.wanted = alternatives(known());
            complaint.hint = format!("did you mean `{near}`?");
        }
    } else if only_shared && section.key(name).is_some() {
        complaint.found = "a key that has no default".to_owned();
        complaint.hint = format!("write `{name}` in each [{}.NAME]", section.path);
    } else if let Some(near) = nearest(name, known()) {
        complaint.hint = format!("did you mean `{near}`?");
    } else if (section.path, name) == ("groups", "no_packet_limit") {
        complaint.hint = "a group's page ends by `idle`".to_owned();
    } else if let Some(owners) = owners(name) {
        complaint.hint = owners;
    }
    problems.error(key.span().start, complaint);
}
