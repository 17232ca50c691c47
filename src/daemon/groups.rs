//! Multicast groups: joined for as long as the daemon runs, a page for every stream heard.

use std::net::SocketAddr;
use std::rc::Rc;
use std::time::{Duration, Instant};

use tokio::sync::mpsc::Sender;

use super::control::Control;
use super::pace::{Allowance, Rate};
use super::ports::{self, Arrival, Port, Reader};
use crate::config::plan;
use crate::device::net;
use crate::media::srtp::{Opener, Refused, Scope, SrtpFigures};
use crate::media::{Format, Packet, PayloadMap, Receiver};
use crate::page::PageId;
use crate::report::message::{GateMessage, Message};
use crate::sip::network::Network;

/// Between attempts to join a group whose interface is not there (yet), and between looks whether it still is.
const REJOIN: Duration = Duration::from_secs(5);

/// Datagrams that a group may send at once, and a second: several streams of the shortest packets. What floods it
/// beyond costs no more than its reading.
const PACKETS: Rate = (2000.0, 4000.0);

/// Packets that could not be opened are told again after this long.
const TELL_CLOSED: Duration = Duration::from_secs(600);

/// One group's reception.
pub struct Group {
    /// What may arrive.
    pub map: PayloadMap,
    pub receiver: Receiver,
    /// Opens what comes under the group's key; it outlives the streams, so that none is heard again.
    opener: Option<Opener>,
    /// Its figures when the stream began.
    opened_before: SrtpFigures,
    /// When packets that could not be opened were told.
    told_closed: Option<Instant>,
    pub stream: Stream,
    /// Who sent last.
    pub peer: Option<SocketAddr>,
    reader: Option<Reader>,
    /// The number of the named interface that the membership is bound to.
    interface: Option<u32>,
    /// The next attempt to join, or look at the interface.
    join_at: Instant,
    /// A failure to join was told.
    told: bool,
}

/// What the group's stream is to us.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stream {
    /// Nobody sends.
    Silent,
    /// It is this page.
    Page(PageId),
    /// Its page has ended while the sender goes on: not heard again before it has fallen silent.
    Spent,
}

/// What became of an attempt to join.
pub enum Join {
    Nothing,
    Joined,
    /// Worth telling: it is the first failure since it last worked.
    Failed(String),
}

impl Group {
    pub fn new(settings: &plan::Group, now: Instant) -> Self {
        Group {
            map: payload_map(settings),
            receiver: Receiver::new(payload_map(settings)),
            opener: settings.srtp.as_ref().map(|key| Opener::new(key, Scope::Group)),
            opened_before: SrtpFigures::default(),
            told_closed: None,
            stream: Stream::Silent,
            peer: None,
            reader: None,
            interface: None,
            join_at: now,
            told: false,
        }
    }

    /// Joins when it is due; again when the interface has been taken away (an adapter unplugged, a VLAN made anew).
    pub fn join(&mut self, index: usize, settings: &plan::Group, queue: &Sender<Arrival>, now: Instant) -> Join {
        if self.join_at > now {
            return Join::Nothing;
        }
        self.join_at = now + REJOIN;
        let interface = settings.interface.as_deref().and_then(net::interface_index);
        if self.reader.is_some() && interface == self.interface {
            return Join::Nothing;
        }
        self.reader = None;
        match net::multicast_socket(settings.address, settings.interface.as_deref()) {
            Ok(socket) => {
                let mut allowance = Allowance::new(PACKETS, now);
                self.reader = Some(ports::read_rtp(
                    Rc::new(socket),
                    Port::Group(index),
                    queue.clone(),
                    move |_, _, at| allowance.take(PACKETS, 1.0, at),
                ));
                self.interface = interface;
                self.told = false;
                Join::Joined
            }
            Err(cause) => {
                if std::mem::replace(&mut self.told, true) {
                    Join::Nothing
                } else {
                    Join::Failed(cause.to_string())
                }
            }
        }
    }

    /// When the group wants to be looked at: to join, or because its stream may have ended.
    pub fn due(&self, settings: &plan::Group) -> Option<Instant> {
        let idle = match self.stream {
            Stream::Silent => None,
            Stream::Page(_) | Stream::Spent => self.receiver.last_packet().map(|last| last + settings.idle),
        };
        idle.into_iter().chain([self.join_at]).min()
    }

    /// Encoding name of what a packet holds.
    pub fn codec_name(&self, packet: &Packet) -> &'static str {
        match self.map.format(packet.payload_type) {
            Some(Format::Audio(codec)) => codec.name(),
            _ => "no audio",
        }
    }

    /// The stream has been silent for the group's idle time: the next one starts afresh.
    pub fn reset(&mut self) {
        self.receiver = Receiver::new(self.map);
        self.stream = Stream::Silent;
        self.opened_before = self.opener.as_ref().map(Opener::figures).unwrap_or_default();
    }

    /// A datagram's octets in the clear.
    ///
    /// # Errors
    /// When the group has a key and the packet is not authentic under it.
    pub fn open<'a>(&mut self, octets: &'a mut [u8], at: Instant) -> Result<&'a [u8], Refused> {
        match &mut self.opener {
            Some(opener) => {
                let len = opener.open(octets, at)?;
                octets.get(..len).ok_or(Refused::Malformed)
            }
            None => Ok(octets),
        }
    }

    /// What has come under the key since the last stream ended.
    pub fn opened(&self) -> SrtpFigures {
        let (now, before) = (
            self.opener.as_ref().map(Opener::figures).unwrap_or_default(),
            self.opened_before,
        );
        SrtpFigures {
            opened: now.opened - before.opened,
            malformed: now.malformed - before.malformed,
            not_authentic: now.not_authentic - before.not_authentic,
            replayed: now.replayed - before.replayed,
        }
    }

    /// Whether packets that could not be opened are worth telling now.
    pub fn may_tell(&mut self, at: Instant) -> bool {
        let due = self
            .told_closed
            .is_none_or(|told| at.saturating_duration_since(told) >= TELL_CLOSED);
        if due {
            self.told_closed = Some(at);
        }
        due
    }
}

impl Control {
    /// The group's gates: whose streams are heard, and when one may begin.
    pub(super) fn hears_sender(&mut self, index: usize, peer: SocketAddr, now: Instant) -> bool {
        let settings = &self.plan.groups[index];
        let listed = |list: &Vec<Network>| list.iter().any(|n| n.contains(peer.ip()));
        let why = if !settings.networks.as_ref().is_none_or(listed) {
            "not from this network"
        } else if self.groups[index].stream == Stream::Silent && !settings.hours.0.is_empty() {
            let local = self.local_time();
            if local.is_none_or(|at| self.plan.groups[index].hours.is_open(at)) {
                return true;
            }
            "outside its hours"
        } else {
            return true;
        };
        if let Some(untold) = self.senders.hear(&(why, index), &peer.ip(), now) {
            self.tell(Message::Gate(GateMessage::SenderRefused {
                group: self.plan.groups[index].name.clone(),
                peer,
                why: why.to_owned(),
                untold,
            }));
        }
        false
    }
}

/// What may arrive on a group: the configured codec, or the static payload types.
fn payload_map(settings: &plan::Group) -> PayloadMap {
    match (settings.codec, settings.payload_type) {
        (Some(codec), Some(payload_type)) => PayloadMap::new()
            .with(payload_type, Format::Audio(codec))
            .with(13, Format::ComfortNoise),
        _ => PayloadMap::static_types(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::page::{Limits, Loss, Priority};
    use crate::sound::level::Db;

    fn settings(interface: &str) -> plan::Group {
        plan::Group {
            srtp: None,
            name: "dispatch".to_owned(),
            address: "239.255.10.9:5004".parse().unwrap(),
            interface: Some(interface.to_owned()),
            codec: None,
            payload_type: None,
            idle: Duration::from_secs(1),
            networks: None,
            hours: crate::gate::Hours::default(),
            loss: Loss::Wait,
            paging: plan::Paging {
                zones: Vec::new(),
                priority: Priority(50),
                chime: plan::Chime::None,
                limits: Limits::default(),
                gain: Db(0.0),
            },
        }
    }

    /// The loopback interface stands for an adapter; another number for the same name is what the system gives to one
    /// that was unplugged and came back.
    #[tokio::test]
    async fn a_membership_follows_its_interface() {
        tokio::task::LocalSet::new()
            .run_until(async {
                let (queue, _arrivals) = tokio::sync::mpsc::channel(1);
                let mut now = Instant::now();
                let there = settings("lo");
                let mut group = Group::new(&there, now);
                assert!(matches!(group.join(0, &there, &queue, now), Join::Joined));
                now += REJOIN;
                assert!(matches!(group.join(0, &there, &queue, now), Join::Nothing));
                assert!(group.reader.is_some());

                let gone = settings("no-such-0");
                assert!(matches!(group.join(0, &gone, &queue, now), Join::Nothing), "too soon");
                now += REJOIN;
                assert!(matches!(group.join(0, &gone, &queue, now), Join::Failed(_)));
                assert!(group.reader.is_none());
                now += REJOIN;
                assert!(matches!(group.join(0, &gone, &queue, now), Join::Nothing), "told once");
                now += REJOIN;
                assert!(matches!(group.join(0, &there, &queue, now), Join::Joined));

                group.interface = group.interface.map(|index| index + 1);
                now += REJOIN;
                assert!(matches!(group.join(0, &there, &queue, now), Join::Joined), "renumbered");
            })
            .await;
    }
}
