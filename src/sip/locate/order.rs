//! In which order records are tried.

use std::net::IpAddr;

use rand::Rng;

use super::Srv;

/// RFC 2782: lower priorities first; within one, by chance in proportion to the weights.
pub fn by_weight(mut records: Vec<Srv>, rng: &mut impl Rng) -> Vec<Srv> {
    // Weight 0 at the beginning, so that it is chosen by the draw of 0 alone.
    records.sort_by_key(|r| (r.priority, r.weight));
    let mut out = Vec::with_capacity(records.len());
    while let Some(priority) = records.first().map(|r| r.priority) {
        let class = records.iter().take_while(|r| r.priority == priority);
        let sum: u64 = class.map(|r| u64::from(r.weight)).sum();
        let draw = rng.random_range(0..=sum);
        let mut running = 0;
        let chosen = records.iter().position(|r| {
            running += u64::from(r.weight);
            running >= draw
        });
        out.push(records.remove(chosen.unwrap_or(0)));
    }
    out
}

/// The default policy of RFC 6724 §2.1, by destination alone; otherwise as the name service has them.
pub fn by_preference(addresses: impl Iterator<Item = IpAddr>) -> Vec<IpAddr> {
    let mut out: Vec<IpAddr> = addresses.map(|a| a.to_canonical()).collect();
    out.sort_by_key(|a| std::cmp::Reverse(precedence(*a)));
    out
}

fn precedence(address: IpAddr) -> u8 {
    match address {
        IpAddr::V4(_) => 35,
        IpAddr::V6(a) if a.is_loopback() => 50,
        IpAddr::V6(a) => match a.segments() {
            [0x2002, ..] => 30,
            [0x2001, 0, ..] => 5,
            [s, ..] if s & 0xfe00 == 0xfc00 => 3,
            [0, 0, 0, 0, 0, 0, ..] | [0x3ffe, ..] => 1,
            [s, ..] if s & 0xffc0 == 0xfec0 => 1,
            _ => 40,
        },
    }
}

/// Something that one server can have.
pub(super) fn is_unicast(address: IpAddr) -> bool {
    match address {
        IpAddr::V4(a) => !a.is_unspecified() && !a.is_multicast() && !a.is_broadcast(),
        IpAddr::V6(a) => !a.is_unspecified() && !a.is_multicast(),
    }
}
