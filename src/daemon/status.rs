//! How everything stands, for who asks: zones with their levels, pages, relays, registrations, what is missing, and the pages before.

use std::collections::{BTreeMap, VecDeque};
use std::time::{Duration, Instant};

use jiff::Timestamp;

use super::control::Control;
use super::meters::Meters;
use crate::config::plan::{Relay, Speaker, Zone};
use crate::page::{Kept, PageStatus, RelayId, Standing, ZoneId};
use crate::report::record::PageReport;
use crate::report::status::{self, HEARD, Level, Metrics, OutOfUse, Past, RECORDED, Status};

/// Records that are remembered.
const RECENT: usize = 16;

/// What is remembered for those who look.
#[derive(Default)]
pub struct Seen {
    pub meters: Meters,
    /// When each relay was moved last.
    pub moved: BTreeMap<RelayId, Instant>,
    /// Records of the last pages, the newest last.
    pub recent: VecDeque<Past>,
}

impl Control {
    pub(super) fn status(&mut self, now: Instant) -> Status {
        let next = self.next_schedule();
        Status {
            site: self.plan.site.clone(),
            zones: self.zone_statuses(now),
            pages: self.page_statuses(now),
            relays: self.relay_statuses(now),
            registrations: self.registration_statuses(),
            metrics: self.plan.metrics.as_ref().map(|settings| Metrics {
                address: settings.listen.to_string(),
                is_served: self.scrapes.is_listening(),
            }),
            missing: self.faults(),
            config_waits: self
                .again
                .as_ref()
                .map_or(self.reload.waits(), |(_, what)| what)
                .to_vec(),
            config_refused: self.reload.is_refused,
            next,
            recent: self.seen.recent.iter().cloned().collect(),
        }
    }

    fn zone_statuses(&self, now: Instant) -> Vec<status::Zone> {
        let zones = (0..=u16::MAX).map(ZoneId).zip(&self.plan.zones);
        let status = |(id, zone): (ZoneId, &Zone)| {
            let (phase, page) = self.switchboard.zone(id);
            let out_of_use = match (self.cards.is_up(zone.card), self.contacts.has_taken(id)) {
                (false, _) => Some(OutOfUse::CardMissing),
                (true, true) => Some(OutOfUse::TakenOver),
                (true, false) => None,
            };
            let full_scale = self.plan.cards[zone.card].full_scale;
            let level = self.seen.meters.reading(id, now).map(|reading| Level {
                dbfs: hundredths(reading.rms.0),
                dbm: full_scale.map(|full| hundredths(full.of_rms(reading.rms).0)),
                peak_dbfs: hundredths(reading.peak.0),
                reduction_db: hundredths(reading.reduction.0),
            });
            status::Zone {
                name: zone.name.clone(),
                phase: phase.name().to_owned(),
                page: page.map(|page| page.0),
                out_of_use,
                level,
                hold: self.music_in(id, phase).map(|hold| hold.name().to_owned()),
            }
        };
        zones.map(status).collect()
    }

    fn page_statuses(&self, now: Instant) -> Vec<status::Page> {
        let pages = self.switchboard.pages().map(|page| {
            let entry = self.pages.get(&page.page);
            status::Page {
                id: page.page.0,
                source: entry.map_or("", |entry| entry.origin.name(&self.plan)).to_owned(),
                kind: entry.map_or("", |entry| entry.origin.speaker().kind()).to_owned(),
                caller: entry.map(|entry| entry.caller.clone()).unwrap_or_default(),
                priority: u64::from(page.priority.0),
                state: standing(&page).to_owned(),
                zones: self.zone_names(&page.zones),
                wanted: entry.map(|entry| self.zone_names(entry.zones())).unwrap_or_default(),
                seconds: now.saturating_duration_since(page.bid_at).as_secs(),
            }
        });
        pages.collect()
    }

    pub(super) fn relay_statuses(&self, now: Instant) -> Vec<status::Relay> {
        let relays = (0..=u16::MAX).map(RelayId).zip(&self.plan.relays);
        let status = |(id, relay): (RelayId, &Relay)| status::Relay {
            name: relay.name.clone(),
            operated: self.switchboard.relay(id),
            blinks: relay.rules.shows.as_ref().is_some_and(|shows| shows.blinks.is_some()),
            moved_ms_ago: self
                .seen
                .moved
                .get(&id)
                .map(|at| millis(now.saturating_duration_since(*at))),
        };
        relays.map(status).collect()
    }

    fn registration_statuses(&self) -> Vec<status::Registration> {
        let extensions = self.plan.extensions.iter().enumerate();
        let own = |texts: (&str, &str)| (texts.0.to_owned(), texts.1.to_owned());
        extensions
            .filter(|(_, extension)| !extension.registrars.is_empty())
            .map(|(index, extension)| status::Registration {
                extension: extension.name.clone(),
                registrars: self.health.registrars(index).map(str::to_owned).collect(),
                refusals: self.health.refusals(index).map(own).collect(),
            })
            .collect()
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
        recent.push_back(report.past(Some(kind.kind()), ended_at));
    }

    /// What is due next, and when by the clock on the wall.
    fn next_schedule(&self) -> Option<(String, String)> {
        let moment = self.clock.moment()?;
        let due = self.plan.schedules.iter().filter_map(|schedule| {
            let next: Timestamp = schedule.timetable.next(moment, &self.clock.zone)?;
            Some((next, schedule))
        });
        let (at, schedule) = due.min_by_key(|(next, _)| *next)?;
        let local = self.clock.zone.to_datetime(at);
        Some((schedule.name.clone(), local.strftime("%F %H:%M").to_string()))
    }
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
        (Some(Kept::Speaking { .. }), _) => RECORDED,
        (Some(Kept::Whole(_)), Standing::Waiting) => "recorded, waits",
        (None, Standing::Waiting) => "waits",
        (_, Standing::Seizing) => "wakes up amplifiers",
        (_, Standing::Chiming { .. }) => "chime",
        (_, Standing::Speaking) => HEARD,
        (_, Standing::Under) => "is heard below another",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn levels_are_told_to_the_hundredth() {
        assert_eq!(json!(hundredths(-19.994_9)), json!(-19.99));
        assert_eq!(json!(hundredths(-0.001)).to_string(), "0.0");
    }
}
