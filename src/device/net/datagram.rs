//! One datagram at a time, with when it arrived and to which of our addresses.
//!
//! webrtc-util's `Conn` is not the seam here: it hands on neither the kernel's receive time nor the destination
//! address nor truncation, it cannot answer from a chosen address, and it boxes a future for every packet.

use std::io;
use std::mem;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::os::fd::{AsRawFd, RawFd};
use std::sync::Arc;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use socket2::{SockAddr, SockAddrStorage, Socket};
use tokio::io::Interest;
use tokio::net::UdpSocket;

use super::simulated::Mailbox;
use super::socket_address;

/// A kernel stamp older than this is not believed: the wall clock was stepped meanwhile.
pub const MAX_STAMP_AGE: Duration = Duration::from_secs(2);

/// Room for a `timespec` and the larger of the two packet-info structures, with their headers.
const CONTROL_BYTES: usize = 128;

/// Control data must lie as `cmsghdr` wants to.
#[repr(C, align(8))]
struct Control([u8; CONTROL_BYTES]);

/// What a receive found beside the bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Datagram {
    /// Bytes in the buffer.
    pub len: usize,
    /// The datagram was longer than the buffer; the rest is gone.
    pub truncated: bool,
    pub peer: SocketAddr,
    /// Our address that it was sent to (SIP sockets only). For a broadcast or multicast, the one to answer from.
    pub local_ip: Option<IpAddr>,
    /// When the kernel took it from the network; the time of reading where the kernel's stamp is not to be believed.
    pub at: Instant,
}

/// A UDP socket of a tokio runtime that knows arrival times and destinations.
pub struct DatagramSocket {
    kind: Kind,
}

enum Kind {
    System(UdpSocket),
    Simulated(Arc<Mailbox>),
}

impl DatagramSocket {
    /// Takes a bound, non-blocking socket. Must be called inside a tokio runtime.
    pub(super) fn new(socket: Socket) -> io::Result<Self> {
        let kind = Kind::System(UdpSocket::from_std(socket.into())?);
        Ok(DatagramSocket { kind })
    }

    pub(super) fn simulated(mailbox: Arc<Mailbox>) -> Self {
        DatagramSocket {
            kind: Kind::Simulated(mailbox),
        }
    }

    /// Waits for the next datagram and reads it into `buffer`. Safe to cancel: nothing is lost.
    ///
    /// # Errors
    /// The socket's.
    pub async fn recv(&self, buffer: &mut [u8]) -> io::Result<Datagram> {
        match &self.kind {
            Kind::System(socket) => {
                let read = || receive(socket.as_raw_fd(), buffer);
                socket.async_io(Interest::READABLE, read).await
            }
            Kind::Simulated(mailbox) => Ok(mailbox.recv(buffer).await),
        }
    }

    /// Reads a datagram that is already there.
    ///
    /// # Errors
    /// [`io::ErrorKind::WouldBlock`] when there is none; the socket's.
    pub fn try_recv(&self, buffer: &mut [u8]) -> io::Result<Datagram> {
        match &self.kind {
            Kind::System(socket) => socket.try_io(Interest::READABLE, || receive(socket.as_raw_fd(), buffer)),
            Kind::Simulated(mailbox) => mailbox.try_recv(buffer).ok_or(io::ErrorKind::WouldBlock.into()),
        }
    }

    /// Sends one datagram, from the address `local_ip` if given (RFC 3581 §4: answers leave from the address that was
    /// called), else from the kernel's choice.
    ///
    /// # Errors
    /// The socket's.
    pub async fn send(&self, bytes: &[u8], peer: SocketAddr, local_ip: Option<IpAddr>) -> io::Result<()> {
        match &self.kind {
            Kind::System(socket) => {
                let write = || transmit(socket.as_raw_fd(), bytes, peer, local_ip);
                socket.async_io(Interest::WRITABLE, write).await
            }
            Kind::Simulated(_) => self.try_send(bytes, peer, local_ip),
        }
    }

    /// Like [`send`](Self::send), but gives up at once when the kernel's buffer is full.
    ///
    /// # Errors
    /// [`io::ErrorKind::WouldBlock`]; the socket's.
    pub fn try_send(&self, bytes: &[u8], peer: SocketAddr, local_ip: Option<IpAddr>) -> io::Result<()> {
        match &self.kind {
            // Not through tokio's readiness: a socket that was never waited on would count as not ready.
            Kind::System(socket) => transmit(socket.as_raw_fd(), bytes, peer, local_ip),
            Kind::Simulated(mailbox) => {
                mailbox.send(bytes, peer, local_ip);
                Ok(())
            }
        }
    }

    /// `None`: it is simulated.
    pub(super) fn socket(&self) -> Option<&UdpSocket> {
        match &self.kind {
            Kind::System(socket) => Some(socket),
            Kind::Simulated(_) => None,
        }
    }

    /// # Errors
    /// The socket's.
    pub fn local_addr(&self) -> io::Result<SocketAddr> {
        match &self.kind {
            Kind::System(socket) => socket.local_addr(),
            Kind::Simulated(mailbox) => Ok(mailbox.local),
        }
    }
}

/// Lets the kernel stamp each datagram as it arrives, so that a busy machine does not look like a jittery network.
pub(super) fn stamp_arrivals(socket: &Socket) -> io::Result<()> {
    switch_on(socket, libc::SOL_SOCKET, libc::SO_TIMESTAMPNS)
}

pub(super) fn report_destination_v4(socket: &Socket) -> io::Result<()> {
    switch_on(socket, libc::IPPROTO_IP, libc::IP_PKTINFO)
}

pub(super) fn report_destination_v6(socket: &Socket) -> io::Result<()> {
    switch_on(socket, libc::IPPROTO_IPV6, libc::IPV6_RECVPKTINFO)
}

fn switch_on(socket: &Socket, level: libc::c_int, option: libc::c_int) -> io::Result<()> {
    let on: libc::c_int = 1;
    // SAFETY: the descriptor is open while `socket` is borrowed; the option's value is an int, of the size given.
    let result = unsafe {
        libc::setsockopt(
            socket.as_raw_fd(),
            level,
            option,
            (&raw const on).cast(),
            mem::size_of_val(&on) as libc::socklen_t,
        )
    };
    if result == 0 {
        Ok(())
    } else {
        Err(io::Error::last_os_error())
    }
}

fn receive(fd: RawFd, buffer: &mut [u8]) -> io::Result<Datagram> {
    let (read, peer) = receive_any(fd, buffer)?;
    let peer = socket_address(&peer)?;
    Ok(Datagram {
        len: read.len,
        truncated: read.truncated,
        peer,
        local_ip: read.local_ip,
        at: read.at,
    })
}

/// What a receive found beside the bytes and the sender.
pub(super) struct Read {
    pub len: usize,
    pub truncated: bool,
    local_ip: Option<IpAddr>,
    pub at: Instant,
}

/// Reads from a socket of any family, without waiting.
pub(super) fn receive_any(fd: RawFd, buffer: &mut [u8]) -> io::Result<(Read, SockAddr)> {
    let mut name = SockAddrStorage::zeroed();
    let mut control = Control([0; CONTROL_BYTES]);
    let mut part = libc::iovec {
        iov_base: buffer.as_mut_ptr().cast(),
        iov_len: buffer.len(),
    };
    // SAFETY: all-zero is a valid msghdr (null pointers with zero lengths).
    let mut message: libc::msghdr = unsafe { mem::zeroed() };
    message.msg_name = (&raw mut name).cast();
    message.msg_namelen = name.size_of();
    message.msg_iov = &raw mut part;
    message.msg_iovlen = 1;
    message.msg_control = control.0.as_mut_ptr().cast();
    message.msg_controllen = CONTROL_BYTES as _;
    // SAFETY: every pointer in `message` leads to a live object of the length beside it until the call returns.
    let len = unsafe { libc::recvmsg(fd, &raw mut message, libc::MSG_DONTWAIT) };
    let Ok(len) = usize::try_from(len) else {
        return Err(io::Error::last_os_error());
    };
    let (stamp, local_ip) = read_control(&message);
    // SAFETY: the kernel wrote a socket address of `msg_namelen` bytes into `name`.
    let peer = unsafe { SockAddr::new(name, message.msg_namelen) };
    let read = Read {
        len,
        truncated: message.msg_flags & libc::MSG_TRUNC != 0,
        local_ip,
        at: arrival(stamp, SystemTime::now(), Instant::now()),
    };
    Ok((read, peer))
}

/// The kernel's wall-clock stamp, carried over to the monotonic clock by how long ago it is. Never after `now`, never
/// more than [`MAX_STAMP_AGE`] before it.
fn arrival(stamp: Option<SystemTime>, wall: SystemTime, now: Instant) -> Instant {
    stamp
        .and_then(|stamp| wall.duration_since(stamp).ok())
        .filter(|age| *age <= MAX_STAMP_AGE)
        .and_then(|age| now.checked_sub(age))
        .unwrap_or(now)
}

fn read_control(message: &libc::msghdr) -> (Option<SystemTime>, Option<IpAddr>) {
    let mut stamp = None;
    let mut local_ip = None;
    // SAFETY: `message` was filled in by recvmsg; the CMSG functions stay within msg_controllen.
    let mut next = unsafe { libc::CMSG_FIRSTHDR(message) };
    while !next.is_null() {
        // SAFETY: a header that CMSG_FIRSTHDR or CMSG_NXTHDR returns lies whole inside the control buffer, aligned.
        let header = unsafe { &*next };
        match (header.cmsg_level, header.cmsg_type) {
            (libc::SOL_SOCKET, libc::SCM_TIMESTAMPNS) => {
                stamp = payload::<libc::timespec>(next).and_then(|t| wall_time(&t));
            }
            (libc::IPPROTO_IP, libc::IP_PKTINFO) => {
                local_ip = payload::<libc::in_pktinfo>(next)
                    .map(|i| IpAddr::V4(Ipv4Addr::from(u32::from_be(i.ipi_spec_dst.s_addr))));
            }
            (libc::IPPROTO_IPV6, libc::IPV6_PKTINFO) => {
                local_ip = payload::<libc::in6_pktinfo>(next)
                    .map(|i| Ipv6Addr::from(i.ipi6_addr.s6_addr))
                    .filter(|a| !a.is_multicast())
                    .map(IpAddr::V6);
            }
            _ => {}
        }
        // SAFETY: as for CMSG_FIRSTHDR; `next` came from it.
        next = unsafe { libc::CMSG_NXTHDR(message, next) };
    }
    (stamp, local_ip)
}

/// The data of a control message, if it is long enough for a `T`.
#[allow(clippy::unnecessary_cast)] // cmsg_len is 32 bits wide with some C libraries
fn payload<T: Copy>(header: *const libc::cmsghdr) -> Option<T> {
    // SAFETY: only called with headers from CMSG_FIRSTHDR and CMSG_NXTHDR, which lie in the control buffer. The read
    // is unaligned-safe and stays within cmsg_len. `T` is one of the kernel's plain structures: any bits are valid.
    unsafe {
        let needed = libc::CMSG_LEN(mem::size_of::<T>() as u32) as usize;
        ((*header).cmsg_len as usize >= needed).then(|| libc::CMSG_DATA(header).cast::<T>().read_unaligned())
    }
}

fn wall_time(t: &libc::timespec) -> Option<SystemTime> {
    let seconds = u64::try_from(t.tv_sec).ok()?;
    let nanos = u32::try_from(t.tv_nsec).ok().filter(|n| *n < 1_000_000_000)?;
    UNIX_EPOCH.checked_add(Duration::new(seconds, nanos))
}

fn transmit(fd: RawFd, bytes: &[u8], peer: SocketAddr, local_ip: Option<IpAddr>) -> io::Result<()> {
    let peer_address = SockAddr::from(peer);
    let mut control = Control([0; CONTROL_BYTES]);
    let mut part = libc::iovec {
        iov_base: bytes.as_ptr().cast_mut().cast(),
        iov_len: bytes.len(),
    };
    // SAFETY: all-zero is a valid msghdr (null pointers with zero lengths).
    let mut message: libc::msghdr = unsafe { mem::zeroed() };
    message.msg_name = peer_address.as_ptr().cast_mut().cast();
    message.msg_namelen = peer_address.len();
    message.msg_iov = &raw mut part;
    message.msg_iovlen = 1;
    match (local_ip, peer) {
        (Some(IpAddr::V4(from)), SocketAddr::V4(_)) => {
            let info = libc::in_pktinfo {
                ipi_ifindex: 0,
                ipi_spec_dst: libc::in_addr {
                    s_addr: u32::from(from).to_be(),
                },
                ipi_addr: libc::in_addr { s_addr: 0 },
            };
            attach(&mut message, &mut control, libc::IPPROTO_IP, libc::IP_PKTINFO, info);
        }
        (Some(IpAddr::V6(from)), SocketAddr::V6(to)) => {
            let info = libc::in6_pktinfo {
                ipi6_addr: libc::in6_addr { s6_addr: from.octets() },
                ipi6_ifindex: to.scope_id() as _,
            };
            attach(&mut message, &mut control, libc::IPPROTO_IPV6, libc::IPV6_PKTINFO, info);
        }
        _ => {}
    }
    // SAFETY: every pointer in `message` leads to a live object of the length beside it; sendmsg writes to none.
    let sent = unsafe { libc::sendmsg(fd, &raw const message, libc::MSG_DONTWAIT | libc::MSG_NOSIGNAL) };
    if sent < 0 {
        return Err(io::Error::last_os_error());
    }
    Ok(())
}

/// Puts one control message of type `T` into an empty `control` and hangs it on `message`.
fn attach<T: Copy>(message: &mut libc::msghdr, control: &mut Control, level: libc::c_int, kind: libc::c_int, value: T) {
    let size = mem::size_of::<T>() as u32;
    const { assert!(mem::size_of::<T>() + 48 <= CONTROL_BYTES) };
    message.msg_control = control.0.as_mut_ptr().cast();
    // SAFETY: CMSG_SPACE only computes; it is at most `size` and two aligned headers, asserted above to fit. So the
    // first header and its data lie in `control`, which outlives this call by the caller's borrow.
    unsafe {
        message.msg_controllen = libc::CMSG_SPACE(size) as _;
        let header = libc::CMSG_FIRSTHDR(message);
        (*header).cmsg_level = level;
        (*header).cmsg_type = kind;
        (*header).cmsg_len = libc::CMSG_LEN(size) as _;
        libc::CMSG_DATA(header).cast::<T>().write_unaligned(value);
    }
}

#[cfg(test)]
pub(super) fn tests_only(socket: &DatagramSocket) -> socket2::SockRef<'_> {
    socket2::SockRef::from(socket.socket().expect("a socket of the system"))
}

#[cfg(test)]
mod stamps {
    use super::*;

    #[test]
    fn a_stamp_is_as_old_on_the_monotonic_clock() {
        let (wall, now) = (SystemTime::now(), Instant::now());
        let age = Duration::from_millis(30);
        assert_eq!(arrival(Some(wall - age), wall, now), now - age);
        assert_eq!(arrival(Some(wall), wall, now), now);
    }

    #[test]
    fn a_stepped_wall_clock_moves_no_packet() {
        let (wall, now) = (SystemTime::now(), Instant::now());
        let hour = Duration::from_secs(3600);
        assert_eq!(arrival(Some(wall + hour), wall, now), now, "stamp from the future");
        assert_eq!(arrival(Some(wall - hour), wall, now), now, "stamp from long ago");
        assert_eq!(arrival(Some(wall - MAX_STAMP_AGE), wall, now), now - MAX_STAMP_AGE);
        assert_eq!(arrival(None, wall, now), now, "no stamp");
    }

    #[test]
    fn nonsense_from_the_kernel_is_no_time() {
        let time = |tv_sec, tv_nsec| libc::timespec { tv_sec, tv_nsec };
        assert_eq!(wall_time(&time(-1, 0)), None);
        assert_eq!(wall_time(&time(1, 1_000_000_000)), None);
        assert_eq!(wall_time(&time(1, -5)), None);
        assert_eq!(wall_time(&time(2, 5)), Some(UNIX_EPOCH + Duration::new(2, 5)));
    }
}
