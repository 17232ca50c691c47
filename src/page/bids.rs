//! The bids that are not over, best first.

use std::time::{Duration, Instant};

use super::timer::{Timer, after};
use super::{Bid, EndReason, Loss, PageId, PageRecord, ZoneId};

/// Most bids that wait without holding a zone. Beyond it the lowest is refused, or ended if it was admitted before.
/// Bids that hold a zone are bounded by the number of zones, so an urgent page is never turned away by a crowd.
pub const MAX_WAITING: usize = 64;

/// Longest that a call waits, unanswered, for a page of no higher priority to be played out whose source has ended.
/// Two callers who page one after the other are both heard.
pub const MAX_TURN: Duration = Duration::from_secs(2);

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
}

/// One bid and all that is known of its page.
#[derive(Debug)]
pub(super) struct Page {
    pub bid: Bid,
    pub bid_at: Instant,
    pub standing: Standing,
    /// It held a zone at some time.
    pub admitted: bool,
    /// [`super::Output::Waiting`] told of its present wait.
    pub is_announced: bool,
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
            is_announced: false,
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

    /// The page holds a zone again, or for the first time.
    pub fn admit(&mut self, now: Instant) {
        self.standing = Standing::Seizing;
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
        let length = self.open_since.and_then(|since| {
            let left = limits.page?.saturating_sub(self.open_before);
            Some((after(since, left), Timer::PageLimit(page)))
        });
        let quiet = limits
            .quiet
            .filter(|_| live && self.open_since.is_some())
            .map(|limit| (after(self.quiet_since, limit), Timer::Quiet(page)));
        let no_packet = limits
            .no_packet
            .filter(|_| live && self.admitted)
            .map(|limit| (after(self.packet_since, limit), Timer::NoPacket(page)));
        let drain = self
            .draining_since
            .map(|since| (after(since, max_drain), Timer::DrainLimit(page)));
        let turn = self.turn_limit().map(|at| (at, Timer::TurnLimit(page)));
        [chime, length, quiet, no_packet, drain, turn].into_iter().flatten()
    }

    /// Until when a call may wait for its turn.
    pub fn turn_limit(&self) -> Option<Instant> {
        (self.standing == Standing::Waiting && self.bid.loss == Loss::End).then(|| after(self.bid_at, MAX_TURN))
    }

    pub fn record(self, reason: EndReason, now: Instant) -> PageRecord {
        PageRecord {
            page: self.bid.page,
            source: self.bid.source,
            zones: self.heard,
            priority: self.bid.priority,
            bid_at: self.bid_at,
            heard_at: self.heard_at,
            ended_at: now,
            reason,
        }
    }
}

/// All bids that are not over, ranked: highest priority first, equal priority in the order of coming.
#[derive(Debug, Default)]
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

    /// Who should hold `zone`: the best bid that names it. A page whose source has ended keeps what it holds but
    /// gains nothing: there is nothing live to hear.
    pub fn best_for(&self, zone: ZoneId, holder: Option<PageId>) -> Option<PageId> {
        self.ranked
            .iter()
            .find(|p| p.names(zone) && (p.source_ended.is_none() || holder == Some(p.id())))
            .map(Page::id)
    }

    /// The lowest waiting bid, if more than [`MAX_WAITING`] wait.
    pub fn surplus(&self) -> Option<PageId> {
        let mut waiting = self.ranked.iter().filter(|p| p.standing == Standing::Waiting);
        let lowest = waiting.next_back()?.id();
        (waiting.count() >= MAX_WAITING).then_some(lowest)
    }
}
