//! What is handed over: the record sheet for the customer and the next technician, and one page for the wall.
//!
//! [`record`] and [`wall`] make a [`Document`] out of plan, outcomes and [`Particulars`]; [`markdown`] and [`html`] write it. None of them has
//! passwords, keys, codes or their hashes: those parts of the plan are not read here.

mod document;
mod html;
mod markdown;
mod premises;
mod proof;
mod record;
mod settings;
#[cfg(test)]
mod tests;
mod wall;
mod ways;
mod words;

pub use document::{Block, Document, Paper, Place, Section, Table};
pub use html::html;
pub use markdown::markdown;
pub use proof::{Thing, things};
pub use record::record;
pub use wall::{MAX_HEIGHT, height, wall};
pub use ways::{Way, calls, others, tones};

use super::wiring::Board;

/// What no plan knows. What is not told is left blank, to be written in by hand.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Particulars {
    /// As it is printed: `2027-03-02`.
    pub date: String,
    /// Of the program.
    pub version: String,
    /// The config file's name.
    pub config: String,
    /// Day of its last change, `YYYY-MM-DD`.
    pub changed: Option<String>,
    pub customer: Option<String>,
    pub address: Option<String>,
    pub installer: Option<String>,
    pub phone: Option<String>,
    /// Where the board's lines come out.
    pub board: Board,
    /// Lines of the logbook that are no outcomes.
    pub unread: usize,
}
