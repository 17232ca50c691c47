//! What was broken: while a page lasted, and at a moment.

use jiff::{SignedDuration, Timestamp};

use super::super::entry::Kind;
use super::super::message::kind;
use super::super::record::reason_code;
use super::said::Said;
use super::{MINUTE, Page, TOLD_AGAIN, Teller, after};
use crate::page::EndReason;

/// Most faults told of one page.
const MOST_FAULTS: usize = 6;
/// What is told so long after a page may be about it: counts are told by and by.
const AFTERWARDS: SignedDuration = SignedDuration::from_secs(2);

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
    /// Its source sent what is not taken, while it lasted or a while before: that is told seldom.
    pub(super) fn not_decoded(&self, page: &Page) -> bool {
        let from = after(page.began, -TOLD_AGAIN);
        let mut meanwhile = self
            .said
            .iter()
            .filter(|said| said.at >= from && said.at <= page.record.at);
        meanwhile.any(|said| said.is(kind::NOT_DECODED) && is_about(said, page.record))
    }

    /// What can have mattered to it: what broke while it lasted, and what had been broken before.
    pub(super) fn faults(&self, page: &Page) -> Vec<String> {
        let until = after(page.record.at, AFTERWARDS);
        let meanwhile = self
            .said
            .iter()
            .filter(|said| said.at >= page.began && said.at <= until);
        let meanwhile = meanwhile.filter(|said| said.severity <= 4 && matters(said, page.record));
        let meanwhile = meanwhile.map(|said| {
            let mut text = format!("At {}: {}.", self.clock(said.at), said.text.trim_end_matches('.'));
            if said.is(kind::XRUNS) && self.is_without_real_time(said) {
                text.push_str(" Its thread runs without real-time scheduling.");
            }
            text
        });
        let mut told: Vec<String> = self.stood(page).into_iter().chain(meanwhile).collect();
        let more = told.len().saturating_sub(MOST_FAULTS);
        told.truncate(MOST_FAULTS);
        if more > 0 {
            told.push(format!("And {more} more warnings; journalctl tells them."));
        }
        told
    }

    fn is_without_real_time(&self, xruns: &Said) -> bool {
        let opened = self
            .said
            .iter()
            .rev()
            .filter(|said| said.at <= xruns.at && said.is(kind::CARD_OPENED));
        let mut opened = opened.filter(|said| said.field("CARD") == xruns.field("CARD"));
        opened.next().is_some_and(|said| said.has("REAL_TIME", "0"))
    }

    /// Faults that stood when it came.
    fn stood(&self, page: &Page) -> Vec<String> {
        let record = page.record;
        let is_whole = record.is(kind::PAGE_ENDED) && record.field("MISSED_ZONE").is_none();
        let named = [record.field("END_REASON"), record.field("ZONE_WAIT_CAUSE")];
        let missed = record.all("MISSED_CAUSE");
        // A page that was heard everywhere, and at once, missed no card.
        let by = |reason: EndReason| {
            let code = reason_code(reason);
            named.contains(&Some(code)) || missed.iter().any(|cause| cause.ends_with(&format!(": {code}")))
        };
        let told = [
            (kind::CARD_LOST, kind::CARD_OPENED, "CARD", by(EndReason::DeviceFault)),
            (
                kind::ZONES_TAKEN,
                kind::ZONES_GIVEN_BACK,
                "CONTACT",
                by(EndReason::Vetoed),
            ),
            (
                kind::RELAY_FAULT,
                kind::RELAY_MOVED,
                "RELAY",
                is_whole || !record.all("ZONE").is_empty(),
            ),
        ];
        let before = || {
            self.said
                .iter()
                .rev()
                .filter(|said| said.at < page.began && said.same_run(record))
        };
        let mut stood = Vec::new();
        for (fault, repair, name, counts) in told {
            let mut seen: Vec<Option<&str>> = Vec::new();
            for said in before().filter(|said| counts && (said.is(fault) || said.is(repair))) {
                let of = said.field(name);
                if seen.contains(&of) {
                    continue;
                }
                seen.push(of);
                if said.is(fault) {
                    stood.push(format!(
                        "Since {}: {}.",
                        self.time(said.at),
                        said.text.trim_end_matches('.')
                    ));
                }
            }
        }
        stood
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

/// Whether the page's source is what the entry is about.
fn is_about(said: &Said, record: &Said) -> bool {
    let source = record.field("SOURCE");
    source.is_some() && (said.field("SOURCE") == source || said.field("GROUP") == source)
}

/// Whether what went wrong while the page lasted can have mattered to it.
fn matters(said: &Said, record: &Said) -> bool {
    let is = |kinds: &[Kind]| kinds.iter().any(|kind| said.is(*kind));
    let anybody = [
        kind::CARD_LOST,
        kind::XRUNS,
        kind::RELAY_FAULT,
        kind::OVERLOAD,
        kind::MESSAGES_LOST,
        kind::ZONES_TAKEN,
        kind::CLOCK_JUMPED,
    ];
    if is(&anybody) {
        true
    } else if is(&[kind::INPUT_LOST, kind::INPUT_XRUNS]) {
        // A line input's page.
        record.field("PEER").is_none() && record.field("PACKETS").is_some()
    } else if is(&[kind::NO_DECODER]) {
        said.field("PAGE_ID") == record.field("PAGE_ID")
    } else if is(&[kind::NOT_DECODED, kind::GROUP_NOT_AUTHENTIC]) {
        is_about(said, record)
    } else if is(&[kind::CONNECTION_FAILED, kind::REGISTRATION_FAILED]) {
        record.field("END_REASON") == Some(reason_code(EndReason::CallLost))
    } else {
        said.is_end_of_service() || said.text.contains("Watchdog timeout") && said.is_of_the_manager()
    }
}
