//! Who speaks on multicast groups, how well it arrives, and what the gateway would do with it.
//!
//! [`Station`] takes datagrams with their times of arrival and tells [`Row`]s. What it is told by strangers is bounded: every
//! table has a named limit, and what did not fit is counted.

mod gateway;
mod range;
mod seen;
mod station;
mod stream;
pub mod text;

pub use gateway::{Gateway, Verdict};
pub use range::{MAX_GROUPS, RangeError, groups, payload};
pub use seen::{Seen, look_into};
pub use station::{
    Counts, Event, MAX_CANDIDATES, MAX_ENDED, MAX_EVENTS, MAX_STREAMS, SILENT_BEFORE_EVICTION, Settings, Station,
};
pub use stream::{Row, State, StreamId};

#[cfg(test)]
mod tests;
