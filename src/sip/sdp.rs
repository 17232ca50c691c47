//! Offer and answer of the one audio stream (RFC 8866, RFC 3264).

use std::net::{IpAddr, SocketAddr};

use crate::media::{Codec, PayloadMap};

/// What we can do and where.
#[derive(Debug, Clone)]
pub struct Local {
    pub address: IpAddr,
    pub rtp_port: u16,
    /// Preferred first.
    pub codecs: Vec<Codec>,
    /// For `o=`: the same for the life of a call, the version grows with every change.
    pub session_id: u64,
    pub version: u64,
}

/// Who may send, seen from us.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    SendRecv,
    SendOnly,
    RecvOnly,
    Inactive,
}

/// What was agreed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Agreed {
    /// Where the far end wants RTP; `None` while it is on hold by a zero address or port.
    pub remote: Option<SocketAddr>,
    /// Payload types that may arrive; the first audio one is what we send.
    pub payloads: PayloadMap,
    /// Our direction.
    pub direction: Direction,
    /// Milliseconds per packet that the far end asked for (default 20).
    pub ptime: u32,
}

/// Why a body was not accepted.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SdpError {
    /// 400 with a Warning.
    #[error("unreadable session description: {0}")]
    Unreadable(String),
    /// 488 Not Acceptable Here.
    #[error("nothing in the offer fits: {0}")]
    NothingFits(String),
}

/// Answers an offer (RFC 3264 §6).
/// # Errors
/// [`SdpError`]: the status that the call deserves.
pub fn answer(_offer: &[u8], _local: &Local) -> Result<(Vec<u8>, Agreed), SdpError> {
    todo!()
}

/// Our own offer, for an INVITE without one (RFC 3261 §13.2.1).
pub fn offer(_local: &Local) -> Vec<u8> {
    todo!()
}

/// Reads the answer to [`offer`].
/// # Errors
/// [`SdpError`].
pub fn accept(_answer: &[u8], _local: &Local) -> Result<Agreed, SdpError> {
    todo!()
}
