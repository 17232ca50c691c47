//! Messages about pages, beside their records.

use super::super::entry::Entry;
use super::{from, kind};
use crate::page::PageId;
use crate::report::record::Barrier;

#[derive(Debug, Clone, PartialEq)]
pub enum PageMessage {
    /// Its speech opened in a zone.
    Began {
        page: PageId,
        source: String,
        caller: String,
        zone: String,
    },
    Waits {
        page: PageId,
        source: String,
        caller: String,
        /// Where it is to be heard.
        zones: Vec<String>,
        /// What keeps it from them, if that is known.
        behind: Option<Barrier>,
    },
    /// What is said is kept, and played later.
    Recorded {
        page: PageId,
        source: String,
    },
    /// The program before this one died while the page was on, or with a recording that it had not played.
    Lost {
        page: PageId,
        source: String,
        caller: String,
        /// When it came, or was recorded, by the clock on the wall.
        since: String,
        recorded: bool,
    },
    NoDecoder {
        page: PageId,
        cause: String,
    },
}

impl PageMessage {
    pub(super) fn entry(&self) -> Entry {
        match self {
            PageMessage::Began {
                page,
                source,
                caller,
                zone,
            } => {
                let text = format!("page {} from {} is heard in zone {zone}", page.0, from(source, caller));
                of(kind::PAGE_BEGAN, text, *page, source)
                    .with("CALLER", caller)
                    .with("ZONE", zone)
            }
            PageMessage::Waits {
                page,
                source,
                caller,
                zones,
                behind,
            } => {
                let mut text = format!("page {} from {} waits for a zone", page.0, from(source, caller));
                if let Some(behind) = behind {
                    text.push_str(": ");
                    text.push_str(&behind.text());
                }
                let entry = of(kind::PAGE_WAITING, text, *page, source)
                    .with("CALLER", caller)
                    .with_some("CAUSE", behind.as_ref().map(Barrier::code))
                    .with_some("BY_PAGE", behind.as_ref().and_then(Barrier::page))
                    .with_some("BY_SOURCE", behind.as_ref().and_then(Barrier::source));
                zones.iter().fold(entry, |entry, zone| entry.with("ZONE", zone))
            }
            PageMessage::Recorded { page, source } => {
                let text = format!("page {} from {source} is recorded, to be played later", page.0);
                of(kind::PAGE_RECORDED, text, *page, source)
            }
            PageMessage::Lost {
                page,
                source,
                caller,
                since,
                recorded,
            } => {
                let from = from(source, caller);
                let (kind, text) = match recorded {
                    true => (
                        kind::RECORDING_LOST,
                        format!(
                            "page {} from {from}, recorded at {since}, is lost: the program died before it was played",
                            page.0
                        ),
                    ),
                    false => (
                        kind::PAGE_LOST,
                        format!(
                            "page {} from {from}, on since {since}, was cut off: the program died",
                            page.0
                        ),
                    ),
                };
                of(kind, text, *page, source)
                    .with("CALLER", caller)
                    .with("SINCE", since)
            }
            PageMessage::NoDecoder { page, cause } => {
                let text = format!("page {} cannot be played: {cause}", page.0);
                Entry::new(kind::NO_DECODER, text)
                    .with("PAGE_ID", page.0)
                    .with("CAUSE", cause)
            }
        }
    }
}

fn of(kind: super::Kind, text: String, page: PageId, source: &str) -> Entry {
    Entry::new(kind, text).with("PAGE_ID", page.0).with("SOURCE", source)
}
