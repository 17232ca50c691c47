//! The secrets file: names and passwords. Nothing that is told about it repeats a value.

use std::collections::BTreeMap;
use std::io::Read as _;
use std::path::{Path, PathBuf};

use toml::de::{DeTable, DeValue};

use super::problem::{Complaint, Problems, cut};
use super::text;
use crate::sip::secret::Secret;

/// Largest secrets file, in octets.
const MAX_FILE: u64 = 64 * 1024;
/// Longest password, in characters.
const MAX_SECRET: usize = 256;

/// The passwords by name.
#[derive(Debug, Default)]
pub(super) struct Secrets {
    pub names: BTreeMap<String, Secret>,
    /// The file was found and could be read.
    pub loaded: bool,
    /// It need not be there: what has a secret is taken to have one that nobody knows.
    pub is_away: bool,
    /// Where it is, unless it is a credential.
    pub file: Option<PathBuf>,
}

/// The secrets file that `[secrets]` names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Origin {
    pub path: PathBuf,
    /// Key that names it.
    pub key: &'static str,
    /// The service manager has handed it over, and keeps it.
    pub handed: bool,
    /// Place of that key's value in the main file.
    pub at: usize,
}

/// Reads the file; problems inside it are told with its own name and lines.
pub(super) fn read(origin: &Origin, problems: &mut Problems) -> Secrets {
    let file = origin.path.display().to_string();
    let mut tell = |found: String, hint: String| {
        problems.error(
            origin.at,
            Complaint {
                key: format!("secrets.{}", origin.key),
                found,
                wanted: "a secrets file that this user can read".to_owned(),
                hint,
            },
        );
    };
    let octets = match octets(&origin.path) {
        Ok(octets) if octets.len() as u64 > MAX_FILE => {
            tell(
                format!("{}, larger than {MAX_FILE} octets", cut_path(&file)),
                "perhaps it is another file".to_owned(),
            );
            return Secrets::default();
        }
        Ok(octets) => octets,
        Err(error) => {
            let hint = match (error.kind(), origin.key) {
                (std::io::ErrorKind::NotFound, "file") => format!(
                    "make it, with a line `NAME = \"password\"` for each secret, then: chgrp hornwire {0} && chmod 640 {0}",
                    cut_path(&file)
                ),
                (std::io::ErrorKind::NotFound, _) => "the unit file needs LoadCredential= for it".to_owned(),
                (std::io::ErrorKind::PermissionDenied, "file") => {
                    format!(
                        "for the daemon: chgrp hornwire {0} && chmod 640 {0}; by hand: check with sudo",
                        cut_path(&file)
                    )
                }
                (std::io::ErrorKind::PermissionDenied, _) => {
                    "check as root (sudo); the file itself is as it should be, root's alone: the service manager hands it over"
                        .to_owned()
                }
                _ => "`file` names a file of the form NAME = \"password\"".to_owned(),
            };
            tell(format!("{}: {}", cut_path(&file), super::io_cause(&error)), hint);
            return Secrets::default();
        }
    };
    let Ok(text) = String::from_utf8(octets) else {
        tell(
            format!("{}, which is not UTF-8 text", cut_path(&file)),
            "save the file as UTF-8".to_owned(),
        );
        return Secrets::default();
    };
    let mut own = Problems::new(&file, &text);
    let names = names(&text, &mut own);
    if !origin.handed {
        permissions(origin, &mut own);
    }
    let loaded = !own.is_broken();
    problems.absorb(own);
    let file = (origin.key == "file").then(|| origin.path.clone());
    Secrets {
        names,
        loaded,
        file,
        is_away: false,
    }
}

/// File names are shown, but never pages of them.
pub(super) fn cut_path(path: &str) -> String {
    if path.chars().count() <= 200 {
        path.chars().filter(|c| !c.is_control()).collect()
    } else {
        cut(path)
    }
}

fn octets(path: &Path) -> std::io::Result<Vec<u8>> {
    let mut octets = Vec::new();
    super::open(path)?.take(MAX_FILE + 1).read_to_end(&mut octets)?;
    Ok(octets)
}

fn permissions(origin: &Origin, problems: &mut Problems) {
    use std::os::unix::fs::PermissionsExt as _;
    let Ok(about) = std::fs::metadata(&origin.path) else {
        return;
    };
    let mode = about.permissions().mode() & 0o777;
    if mode & 0o006 == 0 {
        return;
    }
    let file = cut_path(&origin.path.display().to_string());
    let (wanted, hint) = match origin.key {
        "file" => (
            "a secrets file for the daemon's user only",
            format!("chgrp hornwire {file} && chmod 640 {file}; where its owner runs the daemon: chmod 600 {file}"),
        ),
        _ => (
            "a secrets file for root only: the service manager hands it over",
            format!("chown root:root {file} && chmod 600 {file}"),
        ),
    };
    problems.whole_warning(Complaint {
        key: String::new(),
        found: format!("mode {mode:03o}: other users of this machine can read or change the passwords"),
        wanted: wanted.to_owned(),
        hint,
    });
}

/// So do the passwords begin that the packaged file has in the place of real ones.
const PLACEHOLDER: &str = "EDIT";

const WANTED: &str = "lines of the form NAME = \"password\"";

fn names(text: &str, problems: &mut Problems) -> BTreeMap<String, Secret> {
    let (root, errors) = DeTable::parse_recoverable(text);
    for error in errors {
        // The parser's own words stay out: they could come to quote the line.
        let (found, hint) = if error.message() == "duplicate key" {
            (
                "a name for the second time",
                "the same name stands further up: take the old line out",
            )
        } else {
            (
                "a line that cannot be read (not shown)",
                "put the password in quotes; in 'single' quotes a backslash stands for itself",
            )
        };
        problems.syntax(
            error.span().map_or(0, |s| s.start),
            Complaint {
                key: String::new(),
                found: found.to_owned(),
                wanted: WANTED.to_owned(),
                hint: hint.to_owned(),
            },
        );
    }
    let mut names = BTreeMap::new();
    for (key, value) in root.get_ref() {
        let mut tell = |key: &str, found: &str, hint: &str| {
            problems.error(
                value.span().start,
                Complaint {
                    key: key.to_owned(),
                    found: found.to_owned(),
                    wanted: WANTED.to_owned(),
                    hint: hint.to_owned(),
                },
            );
        };
        let name = key.get_ref().as_ref();
        if !text::name(name) {
            tell(
                "",
                "a name that is not allowed (not shown)",
                "a name is 1 to 32 letters, digits, - and _",
            );
            continue;
        }
        match value.get_ref() {
            DeValue::String(s) if s.is_empty() => {
                tell(name, "an empty password", "write the password between the quotes")
            }
            DeValue::String(s) if s.chars().count() > MAX_SECRET => {
                tell(
                    name,
                    "a password that is too long (not shown)",
                    &format!("at most {MAX_SECRET} characters"),
                );
            }
            DeValue::String(s) if s.contains(char::is_control) => {
                tell(
                    name,
                    "a password with a control character (not shown)",
                    "it must be one line of text",
                );
            }
            DeValue::String(s) => {
                if s.trim_start().starts_with(PLACEHOLDER) {
                    problems.warning(
                        value.span().start,
                        Complaint::new(
                            name.to_owned(),
                            format!(
                                "a password that begins with {PLACEHOLDER}: the example's, in the place of a real one"
                            ),
                            "the real password",
                            "write it between the quotes",
                        ),
                    );
                }
                names.insert(name.to_owned(), Secret::new(s.as_ref()));
            }
            DeValue::Table(_) => tell(name, "a table", "the file has no [tables], only lines"),
            DeValue::Array(_) => tell(name, "a list (not shown)", "take the brackets off"),
            _ => tell(name, "a value without quotes (not shown)", "put the password in quotes"),
        }
    }
    names
}
