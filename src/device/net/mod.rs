//! Sockets: SIP, RTP and multicast groups, opened with the marks and options that paging wants.
//!
//! Every address family stands for itself: an IPv6 socket takes no IPv4 traffic, so `0.0.0.0:5060` and `[::]:5060`
//! can both be listened on and no mapped address turns up in a gate.

use std::collections::BTreeSet;
use std::fmt;
use std::io;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::ops::RangeInclusive;
use std::time::Duration;

use socket2::{Domain, InterfaceIndexOrAddress, Protocol, SockAddr, Socket, TcpKeepalive, Type};
use tokio::net::{TcpListener, TcpSocket, TcpStream};

mod datagram;
mod fence;
mod interface;
mod simulated;
mod sniffer;
#[cfg(test)]
mod tests;
mod world;

pub use datagram::{Datagram, DatagramSocket, MAX_STAMP_AGE};
pub use simulated::{Post, SimulatedNetwork};
pub use sniffer::{Membership, Sniffer};
pub use world::World;

/// DSCP EF, 46, for speech (RFC 4594 figure 3).
pub const DSCP_SPEECH: u32 = 46;
/// DSCP CS5, 40, for signalling (RFC 4594 figure 3).
pub const DSCP_SIGNALLING: u32 = 40;

/// Wanted receive buffer, bytes. The kernel silently cuts it to `net.core.rmem_max`.
/// It holds more than 2 s of 50 packets a second at the kernel's own cost of about 800 bytes a packet.
const RECEIVE_BUFFER: usize = 256 * 1024;
/// TCP connections that wait to be accepted.
const BACKLOG: i32 = 64;
/// A dead TCP peer is noticed after this plus [`KEEPALIVE_PROBES`] intervals, about 90 s.
const KEEPALIVE_IDLE: Duration = Duration::from_secs(60);
const KEEPALIVE_INTERVAL: Duration = Duration::from_secs(10);
const KEEPALIVE_PROBES: u32 = 3;

/// Why a socket could not be had. It travels inside an [`io::Error`] of the cause's kind.
#[derive(Debug, thiserror::Error)]
pub enum NetError {
    #[error("{purpose} on {address}: {cause}{}", hint(.cause))]
    Open {
        purpose: &'static str,
        address: SocketAddr,
        cause: io::Error,
    },
    #[error("cannot join {group} on {interface}: {cause}{}", join_hint(.cause))]
    Join {
        group: IpAddr,
        interface: String,
        cause: io::Error,
    },
    #[error("no network interface {wanted:?}; there are: {present}")]
    NoInterface { wanted: String, present: String },
    #[error("cannot look at what passes {interface}: {cause}{}", sniff_hint(.cause))]
    Sniff { interface: String, cause: io::Error },
    #[error("{0} is not a multicast address")]
    NotMulticast(IpAddr),
    #[error("no free even UDP port from {first} to {last} on {local}")]
    NoPort { local: IpAddr, first: u16, last: u16 },
}

fn hint(cause: &io::Error) -> &'static str {
    match cause.kind() {
        io::ErrorKind::AddrInUse => " (another program holds the port: `ss -lntup` shows which)",
        io::ErrorKind::AddrNotAvailable => " (this machine has no such address)",
        io::ErrorKind::PermissionDenied => " (ports below 1024 are for root: take a higher one)",
        _ => "",
    }
}

fn join_hint(cause: &io::Error) -> &'static str {
    match cause.raw_os_error() {
        Some(libc::ENODEV) => " (no route to the group: name an interface)",
        Some(libc::ENOBUFS) => " (the kernel's limit of groups is reached: net.ipv4.igmp_max_memberships)",
        _ => "",
    }
}

fn sniff_hint(cause: &io::Error) -> &'static str {
    match cause.kind() {
        io::ErrorKind::PermissionDenied => " (only root may, or who has CAP_NET_RAW: put sudo before it)",
        _ => "",
    }
}

impl From<NetError> for io::Error {
    fn from(error: NetError) -> Self {
        let kind = match &error {
            NetError::Open { cause, .. } | NetError::Join { cause, .. } | NetError::Sniff { cause, .. } => cause.kind(),
            NetError::NoInterface { .. } => io::ErrorKind::NotFound,
            NetError::NotMulticast(_) => io::ErrorKind::InvalidInput,
            NetError::NoPort { .. } => io::ErrorKind::AddrInUse,
        };
        io::Error::new(kind, error)
    }
}

/// Receives what is sent to `group` (address and port) and nothing else, on `interface` (a name or one of its
/// addresses; the system's choice by route if `None`). Groups that share a port stay apart, because the socket is
/// bound to the group's own address and hears only its own memberships.
///
/// # Errors
/// A [`NetError`]: not a multicast address, no such interface (those present are named), the port held by a socket
/// that does not share, no route.
pub fn multicast_socket(group: SocketAddr, interface: Option<&str>) -> io::Result<DatagramSocket> {
    if !group.ip().is_multicast() {
        return Err(NetError::NotMulticast(group.ip()).into());
    }
    let found = interface.map(interface::find).transpose()?;
    let open = |cause| NetError::Open {
        purpose: "multicast",
        address: group,
        cause,
    };
    let socket = udp(group).map_err(open)?;
    socket.set_reuse_address(true).map_err(open)?;
    let bound = match group {
        SocketAddr::V4(_) => {
            socket.set_multicast_all_v4(false).map_err(open)?;
            group
        }
        SocketAddr::V6(mut address) => {
            socket.set_multicast_all_v6(false).map_err(open)?;
            if let Some(found) = &found {
                address.set_scope_id(found.index);
                // An IPv6 membership filters by group alone (unlike IPv4's): other interfaces are kept out here.
                // Needs no privilege from Linux 5.7.
                socket.bind_device(Some(found.name.as_bytes())).map_err(open)?;
            }
            SocketAddr::V6(address)
        }
    };
    socket.bind(&bound.into()).map_err(open)?;
    let index = found.as_ref().map_or(0, |i| i.index);
    match group.ip() {
        IpAddr::V4(ip) => socket.join_multicast_v4_n(&ip, &InterfaceIndexOrAddress::Index(index)),
        IpAddr::V6(ip) => socket.join_multicast_v6(&ip, index),
    }
    .map_err(|cause| NetError::Join {
        group: group.ip(),
        interface: interface.unwrap_or("the default interface").to_owned(),
        cause,
    })?;
    DatagramSocket::new(socket).map_err(|cause| open(cause).into())
}

/// The system's number of an interface, given as for [`multicast_socket`]; `None` when there is no such one now. An
/// interface that was taken away and came back has another number, and the memberships of the old one are gone.
pub fn interface_index(wanted: &str) -> Option<u32> {
    interface::find(wanted).ok().map(|found| found.index)
}

/// The addresses that this machine has now.
pub fn own_addresses() -> BTreeSet<IpAddr> {
    interface::addresses().into_iter().collect()
}

/// A UDP socket for RTP on an even port (RFC 3550 §11) of `ports`, marked [`DSCP_SPEECH`]. The search begins at
/// `start` (at the first port if that is outside `ports`) and wraps, so a caller that goes on from the last port
/// handed out does not reuse one at once. Returns the port too.
///
/// # Errors
/// A [`NetError`]: no such local address, or every even port taken.
pub fn rtp_socket(local: IpAddr, ports: RangeInclusive<u16>, start: u16) -> io::Result<(DatagramSocket, u16)> {
    let (first, last) = (*ports.start(), *ports.end());
    let start = if ports.contains(&start) { start } else { first };
    let address = SocketAddr::new(local, start);
    let open = |cause| NetError::Open {
        purpose: "RTP",
        address,
        cause,
    };
    let socket = udp(address).map_err(open)?;
    mark(&socket, local, DSCP_SPEECH);
    for port in (start..=last).chain(first..start).filter(|p| p % 2 == 0 && *p != 0) {
        match socket.bind(&SocketAddr::new(local, port).into()) {
            Ok(()) => return Ok((DatagramSocket::new(socket).map_err(open)?, port)),
            Err(taken) if taken.kind() == io::ErrorKind::AddrInUse => {}
            Err(cause) => return Err(open(cause).into()),
        }
    }
    Err(NetError::NoPort { local, first, last }.into())
}

/// A UDP socket for SIP, marked [`DSCP_SIGNALLING`]. [`Datagram::local_ip`] says which of our addresses was called.
///
/// # Errors
/// A [`NetError::Open`].
pub fn sip_udp(address: SocketAddr) -> io::Result<DatagramSocket> {
    let open = |cause| NetError::Open {
        purpose: "SIP over UDP",
        address,
        cause,
    };
    let socket = udp(address).map_err(open)?;
    mark(&socket, address.ip(), DSCP_SIGNALLING);
    match address {
        SocketAddr::V4(_) => datagram::report_destination_v4(&socket),
        SocketAddr::V6(_) => datagram::report_destination_v6(&socket),
    }
    .map_err(open)?;
    may_come_later(&socket, address).map_err(open)?;
    socket.bind(&address.into()).map_err(open)?;
    DatagramSocket::new(socket).map_err(|cause| open(cause).into())
}

/// The address need not be there yet: a network may come later than the program, or go and come back.
pub fn may_come_later(socket: &Socket, address: SocketAddr) -> io::Result<()> {
    match address.is_ipv4() {
        true => socket.set_freebind_v4(true),
        false => socket.set_freebind_v6(true),
    }
}

/// A listener for SIP over TCP. Connections inherit its mark, [`DSCP_SIGNALLING`]; see [`settle`] for the rest.
///
/// # Errors
/// A [`NetError::Open`].
pub fn tcp_listener(address: SocketAddr) -> io::Result<TcpListener> {
    let open = |cause| NetError::Open {
        purpose: "SIP over TCP",
        address,
        cause,
    };
    let socket = Socket::new(
        Domain::for_address(address),
        Type::STREAM.nonblocking(),
        Some(Protocol::TCP),
    )
    .map_err(open)?;
    if address.is_ipv6() {
        socket.set_only_v6(true).map_err(open)?;
    }
    socket.set_reuse_address(true).map_err(open)?;
    mark(&socket, address.ip(), DSCP_SIGNALLING);
    may_come_later(&socket, address).map_err(open)?;
    socket.bind(&address.into()).map_err(open)?;
    socket.listen(BACKLOG).map_err(open)?;
    TcpListener::from_std(socket.into()).map_err(|cause| open(cause).into())
}

/// Connects for SIP over TCP, marked [`DSCP_SIGNALLING`] from the first packet on, from the port of a [`Reserved`] if
/// given. The caller limits the time.
///
/// # Errors
/// The connection's.
pub async fn tcp_connect(peer: SocketAddr, from: Option<u16>) -> io::Result<TcpStream> {
    let socket = Socket::new(
        Domain::for_address(peer),
        Type::STREAM.nonblocking(),
        Some(Protocol::TCP),
    )?;
    mark(&socket, peer.ip(), DSCP_SIGNALLING);
    if let Some(port) = from {
        socket.set_reuse_address(true)?;
        socket.bind(&SocketAddr::new(unspecified(peer.is_ipv4()), port).into())?;
    }
    let stream = TcpSocket::from_std_stream(socket.into()).connect(peer).await?;
    settle(&stream);
    Ok(stream)
}

/// A TCP port that is ours to connect from, to any number of places, for as long as this lives: where a far end that
/// knows us by address and port finds the connection that is there. Nobody can connect to it.
#[derive(Debug)]
pub struct Reserved {
    port: u16,
    _socket: Socket,
}

impl Reserved {
    /// # Errors
    /// The system's.
    pub fn new(ipv4: bool) -> io::Result<Reserved> {
        let address = SocketAddr::new(unspecified(ipv4), 0);
        let socket = Socket::new(Domain::for_address(address), Type::STREAM, Some(Protocol::TCP))?;
        if !ipv4 {
            socket.set_only_v6(true)?;
        }
        socket.set_reuse_address(true)?;
        socket.bind(&address.into())?;
        let port = socket_address(&socket.local_addr()?)?.port();
        Ok(Reserved { port, _socket: socket })
    }

    pub fn port(&self) -> u16 {
        self.port
    }
}

fn unspecified(ipv4: bool) -> IpAddr {
    if ipv4 {
        Ipv4Addr::UNSPECIFIED.into()
    } else {
        Ipv6Addr::UNSPECIFIED.into()
    }
}

/// Sends each SIP message at once and notices a peer that died without a word. For connections accepted and made.
pub fn settle(stream: &TcpStream) {
    // Both are improvements; a connection without them still works.
    let _ = stream.set_nodelay(true);
    let keepalive = TcpKeepalive::new()
        .with_time(KEEPALIVE_IDLE)
        .with_interval(KEEPALIVE_INTERVAL)
        .with_retries(KEEPALIVE_PROBES);
    let _ = socket2::SockRef::from(stream).set_tcp_keepalive(&keepalive);
}

/// Which of our addresses the kernel would use towards `peer`. Sends nothing.
///
/// # Errors
/// No route.
pub fn local_address_for(peer: SocketAddr) -> io::Result<IpAddr> {
    let socket = std::net::UdpSocket::bind(SocketAddr::new(unspecified(peer.is_ipv4()), 0))?;
    // Port 0 cannot be connected to on every kernel; the port does not matter for the route.
    let mut peer = peer;
    if peer.port() == 0 {
        peer.set_port(9);
    }
    socket.connect(peer)?;
    Ok(socket.local_addr()?.ip())
}

fn udp(address: SocketAddr) -> io::Result<Socket> {
    let socket = Socket::new(
        Domain::for_address(address),
        Type::DGRAM.nonblocking(),
        Some(Protocol::UDP),
    )?;
    if address.is_ipv6() {
        socket.set_only_v6(true)?;
    }
    socket.set_recv_buffer_size(RECEIVE_BUFFER)?;
    datagram::stamp_arrivals(&socket)?;
    Ok(socket)
}

/// Sets the DSCP (the upper six bits of the old TOS octet). A network without classes carries speech as well, so a
/// refusal is no error.
fn mark(socket: &Socket, local: IpAddr, dscp: u32) {
    let _ = match local {
        IpAddr::V4(_) => socket.set_tos_v4(dscp << 2),
        IpAddr::V6(_) => socket.set_tclass_v6(dscp << 2),
    };
}

impl fmt::Debug for DatagramSocket {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("DatagramSocket").field(&self.local_addr().ok()).finish()
    }
}

fn socket_address(address: &SockAddr) -> io::Result<SocketAddr> {
    address
        .as_socket()
        .ok_or_else(|| io::Error::new(io::ErrorKind::InvalidData, "peer address of an unknown family"))
}
