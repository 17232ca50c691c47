//! The signalling transports: UDP sockets, TCP connections, name resolution. Carries octets, reads none.

use std::collections::{BTreeMap, HashMap};
use std::net::{IpAddr, SocketAddr};
use std::rc::Rc;
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::mpsc::{self, Sender};

use super::ports::{self, Reader, Signal};
use crate::device::net::{self, DatagramSocket};
use crate::sip::agent::{ConnectionId, ExtensionId, Flow, Registrar, Transport};

/// TCP connections open at once, made and accepted together.
const MAX_CONNECTIONS: usize = 64;
/// Messages that may wait to be written to one connection.
const WRITE_QUEUE: usize = 16;
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
    write: Sender<Vec<u8>>,
    _tasks: [Reader; 2],
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
    resolving: HashMap<ExtensionId, Reader>,
    next_connection: u64,
    queue: Sender<Signal>,
    advertise: Option<IpAddr>,
}

/// A listening address that could not be had.
#[derive(Debug, thiserror::Error)]
#[error("cannot listen on {transport}:{address}: {cause}")]
pub struct ListenError {
    pub transport: &'static str,
    pub address: SocketAddr,
    pub cause: std::io::Error,
}

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
            let name = match transport {
                Transport::Udp => "udp",
                Transport::Tcp => "tcp",
            };
            let fail = |cause| ListenError {
                transport: name,
                address,
                cause,
            };
            match transport {
                Transport::Udp => {
                    let socket = Rc::new(net::sip_udp(address).map_err(fail)?);
                    let local = socket.local_addr().map_err(fail)?;
                    let reader = ports::read_sip(socket.clone(), local, wires.queue.clone());
                    wires.udp.push(Udp {
                        socket,
                        local,
                        _reader: reader,
                    });
                }
                Transport::Tcp => {
                    let listener = net::tcp_listener(address).map_err(fail)?;
                    let local = listener.local_addr().map_err(fail)?;
                    wires
                        .tcp
                        .push((local, ports::accept_tcp(listener, wires.queue.clone())));
                }
            }
        }
        Ok(wires)
    }

    /// Sends octets along a flow. UDP that cannot be sent now is lost, as on the network: the transactions repeat it.
    pub fn transmit(&mut self, flow: Flow, octets: Vec<u8>) {
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
            }
            Transport::Tcp => self.transmit_tcp(flow, octets),
        }
    }

    fn transmit_tcp(&mut self, flow: Flow, octets: Vec<u8>) {
        let open = flow
            .connection
            .and_then(|id| self.connections.get(&id))
            .or_else(|| self.connections.values().find(|c| c.flow.peer == flow.peer));
        if let Some(connection) = open {
            if connection.write.try_send(octets).is_err() {
                // Too slow a reader, or a dead one: end it, the agent goes on without.
                let flow = connection.flow;
                self.close_flow(flow);
            }
            return;
        }
        if let Some(connecting) = self.connecting.get_mut(&flow.peer) {
            if connecting.waiting.len() < MAX_WAITING {
                connecting.waiting.push(octets);
            }
            return;
        }
        if self.connections.len() + self.connecting.len() >= MAX_CONNECTIONS {
            let _ = self.queue.try_send(Signal::Closed(Flow {
                connection: None,
                ..flow
            }));
            return;
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
    }

    /// Takes a connection that a far end made. `false`: there are too many; it is closed.
    pub fn accepted(&mut self, stream: TcpStream, peer: SocketAddr) -> bool {
        if self.connections.len() + self.connecting.len() >= MAX_CONNECTIONS {
            return false;
        }
        net::settle(&stream);
        let Ok(local) = stream.local_addr() else { return false };
        self.adopt(
            Flow {
                transport: Transport::Tcp,
                local,
                peer,
                connection: None,
            },
            stream,
        );
        true
    }

    /// Takes a connection that we asked for, and sends what waited for it.
    pub fn connected(&mut self, flow: Flow, stream: TcpStream) {
        net::settle(&stream);
        let waiting = self
            .connecting
            .remove(&flow.peer)
            .map(|c| c.waiting)
            .unwrap_or_default();
        let id = self.adopt(flow, stream);
        if let Some(connection) = self.connections.get(&id) {
            for octets in waiting {
                let _ = connection.write.try_send(octets);
            }
        }
    }

    fn adopt(&mut self, flow: Flow, stream: TcpStream) -> ConnectionId {
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
        let (sender, mut receiver) = mpsc::channel::<Vec<u8>>(WRITE_QUEUE);
        let queue = self.queue.clone();
        let writer = tokio::task::spawn_local(async move {
            while let Some(octets) = receiver.recv().await {
                match tokio::time::timeout(WRITE_TIMEOUT, write.write_all(&octets)).await {
                    Ok(Ok(())) => {}
                    _ => {
                        let _ = queue.send(Signal::Closed(flow)).await;
                        return;
                    }
                }
            }
            // The last octets are out: tell the far end.
            let _ = write.shutdown().await;
        });
        let tasks = [Reader::new(reader), Reader::new(writer)];
        self.connections.insert(
            id,
            Connection {
                flow,
                write: sender,
                _tasks: tasks,
            },
        );
        id
    }

    /// Forgets a connection that has ended. `false` if it was already forgotten.
    pub fn closed(&mut self, flow: Flow) -> bool {
        match flow.connection {
            Some(id) => self.connections.remove(&id).is_some(),
            None => self.connecting.remove(&flow.peer).is_some(),
        }
    }

    /// Ends a connection; the agent hears of it like of any other end.
    pub fn close(&mut self, id: ConnectionId) {
        if let Some(flow) = self.connections.get(&id).map(|c| c.flow) {
            self.close_flow(flow);
        }
    }

    fn close_flow(&mut self, flow: Flow) {
        let queue = self.queue.clone();
        tokio::task::spawn_local(async move {
            let _ = queue.send(Signal::Closed(flow)).await;
        });
    }

    /// Looks up a registrar's addresses; the answer comes as [`Signal::Resolved`].
    pub fn resolve(&mut self, extension: ExtensionId, registrar: Registrar) {
        let queue = self.queue.clone();
        let ports = [
            self.port_for(registrar.transport, true),
            self.port_for(registrar.transport, false),
        ];
        let advertise = self.advertise;
        let task = tokio::task::spawn_local(async move {
            let host = registrar.host.trim_start_matches('[').trim_end_matches(']').to_owned();
            let looked_up =
                tokio::time::timeout(RESOLVE_TIMEOUT, tokio::net::lookup_host((host, registrar.port))).await;
            let targets = match looked_up {
                Ok(Ok(addresses)) => addresses
                    .filter_map(|target| {
                        let port = ports[usize::from(target.is_ipv6())]?;
                        let ip = advertise.or_else(|| net::local_address_for(target).ok())?;
                        Some((target, SocketAddr::new(ip, port)))
                    })
                    .collect(),
                _ => Vec::new(),
            };
            let _ = queue.send(Signal::Resolved { extension, targets }).await;
        });
        self.resolving.insert(extension, Reader::new(task));
    }

    /// The port where we can be called by this transport and family.
    fn port_for(&self, transport: Transport, ipv4: bool) -> Option<u16> {
        let fits = |address: &SocketAddr| address.is_ipv4() == ipv4;
        match transport {
            Transport::Udp => self.udp.iter().map(|u| u.local).find(fits),
            Transport::Tcp => self.tcp.iter().map(|(local, _)| *local).find(fits),
        }
        .map(|address| address.port())
    }
}
