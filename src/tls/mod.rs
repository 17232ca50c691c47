//! TLS for signalling: the files it needs, whom it believes, and what is said when a handshake fails.
//!
//! rustls does the protocol (TLS 1.2 and 1.3, ring); this room makes its configurations from the files of the
//! `[tls]` table ([`Material`]), keeps them fresh ([`Keyring`]), checks names as SIP wants them (RFC 5922 §7) and
//! puts failures into words ([`explain`]).
#![allow(clippy::disallowed_methods)] // certificates live by the wall clock

mod cause;
mod der;
mod files;
mod keyring;
mod names;

use std::path::PathBuf;
use std::time::SystemTime;

pub use cause::{day, explain};
pub use files::{Fault, Material, Part};
pub use keyring::{Keyring, RENEW_EVERY, Renewal};
pub use names::fits;

/// Where the files are. Nothing set: the system's roots, no certificate of our own.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Files {
    /// Whom to believe as a registrar or proxy; the system's roots if `None`.
    pub ca: Option<PathBuf>,
    /// Our certificate, with the chain behind it; for listening, and for far ends that ask for one.
    pub certificate: Option<PathBuf>,
    pub key: Option<PathBuf>,
    /// Whoever connects to us must show a certificate of this CA.
    pub client_ca: Option<PathBuf>,
}

impl Files {
    /// The files that are set.
    pub fn all(&self) -> impl Iterator<Item = &PathBuf> {
        [&self.ca, &self.certificate, &self.key, &self.client_ca]
            .into_iter()
            .flatten()
    }
}

/// From when until when a certificate holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Validity {
    pub from: SystemTime,
    pub until: SystemTime,
}

#[cfg(test)]
mod tests;
