//! The `[messages.NAME]` tables: their files are read here, and what is wrong with them told.

use std::path::Path;
use std::sync::Arc;

use super::plan::StoredMessage;
use super::problem::{Complaint, Problems};
use super::secrets::cut_path;
use super::sheet::{Sheet, Sheets};
use super::{io_cause, open};
use crate::sound::level::Db;
use crate::sound::recording::{self, Flaw, Recording};

/// What all messages together may take in memory, octets: twelve minutes.
pub const MAX_MEMORY: usize = 64 * 1024 * 1024;

/// In the order of the file, `None` in the place of one that cannot be played. A relative path begins beside `path`.
pub(super) fn read(sheets: &Sheets, path: &Path, problems: &mut Problems) -> Vec<Option<StoredMessage>> {
    let mut memory = 0;
    let messages = sheets.of("messages").map(|sheet| {
        let name = sheet.text("file")?;
        let file = path.parent().unwrap_or(Path::new("")).join(name);
        let recording = recording_of(sheet, &file, problems)?;
        memory += recording.memory();
        if memory > MAX_MEMORY {
            problems.error(
                sheet.at("file"),
                Complaint::new(
                    sheet.path("file"),
                    format!("{} MB of messages with this one", memory.div_ceil(1_000_000)),
                    &format!("at most {} MB, which are 12 minutes", MAX_MEMORY / 1_000_000),
                    "make them shorter, or take some out: each is kept in memory",
                ),
            );
            return None;
        }
        Some(StoredMessage {
            name: sheet.name.clone(),
            file,
            recording: Arc::new(recording),
            gain: Db(sheet.decibel("gain").unwrap_or_default()),
        })
    });
    messages.collect()
}

fn recording_of(sheet: &Sheet, file: &Path, problems: &mut Problems) -> Option<Recording> {
    let shown = cut_path(&file.display().to_string());
    let mut complain = |found: String, wanted: &str, hint: &str| {
        let found = format!("{shown}: {found}");
        problems.error(
            sheet.at("file"),
            Complaint::new(sheet.path("file"), found, wanted, hint),
        );
    };
    let mut source = match open(file) {
        Ok(source) => source,
        Err(error) => {
            complain(
                io_cause(&error),
                "a WAV or an Ogg Opus file",
                "a relative path begins beside this file; the service's user must be able to read it",
            );
            return None;
        }
    };
    match recording::read(&mut source) {
        Ok(recording) => {
            for flaw in recording.flaws() {
                tell(sheet, flaw, &recording, problems);
            }
            Some(recording)
        }
        Err(fault) => {
            let hint = fault.hint.replace("FILE", sheet.text("file").unwrap_or("FILE"));
            complain(fault.found, &fault.wanted, &hint);
            None
        }
    }
}

/// What can be played, and yet is hardly meant.
fn tell(sheet: &Sheet, flaw: Flaw, recording: &Recording, problems: &mut Problems) {
    let level = recording.about().level.map_or(f32::NEG_INFINITY, |l| l.0);
    let (found, wanted, hint) = match flaw {
        Flaw::Silent => ("silence".to_owned(), "a sound", "perhaps it is another file"),
        Flaw::Cancels => (
            "channels that cancel each other out".to_owned(),
            "channels that can be mixed to one",
            "save it with one channel; one of the two was perhaps recorded with its wires swapped",
        ),
        Flaw::VeryQuiet => (
            format!("an active speech level of {level:.0} dBFS"),
            "-50 dBFS or more",
            "its noise is made as loud as the speech: record it again, louder",
        ),
        Flaw::Clipped => (
            format!(
                "{:.1} % of the samples cut off at full scale",
                recording.about().clipped * 100.0
            ),
            "at most 0.1 %",
            "it sounds harsh: record it again with less gain",
        ),
        Flaw::NoEnd => (
            "a file that stops before its end".to_owned(),
            "a whole file",
            "copy it again; what is there is played",
        ),
    };
    problems.warning(
        sheet.at("file"),
        Complaint::new(sheet.path("file"), found, wanted, hint),
    );
}
