//! What was broken: while a page lasted, and at a moment.

use jiff::{SignedDuration, Timestamp};

use super::super::entry::Kind;
use super::super::message::kind;
use super::{MINUTE, Page, Teller, after};

/// Most faults told of one page.
const MOST_FAULTS: usize = 6;

/// What has ended what, as far as faults are concerned: what both are about stands in the fields.
const REPAIRS: [(Kind, Kind, &[&str]); 7] = [
    (kind::ADDRESS_MISSING, kind::ADDRESS_CAME, &["ADDRESS"]),
    (kind::CARD_LOST, kind::CARD_OPENED, &["CARD"]),
    (kind::INPUT_LOST, kind::INPUT_OPENED, &["INPUT_DEVICE"]),
    (kind::REGISTRATION_FAILED, kind::REGISTERED, &["EXTENSION", "REGISTRAR"]),
    (kind::GROUP_NOT_JOINED, kind::GROUP_JOINED, &["GROUP"]),
    (kind::CONTACT_LOST, kind::CONTACT_READ, &["CONTACT"]),
    (kind::ZONES_TAKEN, kind::ZONES_GIVEN_BACK, &["CONTACT"]),
];

impl Teller<'_> {
    /// Warnings and errors while it lasted, its own record apart.
    pub(super) fn faults(&self, page: &Page) -> Vec<String> {
        let from = after(page.began, SignedDuration::from_secs(-2));
        let until = after(page.record.at, SignedDuration::from_secs(2));
        let meanwhile = self
            .said
            .iter()
            .filter(|said| said.at >= from && said.at <= until && said.severity <= 4 && said.concerns_pages());
        let meanwhile = meanwhile.filter(|said| !said.is(kind::PAGE_ENDED) && !said.is(kind::PAGE_NOT_HEARD));
        let told = meanwhile.map(|said| format!("At {}: {}.", self.clock(said.at), said.text.trim_end_matches('.')));
        let mut told: Vec<String> = told.collect();
        let more = told.len().saturating_sub(MOST_FAULTS);
        told.truncate(MOST_FAULTS);
        if more > 0 {
            told.push(format!("And {more} more warnings; journalctl tells them."));
        }
        told
    }

    /// What was broken at that moment, and had not been mended.
    pub(super) fn missing(&self, at: Timestamp) -> Vec<String> {
        let before = || self.said.iter().rev().filter(|said| said.at <= after(at, MINUTE));
        let mut told = Vec::new();
        // The newest word on whether it ran.
        let run = before().find(|said| {
            [kind::STARTED, kind::STOPPED, kind::STOPPING]
                .iter()
                .any(|kind| said.is(*kind))
                || said.is_end_of_service()
        });
        if run.is_none()
            && let Some(first) = self.said.first()
        {
            let begins = self.time(first.at);
            told.push(format!(
                "The gateway had not been started then, as far as the journal tells: it begins at {begins}."
            ));
        }
        if let Some(said) = run.filter(|said| !said.is(kind::STARTED)) {
            told.push(format!(
                "The gateway did not run: at {} {}.",
                self.time(said.at),
                said.text.trim_end_matches('.')
            ));
        }
        // What an earlier start missed is nothing to this one.
        let since = run.map(|said| said.at);
        let of_this_start = || before().take_while(|said| since.is_none_or(|since| said.at >= since));
        for (fault, repair, names) in REPAIRS {
            let mut seen: Vec<Vec<Option<&str>>> = Vec::new();
            for said in of_this_start().filter(|said| said.is(fault) || said.is(repair)) {
                let of: Vec<Option<&str>> = names.iter().map(|name| said.field(name)).collect();
                if seen.contains(&of) {
                    continue;
                }
                seen.push(of);
                if said.is(fault) {
                    told.push(format!("Missing since {}: {}.", self.time(said.at), said.text));
                }
            }
        }
        told
    }
}
