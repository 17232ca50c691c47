//! The signalling transports: UDP sockets, listening sockets, name resolution. Carries octets, reads none. Stream
//! connections are in [`super::streams`].

use std::cell::RefCell;
use std::collections::HashMap;
use std::net::{IpAddr, SocketAddr};
use std::rc::Rc;
use std::time::{Duration, Instant};

use tokio::sync::mpsc::Sender;

use super::pace::{self, Pace};
use super::pipe::Inlet;
use super::ports::{self, Reader, Signal};
use super::streams::Streams;
use crate::device::net::{self, DatagramSocket};
use crate::sip::agent::{Flow, Hop, RegistrationId, Target, Transport};
use crate::tls::Keyring;

const RESOLVE_TIMEOUT: Duration = Duration::from_secs(5);
struct Udp {
    socket: Rc<DatagramSocket>,
    local: SocketAddr,
    _reader: Reader,
}

/// All signalling sockets.
pub struct Wires {
    udp: Vec<Udp>,
    listeners: Vec<(Transport, SocketAddr, Reader)>,
    pub(super) streams: Streams,
    resolving: HashMap<RegistrationId, Reader>,
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
        inlet: Inlet,
        keyring: Option<Keyring>,
        now: Instant,
    ) -> Result<Self, ListenError> {
        let mut wires = Wires {
            udp: Vec::new(),
            listeners: Vec::new(),
            streams: Streams::new(queue.clone(), inlet.clone(), keyring, now),
            resolving: HashMap::new(),
            queue,
            advertise,
        };
        let pace = Rc::new(RefCell::new(Pace::new(pace::CONNECTIONS, now)));
        for &(transport, address) in listen {
            match transport {
                Transport::Udp => {
                    let socket = Rc::new(net::sip_udp(address)?);
                    let local = socket.local_addr()?;
                    let reader = ports::read_sip(socket.clone(), local, inlet.clone(), wires.queue.clone());
                    wires.udp.push(Udp {
                        socket,
                        local,
                        _reader: reader,
                    });
                }
                Transport::Tcp | Transport::Tls => {
                    let listener = net::tcp_listener(address)?;
                    let local = listener.local_addr()?;
                    let queue = wires.queue.clone();
                    let reader = ports::accept(transport, listener, inlet.doors.clone(), pace.clone(), queue);
                    wires.listeners.push((transport, local, reader));
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
            Transport::Tcp | Transport::Tls => self.streams.transmit(flow, octets),
        }
    }

    /// Looks up where a hop is; the answer comes as [`Signal::Resolved`].
    pub fn resolve(&mut self, registration: RegistrationId, hop: Hop) {
        self.streams.expect(registration, &hop);
        let queue = self.queue.clone();
        let transport = hop.plain_transport();
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

    /// The port where we can be called by this transport and family. Without a TLS socket that is the port from which
    /// we connect: calls come by the connection that is there.
    fn port_for(&mut self, transport: Transport, ipv4: bool) -> Option<u16> {
        let fits = |address: &SocketAddr| address.is_ipv4() == ipv4;
        let listening = match transport {
            Transport::Udp => self.udp.iter().map(|u| u.local).find(fits),
            Transport::Tcp | Transport::Tls => {
                let same = self.listeners.iter().filter(|(t, _, _)| *t == transport);
                same.map(|(_, local, _)| *local).find(fits)
            }
        };
        match (listening, transport) {
            (Some(address), _) => Some(address.port()),
            (None, Transport::Tls) => self.streams.tls_port(ipv4),
            (None, _) => None,
        }
    }
}
