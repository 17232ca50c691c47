//! STUN messages; and answers of a registrar's, made here, read as what they say.

use std::net::{IpAddr, SocketAddr};

use hornwire::sip::stun::{Stun, is_stun, read, request};

pub fn run(data: &[u8]) {
    match read(data) {
        Some(Stun::Request { unknown, .. }) => assert!(is_stun(data) && unknown.len() * 4 <= data.len()),
        Some(Stun::Success { mapped, .. }) => {
            assert!(is_stun(data) && data.len() >= 28 + 8 * usize::from(mapped.is_ipv6()))
        }
        Some(Stun::Error { code, .. }) => assert!(is_stun(data) && code < 800),
        None => {}
    }
    let Some(id) = data.first_chunk::<12>() else { return };
    let expected = Stun::Request {
        id: *id,
        unknown: Vec::new(),
    };
    assert_eq!(read(&request(id)), Some(expected));
    if let Some(place) = data.get(12..30) {
        let port = u16::from_be_bytes([place[0], place[1]]);
        let v4: [u8; 4] = std::array::from_fn(|i| place[2 + i]);
        let v6: [u8; 16] = std::array::from_fn(|i| place[2 + i]);
        for ip in [IpAddr::from(v4), IpAddr::from(v6)] {
            let mapped = SocketAddr::new(ip, port);
            assert_eq!(read(&success(id, mapped)), Some(Stun::Success { id: *id, mapped }));
        }
    }
}

/// A success response with XOR-MAPPED-ADDRESS (RFC 8489 §14.2).
fn success(id: &[u8; 12], mapped: SocketAddr) -> Vec<u8> {
    const COOKIE: [u8; 4] = [0x21, 0x12, 0xa4, 0x42];
    let (family, octets) = match mapped.ip() {
        IpAddr::V4(ip) => (1, ip.octets().to_vec()),
        IpAddr::V6(ip) => (2, ip.octets().to_vec()),
    };
    let mask = COOKIE.iter().chain(id);
    let port = mapped.port() ^ 0x2112;
    let length = 4 + octets.len() as u8;
    let mut out = vec![1, 1, 0, 4 + length];
    out.extend_from_slice(&COOKIE);
    out.extend_from_slice(id);
    out.extend_from_slice(&[0, 0x20, 0, length, 0, family]);
    out.extend_from_slice(&port.to_be_bytes());
    out.extend(octets.iter().zip(mask).map(|(o, m)| o ^ m));
    out
}
