//! Text to a checked plan.

pub mod plan;
