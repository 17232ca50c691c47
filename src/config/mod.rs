//! Text to a checked plan.
//!
//! A config file is TOML. It is read with the places of its values, checked against one table of keys
//! (`schema`), and made into a [`plan::Plan`]; every problem is told at once, each with its place and a hint.
//! Passwords come from a separate file and never appear in a message.

use std::fs::File;
use std::io::Read as _;
use std::path::{Path, PathBuf};

pub mod diff;
pub mod edit;
mod messages;
pub mod plan;

mod build;
mod checks;
mod problem;
mod reference;
pub mod scenario;
mod schema;
mod secrets;
mod sheet;
mod site;
mod text;
mod tls;
mod value;
mod walk;
mod zone_groups;

pub use problem::{MAX_PROBLEMS, Place, Problem, Severity};
pub use reference::{Block, blocks, reference};
pub use site::{MAX_SITE_FILES, folder as site_folder};
pub use walk::MAX_TABLES;

use plan::{Plan, Relay};
use problem::{Complaint, Problems};

/// Where the daemon looks unless told otherwise.
pub const DEFAULT_FILE: &str = "/etc/hornwire/hornwire.toml";

/// Largest config file, in octets.
pub const MAX_FILE: u64 = 1024 * 1024;

/// A file that was read, right or wrong.
#[derive(Debug)]
pub struct Loaded {
    /// There is one unless some problem is an error.
    pub plan: Option<Plan>,
    /// The relays whose own tables are right, whatever is wrong elsewhere: they can be put to rest. None of them when
    /// a line of the file is not TOML, or a file of the board's own is not read, since that may be about one of them.
    pub relays: Vec<Relay>,
    /// Errors and warnings, in the order of the files.
    pub problems: Vec<Problem>,
    /// The board's own files that were read behind it, in this order.
    pub site: Vec<PathBuf>,
}

/// A file that could not be read at all.
#[derive(Debug, thiserror::Error)]
pub enum Unreadable {
    #[error("{file}: no such file")]
    Missing { file: String },
    #[error("{file}: no permission to read it")]
    Forbidden { file: String },
    #[error("{file}: {cause}")]
    Other { file: String, cause: String },
}

impl Unreadable {
    fn of(path: &Path, error: &std::io::Error) -> Self {
        let file = path.display().to_string();
        match error.kind() {
            std::io::ErrorKind::NotFound => Unreadable::Missing { file },
            std::io::ErrorKind::PermissionDenied => Unreadable::Forbidden { file },
            _ => Unreadable::Other {
                file,
                cause: io_cause(error),
            },
        }
    }
}

/// Reads a config file and the secrets that it names. Credentials are looked for in `$CREDENTIALS_DIRECTORY`.
///
/// # Errors
/// When the file itself cannot be read; what is wrong inside it is in [`Loaded::problems`].
pub fn load(path: &Path) -> Result<Loaded, Unreadable> {
    let credentials = std::env::var_os("CREDENTIALS_DIRECTORY");
    load_with(path, credentials.as_deref().map(Path::new))
}

/// As [`load`], with the directory of credentials given.
///
/// # Errors
/// As [`load`].
pub fn load_with(path: &Path, credentials: Option<&Path>) -> Result<Loaded, Unreadable> {
    let octets = octets_of(path).map_err(|error| Unreadable::of(path, &error))?;
    let (site, unread) = site::files(path);
    Ok(check_files(&octets, &site, path, credentials, unread, None))
}

/// As [`load`], for who only looks at what the config does: secrets and TLS files may be missing. What is wrong with them is no error, and
/// comes beside the rest. No code of access fits then, and nothing is authentic under a group's key.
///
/// # Errors
/// As [`load`].
pub fn load_away(path: &Path) -> Result<(Loaded, Vec<Problem>), Unreadable> {
    let octets = octets_of(path).map_err(|error| Unreadable::of(path, &error))?;
    let (site, unread) = site::files(path);
    let mut away = Vec::new();
    let loaded = check_files(&octets, &site, path, None, unread, Some(&mut away));
    Ok((loaded, away))
}

/// As much of a file as is looked at.
fn octets_of(path: &Path) -> std::io::Result<Vec<u8>> {
    let mut octets = Vec::new();
    open(path)?.take(MAX_FILE + 1).read_to_end(&mut octets)?;
    Ok(octets)
}

/// Checks the text of a config file. `path` names it in messages; relative secrets files are looked for beside it.
pub fn check_text(text: &str, path: &Path, credentials: Option<&Path>) -> Loaded {
    check_octets(text.as_bytes(), path, credentials)
}

fn check_octets(octets: &[u8], path: &Path, credentials: Option<&Path>) -> Loaded {
    check_files(octets, &[], path, credentials, Vec::new(), None)
}

/// `site`: the files behind the first one, with what stands in them. `away`: where the problems of secrets and TLS files go, if they are no errors.
fn check_files(
    octets: &[u8],
    site: &[site::File],
    path: &Path,
    credentials: Option<&Path>,
    unread: Vec<Problem>,
    away: Option<&mut Vec<Problem>>,
) -> Loaded {
    let file = path.display().to_string();
    let names = || site.iter().map(|further| PathBuf::from(&further.name)).collect();
    let refused = |problems: Problems| Loaded {
        plan: None,
        relays: Vec::new(),
        problems: problems.into_list(),
        site: names(),
    };
    let text = match text_of(&file, octets) {
        Ok(text) => text,
        Err(problems) => return refused(*problems),
    };
    let mut problems = Problems::new(&file, text);
    let mut root = walk::parse(text, 0, &mut problems);
    let mut shifted = Vec::new();
    let mut is_whole = unread.is_empty();
    for further in site {
        match text_of(&further.name, &further.octets) {
            Ok(text) => {
                // An offset says which file and which line: this one is parsed behind as many blanks as there is text before it.
                let from = problems.append(&further.name, text);
                shifted.push((from, " ".repeat(from) + text));
            }
            Err(other) => {
                is_whole = false;
                problems.absorb(*other);
            }
        }
    }
    for (from, text) in &shifted {
        let over = walk::parse(text, *from, &mut problems);
        walk::overlay(&mut root, over);
    }
    for problem in unread {
        problems.take(problem);
    }
    let mut sheets = walk::read(&root, &mut problems);
    zone_groups::expand(&mut sheets, &mut problems);
    let plan = build::plan(&sheets, path, credentials, &mut problems, away);
    Loaded {
        plan: if problems.has_errors() { None } else { plan },
        // What is not read may be about a relay.
        relays: match is_whole {
            true => build::sound_relays(&sheets, &problems),
            false => Vec::new(),
        },
        problems: problems.into_list(),
        site: names(),
    }
}

/// The text of a file, or what is wrong with it as a whole.
fn text_of<'a>(file: &str, octets: &'a [u8]) -> Result<&'a str, Box<Problems>> {
    let octets = octets.strip_prefix(b"\xef\xbb\xbf").unwrap_or(octets);
    if octets.len() as u64 > MAX_FILE {
        let mut problems = Problems::new(file, "");
        problems.whole(Complaint {
            found: "a file that is too large".to_owned(),
            wanted: format!("at most {MAX_FILE} octets of TOML"),
            hint: "perhaps it is another file".to_owned(),
            ..Complaint::default()
        });
        return Err(Box::new(problems));
    }
    std::str::from_utf8(octets).map_err(|error| {
        let good = octets
            .get(..error.valid_up_to())
            .and_then(|o| std::str::from_utf8(o).ok());
        let good = good.unwrap_or_default();
        let mut problems = Problems::new(file, good);
        problems.error(
            good.len(),
            Complaint {
                found: "a byte that is not UTF-8 text".to_owned(),
                wanted: "text in UTF-8".to_owned(),
                hint: if octets.starts_with(b"\xff\xfe") || octets.starts_with(b"\xfe\xff") {
                    "the whole file is UTF-16, which some editors call Unicode: save it as UTF-8"
                } else {
                    "save the file as UTF-8; perhaps a letter with an accent was typed in another encoding"
                }
                .to_owned(),
                ..Complaint::default()
            },
        );
        Box::new(problems)
    })
}

/// Opens a regular file. A pipe or a device would let the reader wait for ever.
pub(crate) fn open(path: &Path) -> std::io::Result<File> {
    let about = std::fs::metadata(path)?;
    if about.is_dir() {
        return Err(std::io::Error::other("a directory, not a file"));
    }
    if !about.is_file() {
        return Err(std::io::Error::other("not a regular file"));
    }
    File::open(path)
}

pub(crate) fn io_cause(error: &std::io::Error) -> String {
    match error.kind() {
        std::io::ErrorKind::NotFound => "no such file".to_owned(),
        std::io::ErrorKind::PermissionDenied => problem::NO_PERMISSION.to_owned(),
        _ => error.to_string(),
    }
}

#[cfg(test)]
mod tests;
