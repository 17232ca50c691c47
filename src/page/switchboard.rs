//! The switchboard: bids in, relays and routes out.
//!
//! Per zone the highest bid is heard (equal priority: first come), through the phases
//! `rest → seize → chime → speech → tail → rest`.

use std::time::{Duration, Instant};

use super::{PageId, Priority, RelayId, SourceId, ZoneId};

/// What a site has: fixed for the life of a switchboard.
#[derive(Debug, Clone, Default)]
pub struct Rules {
    /// Indexed by [`ZoneId`].
    pub zones: Vec<ZoneRules>,
    /// How many relays there are; [`RelayId`] counts from 0.
    pub relays: u16,
}

/// One zone's relays and times.
#[derive(Debug, Clone, Default)]
pub struct ZoneRules {
    /// Relays that close for the whole page so that the amplifier passes speech.
    pub trigger: Vec<RelayId>,
    /// Relays that mute the music for the whole page (operated = muted).
    pub mute: Vec<RelayId>,
    /// From operating the relays until audio may start: the amplifier's wake-up time.
    pub lead: Duration,
    /// From the last sample until the relays go back to rest.
    pub release: Duration,
}

/// Limits of one page; `None` is no limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Limits {
    /// Longest speech, counted from its opening.
    pub page: Option<Duration>,
    /// Longest time without speech in the audio, counted from the opening.
    pub quiet: Option<Duration>,
    /// Longest time without a valid packet, counted from the admission.
    pub no_packet: Option<Duration>,
}

/// What becomes of a bid that is not heard anywhere.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Loss {
    /// It ends: a caller is refused (486) or cut (BYE).
    End,
    /// It stays and is heard live once a zone is free: a multicast sender cannot be told.
    Wait,
}

/// A source's wish to be heard.
#[derive(Debug, Clone)]
pub struct Bid {
    pub page: PageId,
    pub source: SourceId,
    /// Not empty, without repetition.
    pub zones: Vec<ZoneId>,
    pub priority: Priority,
    /// Length of the pre-announcement tone, if any.
    pub chime: Option<Duration>,
    pub limits: Limits,
    pub loss: Loss,
}

/// What happens outside.
#[derive(Debug, Clone)]
pub enum Input {
    Bid(Bid),
    /// A valid packet of the page arrived.
    Packet(PageId),
    /// Speech was heard in the page's audio.
    Speech(PageId),
    /// The source has ended: play what is held, then tail.
    SourceEnded(PageId, EndReason),
    /// Every card has played the page's last sample.
    Drained(PageId),
    /// An operator ends the page at once.
    Stop(PageId),
    /// The zone's card failed: what is heard there ends, nothing new begins.
    ZoneFailed(ZoneId),
    /// The zone's card is back.
    ZoneBack(ZoneId),
    /// The daemon stops: everything ends, relays to rest.
    Shutdown,
}

/// Why a page ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum EndReason {
    /// BYE from the caller.
    HungUp,
    /// CANCEL before the answer took effect.
    Cancelled,
    /// The group fell silent for its idle time.
    StreamEnded,
    NoPackets,
    Quiet,
    PageLimit,
    /// A higher priority took its last zone.
    Preempted,
    /// Refused: every zone was held by an equal or higher bid.
    Busy,
    Operator,
    DeviceFault,
    /// Signalling failed: no ACK, session lost, connection gone.
    CallLost,
    Shutdown,
}

/// Why a bid was not admitted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refusal {
    /// Held by this page.
    Busy(PageId),
    DeviceFault,
    Shutdown,
}

/// Where a zone stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Phase {
    Rest,
    Seize,
    Chime,
    Speech,
    Tail,
}

/// One page, whole. Exactly one for every bid.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PageRecord {
    pub page: PageId,
    pub source: SourceId,
    /// Zones where it was heard; empty if it was refused.
    pub zones: Vec<ZoneId>,
    pub priority: Priority,
    pub bid_at: Instant,
    /// First opening of speech in any zone.
    pub heard_at: Option<Instant>,
    pub ended_at: Instant,
    pub reason: EndReason,
}

/// What must be done, in this order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Output {
    /// The page holds at least one zone: answer the call, build its voice, keep its audio.
    Admitted { page: PageId },
    /// The page waits for a zone (its bid said [`Loss::Wait`]).
    Waiting { page: PageId },
    /// The bid is refused; its record follows.
    Refused { page: PageId, why: Refusal },
    /// Set a relay. Emitted on changes only.
    Relay { relay: RelayId, operated: bool },
    /// A zone changed its phase (for status and timelines).
    Phase {
        zone: ZoneId,
        phase: Phase,
        page: Option<PageId>,
    },
    /// Play the page's pre-announcement tone into the zone now.
    Chime { zone: ZoneId, page: PageId },
    /// Open the page's audio into the zone, from the first sample kept.
    Speak { zone: ZoneId, page: PageId },
    /// Stop the page's audio (or chime) in the zone with a short fade.
    Silence { zone: ZoneId, page: PageId },
    /// No more audio will come: play what is held, then report [`Input::Drained`].
    Drain { page: PageId },
    /// The page is over for its source: end the call (unless the source ended it), drop the voice.
    Ended { page: PageId, reason: EndReason },
    /// The page's record.
    Record(PageRecord),
}

/// The pure state machine of all zones.
#[derive(Debug)]
pub struct Switchboard {
    _rules: Rules,
}

impl Switchboard {
    /// All zones at rest.
    pub fn new(rules: Rules) -> Self {
        Switchboard { _rules: rules }
    }

    /// Takes one event at `now`; timers that are due by `now` fire first.
    pub fn handle(&mut self, _input: Input, _now: Instant) {
        todo!()
    }

    /// Fires the timers that are due.
    pub fn handle_timeout(&mut self, _now: Instant) {
        todo!()
    }

    /// When [`Switchboard::handle_timeout`] wants to be called next.
    pub fn poll_timeout(&self) -> Option<Instant> {
        todo!()
    }

    /// The next thing to do; call until `None` after every input.
    pub fn poll_output(&mut self) -> Option<Output> {
        todo!()
    }

    /// The page heard in a zone now, and the zone's phase.
    pub fn zone(&self, _zone: ZoneId) -> (Phase, Option<PageId>) {
        todo!()
    }
}
