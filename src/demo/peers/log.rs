//! What the peers saw, in order.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

/// Later ones are dropped.
pub const MAX_ENTRIES: usize = 10_000;

/// One thing that happened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Note {
    pub at: Instant,
    /// Who saw it.
    pub who: String,
    pub what: String,
}

/// Notes of several peers together. Clones write into the same log.
#[derive(Debug, Clone, Default)]
pub struct Log(Arc<Mutex<Vec<Note>>>);

impl Log {
    pub fn new() -> Self {
        Self::default()
    }

    /// Notes something that happened now.
    pub fn note(&self, who: &str, what: impl Into<String>) {
        self.add(Instant::now(), who, what);
    }

    pub fn add(&self, at: Instant, who: &str, what: impl Into<String>) {
        let mut notes = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if notes.len() < MAX_ENTRIES {
            notes.push(Note {
                at,
                who: who.to_owned(),
                what: what.into(),
            });
        }
    }

    /// By time.
    pub fn notes(&self) -> Vec<Note> {
        let mut notes = self.0.lock().unwrap_or_else(PoisonError::into_inner).clone();
        notes.sort_by_key(|note| note.at);
        notes
    }
}
