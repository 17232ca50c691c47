//! RTCP told from RTP on one port, and the little of it that reception needs.

/// Whether the second octet makes a datagram RTCP (RFC 5761 §4: packet types 192 to 223 are reserved for it;
/// RTP payload types 64 to 95 are not used on a shared port).
pub fn is_rtcp(datagram: &[u8]) -> bool {
    datagram.get(1).is_some_and(|octet| (192..=223).contains(octet))
}

const BYE: u8 = 203;
/// Sender report to extended report (RFC 3550 §12.1, RFC 4585 §9, RFC 3611 §2).
const KNOWN: std::ops::RangeInclusive<u8> = 200..=207;
/// Compound packets hold a handful; more are not looked at.
const MAX_PACKETS: usize = 32;

/// Checks a compound or reduced-size (RFC 5506) RTCP datagram (RFC 3550 A.2) and looks for a BYE.
///
/// `None` when the shape is wrong; else whether it holds a BYE for which `is_ours(ssrc)` holds.
pub fn read(datagram: &[u8], is_ours: impl Fn(u32) -> bool) -> Option<bool> {
    let mut rest = datagram;
    let mut bye = false;
    for _ in 0..MAX_PACKETS {
        if rest.is_empty() {
            return Some(bye);
        }
        let &[first, kind, high, low, ..] = rest else {
            return None;
        };
        let length = (usize::from(u16::from_be_bytes([high, low])) + 1) * 4;
        if first >> 6 != 2 || !KNOWN.contains(&kind) {
            return None;
        }
        let body = rest.get(4..length)?;
        if kind == BYE {
            let count = usize::from(first & 31);
            let sources = body.get(..count * 4)?;
            bye |= sources
                .chunks_exact(4)
                .any(|s| is_ours(u32::from_be_bytes([s[0], s[1], s[2], s[3]])));
        }
        rest = rest.get(length..)?;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Receiver report of SSRC 1 without blocks, then a BYE for 0xCAFE (RFC 3550 §6.4.2, §6.6).
    const COMPOUND: [u8; 16] = [0x80, 201, 0, 1, 0, 0, 0, 1, 0x81, 203, 0, 1, 0, 0, 0xca, 0xfe];

    #[test]
    fn bye_is_found_behind_a_report() {
        assert!(is_rtcp(&COMPOUND));
        assert_eq!(read(&COMPOUND, |s| s == 0xcafe), Some(true));
        assert_eq!(read(&COMPOUND, |s| s == 1), Some(false));
    }

    #[test]
    fn wrong_shapes_are_refused() {
        for cut in [1, 2, 3, 5, 7, 9, 15] {
            assert_eq!(read(&COMPOUND[..cut], |_| true), None, "cut at {cut}");
        }
        let mut many = COMPOUND;
        many[8] = 0x9f; // 31 sources in room for one
        assert_eq!(read(&many, |_| true), None);
        let mut version = COMPOUND;
        version[0] = 0x40;
        assert_eq!(read(&version, |_| true), None);
    }

    #[test]
    fn payload_types_of_audio_are_not_rtcp() {
        for pt in (0..=34u8).chain(96..=127) {
            assert!(!is_rtcp(&[0x80, pt]));
            assert!(!is_rtcp(&[0x80, pt | 0x80]), "marker with {pt}");
        }
        assert!(!is_rtcp(&[0x80]));
    }
}
