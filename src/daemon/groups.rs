//! Multicast groups: joined for as long as the daemon runs, a page for every stream heard.

use std::net::SocketAddr;
use std::rc::Rc;
use std::time::{Duration, Instant};

use tokio::sync::mpsc::Sender;

use super::ports::{self, Arrival, Port, Reader};
use crate::config::plan;
use crate::device::net;
use crate::media::{Format, Packet, PayloadMap, Receiver};
use crate::page::PageId;

/// Between attempts to join a group whose interface is not there (yet).
const REJOIN: Duration = Duration::from_secs(5);

/// One group's reception.
pub struct Group {
    /// What may arrive.
    pub map: PayloadMap,
    pub receiver: Receiver,
    pub stream: Stream,
    /// Who sent last.
    pub peer: Option<SocketAddr>,
    reader: Option<Reader>,
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
            stream: Stream::Silent,
            peer: None,
            reader: None,
            join_at: now,
            told: false,
        }
    }

    /// Joins when it is due.
    pub fn join(&mut self, index: usize, settings: &plan::Group, queue: &Sender<Arrival>, now: Instant) -> Join {
        if self.reader.is_some() || self.join_at > now {
            return Join::Nothing;
        }
        match net::multicast_socket(settings.address, settings.interface.as_deref()) {
            Ok(socket) => {
                self.reader = Some(ports::read_rtp(Rc::new(socket), Port::Group(index), queue.clone()));
                self.told = false;
                Join::Joined
            }
            Err(cause) => {
                self.join_at = now + REJOIN;
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
        if self.reader.is_none() {
            return Some(self.join_at);
        }
        match self.stream {
            Stream::Silent => None,
            Stream::Page(_) | Stream::Spent => self.receiver.last_packet().map(|last| last + settings.idle),
        }
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
