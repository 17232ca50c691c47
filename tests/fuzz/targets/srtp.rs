//! SRTP: packets of our own, injured, repeated and mixed with noise. What opens was protected, and opens once.
#![allow(clippy::disallowed_methods)]

use std::collections::BTreeSet;
use std::time::{Duration, Instant};

use hornwire::media::srtp::{MAX_TRAILER, Master, Opener, Protector, Scope, Suite};

pub fn run(data: &[u8]) {
    let Some((choice, mut rest)) = data.split_first() else {
        return;
    };
    let suite = Suite::ALL[usize::from(choice % 4)];
    let key: Vec<u8> = (0..suite.master_len()).map(|i| i as u8 ^ choice).collect();
    let master = Master::new(suite, &key).expect("a key of the right length");
    assert!(Master::new(suite, &key[1..]).is_none());
    let mut protector = Protector::new(&master);
    let scope = if choice & 4 == 0 { Scope::Call } else { Scope::Group };
    let mut opener = Opener::new(&master, scope);
    let mut now = Instant::now();
    let mut opened: BTreeSet<Vec<u8>> = BTreeSet::new();
    let mut made: Vec<(Vec<u8>, Vec<u8>)> = Vec::new();
    // What to do, time, length, octets.
    while let [what, time, length, tail @ ..] = rest {
        now += Duration::from_millis(u64::from(*time) * 8);
        let (piece, after) = tail.split_at(usize::from(*length).min(tail.len()));
        rest = after;
        match what % 8 {
            0..=2 => {
                // Few senders: with more than an opener remembers, the one forgotten begins anew by design.
                let mut piece = piece.to_vec();
                let sender = if what & 0x10 == 0 { 8..12 } else { 4..8 };
                if let Some([a, b, c, d]) = piece.get_mut(sender) {
                    [*a, *b, *c] = [0; 3];
                    *d &= 3;
                }
                let mut packet = piece.clone();
                let done = if what & 0x10 == 0 {
                    protector.rtp(&mut packet)
                } else {
                    protector.rtcp(&mut packet)
                };
                if done.is_err() {
                    continue;
                }
                assert!(packet.len() <= piece.len() + MAX_TRAILER);
                made.push((piece, packet));
            }
            3..=5 => {
                let Some((plain, packet)) = made.get(usize::from(*length) % made.len().max(1)) else {
                    continue;
                };
                let mut octets = packet.clone();
                if let Ok(length) = opener.open(&mut octets, now) {
                    assert_eq!(
                        octets.get(..length),
                        Some(plain.as_slice()),
                        "another packet than was protected"
                    );
                    assert!(opened.insert(packet.clone()), "a packet opened twice");
                }
            }
            6 => {
                let Some((_, packet)) = made.last() else { continue };
                let mut octets = packet.clone();
                for (at, octet) in piece.iter().enumerate() {
                    let index = (at * 31 + usize::from(*time)) % octets.len().max(1);
                    if let Some(o) = octets.get_mut(index) {
                        *o ^= octet;
                    }
                }
                let changed = octets != *packet;
                let result = opener.open(&mut octets, now);
                // Four octets of tag may be hit by chance.
                if changed && !suite.name().ends_with("_32") {
                    assert!(result.is_err(), "an injured packet opened");
                } else if result.is_ok() && !changed {
                    assert!(opened.insert(packet.clone()), "a packet opened twice");
                }
            }
            _ => {
                let mut octets = piece.to_vec();
                let length = octets.len();
                if let Ok(clear) = opener.open(&mut octets, now) {
                    assert!(clear <= length);
                }
            }
        }
    }
    let _ = opener.figures();
}
