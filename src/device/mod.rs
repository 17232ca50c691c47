//! The operating-system edges: sound cards, captures, relays and contacts, each with a simulated twin.
#![allow(clippy::disallowed_methods)]

pub mod audio;
pub mod capture;
pub mod contact;
pub(crate) mod gpio;
pub mod memory;
pub mod net;
pub mod news;
pub(crate) mod pcm;
pub mod relay;
pub mod service;
pub mod sink;
pub mod source;
pub(crate) mod supervise;
pub mod terminal;
