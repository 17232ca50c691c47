//! Reader tasks: each waits on one socket and hands what came to the control task through a bounded queue.
//!
//! The queues are first come, first served among the readers, so that a flood at one port slows its own reader and
//! not the others; signalling is fair among far ends as well (see [`super::intake`]).

use std::cell::RefCell;
use std::net::SocketAddr;
use std::rc::Rc;
use std::time::{Duration, Instant};

use tokio::net::TcpListener;
use tokio::sync::mpsc::Sender;
use tokio::task::JoinHandle;

use super::doors::Doors;
use super::intake::Inlet;
use super::pace::Pace;
use super::signal::Signal;
use crate::device::net::DatagramSocket;
use crate::media::MAX_PAYLOAD;
use crate::sip::agent::{CallId, Flow, Transport};

/// Datagrams of RTP that may wait for the control task.
pub const RTP_QUEUE: usize = 256;
/// What the driver's own tasks tell the control task (connections, names found), waiting.
pub const SIP_QUEUE: usize = 64;
/// Largest SIP datagram: what UDP can carry.
const SIP_DATAGRAM: usize = 65_535;
/// Largest RTP datagram kept: the largest payload with all that may stand before and behind it (CSRCs, an extension, SRTP).
const RTP_DATAGRAM: usize = MAX_PAYLOAD + 256;
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

/// Reads RTP from a socket until dropped. Of what is not `wanted` nothing is kept.
pub fn read_rtp(
    socket: Rc<DatagramSocket>,
    port: Port,
    queue: Sender<Arrival>,
    mut wanted: impl FnMut(SocketAddr, &[u8], Instant) -> bool + 'static,
) -> Reader {
    Reader::new(tokio::task::spawn_local(async move {
        let mut buffer = vec![0; RTP_DATAGRAM];
        loop {
            match socket.recv(&mut buffer).await {
                Ok(datagram) if !wanted(datagram.peer, &buffer[..datagram.len], datagram.at) => {}
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

/// Reads SIP datagrams from a listening socket until dropped. Of strangers nothing is kept.
pub fn read_sip(socket: Rc<DatagramSocket>, local: SocketAddr, inlet: Inlet, queue: Sender<Signal>) -> Reader {
    Reader::new(tokio::task::spawn_local(async move {
        let mut buffer = vec![0; SIP_DATAGRAM];
        loop {
            let datagram = match socket.recv(&mut buffer).await {
                Ok(datagram) => datagram,
                Err(_) => {
                    tokio::time::sleep(PAUSE_AFTER_ERROR).await;
                    continue;
                }
            };
            let octets = &buffer[..datagram.len];
            let peer = datagram.peer.ip();
            let flow = Flow {
                transport: Transport::Udp,
                local: SocketAddr::new(datagram.local_ip.unwrap_or(local.ip()), local.port()),
                peer: datagram.peer,
                connection: None,
            };
            let now = super::now();
            if inlet.doors.admits(peer) {
                let signal = || Signal::Datagram {
                    flow,
                    octets: octets.to_vec(),
                };
                let registrar = inlet.doors.is_registrar(peer);
                inlet.intake.offer(peer, registrar, octets.len(), signal, now);
            } else if inlet.doors.stranger(octets.starts_with(b"INVITE "), now) {
                let octets = octets.to_vec();
                let _ = queue.try_send(Signal::Stranger { flow, octets });
            }
        }
    }))
}

/// Accepts stream connections until dropped. A stranger's is cut off before anything is read from it.
pub fn accept(
    transport: Transport,
    listener: TcpListener,
    doors: Doors,
    pace: Rc<RefCell<Pace>>,
    queue: Sender<Signal>,
) -> Reader {
    Reader::new(tokio::task::spawn_local(async move {
        let mut spare = Spare::new();
        loop {
            let (stream, peer) = match listener.accept().await {
                Ok(accepted) => accepted,
                Err(error) => {
                    if !is_out_of_descriptors(&error) || !spare.cut_off_one(&listener).await {
                        tokio::time::sleep(PAUSE_AFTER_ERROR).await;
                    }
                    continue;
                }
            };
            let now = super::now();
            if !doors.admits(peer.ip()) {
                drop(stream);
                if doors.stranger(true, now) {
                    let _ = queue.try_send(Signal::StrangeConnection { peer });
                }
                continue;
            }
            if !doors.is_registrar(peer.ip()) && !pace.borrow_mut().admits(peer.ip(), now) {
                continue;
            }
            let accepted = Signal::Accepted {
                transport,
                stream,
                peer,
            };
            if queue.send(accepted).await.is_err() {
                return;
            }
        }
    }))
}

fn is_out_of_descriptors(error: &std::io::Error) -> bool {
    matches!(error.raw_os_error(), Some(libc::EMFILE | libc::ENFILE))
}

/// A descriptor kept for when there is no other: with it a connection that cannot be served is taken and cut off,
/// instead of keeping those behind it waiting.
struct Spare(Option<std::fs::File>);

impl Spare {
    fn new() -> Self {
        Spare(std::fs::File::open("/dev/null").ok())
    }

    /// False when there was none.
    async fn cut_off_one(&mut self, listener: &TcpListener) -> bool {
        if self.0.take().is_none() {
            *self = Spare::new();
            return self.0.is_some();
        }
        drop(tokio::time::timeout(PAUSE_AFTER_ERROR, listener.accept()).await);
        *self = Spare::new();
        true
    }
}
