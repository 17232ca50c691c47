//! The operating-system edges: sound cards and relays, each with a simulated twin.
#![allow(clippy::disallowed_methods)]

pub mod audio;
pub mod memory;
pub mod net;
pub mod relay;
pub mod service;
pub mod sink;
pub mod terminal;
