//! The running gateway as it is seen: from an answer to `status` to what stands on a terminal, or to lines that tell what has changed.
//!
//! Names of callers and streams come from the network: [`Status::of`] makes each text one clean line, and nothing else is drawn.
//! [`Status::of`]: crate::report::status::Status::of

mod changes;
mod draw;

pub use changes::{changes, summary};
pub use draw::{Look, Screen, draw};

#[cfg(test)]
mod tests;
