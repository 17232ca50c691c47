#![allow(clippy::disallowed_methods)]

mod bench;
mod network;
mod quality;
mod stream;
