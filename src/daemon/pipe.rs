//! One stream connection's two tasks: one reads, one writes what waits.

use std::cell::{Cell, RefCell};
use std::rc::Rc;
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::sync::Notify;

use super::intake::Inlet;
use super::ports::Reader;
use super::signal::{Signal, Wire};
use crate::sip::agent::Flow;

/// Octets that may wait to be written to one connection: the answers to all requests that one turn can read from it.
const WRITE_BUFFER: usize = 512 * 1024;
/// A far end that does not take our octets for this long is gone.
const WRITE_TIMEOUT: Duration = Duration::from_secs(10);
/// Octets read at a time.
const PIECE: usize = 4096;

/// What waits to be written to one connection.
#[derive(Default)]
pub struct Outbox {
    octets: RefCell<Vec<u8>>,
    /// Nothing more comes: write the rest, then end the connection.
    closing: Cell<bool>,
    wake: Notify,
}

impl Outbox {
    /// `false`: there is no room; nothing was taken.
    pub fn push(&self, octets: &[u8]) -> bool {
        let mut waiting = self.octets.borrow_mut();
        if waiting.len() + octets.len() > WRITE_BUFFER {
            return false;
        }
        waiting.extend_from_slice(octets);
        self.wake.notify_one();
        true
    }

    pub fn close(&self) {
        self.closing.set(true);
        self.wake.notify_one();
    }

    pub fn is_closing(&self) -> bool {
        self.closing.get()
    }
}

/// Begins reading and writing. Both end when dropped, or with [`Signal::Closed`].
pub fn begin(wire: Wire, flow: Flow, inlet: Inlet, outbox: Rc<Outbox>) -> [Reader; 2] {
    match wire {
        Wire::Tcp(stream) => {
            let (read, write) = stream.into_split();
            tasks(read, write, flow, inlet, outbox)
        }
        Wire::Tls(stream) => {
            let (read, write) = tokio::io::split(stream);
            tasks(read, write, flow, inlet, outbox)
        }
    }
}

fn tasks(
    read: impl AsyncRead + Unpin + 'static,
    write: impl AsyncWrite + Unpin + 'static,
    flow: Flow,
    inlet: Inlet,
    outbox: Rc<Outbox>,
) -> [Reader; 2] {
    let reader = tokio::task::spawn_local(reading(read, flow, inlet.clone()));
    let writer = tokio::task::spawn_local(writing(write, flow, inlet, outbox));
    [Reader::new(reader), Reader::new(writer)]
}

async fn reading(mut read: impl AsyncRead + Unpin, flow: Flow, inlet: Inlet) {
    let mut buffer = vec![0; PIECE];
    let peer = flow.peer.ip();
    loop {
        match read.read(&mut buffer).await {
            Ok(0) => break,
            Ok(n) => {
                let octets = buffer[..n].to_vec();
                inlet.carry(peer, Signal::Stream { flow, octets }).await;
            }
            Err(error) => {
                // What TLS 1.3 says of our certificate comes after the handshake.
                if error.kind() == std::io::ErrorKind::InvalidData {
                    inlet.push(peer, Signal::Fault { flow, error });
                }
                break;
            }
        }
    }
    inlet.push(peer, Signal::Closed(flow));
}

async fn writing(mut write: impl AsyncWrite + Unpin, flow: Flow, inlet: Inlet, outbox: Rc<Outbox>) {
    loop {
        let octets = outbox.octets.take();
        if octets.is_empty() {
            if outbox.closing.get() {
                let _ = tokio::time::timeout(WRITE_TIMEOUT, write.shutdown()).await;
                break;
            }
            outbox.wake.notified().await;
            continue;
        }
        let written = async {
            write.write_all(&octets).await?;
            // TLS keeps octets back until it is told.
            write.flush().await
        };
        if !matches!(tokio::time::timeout(WRITE_TIMEOUT, written).await, Ok(Ok(()))) {
            break;
        }
    }
    inlet.push(flow.peer.ip(), Signal::Closed(flow));
}
