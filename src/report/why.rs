//! "Why was my page not heard?": the journal's entries, told in plain sentences. Pure: entries in, text out.

use std::fmt::Write as _;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::message::kind;
use super::text::fill;

mod endings;
mod faults;
mod gates;
mod open;
mod running;
mod said;
mod waits;

pub use said::{Said, Unreadable};

/// So far from the time asked for a page may be: watches differ, and people remember roughly.
const ABOUT: SignedDuration = SignedDuration::from_mins(10);
/// How seldom it is told again that the same packets are not played (`NOT_DECODED`).
const TOLD_AGAIN: SignedDuration = SignedDuration::from_hours(6);
/// A time that is asked for is a whole minute.
const MINUTE: SignedDuration = SignedDuration::from_mins(1);
/// How far before the time asked for the journal is read, for what was missing then.
pub const BEFORE: SignedDuration = SignedDuration::from_hours(24);
/// And how far behind it: the longest page, and what came of it.
pub const BEHIND: SignedDuration = SignedDuration::from_hours(2);
/// Most pages, and refusals, that are told.
const MOST: usize = 5;
/// Widest line.
const WIDTH: usize = 80;

/// What is asked.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Question {
    /// Begin of the minute in which it was.
    pub at: Option<Timestamp>,
    pub zone: Option<String>,
    /// A part of the caller's name, number, address, or of the source's name; case does not count.
    pub caller: Option<String>,
}

/// Kinds of what has no record of a page.
const REFUSALS: [super::entry::Kind; 10] = [
    kind::PAGE_LOST,
    kind::RECORDING_LOST,
    kind::CALL_NOT_TAKEN,
    kind::GATE_REFUSED,
    kind::WRONG_CODE,
    kind::CODES_LOCKED,
    kind::LEFT_DIAL_PAD,
    kind::TURNED_AWAY,
    kind::SENDER_REFUSED,
    kind::NOT_DECODED,
];

/// Tells what the entries, in the order of time, know of the question. `now`: when it is asked.
pub fn tell(said: &[Said], question: &Question, zone: &TimeZone, now: Timestamp) -> String {
    let teller = Teller { said, zone };
    let pages = teller.pages(question);
    let refusals = teller.refusals(question);
    let unfinished = teller.unfinished(question);
    let moment = question.at.unwrap_or(now);
    let down = teller.down(moment, question.at.is_none());
    let mut out = String::new();
    if question.at.is_none() && !down.is_empty() {
        for line in &down {
            paragraph(&mut out, line, "", "  ");
        }
        out.push('\n');
    }
    for page in &unfinished {
        paragraph(&mut out, page, "", "  ");
        out.push('\n');
    }
    for page in &pages {
        teller.page(page, &mut out);
        out.push('\n');
    }
    for refusal in &refusals {
        let said = format!("{}: {}", teller.time(refusal.at), refusal.text);
        paragraph(&mut out, &said, "", "  ");
        paragraph(&mut out, gates::refusal(refusal), "  ", "  ");
        out.push('\n');
    }
    let nothing = pages.is_empty() && refusals.is_empty() && unfinished.is_empty();
    if nothing {
        paragraph(&mut out, &teller.nothing(question), "", "");
    }
    if question.at.is_none() && !pages.is_empty() {
        return out;
    }
    let missing = teller.missing(moment);
    let before = down.iter().filter(|_| question.at.is_some());
    for line in before.chain(&missing) {
        paragraph(&mut out, line, "", "  ");
    }
    if nothing && missing.is_empty() && down.is_empty() && !said.is_empty() {
        paragraph(
            &mut out,
            "Nothing was missing then, as far as the journal tells: no call and no stream reached this board. Ask the phone system for \
             the call, or look at the network.",
            "",
            "",
        );
    }
    out
}

struct Teller<'a> {
    said: &'a [Said],
    zone: &'a TimeZone,
}

/// A page's record.
struct Page<'a> {
    record: &'a Said,
    began: Timestamp,
}

impl Page<'_> {
    /// How far it is from the minute that begins then.
    fn away(&self, at: Timestamp) -> SignedDuration {
        if self.record.at < at {
            at.duration_since(self.record.at)
        } else if self.began >= after(at, MINUTE) {
            self.began.duration_since(after(at, MINUTE))
        } else {
            SignedDuration::ZERO
        }
    }
}

impl<'a> Teller<'a> {
    /// Records of the zone and the caller.
    fn records<'q>(&self, question: &'q Question) -> impl Iterator<Item = &'a Said> + use<'a, 'q> {
        let said = self.said;
        let records = said
            .iter()
            .filter(|said| said.is(kind::PAGE_ENDED) || said.is(kind::PAGE_NOT_HEARD));
        let zone = question.zone.as_deref();
        let records =
            records.filter(move |said| zone.is_none_or(|zone| said.has("ZONE", zone) || said.has("MISSED_ZONE", zone)));
        records.filter(move |said| is_of(said, question.caller.as_deref()))
    }

    /// The records that are asked for: those of the time, else the nearest one; without a time the last ones.
    fn pages(&self, question: &Question) -> Vec<Page<'a>> {
        let records = self.records(question);
        let mut pages: Vec<Page> = records
            .map(|record| Page {
                record,
                began: record
                    .field("BEGAN")
                    .and_then(|began| began.parse().ok())
                    .unwrap_or(record.at),
            })
            .collect();
        if let Some(at) = question.at {
            let nearest = pages.iter().map(|page| page.away(at)).min().unwrap_or(ABOUT);
            pages.retain(|page| page.away(at) == nearest && nearest < ABOUT);
        }
        let surplus = pages.len().saturating_sub(if question.at.is_some() { MOST } else { 1 });
        pages.sort_by_key(|page| page.began);
        pages.drain(..surplus);
        pages
    }

    fn refusals(&self, question: &Question) -> Vec<&'a Said> {
        let refusals = self
            .said
            .iter()
            .filter(|said| REFUSALS.iter().any(|kind| said.is(*kind)));
        let refusals = refusals.filter(|said| is_of(said, question.caller.as_deref()));
        // Without a time it is asked for what came last.
        let last = self.records(question).map(|said| said.at).max();
        let is_asked_for = question.zone.is_some() || question.caller.is_some();
        let since = |said: &Said, at: Timestamp| match said.is(kind::NOT_DECODED) && is_asked_for {
            true => after(at, -TOLD_AGAIN),
            false => at,
        };
        let mut refusals: Vec<&Said> = refusals
            .filter(|said| match question.at {
                Some(at) => said.at >= since(said, at) && said.at < after(at, MINUTE),
                None => last.is_none_or(|last| said.at > last),
            })
            .filter(|said| {
                question
                    .zone
                    .as_ref()
                    .is_none_or(|zone| self.is_for(said, zone, question))
            })
            .collect();
        let surplus = refusals
            .len()
            .saturating_sub(if question.at.is_some() { MOST } else { 1 });
        refusals.drain(..surplus);
        refusals
    }

    /// Whether what was refused was for the zone. Where the journal does not say what its source's zones are, it may be what is
    /// asked for only if the time fits.
    fn is_for(&self, refusal: &Said, zone: &str, question: &Question) -> bool {
        if refusal.field("ZONE").is_some() {
            return refusal.has("ZONE", zone);
        }
        let source = ["SOURCE", "GROUP"].iter().find_map(|name| refusal.field(name));
        let of = self
            .said
            .iter()
            .filter(|said| source.is_some_and(|source| said.has("SOURCE", source)));
        let zones: Vec<&str> = of
            .flat_map(|said| [said.all("ZONE"), said.all("MISSED_ZONE")].concat())
            .collect();
        zones.contains(&zone) || zones.is_empty() && question.at.is_some()
    }

    fn time(&self, at: Timestamp) -> String {
        self.zone.to_datetime(at).strftime("%a %F %H:%M:%S").to_string()
    }

    fn clock(&self, at: Timestamp) -> String {
        let civil = self.zone.to_datetime(at);
        format!(
            "{}.{}",
            civil.strftime("%H:%M:%S"),
            civil.subsec_nanosecond() / 100_000_000
        )
    }

    fn page(&self, page: &Page, out: &mut String) {
        let record = page.record;
        let field = |name| record.field(name).unwrap_or_default();
        let caller = match (field("CALLER"), field("PEER")) {
            ("", "") => String::new(),
            ("", peer) => format!(", from {peer}"),
            (caller, "") => format!(", {}", quoted(caller)),
            (caller, peer) if caller == peer => format!(", from {peer}"),
            (caller, peer) => format!(", {} at {peer}", quoted(caller)),
        };
        let head = format!(
            "Page {}, {}: {}{caller}, priority {}",
            field("PAGE_ID"),
            self.time(page.began),
            field("SOURCE"),
            field("PAGE_PRIORITY")
        );
        // Set in further than the sentences: a caller chooses its own name.
        paragraph(out, &head, "", "      ");
        let mut line = |text: &str| paragraph(out, text, "  ", "  ");
        line(&self.heard(page));
        for text in self.cuts(page) {
            line(&text);
        }
        line(&endings::ending(record, &self.wait(record)));
        for text in endings::quality(record, self.not_decoded(page)) {
            line(&text);
        }
        if let Some(text) = self.relays(page) {
            line(&text);
        }
        for text in self.faults(page) {
            line(&text);
        }
    }

    /// Other pages that began in its zones while it lasted.
    fn cuts(&self, page: &Page) -> Vec<String> {
        let record = page.record;
        let mine = record.field("PAGE_ID");
        let zones: Vec<&str> = record
            .all("ZONE")
            .into_iter()
            .chain(record.all("MISSED_ZONE"))
            .collect();
        let began = self
            .said
            .iter()
            .filter(|said| said.is(kind::PAGE_BEGAN) && said.field("PAGE_ID") != mine);
        let began = began.filter(|said| said.at >= page.began && said.at <= record.at);
        let began = began.filter(|said| said.same_run(record));
        began
            .filter_map(|said| {
                let zone = said.field("ZONE").filter(|zone| zones.contains(zone))?;
                Some(format!(
                    "In zone {zone} page {} from {} was heard from {} on.",
                    said.field("PAGE_ID")?,
                    said.field("SOURCE")?,
                    self.clock(said.at)
                ))
            })
            .take(MOST)
            .collect()
    }

    /// The relays that operated while it lasted, for it or for another, and when each was at rest again.
    fn relays(&self, page: &Page) -> Option<String> {
        if page.record.all("ZONE").is_empty() {
            return None;
        }
        let moved: Vec<&Said> = self
            .said
            .iter()
            .filter(|said| said.is(kind::RELAY_MOVED) && said.same_run(page.record))
            .collect();
        let moves = |relay: &str, state: &str| {
            let of = moved
                .iter()
                .filter(|said| said.has("RELAY", relay) && said.has("RELAY_STATE", state));
            of.map(|said| said.at).collect::<Vec<Timestamp>>()
        };
        let mut names: Vec<&str> = moved.iter().filter_map(|said| said.field("RELAY")).collect();
        names.sort_unstable();
        names.dedup();
        let end = page.record.at;
        let told = names.iter().filter_map(|name| {
            let operated = moves(name, "operated");
            let rests = moves(name, "rest");
            let operated = operated.iter().rev().find(|at| **at >= page.began && **at <= end)?;
            let rest = rests.iter().find(|at| *at > operated);
            Some(match rest {
                Some(rest) => format!(
                    "{name} operated at {}, at rest again at {}",
                    self.clock(*operated),
                    self.clock(*rest)
                ),
                None => format!(
                    "{name} operated at {}, and not at rest since, as far as the journal tells",
                    self.clock(*operated)
                ),
            })
        });
        let told: Vec<String> = told.collect();
        (!told.is_empty()).then(|| format!("Relays that operated meanwhile: {}.", told.join("; ")))
    }

    fn nothing(&self, question: &Question) -> String {
        if self.said.is_empty() {
            return "The journal has nothing of the gateway for that time. Was it installed then, and is the journal kept over restarts (Storage= in \
                    journald.conf)?"
                .to_owned();
        }
        let mut text = "The journal knows of no page".to_owned();
        if let Some(zone) = &question.zone {
            let _ = write!(text, " for zone {zone}");
        }
        if let Some(caller) = &question.caller {
            let _ = write!(text, " of {caller}");
        }
        match question.at {
            Some(at) => {
                let _ = write!(text, " within {} min of {}.", ABOUT.as_mins(), self.time(at));
            }
            None => {
                let since = self.said.first().map(|said| self.time(said.at)).unwrap_or_default();
                let _ = write!(text, " since {since}.");
            }
        }
        text
    }
}

/// Kept within what a timestamp can be.
fn after(at: Timestamp, time: SignedDuration) -> Timestamp {
    at.saturating_add(time).unwrap_or(at)
}

/// What somebody says of itself, in marks that it cannot close.
fn quoted(text: &str) -> String {
    format!("\"{}\"", text.replace('"', "'"))
}

/// Whether it names the caller.
fn is_of(said: &Said, caller: Option<&str>) -> bool {
    let Some(caller) = caller.map(str::to_lowercase) else {
        return true;
    };
    let names = ["CALLER", "SOURCE", "PEER", "GROUP", "EXTENSION", "DIALLED"];
    let mut values = names.iter().filter_map(|name| said.field(name));
    values.any(|value| value.to_lowercase().contains(&caller))
}

/// `zone yard`, `zones yard and shed`.
fn places(zones: &[&str]) -> String {
    match zones {
        [] => "no zone".to_owned(),
        [zone] => format!("zone {zone}"),
        [zones @ .., last] => format!("zones {} and {last}", zones.join(", ")),
    }
}

fn paragraph(out: &mut String, text: &str, first: &str, rest: &str) {
    fill(out, text, first, rest, WIDTH);
}

#[cfg(test)]
mod tests;
