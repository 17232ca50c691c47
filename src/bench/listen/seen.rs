//! IP packets as a packet socket hands them over: UDP to multicast, and who asks for which group.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::ops::Range;

use etherparse::{NetSlice, SlicedPacket, TransportSlice};

/// IP protocol numbers (IANA).
const IGMP: u8 = 2;
/// Group records of one report that are looked at.
const MAX_RECORDS: usize = 256;

/// What an IP packet was.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Seen {
    /// UDP to a multicast address; `payload` says where in the packet.
    Udp {
        from: SocketAddr,
        to: SocketAddr,
        payload: Range<usize>,
    },
    /// Somebody is, or becomes, a member of these groups; those of the local network (224.0.0.0/24) are left out, which no
    /// switch holds back (RFC 4541 §2.1.2).
    Report(Vec<Ipv4Addr>),
    /// A fragment of a larger packet: it is not put together.
    Fragment,
    Other,
}

/// Looks into an IP packet.
pub fn look_into(packet: &[u8]) -> Seen {
    let Ok(sliced) = SlicedPacket::from_ip(packet) else {
        return Seen::Other;
    };
    let (from, to): (IpAddr, IpAddr) = match &sliced.net {
        Some(NetSlice::Ipv4(ip)) => {
            if ip.payload().fragmented {
                return Seen::Fragment;
            }
            if ip.header().protocol().0 == IGMP {
                return Seen::Report(reported(ip.payload().payload));
            }
            (ip.header().source_addr().into(), ip.header().destination_addr().into())
        }
        Some(NetSlice::Ipv6(ip)) => {
            if ip.payload().fragmented {
                return Seen::Fragment;
            }
            (ip.header().source_addr().into(), ip.header().destination_addr().into())
        }
        _ => return Seen::Other,
    };
    let Some(TransportSlice::Udp(udp)) = &sliced.transport else {
        return Seen::Other;
    };
    if !to.is_multicast() {
        return Seen::Other;
    }
    let start = udp.payload().as_ptr() as usize - packet.as_ptr() as usize;
    Seen::Udp {
        from: SocketAddr::new(from, udp.source_port()),
        to: SocketAddr::new(to, udp.destination_port()),
        payload: start..start + udp.payload().len(),
    }
}

/// The groups that an IGMP message wants: reports of version 1 (RFC 1112), 2 (RFC 2236 §2) and 3 (RFC 3376 §4.2).
fn reported(message: &[u8]) -> Vec<Ipv4Addr> {
    let group = |at: usize| {
        let octets: [u8; 4] = message.get(at..at + 4)?.try_into().ok()?;
        let group = Ipv4Addr::from(octets);
        (group.is_multicast() && octets[..3] != [224, 0, 0]).then_some(group)
    };
    match message.first() {
        Some(0x12 | 0x16) => group(4).into_iter().collect(),
        Some(0x22) => {
            let mut out = Vec::new();
            let Some(&[_, _, _, _, _, _, high, low]) = message.first_chunk::<8>() else {
                return out;
            };
            let mut at = 8;
            for _ in 0..usize::from(u16::from_be_bytes([high, low])).min(MAX_RECORDS) {
                let Some(&[kind, auxiliary, high, low]) = message.get(at..).and_then(|rest| rest.first_chunk::<4>())
                else {
                    break;
                };
                let sources = usize::from(u16::from_be_bytes([high, low]));
                // INCLUDE with no source is nobody's (RFC 3376 §4.2.12).
                let wants = matches!(kind, 2 | 4) || (matches!(kind, 1 | 3 | 5) && sources > 0);
                out.extend(group(at + 4).filter(|_| wants));
                at += 8 + 4 * sources + 4 * usize::from(auxiliary);
            }
            out
        }
        _ => Vec::new(),
    }
}
