//! Who holds what after something has happened: zones to the best bids, what becomes of those that have none.

use std::time::Instant;

use super::super::bids::{Page, Standing};
use super::super::zones::Zone;
use super::super::{EndReason, Loss, Output, PageId, Phase, Refusal, ZoneId};
use super::{Cut, Switchboard};

impl Switchboard {
    /// Gives every zone to the best bid that names it, deals with who lost and who won, then sets the relays.
    pub(super) fn settle(&mut self, now: Instant) {
        let contenders = self.contenders();
        let won = self.reassign(now);
        for id in self.bids.ids() {
            self.settle_page(id, now);
        }
        for id in self.bids.ids() {
            self.settle_under(id, now);
        }
        let holders: Vec<PageId> = self.zones.iter().filter_map(Zone::page).collect();
        while let Some(id) = self.bids.surplus(&holders) {
            self.turn_away(id, now);
        }
        // Lowest first: who lost a zone hears of it before the better bid that won it.
        for id in self.bids.ids().into_iter().rev() {
            self.announce(id, now);
        }
        for (zone, page) in won {
            self.phase(zone, Phase::Seize, Some(page));
        }
        for (relay, operated) in self.zones.settle_relays(now) {
            self.outputs.push_back(Output::Relay { relay, operated });
        }
        for id in self.bids.ids() {
            if self.bids.get(id).is_some_and(|page| page.standing == Standing::Waiting)
                && let Some(why) = self.kept_from(id)
            {
                self.with_page(id, |page| page.waits_for = Some(why));
            }
        }
        // What was kept free for a page that has ended, or is kept from now on, is others'. Each round takes one away at least.
        if self.contenders() < contenders {
            self.settle(now);
        }
    }

    /// How many pages are given zones, or have them kept free.
    fn contenders(&self) -> usize {
        self.bids.iter().filter(|page| !page.is_keeping()).count()
    }

    fn reassign(&mut self, now: Instant) -> Vec<(ZoneId, PageId)> {
        let working = self.zones.iter().filter(|zone| zone.works());
        let zones: Vec<(ZoneId, Option<PageId>)> = working.map(|zone| (zone.id, zone.page())).collect();
        let shares = self.bids.share(&zones);
        let changes: Vec<(ZoneId, PageId)> = zones
            .iter()
            .zip(shares)
            .filter(|((_, holder), share)| share != holder)
            .filter_map(|((id, _), share)| Some((*id, share?)))
            .collect();
        for &(id, best) in &changes {
            let Some(zone) = self.zones.get(id) else { continue };
            if let Some(page) = zone.page().filter(|_| zone.is_audible()) {
                self.outputs.push_back(Output::Silence { zone: id, page });
            }
            if let Some(loser) = zone.page().and_then(|loser| self.bids.get_mut(loser)) {
                loser.beaten_by = Some(best);
            }
            self.zones.seize(id, best, now);
        }
        changes
    }

    /// Ends, refuses or sets back a page that holds no zone.
    fn settle_page(&mut self, id: PageId, now: Instant) {
        let phases: Vec<Phase> = self.zones.held_by(id).map(Zone::phase).collect();
        let Some(page) = self.bids.get_mut(id) else { return };
        if page.standing == Standing::Under {
            return;
        }
        if !phases.contains(&Phase::Speech) {
            page.close(now);
        }
        if let Standing::Chiming { .. } = page.standing
            && !phases.contains(&Phase::Chime)
        {
            // The zones that heard the chime are gone: those that are left begin anew.
            page.standing = Standing::Seizing;
        }
        if page.standing == Standing::Speaking && !phases.is_empty() && !phases.contains(&Phase::Speech) {
            // Where it spoke it is heard no longer, and elsewhere not yet: it begins anew there.
            match page.source_ended {
                Some(_) => self.finish(id, EndReason::Preempted, Cut::Now, now),
                None => {
                    page.wait(now);
                    page.is_announced = true;
                    self.outputs.push_back(Output::Waiting { page: id });
                }
            }
            return;
        }
        if !phases.is_empty() {
            return;
        }
        if page.is_keeping() {
            return;
        }
        if page.standing != Standing::Waiting {
            if !may_wait(page) {
                self.finish(id, EndReason::Preempted, Cut::Now, now);
                return;
            }
            page.wait(now);
        }
        match page.loss() {
            Loss::Wait | Loss::Under => {}
            Loss::Keep => page.keep(now),
            Loss::End => {
                if self.has_turn(id, now) {
                    return;
                }
                let why = self.held_against(id);
                if let Some(page) = self.bids.remove(id) {
                    self.refuse(page, why, now);
                }
            }
        }
    }

    /// Opens a page below others where they speak, and closes it where they do no longer.
    fn settle_under(&mut self, id: PageId, now: Instant) {
        let Some(page) = self.bids.get(id) else { return };
        let may_begin = page.standing == Standing::Waiting && page.loss() == Loss::Under && page.source_ended.is_none();
        if !may_begin && page.standing != Standing::Under || self.zones.held_by(id).next().is_some() {
            return;
        }
        let gains = page.source_ended.is_none();
        let is_heard = |zone: &ZoneId| {
            let was = page.under.contains(zone);
            let zone = self.zones.get(*zone).filter(|zone| zone.works());
            zone.is_some_and(|zone| match zone.phase() {
                Phase::Speech => was || gains,
                // What is held still plays out.
                Phase::Tail => was && !gains,
                _ => false,
            })
        };
        let places: Vec<ZoneId> = page.bid.zones.iter().copied().filter(is_heard).collect();
        let former = page.under.clone();
        if may_begin && places.is_empty() {
            return;
        }
        for zone in former.iter().filter(|zone| !places.contains(zone)) {
            self.outputs.push_back(Output::Silence { zone: *zone, page: id });
        }
        let Some(page) = self.bids.get_mut(id) else { return };
        if may_begin {
            page.go_under(now);
            self.outputs.push_back(Output::Admitted { page: id });
        }
        page.under.clone_from(&places);
        for zone in places.iter().filter(|zone| !former.contains(zone)) {
            page.open(*zone, now);
            self.outputs.push_back(Output::Speak {
                zone: *zone,
                page: id,
                under: true,
            });
        }
        if !places.is_empty() {
            return;
        }
        page.close(now);
        match page.source_ended {
            Some(reason) => self.finish(id, reason, Cut::Now, now),
            None if page.loss() == Loss::End => self.finish(id, EndReason::Preempted, Cut::Now, now),
            None => {
                page.wait(now);
                if page.loss() == Loss::Keep {
                    page.keep(now);
                }
            }
        }
    }

    /// Whether a bid that won nothing need not wait long: who holds one of its zones has ended, and is only played out.
    fn has_turn(&self, id: PageId, now: Instant) -> bool {
        let Some(page) = self.bids.get(id) else { return false };
        let ends = |holder: PageId| {
            let holder = self.bids.get(holder);
            holder.is_some_and(|h| h.source_ended.is_some() && h.bid.priority <= page.bid.priority)
        };
        let held = |zone: &ZoneId| self.zones.get(*zone).and_then(Zone::page);
        page.turn_limit().is_some_and(|limit| now < limit) && page.bid.zones.iter().filter_map(held).any(ends)
    }

    /// Why a bid that won nothing is refused.
    pub(super) fn held_against(&self, id: PageId) -> Refusal {
        self.bids
            .get(id)
            .into_iter()
            .flat_map(|page| &page.bid.zones)
            .filter_map(|zone| self.zones.get(*zone)?.page())
            .next()
            .or_else(|| self.reserved_for(id))
            .map_or_else(|| self.out_of_use(id), Refusal::Busy)
    }

    /// What keeps a page from its zones, if something does: another page, its cards, or another system.
    pub fn kept_from(&self, id: PageId) -> Option<Refusal> {
        let page = self.bids.get(id)?;
        let zones = || page.bid.zones.iter().filter_map(|zone| self.zones.get(*zone));
        let other = zones().filter_map(Zone::page).find(|holder| *holder != id);
        let other = other.or_else(|| self.reserved_for(id)).map(Refusal::Busy);
        other.or_else(|| (!zones().any(Zone::works)).then(|| self.out_of_use(id)))
    }

    /// Where the page was wanted and not heard; with what kept it out, where something did.
    pub(super) fn missed(&self, page: &Page) -> Vec<(ZoneId, Option<Refusal>)> {
        let missed = page.wanted.iter().filter(|zone| !page.heard.contains(zone));
        let why = |id: ZoneId| {
            let zone = self.zones.get(id)?;
            if !page.names(id) {
                Some(Refusal::QuietHours)
            } else if zone.vetoed {
                Some(Refusal::Vetoed)
            } else if zone.failed {
                Some(Refusal::DeviceFault)
            } else {
                zone.page().filter(|holder| *holder != page.id()).map(Refusal::Busy)
            }
        };
        missed.map(|zone| (*zone, why(*zone))).collect()
    }

    /// Why none of the bid's zones works.
    fn out_of_use(&self, id: PageId) -> Refusal {
        let mut zones = self.bids.get(id).into_iter().flat_map(|page| &page.bid.zones);
        let taken = |zone: &ZoneId| self.zones.get(*zone).is_some_and(|zone| zone.vetoed);
        if zones.any(taken) {
            Refusal::Vetoed
        } else {
            Refusal::DeviceFault
        }
    }

    /// The better bid that one of this one's working zones is kept free for.
    fn reserved_for(&self, id: PageId) -> Option<PageId> {
        let zones = &self.bids.get(id)?.bid.zones;
        let works = |zone: &&ZoneId| self.zones.get(**zone).is_some_and(|zone| zone.works());
        let mut better = self.bids.iter().take_while(|page| page.id() != id);
        let waits = |page: &&Page| page.holds_nothing() && !page.is_keeping();
        better
            .find(|page| waits(page) && zones.iter().filter(works).any(|zone| page.names(*zone)))
            .map(Page::id)
    }

    /// Too many wait, and this is the lowest of them.
    fn turn_away(&mut self, id: PageId, now: Instant) {
        let why = match self.held_against(id) {
            Refusal::DeviceFault => self
                .bids
                .iter()
                .next()
                .map_or(Refusal::DeviceFault, |p| Refusal::Busy(p.id())),
            why => why,
        };
        match self.bids.get(id) {
            Some(page) if page.admitted => self.finish(id, EndReason::Preempted, Cut::Now, now),
            Some(page) if page.is_announced => self.finish(id, why.reason(), Cut::Now, now),
            _ => {
                if let Some(page) = self.bids.remove(id) {
                    self.refuse(page, why, now);
                }
            }
        }
    }

    /// Tells once that a page waits, or that it is admitted.
    fn announce(&mut self, id: PageId, now: Instant) {
        let holds = self.zones.held_by(id).next().is_some();
        let Some(page) = self.bids.get_mut(id) else { return };
        if page.standing == Standing::Under && holds {
            // It has its voice, and is opened at its own level when its zones are ready.
            page.standing = Standing::Seizing;
            page.close(now);
            for zone in std::mem::take(&mut page.under) {
                self.outputs.push_back(Output::Silence { zone, page: id });
            }
            return;
        }
        if page.standing != Standing::Waiting {
            return;
        }
        if holds {
            page.admit(now);
            self.outputs.push_back(Output::Admitted { page: id });
        } else if !page.is_announced {
            page.is_announced = true;
            match page.loss() {
                Loss::Wait | Loss::Under => self.outputs.push_back(Output::Waiting { page: id }),
                Loss::Keep => self.outputs.push_back(Output::Keep { page: id }),
                Loss::End => page.is_announced = false,
            }
        }
    }
}

/// Without a zone, the page stays: its bid said so, and its source can still be heard live.
pub(super) fn may_wait(page: &Page) -> bool {
    page.loss() != Loss::End && page.source_ended.is_none()
}
