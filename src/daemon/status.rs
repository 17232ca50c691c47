//! How everything stands, for who asks: zones with their levels, pages, relays, registrations, what is missing, and the pages before.

use std::collections::{BTreeMap, VecDeque};
use std::time::{Duration, Instant};

use jiff::Timestamp;
use serde_json::{Map, Value, json};

use super::control::Control;
use super::meters::Meters;
use crate::config::plan::Speaker;
use crate::page::{Kept, PageStatus, RelayId, Standing, ZoneId};
use crate::report::record::{Barrier, PageReport, reason_text};
use crate::sound::engine::Hold;

/// Records that are remembered.
const RECENT: usize = 16;

/// Fields that come as lists.
const LISTS: [&str; 3] = ["ZONE", "MISSED_ZONE", "MISSED_CAUSE"];
/// Fields that are texts, whatever stands in them.
const TEXTS: [&str; 10] = [
    "SOURCE",
    "CALLER",
    "PEER",
    "END_REASON",
    "BY_SOURCE",
    "BEGAN",
    "ZONE_WAIT_CAUSE",
    "CODEC",
    "MEDIA_SECURITY",
    "QUIET_HOURS",
];

/// What is remembered for those who look.
#[derive(Default)]
pub struct Seen {
    pub meters: Meters,
    /// When each relay was moved last.
    pub moved: BTreeMap<RelayId, Instant>,
    /// Records of the last pages, the newest last.
    pub recent: VecDeque<Value>,
}

impl Control {
    pub(super) fn status(&mut self, now: Instant) -> Value {
        let zones = (0..=u16::MAX).zip(&self.plan.zones).map(|(id, zone)| {
            let (phase, page) = self.switchboard.zone(ZoneId(id));
            let out_of_use = match (self.cards.is_up(zone.card), self.contacts.has_taken(ZoneId(id))) {
                (false, _) => Some("its sound card is missing"),
                (true, true) => Some("another system has the amplifier"),
                (true, false) => None,
            };
            let reading = self.seen.meters.reading(ZoneId(id), now);
            let full_scale = self.plan.cards[zone.card].full_scale;
            let dbm = full_scale.zip(reading).map(|(full, reading)| full.of_rms(reading.rms));
            json!({
                "zone": zone.name,
                "phase": phase.name(),
                "page": page.map(|page| page.0),
                "out_of_use": out_of_use,
                "level_dbfs": reading.map(|reading| hundredths(reading.rms.0)),
                "level_dbm": dbm.map(|dbm| hundredths(dbm.0)),
                "peak_dbfs": reading.map(|reading| hundredths(reading.peak.0)),
                "reduction_db": reading.map(|reading| hundredths(reading.reduction.0)),
                "hold": self.music_in(ZoneId(id), phase).map(Hold::name),
            })
        });
        let pages = self.switchboard.pages().map(|status| {
            let entry = self.pages.get(&status.page);
            let zones: Vec<&str> = status
                .zones
                .iter()
                .map(|zone| self.plan.zones[usize::from(zone.0)].name.as_str())
                .collect();
            json!({
                "page": status.page.0,
                "source": entry.map(|entry| entry.origin.name(&self.plan)),
                "kind": entry.map(|entry| entry.origin.speaker().kind()),
                "caller": entry.map(|entry| entry.caller.as_str()).filter(|caller| !caller.is_empty()),
                "priority": status.priority.0,
                "state": standing(&status),
                "zones": zones,
                "wanted": entry.map(|entry| self.zone_names(entry.zones())),
                "seconds": now.saturating_duration_since(status.bid_at).as_secs(),
            })
        });
        let relays = (0..=u16::MAX).zip(&self.plan.relays).map(|(id, relay)| {
            let moved = self.seen.moved.get(&RelayId(id));
            json!({
                "relay": relay.name,
                "operated": self.switchboard.relay(RelayId(id)),
                "blinks": relay.rules.shows.as_ref().is_some_and(|shows| shows.blinks.is_some()),
                "moved_ms_ago": moved.map(|at| millis(now.saturating_duration_since(*at))),
            })
        });
        let registrations = self
            .plan
            .extensions
            .iter()
            .enumerate()
            .filter(|(_, e)| !e.registrars.is_empty());
        let registrations = registrations.map(|(index, extension)| {
            let registrars: Vec<&str> = self.health.registrars(index).collect();
            let refusals = self.health.refusals(index);
            let refusals = refusals.map(|(registrar, cause)| json!({ "registrar": registrar, "cause": cause }));
            json!({
                "extension": extension.name,
                "registrars": registrars,
                "refusals": refusals.collect::<Vec<Value>>(),
            })
        });
        let metrics = self.plan.metrics.as_ref().map(|settings| {
            let address = settings.listen.to_string();
            json!({ "address": address, "is_served": self.scrapes.is_listening() })
        });
        let status = json!({
            "site": self.plan.site,
            "zones": zones.collect::<Vec<Value>>(),
            "pages": pages.collect::<Vec<Value>>(),
            "relays": relays.collect::<Vec<Value>>(),
            "registrations": registrations.collect::<Vec<Value>>(),
            "metrics": metrics,
            "missing": self.faults(),
            "config_waits": self.again.as_ref().map_or(self.reload.waits(), |(_, what)| what),
            "config_refused": self.reload.is_refused,
        });
        let due = self.next_schedule();
        let Value::Object(mut status) = status else {
            return Value::Null;
        };
        status.insert("next".to_owned(), due);
        status.insert("recent".to_owned(), self.seen.recent.iter().cloned().collect());
        Value::Object(status)
    }

    /// Remembers a page that is over.
    pub(super) fn remember(&mut self, report: &PageReport, kind: Speaker, now: Instant) {
        let ago = now.saturating_duration_since(report.record.ended_at);
        let ended_at = self.clock.moment().and_then(|moment| moment.checked_sub(ago).ok());
        let ended_at = ended_at.map(|at| at.to_zoned_datetime(self.clock.zone.clone()));
        let ended_at = ended_at.map(|at| at.strftime("%FT%T%.3f%:z").to_string());
        let recent = &mut self.seen.recent;
        while recent.len() >= RECENT {
            recent.pop_front();
        }
        recent.push_back(recent_page(report, kind.kind(), ended_at));
    }

    /// What is due next, and when by the clock on the wall.
    fn next_schedule(&self) -> Value {
        let Some(moment) = self.clock.moment() else {
            return Value::Null;
        };
        let due = self.plan.schedules.iter().filter_map(|schedule| {
            let next: Timestamp = schedule.timetable.next(moment, &self.clock.zone)?;
            Some((next, schedule))
        });
        due.min_by_key(|(next, _)| *next)
            .map_or(Value::Null, |(next, schedule)| {
                let local = self.clock.zone.to_datetime(next);
                json!({ "schedule": schedule.name, "at": local.strftime("%F %H:%M").to_string() })
            })
    }
}

/// The fields of its record in lower case, numbers as numbers; and what a person wants to see of it.
fn recent_page(report: &PageReport, kind: &str, ended_at: Option<String>) -> Value {
    let entry = report.entry();
    let fields = entry.fields().filter(|(name, _)| !LISTS.contains(name));
    let mut page: Map<String, Value> = fields
        .map(|(name, value)| {
            let number = value.parse().ok().filter(|_| !TEXTS.contains(&name));
            let value = number.map_or_else(|| json!(value), Value::Number);
            (name.to_lowercase(), value)
        })
        .collect();
    let missed = report.missed.iter();
    let missed = missed.map(|m| json!({ "zone": m.zone, "cause": m.why.as_ref().map(Barrier::text) }));
    let more = json!({
        "page": report.record.page.0,
        "kind": kind,
        "zones": report.zones,
        "missed": missed.collect::<Vec<Value>>(),
        "was_heard": report.record.heard_at.is_some(),
        "why": reason_text(report.record.reason),
        "seconds": millis(report.record.heard_for) as f64 / 1000.0,
        "wait_seconds": millis(report.wait()) as f64 / 1000.0,
        "ended_at": ended_at,
    });
    if let Value::Object(more) = more {
        page.extend(more);
    }
    Value::Object(page)
}

fn millis(time: Duration) -> u64 {
    u64::try_from(time.as_millis()).unwrap_or(u64::MAX)
}

fn hundredths(decibel: f32) -> f64 {
    // Adding 0 makes 0 of −0.
    (f64::from(decibel) * 100.0).round() / 100.0 + 0.0
}

/// In a word or two.
pub(super) fn standing(status: &PageStatus) -> &'static str {
    match (status.kept, status.standing) {
        (Some(Kept::Speaking { .. }), _) => "is recorded",
        (Some(Kept::Whole(_)), Standing::Waiting) => "recorded, waits",
        (None, Standing::Waiting) => "waits",
        (_, Standing::Seizing) => "wakes up amplifiers",
        (_, Standing::Chiming { .. }) => "chime",
        (_, Standing::Speaking) => "is heard",
        (_, Standing::Under) => "is heard below another",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_are_told_to_the_hundredth() {
        assert_eq!(json!(hundredths(-19.994_9)), json!(-19.99));
        assert_eq!(json!(hundredths(-0.001)).to_string(), "0.0");
    }
}
