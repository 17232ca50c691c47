//! Multicast groups: is the interface there, is the membership there, and does the network have a querier, without
//! which a switch that looks into IGMP stops forwarding after some minutes (RFC 4541 §2.1.1; RFC 3376 §8.2 has a
//! query every 125 s).

use std::collections::BTreeSet;
use std::fs;
use std::io::{self, ErrorKind, Read as _};
use std::net::{IpAddr, Ipv4Addr};
use std::time::{Duration, Instant};

use socket2::{Domain, Protocol, Socket, Type};

use super::system::Service;
use super::{Finding, Verdict};
use crate::config::plan::Plan;
use crate::device::net::interface_index;

const QUERY: u8 = 0x11;

pub fn groups(plan: &Plan, service: &Service, listen: Duration) -> Vec<Finding> {
    let mut findings = Vec::new();
    let joined = memberships();
    for group in &plan.groups {
        let subject = format!("multicast group {}", group.name);
        let missing = group
            .interface
            .as_deref()
            .filter(|name| interface_index(name).is_none());
        findings.push(match (missing, joined.contains(&group.address.ip())) {
            (Some(interface), _) => Finding::new(
                Verdict::Fault,
                &subject,
                format!("there is no interface {interface}"),
                "ip -brief address lists them",
            ),
            (None, true) => Finding::fine(&subject, format!("{} is joined", group.address.ip())),
            (None, false) if service.runs() => Finding::new(
                Verdict::Fault,
                &subject,
                format!("{} is not joined although the gateway runs", group.address.ip()),
                "hornwire status; journalctl -u hornwire GROUP=NAME",
            ),
            (None, false) => Finding::new(
                Verdict::Unknown,
                &subject,
                "is joined by nobody: the gateway does not run",
                "",
            ),
        });
    }
    if plan.groups.iter().any(|group| group.address.is_ipv4()) {
        findings.push(querier(listen));
    }
    findings
}

/// The groups that this machine has joined, on any interface.
fn memberships() -> BTreeSet<IpAddr> {
    let read = |path: &str| fs::read_to_string(path).unwrap_or_default();
    let mut joined: BTreeSet<IpAddr> = igmp(&read("/proc/net/igmp")).collect();
    joined.extend(igmp6(&read("/proc/net/igmp6")));
    joined
}

/// From /proc/net/igmp: set-in lines begin with the address as the machine has it in memory.
pub fn igmp(text: &str) -> impl Iterator<Item = IpAddr> {
    let set_in = text.lines().filter(|line| line.starts_with(char::is_whitespace));
    set_in.filter_map(|line| {
        let word = line.split_whitespace().next()?;
        let octets = u32::from_str_radix(word, 16).ok()?.to_ne_bytes();
        Some(IpAddr::V4(Ipv4Addr::from(octets)))
    })
}

/// From /proc/net/igmp6: the third column is the address, 32 hexadecimal digits.
pub fn igmp6(text: &str) -> impl Iterator<Item = IpAddr> {
    text.lines().filter_map(|line| {
        let word = line.split_whitespace().nth(2)?;
        let octets = u128::from_str_radix(word, 16).ok()?.to_be_bytes();
        Some(IpAddr::V6(octets.into()))
    })
}

/// Whether somebody asks for memberships.
fn querier(listen: Duration) -> Finding {
    let subject = "IGMP querier";
    let seconds = listen.as_secs();
    match hear(listen) {
        Ok(Some(from)) => Finding::fine(subject, format!("{from} asks for memberships")),
        Ok(None) => Finding::new(
            Verdict::Unknown,
            subject,
            format!("none was heard for {seconds} s; one asks about every 125 s"),
            match seconds < 130 {
                true => {
                    "hornwire doctor --listen 130 waits for it. Without a querier a switch with IGMP snooping stops forwarding after some minutes"
                }
                false => {
                    "where the switches look into IGMP (snooping), switch on a querier in one of them, or pages by multicast fall silent after \
                     some minutes"
                }
            },
        ),
        Err(error) if error.kind() == ErrorKind::PermissionDenied => Finding::new(
            Verdict::Unknown,
            subject,
            "only root can listen for it",
            "run the doctor as root",
        ),
        Err(error) => Finding::new(
            Verdict::Unknown,
            subject,
            format!("cannot be listened for: {error}"),
            "",
        ),
    }
}

/// Who sent a query within that time.
fn hear(listen: Duration) -> io::Result<Option<Ipv4Addr>> {
    let socket = Socket::new(Domain::IPV4, Type::RAW, Some(Protocol::from(libc::IPPROTO_IGMP)))?;
    let by = Instant::now() + listen;
    let mut buffer = [0; 2048];
    loop {
        let left = by.saturating_duration_since(Instant::now());
        if left.is_zero() {
            return Ok(None);
        }
        socket.set_read_timeout(Some(left))?;
        // Reading through `io::Read` needs no uninitialised memory.
        let octets = match (&socket).read(&mut buffer) {
            Ok(octets) => octets,
            Err(error)
                if matches!(
                    error.kind(),
                    ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted
                ) =>
            {
                continue;
            }
            Err(error) => return Err(error),
        };
        let packet = buffer.get(..octets).unwrap_or_default();
        if let Some(from) = query(packet) {
            return Ok(Some(from));
        }
    }
}

/// The sender of an IGMP membership query (RFC 3376 §4.1), from a whole IPv4 packet. A switch that has no address of
/// its own asks from 0.0.0.0: it is no querier, but keeps its table.
pub fn query(packet: &[u8]) -> Option<Ipv4Addr> {
    let first = *packet.first()?;
    if first >> 4 != 4 {
        return None;
    }
    let igmp = packet.get(usize::from(first & 0xf) * 4..)?;
    let from: [u8; 4] = packet.get(12..16)?.try_into().ok()?;
    (igmp.len() >= 8 && igmp[0] == QUERY).then(|| from.into())
}
