//! Messages about the local command, and about who reads figures.

use std::net::SocketAddr;
use std::time::Duration;

use super::super::entry::Entry;
use super::kind;
use crate::page::PageId;

#[derive(Debug, Clone, PartialEq)]
pub enum LocalMessage {
    /// Its socket cannot be made: `hornwire status` will find nobody.
    NoSocket { path: String, cause: String },
    /// Figures cannot be served there: somebody else does, perhaps.
    NoMetrics { address: SocketAddr, cause: String },
    /// Somebody on the board announces something.
    Announces { page: PageId, uid: u32 },
    /// Somebody on the board plays a test signal.
    Tests { page: PageId, signal: String, uid: u32 },
    /// Somebody on the board operates a relay for a test.
    Operates { relay: String, length: Duration, uid: u32 },
    /// Somebody on the board ended a page.
    Stopped { page: PageId, source: String, uid: u32 },
}

impl LocalMessage {
    pub(super) fn entry(&self) -> Entry {
        match self {
            LocalMessage::NoSocket { path, cause } => {
                Entry::new(kind::NO_SOCKET, format!("no local command at {path}: {cause}"))
                    .with("SOCKET", path)
                    .with("CAUSE", cause)
            }
            LocalMessage::NoMetrics { address, cause } => {
                Entry::new(kind::NO_METRICS, format!("no figures are served at {address}: {cause}"))
                    .with("ADDRESS", address)
                    .with("CAUSE", cause)
            }
            LocalMessage::Announces { page, uid } => Entry::new(
                kind::LOCAL_ANNOUNCES,
                format!("page {} is announced by the user with uid {uid}", page.0),
            )
            .with("PAGE_ID", page.0)
            .with("BY_UID", uid),
            LocalMessage::Tests { page, signal, uid } => Entry::new(
                kind::LOCAL_TESTS,
                format!("page {} is a test, {signal}, by the user with uid {uid}", page.0),
            )
            .with("PAGE_ID", page.0)
            .with("SIGNAL", signal)
            .with("BY_UID", uid),
            LocalMessage::Operates { relay, length, uid } => Entry::new(
                kind::LOCAL_OPERATES,
                format!(
                    "relay {relay} is operated for a test by the user with uid {uid}, for at most {} s",
                    length.as_secs_f32()
                ),
            )
            .with("RELAY", relay)
            .with("BY_UID", uid),
            LocalMessage::Stopped { page, source, uid } => Entry::new(
                kind::LOCAL_STOPPED,
                format!("page {} from {source} is ended by the user with uid {uid}", page.0),
            )
            .with("PAGE_ID", page.0)
            .with("SOURCE", source)
            .with("BY_UID", uid),
        }
    }
}
