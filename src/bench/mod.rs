//! The installer's bench: what is worked out from a plan before, while and after somebody stands on the ladder. Pure: no clock, file or
//! socket; `cli` reads and prints.

pub mod calibrate;
pub mod commission;
#[cfg(test)]
mod examples;
pub mod handover;
pub mod levels;
pub mod listen;
pub mod logbook;
pub mod watch;
pub mod wiring;
