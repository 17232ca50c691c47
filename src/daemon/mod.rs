//! The driver: sockets, the control task, the audio threads, supervision.
#![allow(clippy::disallowed_methods)]
