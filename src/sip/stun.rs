//! STUN as a keep-alive beside SIP on one UDP port (RFC 8489, RFC 5626 §4.4.2 and §8): Binding requests and their answers.
//! No authentication, no attributes but the mapped address, as RFC 5626 §8 has it.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};

/// RFC 8489 §5.
const COOKIE: u32 = 0x2112_A442;
const HEADER: usize = 20;
/// Largest message that is read: no answer to a Binding request comes near it.
const MAX_MESSAGE: usize = 1280;
/// Most unknown attributes that an error response names.
const MAX_UNKNOWN: usize = 8;

const BINDING_REQUEST: u16 = 0x0001;
const BINDING_SUCCESS: u16 = 0x0101;
const BINDING_ERROR: u16 = 0x0111;

const MAPPED_ADDRESS: u16 = 0x0001;
const ERROR_CODE: u16 = 0x0009;
const UNKNOWN_ATTRIBUTES: u16 = 0x000A;
const XOR_MAPPED_ADDRESS: u16 = 0x0020;
/// Attributes that must be understood, and are: the old address, user, integrity, error, unknown, realm, nonce, new address.
const UNDERSTOOD: [u16; 8] = [
    MAPPED_ADDRESS,
    0x0006,
    0x0008,
    ERROR_CODE,
    UNKNOWN_ATTRIBUTES,
    0x0014,
    0x0015,
    XOR_MAPPED_ADDRESS,
];

/// A transaction id, 96 bits.
pub type Id = [u8; 12];

/// What was understood.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Stun {
    /// A Binding request, with the attributes that we should understand and do not.
    Request { id: Id, unknown: Vec<u16> },
    /// A Binding success response: our address as the far end saw it.
    Success { id: Id, mapped: SocketAddr },
    /// A Binding error response; the code, e.g. 420.
    Error { id: Id, code: u16 },
}

/// STUN and SIP are told apart by their first octet (RFC 5626 §8), and by the cookie.
pub fn is_stun(octets: &[u8]) -> bool {
    octets.first().is_some_and(|b| b & 0xC0 == 0)
        && octets.get(4..8) == Some(&COOKIE.to_be_bytes())
        && octets.len() >= HEADER
}

/// A Binding request.
pub fn request(id: &Id) -> Vec<u8> {
    message(BINDING_REQUEST, id, &[])
}

/// The answer to a Binding request that came from `peer` (RFC 8489 §6.3.1), as a registrar gives it.
#[cfg(test)]
pub fn answer(id: &Id, unknown: &[u16], peer: SocketAddr) -> Vec<u8> {
    let mut body = Vec::new();
    if unknown.is_empty() {
        attribute(&mut body, XOR_MAPPED_ADDRESS, &xor_mapped(id, peer));
        return message(BINDING_SUCCESS, id, &body);
    }
    let mut code = vec![0, 0, 4, 20];
    code.extend_from_slice(b"Unknown Attribute");
    attribute(&mut body, ERROR_CODE, &code);
    let list: Vec<u8> = unknown.iter().take(MAX_UNKNOWN).flat_map(|t| t.to_be_bytes()).collect();
    attribute(&mut body, UNKNOWN_ATTRIBUTES, &list);
    message(BINDING_ERROR, id, &body)
}

/// Reads one datagram. `None`: not a Binding message, or one that breaks the syntax.
pub fn read(octets: &[u8]) -> Option<Stun> {
    if !is_stun(octets) || octets.len() > MAX_MESSAGE {
        return None;
    }
    let kind = number(octets.get(0..2)?)?;
    let length = usize::from(number(octets.get(2..4)?)?);
    if !length.is_multiple_of(4) || length + HEADER != octets.len() {
        return None;
    }
    let id: Id = octets.get(8..HEADER)?.try_into().ok()?;
    let mut rest = octets.get(HEADER..)?;
    let (mut mapped, mut old, mut code, mut unknown) = (None, None, None, Vec::new());
    while !rest.is_empty() {
        let name = number(rest.get(0..2)?)?;
        let length = usize::from(number(rest.get(2..4)?)?);
        let value = rest.get(4..4 + length)?;
        rest = rest.get(4 + length.next_multiple_of(4)..)?;
        match name {
            // The first of several counts (RFC 8489 §14).
            XOR_MAPPED_ADDRESS if mapped.is_none() => mapped = Some(un_xor(&id, address(value)?)),
            MAPPED_ADDRESS if old.is_none() => old = Some(address(value)?),
            ERROR_CODE if code.is_none() => {
                let [class, number] = *value.get(2..4)? else {
                    return None;
                };
                code = Some(u16::from(class & 7) * 100 + u16::from(number.min(99)));
            }
            // Below 0x8000 an attribute must be understood.
            _ if name < 0x8000 && !UNDERSTOOD.contains(&name) && unknown.len() < MAX_UNKNOWN => unknown.push(name),
            _ => {}
        }
    }
    match kind {
        BINDING_REQUEST => Some(Stun::Request { id, unknown }),
        // RFC 8489 §6.3.3: unknown attributes that must be understood make a response worthless.
        BINDING_SUCCESS if unknown.is_empty() => Some(Stun::Success {
            id,
            mapped: mapped.or(old)?,
        }),
        BINDING_ERROR => Some(Stun::Error { id, code: code? }),
        _ => None,
    }
}

fn number(octets: &[u8]) -> Option<u16> {
    octets.try_into().ok().map(u16::from_be_bytes)
}

fn message(kind: u16, id: &Id, body: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(HEADER + body.len());
    out.extend_from_slice(&kind.to_be_bytes());
    out.extend_from_slice(&u16::try_from(body.len()).unwrap_or(0).to_be_bytes());
    out.extend_from_slice(&COOKIE.to_be_bytes());
    out.extend_from_slice(id);
    out.extend_from_slice(body);
    out
}

#[cfg(test)]
fn attribute(out: &mut Vec<u8>, name: u16, value: &[u8]) {
    out.extend_from_slice(&name.to_be_bytes());
    out.extend_from_slice(&u16::try_from(value.len()).unwrap_or(0).to_be_bytes());
    out.extend_from_slice(value);
    out.resize(out.len().next_multiple_of(4), 0);
}

/// RFC 8489 §14.1.
fn address(value: &[u8]) -> Option<SocketAddr> {
    let port = number(value.get(2..4)?)?;
    let ip: IpAddr = match (value.get(1)?, value.get(4..)?) {
        (1, octets) => Ipv4Addr::from(<[u8; 4]>::try_from(octets).ok()?).into(),
        (2, octets) => Ipv6Addr::from(<[u8; 16]>::try_from(octets).ok()?).into(),
        _ => return None,
    };
    Some(SocketAddr::new(ip, port))
}

/// RFC 8489 §14.2: the port with the upper half of the cookie, the address with the cookie and the id. Its own inverse.
fn un_xor(id: &Id, address: SocketAddr) -> SocketAddr {
    let port = address.port() ^ (COOKIE >> 16) as u16;
    let ip: IpAddr = match address.ip() {
        IpAddr::V4(ip) => Ipv4Addr::from(u32::from(ip) ^ COOKIE).into(),
        IpAddr::V6(ip) => {
            let mut mask = [0; 16];
            let (cookie, rest) = mask.split_at_mut(4);
            cookie.copy_from_slice(&COOKIE.to_be_bytes());
            rest.copy_from_slice(id);
            Ipv6Addr::from(u128::from(ip) ^ u128::from_be_bytes(mask)).into()
        }
    };
    SocketAddr::new(ip, port)
}

#[cfg(test)]
fn xor_mapped(id: &Id, peer: SocketAddr) -> Vec<u8> {
    let peer = un_xor(id, SocketAddr::new(peer.ip().to_canonical(), peer.port()));
    let mut out = vec![0, if peer.is_ipv4() { 1 } else { 2 }];
    out.extend_from_slice(&peer.port().to_be_bytes());
    match peer.ip() {
        IpAddr::V4(ip) => out.extend_from_slice(&ip.octets()),
        IpAddr::V6(ip) => out.extend_from_slice(&ip.octets()),
    }
    out
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn octets(hex: &str) -> Vec<u8> {
        let digits: Vec<u8> = hex.bytes().filter(u8::is_ascii_hexdigit).collect();
        let pair = |p: &[u8]| u8::from_str_radix(std::str::from_utf8(p).unwrap(), 16).unwrap();
        digits.chunks(2).map(pair).collect()
    }

    const ID: &str = "b7e7a701 bc34d686 fa87dfae";

    /// RFC 5769 §2.2 and §2.3 (from memory): responses with SOFTWARE and XOR-MAPPED-ADDRESS; integrity and fingerprint
    /// are left off, and the length with them.
    #[test]
    fn vectors() {
        let id: Id = octets(ID).try_into().unwrap();
        let software = "8022 000b 74657374 20766563 746f7220";
        let v4 = octets(&format!(
            "0101 001c 2112a442 {ID} {software} 0020 0008 0001a147 e112a643"
        ));
        let mapped = "192.0.2.1:32853".parse().unwrap();
        assert_eq!(read(&v4), Some(Stun::Success { id, mapped }));
        let address = "0020 0014 0002a147 0113a9fa a5d3f179 bc25f4b5 bed2b9d9";
        let v6 = octets(&format!("0101 0028 2112a442 {ID} {software} {address}"));
        let mapped = "[2001:db8:1234:5678:11:2233:4455:6677]:32853".parse().unwrap();
        assert_eq!(read(&v6), Some(Stun::Success { id, mapped }));
        // What we write is what the vectors have, without the software's name.
        assert_eq!(
            answer(&id, &[], mapped),
            octets(&format!("0101 0018 2112a442 {ID} {address}"))
        );
        let sent = request(&id);
        assert_eq!(sent, octets(&format!("0001 0000 2112a442 {ID}")));
        assert_eq!(
            read(&sent),
            Some(Stun::Request {
                id,
                unknown: Vec::new()
            })
        );
    }

    /// RFC 8489 §6.3.1: 420 with the attributes that are not understood; those from 0x8000 may be passed over.
    #[test]
    fn unknown_attributes() {
        let id: Id = octets(ID).try_into().unwrap();
        let asked = octets(&format!(
            "0001 0010 2112a442 {ID} 7001 0001 ff000000 8001 0004 00000000"
        ));
        let Some(Stun::Request { unknown, .. }) = read(&asked) else {
            panic!()
        };
        assert_eq!(unknown, [0x7001]);
        let refused = answer(&id, &unknown, "192.0.2.1:5060".parse().unwrap());
        assert_eq!(read(&refused), Some(Stun::Error { id, code: 420 }));
        assert!(refused.ends_with(&octets("000a 0002 7001 0000")));
    }

    #[test]
    fn what_is_not_stun() {
        for text in ["", "OPTIONS sip:600@192.0.2.50 SIP/2.0\r\n\r\n", "\r\n\r\n", "\0\0\0\0"] {
            assert!(!is_stun(text.as_bytes()), "{text}");
        }
        // RTP has the two upper bits of its first octet at 10.
        assert!(!is_stun(&octets(&format!("8001 0000 2112a442 {ID}"))));
        for broken in [
            format!("0001 0004 2112a442 {ID}"),
            format!("0001 0003 2112a442 {ID} 000000"),
            format!("0101 0000 2112a442 {ID}"),
            format!("0101 0008 2112a442 {ID} 0020 0008 0001a147"),
            format!("0101 000c 2112a442 {ID} 0020 0008 0003a147 e112a643"),
            format!("0003 0000 2112a442 {ID}"),
        ] {
            assert_eq!(read(&octets(&broken)), None, "{broken}");
        }
    }

    proptest! {
        #[test]
        fn any_octets(tail in proptest::collection::vec(any::<u8>(), 0..200), kind in 0u16..0x0200) {
            let mut message = kind.to_be_bytes().to_vec();
            message.extend_from_slice(&(tail.len() as u16).to_be_bytes());
            message.extend_from_slice(&COOKIE.to_be_bytes());
            message.extend_from_slice(&[7; 12]);
            message.extend_from_slice(&tail);
            let _ = read(&message);
            let _ = read(&tail);
        }

        #[test]
        fn answers_read_back(id: Id, peer: SocketAddr) {
            let mapped = SocketAddr::new(peer.ip().to_canonical(), peer.port());
            prop_assert_eq!(read(&answer(&id, &[], peer)), Some(Stun::Success { id, mapped }));
        }
    }
}
