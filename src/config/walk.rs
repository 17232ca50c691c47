//! The file as sheets: every table found, every key known or told.

use std::borrow::Cow;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::problem::{Complaint, Problems, akin, alternatives, nearest, quote, step};
use super::schema::{self, Absent, Section};
use super::sheet::{Sheet, Sheets};
use super::text;
use super::value;

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

/// Parses a file that begins `from` octets into the text; what is no TOML goes to `problems`. What stands in it keeps its
/// offset.
pub(super) fn parse<'i>(text: &'i str, from: usize, problems: &mut Problems) -> DeTable<'i> {
    let (root, errors) = DeTable::parse_recoverable(text);
    for error in errors {
        // The end of this file is the beginning of another one.
        let last = text.len().saturating_sub(1).max(from);
        let offset = error.span().map_or(from, |s| s.start.min(last));
        problems.syntax(
            offset,
            Complaint {
                found: super::problem::cut(error.message()),
                wanted: "a [table] line or a `key = value` line of TOML".to_owned(),
                hint: syntax_hint(error.message(), text.get(line_of(text, offset)).unwrap_or_default()).to_owned(),
                ..Complaint::default()
            },
        );
    }
    root.into_inner()
}

/// Takes up the keys of another file: each in place of one of the same table and name. Below the tables of a section
/// a value is replaced as a whole.
pub(super) fn overlay<'i>(root: &mut DeTable<'i>, over: DeTable<'i>) {
    fn put<'i>(into: &mut DeTable<'i>, over: DeTable<'i>, depth: u8) {
        for (key, value) in over {
            let below = into.get_mut(key.get_ref().as_ref()).filter(|_| depth > 0);
            match (below.map(Spanned::get_mut), value.get_ref()) {
                (Some(DeValue::Table(old)), DeValue::Table(_)) => {
                    if let DeValue::Table(table) = value.into_inner() {
                        put(old, table, depth - 1);
                    }
                }
                _ => {
                    // Its place is the new one's.
                    into.remove(key.get_ref().as_ref());
                    into.insert(key, value);
                }
            }
        }
    }
    put(root, over, 2);
}

/// Reads all tables; everything that is wrong goes to `problems`.
pub(super) fn read(root: &DeTable<'_>, problems: &mut Problems) -> Sheets {
    let mut sheets = Sheets::default();
    let mut defaults = Vec::new();
    for (path, of) in schema::DEFAULTS {
        let Some(section) = schema::section(of) else { continue };
        if let Some((table, at)) = defaults_table(root, path) {
            defaults.push(sheet(section, Place::Defaults(path), table, at, problems));
        }
    }
    for (key, value) in in_order(root) {
        match schema::section(key.get_ref()) {
            Some(section) => section_tables(section, key, value, &defaults, &mut sheets, problems),
            None if key.get_ref() == "defaults" => unknown_defaults(value, problems),
            None => unknown_section(key, problems),
        }
    }
    for section in schema::SECTIONS.iter().filter(|s| !s.named) {
        // A section of the wrong shape has been told already.
        if !root.contains_key(section.path) {
            let empty = DeTable::new();
            let mut own = sheet(section, Place::Section, &empty, 0, problems);
            own.at = 0;
            sheets.add(own);
        }
    }
    sheets
}

/// The line that holds this offset.
fn line_of(text: &str, offset: usize) -> std::ops::Range<usize> {
    let octets = text.as_bytes();
    let offset = offset.min(octets.len());
    let ends = |octet: &u8| *octet == b'\n';
    let from = octets[..offset].iter().rposition(ends).map_or(0, |i| i + 1);
    let to = octets[offset..]
        .iter()
        .position(ends)
        .map_or(octets.len(), |i| offset + i);
    from..to
}

/// What most likely mends a line that is not TOML.
fn syntax_hint(message: &str, line: &str) -> &'static str {
    if line.contains(['“', '”', '„', '‘', '’', '«', '»']) {
        "these are a text processor's quotes: write straight ones, \"like this\""
    } else if message == "duplicate key" {
        "the same key or [table] stands further up: keep one of the two, or give the table another name"
    } else if message.starts_with("invalid unquoted key") {
        "names are made of the letters a to z, digits, - and _; texts, after the =, may hold any letter"
    } else if message.starts_with("unclosed table") {
        "close the bracket: [zones.yard]"
    } else {
        "text stands in quotes, a list in brackets, a remark behind #"
    }
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
            None => "extensions, groups, line inputs, contacts and schedules have defaults of their own".to_owned(),
        };
        problems.error(
            key.span().start,
            Complaint {
                key: format!("defaults.{}", step(key.get_ref())),
                found: "a key that does not exist".to_owned(),
                wanted: "[defaults.extensions], [defaults.groups], [defaults.inputs], [defaults.contacts] or [defaults.schedules]".to_owned(),
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
            found: instead(value.get_ref()),
            wanted: format!("a table: a line [{path}] with its keys below"),
            hint: match value.get_ref() {
                DeValue::Array(_) if path.ends_with(".NAME") => {
                    format!("write one pair of brackets, and a name of its own for each: [{path}]")
                }
                DeValue::Array(_) => format!("write one pair of brackets: [{path}]"),
                _ => "`hornwire check --keys` lists all tables and keys".to_owned(),
            },
        },
    );
}

fn instead(value: &DeValue<'_>) -> String {
    let what = match value {
        DeValue::Array(_) => "a list",
        DeValue::Integer(_) | DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::String(_) => "text",
        _ => "a value",
    };
    format!("{what} instead of a table")
}

fn unknown_section(key: &Spanned<Cow<'_, str>>, problems: &mut Problems) {
    let name = key.get_ref().as_ref();
    let known = || schema::SECTIONS.iter().map(|s| s.path).chain(["defaults"]);
    let hint = if let Some(near) = nearest(name, known()) {
        format!("did you mean `{near}`?")
    } else {
        owners(name).unwrap_or_else(|| "`hornwire check --keys` lists all tables and keys".to_owned())
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
        return sheets.add(own);
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
                    hint: "a second board, with a file of its own".to_owned(),
                },
            );
            return;
        }
        let Some(table) = value.get_ref().as_table() else {
            let hint = match section.key(name.get_ref()) {
                Some(key) => format!("`{}` belongs below a line such as [{}.main]", key.name, section.path),
                None if value.get_ref().as_array().is_some() => "write one pair of brackets".to_owned(),
                None => "`hornwire check --keys` lists the keys".to_owned(),
            };
            problems.error(
                name.span().start,
                Complaint {
                    key: path,
                    found: instead(value.get_ref()),
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
                    hint: "such as yard-2; it also stands in the journal".to_owned(),
                },
            );
        }
        let place = Place::Named(name.get_ref(), defaults);
        let own = sheet(section, place, table, name.span().start, problems);
        sheets.add(own);
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
    let mut own = Sheet::new(path, name, at);
    for (key, value) in in_order(table) {
        match section.key(key.get_ref()).filter(|k| k.shared || !only_shared) {
            Some(known) => {
                let read = value::read(known, &own.path(known.name), value, problems);
                own.write(known.name, read, value.span().start);
            }
            None => unknown_key(section, only_shared, &own, key, problems),
        }
    }
    if only_shared {
        return own;
    }
    for key in section.keys {
        if own.wrote(key.name) {
            continue;
        }
        if let (true, Place::Named(_, Some(defaults))) = (key.shared, place) {
            own.inherit(key, defaults);
            if own.wrote(key.name) {
                continue;
            }
        }
        match key.absent {
            Absent::Unset(_) => {}
            Absent::Default(default) => {
                if let Ok(default) = DeValue::parse(default)
                    && let Some(value) = value::read(key, key.name, &default, problems)
                {
                    own.default(key.name, value);
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
        hint: "take the line out; `hornwire check --keys` says what each key does".to_owned(),
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
    } else if let Some(near) = nearest(name, known()).or_else(|| akin(name, known())) {
        complaint.hint = format!("did you mean `{near}`?");
    } else if (section.path, name) == ("groups", "no_packet_limit") {
        complaint.hint = "a group's page ends by `idle`".to_owned();
    } else if let Some(owners) = owners(name) {
        complaint.hint = owners;
    }
    problems.error(key.span().start, complaint);
}
