//! A file of tables: each is one calculation, and its keys are the flags.

use std::ffi::OsString;
use std::path::Path;

use clap::Parser as _;
use hornwire::bench::levels::quantity::Unfit;
use toml::{Table as Toml, Value};

use super::arguments::Table;
use super::{Exit, Told, complain, print, tell};

/// Kinds of tables.
const KINDS: [&str; 5] = ["chain", "pad", "line", "sound", "source"];
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
    let root: Toml = match text.parse() {
        Ok(root) => root,
        Err(error) => {
            complain(&format!("{}: {error}", path.display()));
            return Exit::Data;
        }
    };
    let mut all = Vec::new();
    let mut is_good = true;
    for (place, table) in tables(&root) {
        match table.and_then(|(kind, name, table)| calculation(kind, name, table)) {
            Ok(told) => all.push(told),
            Err(Unfit(cause)) => {
                complain(&format!("{}: {place}: {cause}", path.display()));
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

type Found<'a> = (String, Result<(&'a str, &'a str, &'a Toml), Unfit>);

/// Every [KIND.NAME], and what stands where none should, in the order of kinds and names.
fn tables(root: &Toml) -> Vec<Found<'_>> {
    let mut all = Vec::new();
    for (kind, value) in root {
        let Some(names) = value.as_table().filter(|_| KINDS.contains(&kind.as_str())) else {
            let cause = format!(
                "no such table; there are {}, each with a name: [pad.yard]",
                KINDS.join(", ")
            );
            all.push((kind.clone(), Err(Unfit(cause))));
            continue;
        };
        for (name, value) in names {
            let place = format!("[{kind}.{name}]");
            all.push(match value.as_table() {
                Some(table) => (place, Ok((kind.as_str(), name.as_str(), table))),
                None => {
                    let cause = format!("a key without a table: write [{kind}.NAME] above it, with a name of your own");
                    (format!("{kind}.{name}"), Err(Unfit(cause)))
                }
            });
        }
    }
    all
}

fn calculation(kind: &str, name: &str, table: &Toml) -> Result<Told, Unfit> {
    let mut arguments: Vec<OsString> = vec![kind.into()];
    for (key, value) in table {
        let flag = format!("--{}", key.replace('_', "-"));
        if ["--json", "--help"].contains(&flag.as_str()) {
            return Err(Unfit(format!("`{key}`: not for a file")));
        }
        let text = match value {
            Value::Boolean(true) => {
                arguments.push(flag.into());
                continue;
            }
            Value::Boolean(false) => continue,
            Value::String(text) => text.clone(),
            Value::Integer(n) => n.to_string(),
            Value::Float(n) => n.to_string(),
            Value::Array(list) => {
                let texts = list.iter().map(|entry| match entry {
                    Value::String(text) => Ok(text.clone()),
                    Value::Integer(n) => Ok(n.to_string()),
                    Value::Float(n) => Ok(n.to_string()),
                    _ => Err(Unfit(format!("`{key}`: a list of texts is wanted"))),
                });
                texts.collect::<Result<Vec<String>, Unfit>>()?.join(",")
            }
            _ => return Err(Unfit(format!("`{key}`: a text, a number or a list is wanted"))),
        };
        arguments.push(format!("{flag}={text}").into());
    }
    let parsed = Table::try_parse_from(arguments).map_err(|error| Unfit(cause(&error)))?;
    let mut told = tell(&parsed.what, &format!("Level plan {name}"))?;
    if kind != "chain" {
        told.text = format!("[{kind}.{name}]\n\n{}", told.text);
    }
    told.json["name"] = name.into();
    Ok(told)
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
