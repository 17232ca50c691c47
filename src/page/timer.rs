//! Every deadline of the switchboard by name.

use std::time::{Duration, Instant};

use super::{PageId, ZoneId};

/// What is due.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Timer {
    /// The slowest amplifier of the page's zones is awake: chime, or speak.
    Begin(PageId),
    /// The page's chime has ended: speak.
    ChimeOver(PageId),
    /// The amplifier of a zone that joined a speaking page is awake: speak there too.
    Join(ZoneId),
    /// The page has been heard for as long as it may be.
    PageLimit(PageId),
    /// The page will soon have been heard for as long as it may be.
    Warning(PageId),
    /// Of the page as much has been kept as may be.
    KeepLimit(PageId),
    /// It has waited for a zone for as long as it may.
    WaitLimit(PageId),
    /// No speech for too long.
    Quiet(PageId),
    /// No packet for too long.
    NoPacket(PageId),
    /// The cards have not said that the page is played out, and won't.
    DrainLimit(PageId),
    /// A page that only plays out was not over in time for this bid.
    TurnLimit(PageId),
    /// The zone's relays may go to rest.
    Release(ZoneId),
    /// A relay moves by itself.
    Relays,
}

/// Longer than any duration that matters, short enough that adding it to an [`Instant`] cannot overflow.
const FAR: Duration = Duration::from_secs(10 * 365 * 86_400);

/// `duration` after `start`, without overflow whatever a config file says.
pub(super) fn after(start: Instant, duration: Duration) -> Instant {
    start + duration.min(FAR)
}
