//! Which of the capture's addresses is the gateway's, and what its name service would say.

use std::collections::{BTreeMap, HashMap};
use std::net::{IpAddr, Ipv4Addr, SocketAddr};

use super::ReplayError;
use super::capture::Capture;
use super::signalling::{method, read};
use crate::config::plan::Plan;
use crate::sip::agent::{Hop, Transport};
use crate::sip::wire::{Address, Message, Start};

/// What the gateway is called in the capture.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Board {
    pub address: IpAddr,
    /// Where the names of registrars lead to.
    pub places: HashMap<String, SocketAddr>,
}

/// `address`: the user's own word.
///
/// # Errors
/// When there are calls in the capture, and none is for this config.
pub fn find(plan: &Plan, capture: &Capture, address: Option<IpAddr>) -> Result<Board, ReplayError> {
    let users: Vec<&[u8]> = plan
        .extensions
        .iter()
        .map(|extension| extension.user.as_bytes())
        .collect();
    let mut votes: BTreeMap<IpAddr, u32> = BTreeMap::new();
    let mut called: BTreeMap<IpAddr, u32> = BTreeMap::new();
    let mut registers: Vec<(IpAddr, SocketAddr, Message)> = Vec::new();
    for datagram in &capture.datagrams {
        let Some(message) = read(&datagram.octets) else {
            continue;
        };
        let to = user_of(message.first("To"));
        let is_ours = to.as_deref().is_some_and(|user| users.contains(&user));
        match method(&message) {
            Some(b"INVITE") => {
                *called.entry(datagram.to.ip()).or_default() += 1;
                if is_ours || dialled(&message).is_some_and(|user| users.contains(&user.as_slice())) {
                    *votes.entry(datagram.to.ip()).or_default() += 1;
                }
            }
            Some(b"REGISTER") if is_ours => {
                *votes.entry(datagram.from.ip()).or_default() += 1;
                registers.push((datagram.from.ip(), datagram.to, message));
            }
            _ => {}
        }
    }
    // Behind a phone system the same call is seen twice: towards it, and from it to us. Who registers is the gateway.
    let registered = registers
        .iter()
        .map(|(from, ..)| *from)
        .max_by_key(|from| votes.get(from));
    let most = votes
        .iter()
        .max_by_key(|(_, count)| **count)
        .map(|(address, _)| *address);
    let address = match (address.or(registered).or(most), called.keys().next()) {
        (Some(address), _) => address,
        (None, None) => Ipv4Addr::LOCALHOST.into(),
        (None, Some(_)) => {
            return Err(ReplayError::WhichBoard {
                called: called.into_keys().collect(),
            });
        }
    };
    let mut places = HashMap::new();
    for extension in &plan.extensions {
        let hops = extension
            .registrars
            .iter()
            .flat_map(|registrar| [&registrar.hop].into_iter().chain(&registrar.proxies));
        for hop in hops.filter(|hop| hop.host.parse::<IpAddr>().is_err()) {
            let asked = |message: &Message| host_of(message).is_some_and(|host| host.eq_ignore_ascii_case(&hop.host));
            let own = |message: &Message| user_of(message.first("To")).as_deref() == Some(extension.user.as_bytes());
            let by_name = registers.iter().find(|(.., message)| asked(message));
            let by_user = || registers.iter().find(|(.., message)| own(message));
            if let Some((_, place, _)) = by_name.or_else(by_user) {
                places.insert(hop.host.to_ascii_lowercase(), *place);
            }
        }
    }
    Ok(Board { address, places })
}

/// The plan of a gateway that has only what a capture holds: signalling by UDP at the capture's address, groups, calls, schedules. Cards
/// and relays are written down.
pub fn confine(plan: &mut Plan, board: &Board) {
    let port = plan
        .sip
        .listen
        .iter()
        .find(|(transport, _)| *transport == Transport::Udp);
    let port = port.map_or(5060, |(_, address)| address.port());
    plan.sip.listen = vec![(Transport::Udp, SocketAddr::new(board.address, port))];
    plan.sip.start_spread = std::time::Duration::ZERO;
    plan.sip.advertise = None;
    plan.tls = crate::tls::Files::default();
    let by_udp = |hop: &mut Hop| {
        hop.transport = Some(Transport::Udp);
        hop.secure = false;
        hop.port = hop.port.filter(|port| *port != 5061);
    };
    for registrar in plan
        .extensions
        .iter_mut()
        .flat_map(|extension| &mut extension.registrars)
    {
        by_udp(&mut registrar.hop);
        registrar.proxies.iter_mut().for_each(by_udp);
    }
    for group in &mut plan.groups {
        group.interface = None;
    }
    for relay in &mut plan.relays {
        relay.line = crate::config::plan::RelayLine::Simulated;
    }
    plan.captures.clear();
    plan.inputs.clear();
    plan.music.clear();
    plan.contacts.clear();
    plan.vetoes.clear();
    plan.control.socket = crate::config::plan::Socket::None;
    plan.metrics = None;
}

fn user_of(header: Option<&[u8]>) -> Option<Vec<u8>> {
    Address::read(header?).ok()?.uri.sip()?.user_name()
}

fn uri_of(message: &Message) -> Option<crate::sip::wire::Uri> {
    match &message.start {
        Start::Request { uri, .. } => crate::sip::wire::Uri::read(uri).ok(),
        Start::Response { .. } => None,
    }
}

fn dialled(message: &Message) -> Option<Vec<u8>> {
    uri_of(message)?.sip()?.user_name()
}

fn host_of(message: &Message) -> Option<String> {
    let uri = uri_of(message)?;
    Some(uri.sip()?.host.to_string())
}
