//! The installer's bench: what is reckoned before the ladder goes up.

pub mod levels;
