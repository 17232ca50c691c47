//! SRTP and SRTCP (RFC 3711) with the AES counter-mode suites of RFC 4568 §6.2 and RFC 6188. Pure.
//!
//! [`Opener`] takes packets that came, [`Protector`] makes packets to send. Nothing in a packet is believed before
//! its tag is right, but what finds the tag: the lengths of the header, the SSRC and the sequence number. Neither
//! allocates for a packet.

mod keys;
mod open;
mod protect;
mod replay;

pub use keys::{MAX_MASTER, Master, Suite};
pub use open::{Opener, Refused, Scope, SrtpFigures};
pub use protect::{Protector, Spent};

/// Octets that protection adds at most: SRTCP's index and the longest tag.
pub const MAX_TRAILER: usize = 4 + MAX_TAG;
/// The longest authentication tag, octets (RFC 3711 §5.2).
const MAX_TAG: usize = 10;
/// Fixed part of an RTP header (RFC 3550 §5.1).
const RTP_HEADER: usize = 12;
/// What stays in the clear of an RTCP packet: the first header and the sender's SSRC (RFC 3711 §3.4).
const RTCP_HEADER: usize = 8;
/// Octets of E flag and SRTCP index.
const RTCP_INDEX: usize = 4;
/// The E flag: the rest is encrypted.
const ENCRYPTED: u32 = 1 << 31;

/// SSRC, sequence number and length of the header of an RTP packet with its CSRCs and extension (RFC 3550 §5.1,
/// §5.3.1), which stay in the clear. `None` when it does not fit in `octets`.
fn rtp_header(octets: &[u8]) -> Option<(u32, u16, usize)> {
    let &[first, _, s1, s0, _, _, _, _, a, b, c, d] = octets.first_chunk::<RTP_HEADER>()?;
    if first >> 6 != 2 {
        return None;
    }
    let mut length = RTP_HEADER + 4 * usize::from(first & 15);
    if first & 0x10 != 0 {
        let &[_, _, high, low] = octets.get(length..)?.first_chunk::<4>()?;
        length += 4 + 4 * usize::from(u16::from_be_bytes([high, low]));
    }
    (length <= octets.len()).then(|| (u32::from_be_bytes([a, b, c, d]), u16::from_be_bytes([s1, s0]), length))
}

#[cfg(test)]
mod tests;
