//! What the sockets and the driver's own tasks tell the control task about signalling.

use std::net::SocketAddr;

use tokio::net::TcpStream;

use crate::sip::agent::{Flow, RegistrationId, Target, Transport};

/// A connection, open and agreed on.
#[derive(Debug)]
pub enum Wire {
    Tcp(TcpStream),
    Tls(Box<tokio_rustls::TlsStream<TcpStream>>),
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
    /// An INVITE of a stranger: for the journal only.
    Stranger {
        flow: Flow,
        octets: Vec<u8>,
    },
    /// A stranger connected, and was cut off.
    StrangeConnection {
        peer: SocketAddr,
    },
    Accepted {
        transport: Transport,
        stream: TcpStream,
        peer: SocketAddr,
    },
    /// A handshake with a far end that connected to us is over.
    Shaken {
        id: u64,
        peer: SocketAddr,
        result: std::io::Result<Wire>,
    },
    Connected {
        flow: Flow,
        wire: Wire,
    },
    /// The connection could not be made.
    Unreachable {
        flow: Flow,
        error: std::io::Error,
    },
    /// The connection ends because of this.
    Fault {
        flow: Flow,
        error: std::io::Error,
    },
    /// The connection ended.
    Closed(Flow),
    /// Where a registration's server is, or why that is not known.
    Resolved {
        registration: RegistrationId,
        targets: Result<Vec<Target>, String>,
    },
}
