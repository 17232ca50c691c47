//! Address blocks: who is let in.

use std::net::{IpAddr, Ipv6Addr};
use std::str::FromStr;

/// An address block such as `192.0.2.0/24` or `2001:db8::/32`; a bare address is a block of one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Network {
    address: IpAddr,
    prefix: u8,
}

impl Network {
    /// As it was written.
    pub fn address(&self) -> IpAddr {
        self.address
    }

    /// IPv4-mapped IPv6 addresses count as IPv4.
    pub fn contains(&self, address: IpAddr) -> bool {
        match (self.address, address.to_canonical()) {
            (IpAddr::V4(net), IpAddr::V4(a)) => {
                let mask = u32::MAX.checked_shl(32 - u32::from(self.prefix)).unwrap_or(0);
                (u32::from(net) ^ u32::from(a)) & mask == 0
            }
            (IpAddr::V6(net), IpAddr::V6(a)) => {
                let mask = u128::MAX.checked_shl(128 - u32::from(self.prefix)).unwrap_or(0);
                (u128::from(net) ^ u128::from(a)) & mask == 0
            }
            _ => false,
        }
    }
}

/// What one host can call from: of IPv6 it has a whole /64 (RFC 4291 §2.5.1). IPv4-mapped addresses count as IPv4.
pub fn host_block(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(ip) => Ipv6Addr::from_bits(ip.to_bits() & !u128::from(u64::MAX)).into(),
        v4 => v4,
    }
}

impl FromStr for Network {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let (address, prefix) = match text.split_once('/') {
            Some((a, p)) => (a, Some(p)),
            None => (text, None),
        };
        let address: IpAddr = address.parse().map_err(|_| "not an IP address")?;
        let most = if address.is_ipv4() { 32 } else { 128 };
        let prefix: u8 = match prefix {
            None => most,
            Some(p) => p
                .parse()
                .ok()
                .filter(|p| *p <= most)
                .ok_or("the prefix length is out of range")?,
        };
        // `::ffff:192.0.2.0/120` is 192.0.2.0/24: nobody comes from a mapped address as such.
        match (address.to_canonical(), prefix.checked_sub(96)) {
            (v4 @ IpAddr::V4(_), Some(prefix)) if address.is_ipv6() => Ok(Network { address: v4, prefix }),
            _ => Ok(Network { address, prefix }),
        }
    }
}

impl std::fmt::Display for Network {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}/{}", self.address, self.prefix)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mapped_block_is_an_ipv4_block() {
        let ip = |t: &str| t.parse::<IpAddr>().unwrap();
        for (block, inside, outside) in [
            ("::ffff:192.0.2.0/120", "192.0.2.9", "192.0.3.9"),
            ("::ffff:192.0.2.5", "::ffff:192.0.2.5", "192.0.2.6"),
            ("::ffff:0:0/96", "203.0.113.1", "2001:db8::1"),
            ("192.0.2.77/24", "::ffff:192.0.2.1", "2001:db8::1"),
            ("2001:db8::/32", "2001:db8:ffff::1", "2001:db9::1"),
            ("0.0.0.0/0", "203.0.113.1", "2001:db8::1"),
            ("::/0", "2001:db8::1", "192.0.2.1"),
        ] {
            let network: Network = block.parse().unwrap();
            assert!(
                network.contains(ip(inside)) && !network.contains(ip(outside)),
                "{block}"
            );
        }
        assert!("::ffff:192.0.2.0/129".parse::<Network>().is_err());
        assert!("192.0.2.0/33".parse::<Network>().is_err());
    }

    #[test]
    fn a_host_of_ipv6_has_its_whole_network() {
        let block = |t: &str| host_block(t.parse().unwrap()).to_string();
        assert_eq!(block("2001:db8:1:2:3:4:5:6"), "2001:db8:1:2::");
        assert_eq!(block("::ffff:192.0.2.5"), "192.0.2.5");
        assert_eq!(block("192.0.2.5"), "192.0.2.5");
    }
}
