//! G.711 over RTP, one packet every 20 ms.

use std::time::Duration;

use rand::Rng as _;
use rtp_rs::{RtpPacketBuilder, RtpReader, Seq};

use crate::media::Codec;
use crate::media::g711::{ALAW, ULAW, alaw_encode, ulaw_encode};

/// Packet time.
pub const PTIME: Duration = Duration::from_millis(20);
/// Samples of a packet.
pub const FRAME: usize = 160;

/// RFC 3551 Table 4.
pub fn payload_type(codec: Codec) -> u8 {
    if codec == Codec::Pcma { 8 } else { 0 }
}

/// Speech to packets. Silence follows the speech.
pub struct Stream {
    codec: Codec,
    speech: Vec<i16>,
    at: usize,
    seq: u16,
    timestamp: u32,
    ssrc: u32,
    pub sent: u64,
}

impl Stream {
    /// Anything but A-law is sent as µ-law.
    pub fn new(codec: Codec, speech: Vec<i16>) -> Self {
        let mut rng = rand::rng();
        Stream {
            codec,
            speech,
            at: 0,
            seq: rng.random(),
            timestamp: rng.random(),
            ssrc: rng.random(),
            sent: 0,
        }
    }

    /// Whether all speech has been sent.
    pub fn is_done(&self) -> bool {
        self.at >= self.speech.len()
    }

    /// The next packet; without `speak` a silent one that leaves the speech waiting.
    pub fn packet(&mut self, speak: bool) -> Vec<u8> {
        let mut frame = [0i16; FRAME];
        if speak {
            let rest = self.speech.get(self.at..).unwrap_or_default();
            for (to, from) in frame.iter_mut().zip(rest) {
                *to = *from;
            }
            self.at = (self.at + FRAME).min(self.speech.len());
        }
        let encode = if self.codec == Codec::Pcma {
            alaw_encode
        } else {
            ulaw_encode
        };
        let payload = frame.map(encode);
        let packet = RtpPacketBuilder::new()
            .payload_type(payload_type(self.codec))
            .ssrc(self.ssrc)
            .sequence(Seq::from(self.seq))
            .timestamp(self.timestamp)
            .marked(self.sent == 0)
            .payload(&payload)
            .build()
            .unwrap_or_default();
        self.seq = self.seq.wrapping_add(1);
        self.timestamp = self.timestamp.wrapping_add(FRAME as u32);
        self.sent += 1;
        packet
    }
}

/// The samples of a G.711 packet; `None` for anything else.
pub fn samples(datagram: &[u8]) -> Option<Vec<i16>> {
    let packet = RtpReader::new(datagram).ok()?;
    let table = match packet.payload_type() {
        0 => &ULAW,
        8 => &ALAW,
        _ => return None,
    };
    packet
        .payload()
        .iter()
        .map(|code| table.get(usize::from(*code)).copied())
        .collect()
}
