//! The signalling transports: UDP sockets, TCP connections, name resolution. Carries octets, reads none.

use std::cell::{Cell, RefCell};
use std::collections::{BTreeMap, HashMap};
use std::net::{IpAddr, SocketAddr};
use std::rc::Rc;
use std::time::{Duration, Instant};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::Notify;
use tokio::sync::mpsc::Sender;

use super::ports::{self, Reader, Signal};
use crate::device::net::{self, DatagramSocket};
use crate::sip::agent::{ConnectionId, Flow, Hop, RegistrationId, Target, Transport};

/// TCP connections open at once, made and accepted together. One more takes the place of the one that was silent
/// longest, among those of the address that holds most.
const MAX_CONNECTIONS: usize = 64;
/// Connections being made at once.
const MAX_CONNECTING: usize = 16;
/// Octets that may wait to be written to one connection: the answers to all requests that one turn can read from it.
const WRITE_BUFFER: usize = 512 * 1024;
/// Messages that may wait for a connection that is being made.
const MAX_WAITING: usize = 8;
const CONNECT_TIMEOUT: Duration = Duration::from_secs(5);
const RESOLVE_TIMEOUT: Duration = Duration::from_secs(5);
/// A far end that does not take our octets for this long is gone.
const WRITE_TIMEOUT: Duration = Duration::from_secs(10);

struct Udp {
    socket: Rc<DatagramSocket>,
    local: SocketAddr,
    _reader: Reader,
}

struct Connection {
    flow: Flow,
    outbox: Rc<Outbox>,
    /// When something came last.
    heard: Instant,
    _tasks: [Reader; 2],
}

/// What waits to be written to one connection.
#[derive(Default)]
struct Outbox {
    octets: RefCell<Vec<u8>>,
    /// Nothing more comes: write the rest, then end the connection.
    closing: Cell<bool>,
    wake: Notify,
}

impl Outbox {
    /// `false`: there is no room; nothing was taken.
    fn push(&self, octets: &[u8]) -> bool {
        let mut waiting = self.octets.borrow_mut();
        if waiting.len() + octets.len() > WRITE_BUFFER {
            return false;
        }
        waiting.extend_from_slice(octets);
        self.wake.notify_one();
        true
    }

    fn close(&self) {
        self.closing.set(true);
        self.wake.notify_one();
    }
}

struct Connecting {
    waiting: Vec<Vec<u8>>,
    _task: Reader,
}

/// All signalling sockets.
pub struct Wires {
    udp: Vec<Udp>,
    tcp: Vec<(SocketAddr, Reader)>,
    connections: BTreeMap<ConnectionId, Connection>,
    connecting: HashMap<SocketAddr, Connecting>,
    resolving: HashMap<RegistrationId, Reader>,
    next_connection: u64,
    queue: Sender<Signal>,
    advertise: Option<IpAddr>,
}

/// A listening address that could not be had.
#[derive(Debug, thiserror::Error)]
#[error("cannot listen: {0}")]
pub struct ListenError(#[from] pub std::io::Error);

impl Wires {
    /// Opens every listening socket.
    ///
    /// # Errors
    /// The first address that cannot be had.
    pub fn open(
        listen: &[(Transport, SocketAddr)],
        advertise: Option<IpAddr>,
        queue: Sender<Signal>,
    ) -> Result<Self, ListenError> {
        let mut wires = Wires {
            udp: Vec::new(),
            tcp: Vec::new(),
            connections: BTreeMap::new(),
            connecting: HashMap::new(),
            resolving: HashMap::new(),
            next_connection: 0,
            queue,
            advertise,
        };
        for &(transport, address) in listen {
            match transport {
                Transport::Udp => {
                    let socket = Rc::new(net::sip_udp(address)?);
                    let local = socket.local_addr()?;
                    let reader = ports::read_sip(socket.clone(), local, wires.queue.clone());
                    wires.udp.push(Udp {
                        socket,
                        local,
                        _reader: reader,
                    });
                }
                Transport::Tcp | Transport::Tls => {
                    let listener = net::tcp_listener(address)?;
                    let local = listener.local_addr()?;
                    wires
                        .tcp
                        .push((local, ports::accept_tcp(listener, wires.queue.clone())));
                }
            }
        }
        Ok(wires)
    }

    /// Sends octets along a flow. UDP that cannot be sent now is lost, as on the network: the transactions repeat it.
    /// Returns a flow that is no more: another one's that had to give way, or this one when it cannot be had.
    #[must_use]
    pub fn transmit(&mut self, flow: Flow, octets: Vec<u8>) -> Option<Flow> {
        match flow.transport {
            Transport::Udp => {
                let exact = self.udp.iter().find(|u| u.local == flow.local);
                let wild = || {
                    self.udp.iter().find(|u| {
                        u.local.port() == flow.local.port()
                            && u.local.ip().is_unspecified()
                            && u.local.is_ipv4() == flow.peer.is_ipv4()
                    })
                };
                let family = || self.udp.iter().find(|u| u.local.is_ipv4() == flow.peer.is_ipv4());
                if let Some(udp) = exact.or_else(wild).or_else(family) {
                    let from =
                        Some(flow.local.ip()).filter(|ip| udp.local.ip().is_unspecified() && !ip.is_unspecified());
                    let from = from.filter(|ip| Some(*ip) != self.advertise);
                    let _ = udp.socket.try_send(&octets, flow.peer, from);
                }
                None
            }
            Transport::Tcp | Transport::Tls => self.transmit_tcp(flow, octets),
        }
    }

    fn transmit_tcp(&mut self, flow: Flow, octets: Vec<u8>) -> Option<Flow> {
        let open = flow
            .connection
            .and_then(|id| self.connections.get(&id))
            .or_else(|| self.connections.values().find(|c| c.flow.peer == flow.peer));
        if let Some(connection) = open {
            if connection.outbox.push(&octets) {
                return None;
            }
            // Too slow a reader, or a dead one: end it, the agent goes on without.
            let flow = connection.flow;
            flow.connection.and_then(|id| self.connections.remove(&id));
            return Some(flow);
        }
        if let Some(connecting) = self.connecting.get_mut(&flow.peer) {
            if connecting.waiting.len() < MAX_WAITING {
                connecting.waiting.push(octets);
            }
            return None;
        }
        if self.connecting.len() >= MAX_CONNECTING {
            return Some(Flow {
                connection: None,
                ..flow
            });
        }
        let queue = self.queue.clone();
        let task = tokio::task::spawn_local(async move {
            let flow = Flow {
                connection: None,
                ..flow
            };
            let stream = tokio::time::timeout(CONNECT_TIMEOUT, net::tcp_connect(flow.peer)).await;
            let signal = match stream {
                Ok(Ok(stream)) => Signal::Connected { flow, stream },
                _ => Signal::Closed(flow),
            };
            let _ = queue.send(signal).await;
        });
        self.connecting.insert(
            flow.peer,
            Connecting {
                waiting: vec![octets],
                _task: Reader::new(task),
            },
        );
        None
    }

    /// Takes a connection that a far end made. Returns the flow that had to give way.
    #[must_use]
    pub fn accepted(&mut self, stream: TcpStream, peer: SocketAddr) -> Option<Flow> {
        net::settle(&stream);
        let local = stream.local_addr().ok()?;
        let flow = Flow {
            transport: Transport::Tcp,
            local,
            peer,
            connection: None,
        };
        self.adopt(flow, stream, &[])
    }

    /// Takes a connection that we asked for, and sends what waited for it. Returns the flow that had to give way.
    #[must_use]
    pub fn connected(&mut self, flow: Flow, stream: TcpStream) -> Option<Flow> {
        net::settle(&stream);
        let waiting = self
            .connecting
            .remove(&flow.peer)
            .map(|c| c.waiting.concat())
            .unwrap_or_default();
        self.adopt(flow, stream, &waiting)
    }

    /// Octets came by this flow. `false`: it is being closed, and nothing more is read from it.
    pub fn heard(&mut self, flow: Flow, now: Instant) -> bool {
        let connection = flow.connection.and_then(|id| self.connections.get_mut(&id));
        connection.is_some_and(|c| {
            c.heard = now;
            !c.outbox.closing.get()
        })
    }

    /// Ends the connection that can best be spared. An address that opens many loses its own.
    fn give_way(&mut self) -> Option<Flow> {
        let mut held: HashMap<IpAddr, usize> = HashMap::new();
        for connection in self.connections.values() {
            *held.entry(connection.flow.peer.ip()).or_default() += 1;
        }
        let share = |c: &Connection| held.get(&c.flow.peer.ip()).copied().unwrap_or(0);
        let (id, _) = self
            .connections
            .iter()
            .max_by_key(|(_, c)| (share(c), std::cmp::Reverse(c.heard)))?;
        let id = *id;
        self.connections.remove(&id).map(|c| c.flow)
    }

    fn adopt(&mut self, flow: Flow, stream: TcpStream, first: &[u8]) -> Option<Flow> {
        let gave_way = (self.connections.len() >= MAX_CONNECTIONS)
            .then(|| self.give_way())
            .flatten();
        let id = ConnectionId(self.next_connection);
        self.next_connection += 1;
        let flow = Flow {
            connection: Some(id),
            ..flow
        };
        let (mut read, mut write) = stream.into_split();
        let queue = self.queue.clone();
        let reader = tokio::task::spawn_local(async move {
            let mut buffer = vec![0; 4096];
            loop {
                match read.read(&mut buffer).await {
                    Ok(0) | Err(_) => break,
                    Ok(n) => {
                        if queue
                            .send(Signal::Stream {
                                flow,
                                octets: buffer[..n].to_vec(),
                            })
                            .await
                            .is_err()
                        {
                            return;
                        }
                    }
                }
            }
            let _ = queue.send(Signal::Closed(flow)).await;
        });
        let outbox = Rc::new(Outbox::default());
        outbox.push(first);
        let queue = self.queue.clone();
        let from = outbox.clone();
        let writer = tokio::task::spawn_local(async move {
            loop {
                let octets = from.octets.take();
                if octets.is_empty() {
                    if from.closing.get() {
                        let _ = write.shutdown().await;
                        break;
                    }
                    from.wake.notified().await;
                } else if !matches!(
                    tokio::time::timeout(WRITE_TIMEOUT, write.write_all(&octets)).await,
                    Ok(Ok(()))
                ) {
                    break;
                }
            }
            let _ = queue.send(Signal::Closed(flow)).await;
        });
        let tasks = [Reader::new(reader), Reader::new(writer)];
        self.connections.insert(
            id,
            Connection {
                flow,
                outbox,
                heard: Instant::now(),
                _tasks: tasks,
            },
        );
        gave_way
    }

    /// Forgets a connection that has ended. `false` if it was already forgotten.
    pub fn closed(&mut self, flow: Flow) -> bool {
        match flow.connection {
            Some(id) => self.connections.remove(&id).is_some(),
            None => self.connecting.remove(&flow.peer).is_some(),
        }
    }

    /// Ends a connection once what waits for it is written; the agent hears of it like of any other end.
    pub fn close(&mut self, id: ConnectionId) {
        if let Some(connection) = self.connections.get(&id) {
            connection.outbox.close();
        }
    }

    /// Looks up where a hop is; the answer comes as [`Signal::Resolved`].
    pub fn resolve(&mut self, registration: RegistrationId, hop: Hop) {
        let queue = self.queue.clone();
        let transport = hop.transport.unwrap_or(Transport::Udp);
        let ports = [self.port_for(transport, true), self.port_for(transport, false)];
        let advertise = self.advertise;
        let task = tokio::task::spawn_local(async move {
            let host = hop.host.trim_start_matches('[').trim_end_matches(']').to_owned();
            let port = hop.port.unwrap_or(transport.default_port());
            let looked_up = tokio::time::timeout(RESOLVE_TIMEOUT, tokio::net::lookup_host((host, port))).await;
            let targets = match looked_up {
                Ok(Ok(addresses)) => addresses
                    .filter_map(|peer| {
                        let port = ports[usize::from(peer.is_ipv6())]?;
                        let ip = advertise.or_else(|| net::local_address_for(peer).ok())?;
                        Some(Target {
                            transport,
                            peer,
                            local: SocketAddr::new(ip, port),
                        })
                    })
                    .collect(),
                _ => Vec::new(),
            };
            let _ = queue.send(Signal::Resolved { registration, targets }).await;
        });
        self.resolving.insert(registration, Reader::new(task));
    }

    /// The port where we can be called by this transport and family.
    fn port_for(&self, transport: Transport, ipv4: bool) -> Option<u16> {
        let fits = |address: &SocketAddr| address.is_ipv4() == ipv4;
        match transport {
            Transport::Udp => self.udp.iter().map(|u| u.local).find(fits),
            Transport::Tcp | Transport::Tls => self.tcp.iter().map(|(local, _)| *local).find(fits),
        }
        .map(|address| address.port())
    }
}
