//! Waiting for a page, and what is seen of relays and music meanwhile.
#![allow(clippy::disallowed_methods)]

use std::time::Instant;

use hornwire::bench::logbook::Kind;
use hornwire::config::plan::Plan;
use hornwire::page::RelayId;
use jiff::Timestamp;
use serde_json::{Value, json};

use super::super::dialogue::Halt;
use super::{LOOK, MUSIC_PATIENCE, PATIENCE, Run};

/// Relays that are operated, and since when.
fn note_moves(plan: &Plan, status: &Value, moved: &mut Vec<(RelayId, Timestamp)>) {
    let now = Timestamp::now();
    let relays = status["relays"].as_array().into_iter().flatten();
    for (id, relay) in (0..=u16::MAX).map(RelayId).zip(relays) {
        let ago = relay["moved_ms_ago"].as_i64().map(jiff::SignedDuration::from_millis);
        let is_new = moved.iter().all(|(known, _)| *known != id) && usize::from(id.0) < plan.relays.len();
        if relay["operated"] == json!(true)
            && is_new
            && let Some(Ok(at)) = ago.map(|ago| now.checked_sub(ago))
        {
            moved.push((id, at));
        }
    }
}

/// The number of the last page so far.
pub(super) fn newest(status: &Value) -> u64 {
    let all = ["pages", "recent"]
        .into_iter()
        .flat_map(|key| status[key].as_array().into_iter().flatten());
    all.filter_map(|page| page["page"].as_u64()).max().unwrap_or(0)
}

/// A page's record, and relays that were operated for it, s after its bid.
type Seen = (Value, Vec<(RelayId, f64)>);

impl Run<'_> {
    /// Waits until a page of that source, later than `after`, is over: its record, and which relays were operated when, s after the bid.
    /// `None`: it is to be left out.
    pub(super) fn page(&mut self, name: &str, kind: Kind, after: u64) -> Result<Option<Seen>, Halt> {
        let (by, mut moved) = (Instant::now() + PATIENCE, Vec::new());
        let (mut told, mut zones) = (false, Vec::new());
        let record = loop {
            if self.dialogue.stops_within(LOOK) {
                return Err(Halt::Quit);
            }
            if !told && (self.dialogue.typed(&["skip"]).is_some() || self.dialogue.has_ended()) {
                return Ok(None);
            }
            let status = self.bench.status()?;
            let is_it = |page: &Value| {
                let is_later = page["page"].as_u64().is_some_and(|number| number > after);
                is_later && page["source"] == name && page["kind"] == kind.name()
            };
            if let Some(page) = status["pages"]
                .as_array()
                .into_iter()
                .flatten()
                .find(|page| is_it(page))
            {
                if !told {
                    self.say(&format!(
                        "  page {} has come; its figures come when it has ended",
                        page["page"]
                    ));
                    told = true;
                }
                note_moves(&self.bench.plan, &status, &mut moved);
                if page["zones"].as_array().is_some_and(|zones| !zones.is_empty()) {
                    zones = page["zones"].as_array().cloned().unwrap_or_default();
                }
            }
            let recent = status["recent"].as_array().cloned().unwrap_or_default();
            if let Some(record) = recent.into_iter().find(is_it) {
                break record;
            }
            if Instant::now() > by && !told {
                self.say(&format!("  no page has come in {} minutes", PATIENCE.as_secs() / 60));
                return Ok(None);
            }
        };
        let zones: Vec<String> = zones.iter().filter_map(Value::as_str).map(str::to_owned).collect();
        self.wait_for_music(&record, zones)?;
        let began = record["began"].as_str().and_then(|at| at.parse::<Timestamp>().ok());
        let since_bid = |(id, at): (RelayId, Timestamp)| Some((id, at.duration_since(began?).as_secs_f64()));
        Ok(Some((record, moved.into_iter().filter_map(since_bid).collect())))
    }

    /// After a page: until its zones' music is free again.
    fn wait_for_music(&mut self, record: &Value, mut zones: Vec<String>) -> Result<(), Halt> {
        let ended = record["ended_at"].as_str().and_then(|at| at.parse::<Timestamp>().ok());
        let Some(ended) = ended.filter(|_| !self.bench.plan.music.is_empty()) else {
            return Ok(());
        };
        let by = Instant::now() + MUSIC_PATIENCE;
        while Instant::now() < by {
            let status = self.bench.status()?;
            let all = status["zones"].as_array().cloned().unwrap_or_default();
            let is_back = |zone: &Value| zone["hold"] == "free" && zone["level_dbfs"].is_number();
            let seconds = Timestamp::now().duration_since(ended).as_secs_f64().max(0.0);
            zones.retain(|name| {
                let zone = all
                    .iter()
                    .find(|zone| zone["zone"] == name.as_str() && !zone["hold"].is_null());
                let is_back = zone.is_some_and(is_back);
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
