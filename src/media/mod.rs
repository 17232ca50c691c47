//! Packets to sound: RTP reception, jitter buffer, codecs, concealment, and the caller's return path. Pure.

pub mod codec;
pub mod encoder;
pub mod event;
pub mod g711;
pub mod g722;
pub mod keypad;
pub mod linear;
pub mod opus;
pub mod packet;
pub mod playout;
pub mod receiver;
pub mod rtcp;
pub mod srtp;
pub mod talker;

pub use codec::{Codec, Format, Linear, PayloadMap, static_name};
pub use keypad::Keypad;
pub use packet::{MAX_PAYLOAD, Packet, PacketReceiver, PacketSender, queue};
pub use playout::{Block, Playout, PlayoutFigures, PlayoutSettings};
pub use receiver::{Received, Receiver, ReceiverFigures};
