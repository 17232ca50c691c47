//! A network in memory: what is put into it arrives, what is sent to it is kept for who looks. In simulated time a replay needs no
//! other; nothing of it reaches the machine's own network.

use std::collections::{HashMap, VecDeque};
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, Weak};
use std::time::Instant;

use tokio::sync::Notify;

use super::{Datagram, DatagramSocket};

/// Datagrams that wait at one socket, and of those sent; as a kernel's buffers, they are not without end.
const WAITING: usize = 4096;

/// A datagram on its way.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Post {
    pub from: SocketAddr,
    pub to: SocketAddr,
    pub octets: Vec<u8>,
    pub at: Instant,
}

/// Clones are the same network.
#[derive(Clone)]
pub struct SimulatedNetwork(Arc<Inner>);

struct Inner {
    /// The machine's own addresses.
    own: Vec<IpAddr>,
    /// Where names lead to.
    places: HashMap<String, Vec<SocketAddr>>,
    sockets: Mutex<Vec<Weak<Mailbox>>>,
    sent: Mutex<VecDeque<Post>>,
    was_sent: Notify,
    clock: fn() -> Instant,
}

/// One socket of it.
pub(super) struct Mailbox {
    pub local: SocketAddr,
    network: SimulatedNetwork,
    waiting: Mutex<VecDeque<Post>>,
    arrived: Notify,
}

impl SimulatedNetwork {
    /// A machine with these addresses; `places` is all that its name service knows.
    pub fn new(own: Vec<IpAddr>, places: HashMap<String, Vec<SocketAddr>>, clock: fn() -> Instant) -> Self {
        SimulatedNetwork(Arc::new(Inner {
            own,
            places,
            sockets: Mutex::default(),
            sent: Mutex::default(),
            was_sent: Notify::new(),
            clock,
        }))
    }

    pub fn own(&self) -> &[IpAddr] {
        &self.0.own
    }

    /// The own address of that family; the one that answers come from.
    pub fn own_towards(&self, peer: IpAddr) -> Option<IpAddr> {
        self.0.own.iter().copied().find(|ip| ip.is_ipv4() == peer.is_ipv4())
    }

    /// Where a name leads to.
    pub fn places(&self, host: &str) -> &[SocketAddr] {
        self.0.places.get(&host.to_ascii_lowercase()).map_or(&[], Vec::as_slice)
    }

    /// # Errors
    /// [`io::ErrorKind::AddrInUse`] when the address is taken.
    pub fn open(&self, local: SocketAddr) -> io::Result<DatagramSocket> {
        let mut sockets = lock(&self.0.sockets);
        sockets.retain(|socket| socket.strong_count() > 0);
        if sockets.iter().filter_map(Weak::upgrade).any(|s| s.local == local) {
            return Err(io::ErrorKind::AddrInUse.into());
        }
        let mailbox = Arc::new(Mailbox {
            local,
            network: self.clone(),
            waiting: Mutex::default(),
            arrived: Notify::new(),
        });
        sockets.push(Arc::downgrade(&mailbox));
        Ok(DatagramSocket::simulated(mailbox))
    }

    /// Puts a datagram into the network; whether anybody listens there.
    pub fn deliver(&self, post: &Post) -> bool {
        let sockets = lock(&self.0.sockets);
        let fits = |local: SocketAddr| {
            local == post.to
                || local.port() == post.to.port()
                    && local.ip().is_unspecified()
                    && local.is_ipv4() == post.to.is_ipv4()
                    && !post.to.ip().is_multicast()
        };
        let mut found = false;
        for socket in sockets.iter().filter_map(Weak::upgrade).filter(|s| fits(s.local)) {
            let mut waiting = lock(&socket.waiting);
            if waiting.len() < WAITING {
                waiting.push_back(post.clone());
            }
            socket.arrived.notify_one();
            found = true;
        }
        found
    }

    /// The next datagram that was sent. Safe to cancel.
    pub async fn sent(&self) -> Post {
        loop {
            let next = lock(&self.0.sent).pop_front();
            if let Some(post) = next {
                return post;
            }
            self.0.was_sent.notified().await;
        }
    }
}

impl Mailbox {
    pub async fn recv(&self, buffer: &mut [u8]) -> Datagram {
        loop {
            if let Some(datagram) = self.try_recv(buffer) {
                return datagram;
            }
            self.arrived.notified().await;
        }
    }

    pub fn try_recv(&self, buffer: &mut [u8]) -> Option<Datagram> {
        let post = lock(&self.waiting).pop_front()?;
        let len = post.octets.len().min(buffer.len());
        buffer[..len].copy_from_slice(&post.octets[..len]);
        Some(Datagram {
            len,
            truncated: len < post.octets.len(),
            peer: post.from,
            local_ip: Some(post.to.ip()),
            at: post.at,
        })
    }

    pub fn send(&self, octets: &[u8], peer: SocketAddr, local_ip: Option<IpAddr>) {
        let inner = &self.network.0;
        let ip = local_ip
            .or_else(|| Some(self.local.ip()).filter(|ip| !ip.is_unspecified()))
            .or_else(|| self.network.own_towards(peer.ip()))
            .unwrap_or(self.local.ip());
        let mut sent = lock(&inner.sent);
        if sent.len() < WAITING {
            sent.push_back(Post {
                from: SocketAddr::new(ip, self.local.port()),
                to: peer,
                octets: octets.to_vec(),
                at: (inner.clock)(),
            });
        }
        inner.was_sent.notify_one();
    }
}

fn lock<T>(shared: &Mutex<T>) -> MutexGuard<'_, T> {
    shared.lock().unwrap_or_else(PoisonError::into_inner)
}
