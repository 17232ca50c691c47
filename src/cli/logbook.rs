//! The logbook beside a config: reading it, adding to it.
#![allow(clippy::disallowed_methods)]

use std::fs::OpenOptions;
use std::io::{ErrorKind, Read as _, Write as _};
use std::path::{Path, PathBuf};

use hornwire::bench::logbook::{self, EXTENSION, Kind, MAX_FILE, Outcome, Verdict};
use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::Exit;
use super::workbench::complain;

pub struct Logbook {
    path: PathBuf,
}

impl Logbook {
    pub fn beside(config: &Path) -> Self {
        Logbook {
            path: config.with_extension(EXTENSION),
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

    /// Adds a line.
    ///
    /// # Errors
    /// After the complaint, when it cannot be written.
    pub fn add(&self, outcome: &Outcome) -> Result<(), Exit> {
        let line = format!("{}\n", outcome.line());
        let file = OpenOptions::new().append(true).create(true).open(&self.path);
        let written = file.and_then(|mut file| {
            file.write_all(line.as_bytes())?;
            file.sync_data()
        });
        written.map_err(|error| {
            complain(&format!(
                "{}: {error}: what was measured cannot be kept",
                self.path.display()
            ));
            match error.kind() {
                ErrorKind::PermissionDenied => Exit::NoPermission,
                _ => Exit::CannotCreate,
            }
        })
    }

    /// All outcomes, oldest first; lines that are none are told. Without a file there are none.
    ///
    /// # Errors
    /// After the complaint, when it cannot be read.
    pub fn read(&self) -> Result<Vec<Outcome>, Exit> {
        let mut text = String::new();
        let file = match std::fs::File::open(&self.path) {
            Err(error) if error.kind() == ErrorKind::NotFound => return Ok(Vec::new()),
            file => file,
        };
        let read = file.and_then(|file| file.take(MAX_FILE).read_to_string(&mut text));
        if let Err(error) = read {
            complain(&format!("{}: {error}", self.path.display()));
            return Err(match error.kind() {
                ErrorKind::PermissionDenied => Exit::NoPermission,
                _ => Exit::NoInput,
            });
        }
        let (outcomes, faults) = logbook::read(&text);
        for fault in faults {
            complain(&format!("{}: {fault}; it is left out", self.path.display()));
        }
        Ok(outcomes)
    }
}
