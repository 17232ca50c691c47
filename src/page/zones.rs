//! Zones, their phases and the relays they share.

use std::time::{Duration, Instant};

use super::timer::{Timer, after};
use super::{PageId, Phase, RelayId, Rules, ZoneId};

/// What a zone is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Rest,
    /// A page holds it; `stage` is never `Rest` or `Tail`.
    Held {
        page: PageId,
        stage: Phase,
    },
    Tail {
        since: Instant,
    },
}

/// One zone.
#[derive(Debug)]
pub(super) struct Zone {
    pub id: ZoneId,
    relays: Vec<RelayId>,
    lead: Duration,
    release: Duration,
    state: State,
    /// When it last left rest, which is when its relays operated.
    woken: Option<Instant>,
    /// Its card has failed.
    pub failed: bool,
    /// Another system has its amplifier.
    pub vetoed: bool,
}

impl Zone {
    /// Pages may be heard in it.
    pub fn works(&self) -> bool {
        !self.failed && !self.vetoed
    }

    pub fn page(&self) -> Option<PageId> {
        match self.state {
            State::Held { page, .. } => Some(page),
            State::Rest | State::Tail { .. } => None,
        }
    }

    pub fn phase(&self) -> Phase {
        match self.state {
            State::Rest => Phase::Rest,
            State::Held { stage, .. } => stage,
            State::Tail { .. } => Phase::Tail,
        }
    }

    /// The page's chime or audio is open here.
    pub fn is_audible(&self) -> bool {
        matches!(self.phase(), Phase::Chime | Phase::Speech)
    }

    /// A page takes the zone; the amplifier stays awake if it was.
    pub fn seize(&mut self, page: PageId, now: Instant) {
        self.woken.get_or_insert(now);
        self.state = State::Held {
            page,
            stage: Phase::Seize,
        };
    }

    /// When the amplifier is awake.
    pub fn ready(&self) -> Option<Instant> {
        self.woken.map(|woken| after(woken, self.lead))
    }

    /// The holder's next stage: `Chime` or `Speech`.
    pub fn advance(&mut self, next: Phase) {
        if let State::Held { stage, .. } = &mut self.state {
            *stage = next;
        }
    }

    pub fn begin_tail(&mut self, now: Instant) {
        self.state = State::Tail { since: now };
    }

    pub fn rest(&mut self) {
        self.state = State::Rest;
        self.woken = None;
    }

    /// When the tail is over.
    pub fn release(&self) -> Option<(Instant, Timer)> {
        match self.state {
            State::Tail { since } => Some((after(since, self.release), Timer::Release(self.id))),
            State::Rest | State::Held { .. } => None,
        }
    }
}

/// All zones and relays of a site.
#[derive(Debug)]
pub(super) struct Zones {
    zones: Vec<Zone>,
    relays: Vec<bool>,
}

impl Zones {
    pub fn new(rules: Rules) -> Self {
        let zones = (0..=u16::MAX)
            .zip(rules.zones)
            .map(|(id, zone)| Zone {
                id: ZoneId(id),
                relays: zone.trigger.into_iter().chain(zone.mute).collect(),
                lead: zone.lead,
                release: zone.release,
                state: State::Rest,
                woken: None,
                failed: false,
                vetoed: false,
            })
            .collect();
        Zones {
            zones,
            relays: vec![false; usize::from(rules.relays)],
        }
    }

    pub fn get(&self, zone: ZoneId) -> Option<&Zone> {
        self.zones.get(usize::from(zone.0))
    }

    pub fn get_mut(&mut self, zone: ZoneId) -> Option<&mut Zone> {
        self.zones.get_mut(usize::from(zone.0))
    }

    pub fn iter(&self) -> impl Iterator<Item = &Zone> {
        self.zones.iter()
    }

    /// The zones that `page` holds.
    pub fn held_by(&self, page: PageId) -> impl Iterator<Item = &Zone> {
        self.zones.iter().filter(move |zone| zone.page() == Some(page))
    }

    /// When the slowest amplifier of the page's zones is awake.
    pub fn ready_for(&self, page: PageId) -> Option<Instant> {
        self.held_by(page).filter_map(Zone::ready).max()
    }

    pub fn relay(&self, relay: RelayId) -> bool {
        self.relays.get(usize::from(relay.0)).copied().unwrap_or(false)
    }

    /// Brings the relays in step with the zones (operated ⇔ some zone that names it is not at rest) and returns
    /// what changed: those that operate first.
    pub fn settle_relays(&mut self) -> Vec<(RelayId, bool)> {
        let mut wanted = vec![false; self.relays.len()];
        for zone in self.zones.iter().filter(|zone| zone.state != State::Rest) {
            for relay in &zone.relays {
                if let Some(slot) = wanted.get_mut(usize::from(relay.0)) {
                    *slot = true;
                }
            }
        }
        let mut changes: Vec<(RelayId, bool)> = (0..=u16::MAX)
            .zip(wanted.iter().zip(&self.relays))
            .filter(|(_, (wanted, is))| wanted != is)
            .map(|(relay, (wanted, _))| (RelayId(relay), *wanted))
            .collect();
        changes.sort_by_key(|(_, operated)| !operated);
        self.relays = wanted;
        changes
    }
}
