//! Pages without a record: they wait, are on, or the gateway died.

use std::collections::BTreeSet;

use super::said::Said;
use super::{MINUTE, MOST, Question, Teller, after, is_of, places, quoted};
use crate::report::message::kind;

/// A page's number is its own within one start of the gateway.
type Id<'a> = (&'a str, Option<&'a str>);

fn id(said: &Said) -> Id<'_> {
    (said.run(), said.field("PAGE_ID"))
}

impl<'a> Teller<'a> {
    /// What is known of them. Without a time: those that are not over, and those that came last.
    pub(super) fn unfinished(&self, question: &Question) -> Vec<String> {
        let is_record = |said: &&Said| said.is(kind::PAGE_ENDED) || said.is(kind::PAGE_NOT_HEARD);
        let over: BTreeSet<Id> = self.said.iter().filter(is_record).map(id).collect();
        let kinds = [kind::PAGE_BEGAN, kind::PAGE_WAITING, kind::PAGE_RECORDED];
        let mut open: Vec<(Id, Vec<&'a Said>)> = Vec::new();
        for said in self.said.iter().filter(|said| kinds.iter().any(|kind| said.is(*kind))) {
            let page = id(said);
            if over.contains(&page) {
                continue;
            }
            match open.iter_mut().rev().find(|(known, _)| *known == page) {
                Some((_, told)) => told.push(said),
                None => open.push((page, vec![said])),
            }
        }
        let last = self.records(question).map(|said| said.at).max();
        let told = open.iter().filter_map(|(_, told)| {
            let began = told.first()?.at;
            let zone = question.zone.as_ref();
            let caller = question.caller.as_deref();
            let is_asked_for = zone.is_none_or(|zone| told.iter().any(|said| said.has("ZONE", zone)))
                && told.iter().any(|said| is_of(said, caller));
            let died = self.died_after(began);
            let is_its_time = match question.at {
                // Not if it was long dead before.
                Some(at) => began < after(at, MINUTE) && died.is_none_or(|died| died.at >= at),
                None => died.is_none() || last.is_none_or(|last| began > last),
            };
            (is_asked_for && is_its_time)
                .then(|| self.open_page(told, died))
                .flatten()
        });
        let mut told: Vec<String> = told.collect();
        let surplus = told.len().saturating_sub(MOST);
        told.drain(..surplus);
        told
    }

    /// The end of the gateway that a page of that time did not outlive.
    fn died_after(&self, began: jiff::Timestamp) -> Option<&'a Said> {
        let mut ends = self
            .said
            .iter()
            .filter(|said| said.is_end_of_service() || said.is(kind::STARTED));
        ends.find(|end| end.at >= began)
    }

    fn open_page(&self, told: &[&Said], died: Option<&Said>) -> Option<String> {
        let (first, last) = (told.first()?, told.last()?);
        let caller = told.iter().find_map(|said| said.field("CALLER"));
        let caller = caller.map(|caller| format!(", {}", quoted(caller))).unwrap_or_default();
        let began: Vec<&&Said> = told.iter().filter(|said| said.is(kind::PAGE_BEGAN)).collect();
        let mut zones: Vec<&str> = began.iter().filter_map(|said| said.field("ZONE")).collect();
        zones.sort_unstable();
        zones.dedup();
        let waits = |said: &Said| {
            let place = match said.all("ZONE").as_slice() {
                [] => "a zone".to_owned(),
                zones => places(zones),
            };
            let code = said.field("CAUSE");
            let cause = code.and_then(|code| self.obstacle(said, code, said.field("BY_PAGE")));
            let cause = cause.map(|cause| format!(" ({cause})")).unwrap_or_default();
            format!("for {place}{cause}")
        };
        let mut text = if first.is(kind::PAGE_BEGAN) {
            format!("heard in {} from then on.", places(&zones))
        } else if first.is(kind::PAGE_WAITING) {
            format!("waited from then on {}.", waits(first))
        } else {
            "recorded from then on, to be played later.".to_owned()
        };
        if let Some(began) = began.first().filter(|_| !first.is(kind::PAGE_BEGAN)) {
            text.push_str(&format!(
                " It was heard in {} from {} on.",
                places(&zones),
                self.clock(began.at)
            ));
        }
        let became = match died {
            Some(died) if died.is(kind::STARTED) => {
                format!(
                    "It has no record: the gateway died before it was started again at {}.",
                    self.clock(died.at)
                )
            }
            Some(died) => format!("It has no record: the gateway died at {}.", self.clock(died.at)),
            None if last.is(kind::PAGE_WAITING) && told.len() > 1 => {
                format!(
                    "It has no record yet: it waits {}, since {}.",
                    waits(last),
                    self.clock(last.at)
                )
            }
            None if last.is(kind::PAGE_WAITING) => "It has no record yet: it waits.".to_owned(),
            None if last.is(kind::PAGE_RECORDED) => {
                "It has no record yet: it is recorded, and not played yet.".to_owned()
            }
            None => "It has no record yet: it is on.".to_owned(),
        };
        Some(format!(
            "Page {}, {}: {}{caller}, {text} {became}",
            first.field("PAGE_ID")?,
            self.time(first.at),
            first.field("SOURCE")?,
        ))
    }
}
