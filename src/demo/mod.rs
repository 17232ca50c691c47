//! The whole job on the embedded default: a built-in phone system, callers and a multicast sender around the same
//! gateway that `hornwire run` starts. Only the edges are stand-ins: the card is a file, the relays are simulated.
#![allow(clippy::disallowed_methods)]

pub mod peers;
mod recording;
mod show;
mod stage;
#[cfg(test)]
mod tests;
mod timeline;
pub mod voice;

pub use recording::{Recordings, ZoneRecording, take_apart};
pub use show::{Outcome, run};
pub use stage::{DemoError, Files, Played, Stage};
pub use timeline::Timeline;
