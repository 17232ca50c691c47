//! How often a source, and a caller of it, may page.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use super::{Bid, Refusal, SourceId};

/// Sources and callers remembered; those unheard for longest are forgotten.
pub const MAX_CALLERS: usize = 256;
/// Pages of one caller remembered: more an hour cannot be allowed.
pub const MAX_PER_HOUR: u32 = 240;
const HOUR: Duration = Duration::from_secs(3600);

/// Memory of the pages that have held a zone, heard or not: their relays operated, their chimes may have sounded.
#[derive(Debug, Clone, Default)]
pub(super) struct Quota {
    /// When each source's last page was over.
    sources: Vec<(SourceId, Instant)>,
    /// When the pages of each caller that are over began, in the last hour.
    callers: Vec<(SourceId, u64, VecDeque<Instant>)>,
}

impl Quota {
    /// Whether the bid may be entered. `under_way`: the bids that are not over; they count.
    pub fn may<'a>(
        &self,
        bid: &Bid,
        under_way: impl Iterator<Item = &'a Bid> + Clone,
        now: Instant,
    ) -> Result<(), Refusal> {
        let since = |at: &Instant| now.saturating_duration_since(*at);
        if let Some(least) = bid.limits.cool_down {
            let last = self.sources.iter().find(|(source, _)| *source == bid.source);
            if last.is_some_and(|(_, at)| since(at) < least) || under_way.clone().any(|b| b.source == bid.source) {
                return Err(Refusal::CoolDown);
            }
        }
        let Some(most) = bid.limits.per_hour else { return Ok(()) };
        let of_caller = |source: SourceId, caller: u64| (source, caller) == (bid.source, bid.caller);
        let heard = self.callers.iter().find(|(s, c, _)| of_caller(*s, *c));
        let heard = heard.map_or(0, |(_, _, heard)| heard.iter().filter(|at| since(at) < HOUR).count());
        match heard + under_way.filter(|b| of_caller(b.source, b.caller)).count() < most as usize {
            true => Ok(()),
            false => Err(Refusal::TooMany),
        }
    }

    /// A page of this bid, which began then, is over.
    pub fn over(&mut self, bid: &Bid, began: Instant, now: Instant) {
        self.note_caller(bid, began);
        self.note_source(bid, now);
    }

    fn note_caller(&mut self, bid: &Bid, now: Instant) {
        if bid.limits.per_hour.is_none() {
            return;
        }
        let known = self
            .callers
            .iter()
            .position(|(s, c, _)| (*s, *c) == (bid.source, bid.caller));
        let mut entry = match known {
            Some(at) => self.callers.remove(at),
            None => (bid.source, bid.caller, VecDeque::new()),
        };
        entry.2.retain(|at| now.saturating_duration_since(*at) < HOUR);
        entry.2.push_back(now);
        if entry.2.len() > MAX_PER_HOUR as usize {
            entry.2.pop_front();
        }
        if self.callers.len() == MAX_CALLERS {
            self.callers.remove(0);
        }
        self.callers.push(entry);
    }

    fn note_source(&mut self, bid: &Bid, now: Instant) {
        if bid.limits.cool_down.is_none() {
            return;
        }
        self.sources.retain(|(source, _)| *source != bid.source);
        if self.sources.len() == MAX_CALLERS {
            self.sources.remove(0);
        }
        self.sources.push((bid.source, now));
    }
}
