//! Whole-program tests: the built daemon between real peers on loopback, in real time.
//!
//! They need Kamailio, SIPp, GStreamer, ffmpeg, PulseAudio and a Python with pjsua2 and PESQ; `deploy/check` installs
//! all of them and runs these tests one at a time. By hand:
//! `cargo test --test peers -- --ignored --test-threads=1 NAME`.
#![allow(clippy::disallowed_methods)] // real peers live in real time

mod calls;
mod card;
mod changes;
mod decoders;
mod faults;
mod fleet;
mod flows;
mod groups;
mod hostile;
mod itself;
mod keypad;
mod keys;
mod lab;
mod lines;
mod registrar;
mod secure;
mod transports;
