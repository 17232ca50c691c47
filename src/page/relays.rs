//! Relays: when each one moves, so that all of a zone's are effective together and none chatters.

use std::time::{Duration, Instant};

use super::rules::{RelayRules, Shown};
use super::timer::after;
use super::{RelayId, ZoneId};

/// What the zones want of one relay.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Wish {
    pub now: bool,
    /// Some zone holds it, and wants it now or soon.
    pub held: bool,
    /// When this changes by itself.
    pub changes: Option<Instant>,
}

impl Wish {
    pub fn add(&mut self, other: Wish) {
        self.now |= other.now;
        self.held |= other.held;
        self.changes = earliest(self.changes, other.changes);
    }
}

fn earliest(a: Option<Instant>, b: Option<Instant>) -> Option<Instant> {
    a.into_iter().chain(b).min()
}

#[derive(Debug, Clone)]
struct Relay {
    rules: RelayRules,
    operated: bool,
    /// When it last moved.
    moved: Option<Instant>,
    /// It may rest before its least time.
    waived: bool,
    /// Since when it shows what it shows.
    shown: Option<Instant>,
    /// It is operated for a test until then.
    tested: Option<Instant>,
}

/// All relays of a site.
#[derive(Debug, Clone)]
pub(super) struct Relays {
    relays: Vec<Relay>,
    /// `None`: not known yet, or nobody is there to say.
    healthy: Option<bool>,
    next: Option<Instant>,
}

impl Relays {
    pub fn new(rules: Vec<RelayRules>) -> Self {
        let relays = rules.into_iter().map(|rules| Relay {
            rules,
            operated: false,
            moved: None,
            waived: false,
            shown: None,
            tested: None,
        });
        Relays {
            relays: relays.collect(),
            healthy: None,
            next: None,
        }
    }

    pub fn count(&self) -> usize {
        self.relays.len()
    }

    fn get(&self, relay: RelayId) -> Option<&Relay> {
        self.relays.get(usize::from(relay.0))
    }

    pub fn rules(&self, relay: RelayId) -> Option<&RelayRules> {
        self.get(relay).map(|relay| &relay.rules)
    }

    pub fn is_operated(&self, relay: RelayId) -> bool {
        self.get(relay).is_some_and(|relay| relay.operated)
    }

    /// Since when it is operated, if it is.
    pub fn operated_since(&self, relay: RelayId) -> Option<Instant> {
        self.get(relay).filter(|relay| relay.operated)?.moved
    }

    /// None that a zone names is operated, and none is tested.
    pub fn are_at_rest(&self) -> bool {
        let rests = |r: &Relay| r.tested.is_none() && (!r.operated || r.rules.shows.is_some());
        self.relays.iter().all(rests)
    }

    /// None that a zone names is kept from operating by its least time at rest.
    pub fn may_operate(&self, now: Instant) -> bool {
        let rested = |relay: &Relay| relay.moved.is_none_or(|moved| after(moved, relay.rules.min_off) <= now);
        self.relays
            .iter()
            .all(|relay| relay.rules.shows.is_some() || rested(relay))
    }

    /// When it has been operated for `lead`, if it is wanted from `now` on.
    pub fn effective(&self, relay: RelayId, lead: Duration, now: Instant) -> Instant {
        let Some(relay) = self.get(relay) else { return now };
        match relay.moved {
            Some(moved) if relay.operated => after(moved, lead),
            Some(moved) => after(after(moved, relay.rules.min_off).max(now), lead),
            None => after(now, lead),
        }
    }

    /// Its contact was told to move at that time, later than it was asked for.
    pub fn was_moved(&mut self, relay: RelayId, at: Instant) {
        if let Some(relay) = self.relays.get_mut(usize::from(relay.0)) {
            relay.moved = relay.moved.map(|moved| moved.max(at));
        }
    }

    /// Lets it rest before its least time, and ends its test.
    pub fn waive(&mut self, relay: RelayId) {
        if let Some(relay) = self.relays.get_mut(usize::from(relay.0)) {
            relay.waived = true;
            relay.tested = None;
        }
    }

    /// Operates it until then, whatever the zones want.
    pub fn test(&mut self, relay: RelayId, until: Instant) {
        if let Some(relay) = self.relays.get_mut(usize::from(relay.0)) {
            relay.tested = Some(until);
        }
    }

    /// As [`Relays::waive`], all of them.
    pub fn waive_all(&mut self) {
        (0..=u16::MAX)
            .take(self.relays.len())
            .for_each(|id| self.waive(RelayId(id)));
    }

    pub fn set_healthy(&mut self, healthy: Option<bool>) {
        self.healthy = healthy;
    }

    /// When a relay moves by itself next.
    pub fn next(&self) -> Option<Instant> {
        self.next
    }

    /// Moves the relays and returns those that moved: first those that operate. `wishes`: one for each relay. `is_on`: a page has
    /// the zone.
    pub fn settle(&mut self, wishes: &[Wish], is_on: impl Fn(ZoneId) -> bool, now: Instant) -> Vec<(RelayId, bool)> {
        let healthy = self.healthy;
        let mut moves = Vec::new();
        self.next = None;
        for ((id, relay), wish) in (0..=u16::MAX).zip(&mut self.relays).zip(wishes) {
            let shown = relay.rules.shows.as_ref().map(|shows| match &shows.what {
                Shown::Page(zones) => zones.iter().any(|zone| is_on(*zone)),
                Shown::Healthy => healthy == Some(true),
                Shown::Fault => healthy == Some(false),
            });
            relay.tested = relay.tested.filter(|until| *until > now);
            let (wanted, changes) = match (shown, relay.tested) {
                (Some(_), Some(until)) => (true, Some(until)),
                (Some(shown), None) => relay.show(shown, now),
                (None, tested) => {
                    let mut wish = *wish;
                    wish.add(Wish {
                        now: tested.is_some(),
                        held: tested.is_some(),
                        changes: tested,
                    });
                    relay.follow(wish, now)
                }
            };
            self.next = earliest(self.next, changes);
            if wanted != relay.operated {
                relay.operated = wanted;
                relay.moved = Some(now);
                relay.waived = false;
                moves.push((RelayId(id), wanted));
            }
        }
        moves.sort_by_key(|(_, operated)| !operated);
        moves
    }
}

impl Relay {
    /// What it does now, and when it does otherwise.
    fn follow(&self, wish: Wish, now: Instant) -> (bool, Option<Instant>) {
        let since = |least: Duration| self.moved.map(|moved| after(moved, least)).filter(|at| *at > now);
        let wanted = wish.now || self.operated && wish.held;
        match (self.operated, wanted) {
            (true, false) => match since(self.rules.min_on).filter(|_| !self.waived) {
                Some(until) => (true, earliest(Some(until), wish.changes)),
                None => (false, wish.changes),
            },
            (false, true) => match since(self.rules.min_off) {
                Some(from) => (false, earliest(Some(from), wish.changes)),
                None => (true, wish.changes),
            },
            _ => (wanted, wish.changes),
        }
    }

    fn show(&mut self, shown: bool, now: Instant) -> (bool, Option<Instant>) {
        let since = *self.shown.get_or_insert(now);
        if !shown {
            self.shown = None;
            return (false, None);
        }
        let Some(half) = self.rules.shows.as_ref().and_then(|s| s.blinks).map(|whole| whole / 2) else {
            return (true, None);
        };
        let half = half.max(Duration::from_millis(1));
        let halves = now.saturating_duration_since(since).as_nanos() / half.as_nanos();
        // Its sum is never far from now.
        let next = u32::try_from(halves + 1).ok().and_then(|n| half.checked_mul(n));
        match next {
            Some(next) => (halves.is_multiple_of(2), Some(after(since, next))),
            None => {
                self.shown = Some(now);
                (true, Some(after(now, half)))
            }
        }
    }
}
