//! What a site has and what a source may ask for.

use std::time::Duration;

use super::{PageId, Priority, RelayId, SourceId, ZoneId};

/// What a site has: fixed for the life of a switchboard.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Rules {
    /// Indexed by [`ZoneId`].
    pub zones: Vec<ZoneRules>,
    /// Indexed by [`RelayId`].
    pub relays: Vec<RelayRules>,
}

/// One relay.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct RelayRules {
    /// From operating it until what hangs on it is ready, in place of each zone's [`ZoneRules::lead`]. One with a shorter lead operates
    /// later, so that all of a zone are ready at one moment.
    pub lead: Option<Duration>,
    /// From the last sample until it goes back to rest, in place of each zone's [`ZoneRules::release`].
    pub release: Option<Duration>,
    /// Once operated it stays so for this long, unless a card fails, another system takes the zone, or the daemon stops.
    pub min_on: Duration,
    /// Once at rest it stays so for this long; a page waits for it.
    pub min_off: Duration,
    /// It belongs to no zone and shows something instead.
    pub shows: Option<Shows>,
}

/// What an extra output shows, and how.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shows {
    pub what: Shown,
    /// Once on and off in this time; `None`: steady.
    pub blinks: Option<Duration>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Shown {
    /// A page has one of these zones.
    Page(Vec<ZoneId>),
    /// The daemon runs and nothing that it needs is missing.
    Healthy,
    /// The daemon runs and something is missing.
    Fault,
}

/// One zone's relays and times.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ZoneRules {
    /// Relays that close for the whole page so that the amplifier passes speech.
    pub trigger: Vec<RelayId>,
    /// Relays that mute the music for the whole page (operated = muted).
    pub mute: Vec<RelayId>,
    /// From operating the relays until audio may start: the amplifier's wake-up time.
    pub lead: Duration,
    /// From the last sample until the relays go back to rest; the tail lasts until the slowest of them has.
    pub release: Duration,
}

/// Limits of one page; `None` is no limit. No re-dialling, silence or preemption sets back what they count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Limits {
    /// Longest speech, counted from its opening. Time spent waiting after a pre-emption does not count; what is
    /// drained after the source has ended does. At the limit the audio stops at once.
    pub page: Option<Duration>,
    /// How long before the end by that limit the talker is warned.
    pub warning: Duration,
    /// Longest time without speech in the audio, counted from the opening; every [`super::Input::Speech`] restarts
    /// it. At the limit the audio, which is silence, stops at once.
    pub quiet: Option<Duration>,
    /// Longest time without a valid packet, counted from the first admission; every [`super::Input::Packet`]
    /// restarts it. At the limit what is held is still played, as after [`super::Input::SourceEnded`]: a caller
    /// cut off by the network is heard as far as they got.
    pub no_packet: Option<Duration>,
    /// Longest wait for a zone, each time that it waits; for what was kept, from the end of its source.
    pub wait: Option<Duration>,
    /// From the end of the source's last page that was heard until it may bid again.
    pub cool_down: Option<Duration>,
    /// Pages of one caller that may be heard within an hour.
    pub per_hour: Option<u32>,
}

/// What becomes of a page that is heard nowhere: its zones are held by others, or their cards have failed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Loss {
    /// It ends: a caller is refused (486) or cut (BYE). Behind a page that only plays out a new one waits
    /// [`super::MAX_TURN`].
    End,
    /// It stays and is heard live once a zone is free.
    Wait,
    /// As [`Loss::Wait`]; and while another page is heard in one of its zones, it is heard there too, more softly.
    Under,
    /// What its source says from now on is kept, and played when a zone is free after the source has ended.
    Keep,
}

/// When a page of several zones begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Begin {
    /// In those that are free; the others join as they become free.
    #[default]
    Each,
    /// In all that work at one instant. Until then those that are free are kept free of lower and later bids.
    Together,
}

/// On what terms a page is heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Terms {
    /// What becomes of it if none of its zones is to be had.
    pub busy: Loss,
    /// What becomes of it when it loses its last zone.
    pub cut: Loss,
    /// Kept from its beginning and played after its source has ended, even if the zones are free: for talkers who stand
    /// beside a loudspeaker.
    pub afterwards: bool,
    pub begin: Begin,
}

impl Default for Terms {
    fn default() -> Self {
        Terms {
            busy: Loss::End,
            cut: Loss::End,
            afterwards: false,
            begin: Begin::Each,
        }
    }
}

/// A source's wish to be heard.
#[derive(Debug, Clone)]
pub struct Bid {
    /// Unique for the life of the process. A second bid for a page that is not over is ignored.
    pub page: PageId,
    pub source: SourceId,
    /// Not empty, without repetition. Repetitions and unknown zones are ignored; a bid that names no zone that
    /// works is refused with [`super::Refusal::DeviceFault`].
    pub zones: Vec<ZoneId>,
    /// Of these, where quiet hours bar it; it is heard in the others.
    pub barred: Vec<ZoneId>,
    pub priority: Priority,
    /// Length of the pre-announcement tone, if any.
    pub chime: Option<Duration>,
    pub limits: Limits,
    pub terms: Terms,
    /// Whose pages [`Limits::per_hour`] counts, within the source.
    pub caller: u64,
}
