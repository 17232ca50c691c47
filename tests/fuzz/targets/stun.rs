//! STUN messages; and answers of our own read back.

use std::net::SocketAddr;

use hornwire::sip::stun::{Stun, answer, is_stun, read, request};

pub fn run(data: &[u8]) {
    if let Some(stun) = read(data) {
        assert!(is_stun(data));
        if let Stun::Request { id, unknown } = stun {
            for peer in ["192.0.2.10:5060", "[2001:db8::9]:1"] {
                let peer: SocketAddr = peer.parse().unwrap();
                let octets = answer(&id, &unknown, peer);
                assert!(octets.len() <= data.len() + 64);
                match read(&octets) {
                    Some(Stun::Success { id: same, mapped }) => {
                        assert!(unknown.is_empty());
                        assert_eq!((same, mapped), (id, peer));
                    }
                    Some(Stun::Error { id: same, code }) => assert_eq!((same, code), (id, 420)),
                    other => panic!("{other:?}"),
                }
            }
        }
    }
    if let Some(id) = data.first_chunk::<12>() {
        let expected = Stun::Request {
            id: *id,
            unknown: Vec::new(),
        };
        assert_eq!(read(&request(id)), Some(expected));
    }
}
