//! The as-built wiring sheet of a plan.
//!
//! [`sheet`] makes parts, terminals and wires out of a [`Plan`](crate::config::plan::Plan): data, which tests check. [`Sheet`]'s `Display` is
//! the terminal table as text; [`draw`] is the drawing, one SVG a sheet of A4.

mod amplifiers;
mod build;
mod cautions;
mod drawing;
mod header;
mod sheet;
#[cfg(test)]
mod tests;
mod text;

pub use build::sheet;
pub use cautions::CAUTIONS;
pub use drawing::{draw, figures};
pub use header::{Board, HEADER, Pin};
pub use sheet::{Circuit, End, Kind, Part, PartId, Sheet, Use, Wire, WireId};
