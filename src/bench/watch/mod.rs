//! The running gateway as it is seen: from an answer to `status` to what stands on a terminal, or to lines that tell what has changed.
//!
//! Names of callers and streams come from the network: [`View::of`] makes each text one clean line, and nothing else is drawn.

mod changes;
mod draw;
mod view;

pub use changes::{changes, summary};
pub use draw::{Look, Screen, draw};
pub use view::{Level, Page, Past, Registration, Relay, View, Zone};

#[cfg(test)]
mod tests;
