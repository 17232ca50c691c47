//! Packets to send (RFC 3711 §3.1, §3.3, §3.4).

use super::keys::{Master, Session};
use super::{ENCRYPTED, RTCP_HEADER, rtp_header};

/// A key must not protect more packets (RFC 3711 §9.2).
const MAX_INDEX: u64 = (1 << 48) - 1;
const MAX_RTCP_INDEX: u32 = (1 << 31) - 1;

/// The packet cannot be protected: its header is wrong, or the key is used up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Spent {
    #[error("not a packet of its kind")]
    Malformed,
    #[error("the key has protected as many packets as it may")]
    UsedUp,
}

/// Protects the packets of one sender.
#[derive(Clone)]
pub struct Protector {
    rtp: Session,
    rtcp: Session,
    /// SSRC and index of the last packet.
    last: Option<(u32, u64)>,
    rtcp_index: u32,
}

impl Protector {
    pub fn new(master: &Master) -> Protector {
        Protector {
            rtp: Session::rtp(master),
            rtcp: Session::rtcp(master),
            last: None,
            rtcp_index: 0,
        }
    }

    /// Makes an SRTP packet of an RTP packet. Sequence numbers of one SSRC run on by one; another SSRC begins anew,
    /// and none may come back: the same key stream would be used twice.
    ///
    /// # Errors
    /// [`Spent`]; the packet is as it was.
    pub fn rtp(&mut self, packet: &mut Vec<u8>) -> Result<(), Spent> {
        let (ssrc, seq, header) = rtp_header(packet).ok_or(Spent::Malformed)?;
        let index = match self.last {
            Some((known, last)) if known == ssrc => last + u64::from(seq.wrapping_sub(last as u16)),
            _ => u64::from(seq),
        };
        if index > MAX_INDEX || self.last == Some((ssrc, index)) {
            return Err(Spent::UsedUp);
        }
        self.last = Some((ssrc, index));
        let payload = packet.get_mut(header..).ok_or(Spent::Malformed)?;
        self.rtp.crypt(ssrc, index, payload);
        let tag = self.rtp.authenticator(packet).tag(Some((index >> 16) as u32));
        packet.extend(tag.iter().take(self.rtp.tag_len));
        Ok(())
    }

    /// Makes an SRTCP packet of a compound RTCP packet.
    ///
    /// # Errors
    /// [`Spent`]; the packet is as it was.
    pub fn rtcp(&mut self, packet: &mut Vec<u8>) -> Result<(), Spent> {
        let &[first, _, _, _, a, b, c, d] = packet.first_chunk::<RTCP_HEADER>().ok_or(Spent::Malformed)?;
        if first >> 6 != 2 {
            return Err(Spent::Malformed);
        }
        if self.rtcp_index == MAX_RTCP_INDEX {
            return Err(Spent::UsedUp);
        }
        self.rtcp_index += 1;
        let ssrc = u32::from_be_bytes([a, b, c, d]);
        let payload = packet.get_mut(RTCP_HEADER..).ok_or(Spent::Malformed)?;
        self.rtcp.crypt(ssrc, self.rtcp_index.into(), payload);
        packet.extend((self.rtcp_index | ENCRYPTED).to_be_bytes());
        let tag = self.rtcp.authenticator(packet).tag(None);
        packet.extend(tag.iter().take(self.rtcp.tag_len));
        Ok(())
    }
}

impl std::fmt::Debug for Protector {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Protector")
            .field("last", &self.last)
            .finish_non_exhaustive()
    }
}
