//! Where and from when a page was heard, what it waited for before, and what kept it out elsewhere.

use std::fmt::Write as _;

use jiff::SignedDuration;

use super::said::Said;
use super::{Page, Teller, after, places};
use crate::page::EndReason;
use crate::report::message::kind;
use crate::report::record::reason_code;

/// A wait that is worth a word, and the longest that an amplifier's lead and a chime usually take; ms.
const SHORT: f64 = 100.0;
const USUAL: f64 = 3000.0;

/// How a page waited for a zone.
#[derive(Debug, Default)]
pub struct Wait {
    /// What kept it from its zones, if that is known: "page 5 from dispatch had it".
    pub cause: Option<String>,
    /// It never had one.
    pub to_the_end: bool,
}

impl Teller<'_> {
    /// Where it was heard, from when on, and why not at once; and where not.
    pub(super) fn heard(&self, page: &Page) -> String {
        let record = page.record;
        let milliseconds = |name| record.number(name).unwrap_or_default();
        let zones = record.all("ZONE");
        if zones.is_empty() {
            return match record.all("MISSED_ZONE").is_empty() {
                true => "It was not heard.".to_owned(),
                false => self.missed(record),
            };
        }
        let waited = milliseconds("WAIT_MS");
        let from = after(page.began, SignedDuration::from_millis(waited as i64));
        let what = match record.is_silent() {
            true => "The loudspeakers were open for it",
            false => "It was heard",
        };
        let mut text = format!(
            "{what} in {} for {:.1} s, from {} on, {}.",
            places(&zones),
            milliseconds("DURATION_MS") / 1000.0,
            self.clock(from),
            self.delay(record, waited)
        );
        if record.has("RECORDED", "1") {
            text.push_str(" It was recorded, whole or in part, and played afterwards.");
        }
        if record.is_silent() {
            text.push_str(" Nothing was heard, because no audio came in.");
        }
        if !record.all("MISSED_ZONE").is_empty() {
            text.push(' ');
            text.push_str(&self.missed(record));
        }
        text
    }

    /// `at once`, or how long after it came, and why. `waited`: ms.
    fn delay(&self, record: &Said, waited: f64) -> String {
        let amplifier = "the amplifier woke up, and the chime played if there is one";
        if waited < SHORT {
            return "at once".to_owned();
        }
        let mut text = format!("{:.1} s after it came: ", waited / 1000.0);
        let behind = self
            .wait(record)
            .cause
            .map(|cause| format!(" ({cause})"))
            .unwrap_or_default();
        let known = record.number("ZONE_WAIT_MS");
        let wait = known.unwrap_or_default();
        let _ = match known {
            _ if wait >= SHORT && record.has("RECORDED", "1") => write!(text, "it was recorded before{behind}"),
            _ if wait >= SHORT => {
                let _ = write!(text, "it waited {:.1} s for the zone{behind}", wait / 1000.0);
                match waited - wait >= SHORT {
                    true => write!(text, ", then {amplifier}"),
                    false => Ok(()),
                }
            }
            Some(_) if waited < USUAL => write!(text, "{amplifier}"),
            Some(_) => write!(
                text,
                "its lead and chime are long, or a relay had to rest first (min_off)"
            ),
            // As an older program tells it.
            None if self.says_it_waits(record).is_some() => write!(text, "it waited for the zone{behind}"),
            None if waited < USUAL => write!(text, "{amplifier}, or it waited for the zone"),
            None => write!(text, "the zone was taken until then, or its lead and chime are long"),
        };
        text
    }

    /// What a page waited for.
    pub(super) fn wait(&self, record: &Said) -> Wait {
        let told = self.says_it_waits(record);
        let own = record
            .field("ZONE_WAIT_CAUSE")
            .map(|code| (code, record.field("ZONE_WAIT_PAGE")));
        let cause = own.or_else(|| Some((told?.field("CAUSE")?, told?.field("BY_PAGE"))));
        let known = record.field("ZONE_WAIT_MS").is_some();
        Wait {
            cause: cause.and_then(|(code, page)| self.obstacle(record, code, page)),
            to_the_end: !record.was_let_in() && (own.is_some() || !known && told.is_some()),
        }
    }

    /// What the gateway said when it began to wait, the last time.
    fn says_it_waits(&self, record: &Said) -> Option<&Said> {
        let id = record.field("PAGE_ID")?;
        let mut told = self.said.iter().rev().filter(|said| said.is(kind::PAGE_WAITING));
        told.find(|said| said.has("PAGE_ID", id) && said.same_run(record))
    }

    /// What kept a page of that start of the gateway out, from its code.
    pub(super) fn obstacle(&self, run: &Said, code: &str, detail: Option<&str>) -> Option<String> {
        let is = |reason| code == reason_code(reason);
        if is(EndReason::Busy) {
            return Some(match detail {
                Some(page) => format!("{} had it", self.named(run, page)),
                None => "another page had it".to_owned(),
            });
        }
        if is(EndReason::QuietHours) {
            let table = detail.map(|name| format!(".{name}")).unwrap_or_default();
            return Some(format!(
                "quiet hours bar pages of its priority there ([quiet_hours{table}])"
            ));
        }
        let text = if is(EndReason::DeviceFault) {
            "the sound card did not work"
        } else if is(EndReason::Vetoed) {
            "another system had taken over the amplifier ([vetoes])"
        } else {
            return None;
        };
        Some(text.to_owned())
    }

    /// `page 5 from dispatch`, if the journal knows the source.
    pub(super) fn named(&self, run: &Said, page: &str) -> String {
        let mut same = self
            .said
            .iter()
            .filter(|said| said.same_run(run) && said.has("PAGE_ID", page));
        match same.find_map(|said| said.field("SOURCE")) {
            Some(source) => format!("page {page} from {source}"),
            None => format!("page {page}"),
        }
    }

    /// Where it was not heard. The reason stands with it, unless the page's ending or its wait tells it.
    fn missed(&self, record: &Said) -> String {
        let told = [record.field("END_REASON"), record.field("ZONE_WAIT_CAUSE")];
        let heard = record.is(kind::PAGE_ENDED);
        let causes = record.all("MISSED_CAUSE");
        let mut groups: Vec<(Option<String>, Vec<&str>)> = Vec::new();
        for zone in record.all("MISSED_ZONE") {
            let cause = causes
                .iter()
                .find_map(|cause| cause.strip_prefix(zone)?.strip_prefix(": "));
            let (code, detail) = match cause.map(|cause| cause.split_once(' ').unwrap_or((cause, ""))) {
                Some((code, "")) => (Some(code), None),
                Some((code, detail)) => (Some(code), Some(detail)),
                None => (None, None),
            };
            let code = code.filter(|code| heard || !told.contains(&Some(code)));
            let text = code.and_then(|code| self.obstacle(record, code, detail));
            match groups.iter_mut().find(|(known, _)| *known == text) {
                Some((_, zones)) => zones.push(zone),
                None => groups.push((text, vec![zone])),
            }
        }
        let sentences = groups.into_iter().map(|(cause, zones)| match cause {
            Some(cause) => format!("It was not heard in {}: {cause}.", places(&zones)),
            None => format!("It was not heard in {}.", places(&zones)),
        });
        sentences.collect::<Vec<_>>().join(" ")
    }
}
