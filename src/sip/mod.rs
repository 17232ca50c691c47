//! Signalling, without sockets or clock: messages, transactions, registration, calls; SDP; digest.

pub mod agent;
pub mod digest;
pub mod locate;
pub mod network;
pub mod sdp;
pub mod secret;
pub mod session_timer;
pub mod stun;
pub mod transaction;
pub mod wire;
