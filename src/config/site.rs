//! What one board has of its own beside a config that many boards share: `hornwire.toml.d/*.toml` beside `hornwire.toml`.

use std::fs;
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};

use super::problem::{Complaint, Problem, Severity};
use super::{io_cause, octets_of};

/// Most files in it.
pub const MAX_SITE_FILES: usize = 32;

/// All of them together, octets.
const MAX_OCTETS: u64 = 256 * 1024;

/// A file behind the config file.
pub(super) struct File {
    pub name: String,
    pub octets: Vec<u8>,
}

/// The folder of a config file.
pub fn folder(config: &Path) -> PathBuf {
    let mut name = config.as_os_str().to_owned();
    name.push(".d");
    PathBuf::from(name)
}

/// The files, in the order of their names, and what cannot be read.
pub(super) fn files(config: &Path) -> (Vec<File>, Vec<Problem>) {
    let folder = folder(config);
    let (mut files, mut problems) = (Vec::new(), Vec::new());
    let names = match names(&folder) {
        Ok(names) => names,
        Err(error) if error.kind() == ErrorKind::NotFound => return (files, problems),
        Err(error) => {
            let hint = "the keys of one board stand in it; without one, take it away";
            problems.push(problem(&folder, &error, "a folder that can be read", hint));
            return (files, problems);
        }
    };
    if names.len() > MAX_SITE_FILES {
        let error = io::Error::other(format!("{} files that end in .toml", names.len()));
        let wanted = format!("at most {MAX_SITE_FILES}");
        problems.push(problem(&folder, &error, &wanted, "one for each matter is enough"));
    }
    let mut room = MAX_OCTETS;
    for path in names.into_iter().take(MAX_SITE_FILES) {
        match octets_of(&path) {
            Ok(octets) => {
                let Some(left) = room.checked_sub(octets.len() as u64) else {
                    let error = io::Error::other("too much, with the files before it");
                    let wanted = format!("at most {MAX_OCTETS} octets in all of them");
                    problems.push(problem(&path, &error, &wanted, "perhaps it is another file"));
                    break;
                };
                room = left;
                files.push(File {
                    name: path.display().to_string(),
                    octets,
                });
            }
            Err(error) => problems.push(problem(
                &path,
                &error,
                "a file that can be read",
                "look at its owner and mode",
            )),
        }
    }
    (files, problems)
}

fn names(folder: &Path) -> io::Result<Vec<PathBuf>> {
    let mut names = Vec::new();
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        let hidden = path
            .file_name()
            .is_some_and(|name| name.as_encoded_bytes().starts_with(b"."));
        if !hidden && path.extension().is_some_and(|extension| extension == "toml") {
            names.push(path);
        }
    }
    names.sort();
    Ok(names)
}

fn problem(path: &Path, error: &io::Error, wanted: &str, hint: &str) -> Problem {
    let complaint = Complaint::new(String::new(), io_cause(error), wanted, hint);
    Problem {
        severity: Severity::Error,
        file: path.display().to_string(),
        place: None,
        key: complaint.key,
        found: complaint.found,
        wanted: complaint.wanted,
        hint: complaint.hint,
    }
}
