//! Multicast groups: joined for as long as the daemon runs, a page for every stream heard.

use std::cell::Cell;
use std::net::SocketAddr;
use std::rc::Rc;
use std::time::{Duration, Instant};

use tokio::sync::mpsc::Sender;

use super::control::Control;
use super::pace::{Allowance, Rate};
use super::ports::{self, Arrival, Port, Reader};
use crate::config::plan::{self, may_send};
use crate::device::net::World;
use crate::media::srtp::{Opener, Refused, Scope, SrtpFigures};
use crate::media::{Format, Packet, PayloadMap, Receiver};
use crate::page::PageId;
use crate::report::message::{GateMessage, Message};
use crate::sip::network::Network;

/// Between attempts to join a group whose interface is not there (yet), and between looks whether it still is.
const REJOIN: Duration = Duration::from_secs(5);

/// Datagrams of the stream that is heard, at once and a second: several times what the shortest packets of speech need.
const SPEECH: Rate = (500.0, 1000.0);
/// Of all other senders to a group together: several streams of the shortest packets. What floods it beyond costs no
/// more than its reading.
const PACKETS: Rate = (2000.0, 4000.0);
/// Of those outside the group's networks: enough to name them in the journal.
const UNLISTED: Rate = (10.0, 10.0);

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
    speaker: Speaker,
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

/// The sender and SSRC of the stream that is heard; shared with the group's reader.
#[derive(Debug, Clone, Default)]
struct Speaker(Rc<Cell<Option<(SocketAddr, u32)>>>);

/// For a group's reader: of which datagrams anything is kept. The stream that is heard and those who may not send have
/// allowances apart from all others', so that no flood takes the speaker's.
struct Turnstile {
    networks: Option<Vec<Network>>,
    speaker: Speaker,
    speech: Allowance,
    others: Allowance,
    unlisted: Allowance,
}

impl Turnstile {
    fn new(networks: Option<Vec<Network>>, speaker: Speaker, now: Instant) -> Self {
        Turnstile {
            networks,
            speaker,
            speech: Allowance::new(SPEECH, now),
            others: Allowance::new(PACKETS, now),
            unlisted: Allowance::new(UNLISTED, now),
        }
    }

    fn admits(&mut self, peer: SocketAddr, octets: &[u8], at: Instant) -> bool {
        if !may_send(self.networks.as_ref(), peer.ip()) {
            return self.unlisted.take(UNLISTED, 1.0, at);
        }
        // RFC 3550 §5.1; of SRTP too the header is in the clear (RFC 3711 §3.1).
        let is_speech =
            self.speaker.0.get().is_some_and(|(speaker, ssrc)| {
                speaker == peer && octets.get(8..12) == Some(ssrc.to_be_bytes().as_slice())
            });
        if is_speech {
            self.speech.take(SPEECH, 1.0, at)
        } else {
            self.others.take(PACKETS, 1.0, at)
        }
    }
}

impl Group {
    pub fn new(settings: &plan::Group, now: Instant) -> Self {
        Group {
            map: settings.payload_map(),
            receiver: Receiver::new(settings.payload_map()),
            opener: settings.srtp.as_ref().map(|key| Opener::new(key, Scope::Group)),
            opened_before: SrtpFigures::default(),
            told_closed: None,
            stream: Stream::Silent,
            peer: None,
            speaker: Speaker::default(),
            reader: None,
            interface: None,
            join_at: now,
            told: false,
        }
    }

    /// Joins when it is due; again when the interface has been taken away (an adapter unplugged, a VLAN made anew).
    pub fn join(
        &mut self,
        index: usize,
        settings: &plan::Group,
        queue: &Sender<Arrival>,
        world: &World,
        now: Instant,
    ) -> Join {
        if self.join_at > now {
            return Join::Nothing;
        }
        self.join_at = now + REJOIN;
        let interface = settings
            .interface
            .as_deref()
            .and_then(|name| world.interface_index(name));
        if self.reader.is_some() && interface == self.interface {
            return Join::Nothing;
        }
        self.reader = None;
        match world.multicast_socket(settings.address, settings.interface.as_deref()) {
            Ok(socket) => {
                let mut turnstile = Turnstile::new(settings.networks.clone(), self.speaker.clone(), now);
                self.reader = Some(ports::read_rtp(
                    Rc::new(socket),
                    Port::Group(index),
                    queue.clone(),
                    move |peer, octets, at| turnstile.admits(peer, octets, at),
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

    pub fn is_joined(&self) -> bool {
        self.reader.is_some()
    }

    /// When the group wants to be looked at: to join, or because its stream may have ended.
    pub fn due(&self, settings: &plan::Group) -> Option<Instant> {
        let idle = match self.stream {
            Stream::Silent => None,
            Stream::Page(_) | Stream::Spent => self.receiver.last_packet().map(|last| last + settings.idle),
        };
        idle.into_iter().chain([self.join_at]).min()
    }

    /// A packet of this sender was valid.
    pub fn heard(&mut self, peer: SocketAddr) {
        self.peer = Some(peer);
        self.speaker.0.set(self.receiver.ssrc().map(|ssrc| (peer, ssrc)));
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
        self.speaker.0.set(None);
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
        let why = if !may_send(settings.networks.as_ref(), peer.ip()) {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::media::PlayoutSettings;
    use crate::page::{Limits, Priority, Terms};
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
            hours: crate::calendar::Hours::default(),
            paging: plan::Paging {
                zones: Vec::new(),
                priority: Priority(50),
                chime: plan::Chime::None,
                limits: Limits::default(),
                under: crate::sound::level::Db(0.0),
                terms: Terms::default(),
                playout: PlayoutSettings::default(),
                levelled: false,
                busy_tone: None,
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
                assert!(matches!(
                    group.join(0, &there, &queue, &World::System, now),
                    Join::Joined
                ));
                now += REJOIN;
                assert!(matches!(
                    group.join(0, &there, &queue, &World::System, now),
                    Join::Nothing
                ));
                assert!(group.reader.is_some());

                let gone = settings("no-such-0");
                assert!(
                    matches!(group.join(0, &gone, &queue, &World::System, now), Join::Nothing),
                    "too soon"
                );
                now += REJOIN;
                assert!(matches!(
                    group.join(0, &gone, &queue, &World::System, now),
                    Join::Failed(_)
                ));
                assert!(group.reader.is_none());
                now += REJOIN;
                assert!(
                    matches!(group.join(0, &gone, &queue, &World::System, now), Join::Nothing),
                    "told once"
                );
                now += REJOIN;
                assert!(matches!(
                    group.join(0, &there, &queue, &World::System, now),
                    Join::Joined
                ));

                group.interface = group.interface.map(|index| index + 1);
                now += REJOIN;
                assert!(
                    matches!(group.join(0, &there, &queue, &World::System, now), Join::Joined),
                    "renumbered"
                );
            })
            .await;
    }

    /// One second of speech at 50 a second under 50,000 a second from who may send, from who may not, and from the
    /// speaker's own address.
    #[test]
    fn a_flood_takes_nothing_of_the_speakers_share() {
        let now = Instant::now();
        let at = |text: &str| text.parse::<SocketAddr>().unwrap();
        let (speaker, insider, outsider) = (at("192.0.2.1:5004"), at("192.0.2.2:5004"), at("198.51.100.9:5004"));
        let packet = |ssrc: u32| {
            [
                [0x80, 0, 0, 1, 0, 0, 0, 0].as_slice(),
                &ssrc.to_be_bytes(),
                &[0xFF; 160],
            ]
            .concat()
        };
        let known = Speaker::default();
        let networks = Some(vec!["192.0.2.0/24".parse().unwrap()]);
        let mut turnstile = Turnstile::new(networks, known.clone(), now);
        assert!(turnstile.admits(speaker, &packet(7), now));
        known.0.set(Some((speaker, 7)));
        let (mut speech, mut inside, mut outside) = (0, 0, 0);
        for i in 0..50_000u32 {
            let at = now + Duration::from_micros(20) * i;
            outside += u32::from(turnstile.admits(outsider, &packet(7), at));
            inside += u32::from(turnstile.admits(insider, &packet(7), at));
            inside += u32::from(turnstile.admits(speaker, &packet(8), at));
            inside += u32::from(turnstile.admits(speaker, b"", at));
            if i % 1000 == 0 {
                speech += u32::from(turnstile.admits(speaker, &packet(7), at));
            }
        }
        assert_eq!(speech, 50);
        assert!(inside <= 6000, "{inside}");
        assert!((10..=20).contains(&outside), "{outside}");
    }
}
