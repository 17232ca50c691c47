//! Pages that are on, and recordings that are not played yet, in a file: if the program dies, the next one tells what became of
//! them.

use std::collections::BTreeMap;
use std::fs::{self, OpenOptions};
use std::io::{self, Read as _, Write as _};
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use crate::config;
use crate::page::PageId;

/// Name of the file in the service manager's directory.
pub const NAME: &str = "pages.json";
/// Largest file that is read, octets.
const MAX_FILE: u64 = 1024 * 1024;

/// Whose a page is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Held {
    pub source: String,
    pub caller: String,
    /// Since when, by the clock on the wall.
    pub since: String,
    /// It is recorded, to be played later.
    pub recorded: bool,
}

/// Without a file it only counts.
#[derive(Debug, Default)]
pub struct Ledger {
    file: Option<PathBuf>,
    held: BTreeMap<PageId, Held>,
}

impl Ledger {
    /// Begins an empty one, and says what the one before still held.
    pub fn open(file: Option<PathBuf>) -> (Self, Vec<(PageId, Held)>) {
        let lost = file.as_deref().map(read).unwrap_or_default();
        let ledger = Ledger {
            file,
            held: BTreeMap::new(),
        };
        if !lost.is_empty() {
            ledger.write();
        }
        (ledger, lost)
    }

    /// Notes a page; what is recorded stays so.
    pub fn enter(&mut self, page: PageId, held: Held) {
        if !held.recorded && self.held.contains_key(&page) {
            return;
        }
        self.held.insert(page, held);
        self.write();
    }

    /// It has been played, or its record tells why not.
    pub fn strike(&mut self, page: PageId) {
        if self.held.remove(&page).is_some() {
            self.write();
        }
    }

    /// A file that cannot be written costs nothing but this report.
    fn write(&self) {
        let Some(file) = &self.file else { return };
        if self.held.is_empty() {
            let _ = fs::remove_file(file);
            return;
        }
        let list = self.held.iter().map(
            |(page, held)| json!({ "page": page.0, "source": held.source, "caller": held.caller, "since": held.since, "recorded": held.recorded }),
        );
        let text = format!("{}\n", Value::Array(list.collect()));
        let beside = file.with_extension("new");
        // Whatever has that name is not written through.
        let _ = fs::remove_file(&beside);
        let made = OpenOptions::new().write(true).create_new(true).open(&beside);
        let written = made.and_then(|mut new| new.write_all(text.as_bytes()));
        let _ = written.and_then(|()| fs::rename(&beside, file));
    }
}

fn read(file: &Path) -> Vec<(PageId, Held)> {
    let text = || -> io::Result<Vec<u8>> {
        let mut text = Vec::new();
        config::open(file)?.take(MAX_FILE).read_to_end(&mut text)?;
        Ok(text)
    };
    let list = text().ok().and_then(|text| serde_json::from_slice::<Value>(&text).ok());
    let word = |entry: &Value, key: &str| entry.get(key).and_then(Value::as_str).unwrap_or_default().to_owned();
    let list = list.as_ref().and_then(Value::as_array).into_iter().flatten();
    list.filter_map(|entry| {
        let page = entry.get("page").and_then(Value::as_u64)?;
        let held = Held {
            source: word(entry, "source"),
            caller: word(entry, "caller"),
            since: word(entry, "since"),
            recorded: entry.get("recorded").and_then(Value::as_bool).unwrap_or_default(),
        };
        Some((PageId(page), held))
    })
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn held(source: &str) -> Held {
        Held {
            source: source.to_owned(),
            caller: "213".to_owned(),
            since: "2027-03-02 10:00:00".to_owned(),
            recorded: source == "yard",
        }
    }

    #[test]
    fn what_was_not_played_is_known_to_the_next() {
        let file = std::env::temp_dir().join(format!("hornwire-ledger-{}.json", std::process::id()));
        let _ = fs::remove_file(&file);
        let (mut ledger, lost) = Ledger::open(Some(file.clone()));
        assert!(lost.is_empty());
        for page in 1..=3 {
            ledger.enter(PageId(page), held("yard"));
        }
        ledger.strike(PageId(2));
        // It dies.
        drop(ledger);
        let (mut ledger, lost) = Ledger::open(Some(file.clone()));
        assert_eq!(lost, [(PageId(1), held("yard")), (PageId(3), held("yard"))]);
        ledger.enter(PageId(1), held("office"));
        ledger.strike(PageId(1));
        drop(ledger);
        assert!(Ledger::open(Some(file.clone())).1.is_empty());
        // Told once.
        assert!(!file.exists());
        fs::write(&file, "[{\"page\": \"x\"}, 7").unwrap();
        assert!(Ledger::open(Some(file.clone())).1.is_empty());
        let _ = fs::remove_file(&file);
    }
}
