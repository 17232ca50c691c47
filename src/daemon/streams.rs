//! Stream connections, TCP and TLS: made, accepted, agreed on, and which of them gives way.
//!
//! This is their one owner. The agent keeps a framer for each and follows: what is forgotten here it hears of as
//! closed.

use std::collections::{BTreeMap, HashMap};
use std::net::{IpAddr, SocketAddr};
use std::rc::Rc;
use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio::net::TcpStream;
use tokio::sync::mpsc::Sender;
use tokio_rustls::rustls::pki_types::{CertificateDer, ServerName};
use tokio_rustls::rustls::{ClientConfig, ServerConfig};
use tokio_rustls::{TlsAcceptor, TlsConnector, TlsStream};

use super::intake::Inlet;
use super::pace::{self, Pace};
use super::pipe::{self, Outbox};
use super::ports::Reader;
use super::signal::{Signal, Wire};
use crate::device::net;
pub use crate::sip::agent::MAX_CONNECTIONS;
use crate::sip::agent::{ConnectionId, Flow, Hop, RegistrationId, Target, Transport};
use crate::sip::network::host_block;
use crate::tls::{self, Keyring};

/// Connections being made at once.
pub const MAX_CONNECTING: usize = 16;
/// TLS handshakes of far ends that connected to us, at once; and of one address.
pub const MAX_HANDSHAKES: usize = 16;
pub const MAX_HANDSHAKES_EACH: usize = 4;
/// Messages that may wait for a connection that is being made.
const MAX_WAITING: usize = 8;
const CONNECT_TIMEOUT: Duration = Duration::from_secs(5);
/// A handshake that takes longer is none.
pub const HANDSHAKE_TIMEOUT: Duration = Duration::from_secs(10);

struct Connection {
    flow: Flow,
    outbox: Rc<Outbox>,
    /// When something came last.
    heard: Instant,
    /// We made it: a registrar reaches us by it.
    ours: bool,
    /// The far end's, of a connection with TLS that we made.
    certificate: Option<CertificateDer<'static>>,
    _tasks: [Reader; 2],
}

struct Connecting {
    waiting: Vec<Vec<u8>>,
    _task: Reader,
}

struct Handshake {
    id: u64,
    peer: IpAddr,
    _task: Reader,
}

/// All stream connections.
pub struct Streams {
    connections: BTreeMap<ConnectionId, Connection>,
    connecting: HashMap<(Transport, SocketAddr), Connecting>,
    /// In the order in which they began.
    handshakes: Vec<Handshake>,
    next: u64,
    queue: Sender<Signal>,
    inlet: Inlet,
    keyring: Option<Keyring>,
    handshake_pace: Pace,
    /// By whose hop, which name, and where it was found.
    servers: BTreeMap<RegistrationId, (String, Vec<SocketAddr>)>,
    /// Where our TLS connections come from, IPv4 and IPv6; see [`net::Reserved`].
    from: [Option<net::Reserved>; 2],
}

impl Streams {
    pub fn new(queue: Sender<Signal>, inlet: Inlet, keyring: Option<Keyring>, now: Instant) -> Self {
        Streams {
            connections: BTreeMap::new(),
            connecting: HashMap::new(),
            handshakes: Vec::new(),
            next: 0,
            queue,
            inlet,
            keyring,
            handshake_pace: Pace::new(pace::HANDSHAKES, now),
            servers: BTreeMap::new(),
            from: [None, None],
        }
    }

    pub fn keyring(&mut self) -> Option<&mut Keyring> {
        self.keyring.as_mut()
    }

    /// The port that our TLS connections come from, so that a registrar that looks for the Contact's address finds the
    /// connection that is there.
    pub fn tls_port(&mut self, ipv4: bool) -> Option<u16> {
        self.keyring.as_ref()?;
        let slot = &mut self.from[usize::from(!ipv4)];
        if slot.is_none() {
            *slot = net::Reserved::new(ipv4).ok();
        }
        slot.as_ref().map(net::Reserved::port)
    }

    /// A hop will be looked for: the name that its certificate must have.
    pub fn expect(&mut self, registration: RegistrationId, hop: &Hop) {
        let entry = self.servers.entry(registration).or_default();
        entry.0.clone_from(&hop.host);
    }

    /// Where the hop was found.
    pub fn located(&mut self, registration: RegistrationId, targets: &[Target]) {
        if let Some((_, places)) = self.servers.get_mut(&registration)
            && !targets.is_empty()
        {
            *places = targets.iter().map(|t| t.peer).collect();
        }
    }

    /// Every name under which this place was looked for; its number if nobody asked for a name.
    fn names_of(&self, peer: SocketAddr) -> Vec<String> {
        let mut names: Vec<String> = self
            .servers
            .values()
            .filter(|(_, places)| places.contains(&peer))
            .map(|(name, _)| name.trim_matches(['[', ']']).trim_end_matches('.').to_owned())
            .collect();
        names.sort_unstable();
        names.dedup();
        if names.is_empty() {
            names.push(peer.ip().to_canonical().to_string());
        }
        names
    }

    /// For people: the name and number of a place.
    pub fn name_of(&self, flow: &Flow) -> String {
        let names = self.names_of(flow.peer).join(", ");
        format!("{names} ({})", flow.peer)
    }

    /// Whether it may carry what is for this far end and names no connection. By TLS only one that we made, and whose
    /// certificate stands for every name that is meant by now.
    fn carries(&self, connection: &Connection, flow: Flow) -> bool {
        let same = connection.flow.peer == flow.peer && connection.flow.transport == flow.transport;
        let believed = |c| stands_for(c, &self.names_of(flow.peer)).is_ok();
        same && !connection.outbox.is_closing()
            && (flow.transport != Transport::Tls || connection.certificate.as_ref().is_some_and(believed))
    }

    /// Sends octets by a connection that is there or made for it. Returns a flow that is no more.
    #[must_use]
    pub fn transmit(&mut self, flow: Flow, octets: Vec<u8>) -> Option<Flow> {
        let open = flow
            .connection
            .and_then(|id| self.connections.get(&id))
            .or_else(|| self.connections.values().find(|c| self.carries(c, flow)));
        if let Some(connection) = open {
            if connection.outbox.push(&octets) {
                return None;
            }
            // Too slow a reader, or a dead one: end it, the agent goes on without.
            let flow = connection.flow;
            flow.connection.and_then(|id| self.connections.remove(&id));
            return Some(flow);
        }
        if let Some(connecting) = self.connecting.get_mut(&(flow.transport, flow.peer)) {
            if connecting.waiting.len() < MAX_WAITING {
                connecting.waiting.push(octets);
            }
            return None;
        }
        let flow = Flow {
            connection: None,
            ..flow
        };
        if self.connecting.len() >= MAX_CONNECTING {
            return Some(flow);
        }
        let making = match flow.transport {
            Transport::Tls => {
                let Some(keyring) = &self.keyring else {
                    return Some(flow);
                };
                let config = keyring.client();
                let name = self.names_of(flow.peer).swap_remove(0);
                let from = self.tls_port(flow.peer.is_ipv4());
                Making::Tls { name, config, from }
            }
            _ => Making::Tcp,
        };
        let queue = self.queue.clone();
        let task = tokio::task::spawn_local(async move {
            let signal = match make(flow.peer, making).await {
                Ok(wire) => Signal::Connected { flow, wire },
                Err(error) => Signal::Unreachable { flow, error },
            };
            let _ = queue.send(signal).await;
        });
        let connecting = Connecting {
            waiting: vec![octets],
            _task: Reader::new(task),
        };
        self.connecting.insert((flow.transport, flow.peer), connecting);
        None
    }

    /// Takes a connection that a far end made. Returns the flow that had to give way.
    #[must_use]
    pub fn accepted(&mut self, transport: Transport, stream: TcpStream, peer: SocketAddr) -> Option<Flow> {
        net::settle(&stream);
        if transport == Transport::Tls {
            self.shake(stream, peer);
            return None;
        }
        self.take(Transport::Tcp, Wire::Tcp(stream), peer)
    }

    fn take(&mut self, transport: Transport, wire: Wire, peer: SocketAddr) -> Option<Flow> {
        let local = match &wire {
            Wire::Tcp(stream) => stream.local_addr(),
            Wire::Tls(stream) => stream.get_ref().0.local_addr(),
        };
        let flow = Flow {
            transport,
            local: local.ok()?,
            peer,
            connection: None,
        };
        self.adopt(flow, wire, &[], false)
    }

    /// Begins the handshake of a far end that connected to us.
    fn shake(&mut self, stream: TcpStream, peer: SocketAddr) {
        let Some(config) = self.keyring.as_ref().and_then(Keyring::server) else {
            return;
        };
        let registrar = self.inlet.doors.is_registrar(peer.ip());
        if !registrar && !self.handshake_pace.admits(peer.ip(), super::now()) {
            return;
        }
        // The oldest of the same address gives way first: whoever leaves handshakes lying about hinders himself.
        let held = |place: IpAddr| move |h: &&Handshake| h.peer == place;
        let own = host_block(peer.ip());
        if self.handshakes.iter().filter(held(own)).count() >= MAX_HANDSHAKES_EACH {
            self.handshakes
                .iter()
                .position(|h| h.peer == own)
                .map(|i| self.handshakes.remove(i));
        }
        if self.handshakes.len() >= MAX_HANDSHAKES {
            let most = (0..self.handshakes.len()).max_by_key(|i| {
                let place = self.handshakes.get(*i).map(|h| h.peer);
                let share = self.handshakes.iter().filter(|h| Some(h.peer) == place).count();
                (share, std::cmp::Reverse(*i))
            });
            most.map(|i| self.handshakes.remove(i));
        }
        let id = self.next;
        self.next += 1;
        let queue = self.queue.clone();
        let task = tokio::task::spawn_local(async move {
            let result = agree(stream, config).await;
            let _ = queue.send(Signal::Shaken { id, peer, result }).await;
        });
        self.handshakes.push(Handshake {
            id,
            peer: own,
            _task: Reader::new(task),
        });
    }

    /// A handshake is over. Returns the flow that had to give way, and the error if it failed.
    pub fn shaken(
        &mut self,
        id: u64,
        peer: SocketAddr,
        result: std::io::Result<Wire>,
    ) -> (Option<Flow>, Option<std::io::Error>) {
        let before = self.handshakes.len();
        self.handshakes.retain(|h| h.id != id);
        if self.handshakes.len() == before {
            // It gave way while this was on its way.
            return (None, None);
        }
        match result {
            Ok(wire) => (self.take(Transport::Tls, wire, peer), None),
            Err(error) => (None, Some(error)),
        }
    }

    /// Takes a connection that we asked for, and sends what waited for it. Returns the flow that had to give way.
    ///
    /// # Errors
    /// The certificate stands for one of the names at this place, not for all: messages for all go by the one
    /// connection. Some may have been found there while it was made.
    pub fn connected(&mut self, flow: Flow, wire: Wire) -> std::io::Result<Option<Flow>> {
        let connecting = self.connecting.remove(&(flow.transport, flow.peer));
        if let Wire::Tls(stream) = &wire {
            let certificates = stream.get_ref().1.peer_certificates().unwrap_or_default();
            let certificate = certificates.first().ok_or(std::io::Error::other("no certificate"))?;
            stands_for(certificate, &self.names_of(flow.peer))?;
        }
        let waiting = connecting.map(|c| c.waiting.concat()).unwrap_or_default();
        Ok(self.adopt(flow, wire, &waiting, true))
    }

    /// Octets came by this flow. `false`: it is being closed, and nothing more is read from it.
    pub fn heard(&mut self, flow: Flow, now: Instant) -> bool {
        let connection = flow.connection.and_then(|id| self.connections.get_mut(&id));
        connection.is_some_and(|c| {
            c.heard = now;
            !c.outbox.is_closing()
        })
    }

    /// Ends the connection that can best be spared. An address that opens many loses its own; one that we made goes
    /// last, and before it one that a registrar made.
    fn give_way(&mut self) -> Option<Flow> {
        let mut held: HashMap<IpAddr, usize> = HashMap::new();
        for connection in self.connections.values() {
            *held.entry(host_block(connection.flow.peer.ip())).or_default() += 1;
        }
        let spare = |c: &Connection| {
            let peer = c.flow.peer.ip();
            let share = held.get(&host_block(peer)).copied().unwrap_or(0);
            let registrar = self.inlet.doors.is_registrar(peer);
            (!c.ours, !registrar, share, std::cmp::Reverse(c.heard))
        };
        let (id, _) = self.connections.iter().max_by_key(|(_, c)| spare(c))?;
        let id = *id;
        self.connections.remove(&id).map(|c| c.flow)
    }

    fn adopt(&mut self, flow: Flow, wire: Wire, first: &[u8], ours: bool) -> Option<Flow> {
        let full = self.connections.len() >= MAX_CONNECTIONS;
        let gave_way = full.then(|| self.give_way()).flatten();
        let id = ConnectionId(self.next);
        self.next += 1;
        let flow = Flow {
            connection: Some(id),
            ..flow
        };
        let certificate = match &wire {
            Wire::Tls(stream) if ours => stream.get_ref().1.peer_certificates(),
            _ => None,
        };
        let certificate = certificate.and_then(|chain| Some(chain.first()?.clone().into_owned()));
        let outbox = Rc::new(Outbox::default());
        outbox.push(first);
        let tasks = pipe::begin(wire, flow, self.inlet.clone(), outbox.clone());
        self.connections.insert(
            id,
            Connection {
                flow,
                outbox,
                heard: super::now(),
                ours,
                certificate,
                _tasks: tasks,
            },
        );
        gave_way
    }

    /// Forgets a connection that has ended. `false` if it was already forgotten.
    pub fn closed(&mut self, flow: Flow) -> bool {
        match flow.connection {
            Some(id) => self.connections.remove(&id).is_some(),
            None => self.connecting.remove(&(flow.transport, flow.peer)).is_some(),
        }
    }

    /// Ends a connection once what waits for it is written; the agent hears of it like of any other end.
    pub fn close(&mut self, id: ConnectionId) {
        if let Some(connection) = self.connections.get(&id) {
            connection.outbox.close();
        }
    }
}

/// How a connection is made.
enum Making {
    Tcp,
    Tls {
        /// One of those at the place; for the others see [`Streams::connected`].
        name: String,
        config: Arc<ClientConfig>,
        from: Option<u16>,
    },
}

async fn make(peer: SocketAddr, making: Making) -> std::io::Result<Wire> {
    let Making::Tls { name, config, from } = making else {
        return Ok(Wire::Tcp(connect(peer, None).await?));
    };
    let name = server_name(name)?;
    let stream = match connect(peer, from).await {
        // The last connection from there to the same place is not forgotten yet.
        Err(error) if from.is_some() && is_taken(&error) => connect(peer, None).await?,
        other => other?,
    };
    let shaking = TlsConnector::from(config).connect(name, stream);
    let stream = within(
        HANDSHAKE_TIMEOUT,
        shaking,
        "the far end is silent when TLS is to be agreed on: is the port its TLS port, mostly 5061?",
    )
    .await?;
    Ok(Wire::Tls(Box::new(TlsStream::Client(stream))))
}

fn server_name(name: String) -> std::io::Result<ServerName<'static>> {
    ServerName::try_from(name).map_err(|_| std::io::Error::other("a name that no certificate can have"))
}

fn stands_for(certificate: &CertificateDer<'_>, names: &[String]) -> std::io::Result<()> {
    names.iter().try_for_each(|name| {
        tls::fits(certificate, &server_name(name.clone())?)
            .map_err(|e| std::io::Error::new(std::io::ErrorKind::InvalidData, e))
    })
}

fn is_taken(error: &std::io::Error) -> bool {
    use std::io::ErrorKind::{AddrInUse, AddrNotAvailable};
    matches!(error.kind(), AddrInUse | AddrNotAvailable)
}

async fn connect(peer: SocketAddr, from: Option<u16>) -> std::io::Result<TcpStream> {
    within(CONNECT_TIMEOUT, net::tcp_connect(peer, from), "no answer").await
}

async fn agree(stream: TcpStream, config: Arc<ServerConfig>) -> std::io::Result<Wire> {
    let shaking = TlsAcceptor::from(config).accept(stream);
    let stream = within(HANDSHAKE_TIMEOUT, shaking, "it connects and then says nothing").await?;
    Ok(Wire::Tls(Box::new(TlsStream::Server(stream))))
}

async fn within<T>(
    time: Duration,
    what: impl Future<Output = std::io::Result<T>>,
    late: &'static str,
) -> std::io::Result<T> {
    match tokio::time::timeout(time, what).await {
        Ok(result) => result,
        Err(_) => Err(std::io::Error::new(std::io::ErrorKind::TimedOut, late)),
    }
}

#[cfg(test)]
mod tests;
