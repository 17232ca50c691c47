//! The logbook beside a config: reading it, adding to it.
#![allow(clippy::disallowed_methods)]

use std::fs::{File, OpenOptions};
use std::io::{self, ErrorKind, Read as _, Write as _};
use std::os::unix::fs::{FileExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};

use hornwire::bench::logbook::{self, EXTENSION, Kind, MAX_FILE, Outcome, Verdict};
use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::{Exit, complain};

pub struct Logbook {
    path: PathBuf,
    /// It has to be there.
    is_named: bool,
}

impl Logbook {
    pub fn beside(config: &Path) -> Self {
        Self::of(None, config)
    }

    /// The one that is named, else the one beside the config.
    pub fn of(named: Option<&Path>, config: &Path) -> Self {
        Logbook {
            path: named.map_or_else(|| config.with_extension(EXTENSION), Path::to_owned),
            is_named: named.is_some(),
        }
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    /// An outcome of now; what was found and wanted is to be filled in.
    pub fn outcome(kind: Kind, name: &str, step: &str, verdict: Verdict, by: &str) -> Outcome {
        Outcome {
            at: Timestamp::now()
                .to_zoned_datetime(TimeZone::system())
                .strftime("%FT%T%:z")
                .to_string(),
            by: by.to_owned(),
            kind,
            name: name.to_owned(),
            step: step.to_owned(),
            value: None,
            found: String::new(),
            wanted: String::new(),
            verdict,
            note: String::new(),
        }
    }

    /// Whether lines can be added, before anything is measured.
    ///
    /// # Errors
    /// After the complaint.
    pub fn prove(&self) -> Result<(), Exit> {
        self.open().map(drop).map_err(|error| self.cannot(&error))
    }

    fn open(&self) -> io::Result<File> {
        OpenOptions::new()
            .read(true)
            .append(true)
            .create(true)
            .custom_flags(libc::O_NOFOLLOW)
            .open(&self.path)
    }

    fn cannot(&self, error: &io::Error) -> Exit {
        let path = self.path.display();
        complain(&format!("{path}: {error}: what is measured cannot be kept"));
        match error.kind() {
            ErrorKind::PermissionDenied => Exit::NoPermission,
            _ => Exit::CannotCreate,
        }
    }

    /// Adds a line.
    ///
    /// # Errors
    /// After the complaint, when it cannot be written.
    pub fn add(&self, outcome: &Outcome) -> Result<(), Exit> {
        let written = self.open().and_then(|mut file| {
            let octets = file.metadata()?.len();
            // A line that was cut off, by a loss of power, ends here.
            let mut last = [b'\n'];
            if octets > 0 {
                file.read_exact_at(&mut last, octets - 1)?;
            }
            let begin = if last == *b"\n" { "" } else { "\n" };
            let line = format!("{begin}{}\n", outcome.line());
            if octets + line.len() as u64 > MAX_FILE {
                return Err(io::Error::other("the logbook is full; put it away under another name"));
            }
            file.write_all(line.as_bytes())?;
            file.sync_data()
        });
        written.map_err(|error| self.cannot(&error))
    }

    /// All outcomes, oldest first, and how many lines are none; those are told. A config without a logbook has none.
    ///
    /// # Errors
    /// After the complaint, when it cannot be read.
    pub fn read(&self) -> Result<(Vec<Outcome>, usize), Exit> {
        let text = match text_of(&self.path) {
            Ok(text) => text,
            Err(error) if error.kind() == ErrorKind::NotFound && !self.is_named => String::new(),
            Err(error) => {
                complain(&format!("{}: {error}", self.path.display()));
                return Err(match error.kind() {
                    ErrorKind::PermissionDenied => Exit::NoPermission,
                    _ => Exit::NoInput,
                });
            }
        };
        let (outcomes, faults) = logbook::read(&text);
        for fault in &faults {
            complain(&format!("{}: {fault}; it is left out", self.path.display()));
        }
        Ok((outcomes, faults.len()))
    }
}

fn text_of(path: &Path) -> io::Result<String> {
    let file = File::open(path)?;
    if !file.metadata()?.is_file() {
        return Err(io::Error::other("not a regular file"));
    }
    let mut text = String::new();
    file.take(MAX_FILE + 1).read_to_string(&mut text)?;
    if text.len() as u64 > MAX_FILE {
        let error = format!("larger than {MAX_FILE} octets; perhaps it is another file");
        return Err(io::Error::other(error));
    }
    Ok(text)
}
