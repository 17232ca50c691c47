//! What contacts tell.

use super::kind;
use crate::report::entry::Entry;

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ContactMessage {
    /// Its line can be read.
    Read {
        contact: String,
    },
    /// Its line cannot be read; what it did last still counts.
    Lost {
        contact: String,
        cause: String,
    },
    /// It has closed; outside its hours nothing comes of it.
    Closed {
        contact: String,
        is_open: bool,
    },
    /// Another system has these zones.
    TookOver {
        veto: String,
        zones: Vec<String>,
    },
    GaveBack {
        veto: String,
        zones: Vec<String>,
    },
}

impl ContactMessage {
    pub(super) fn entry(&self) -> Entry {
        let with_zones =
            |entry: Entry, zones: &[String]| zones.iter().fold(entry, |entry, zone| entry.with("ZONE", zone));
        match self {
            ContactMessage::Read { contact } => {
                Entry::new(kind::CONTACT_READ, format!("contact {contact} is watched")).with("CONTACT", contact)
            }
            ContactMessage::Lost { contact, cause } => {
                Entry::new(kind::CONTACT_LOST, format!("contact {contact} cannot be read: {cause}"))
                    .with("CONTACT", contact)
                    .with("CAUSE", cause)
            }
            ContactMessage::Closed { contact, is_open } => {
                let more = if *is_open {
                    ""
                } else {
                    ", outside its hours: nothing is played"
                };
                Entry::new(kind::CONTACT_CLOSED, format!("contact {contact} closed{more}")).with("CONTACT", contact)
            }
            ContactMessage::TookOver { veto, zones } => {
                let text = format!("{veto} has taken over: {}", named(zones));
                with_zones(Entry::new(kind::ZONES_TAKEN, text).with("CONTACT", veto), zones)
            }
            ContactMessage::GaveBack { veto, zones } => {
                let text = format!("{veto} has given back: {}", named(zones));
                with_zones(Entry::new(kind::ZONES_GIVEN_BACK, text).with("CONTACT", veto), zones)
            }
        }
    }
}

fn named(zones: &[String]) -> String {
    match zones {
        [] => "nothing that no other one has".to_owned(),
        [one] => format!("zone {one}"),
        several => format!("zones {}", several.join(", ")),
    }
}
