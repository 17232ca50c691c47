//! Zones, their phases and what they want of the relays they share.

use std::time::{Duration, Instant};

use super::relays::{Relays, Wish};
use super::timer::{Timer, after};
use super::{PageId, Phase, RelayId, Rules, ZoneId, ZoneRules};

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

/// A zone's use of a relay.
#[derive(Debug, Clone)]
struct Wire {
    relay: RelayId,
    lead: Duration,
    release: Duration,
    /// When it is to operate for the page that the zone was woken for.
    operate_at: Option<Instant>,
}

/// One zone.
#[derive(Debug, Clone)]
pub(super) struct Zone {
    pub id: ZoneId,
    wires: Vec<Wire>,
    lead: Duration,
    release: Duration,
    state: State,
    /// When its amplifier is awake, while it is not at rest.
    ready: Option<Instant>,
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
    fn seize(&mut self, page: PageId, relays: &Relays, now: Instant) {
        if !matches!(self.state, State::Held { .. }) {
            let effective = |wire: &Wire| relays.effective(wire.relay, wire.lead, now);
            let slowest = self.wires.iter().map(effective).max();
            let ready = slowest.or(self.ready).unwrap_or_else(|| after(now, self.lead));
            for wire in &mut self.wires {
                let latest = ready.checked_sub(wire.lead).filter(|at| *at > now);
                wire.operate_at = Some(latest.filter(|_| !relays.is_operated(wire.relay)).unwrap_or(now));
            }
            self.ready = Some(ready);
        }
        self.state = State::Held {
            page,
            stage: Phase::Seize,
        };
    }

    /// What the zone wants of a wire's relay.
    fn wish(&self, wire: &Wire, now: Instant) -> Wish {
        let Some(operate_at) = wire.operate_at else {
            return Wish::default();
        };
        match self.state {
            State::Rest => Wish::default(),
            State::Held { .. } => Wish {
                now: operate_at <= now,
                held: true,
                changes: Some(operate_at).filter(|at| *at > now),
            },
            State::Tail { since } => {
                let until = after(since, wire.release);
                let on = operate_at <= since && now < until;
                Wish {
                    now: on,
                    held: on,
                    changes: on.then_some(until),
                }
            }
        }
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
        self.ready = None;
    }

    /// When the tail is over.
    pub fn release(&self) -> Option<(Instant, Timer)> {
        match self.state {
            State::Tail { since } => {
                let slowest = self.wires.iter().map(|wire| wire.release).max();
                Some((after(since, slowest.unwrap_or(self.release)), Timer::Release(self.id)))
            }
            State::Rest | State::Held { .. } => None,
        }
    }
}

/// All zones and relays of a site.
#[derive(Debug, Clone)]
pub(super) struct Zones {
    zones: Vec<Zone>,
    relays: Relays,
}

impl Zones {
    pub fn new(rules: Rules) -> Self {
        let relays = Relays::new(rules.relays);
        let wire = |zone: &ZoneRules, relay: RelayId| {
            let own = relays.rules(relay).filter(|own| own.shows.is_none())?;
            Some(Wire {
                relay,
                lead: own.lead.unwrap_or(zone.lead),
                release: own.release.unwrap_or(zone.release),
                operate_at: None,
            })
        };
        let zones = (0..=u16::MAX)
            .zip(&rules.zones)
            .map(|(id, zone)| Zone {
                id: ZoneId(id),
                wires: zone
                    .trigger
                    .iter()
                    .chain(&zone.mute)
                    .filter_map(|relay| wire(zone, *relay))
                    .collect(),
                lead: zone.lead,
                release: zone.release,
                state: State::Rest,
                ready: None,
                failed: false,
                vetoed: false,
            })
            .collect();
        Zones { zones, relays }
    }

    /// A page takes the zone.
    pub fn seize(&mut self, zone: ZoneId, page: PageId, now: Instant) {
        if let Some(zone) = self.zones.get_mut(usize::from(zone.0)) {
            zone.seize(page, &self.relays, now);
        }
    }

    /// The zone rests, and so do its relays, however short a time they were operated.
    pub fn rest_at_once(&mut self, zone: ZoneId) {
        if let Some(zone) = self.zones.get_mut(usize::from(zone.0)) {
            zone.rest();
            zone.wires.iter().for_each(|wire| self.relays.waive(wire.relay));
        }
    }

    /// As [`Zones::rest_at_once`], all of them; nothing is shown any more.
    pub fn rest_all(&mut self) {
        let zones: Vec<ZoneId> = self.iter().map(|zone| zone.id).collect();
        zones.into_iter().for_each(|zone| self.rest_at_once(zone));
        self.relays.waive_all();
        self.relays.set_healthy(None);
    }

    /// Operates a relay for a test until then.
    pub fn test(&mut self, relay: RelayId, until: Instant) {
        self.relays.test(relay, until);
    }

    /// Every zone that names the relay works; one that no zone names may always be tested.
    pub fn may_test(&self, relay: RelayId) -> bool {
        let names = |zone: &&Zone| zone.wires.iter().any(|wire| wire.relay == relay);
        usize::from(relay.0) < self.relays.count() && self.zones.iter().filter(names).all(Zone::works)
    }

    pub fn set_healthy(&mut self, healthy: Option<bool>) {
        self.relays.set_healthy(healthy);
    }

    /// When a relay moves by itself next.
    pub fn next_move(&self) -> Option<(Instant, Timer)> {
        self.relays.next().map(|at| (at, Timer::Relays))
    }

    /// No least time of a relay stands in the way of the next page.
    pub fn may_operate(&self, now: Instant) -> bool {
        self.relays.may_operate(now)
    }

    /// Every zone rests, and every relay that one of them names.
    pub fn are_at_rest(&self) -> bool {
        self.zones.iter().all(|zone| zone.state == State::Rest) && self.relays.are_at_rest()
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

    /// When the zone's amplifier is awake; `None` while it is at rest. A relay that moved late delays it.
    pub fn ready(&self, zone: &Zone) -> Option<Instant> {
        let delayed = zone.wires.iter().filter_map(|wire| {
            let moved = self.relays.operated_since(wire.relay).or(wire.operate_at)?;
            Some(after(moved, wire.lead))
        });
        zone.ready.map(|ready| delayed.fold(ready, Instant::max))
    }

    /// All its relays are operated, and have been for their leads.
    pub fn is_awake(&self, zone: &Zone, now: Instant) -> bool {
        let operated = |wire: &Wire| self.relays.is_operated(wire.relay);
        zone.wires.iter().all(operated) && self.ready(zone).is_some_and(|ready| ready <= now)
    }

    /// When the slowest amplifier of the page's zones is awake.
    pub fn ready_for(&self, page: PageId) -> Option<Instant> {
        self.held_by(page).filter_map(|zone| self.ready(zone)).max()
    }

    pub fn relay_was_moved(&mut self, relay: RelayId, at: Instant) {
        self.relays.was_moved(relay, at);
    }

    pub fn relay(&self, relay: RelayId) -> bool {
        self.relays.is_operated(relay)
    }

    /// Brings the relays in step with the zones and returns what moved: those that operate first.
    pub fn settle_relays(&mut self, now: Instant) -> Vec<(RelayId, bool)> {
        let mut wishes = vec![Wish::default(); self.relays.count()];
        for zone in &self.zones {
            for wire in &zone.wires {
                if let Some(wish) = wishes.get_mut(usize::from(wire.relay.0)) {
                    wish.add(zone.wish(wire, now));
                }
            }
        }
        let zones = &self.zones;
        let is_on = |zone: ZoneId| {
            let zone = zones.get(usize::from(zone.0));
            zone.is_some_and(|zone| zone.state != State::Rest)
        };
        self.relays.settle(&wishes, is_on, now)
    }
}
