//! What a site has and what a source may ask for.

use std::time::Duration;

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
    /// Longest speech, counted from its opening. Time spent waiting after a pre-emption does not count; what is
    /// drained after the source has ended does. At the limit the audio stops at once.
    pub page: Option<Duration>,
    /// Longest time without speech in the audio, counted from the opening; every [`super::Input::Speech`] restarts
    /// it. At the limit the audio, which is silence, stops at once.
    pub quiet: Option<Duration>,
    /// Longest time without a valid packet, counted from the first admission; every [`super::Input::Packet`]
    /// restarts it. At the limit what is held is still played, as after [`super::Input::SourceEnded`]: a caller
    /// cut off by the network is heard as far as they got.
    pub no_packet: Option<Duration>,
}

/// What becomes of a bid that is not heard anywhere.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Loss {
    /// It ends: a caller is refused (486) or cut (BYE). Behind a page that only plays out it waits [`super::MAX_TURN`].
    End,
    /// It stays and is heard live once a zone is free: a multicast sender cannot be told. This holds when the
    /// zone is held by another page as well as when its card has failed.
    Wait,
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
    pub priority: Priority,
    /// Length of the pre-announcement tone, if any.
    pub chime: Option<Duration>,
    pub limits: Limits,
    pub loss: Loss,
}
