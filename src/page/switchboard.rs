//! The switchboard: bids in, relays and routes out.
//!
//! Per zone the highest bid is heard (equal priority: first come), through the phases
//! `rest → seize → chime → speech → tail → rest`.
//!
//! - The zones that a page wins at its admission begin together, once the slowest of their amplifiers is awake: the
//!   chime in all of them at one instant, then speech in all at one instant. A zone won before the chime belongs to
//!   them. A zone won later has its own lead and no chime, and never speaks before the others.
//! - A zone keeps its relays through a change of pages, and an amplifier that is awake is not waited for again.
//! - A call that finds its zones held by a page that only plays out waits for its turn, for [`super::MAX_TURN`] at most; else
//!   it is refused.
//! - A page that mixes under others is heard in their zones while they speak there, and holds none: [`settle`].
//! - When a zone becomes free, the best bid that names it takes it, whether that bid waited or is heard elsewhere.
//! - A page is over when its last sample has been played, or when it is cut; then comes its one record.
//!
//! Run it as any sans-IO machine: after every [`Switchboard::handle`] or [`Switchboard::handle_timeout`], call
//! [`Switchboard::poll_output`] until `None`, then sleep until [`Switchboard::poll_timeout`].

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use super::bids::{Bids, Kept, Page, Standing};
use super::quota::Quota;
use super::timer::{Timer, after};
use super::zones::{Zone, Zones};
use super::{Bid, EndReason, Input, Output, PageId, Phase, Priority, Refusal, RelayId, Rules, SourceId, ZoneId};

mod settle;

#[cfg(test)]
mod properties;
#[cfg(test)]
mod tests;

use settle::may_wait;

/// How long the cards may take to play what is held once a source has ended. The audio thread may be dead, so this
/// is the last resort that frees the zone: longer than the longest hold of a playout (15 s) by a good margin.
pub const MAX_DRAIN: Duration = Duration::from_secs(20);

/// A page that is not over, for status.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PageStatus {
    pub page: PageId,
    pub source: SourceId,
    pub priority: Priority,
    pub standing: Standing,
    /// Zones that it holds now.
    pub zones: Vec<ZoneId>,
    /// Zones where it is heard below the page that holds them.
    pub under: Vec<ZoneId>,
    pub bid_at: Instant,
    /// First opening of speech in any zone.
    pub heard_at: Option<Instant>,
    /// Why the source has ended, while what is held is played out.
    pub source_ended: Option<EndReason>,
    pub kept: Option<Kept>,
}

/// The pure state machine of all zones.
#[derive(Debug, Clone)]
pub struct Switchboard {
    zones: Zones,
    bids: Bids,
    quota: Quota,
    outputs: VecDeque<Output>,
    max_drain: Duration,
    /// The latest instant seen: time never runs backwards here.
    latest: Option<Instant>,
    is_shut_down: bool,
}

impl Switchboard {
    /// All zones at rest. Relays that a zone names beyond [`Rules::relays`] are ignored.
    pub fn new(rules: Rules) -> Self {
        Switchboard {
            zones: Zones::new(rules),
            bids: Bids::default(),
            quota: Quota::default(),
            outputs: VecDeque::new(),
            max_drain: MAX_DRAIN,
            latest: None,
            is_shut_down: false,
        }
    }

    /// Another limit than [`MAX_DRAIN`]; it must exceed the longest hold of a playout.
    #[must_use]
    pub fn with_max_drain(mut self, max_drain: Duration) -> Self {
        self.max_drain = max_drain;
        self
    }

    /// Takes one event at `now`; timers that are due by `now` fire first.
    pub fn handle(&mut self, input: Input, now: Instant) {
        let now = self.advance_to(now);
        self.fire_due(now);
        match input {
            // Often: these two only move deadlines.
            Input::Packet(page) => self.with_page(page, |p| p.packet(now)),
            Input::Speech(page) => self.with_page(page, |p| p.speech(now)),
            input => {
                self.apply(input, now);
                self.settle(now);
                self.fire_due(now);
            }
        }
    }

    /// Fires the timers that are due.
    pub fn handle_timeout(&mut self, now: Instant) {
        let now = self.advance_to(now);
        self.fire_due(now);
    }

    /// When [`Switchboard::handle_timeout`] wants to be called next.
    pub fn poll_timeout(&self) -> Option<Instant> {
        self.next_timer().map(|(at, _)| at)
    }

    /// The next thing to do; call until `None` after every input.
    pub fn poll_output(&mut self) -> Option<Output> {
        self.outputs.pop_front()
    }

    /// The page that holds a zone now, and the zone's phase. An unknown zone is at rest.
    pub fn zone(&self, zone: ZoneId) -> (Phase, Option<PageId>) {
        self.zones
            .get(zone)
            .map_or((Phase::Rest, None), |zone| (zone.phase(), zone.page()))
    }

    /// The relay was moved at that time, as [`Output::Relay`] said: leads and least times count from then.
    pub fn relay_was_moved(&mut self, relay: RelayId, at: Instant) {
        self.zones.relay_was_moved(relay, at);
    }

    /// Whether the relay is operated; an unknown one is not.
    pub fn relay(&self, relay: RelayId) -> bool {
        self.zones.relay(relay)
    }

    /// Whether the relay may be operated for a test: a zone that names it may have failed, or its amplifier be another system's.
    pub fn may_test(&self, relay: RelayId) -> bool {
        self.zones.may_test(relay)
    }

    /// Every zone is at rest, and every relay that one names.
    pub fn is_at_rest(&self) -> bool {
        self.zones.are_at_rest()
    }

    /// At rest, and another switchboard that begins now would move no relay sooner than this one.
    pub fn may_be_replaced(&self, now: Instant) -> bool {
        self.is_at_rest() && self.zones.may_operate(now)
    }

    /// The pages that are not over, highest bid first.
    pub fn pages(&self) -> impl Iterator<Item = PageStatus> {
        self.bids.iter().map(|page| PageStatus {
            page: page.id(),
            source: page.bid.source,
            priority: page.bid.priority,
            standing: page.standing,
            zones: self.zones.held_by(page.id()).map(|zone| zone.id).collect(),
            under: page.under.clone(),
            bid_at: page.bid_at,
            heard_at: page.heard_at,
            source_ended: page.source_ended,
            kept: page.kept,
        })
    }

    fn advance_to(&mut self, now: Instant) -> Instant {
        let now = self.latest.map_or(now, |latest| latest.max(now));
        self.latest = Some(now);
        now
    }

    fn with_page(&mut self, page: PageId, change: impl FnOnce(&mut Page)) {
        if let Some(page) = self.bids.get_mut(page) {
            change(page);
        }
    }

    fn apply(&mut self, input: Input, now: Instant) {
        match input {
            Input::Bid(bid) => self.bid(bid, now),
            Input::SourceEnded(page, reason) => self.source_ended(page, reason, now),
            Input::Replayed(page) => self.replayed(page, now),
            Input::Drained(page) => {
                let draining = self.bids.get(page).filter(|p| p.draining_since.is_some());
                if let Some(reason) = draining.and_then(|p| p.source_ended) {
                    self.finish(page, reason, Cut::PlayedOut, now);
                }
            }
            Input::Stop(page, reason) => self.finish(page, reason, Cut::Now, now),
            Input::Barred(page, zones) => self.barred(page, &zones, now),
            Input::ZoneFailed(zone) => self.zone_failed(zone, now),
            Input::ZoneBack(zone) => self.with_zone(zone, |zone| zone.failed = false),
            Input::Vetoed(zone) => self.vetoed(zone, now),
            Input::VetoLifted(zone) => self.with_zone(zone, |zone| zone.vetoed = false),
            Input::Test(relay, length) if !self.is_shut_down && self.zones.may_test(relay) => {
                self.zones.test(relay, after(now, length));
            }
            Input::Test(..) => {}
            Input::Health(_) if self.is_shut_down => {}
            Input::Health(good) => self.zones.set_healthy(Some(good)),
            Input::Shutdown => self.shut_down(now),
            Input::Packet(_) | Input::Speech(_) => {}
        }
    }

    /// Enters a bid; whether it is heard, waits or is refused is decided by [`Switchboard::settle`].
    fn bid(&mut self, mut bid: Bid, now: Instant) {
        if self.bids.get(bid.page).is_some() {
            return;
        }
        let mut wanted = Vec::new();
        for zone in std::mem::take(&mut bid.zones) {
            if self.zones.get(zone).is_some() && !wanted.contains(&zone) {
                wanted.push(zone);
            }
        }
        bid.zones = wanted.clone();
        bid.zones.retain(|zone| !bid.barred.contains(zone));
        bid.chime = bid.chime.filter(|chime| !chime.is_zero());
        let mut page = Page::new(bid, now);
        page.wanted = wanted;
        if self.is_shut_down {
            self.refuse(page, Refusal::Shutdown, now);
        } else if page.bid.zones.is_empty() && !page.bid.barred.is_empty() {
            self.refuse(page, Refusal::QuietHours, now);
        } else if page.bid.zones.is_empty() {
            self.refuse(page, Refusal::DeviceFault, now);
        } else if let Err(why) = self.quota.may(&page.bid, self.bids.bids(), now) {
            self.refuse(page, why, now);
        } else {
            if page.bid.terms.afterwards {
                page.keep(now);
            }
            self.bids.insert(page);
        }
    }

    fn barred(&mut self, id: PageId, barred: &[ZoneId], now: Instant) {
        let Some(page) = self.bids.get_mut(id).filter(|page| page.standing == Standing::Waiting) else {
            return;
        };
        page.bid.zones.clone_from(&page.wanted);
        page.bid.zones.retain(|zone| !barred.contains(zone));
        if page.bid.zones.is_empty() {
            self.finish(id, EndReason::QuietHours, Cut::Now, now);
        }
    }

    fn source_ended(&mut self, id: PageId, reason: EndReason, now: Instant) {
        let Some(page) = self.bids.get_mut(id).filter(|p| p.source_ended.is_none()) else {
            return;
        };
        if matches!(page.kept, Some(Kept::Whole(_))) {
            return;
        }
        if reason == EndReason::Cancelled || !page.any_packet {
            self.finish(id, reason, Cut::Now, now);
        } else if page.is_keeping() {
            page.is_whole(reason, now);
        } else if page.standing == Standing::Waiting {
            self.finish(id, reason, Cut::Now, now);
        } else {
            self.ends(id, reason, now);
        }
    }

    /// The source has to end; of a page that is not kept it does so with the page.
    fn enough(&mut self, page: PageId, reason: EndReason, now: Instant) {
        if self.bids.get(page).is_some_and(Page::is_keeping) {
            self.outputs.push_back(Output::Enough { page, reason });
        }
        self.source_ended(page, reason, now);
    }

    /// Nothing more will come for the cards.
    fn ends(&mut self, id: PageId, reason: EndReason, now: Instant) {
        let Some(page) = self.bids.get_mut(id) else { return };
        page.source_ended = Some(reason);
        if matches!(page.standing, Standing::Speaking | Standing::Under) {
            self.drain(id, now);
        }
    }

    fn replayed(&mut self, id: PageId, now: Instant) {
        let page = self.bids.get(id).filter(|page| page.source_ended.is_none());
        let Some((Kept::Whole(reason), standing)) = page.and_then(|page| Some((page.kept?, page.standing))) else {
            return;
        };
        match standing {
            Standing::Waiting => self.finish(id, reason, Cut::Now, now),
            _ => self.ends(id, reason, now),
        }
    }

    fn drain(&mut self, id: PageId, now: Instant) {
        self.with_page(id, |page| page.draining_since = Some(now));
        self.outputs.push_back(Output::Drain { page: id });
    }

    fn with_zone(&mut self, zone: ZoneId, change: impl FnOnce(&mut Zone)) {
        if let Some(zone) = self.zones.get_mut(zone) {
            change(zone);
        }
    }

    fn zone_failed(&mut self, id: ZoneId, now: Instant) {
        self.vacate(id, EndReason::DeviceFault, now);
        self.with_zone(id, |zone| zone.failed = true);
    }

    fn vetoed(&mut self, id: ZoneId, now: Instant) {
        self.vacate(id, EndReason::Vetoed, now);
        self.with_zone(id, |zone| zone.vetoed = true);
    }

    /// What is heard in the zone ends there, and its relays go to rest at once.
    fn vacate(&mut self, id: ZoneId, reason: EndReason, now: Instant) {
        let Some(zone) = self.zones.get(id).filter(|zone| zone.works()) else {
            return;
        };
        let (page, audible) = (zone.page(), zone.is_audible());
        let was_at_rest = zone.phase() == Phase::Rest;
        self.zones.rest_at_once(id);
        if let Some(page) = page.filter(|_| audible) {
            self.outputs.push_back(Output::Silence { zone: id, page });
        }
        if !was_at_rest {
            self.phase(id, Phase::Rest, None);
        }
        if let Some(id) = page {
            let waits = self.bids.get(id).is_some_and(may_wait);
            if !waits && self.zones.held_by(id).next().is_none() {
                self.finish(id, reason, Cut::Now, now);
            }
        }
    }

    fn shut_down(&mut self, now: Instant) {
        self.is_shut_down = true;
        for page in self.bids.ids() {
            self.finish(page, EndReason::Shutdown, Cut::Now, now);
        }
        let tails: Vec<ZoneId> = self
            .zones
            .iter()
            .filter(|zone| zone.phase() != Phase::Rest)
            .map(|zone| zone.id)
            .collect();
        for zone in tails {
            self.rest(zone);
        }
        self.zones.rest_all();
    }

    fn rest(&mut self, id: ZoneId) {
        if let Some(zone) = self.zones.get_mut(id) {
            zone.rest();
            self.phase(id, Phase::Rest, None);
        }
    }

    /// The page is over: its zones to their tails, then its record.
    fn finish(&mut self, id: PageId, reason: EndReason, cut: Cut, now: Instant) {
        let by = match reason {
            EndReason::Busy | EndReason::WaitLimit => self.held_against(id).by(),
            EndReason::Preempted => self.bids.get(id).and_then(|page| page.beaten_by),
            _ => None,
        };
        let Some(page) = self.bids.remove(id) else {
            return;
        };
        let missed = self.missed(&page);
        let held: Vec<(ZoneId, bool)> = self.zones.held_by(id).map(|z| (z.id, z.is_audible())).collect();
        for (zone, audible) in held {
            if audible && cut == Cut::Now {
                self.outputs.push_back(Output::Silence { zone, page: id });
            }
            if let Some(zone) = self.zones.get_mut(zone) {
                zone.begin_tail(now);
            }
            self.phase(zone, Phase::Tail, None);
        }
        for zone in page.under.iter().filter(|_| cut == Cut::Now) {
            self.outputs.push_back(Output::Silence { zone: *zone, page: id });
        }
        if let Some(from) = page.counts_from {
            self.quota.over(&page.bid, from, now);
        }
        self.outputs.push_back(Output::Ended { page: id, reason });
        self.outputs
            .push_back(Output::Record(page.record(reason, by, missed, now)));
    }

    fn refuse(&mut self, page: Page, why: Refusal, now: Instant) {
        let missed = self.missed(&page);
        self.outputs.push_back(Output::Refused { page: page.id(), why });
        self.outputs
            .push_back(Output::Record(page.record(why.reason(), why.by(), missed, now)));
    }

    /// The earliest deadline. Of equal ones, tails and relays come before pages and higher bids before lower ones.
    fn next_timer(&self) -> Option<(Instant, Timer)> {
        let pages = self.bids.iter().flat_map(|page| {
            let begin = (page.standing == Standing::Seizing)
                .then(|| self.zones.ready_for(page.id()))
                .flatten()
                .map(|ready| (ready, Timer::Begin(page.id())));
            page.timers(self.max_drain).chain(begin)
        });
        let speaking = |page| {
            self.bids
                .get(page)
                .is_some_and(|page| page.standing == Standing::Speaking)
        };
        let joins = self
            .zones
            .iter()
            .filter(|zone| zone.phase() == Phase::Seize && zone.page().is_some_and(speaking))
            .filter_map(|zone| Some((self.zones.ready(zone)?, Timer::Join(zone.id))));
        let tails = self.zones.iter().filter_map(Zone::release);
        let relays = self.zones.next_move();
        tails.chain(relays).chain(pages).chain(joins).min_by_key(|(at, _)| *at)
    }

    /// Each timer that fires is gone by it, so this ends.
    fn fire_due(&mut self, now: Instant) {
        while let Some((_, timer)) = self.next_timer().filter(|(at, _)| *at <= now) {
            self.fire(timer, now);
            self.settle(now);
        }
    }

    fn fire(&mut self, timer: Timer, now: Instant) {
        match timer {
            Timer::Begin(page) => self.begin(page, now),
            Timer::ChimeOver(page) => self.speak(page, now),
            Timer::Join(zone) => {
                if let (_, Some(page)) = self.zone(zone) {
                    self.open(zone, page, now);
                }
            }
            Timer::PageLimit(page) => self.finish(page, EndReason::PageLimit, Cut::Now, now),
            Timer::Quiet(page) => self.finish(page, EndReason::Quiet, Cut::Now, now),
            Timer::NoPacket(page) => self.enough(page, EndReason::NoPackets, now),
            Timer::DrainLimit(page) => {
                if let Some(reason) = self.bids.get(page).and_then(|p| p.source_ended) {
                    self.finish(page, reason, Cut::Now, now);
                }
            }
            Timer::WaitLimit(page) => self.finish(page, EndReason::WaitLimit, Cut::Now, now),
            Timer::Warning(page) => {
                self.with_page(page, |page| page.warned = true);
                self.outputs.push_back(Output::Warn { page });
            }
            Timer::KeepLimit(page) => self.enough(page, EndReason::PageLimit, now),
            // It is refused, or they move, as matters are settled.
            Timer::TurnLimit(_) | Timer::Relays => {}
            Timer::Release(zone) => self.rest(zone),
        }
    }

    /// Every amplifier of the page is awake.
    fn begin(&mut self, id: PageId, now: Instant) {
        let Some(page) = self.bids.get_mut(id) else { return };
        let Some(chime) = page.bid.chime.filter(|_| !page.was_under) else {
            self.speak(id, now);
            return;
        };
        page.standing = Standing::Chiming {
            until: after(now, chime),
        };
        for zone in self.zone_ids(id) {
            self.advance(zone, id, Phase::Chime);
            self.outputs.push_back(Output::Chime { zone, page: id });
        }
    }

    /// Opens the page in every zone whose amplifier is awake.
    fn speak(&mut self, id: PageId, now: Instant) {
        self.with_page(id, |page| page.standing = Standing::Speaking);
        let awake: Vec<ZoneId> = self
            .zones
            .held_by(id)
            .filter(|zone| self.zones.is_awake(zone, now))
            .map(|zone| zone.id)
            .collect();
        for zone in awake {
            self.open(zone, id, now);
        }
        if self.bids.get(id).is_some_and(|page| page.source_ended.is_some()) {
            self.drain(id, now);
        }
    }

    fn open(&mut self, zone: ZoneId, id: PageId, now: Instant) {
        self.with_page(id, |page| page.open(zone, now));
        self.advance(zone, id, Phase::Speech);
        self.outputs.push_back(Output::Speak {
            zone,
            page: id,
            under: false,
        });
    }

    fn advance(&mut self, id: ZoneId, page: PageId, next: Phase) {
        if let Some(zone) = self.zones.get_mut(id) {
            zone.advance(next);
            self.phase(id, next, Some(page));
        }
    }

    fn zone_ids(&self, page: PageId) -> Vec<ZoneId> {
        self.zones.held_by(page).map(|zone| zone.id).collect()
    }

    fn phase(&mut self, zone: ZoneId, phase: Phase, page: Option<PageId>) {
        self.outputs.push_back(Output::Phase { zone, phase, page });
    }
}

/// How a page's audio ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Cut {
    /// It may still sound: silence it.
    Now,
    /// Its last sample has been played.
    PlayedOut,
}
