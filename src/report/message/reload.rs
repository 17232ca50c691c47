//! Messages about a config that was read again.

use super::super::entry::Entry;
use super::kind;

/// Most tables that the text names; the fields name more.
const MAX_NAMED: usize = 8;

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ReloadMessage {
    /// It cannot be used; the one before holds.
    Kept { cause: String },
    /// These tables are other ones now.
    TakenUp { what: Vec<String> },
    /// They will be, once nothing is on.
    Waits { what: Vec<String> },
}

impl ReloadMessage {
    pub(super) fn entry(&self) -> Entry {
        let listed =
            |entry: Entry, what: &[String]| what.iter().fold(entry, |entry, table| entry.with("CHANGED", table));
        match self {
            ReloadMessage::Kept { cause } => Entry::new(
                kind::CONFIG_KEPT,
                format!("the config was read again and not taken up: {cause}"),
            )
            .with("CAUSE", cause),
            ReloadMessage::TakenUp { what } if what.is_empty() => {
                Entry::new(kind::CONFIG_TAKEN_UP, "the config was read again: nothing differs")
            }
            ReloadMessage::TakenUp { what } => {
                let text = format!("the config was read again and taken up: {}", named(what));
                listed(Entry::new(kind::CONFIG_TAKEN_UP, text), what)
            }
            ReloadMessage::Waits { what } => {
                let text = format!(
                    "the config was read again and waits until nothing is on: {}",
                    named(what)
                );
                listed(Entry::new(kind::CONFIG_WAITS, text), what)
            }
        }
    }
}

fn named(what: &[String]) -> String {
    match what.len().checked_sub(MAX_NAMED) {
        Some(more) if more > 0 => format!("{} and {more} more", what[..MAX_NAMED].join(", ")),
        _ => what.join(", "),
    }
}
