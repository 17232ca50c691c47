//! Changing one key of a config where it stands, with everything around it left as it was written.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write as _};
use std::os::unix::fs::{MetadataExt as _, OpenOptionsExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};

use toml_edit::{DocumentMut, Item, TableLike, Value};

use super::{Severity, load, site};

/// A change that has not been made yet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Edit {
    pub file: PathBuf,
    /// As it stands there, if it does.
    pub before: Option<String>,
    /// `[cards.amp] full_scale = "4.1 dBm"`.
    pub after: String,
    text: String,
    former: String,
}

/// Why a key cannot be changed.
#[derive(Debug, thiserror::Error)]
pub enum Fault {
    #[error("{}: {}", .0.display(), .1)]
    File(PathBuf, io::Error),
    #[error("{}: {}", .0.display(), .1)]
    Unreadable(PathBuf, String),
    #[error("no table [{}] in {}", .0, .1.display())]
    NoTable(String, PathBuf),
    #[error("{} has been changed by somebody else meanwhile; nothing was written", .0.display())]
    Changed(PathBuf),
    #[error("with the change the config has an error, so it was taken back: {0}")]
    Refused(String),
}

/// Finds where `[section.name]` says `key`, or would: the last of the config's files that has it, else the first that has the table.
///
/// # Errors
/// When there is no such table, or a file cannot be read.
pub fn set(config: &Path, section: &str, name: &str, key: &str, value: &str) -> Result<Edit, Fault> {
    let folder = site::folder(config);
    let mut files = vec![config.to_owned()];
    let behind = site::files(config).0.into_iter().map(|file| PathBuf::from(file.name));
    files.extend(behind);
    let mut found: Option<Edit> = None;
    for file in files {
        let former = fs::read_to_string(&file).map_err(|error| Fault::File(file.clone(), error))?;
        let document: Result<DocumentMut, toml_edit::TomlError> = former.parse();
        let mut document = document.map_err(|error| Fault::Unreadable(file.clone(), error.message().to_owned()))?;
        let Some(table) = table(&mut document, section, name) else {
            continue;
        };
        let before = table.get(key).and_then(Item::as_value).map(|value| {
            let mut value = value.clone();
            value.decor_mut().clear();
            value.to_string()
        });
        if found.is_some() && before.is_none() {
            continue;
        }
        put(table, key, value);
        found = Some(Edit {
            before,
            after: format!("[{section}.{}] {key} = {}", quoted(name), Value::from(value)),
            text: as_before(&former, document.to_string()),
            former,
            file,
        });
    }
    found.ok_or_else(|| {
        Fault::NoTable(
            format!("{section}.{name}"),
            if folder.exists() { folder } else { config.to_owned() },
        )
    })
}

fn table<'d>(document: &'d mut DocumentMut, section: &str, name: &str) -> Option<&'d mut dyn TableLike> {
    let section = document.get_mut(section)?.as_table_like_mut()?;
    section.get_mut(name)?.as_table_like_mut()
}

/// Keeps what stands around the value: blanks and the comment behind it.
fn put(table: &mut dyn TableLike, key: &str, value: &str) {
    let mut new = Value::from(value);
    match table.get_mut(key) {
        Some(item) => {
            if let Some(old) = item.as_value() {
                *new.decor_mut() = old.decor().clone();
            }
            *item = Item::Value(new);
        }
        None => drop(table.insert(key, Item::Value(new))),
    }
}

fn quoted(name: &str) -> String {
    let is_bare = !name.is_empty() && name.chars().all(|c| c.is_ascii_alphanumeric() || "-_".contains(c));
    if is_bare {
        name.to_owned()
    } else {
        Value::from(name).to_string()
    }
}

impl Edit {
    /// Makes the change: a new file takes the place of the old one, whole, with its owner and mode. A config that would have errors is put
    /// back.
    ///
    /// # Errors
    /// When a file cannot be written or is not any more what it was, or the config would be wrong.
    pub fn make(&self, config: &Path) -> Result<(), Fault> {
        let now = fs::read_to_string(&self.file).map_err(|error| Fault::File(self.file.clone(), error))?;
        if now != self.former {
            return Err(Fault::Changed(self.file.clone()));
        }
        self.write(&self.text)?;
        let first = match load(config) {
            Err(unreadable) => Some(unreadable.to_string()),
            Ok(loaded) => {
                let mut problems = loaded.problems.iter();
                let error = problems.find(|problem| problem.severity == Severity::Error);
                error.map(super::Problem::line)
            }
        };
        match first {
            Some(error) => {
                self.write(&self.former)?;
                Err(Fault::Refused(error))
            }
            None => Ok(()),
        }
    }

    fn write(&self, text: &str) -> Result<(), Fault> {
        replace(&self.file, text).map_err(|error| Fault::File(self.file.clone(), error))
    }
}

/// Names that are tried for the new file.
const NAMES: u32 = 100;

/// Follows a link to the file that it names, so that the link stays one. The new file is one that nobody had before: whoever may write into the
/// directory cannot make us write elsewhere.
fn replace(file: &Path, text: &str) -> io::Result<()> {
    let file = fs::canonicalize(file)?;
    let about = fs::metadata(&file)?;
    let (mut new, beside) = create_beside(&file)?;
    let written = (|| {
        std::os::unix::fs::fchown(&new, Some(about.uid()), Some(about.gid()))?;
        new.set_permissions(fs::Permissions::from_mode(about.mode() & 0o7777))?;
        new.write_all(text.as_bytes())?;
        new.sync_all()?;
        fs::rename(&beside, &file)
    })();
    if written.is_err() {
        let _ = fs::remove_file(&beside);
    }
    written
}

fn create_beside(file: &Path) -> io::Result<(File, PathBuf)> {
    let mut error = io::Error::other("no name is free beside it");
    for n in 0..NAMES {
        let mut name = std::ffi::OsString::from(".");
        name.push(file.file_name().unwrap_or_default());
        name.push(format!(".{}-{n}", std::process::id()));
        let beside = file.with_file_name(name);
        // Never an existing file, nor what a link names.
        match OpenOptions::new()
            .write(true)
            .create_new(true)
            .mode(0o600)
            .open(&beside)
        {
            Ok(new) => return Ok((new, beside)),
            Err(cause) if cause.kind() == io::ErrorKind::AlreadyExists => error = cause,
            Err(cause) => return Err(cause),
        }
    }
    Err(error)
}

/// The text as it was written before: with its mark of the byte order, its ends of lines, and its last one or none.
fn as_before(former: &str, text: String) -> String {
    let mut text = text;
    if former.contains("\r\n") && !text.contains("\r\n") {
        text = text.replace('\n', "\r\n");
    }
    if !former.ends_with('\n') {
        text.truncate(text.trim_end_matches(['\r', '\n']).len());
    }
    match former.starts_with('\u{feff}') && !text.starts_with('\u{feff}') {
        true => format!("\u{feff}{text}"),
        false => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "# ours\n[site]\nname = \"Quayside Timber\"\n\n[cards.amp]   # the card\noutput = \"null\"\nfull_scale   =  \"2 dBm\"  # guessed\n\n\
                        [zones.yard]\ncard = \"amp\"\nchannel = 1\n\n[groups.dispatch]\naddress = \"239.192.0.10:5004\"\nzones = [\"yard\"]\n";

    fn site(name: &str) -> PathBuf {
        let directory = std::env::temp_dir().join(format!("hornwire-edit-{}-{name}", std::process::id()));
        fs::create_dir_all(directory.join("site.toml.d")).unwrap();
        let config = directory.join("site.toml");
        fs::write(&config, TEXT).unwrap();
        config
    }

    /// One value changes, and not one octet beside it.
    #[test]
    fn only_the_value_changes() {
        let config = site("value");
        let edit = set(&config, "cards", "amp", "full_scale", "4.1 dBm").unwrap();
        assert_eq!(edit.before.as_deref(), Some("\"2 dBm\""));
        assert_eq!(edit.after, "[cards.amp] full_scale = \"4.1 dBm\"");
        edit.make(&config).unwrap();
        assert_eq!(fs::read_to_string(&config).unwrap(), TEXT.replace("2 dBm", "4.1 dBm"));
        // One that is new comes to its table.
        let edit = set(&config, "zones", "yard", "gain", "-3 dB").unwrap();
        assert_eq!(edit.before, None);
        edit.make(&config).unwrap();
        let text = fs::read_to_string(&config).unwrap();
        assert!(text.contains("channel = 1\ngain = \"-3 dB\"\n"), "{text}");
        fs::remove_dir_all(config.parent().unwrap()).unwrap();
    }

    /// Where a file of the board's own has the key, it changes there.
    #[test]
    fn the_last_file_that_has_it() {
        let config = site("own");
        let own = config.with_file_name("site.toml.d").join("10-yard.toml");
        fs::write(&own, "[cards.amp]\nfull_scale = \"3 dBm\"\n").unwrap();
        let edit = set(&config, "cards", "amp", "full_scale", "4 dBm").unwrap();
        assert_eq!(edit.file, own);
        let edit = set(&config, "cards", "amp", "impedance", "600 ohm").unwrap();
        assert_eq!(edit.file, config);
        assert!(matches!(
            set(&config, "cards", "horn", "x", "y"),
            Err(Fault::NoTable(..))
        ));
        fs::remove_dir_all(config.parent().unwrap()).unwrap();
    }

    #[test]
    fn what_would_be_wrong_is_put_back() {
        let config = site("wrong");
        let mode = fs::Permissions::from_mode(0o640);
        fs::set_permissions(&config, mode).unwrap();
        let edit = set(&config, "cards", "amp", "full_scale", "loud").unwrap();
        assert!(matches!(edit.make(&config), Err(Fault::Refused(_))));
        assert_eq!(fs::read_to_string(&config).unwrap(), TEXT);
        assert_eq!(fs::metadata(&config).unwrap().mode() & 0o777, 0o640);
        fs::remove_dir_all(config.parent().unwrap()).unwrap();
    }

    #[test]
    fn what_somebody_else_wrote_stays() {
        let config = site("changed");
        let edit = set(&config, "cards", "amp", "full_scale", "4 dBm").unwrap();
        fs::write(&config, TEXT.replace("2 dBm", "3 dBm")).unwrap();
        assert!(matches!(edit.make(&config), Err(Fault::Changed(_))));
        assert!(fs::read_to_string(&config).unwrap().contains("3 dBm"));
        fs::remove_dir_all(config.parent().unwrap()).unwrap();
    }

    /// A link that waits under a likely name is not followed, and what is called like a copy stays.
    #[test]
    fn nothing_else_is_written() {
        let config = site("link");
        let victim = config.with_file_name("victim");
        fs::write(&victim, "precious").unwrap();
        std::os::unix::fs::symlink(
            &victim,
            config.with_file_name(format!(".site.toml.{}-0", std::process::id())),
        )
        .unwrap();
        fs::write(config.with_file_name("site.toml.new"), "draft").unwrap();
        let edit = set(&config, "cards", "amp", "full_scale", "4 dBm").unwrap();
        edit.make(&config).unwrap();
        assert_eq!(fs::read_to_string(&victim).unwrap(), "precious");
        assert_eq!(
            fs::read_to_string(config.with_file_name("site.toml.new")).unwrap(),
            "draft"
        );
        fs::remove_dir_all(config.parent().unwrap()).unwrap();
    }

    #[test]
    fn ends_of_lines_stay() {
        for (name, former) in [
            ("crlf", TEXT.replace('\n', "\r\n")),
            ("last", TEXT.trim_end().to_owned()),
            ("bom", format!("\u{feff}{TEXT}")),
        ] {
            let config = site(name);
            fs::write(&config, &former).unwrap();
            let edit = set(&config, "cards", "amp", "full_scale", "4.1 dBm").unwrap();
            edit.make(&config).unwrap();
            assert_eq!(
                fs::read_to_string(&config).unwrap(),
                former.replace("2 dBm", "4.1 dBm"),
                "{name}"
            );
            fs::remove_dir_all(config.parent().unwrap()).unwrap();
        }
    }
}
