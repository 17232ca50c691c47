//! The whole job on the embedded default: a built-in registrar, caller and multicast sender.
#![allow(clippy::disallowed_methods)]

pub mod peers;
pub mod voice;
