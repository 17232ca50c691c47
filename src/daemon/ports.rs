//! Reader tasks: each waits on one socket and hands what came to the control task through a bounded queue.
//!
//! The queues are first come, first served among the readers, so that a flood at one port slows its own reader and
//! not the others.

use std::net::SocketAddr;
use std::rc::Rc;
use std::time::{Duration, Instant};

use tokio::sync::mpsc::Sender;
use tokio::task::JoinHandle;

use crate::device::net::DatagramSocket;
use crate::sip::agent::{CallId, Flow, RegistrationId, Target, Transport};

/// Datagrams of RTP that may wait for the control task.
pub const RTP_QUEUE: usize = 256;
/// SIP messages and stream pieces that may wait for the control task.
pub const SIP_QUEUE: usize = 64;
/// Largest SIP datagram: what UDP can carry.
const SIP_DATAGRAM: usize = 65_535;
/// Largest RTP datagram kept: an Ethernet frame.
const RTP_DATAGRAM: usize = 1500;
/// A socket that keeps failing is not read in a hot loop.
const PAUSE_AFTER_ERROR: Duration = Duration::from_millis(100);

/// Which session an RTP datagram belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Port {
    Call(CallId),
    /// Indexes the plan's groups.
    Group(usize),
}

/// One RTP or RTCP datagram.
#[derive(Debug)]
pub struct Arrival {
    pub port: Port,
    pub peer: SocketAddr,
    pub octets: Vec<u8>,
    pub at: Instant,
}

/// What came on the signalling sockets.
#[derive(Debug)]
pub enum Signal {
    Datagram {
        flow: Flow,
        octets: Vec<u8>,
    },
    Stream {
        flow: Flow,
        octets: Vec<u8>,
    },
    Accepted {
        stream: tokio::net::TcpStream,
        peer: SocketAddr,
    },
    Connected {
        flow: Flow,
        stream: tokio::net::TcpStream,
    },
    /// The connection ended, or could not be made (no connection id then).
    Closed(Flow),
    Resolved {
        registration: RegistrationId,
        targets: Vec<Target>,
    },
}

/// Ends its task when dropped.
#[derive(Debug)]
pub struct Reader(JoinHandle<()>);

impl Reader {
    pub fn new(task: JoinHandle<()>) -> Self {
        Reader(task)
    }
}

impl Drop for Reader {
    fn drop(&mut self) {
        self.0.abort();
    }
}

/// Reads RTP from a socket until dropped.
pub fn read_rtp(socket: Rc<DatagramSocket>, port: Port, queue: Sender<Arrival>) -> Reader {
    Reader::new(tokio::task::spawn_local(async move {
        let mut buffer = vec![0; RTP_DATAGRAM];
        loop {
            match socket.recv(&mut buffer).await {
                Ok(datagram) => {
                    // A truncated one cannot be valid any more; it goes on empty so that it is counted.
                    let octets = if datagram.truncated {
                        Vec::new()
                    } else {
                        buffer[..datagram.len].to_vec()
                    };
                    let arrival = Arrival {
                        port,
                        peer: datagram.peer,
                        octets,
                        at: datagram.at,
                    };
                    if queue.send(arrival).await.is_err() {
                        return;
                    }
                }
                Err(_) => tokio::time::sleep(PAUSE_AFTER_ERROR).await,
            }
        }
    }))
}

/// Reads SIP datagrams from a listening socket until dropped.
pub fn read_sip(socket: Rc<DatagramSocket>, local: SocketAddr, queue: Sender<Signal>) -> Reader {
    Reader::new(tokio::task::spawn_local(async move {
        let mut buffer = vec![0; SIP_DATAGRAM];
        loop {
            match socket.recv(&mut buffer).await {
                Ok(datagram) => {
                    let ip = datagram.local_ip.unwrap_or(local.ip());
                    let flow = Flow {
                        transport: Transport::Udp,
                        local: SocketAddr::new(ip, local.port()),
                        peer: datagram.peer,
                        connection: None,
                    };
                    let octets = buffer[..datagram.len].to_vec();
                    if queue.send(Signal::Datagram { flow, octets }).await.is_err() {
                        return;
                    }
                }
                Err(_) => tokio::time::sleep(PAUSE_AFTER_ERROR).await,
            }
        }
    }))
}

/// Accepts TCP connections until dropped.
pub fn accept_tcp(listener: tokio::net::TcpListener, queue: Sender<Signal>) -> Reader {
    Reader::new(tokio::task::spawn_local(async move {
        loop {
            match listener.accept().await {
                Ok((stream, peer)) => {
                    if queue.send(Signal::Accepted { stream, peer }).await.is_err() {
                        return;
                    }
                }
                Err(_) => tokio::time::sleep(PAUSE_AFTER_ERROR).await,
            }
        }
    }))
}
