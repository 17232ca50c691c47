//! What happened: page records, journal messages and where they are written.
//!
//! [`message`] is the list of everything that the daemon may say, [`record`] the story of one page; both become an
//! [`entry::Entry`], which [`journal`] writes. No message is written per packet.
//! [`metrics`] counts both. [`status`] is how everything stands at one moment, for who asks.

pub mod entry;
pub mod journal;
pub mod message;
pub mod metrics;
pub mod record;
pub mod status;
pub mod text;
pub mod time;
pub mod why;
