#![allow(clippy::disallowed_methods)]

mod bench;
mod codecs;
mod network;
mod quality;
mod stream;
