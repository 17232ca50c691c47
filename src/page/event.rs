//! What the switchboard is told, and what it tells.

use std::time::{Duration, Instant};

use super::{Bid, PageId, Priority, RelayId, SourceId, ZoneId};

/// What happens outside. Inputs about pages that are over, or were never known, change nothing.
#[derive(Debug, Clone)]
pub enum Input {
    Bid(Bid),
    /// A valid packet of the page arrived. Wanted for waiting pages too.
    Packet(PageId),
    /// Speech was heard in the page's audio.
    Speech(PageId),
    /// The source has ended: play what is held, then tail. With [`EndReason::Cancelled`], or when no packet ever
    /// came, nothing is played and the page ends at once.
    SourceEnded(PageId, EndReason),
    /// All that was kept of the page has been handed to the cards: play it out, then tail.
    Replayed(PageId),
    /// Every card has played the page's last sample.
    Drained(PageId),
    /// Ends the page at once: an operator wants it, or what it needs is not to be had.
    Stop(PageId, EndReason),
    /// Quiet hours bar the page from these zones, and from no other: looked at while it holds none and is not heard. Barred from all, it
    /// ends.
    Barred(PageId, Vec<ZoneId>),
    /// The zone's card failed: what is heard there ends, nothing new begins. Its relays go to rest at once.
    ZoneFailed(ZoneId),
    /// The zone's card is back.
    ZoneBack(ZoneId),
    /// Another system has taken over the zone's amplifier: as [`Input::ZoneFailed`], for as long as it has it.
    Vetoed(ZoneId),
    /// It has given the amplifier back.
    VetoLifted(ZoneId),
    /// The relay is operated for a test, for so long at most, whatever its zones do; zero ends that. Ignored while a zone that names it
    /// does not work or its amplifier is another system's: see [`super::Switchboard::may_test`].
    Test(RelayId, Duration),
    /// Whether anything that the daemon needs is missing, for the relays that show it.
    Health(bool),
    /// The daemon stops: everything ends, relays to rest. Later bids are refused.
    Shutdown,
}

/// Why a page ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum EndReason {
    /// BYE from the caller.
    HungUp,
    /// CANCEL before the answer took effect.
    Cancelled,
    /// What it had to play has been played.
    Finished,
    /// The group fell silent for its idle time.
    StreamEnded,
    NoPackets,
    Quiet,
    /// The line gave the busy tone: whoever spoke has hung up, and the gateway between does not say so.
    BusyTone,
    PageLimit,
    /// There was no room to keep more of it.
    NoRoom,
    /// It waited for a zone for as long as it might.
    WaitLimit,
    /// Refused: the source's last page was not long enough ago.
    CoolDown,
    /// Refused: the caller has paged as often as it may in an hour.
    TooMany,
    /// Refused: quiet hours bar it from all of its zones.
    QuietHours,
    /// A higher priority took its last zone.
    Preempted,
    /// Refused: every zone was held by an equal or higher bid, or too many bids were waiting.
    Busy,
    Operator,
    DeviceFault,
    /// Another system took over the amplifiers.
    Vetoed,
    /// Signalling failed: no ACK, session lost, connection gone.
    CallLost,
    Shutdown,
}

impl EndReason {
    /// Every one.
    pub const ALL: [EndReason; 20] = [
        EndReason::HungUp,
        EndReason::Cancelled,
        EndReason::Finished,
        EndReason::StreamEnded,
        EndReason::NoPackets,
        EndReason::Quiet,
        EndReason::BusyTone,
        EndReason::PageLimit,
        EndReason::NoRoom,
        EndReason::WaitLimit,
        EndReason::CoolDown,
        EndReason::TooMany,
        EndReason::QuietHours,
        EndReason::Preempted,
        EndReason::Busy,
        EndReason::Operator,
        EndReason::DeviceFault,
        EndReason::Vetoed,
        EndReason::CallLost,
        EndReason::Shutdown,
    ];
}

/// Why a bid was not admitted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refusal {
    /// Held by this page.
    Busy(PageId),
    /// No zone that it names works, or exists.
    DeviceFault,
    /// Another system has the amplifiers of all its zones that work.
    Vetoed,
    /// Quiet hours bar it from all of its zones.
    QuietHours,
    /// Its source must be quiet for a while.
    CoolDown,
    /// Its caller has paged too often.
    TooMany,
    Shutdown,
}

impl Refusal {
    /// The page whose bid went before.
    pub fn by(self) -> Option<PageId> {
        match self {
            Refusal::Busy(page) => Some(page),
            _ => None,
        }
    }

    /// The reason that the refused page's record gives.
    pub fn reason(self) -> EndReason {
        match self {
            Refusal::Busy(_) => EndReason::Busy,
            Refusal::DeviceFault => EndReason::DeviceFault,
            Refusal::Vetoed => EndReason::Vetoed,
            Refusal::QuietHours => EndReason::QuietHours,
            Refusal::CoolDown => EndReason::CoolDown,
            Refusal::TooMany => EndReason::TooMany,
            Refusal::Shutdown => EndReason::Shutdown,
        }
    }
}

/// Where a zone stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Phase {
    /// Nobody holds it and it operates no relay.
    Rest,
    /// A page holds it and its audio has not begun: relays operate, the amplifier wakes up.
    Seize,
    /// The pre-announcement tone plays.
    Chime,
    /// The page's audio is open.
    Speech,
    /// Nobody holds it; its relays are still operated.
    Tail,
}

impl Phase {
    /// Every one, in the order of a page.
    pub const ALL: [Phase; 5] = [Phase::Rest, Phase::Seize, Phase::Chime, Phase::Speech, Phase::Tail];

    pub fn name(self) -> &'static str {
        match self {
            Phase::Rest => "rest",
            Phase::Seize => "seize",
            Phase::Chime => "chime",
            Phase::Speech => "speech",
            Phase::Tail => "tail",
        }
    }
}

/// One page, whole. Exactly one for every bid.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PageRecord {
    pub page: PageId,
    pub source: SourceId,
    /// Zones where it was heard, in the order of hearing; empty if it was refused or ended before its speech.
    pub zones: Vec<ZoneId>,
    /// The zones that it was for.
    pub wanted: Vec<ZoneId>,
    pub priority: Priority,
    pub bid_at: Instant,
    /// When it first held a zone, or was heard below others; never, if it was refused or ended while it waited.
    pub admitted_at: Option<Instant>,
    /// What kept it from its zones when it last waited for one.
    pub waited_for: Option<Refusal>,
    /// The zones that it was for and where it was not heard; with what kept it out, where something did.
    pub missed: Vec<(ZoneId, Option<Refusal>)>,
    /// First opening of speech in any zone.
    pub heard_at: Option<Instant>,
    /// For how long it was open in any zone; it may have waited in between.
    pub heard_for: Duration,
    /// It, or its end, was kept, to be heard after its source had ended.
    pub kept: bool,
    pub ended_at: Instant,
    pub reason: EndReason,
    /// Whose bid went before, where that ended or refused it.
    pub by: Option<PageId>,
}

/// What must be done, in this order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Output {
    /// The page holds at least one zone: answer the call, build its voice, keep its audio. Comes again when a
    /// page that went back to waiting holds a zone again.
    Admitted { page: PageId },
    /// The page holds no zone and waits: drop its voice, if it has one. It is heard live once it is admitted; what was kept is
    /// then played from where it was heard last.
    Waiting { page: PageId },
    /// The page holds no zone, and its source may speak on: answer the call, drop its voice, keep its audio from now on. Once
    /// the source has ended it waits, and when it is admitted and speaks, what was kept is to be played.
    Keep { page: PageId },
    /// No more is kept: end the call, or hear the stream no more. The page goes on.
    Enough { page: PageId, reason: EndReason },
    /// Its time is nearly over: warn the talker.
    Warn { page: PageId },
    /// The bid is refused; its record follows, without [`Output::Ended`].
    Refused { page: PageId, why: Refusal },
    /// Set a relay. Emitted on changes only.
    Relay { relay: RelayId, operated: bool },
    /// A zone changed its phase or its page (for status and timelines).
    Phase {
        zone: ZoneId,
        phase: Phase,
        page: Option<PageId>,
    },
    /// Play the page's pre-announcement tone into the zone now.
    Chime { zone: ZoneId, page: PageId },
    /// Open the page's audio into the zone, from the first sample kept.
    /// With `under`, below the page that holds the zone; again without, once it holds the zone itself.
    Speak { zone: ZoneId, page: PageId, under: bool },
    /// Stop the page's audio (or chime) in the zone with a short fade.
    Silence { zone: ZoneId, page: PageId },
    /// No more audio will come: play what is held, then report [`Input::Drained`]. Never before the page's first
    /// [`Output::Speak`].
    Drain { page: PageId },
    /// The page is over: end the call (unless the source ended it), drop the voice. Its record follows.
    Ended { page: PageId, reason: EndReason },
    /// The page's record.
    Record(PageRecord),
}
