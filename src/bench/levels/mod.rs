//! The level plan: from the card's line output to the amplifier's input, and from its output to the listener.

pub mod cable;
pub mod chain;
pub mod circuit;
pub mod line;
pub mod pad;
pub mod quantity;
pub mod series;
pub mod site;
pub mod sound;
pub mod text;
pub mod two_port;

#[cfg(test)]
mod tests;
