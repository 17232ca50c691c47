//! What passes an interface, whoever it is for (packet(7)), and memberships that only ask for it.

use std::io;
use std::mem;
use std::net::IpAddr;
use std::os::fd::AsRawFd;
use std::time::Instant;

use libc::{BPF_ABS, BPF_ALU, BPF_AND, BPF_B, BPF_JEQ, BPF_JMP, BPF_K, BPF_LD, BPF_RET, BPF_W};
use socket2::{Domain, InterfaceIndexOrAddress, Protocol, SockFilter, Socket, Type};

use super::{NetError, datagram, interface};

/// Wanted receive buffer, bytes: all groups of an interface come through one socket.
const RECEIVE_BUFFER: usize = 2 * 1024 * 1024;

/// A packet socket that hears UDP to multicast addresses, of IPv4 and IPv6, and IGMP, and nothing else. What this
/// machine sends to others is heard too.
#[derive(Debug)]
pub struct Sniffer {
    socket: Socket,
}

impl Sniffer {
    /// On `wanted`, a name or one of its addresses. The interface then takes in all multicast (`PACKET_MR_ALLMULTI`)
    /// until this is dropped.
    ///
    /// # Errors
    /// A [`NetError`]: no such interface; no `CAP_NET_RAW`.
    pub fn open(wanted: &str) -> io::Result<Sniffer> {
        let found = interface::find(wanted)?;
        let fail = |cause| NetError::Sniff {
            interface: found.name.clone(),
            cause,
        };
        // With protocol 0 nothing arrives before the filter is there and the socket is bound.
        let socket = Socket::new(Domain::from(libc::AF_PACKET), Type::DGRAM.nonblocking(), None).map_err(fail)?;
        socket.attach_filter(&program()).map_err(fail)?;
        // As much as the system lets us have is enough.
        let _ = socket.set_recv_buffer_size(RECEIVE_BUFFER);
        datagram::stamp_arrivals(&socket).map_err(fail)?;
        let index = found.index.cast_signed();
        take_all(&socket, index).map_err(fail)?;
        bind(&socket, index).map_err(fail)?;
        Ok(Sniffer { socket })
    }

    /// Reads an IP packet that is already there: its octets, and when it passed. One longer than `buffer` is cut.
    ///
    /// # Errors
    /// [`io::ErrorKind::WouldBlock`] when there is none; the socket's.
    pub fn try_recv(&self, buffer: &mut [u8]) -> io::Result<(usize, Instant)> {
        let (read, _) = datagram::receive_any(self.socket.as_raw_fd(), buffer)?;
        Ok((read.len, read.at))
    }
}

fn bind(socket: &Socket, index: libc::c_int) -> io::Result<()> {
    // SAFETY: all-zero is a valid sockaddr_ll.
    let mut address: libc::sockaddr_ll = unsafe { mem::zeroed() };
    address.sll_family = libc::AF_PACKET as u16;
    // Others do not hear what leaves this machine.
    address.sll_protocol = (libc::ETH_P_ALL as u16).to_be();
    address.sll_ifindex = index;
    // SAFETY: the descriptor is open while `socket` is borrowed; the address lives through the call, of the size given.
    let result = unsafe {
        libc::bind(
            socket.as_raw_fd(),
            (&raw const address).cast(),
            mem::size_of_val(&address) as libc::socklen_t,
        )
    };
    if result == 0 {
        Ok(())
    } else {
        Err(io::Error::last_os_error())
    }
}

fn take_all(socket: &Socket, index: libc::c_int) -> io::Result<()> {
    let wish = libc::packet_mreq {
        mr_ifindex: index,
        mr_type: libc::PACKET_MR_ALLMULTI as _,
        mr_alen: 0,
        mr_address: [0; 8],
    };
    // SAFETY: the descriptor is open while `socket` is borrowed; the option's value is of the size given.
    let result = unsafe {
        libc::setsockopt(
            socket.as_raw_fd(),
            libc::SOL_PACKET,
            libc::PACKET_ADD_MEMBERSHIP,
            (&raw const wish).cast(),
            mem::size_of_val(&wish) as libc::socklen_t,
        )
    };
    if result == 0 {
        Ok(())
    } else {
        Err(io::Error::last_os_error())
    }
}

/// Lets through UDP to multicast, and IGMP. The packet begins with its IP header (`SOCK_DGRAM`). On the loopback
/// interface each packet leaves and arrives; once is enough.
fn program() -> Vec<SockFilter> {
    let ancillary = |what: i32| (libc::SKF_AD_OFF + what) as u32;
    let load = |size: u32, at: u32| SockFilter::new((BPF_LD | size | BPF_ABS) as u16, 0, 0, at);
    let and = |mask: u32| SockFilter::new((BPF_ALU | BPF_AND | BPF_K) as u16, 0, 0, mask);
    let equal = |value: u32, yes: u8, no: u8| SockFilter::new((BPF_JMP | BPF_JEQ | BPF_K) as u16, yes, no, value);
    let end = |take: u32| SockFilter::new((BPF_RET | BPF_K) as u16, 0, 0, take);
    let udp = libc::IPPROTO_UDP as u32;
    vec![
        /* 0 */ load(BPF_W, ancillary(libc::SKF_AD_PKTTYPE)),
        /* 1 */ equal(u32::from(libc::PACKET_OUTGOING), 0, 2),
        /* 2 */ load(BPF_W, ancillary(libc::SKF_AD_HATYPE)),
        /* 3 */ equal(u32::from(libc::ARPHRD_LOOPBACK), 15, 0),
        /* 4 */ load(BPF_B, 0),
        /* 5 */ and(0xF0),
        /* 6 */ equal(0x40, 0, 6),
        // IPv4 (RFC 791 §3.1): destination, protocol.
        /* 7 */ load(BPF_B, 16),
        /* 8 */ and(0xF0),
        /* 9 */ equal(0xE0, 0, 9),
        /* 10 */ load(BPF_B, 9),
        /* 11 */ equal(udp, 6, 0),
        /* 12 */ equal(libc::IPPROTO_IGMP as u32, 5, 6),
        // IPv6 (RFC 8200 §3): destination, next header.
        /* 13 */ equal(0x60, 0, 5),
        /* 14 */ load(BPF_B, 24),
        /* 15 */ equal(0xFF, 0, 3),
        /* 16 */ load(BPF_B, 6),
        /* 17 */ equal(udp, 0, 1),
        /* 18 */ end(u32::MAX),
        /* 19 */ end(0),
    ]
}

/// Asks the network for a group without receiving it: a [`Sniffer`] does.
#[derive(Debug)]
pub struct Membership {
    _socket: Socket,
}

impl Membership {
    /// On `wanted`, a name or one of its addresses; the system's choice by route if `None`. It lasts until it is dropped.
    ///
    /// # Errors
    /// A [`NetError`]: not a multicast address, no such interface, the system's.
    pub fn join(group: IpAddr, wanted: Option<&str>) -> io::Result<Membership> {
        if !group.is_multicast() {
            return Err(NetError::NotMulticast(group).into());
        }
        let index = wanted.map(interface::find).transpose()?.map_or(0, |found| found.index);
        let joined = || {
            let domain = match group {
                IpAddr::V4(_) => Domain::IPV4,
                IpAddr::V6(_) => Domain::IPV6,
            };
            let socket = Socket::new(domain, Type::DGRAM.nonblocking(), Some(Protocol::UDP))?;
            match group {
                IpAddr::V4(ip) => socket.join_multicast_v4_n(&ip, &InterfaceIndexOrAddress::Index(index))?,
                IpAddr::V6(ip) => socket.join_multicast_v6(&ip, index)?,
            }
            Ok(socket)
        };
        let socket = joined().map_err(|cause| NetError::Join {
            group,
            interface: wanted.unwrap_or("the default interface").to_owned(),
            cause,
        })?;
        Ok(Membership { _socket: socket })
    }
}
