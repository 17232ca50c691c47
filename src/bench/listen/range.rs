//! What stands on the command line: groups, and what a payload type is.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};

use crate::media::{Codec, Format, Linear};

/// Groups watched at most: each takes a socket and a membership.
pub const MAX_GROUPS: usize = 256;

/// Why groups or a payload type cannot be taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RangeError {
    #[error("{0:?} has no port; wanted ADDRESS:PORT, such as 239.192.0.10:5004 or [ff15::10]:5004")]
    NoPort(String),
    #[error("{0:?} is no port; wanted 1 to 65535")]
    Port(String),
    #[error("{0:?} is no IP address")]
    Address(String),
    #[error("{0:?} is no prefix length; wanted 0 to 32 for IPv4, 0 to 128 for IPv6")]
    Prefix(String),
    #[error("{0} is no multicast address; IPv4's are 224.0.0.0 to 239.255.255.255, IPv6's begin with ff")]
    NotMulticast(IpAddr),
    #[error("the range {0} ends before it begins, or mixes IPv4 and IPv6")]
    Backwards(String),
    #[error("{0} are {1} groups, at most {MAX_GROUPS} can be watched; name a smaller range, or use --seen")]
    TooMany(String, u128),
    #[error("{0:?} is no payload type; wanted TYPE=CODEC, such as 97=opus/48000/2 or 96=L16/16000 (TYPE 0 to 127)")]
    Payload(String),
    #[error("{0:?} is no codec that can be decoded; wanted PCMU, PCMA, G722, opus or L16/RATE[/CHANNELS]")]
    Codec(String),
}

/// The groups of `239.192.0.10:5004`, `239.192.0.0/28:5004`, `239.192.0.10-239.192.0.20:5004`; of IPv6 in brackets.
///
/// # Errors
/// [`RangeError`], of more than [`MAX_GROUPS`] too.
pub fn groups(text: &str) -> Result<Vec<SocketAddr>, RangeError> {
    let (hosts, port) = match text.strip_prefix('[') {
        Some(rest) => rest.split_once("]:"),
        None => text
            .rsplit_once(':')
            .filter(|(hosts, _)| hosts.contains('.') || !hosts.contains(':')),
    }
    .ok_or_else(|| RangeError::NoPort(text.to_owned()))?;
    let port = port
        .parse::<u16>()
        .ok()
        .filter(|port| *port != 0)
        .ok_or_else(|| RangeError::Port(port.to_owned()))?;
    let address = |text: &str| {
        let parsed = text.trim().parse::<IpAddr>();
        parsed.map_err(|_| RangeError::Address(text.to_owned()))
    };
    let (first, last) = if let Some((first, last)) = hosts.split_once('-') {
        (address(first)?, address(last)?)
    } else if let Some((net, prefix)) = hosts.split_once('/') {
        block(address(net)?, prefix)?
    } else {
        let one = address(hosts)?;
        (one, one)
    };
    let backwards = || RangeError::Backwards(hosts.to_owned());
    let (from, to) = match (first, last) {
        (IpAddr::V4(a), IpAddr::V4(b)) => (u128::from(a.to_bits()), u128::from(b.to_bits())),
        (IpAddr::V6(a), IpAddr::V6(b)) => (a.to_bits(), b.to_bits()),
        _ => return Err(backwards()),
    };
    let more = to.checked_sub(from).ok_or_else(backwards)?;
    for end in [first, last] {
        if !end.is_multicast() {
            return Err(RangeError::NotMulticast(end));
        }
    }
    if more >= MAX_GROUPS as u128 {
        return Err(RangeError::TooMany(hosts.to_owned(), more.saturating_add(1)));
    }
    let ip = |bits: u128| match first {
        IpAddr::V4(_) => IpAddr::V4(Ipv4Addr::from_bits(bits as u32)),
        IpAddr::V6(_) => IpAddr::V6(Ipv6Addr::from_bits(bits)),
    };
    Ok((from..=to).map(|bits| SocketAddr::new(ip(bits), port)).collect())
}

/// First and last address of a block.
fn block(net: IpAddr, prefix: &str) -> Result<(IpAddr, IpAddr), RangeError> {
    let width = if net.is_ipv4() { 32 } else { 128 };
    let length = prefix.parse::<u32>().ok().filter(|length| *length <= width);
    let free = width - length.ok_or_else(|| RangeError::Prefix(prefix.to_owned()))?;
    Ok(match net {
        IpAddr::V4(ip) => {
            let hosts = u32::MAX.checked_shr(32 - free).unwrap_or(0);
            let first = ip.to_bits() & !hosts;
            (
                Ipv4Addr::from_bits(first).into(),
                Ipv4Addr::from_bits(first | hosts).into(),
            )
        }
        IpAddr::V6(ip) => {
            let hosts = u128::MAX.checked_shr(128 - free).unwrap_or(0);
            let first = ip.to_bits() & !hosts;
            (
                Ipv6Addr::from_bits(first).into(),
                Ipv6Addr::from_bits(first | hosts).into(),
            )
        }
    })
}

/// `97=opus/48000/2`: a payload type, and its codec as in an SDP rtpmap (RFC 8866 §6.6).
///
/// # Errors
/// [`RangeError::Payload`], [`RangeError::Codec`].
pub fn payload(text: &str) -> Result<(u8, Format), RangeError> {
    let wrong = || RangeError::Payload(text.to_owned());
    let (number, codec) = text.split_once('=').ok_or_else(wrong)?;
    let number = number
        .parse::<u8>()
        .ok()
        .filter(|number| *number < 128)
        .ok_or_else(wrong)?;
    let mut parts = codec.split('/');
    let name = parts.next().unwrap_or_default().to_ascii_uppercase();
    let rate = parts.next();
    let channels = parts.next();
    let fits = |rates: &str, most: &str| {
        rate.is_none_or(|rate| rate == rates)
            && channels.is_none_or(|n| n == "1" || n == most)
            && codec.split('/').count() <= 3
    };
    let found = match name.as_str() {
        "PCMU" if fits("8000", "1") => Some(Codec::Pcmu),
        "PCMA" if fits("8000", "1") => Some(Codec::Pcma),
        // Its RTP clock (RFC 3551 §4.5.2).
        "G722" if fits("8000", "1") => Some(Codec::G722),
        "OPUS" if fits("48000", "2") => Some(Codec::Opus),
        "L16" if parts.next().is_none() => rate
            .and_then(|rate| Linear::new(rate.parse().ok()?, channels.unwrap_or("1").parse().ok()?))
            .map(Codec::L16),
        _ => None,
    };
    let found = found.ok_or_else(|| RangeError::Codec(codec.to_owned()))?;
    Ok((number, Format::Audio(found)))
}
