//! The others on the wire: a phone system, people with telephones, a multicast sender. Real SIP and RTP over
//! loopback sockets.
//!
//! They read and write SIP with a few lines of their own, apart from the gateway's, so that a mistake of one is not
//! covered up by the same mistake of the other.

mod beep;
mod caller;
mod log;
mod message;
mod registrar;
mod rtp;
mod sender;
#[cfg(test)]
mod tests;

pub use beep::{Beep, BeepMeter};
pub use caller::{CallEnd, CallReport, CallSettings, Caller, Opening};
pub use log::{Log, MAX_ENTRIES, Note};
pub use registrar::{Account, Registrar, RegistrarSettings};
pub use sender::{MulticastSender, SenderSettings};

use std::net::{IpAddr, SocketAddr};

use tokio::net::UdpSocket;

/// A peer's socket could not do its work.
#[derive(Debug, thiserror::Error)]
#[error("{who}: {what} {address}: {cause}")]
pub struct PeerError {
    pub who: &'static str,
    pub what: &'static str,
    pub address: SocketAddr,
    pub cause: std::io::Error,
}

/// Largest datagram read.
const MAX_DATAGRAM: usize = 65_535;

async fn bind(who: &'static str, address: SocketAddr) -> Result<(UdpSocket, SocketAddr), PeerError> {
    let fail = |cause| PeerError {
        who,
        what: "cannot bind",
        address,
        cause,
    };
    let socket = UdpSocket::bind(address).await.map_err(fail)?;
    let local = socket.local_addr().map_err(fail)?;
    Ok((socket, local))
}

/// Any free port of this address.
fn any_port(address: IpAddr) -> SocketAddr {
    SocketAddr::new(address, 0)
}
