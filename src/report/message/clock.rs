//! Messages about the clock on the wall.

use std::time::Duration;

use super::super::entry::Entry;
use super::{kind, seconds};

#[derive(Debug, Clone, PartialEq)]
pub enum ClockMessage {
    /// Hours and quiet hours hold nobody back, nothing is due.
    NotSet,
    /// The clock was set, or nobody looked at it for so long.
    Jumped { by: Duration, forward: bool },
    /// A schedule's time has come.
    Due { schedule: String },
}

impl ClockMessage {
    pub(super) fn entry(&self) -> Entry {
        match self {
            ClockMessage::NotSet => Entry::new(
                kind::CLOCK_NOT_SET,
                "the clock is not set: until it is, hours hold nobody back and no schedule plays",
            ),
            ClockMessage::Jumped { by, forward } => {
                let by = seconds(*by);
                let text = match forward {
                    true => format!(
                        "the clock was set forward by {by}, or the board slept: what fell due meanwhile is not played"
                    ),
                    false => format!("the clock was set back by {by}: what falls due again is played again"),
                };
                Entry::new(kind::CLOCK_JUMPED, text).with("JUMPED_BY", by)
            }
            ClockMessage::Due { schedule } => {
                Entry::new(kind::SCHEDULE_DUE, format!("schedule {schedule} is due")).with("SCHEDULE", schedule)
            }
        }
    }
}
