//! A file of tables: each is one calculation, and its keys are the flags.

use std::ffi::OsString;
use std::path::Path;

use clap::Parser as _;
use clap::error::{ContextKind, ContextValue};
use hornwire::bench::levels::quantity::Unfit;
use toml::de::{DeTable, DeValue};

use super::arguments::Table;
use super::{Exit, Told, complain, print, tell};

/// Kinds of tables.
const KINDS: [&str; 5] = ["chain", "pad", "line", "sound", "source"];
/// The key that may stand without a quantity.
const OPTIONAL: &str = "transformer";
/// Most octets that are read.
const MAX_FILE: u64 = 256 * 1024;

pub fn run(path: &Path, as_json: bool) -> Exit {
    let text = match read(path) {
        Ok(text) => text,
        Err((exit, cause)) => {
            complain(&format!("{}: {cause}", path.display()));
            return exit;
        }
    };
    let root = match DeTable::parse(&text) {
        Ok(root) => root.into_inner(),
        Err(error) => {
            complain(&format!("{}: {error}", path.display()));
            return Exit::Data;
        }
    };
    let mut all = Vec::new();
    let mut is_good = true;
    for block in tables(&root) {
        match block.and_then(|block| block.calculated()) {
            Ok(told) => all.push(told),
            Err(Fault { place, at, cause }) => {
                let line = text.bytes().take(at).filter(|byte| *byte == b'\n').count() + 1;
                complain(&format!("{}:{line}: {place}: {cause}", path.display()));
                is_good = false;
            }
        }
    }
    if all.is_empty() && is_good {
        complain(&format!(
            "{}: no table. Write for example\n\n  [pad.yard]\n  kind = \"T\"\n  loss = \"10 dB\"",
            path.display()
        ));
        return Exit::Data;
    }
    print(&all, as_json);
    if is_good { Exit::Ok } else { Exit::Data }
}

fn read(path: &Path) -> Result<String, (Exit, String)> {
    let about = std::fs::metadata(path).map_err(|error| match error.kind() {
        std::io::ErrorKind::PermissionDenied => (Exit::NoPermission, "no permission to read it".to_owned()),
        std::io::ErrorKind::NotFound => (Exit::NoInput, "no such file".to_owned()),
        _ => (Exit::NoInput, error.to_string()),
    })?;
    if !about.is_file() {
        return Err((Exit::NoInput, "not a regular file".to_owned()));
    }
    if about.len() > MAX_FILE {
        return Err((
            Exit::Data,
            format!("larger than {MAX_FILE} octets; perhaps it is another file"),
        ));
    }
    std::fs::read_to_string(path).map_err(|error| match error.kind() {
        std::io::ErrorKind::PermissionDenied => (Exit::NoPermission, "no permission to read it".to_owned()),
        std::io::ErrorKind::InvalidData => (Exit::Data, "not UTF-8 text".to_owned()),
        _ => (Exit::NoInput, error.to_string()),
    })
}

/// What does not fit, and where in the file it begins.
struct Fault {
    place: String,
    at: usize,
    cause: String,
}

/// A [KIND.NAME].
struct Block<'a> {
    kind: &'a str,
    name: &'a str,
    at: usize,
    keys: &'a DeTable<'a>,
}

/// Every [KIND.NAME], and what stands where none should, in the order of kinds and names.
fn tables<'a>(root: &'a DeTable<'a>) -> Vec<Result<Block<'a>, Fault>> {
    let mut all = Vec::new();
    for (kind, value) in root {
        let word: &str = kind.get_ref();
        let Some(names) = value.get_ref().as_table().filter(|_| KINDS.contains(&word)) else {
            all.push(Err(Fault {
                place: word.to_owned(),
                at: kind.span().start,
                cause: format!(
                    "no such table; there are {}, each with a name: [pad.yard]",
                    KINDS.join(", ")
                ),
            }));
            continue;
        };
        for (name, value) in names {
            let at = name.span().start;
            all.push(match value.get_ref().as_table() {
                Some(keys) => Ok(Block {
                    kind: word,
                    name: name.get_ref(),
                    at,
                    keys,
                }),
                None => Err(Fault {
                    place: format!("{word}.{}", name.get_ref()),
                    at,
                    cause: format!("a key without a table: write [{word}.NAME] above it, with a name of your own"),
                }),
            });
        }
    }
    all
}

impl Block<'_> {
    fn fault(&self, at: usize, cause: String) -> Fault {
        Fault {
            place: format!("[{}.{}]", self.kind, self.name),
            at,
            cause,
        }
    }

    fn calculated(&self) -> Result<Told, Fault> {
        let mut arguments: Vec<OsString> = vec![self.kind.into()];
        for (key, value) in self.keys {
            let flag = flag(key.get_ref());
            let text = text(key.get_ref(), value.get_ref())
                .map_err(|Unfit(cause)| self.fault(value.span().start, format!("`{}`: {cause}", key.get_ref())))?;
            match text {
                Given::Flag(true) => arguments.push(flag.into()),
                Given::Flag(false) => {}
                Given::Text(text) => arguments.push(format!("{flag}={text}").into()),
            }
        }
        let parsed = Table::try_parse_from(arguments).map_err(|error| self.fault(self.place(&error), cause(&error)))?;
        let title = format!("Level plan {}", self.name);
        let mut told = tell(&parsed.what, &title).map_err(|Unfit(cause)| self.fault(self.at, cause))?;
        if self.kind != "chain" {
            told.text = format!("[{}.{}]\n\n{}", self.kind, self.name, told.text);
        }
        told.json["name"] = self.name.into();
        Ok(told)
    }

    /// Of the key that the parser complains of, else of the table.
    fn place(&self, error: &clap::Error) -> usize {
        let Some(ContextValue::String(argument)) = error.get(ContextKind::InvalidArg) else {
            return self.at;
        };
        let word = argument.split([' ', '=']).next().unwrap_or_default();
        let mut keys = self.keys.iter();
        let key = keys.find(|(key, _)| flag(key.get_ref()) == word);
        key.map_or(self.at, |(key, _)| key.span().start)
    }
}

fn flag(key: &str) -> String {
    format!("--{}", key.replace('_', "-"))
}

/// A key's value, as a flag has it.
enum Given {
    Flag(bool),
    Text(String),
}

fn text(key: &str, value: &DeValue<'_>) -> Result<Given, Unfit> {
    if ["json", "help"].contains(&key) {
        return Err(Unfit("not for a file".to_owned()));
    }
    let one = |value: &DeValue<'_>| match value {
        DeValue::String(text) => Some(text.to_string()),
        DeValue::Integer(n) => Some(n.to_string()),
        DeValue::Float(n) => Some(n.to_string()),
        _ => None,
    };
    match value {
        DeValue::Boolean(is_there) if key == OPTIONAL => return Ok(Given::Flag(*is_there)),
        DeValue::Array(list) => {
            let texts: Option<Vec<String>> = list.iter().map(|entry| one(entry.get_ref())).collect();
            let found = || Unfit("found a list, wanted one of texts or numbers".to_owned());
            return texts.map(|texts| Given::Text(texts.join(","))).ok_or_else(found);
        }
        _ => {}
    }
    let found = match value {
        DeValue::Boolean(is_there) => is_there.to_string(),
        DeValue::Table(_) => "a table".to_owned(),
        _ => "a date or time".to_owned(),
    };
    let given = one(value).map(Given::Text);
    given.ok_or_else(|| Unfit(format!("found {found}, wanted a text, a number or a list")))
}

/// The parser's message on one line, in the file's words.
fn cause(error: &clap::Error) -> String {
    let text = error.to_string();
    let lines = text
        .lines()
        .map(str::trim)
        .take_while(|line| !line.starts_with("Usage:"));
    let lines: Vec<&str> = lines
        .filter(|line| !line.is_empty() && !line.contains("--help"))
        .collect();
    let text = lines.join("; ");
    text.trim_start_matches("error: ")
        .replace("argument '--", "key '")
        .replace("'--", "'")
}
