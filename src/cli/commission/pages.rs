//! Waiting for a page, and what is seen of relays and music meanwhile.
#![allow(clippy::disallowed_methods)]

use std::time::Instant;

use hornwire::bench::commission::{Judged, SLACK, Trial};
use hornwire::bench::logbook::{Kind, Verdict};
use hornwire::page::RelayId;
use jiff::Timestamp;
use serde_json::{Value, json};

use super::{Halt, LOOK, MUSIC_PATIENCE, PATIENCE, Run};

/// A relay that was operated.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Moved {
    relay: String,
    at: Timestamp,
}

/// Relays that are operated, and since when.
fn note_moves(status: &Value, moved: &mut Vec<Moved>) {
    let now = Timestamp::now();
    for relay in status["relays"].as_array().into_iter().flatten() {
        let (Some(name), Some(ago)) = (relay["relay"].as_str(), relay["moved_ms_ago"].as_u64()) else {
            continue;
        };
        let known = moved.iter().any(|one| one.relay == name);
        let ago = jiff::SignedDuration::from_millis(i64::try_from(ago).unwrap_or(i64::MAX));
        if relay["operated"] == json!(true)
            && !known
            && let Ok(at) = now.checked_sub(ago)
        {
            moved.push(Moved {
                relay: name.to_owned(),
                at,
            });
        }
    }
}

impl Run<'_> {
    /// Waits until a page of that source is over; its record, and when relays were moved meanwhile. `None`: it is to be left out.
    pub(super) fn page(
        &mut self,
        name: &str,
        kind: Kind,
        number: Option<u64>,
        since: Timestamp,
    ) -> Result<Option<(Value, Vec<Moved>)>, Halt> {
        let (by, mut moved) = (Instant::now() + PATIENCE, Vec::new());
        let (mut told, mut zones) = (false, Vec::new());
        let mut record = loop {
            if self.dialogue.stops_within(LOOK) {
                return Err(Halt::Quit);
            }
            if number.is_none() && !told && (self.dialogue.typed(&["skip"]).is_some() || self.dialogue.has_ended()) {
                return Ok(None);
            }
            let status = self.bench.status()?;
            let is_it = |page: &Value| match number {
                Some(number) => page["page"].as_u64() == Some(number),
                None => page["source"] == name && page["kind"] == kind.name(),
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
                note_moves(&status, &mut moved);
                if page["zones"].as_array().is_some_and(|zones| !zones.is_empty()) {
                    zones = page["zones"].as_array().cloned().unwrap_or_default();
                }
            }
            let recent = status["recent"].as_array().cloned().unwrap_or_default();
            let ended = |page: &Value| {
                let at = page["ended_at"].as_str().and_then(|at| at.parse::<Timestamp>().ok());
                at.is_some_and(|at| at >= since)
            };
            if let Some(record) = recent.into_iter().rev().find(|page| is_it(page) && ended(page)) {
                break record;
            }
            if Instant::now() > by && !told {
                self.say(&format!("  no page has come in {} minutes", PATIENCE.as_secs() / 60));
                return Ok(None);
            }
        };
        let zones: Vec<String> = zones.iter().filter_map(Value::as_str).map(str::to_owned).collect();
        if record["source"].as_str() != Some(name) {
            // It was played for a schedule.
            record["source"] = json!(name);
        }
        self.wait_for_music(&record, zones)?;
        Ok(Some((record, moved)))
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

    /// How long before speech each relay that moved was operated, against its lead.
    pub(super) fn leads(&mut self, record: &Value, moved: &[Moved]) -> Result<(), Halt> {
        let plan = &self.bench.plan;
        let ended = record["ended_at"].as_str().and_then(|at| at.parse::<Timestamp>().ok());
        let began = record["began"].as_str().and_then(|at| at.parse::<Timestamp>().ok());
        let (Some(_), Some(began)) = (ended, began) else {
            return Ok(());
        };
        let spoke = record["wait_ms"].as_f64().unwrap_or_default() / 1000.0;
        for one in moved {
            let since_bid = one.at.duration_since(began).as_secs_f64();
            let lead = spoke - since_bid;
            // One that stayed operated from a page before says nothing.
            if since_bid < -0.05 || lead < 0.0 {
                continue;
            }
            let Some(id) = plan.relays.iter().position(|relay| relay.name == one.relay) else {
                continue;
            };
            let id = RelayId(u16::try_from(id).unwrap_or(u16::MAX));
            let of = |zone: &&hornwire::config::plan::Zone| zone.trigger.contains(&id) || zone.mute.contains(&id);
            let own = plan.relays[usize::from(id.0)].rules.lead;
            let wanted = plan.zones.iter().filter(of).map(|zone| own.unwrap_or(zone.lead)).max();
            let Some(wanted) = wanted.map(|lead| lead.as_secs_f64()) else {
                continue;
            };
            let trial = Trial::Relay(id);
            let judged = Judged {
                step: "lead",
                value: Some((lead, "s")),
                found: format!("{lead:.1} s before speech"),
                wanted: format!("{wanted:.1} s or more"),
                verdict: if lead >= wanted - SLACK {
                    Verdict::Passed
                } else {
                    Verdict::Failed
                },
                note: String::new(),
            };
            let found = format!("{}: {}", one.relay, judged.found);
            self.tell(&Judged {
                found,
                ..judged.clone()
            });
            self.keep_judged(trial, &judged)?;
        }
        Ok(())
    }
}
