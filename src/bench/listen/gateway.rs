//! What the config says of a group, and what becomes of a stream by it.

use std::net::{IpAddr, SocketAddr};
use std::time::{Duration, Instant};

use super::stream::StreamId;
use crate::config::plan::{self, Plan, may_send};
use crate::media::codec::static_name;
use crate::media::receiver::TAKEOVER_SILENCE;
use crate::media::srtp::{Opener, Scope};
use crate::media::{Format, PayloadMap, PlayoutSettings};
use crate::sip::network::Network;

/// A group of the config.
#[derive(Debug)]
pub(super) struct Known {
    pub address: SocketAddr,
    pub name: String,
    zones: Vec<String>,
    priority: u8,
    networks: Option<Vec<Network>>,
    has_hours: bool,
    pub map: PayloadMap,
    pub opener: Option<Opener>,
    pub playout: PlayoutSettings,
    pub idle: Duration,
    /// Whose stream the gateway would be hearing, and when it last came.
    heard: Option<(StreamId, Instant)>,
}

/// What the gateway would do with a stream.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Verdict {
    NotInConfig,
    /// It pages, by the group's priority.
    Pages,
    /// The group's `networks` do not hold the sender.
    Network,
    /// The group does not take its payload type; what it takes.
    PayloadType(String),
    /// The group has a key, and the packets do not fit it.
    NotProtected,
    /// The group's stream is another one for as long as that goes on.
    Waits(SocketAddr),
}

/// The group of the config that a stream belongs to, and what it makes of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Gateway {
    pub verdict: Verdict,
    /// Empty where it is not in the config.
    pub group: String,
    pub zones: Vec<String>,
    pub priority: Option<u8>,
    /// The group hears by hours, which nobody looked at.
    pub has_hours: bool,
}

impl Known {
    pub fn all(plan: &Plan) -> Vec<Known> {
        plan.groups.iter().map(|group| Known::new(plan, group)).collect()
    }

    fn new(plan: &Plan, group: &plan::Group) -> Known {
        let zones = group.paging.zones.iter();
        Known {
            address: group.address,
            name: group.name.clone(),
            zones: zones
                .filter_map(|zone| Some(plan.zones.get(usize::from(zone.0))?.name.clone()))
                .collect(),
            priority: group.paging.priority.0,
            networks: group.networks.clone(),
            has_hours: !group.hours.0.is_empty(),
            map: group.payload_map(),
            opener: group.srtp.as_ref().map(|key| Opener::new(key, Scope::Group)),
            playout: group.paging.playout,
            idle: group.idle,
            heard: None,
        }
    }

    fn refusal(&self, sender: IpAddr, payload_type: u8, is_closed: bool) -> Option<Verdict> {
        if !may_send(self.networks.as_ref(), sender) {
            Some(Verdict::Network)
        } else if is_closed {
            Some(Verdict::NotProtected)
        } else if self.map.format(payload_type).is_none() {
            Some(Verdict::PayloadType(self.takes()))
        } else {
            None
        }
    }

    /// "0 (PCMU), 8 (PCMA)".
    fn takes(&self) -> String {
        let audio = self.map.iter().filter_map(|(payload_type, format)| match format {
            Format::Audio(codec) => Some(format!("{payload_type} ({})", codec.name())),
            _ => None,
        });
        audio.collect::<Vec<_>>().join(", ")
    }

    /// A packet of that stream came; who is heard instead of it, if it waits. The first stream is heard until it falls silent, as by
    /// [`crate::media::Receiver`].
    pub fn hears(&mut self, id: &StreamId, payload_type: u8, is_closed: bool, at: Instant) -> Option<SocketAddr> {
        if self.refusal(id.sender.ip(), payload_type, is_closed).is_some() {
            return None;
        }
        let is_other = |(heard, last): &(StreamId, Instant)| {
            (heard.sender, heard.ssrc) != (id.sender, id.ssrc) && at.saturating_duration_since(*last) < TAKEOVER_SILENCE
        };
        if !self.heard.as_ref().is_some_and(is_other) {
            self.heard = Some((*id, at));
        }
        self.heard
            .as_ref()
            .filter(|(heard, _)| heard != id)
            .map(|(heard, _)| heard.sender)
    }

    /// `waits_for`: whom it waited for at its last packet ([`Known::hears`]).
    pub fn makes_of(
        &self,
        sender: IpAddr,
        payload_type: u8,
        is_closed: bool,
        waits_for: Option<SocketAddr>,
    ) -> Gateway {
        let verdict = self
            .refusal(sender, payload_type, is_closed)
            .unwrap_or_else(|| waits_for.map_or(Verdict::Pages, Verdict::Waits));
        Gateway {
            verdict,
            group: self.name.clone(),
            zones: self.zones.clone(),
            priority: Some(self.priority),
            has_hours: self.has_hours,
        }
    }
}

impl Gateway {
    pub(super) fn unknown() -> Gateway {
        Gateway {
            verdict: Verdict::NotInConfig,
            group: String::new(),
            zones: Vec::new(),
            priority: None,
            has_hours: false,
        }
    }

    /// A word for programs.
    pub fn code(&self) -> &'static str {
        match self.verdict {
            Verdict::NotInConfig => "not-in-config",
            Verdict::Pages => "pages",
            Verdict::Network => "network-refused",
            Verdict::PayloadType(_) => "payload-type-not-taken",
            Verdict::NotProtected => "not-authentic",
            Verdict::Waits(_) => "another-speaks",
        }
    }
}

/// "PCMU 8 kHz", "L16/44100/2", "G729", "PT 97".
pub(super) fn codec_name(format: Option<Format>, payload_type: u8) -> String {
    match format {
        Some(Format::Audio(codec)) => match codec {
            crate::media::Codec::L16(_) => codec.name().to_owned(),
            _ => format!("{} {} kHz", codec.encoding(), codec.sample_rate() / 1000),
        },
        _ => static_name(payload_type).map_or_else(|| format!("PT {payload_type}"), str::to_owned),
    }
}
