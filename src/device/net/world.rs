//! What the driver lives in: the machine's own network, with cards that have clocks; or a simulated one, in which the time is whatever
//! the runtime says.

use std::collections::BTreeSet;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::ops::RangeInclusive;

use super::{DatagramSocket, NetError, SimulatedNetwork};

/// Clones are the same world.
#[derive(Clone)]
pub enum World {
    System,
    Simulated(SimulatedNetwork),
}

impl World {
    /// See [`super::sip_udp`].
    ///
    /// # Errors
    /// As there.
    pub fn sip_udp(&self, address: SocketAddr) -> io::Result<DatagramSocket> {
        match self {
            World::System => super::sip_udp(address),
            World::Simulated(network) => network.open(address),
        }
    }

    /// See [`super::rtp_socket`].
    ///
    /// # Errors
    /// As there.
    pub fn rtp_socket(
        &self,
        local: IpAddr,
        ports: RangeInclusive<u16>,
        start: u16,
    ) -> io::Result<(DatagramSocket, u16)> {
        match self {
            World::System => super::rtp_socket(local, ports, start),
            World::Simulated(network) => {
                let (first, last) = (*ports.start(), *ports.end());
                let mut free = (start..=last).chain(first..start).filter(|port| port % 2 == 0);
                let opened = free.find_map(|port| Some((network.open(SocketAddr::new(local, port)).ok()?, port)));
                opened.ok_or_else(|| NetError::NoPort { local, first, last }.into())
            }
        }
    }

    /// See [`super::multicast_socket`].
    ///
    /// # Errors
    /// As there.
    pub fn multicast_socket(&self, group: SocketAddr, interface: Option<&str>) -> io::Result<DatagramSocket> {
        match self {
            World::System => super::multicast_socket(group, interface),
            World::Simulated(network) => network.open(group),
        }
    }

    /// See [`super::interface_index`].
    pub fn interface_index(&self, wanted: &str) -> Option<u32> {
        match self {
            World::System => super::interface_index(wanted),
            World::Simulated(_) => Some(1),
        }
    }

    /// See [`super::own_addresses`].
    pub fn own_addresses(&self) -> BTreeSet<IpAddr> {
        match self {
            World::System => super::own_addresses(),
            World::Simulated(network) => network.own().iter().copied().collect(),
        }
    }

    /// See [`super::local_address_for`].
    pub fn local_address_for(&self, peer: SocketAddr) -> Option<IpAddr> {
        match self {
            World::System => super::local_address_for(peer).ok(),
            World::Simulated(network) => network.own_towards(peer.ip()),
        }
    }
}
