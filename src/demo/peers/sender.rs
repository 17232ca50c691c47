//! A multicast sender: PCMU to a group, on one interface.

use std::net::{Ipv4Addr, SocketAddr, SocketAddrV4};

use socket2::{Domain, Protocol, Socket, Type};
use tokio::net::UdpSocket;
use tokio::time::MissedTickBehavior;

use super::rtp::{PTIME, Stream};
use super::{Log, PeerError};
use crate::media::Codec;

#[derive(Debug, Clone)]
pub struct SenderSettings {
    /// As it stands in the log.
    pub name: String,
    pub group: SocketAddrV4,
    /// Address of the interface to send on.
    pub interface: Ipv4Addr,
    /// Mono at 8 kHz.
    pub speech: Vec<i16>,
}

/// Sends one announcement and falls silent.
pub struct MulticastSender {
    settings: SenderSettings,
    socket: UdpSocket,
    log: Log,
}

impl MulticastSender {
    /// Must be called inside a tokio runtime.
    ///
    /// # Errors
    /// When there is no such interface, or it does not take multicast.
    pub fn new(settings: SenderSettings, log: Log) -> Result<Self, PeerError> {
        let socket = open(settings.interface).map_err(|cause| PeerError {
            who: "multicast sender",
            what: "cannot send from",
            address: SocketAddr::new(settings.interface.into(), 0),
            cause,
        })?;
        Ok(MulticastSender { settings, socket, log })
    }

    /// Plays the speech in real time; gives the number of packets sent.
    ///
    /// # Errors
    /// When the socket refuses.
    pub async fn run(self) -> Result<u64, PeerError> {
        let SenderSettings {
            name, group, speech, ..
        } = self.settings;
        self.log.note(&name, format!("speaks to {group}"));
        let mut stream = Stream::new(Codec::Pcmu, speech);
        let mut clock = tokio::time::interval(PTIME);
        clock.set_missed_tick_behavior(MissedTickBehavior::Burst);
        while !stream.is_done() {
            clock.tick().await;
            let packet = stream.packet(true);
            self.socket.send_to(&packet, group).await.map_err(|cause| PeerError {
                who: "multicast sender",
                what: "cannot send to",
                address: group.into(),
                cause,
            })?;
        }
        self.log
            .note(&name, format!("is silent again after {} packets", stream.sent));
        Ok(stream.sent)
    }
}

fn open(interface: Ipv4Addr) -> std::io::Result<UdpSocket> {
    let socket = Socket::new(Domain::IPV4, Type::DGRAM, Some(Protocol::UDP))?;
    socket.set_multicast_if_v4(&interface)?;
    // Never beyond this network.
    socket.set_multicast_ttl_v4(1)?;
    socket.set_multicast_loop_v4(true)?;
    socket.set_nonblocking(true)?;
    socket.bind(&SocketAddr::new(interface.into(), 0).into())?;
    UdpSocket::from_std(socket.into())
}
