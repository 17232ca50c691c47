//! The bids that are not over, best first.

use std::time::{Duration, Instant};

use super::timer::{Timer, after};
use super::{Begin, Bid, EndReason, Loss, PageId, PageRecord, Refusal, ZoneId};

/// Most bids that wait without holding a zone. Beyond it the lowest is refused, or ended if it was admitted before.
/// Bids that hold a zone are bounded by the number of zones, so an urgent page is never turned away by a crowd.
pub const MAX_WAITING: usize = 64;

/// Longest that a call waits, unanswered, for a page of no higher priority to be played out whose source has ended.
/// Two callers who page one after the other are both heard.
pub const MAX_TURN: Duration = Duration::from_secs(2);

/// A page that is cut while what was kept of it is played goes on this much before where it was: what the cards still held was not heard.
pub const KEPT_AGAIN: Duration = Duration::from_millis(500);
/// Longest that is kept of one page, where its own limit is not shorter.
pub const MAX_KEEP: Duration = Duration::from_secs(300);

/// A page whose audio is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kept {
    /// Its source speaks, since then, and is heard nowhere.
    Speaking { since: Instant },
    /// Its source has ended, for this reason.
    Whole(EndReason),
}

/// How far a page has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// Holds no zone.
    Waiting,
    /// Holds zones; begins when the slowest of their amplifiers is awake.
    Seizing,
    /// Its chime plays until then.
    Chiming { until: Instant },
    /// Its audio is open.
    Speaking,
    /// Holds no zone; its audio is open below that of others.
    Under,
}

/// One bid and all that is known of its page.
#[derive(Debug, Clone)]
pub(super) struct Page {
    pub bid: Bid,
    pub bid_at: Instant,
    pub standing: Standing,
    /// It held a zone at some time.
    pub admitted: bool,
    /// Since when that is so, or it was heard below others.
    admitted_at: Option<Instant>,
    /// What keeps it from its zones, while it waits, or did so last.
    pub waits_for: Option<Refusal>,
    /// [`super::Output::Waiting`] or [`super::Output::Keep`] told of its present wait.
    pub is_announced: bool,
    /// Since when it waits, while it does.
    pub waiting_since: Instant,
    pub kept: Option<Kept>,
    /// The talker has been warned.
    pub warned: bool,
    /// Where it is open below others.
    pub under: Vec<ZoneId>,
    /// It was, at some time: it has begun, and needs no chime any more.
    pub was_under: bool,
    /// Where it wants to be heard, quiet hours or not.
    pub wanted: Vec<ZoneId>,
    /// Who took a zone from it last.
    pub beaten_by: Option<PageId>,
    /// Since when it has held a zone, or been heard below others: it counts as a page from then on.
    pub counts_from: Option<Instant>,
    pub heard: Vec<ZoneId>,
    pub heard_at: Option<Instant>,
    /// Since when at least one zone is open, and for how long that was so before.
    open_since: Option<Instant>,
    open_before: Duration,
    quiet_since: Instant,
    packet_since: Instant,
    pub any_packet: bool,
    /// The source has ended, for this reason.
    pub source_ended: Option<EndReason>,
    /// Since when the cards play out what is held.
    pub draining_since: Option<Instant>,
}

impl Page {
    pub fn new(bid: Bid, now: Instant) -> Self {
        Page {
            bid,
            bid_at: now,
            standing: Standing::Waiting,
            admitted: false,
            admitted_at: None,
            waits_for: None,
            is_announced: false,
            waiting_since: now,
            kept: None,
            warned: false,
            under: Vec::new(),
            was_under: false,
            wanted: Vec::new(),
            beaten_by: None,
            counts_from: None,
            heard: Vec::new(),
            heard_at: None,
            open_since: None,
            open_before: Duration::ZERO,
            quiet_since: now,
            packet_since: now,
            any_packet: false,
            source_ended: None,
            draining_since: None,
        }
    }

    pub fn id(&self) -> PageId {
        self.bid.page
    }

    pub fn names(&self, zone: ZoneId) -> bool {
        self.bid.zones.contains(&zone)
    }

    /// What becomes of it without a zone.
    pub fn loss(&self) -> Loss {
        match self.kept {
            Some(Kept::Speaking { .. }) => Loss::Keep,
            Some(Kept::Whole(_)) => Loss::Wait,
            None if self.admitted => self.bid.terms.cut,
            None => self.bid.terms.busy,
        }
    }

    /// Its source speaks to nobody but the memory.
    pub fn is_keeping(&self) -> bool {
        matches!(self.kept, Some(Kept::Speaking { .. }))
    }

    /// It has no zone of its own.
    pub fn holds_nothing(&self) -> bool {
        matches!(self.standing, Standing::Waiting | Standing::Under)
    }

    /// It is to be heard below others.
    pub fn go_under(&mut self, now: Instant) {
        self.standing = Standing::Under;
        self.was_under = true;
        self.admitted_at.get_or_insert(now);
        self.counts_from.get_or_insert(now);
        if !self.admitted {
            self.admitted = true;
            self.packet_since = now;
        }
    }

    /// Its audio is kept from now on.
    pub fn keep(&mut self, now: Instant) {
        self.kept = Some(Kept::Speaking { since: now });
        self.is_announced = false;
        self.packet_since = now;
        self.warned = false;
    }

    /// Its source has ended while its audio was kept: it waits for a zone.
    pub fn is_whole(&mut self, reason: EndReason, now: Instant) {
        self.kept = Some(Kept::Whole(reason));
        self.is_announced = false;
        self.waiting_since = now;
    }

    /// It lost its last zone and waits.
    pub fn wait(&mut self, now: Instant) {
        self.standing = Standing::Waiting;
        self.is_announced = false;
        self.waiting_since = now;
    }

    /// The page holds a zone again, or for the first time.
    pub fn admit(&mut self, now: Instant) {
        self.standing = Standing::Seizing;
        self.admitted_at.get_or_insert(now);
        self.counts_from.get_or_insert(now);
        if !self.admitted {
            self.admitted = true;
            self.packet_since = now;
        }
    }

    pub fn packet(&mut self, now: Instant) {
        self.any_packet = true;
        self.packet_since = now;
    }

    pub fn speech(&mut self, now: Instant) {
        self.quiet_since = now;
    }

    /// Its audio opens in `zone`.
    pub fn open(&mut self, zone: ZoneId, now: Instant) {
        self.heard_at.get_or_insert(now);
        if !self.heard.contains(&zone) {
            self.heard.push(zone);
        }
        if self.open_since.is_none() {
            self.open_since = Some(now);
            self.quiet_since = now;
        }
    }

    /// Its audio is open nowhere any more.
    pub fn close(&mut self, now: Instant) {
        if let Some(since) = self.open_since.take() {
            self.open_before = self.open_before.saturating_add(now.saturating_duration_since(since));
        }
    }

    /// Its deadlines, except [`Timer::Begin`], which depends on the zones.
    pub fn timers(&self, max_drain: Duration) -> impl Iterator<Item = (Instant, Timer)> {
        let page = self.id();
        let limits = self.bid.limits;
        let live = self.source_ended.is_none();
        let chime = match self.standing {
            Standing::Chiming { until } => Some((until, Timer::ChimeOver(page))),
            _ => None,
        };
        let waiting = self.standing == Standing::Waiting;
        // What was kept is no longer than the limit, but for what the cards still held as it was cut, and what is played twice.
        let grace = if self.kept.is_some() { max_drain } else { Duration::ZERO };
        let length = self.open_since.and_then(|since| {
            let left = limits.page?.saturating_add(grace).saturating_sub(self.open_before);
            Some((after(since, left), Timer::PageLimit(page)))
        });
        let keep = match self.kept {
            Some(Kept::Speaking { since }) => Some((after(since, self.keep_limit()), Timer::KeepLimit(page))),
            _ => None,
        };
        let warning = self.warn_at().map(|at| (at, Timer::Warning(page)));
        let wait = limits
            .wait
            .filter(|_| waiting && !self.is_keeping())
            .map(|limit| (after(self.waiting_since, limit), Timer::WaitLimit(page)));
        let quiet = limits
            .quiet
            .filter(|_| live && self.open_since.is_some())
            .map(|limit| (after(self.quiet_since, limit), Timer::Quiet(page)));
        let no_packet = limits
            .no_packet
            .filter(|_| live && (self.is_keeping() || self.admitted && self.kept.is_none()))
            .map(|limit| (after(self.packet_since, limit), Timer::NoPacket(page)));
        let drain = self
            .draining_since
            .map(|since| (after(since, max_drain), Timer::DrainLimit(page)));
        let turn = self.turn_limit().map(|at| (at, Timer::TurnLimit(page)));
        [chime, warning, keep, length, quiet, no_packet, drain, wait, turn]
            .into_iter()
            .flatten()
    }

    /// How long its source may speak to the memory: what was heard before counts.
    fn keep_limit(&self) -> Duration {
        let left = self.bid.limits.page.map(|limit| limit.saturating_sub(self.open_before));
        left.unwrap_or(MAX_KEEP).min(MAX_KEEP)
    }

    /// When the talker is to be warned, who then speaks live or to the memory.
    fn warn_at(&self) -> Option<Instant> {
        let warning = self.bid.limits.warning;
        if self.warned || warning.is_zero() || self.source_ended.is_some() {
            return None;
        }
        let (since, left) = match self.kept {
            Some(Kept::Speaking { since }) => (since, self.keep_limit()),
            Some(Kept::Whole(_)) => return None,
            None => (self.open_since?, self.bid.limits.page?.saturating_sub(self.open_before)),
        };
        // So short a page needs no warning.
        let until = left.checked_sub(warning).filter(|until| *until >= warning)?;
        Some(after(since, until))
    }

    /// Until when a call may wait for its turn.
    pub fn turn_limit(&self) -> Option<Instant> {
        (self.standing == Standing::Waiting && self.loss() == Loss::End).then(|| after(self.bid_at, MAX_TURN))
    }

    /// `by`: whose bid went before. `missed`: where it was not heard, and why.
    pub fn record(
        mut self,
        reason: EndReason,
        by: Option<PageId>,
        missed: Vec<(ZoneId, Option<Refusal>)>,
        now: Instant,
    ) -> PageRecord {
        self.close(now);
        PageRecord {
            page: self.bid.page,
            source: self.bid.source,
            zones: self.heard,
            wanted: self.wanted,
            priority: self.bid.priority,
            bid_at: self.bid_at,
            admitted_at: self.admitted_at,
            waited_for: self.waits_for,
            missed,
            heard_at: self.heard_at,
            heard_for: self.open_before,
            kept: self.kept.is_some(),
            ended_at: now,
            reason,
            by,
        }
    }
}

/// All bids that are not over, ranked: highest priority first, equal priority in the order of coming.
#[derive(Debug, Clone, Default)]
pub(super) struct Bids {
    ranked: Vec<Page>,
}

impl Bids {
    /// `false`, and nothing changes, if a page of this id is not over.
    pub fn insert(&mut self, page: Page) -> bool {
        if self.get(page.id()).is_some() {
            return false;
        }
        let place = self
            .ranked
            .partition_point(|other| other.bid.priority >= page.bid.priority);
        self.ranked.insert(place, page);
        true
    }

    pub fn remove(&mut self, page: PageId) -> Option<Page> {
        let place = self.ranked.iter().position(|p| p.id() == page)?;
        Some(self.ranked.remove(place))
    }

    pub fn get(&self, page: PageId) -> Option<&Page> {
        self.ranked.iter().find(|p| p.id() == page)
    }

    pub fn get_mut(&mut self, page: PageId) -> Option<&mut Page> {
        self.ranked.iter_mut().find(|p| p.id() == page)
    }

    /// Best first.
    pub fn iter(&self) -> impl DoubleEndedIterator<Item = &Page> {
        self.ranked.iter()
    }

    pub fn ids(&self) -> Vec<PageId> {
        self.ranked.iter().map(Page::id).collect()
    }

    /// Who should hold each of these zones, which work: the best bid that names it. `zones`: each with its holder; the
    /// result stands in their order.
    ///
    /// A page whose source has ended keeps what it holds but gains nothing: there is nothing live to hear. One that is
    /// being kept holds nothing. One that begins together takes all of its zones or none; while it can't have all, who holds
    /// one of them keeps it, and nobody lower gets one.
    pub fn share(&self, zones: &[(ZoneId, Option<PageId>)]) -> Vec<Option<PageId>> {
        let mut shares = vec![Share::Free; zones.len()];
        for page in self.ranked.iter().filter(|p| !p.is_keeping()) {
            let id = page.id();
            let wanted: Vec<usize> = (0..zones.len()).filter(|i| page.names(zones[*i].0)).collect();
            let gains = page.source_ended.is_none();
            let can_have = |share: Share, holder: Option<PageId>| match share {
                Share::Free => gains || holder == Some(id),
                Share::Reserved => holder == Some(id),
                Share::Of(_) => false,
            };
            let had: Vec<usize> = wanted
                .iter()
                .copied()
                .filter(|i| can_have(shares[*i], zones[*i].1))
                .collect();
            let waits = page.holds_nothing() && page.bid.terms.begin == Begin::Together;
            let share = match waits && had.len() < wanted.len() {
                true => Share::Reserved,
                false => Share::Of(id),
            };
            had.into_iter().for_each(|i| shares[i] = share);
        }
        shares
            .into_iter()
            .map(|share| match share {
                Share::Of(page) => Some(page),
                Share::Free | Share::Reserved => None,
            })
            .collect()
    }

    /// The bids themselves, best first.
    pub fn bids(&self) -> impl Iterator<Item = &Bid> + Clone {
        self.ranked.iter().map(|page| &page.bid)
    }

    /// The lowest waiting bid, if more than [`MAX_WAITING`] wait. `holders` have a zone, though they may not have been told.
    pub fn surplus(&self, holders: &[PageId]) -> Option<PageId> {
        let waits = |p: &&Page| p.holds_nothing() && !holders.contains(&p.id());
        let mut waiting = self.ranked.iter().filter(waits);
        let lowest = waiting.next_back()?.id();
        (waiting.count() >= MAX_WAITING).then_some(lowest)
    }
}

/// What becomes of a zone while the bids are looked at, best first.
#[derive(Debug, Clone, Copy)]
enum Share {
    Free,
    /// For a page that can't begin yet: only who holds the zone may go on.
    Reserved,
    Of(PageId),
}

#[cfg(test)]
mod tests {
    #![allow(clippy::disallowed_methods)]

    use proptest::prelude::*;

    use super::*;
    use crate::page::{Limits, Priority, SourceId, Terms};

    const ZONES: u16 = 4;

    /// Zones, priority, begins together, its source has ended; and how many of its zones it may hold already.
    fn page() -> impl Strategy<Value = (Vec<u16>, u8, bool, bool, u16)> {
        let zones = prop::sample::subsequence((0..ZONES).collect::<Vec<u16>>(), 1..=4);
        (zones, 0..3u8, any::<bool>(), prop::bool::weighted(0.2), 0..3u16)
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 20_000, ..ProptestConfig::default() })]

        /// Each zone to the best bid that can be heard; a page that begins together has all of its zones or none, and what it
        /// waits for goes to nobody below it.
        #[test]
        fn zones_are_shared_by_rank(pages in prop::collection::vec(page(), 1..6)) {
            let now = Instant::now();
            let mut bids = Bids::default();
            let mut zones: Vec<(ZoneId, Option<PageId>)> = (0..ZONES).map(|z| (ZoneId(z), None)).collect();
            for (id, (named, priority, together, ended, held)) in (1..).zip(pages) {
                let begin = if together { Begin::Together } else { Begin::Each };
                let mut page = Page::new(
                    Bid {
                        page: PageId(id),
                        source: SourceId(0),
                        zones: named.iter().copied().map(ZoneId).collect(),
                        barred: Vec::new(),
                        priority: Priority(priority),
                        chime: None,
                        limits: Limits::default(),
                        terms: Terms { begin, ..Terms::default() },
                        caller: 0,
                    },
                    now,
                );
                let free = zones.iter_mut().filter(|(z, holder)| named.contains(&z.0) && holder.is_none());
                for (_, holder) in free.take(usize::from(held)) {
                    *holder = Some(PageId(id));
                    page.standing = Standing::Speaking;
                }
                page.source_ended = ended.then_some(EndReason::HungUp);
                bids.insert(page);
            }
            let shares = bids.share(&zones);
            let owner = |zone: ZoneId| zones.iter().position(|(z, _)| *z == zone).and_then(|i| shares[i]);
            let holder = |zone: ZoneId| zones.iter().find(|(z, _)| *z == zone).and_then(|(_, h)| *h);
            for (rank, page) in bids.iter().enumerate() {
                let waits = page.standing == Standing::Waiting;
                let had = page.bid.zones.iter().filter(|z| owner(**z) == Some(page.id())).count();
                let all_or_none = !waits || page.bid.terms.begin != Begin::Together || had == 0 || had == page.bid.zones.len();
                prop_assert!(all_or_none, "{page:?}");
                let gains = page.source_ended.is_none();
                for zone in page.bid.zones.iter().copied().filter(|z| gains || holder(*z) == Some(page.id())) {
                    let to = owner(zone).and_then(|to| bids.iter().position(|p| p.id() == to));
                    // Below it only who was there already, and that only while it cannot begin.
                    if to.is_none_or(|to| to > rank) {
                        let blocked = waits && page.bid.terms.begin == Begin::Together && had == 0;
                        let reserved = bids.iter().take(rank).any(|better| {
                            better.standing == Standing::Waiting && better.bid.terms.begin == Begin::Together && better.names(zone)
                        });
                        prop_assert!(blocked || reserved && holder(zone) != Some(page.id()), "{zone:?}: {page:?}");
                        prop_assert!(to.is_none() || owner(zone) == holder(zone), "{zone:?}");
                    }
                }
            }
        }
    }
}
