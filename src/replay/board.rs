//! Which of the capture's addresses is the gateway's, and what its name service would say.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::net::{IpAddr, Ipv4Addr, SocketAddr};

use super::capture::{Capture, Datagram};
use super::signalling::{is_rtp, method, read, status};
use super::{ReplayError, listed};
use crate::config::plan::{Extension, Plan};
use crate::report::text::plural;
use crate::sip::agent::{Hop, Transport};
use crate::sip::wire::{Address, Message, Start};

/// Where the gateway is if the capture does not show it: nobody has this address (RFC 7600 §4.8).
const NOWHERE: IpAddr = IpAddr::V4(Ipv4Addr::new(192, 0, 0, 8));
/// Groups outside the config that are counted, and named.
const MAX_FOREIGN: usize = 1024;
const MAX_NAMED: usize = 6;

/// What the gateway is called in the capture.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Board {
    pub address: IpAddr,
    /// `address` is the gateway's; else only its groups are there.
    pub is_seen: bool,
    /// Where it has its SIP; empty: at any port.
    ports: BTreeSet<u16>,
    /// Where the names of registrars lead to.
    pub places: HashMap<String, Vec<SocketAddr>>,
    /// What was taken for granted, and what is none of this config.
    pub notes: Vec<String>,
}

impl Board {
    /// Whether a SIP message from there is for the gateway.
    pub fn hears_at(&self, to: SocketAddr) -> bool {
        to.ip() == self.address && (self.ports.is_empty() || self.ports.contains(&to.port()))
    }

    /// Whether it was the gateway that sent a SIP message. A phone system may have the same address.
    pub fn has_sent(&self, from: SocketAddr, to: SocketAddr) -> bool {
        from.ip() == self.address && (to.ip() != self.address || self.hears_at(from))
    }
}

/// A request about an extension of the config.
struct Request {
    from: SocketAddr,
    to: SocketAddr,
    is_invite: bool,
    /// As dialled, and as in To.
    users: [Option<Vec<u8>>; 2],
    id: Vec<u8>,
}

/// A REGISTER of an extension of the config.
struct Register {
    from: SocketAddr,
    to: SocketAddr,
    user: Vec<u8>,
    message: Message,
}

/// What the capture's signalling says.
#[derive(Default)]
struct Survey {
    requests: Vec<Request>,
    registers: Vec<Register>,
    /// Final and other answers: who gave them, and the message.
    answers: Vec<(SocketAddr, u16, Message)>,
    /// Where calls of any kind go to.
    called: BTreeSet<IpAddr>,
    /// Packets to groups of the config, and to others.
    groups: u64,
    foreign: BTreeMap<SocketAddr, u64>,
}

impl Survey {
    fn of(plan: &Plan, capture: &Capture) -> Self {
        let is_user = |user: &[u8]| {
            plan.extensions
                .iter()
                .any(|extension| extension.user.as_bytes() == user)
        };
        let mut survey = Survey::default();
        for datagram in &capture.datagrams {
            let Some(message) = read(&datagram.octets) else {
                survey.multicast(plan, datagram);
                continue;
            };
            let (from, to) = (datagram.from, datagram.to);
            let user = user_of(message.first("To")).filter(|user| is_user(user));
            let Some(method) = method(&message) else {
                if let Some(status) = status(&message) {
                    survey.answers.push((from, status, message));
                }
                continue;
            };
            let is_invite = method == b"INVITE";
            if is_invite {
                survey.called.insert(to.ip());
            }
            match (method, user) {
                (b"REGISTER", Some(user)) => survey.registers.push(Register {
                    from,
                    to,
                    user,
                    message,
                }),
                (b"INVITE" | b"ACK" | b"BYE", user) => {
                    let users = [dialled(&message).filter(|user| is_user(user)), user];
                    if users.iter().any(Option::is_some) {
                        let id = message.first("Call-ID").unwrap_or_default().to_vec();
                        survey.requests.push(Request {
                            from,
                            to,
                            is_invite,
                            users,
                            id,
                        });
                    }
                }
                _ => {}
            }
        }
        survey
    }

    fn multicast(&mut self, plan: &Plan, datagram: &Datagram) {
        if !datagram.to.ip().is_multicast() || !is_rtp(&datagram.octets) {
            return;
        }
        if plan.groups.iter().any(|group| group.address == datagram.to) {
            self.groups += 1;
        } else if self.foreign.len() < MAX_FOREIGN || self.foreign.contains_key(&datagram.to) {
            *self.foreign.entry(datagram.to).or_default() += 1;
        }
    }

    /// Behind a phone system the same call is seen twice: towards it, and from it to us. Who registers is the gateway; else who is called and
    /// calls nobody of us.
    fn board(&self, wanted: Option<IpAddr>) -> Option<(IpAddr, BTreeSet<u16>)> {
        let senders: BTreeSet<SocketAddr> = self.requests.iter().map(|request| request.from).collect();
        let mut calls: BTreeMap<SocketAddr, BTreeSet<&[u8]>> = BTreeMap::new();
        for request in &self.requests {
            calls.entry(request.to).or_default().insert(&request.id);
        }
        let fits = |ip: IpAddr| wanted.is_none_or(|wanted| wanted == ip);
        let count = |at: &SocketAddr| calls.get(at).map_or(0, BTreeSet::len);
        let called: Vec<SocketAddr> = calls.keys().copied().filter(|at| fits(at.ip())).collect();
        let ends: Vec<SocketAddr> = called.iter().copied().filter(|at| !senders.contains(at)).collect();
        let registered = self.registers.iter().map(|register| register.from);
        let registered: BTreeSet<SocketAddr> = registered.filter(|at| fits(at.ip())).collect();
        let by_register = registered.iter().max_by_key(|at| (count(at), ends.contains(at)));
        let most = |all: &[SocketAddr]| all.iter().copied().max_by_key(count);
        let at = by_register.copied().or_else(|| most(&ends)).or_else(|| most(&called))?;
        let all = registered.iter().chain(&ends).chain([&at]);
        let ports = all.filter(|one| one.ip() == at.ip()).map(SocketAddr::port);
        Some((at.ip(), ports.collect()))
    }

    fn foreign_note(&self) -> Option<String> {
        let mut most: Vec<(&SocketAddr, &u64)> = self.foreign.iter().collect();
        most.sort_by_key(|(_, count)| std::cmp::Reverse(**count));
        let named = most.iter().take(MAX_NAMED);
        let named: Vec<String> = named
            .map(|(group, count)| {
                format!(
                    "{group} ({})",
                    plural(usize::try_from(**count).unwrap_or(usize::MAX), "packet")
                )
            })
            .collect();
        let more = match most.len().saturating_sub(MAX_NAMED) {
            0 => String::new(),
            more => format!(" and {more} more"),
        };
        (!named.is_empty()).then(|| format!("multicast to no group of the config: {}{more}", named.join(", ")))
    }
}

/// `address`: the user's own word.
///
/// # Errors
/// When nothing in the capture is for this config, or nothing has that address.
pub fn find(plan: &Plan, capture: &Capture, address: Option<IpAddr>) -> Result<Board, ReplayError> {
    let survey = Survey::of(plan, capture);
    let called = || survey.called.iter().copied().collect::<Vec<IpAddr>>();
    let mut notes = Vec::new();
    let (address, ports, is_seen) = match (survey.board(address), address) {
        (Some((address, ports)), _) => (address, ports, true),
        (None, Some(address)) if survey.called.contains(&address) || survey.groups > 0 => {
            (address, BTreeSet::new(), true)
        }
        (None, Some(address)) => {
            return Err(ReplayError::NotThere {
                address,
                called: called(),
            });
        }
        (None, None) if survey.groups > 0 => (NOWHERE, BTreeSet::new(), false),
        (None, None) if survey.called.is_empty() => {
            let tcp = (capture.tcp_signalling > 0).then(|| "SIP by TCP or TLS is, which cannot be replayed".to_owned());
            return Err(ReplayError::NoneOfIt {
                besides: tcp.or_else(|| survey.foreign_note()),
            });
        }
        (None, None) => return Err(ReplayError::WhichBoard { called: called() }),
    };
    if !is_seen && !survey.called.is_empty() {
        let called = listed(&called());
        notes.push(format!(
            "there are calls in it, to {called}, but none to an extension of this config"
        ));
    }
    notes.extend(survey.foreign_note());
    let mut board = Board {
        address,
        is_seen,
        ports,
        places: HashMap::new(),
        notes,
    };
    for extension in &plan.extensions {
        settle(&mut board, extension, &survey);
    }
    Ok(board)
}

/// Where the registrars of an extension are.
fn settle(board: &mut Board, extension: &Extension, survey: &Survey) {
    let user = extension.user.as_bytes();
    let own = |register: &&Register| board.address == register.from.ip() && register.user == user;
    let registered = survey.registers.iter().find(own);
    if let Some(status) = registered.and_then(|register| refusal(survey, register)) {
        board.notes.push(format!(
            "the registration of {} was refused in the capture: {status}; here it counts as registered",
            extension.name
        ));
    }
    let registrars = extension.registrars.iter();
    let hops = registrars.flat_map(|registrar| [&registrar.hop].into_iter().chain(&registrar.proxies));
    let named: Vec<&Hop> = hops.filter(|hop| hop.host.parse::<IpAddr>().is_err()).collect();
    let mut is_assumed = false;
    for hop in named {
        let asked =
            |register: &&Register| host_of(&register.message).is_some_and(|host| host.eq_ignore_ascii_case(&hop.host));
        let by_name = survey.registers.iter().find(asked);
        let places = match by_name.or(registered) {
            Some(register) => vec![register.to],
            None => {
                let callers = callers(board, user, survey);
                is_assumed |= !callers.is_empty();
                callers
            }
        };
        if !places.is_empty() {
            let known = board.places.entry(hop.host.to_ascii_lowercase()).or_default();
            known.extend(places);
            known.sort();
            known.dedup();
        }
    }
    if is_assumed {
        board.notes.push(format!(
            "no registration of {} is in the capture: calls to it are taken as its registrar's",
            extension.name
        ));
    }
}

/// Who called an extension and was let in by the captured gateway, or may have been, if the capture holds nothing that it said. One that may
/// not call is told 403, or nothing at all.
fn callers(board: &Board, user: &[u8], survey: &Survey) -> Vec<SocketAddr> {
    let own = || survey.answers.iter().filter(|(from, ..)| from.ip() == board.address);
    let is_silent = own().next().is_none();
    let was_let_in = |request: &&Request| {
        is_silent || own().any(|(_, status, answer)| *status != 403 && answer.first("Call-ID") == Some(&request.id))
    };
    let calls = survey.requests.iter().filter(|request| {
        request.is_invite && board.hears_at(request.to) && request.users.iter().flatten().any(|it| it == user)
    });
    let callers: BTreeSet<SocketAddr> = calls.filter(was_let_in).map(|request| request.from).collect();
    callers.into_iter().collect()
}

/// The last word on a registration, if it was a no. 401 and 407 are one for who had shown a password.
fn refusal(survey: &Survey, register: &Register) -> Option<u16> {
    let is_answer = |answer: &Message| {
        answer.first("Call-ID").is_some() && answer.first("Call-ID") == register.message.first("Call-ID")
    };
    let last = survey
        .answers
        .iter()
        .rfind(|(_, status, answer)| *status >= 200 && is_answer(answer));
    let (_, status, answer) = last?;
    let showed = || {
        survey.registers.iter().any(|one| {
            is_answer(&one.message)
                && one.message.first("CSeq") == answer.first("CSeq")
                && (one.message.first("Authorization").is_some() || one.message.first("Proxy-Authorization").is_some())
        })
    };
    match status {
        401 | 407 if !showed() => None,
        300.. => Some(*status),
        _ => None,
    }
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

/// Where SIP is spoken, by the config and by custom.
pub fn sip_ports(plan: &Plan) -> BTreeSet<u16> {
    let listens = plan.sip.listen.iter().map(|(_, address)| address.port());
    let registrars = plan.extensions.iter().flat_map(|extension| &extension.registrars);
    let hops = registrars.flat_map(|registrar| [&registrar.hop].into_iter().chain(&registrar.proxies));
    listens
        .chain(hops.filter_map(|hop| hop.port))
        .chain([5060, 5061])
        .collect()
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
