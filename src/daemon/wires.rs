//! The signalling transports: UDP sockets, listening sockets. Carries octets, reads none. Stream
//! connections are in [`super::streams`].

use std::cell::RefCell;
use std::net::{IpAddr, SocketAddr};
use std::rc::Rc;
use std::time::Instant;

use tokio::sync::mpsc::Sender;

use super::intake::Inlet;
use super::names::Names;
use super::pace::{self, Pace};
use super::ports::{self, Reader};
use super::signal::Signal;
use super::streams::Streams;
use crate::config::plan;
use crate::device::net::{self, DatagramSocket, World};
use crate::sip::agent::{Flow, Hop, RegistrationId, Target, Transport};
use crate::sip::locate::{Means, Place};
use crate::tls::Keyring;

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
    names: Names,
    queue: Sender<Signal>,
    advertise: Option<IpAddr>,
    world: World,
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
        sip: &plan::Sip,
        queue: Sender<Signal>,
        inlet: Inlet,
        keyring: Option<Keyring>,
        world: &World,
        now: Instant,
    ) -> Result<Self, ListenError> {
        let mut wires = Wires {
            udp: Vec::new(),
            listeners: Vec::new(),
            streams: Streams::new(queue.clone(), inlet.clone(), keyring, now),
            names: Names::new(),
            queue,
            advertise: sip.advertise,
            world: world.clone(),
        };
        let pace = Rc::new(RefCell::new(Pace::new(pace::CONNECTIONS, now)));
        for &(transport, address) in &sip.listen {
            match transport {
                Transport::Udp => {
                    let socket = Rc::new(world.sip_udp(address)?);
                    let local = socket.local_addr()?;
                    let reader = ports::read_sip(socket.clone(), local, inlet.clone(), wires.queue.clone());
                    wires.udp.push(Udp {
                        socket,
                        local,
                        _reader: reader,
                    });
                }
                Transport::Tcp | Transport::Tls if matches!(world, World::Simulated(_)) => {}
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

    /// Where a peer reaches us now, if that is another address than the one that the flow begins at.
    pub fn has_moved(&self, flow: &Flow) -> Option<IpAddr> {
        own_address(&self.world, self.advertise, flow.peer).filter(|ip| *ip != flow.local.ip())
    }

    /// Looks up where a hop is; the answer comes as [`Signal::Resolved`].
    pub fn resolve(&mut self, registration: RegistrationId, hop: Hop) {
        const ALL: [Transport; 3] = [Transport::Udp, Transport::Tcp, Transport::Tls];
        self.streams.expect(registration, &hop);
        let ports = ALL.map(|t| [self.port_for(t, true), self.port_for(t, false)]);
        let means = ALL.iter().zip(ports).map(|(transport, [ipv4, ipv6])| Means {
            transport: *transport,
            ipv4: ipv4.is_some(),
            ipv6: ipv6.is_some(),
        });
        let (queue, advertise, world) = (self.queue.clone(), self.advertise, self.world.clone());
        let target = move |place: Place| {
            let port = ports[place.transport as usize][usize::from(place.peer.is_ipv6())]?;
            let ip = own_address(&world, advertise, place.peer)?;
            Some(Target {
                transport: place.transport,
                peer: place.peer,
                local: SocketAddr::new(ip, port),
                rank: place.rank,
            })
        };
        self.names.find(
            &self.world,
            registration,
            hop,
            means.collect(),
            move |registration, found| {
                let targets = match found {
                    Ok(places) => {
                        let targets: Vec<Target> = places.into_iter().filter_map(&target).collect();
                        if targets.is_empty() {
                            Err("there is no route to it".to_owned())
                        } else {
                            Ok(targets)
                        }
                    }
                    Err(e) => Err(e.to_string()),
                };
                let queue = queue.clone();
                async move {
                    let _ = queue.send(Signal::Resolved { registration, targets }).await;
                }
            },
        );
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

/// Where the peer reaches us: as configured, or else what the system would send from. `None` without a way to it.
fn own_address(world: &World, advertise: Option<IpAddr>, peer: SocketAddr) -> Option<IpAddr> {
    advertise
        .filter(|ip| ip.is_ipv4() == peer.is_ipv4())
        .or_else(|| world.local_address_for(peer))
}
