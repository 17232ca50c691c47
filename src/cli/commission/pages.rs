//! Waiting for a page, and what is seen of relays and music meanwhile.
#![allow(clippy::disallowed_methods)]

use std::time::{Duration, Instant};

use hornwire::bench::logbook::Kind;
use hornwire::config::plan::Plan;
use hornwire::page::RelayId;
use hornwire::report::status::{Past, Status, Zone};
use jiff::Timestamp;

use super::super::dialogue::Halt;
use super::{LOOK, MUSIC_PATIENCE, PATIENCE, Run};

/// Relays that are operated, and since when.
fn note_moves(plan: &Plan, status: &Status, moved: &mut Vec<(RelayId, Timestamp)>) {
    let now = Timestamp::now();
    for (id, relay) in (0..=u16::MAX).map(RelayId).zip(&status.relays) {
        let ago = relay.moved_ms_ago.map(Duration::from_millis);
        let is_new = moved.iter().all(|(known, _)| *known != id) && usize::from(id.0) < plan.relays.len();
        if relay.operated
            && is_new
            && let Some(Ok(at)) = ago.map(|ago| now.checked_sub(ago))
        {
            moved.push((id, at));
        }
    }
}

/// The number of the last page so far.
pub(super) fn newest(status: &Status) -> u64 {
    let (pages, over) = (status.pages.iter(), status.recent.iter());
    pages.map(|page| page.id).chain(over.map(Past::id)).max().unwrap_or(0)
}

/// A page's record, and relays that were operated for it, s after its bid.
type Seen = (Past, Vec<(RelayId, f64)>);

impl Run<'_> {
    /// Waits until a page of that source, later than `after`, is over: its record, and which relays were operated when, s after the bid.
    /// `None`: it is to be left out.
    pub(super) fn page(&mut self, name: &str, kind: Kind, after: u64) -> Result<Option<Seen>, Halt> {
        let (by, mut moved) = (Instant::now() + PATIENCE, Vec::new());
        let (mut its, mut zones) = (None, Vec::new());
        let mut newest = after;
        let record = loop {
            if self.dialogue.stops_within(LOOK) {
                return Err(Halt::Quit);
            }
            if its.is_none() && (self.dialogue.typed(&["skip"]).is_some() || self.dialogue.has_ended()) {
                return Ok(None);
            }
            let status = self.bench.status()?;
            // The first one that comes is the one.
            let pinned: Option<u64> = its;
            let is_it = |id: u64, source: &str, of: &str| match pinned {
                Some(its) => id == its,
                None => id > after && source == name && of == kind.name(),
            };
            let on = status
                .pages
                .iter()
                .find(|page| is_it(page.id, &page.source, &page.kind));
            if let Some(page) = on {
                if its.is_none() {
                    self.say(&format!(
                        "  page {} has come; its figures come when it has ended",
                        page.id
                    ));
                }
                its = Some(page.id);
                note_moves(&self.bench.plan, &status, &mut moved);
                if !page.zones.is_empty() {
                    zones.clone_from(&page.zones);
                }
            }
            let mut recent = status.recent.iter();
            if let Some(record) = recent.find(|past| is_it(past.id(), &past.source(), &past.text("kind"))) {
                break record.clone();
            }
            if its.is_none() {
                self.tell_others(&status, newest, name);
                newest = newest.max(self::newest(&status));
            }
            if Instant::now() > by && its.is_none() {
                self.say(&format!("  no page has come in {} minutes", PATIENCE.as_secs() / 60));
                return Ok(None);
            }
        };
        self.wait_for_music(&record, zones)?;
        let began = record.text("began").parse::<Timestamp>().ok();
        let since_bid = |(id, at): (RelayId, Timestamp)| Some((id, at.duration_since(began?).as_secs_f64()));
        Ok(Some((record, moved.into_iter().filter_map(since_bid).collect())))
    }

    /// Pages since that one, by other sources: whoever dialled wrongly is told.
    fn tell_others(&self, status: &Status, after: u64, name: &str) {
        let on = status.pages.iter().map(|page| (page.id, page.from()));
        let over = status.recent.iter().map(|past| (past.id(), past.from()));
        let mut others: Vec<(u64, String)> = on.chain(over).filter(|(id, _)| *id > after).collect();
        others.sort();
        others.dedup();
        for (id, from) in others {
            self.say(&format!(
                "  page {id} is from {from}: still waiting for one from {name}"
            ));
        }
    }

    /// After a page: until its zones' music is free again.
    fn wait_for_music(&mut self, record: &Past, mut zones: Vec<String>) -> Result<(), Halt> {
        let ended = record.ended_at().parse::<Timestamp>().ok();
        let Some(ended) = ended.filter(|_| !self.bench.plan.music.is_empty()) else {
            return Ok(());
        };
        let by = Instant::now() + MUSIC_PATIENCE;
        while Instant::now() < by {
            let status = self.bench.status()?;
            let seconds = Timestamp::now().duration_since(ended).as_secs_f64().max(0.0);
            zones.retain(|name| {
                let zone = status.zone(name).filter(|zone| zone.hold.is_some());
                let is_back = zone.is_some_and(Zone::has_music);
                if is_back {
                    self.music_back.insert(name.clone(), seconds);
                }
                zone.is_some() && !is_back
            });
            if zones.is_empty() {
                return Ok(());
            }
            if self.dialogue.stops_within(LOOK) {
                return Err(Halt::Quit);
            }
        }
        self.music_back
            .extend(zones.into_iter().map(|zone| (zone, f64::INFINITY)));
        Ok(())
    }
}
