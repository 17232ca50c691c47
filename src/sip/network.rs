//! Address blocks: who is let in.

use std::net::IpAddr;
use std::str::FromStr;

/// An address block such as `192.0.2.0/24` or `2001:db8::/32`; a bare address is a block of one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Network {
    address: IpAddr,
    prefix: u8,
}

impl Network {
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

impl FromStr for Network {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let (address, prefix) = match text.split_once('/') {
            Some((a, p)) => (a, Some(p)),
            None => (text, None),
        };
        let address: IpAddr = address.parse().map_err(|_| "not an IP address")?;
        let most = if address.is_ipv4() { 32 } else { 128 };
        let prefix = match prefix {
            None => most,
            Some(p) => p
                .parse()
                .ok()
                .filter(|p| *p <= most)
                .ok_or("the prefix length is out of range")?,
        };
        Ok(Network { address, prefix })
    }
}

impl std::fmt::Display for Network {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}/{}", self.address, self.prefix)
    }
}
