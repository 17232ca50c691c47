//! The level plan: from the card's line output to the amplifier's input, and from its output to the listener.

pub mod cable;
pub mod line;
pub mod pad;
pub mod quantity;
