//! Messages about the local command, and about who reads figures.

use std::net::SocketAddr;

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
