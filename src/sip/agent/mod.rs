//! The user agent: several registrations and all calls, one sans-IO state machine.
//!
//! Bytes, commands and time go in; [`Output`]s come out. Signalling only: session descriptions pass through
//! as opaque bodies (see [`super::sdp`]).
//!
//! ```text
//!                                           ┌─▶ incoming ─────────────┐
//! octets ─▶ gate ─▶ wire ─▶ server table ─▶ uas ─▶ dialog ─▶ invite, update, prack, info, bye ─▶ Event
//!                    │                                └────▶ refresh (session timer) ─┐
//!                    └────▶ client table ◀─▶ registration, bye, refresh ◀─────────────┘
//! ```
//!
//! `abilities` says what we speak, `body` what a request carries; one `call` is one dialog.
//!
//! Invariants: an address that the gate does not let in gets no octet back; every table is bounded by a constant
//! below; each call that was announced by [`Event::Incoming`] gets exactly one [`Event::Ended`].

mod abilities;
mod auth;
mod body;
mod call;
mod client;
mod dialog;
mod gate;
mod incoming;
mod registration;
mod server;
mod stream;
mod types;
mod uas;

use std::collections::{BTreeMap, VecDeque};
use std::net::IpAddr;
use std::time::{Duration, Instant};

use rand::{Rng as _, SeedableRng as _};
use rand_chacha::ChaCha12Rng;

use super::stun;
use super::wire::{Carrier, Message, Request, Response, Start};
use crate::gate::Pattern;
use abilities::ALLOW;
use call::Call;
use client::ClientEntry;
use gate::Gate;
use registration::{Keeper, Registration};
use server::{ServerEntry, ServerKey};
use stream::Connection;
pub use types::*;

/// Most server transactions at once; above it 503 with Retry-After (RFC 3261 §21.5.4).
pub const MAX_TRANSACTIONS: usize = 512;
/// Most octets that server transactions hold together, by a rough count.
pub const MAX_TRANSACTION_OCTETS: usize = 4 << 20;
/// Most calls at once, refused ones that wait for their ACK not counted; above it 503 with Retry-After.
pub const MAX_CALLS: usize = 64;
/// Most stream connections that are read from. The driver, which owns them, has no more; one too many is closed.
pub const MAX_CONNECTIONS: usize = 64;
/// Most outputs that wait to be polled; above it transmissions are dropped and counted.
pub const MAX_OUTPUTS: usize = 4096;
/// Most addresses kept for one registrar.
pub const MAX_TARGETS: usize = 16;
/// Retry-After of a 503, seconds.
const RETRY_AFTER: &str = "5";
/// A call that is neither accepted nor refused is given up after this; the figure of timer C (RFC 3261 §16.6).
const OFFER_LIMIT: Duration = Duration::from_secs(180);
/// A message that a stream has begun must be whole within this: 64·T1.
const PARTIAL_LIMIT: Duration = Duration::from_secs(32);
/// How long [`Agent::shut_down`] waits for answers to BYE and REGISTER.
pub const SHUTDOWN_LIMIT: Duration = Duration::from_secs(4);

/// The user agent.
pub struct Agent {
    settings: Settings,
    rng: ChaCha12Rng,
    /// Makes the To tags of stateless answers.
    tag_key: u64,
    outputs: VecDeque<Output>,
    gate: Gate,
    servers: BTreeMap<ServerKey, ServerEntry>,
    /// By branch.
    clients: BTreeMap<Vec<u8>, ClientEntry>,
    calls: BTreeMap<CallId, Call>,
    next_call: u64,
    /// Indexed by [`RegistrationId`].
    registrations: Vec<Registration>,
    /// Flows to registrars.
    keepers: Vec<Keeper>,
    /// Registrars that say outbound and leave STUN unanswered.
    deaf: Vec<std::net::SocketAddr>,
    connections: BTreeMap<ConnectionId, Connection>,
    figures: AgentFigures,
    /// Further numbers that extensions are called by.
    also: Vec<(ExtensionId, Pattern)>,
    /// Set by [`Agent::shut_down`]: when waiting ends.
    closing: Option<Instant>,
}

impl Agent {
    /// `seed` feeds every random choice (tags, branches, cnonces, back-off).
    pub fn new(settings: Settings, seed: [u8; 32], now: Instant) -> Self {
        let mut rng = ChaCha12Rng::from_seed(seed);
        let registrations = registration::all(&settings, &mut rng, now);
        Agent {
            gate: Gate::new(settings.networks.clone()),
            settings,
            tag_key: rng.random(),
            rng,
            outputs: VecDeque::new(),
            servers: BTreeMap::new(),
            clients: BTreeMap::new(),
            calls: BTreeMap::new(),
            next_call: 1,
            registrations,
            keepers: Vec::new(),
            deaf: Vec::new(),
            connections: BTreeMap::new(),
            figures: AgentFigures::default(),
            also: Vec::new(),
            closing: None,
        }
    }

    /// An extension is called by these users too. One that another extension has for its own stays that one's.
    pub fn also_called(&mut self, extension: ExtensionId, users: impl IntoIterator<Item = Pattern>) {
        self.also.extend(users.into_iter().map(|users| (extension, users)));
    }

    /// A UDP datagram.
    pub fn handle_datagram(&mut self, flow: Flow, octets: &[u8], now: Instant) {
        if !self.lets_in(flow.peer.ip()) {
            self.turn_away_stranger(flow, octets, now);
            return;
        }
        // Keep-alives: empty lines, zeros.
        if octets.iter().all(|b| b"\r\n \0".contains(b)) {
            return;
        }
        if stun::is_stun(octets) {
            self.on_stun(flow, octets, now);
            return;
        }
        self.receive(flow, octets, Carrier::Datagram, now);
    }

    fn receive(&mut self, flow: Flow, octets: &[u8], carrier: Carrier, now: Instant) {
        self.figures.messages += 1;
        let trusted = self.trusts(flow.peer.ip());
        let Some(message) = Message::read(octets, carrier) else {
            self.figures.malformed += 1;
            return;
        };
        match message.start {
            Start::Request { .. } => match Request::read(message) {
                Ok(request) if trusted || self.calls.values().any(|c| c.is_dialog_of(&request)) => {
                    self.on_request(flow, request, now);
                }
                // The far end of a call may speak within the call, and nothing else.
                Ok(_) => self.turn_away_stranger(flow, octets, now),
                Err(broken) => {
                    let (fault, message) = *broken;
                    self.figures.malformed += 1;
                    if trusted {
                        self.answer_broken(flow, &message, fault);
                    }
                }
            },
            Start::Response { .. } => match Response::read(message) {
                Some(response) => self.on_response(flow, &response, now),
                None => self.figures.malformed += 1,
            },
        }
    }

    /// Ends all calls and unregisters; done when [`Agent::is_idle`].
    pub fn shut_down(&mut self, now: Instant) {
        if self.closing.is_some() {
            return;
        }
        self.closing = Some(now + SHUTDOWN_LIMIT);
        let calls: Vec<CallId> = self.calls.keys().copied().collect();
        for call in calls {
            self.hang_up(call, None, now);
        }
        for index in 0..self.registrations.len() {
            self.leave(index, now);
        }
    }

    /// After [`Agent::shut_down`]: nothing is left to wait for.
    pub fn is_idle(&self) -> bool {
        self.closing.is_some()
            && self.outputs.is_empty()
            && self.calls.is_empty()
            && !self.registrations.iter().any(Registration::is_waited_for)
    }

    pub fn handle_timeout(&mut self, now: Instant) {
        self.servers_timeout(now);
        self.clients_timeout(now);
        self.calls_timeout(now);
        self.registrations_timeout(now);
        self.streams_timeout(now);
        if self.closing.is_some_and(|at| at <= now) {
            self.calls.clear();
            self.clients.clear();
            self.servers.clear();
            for index in 0..self.registrations.len() {
                self.gone(index);
            }
        }
    }

    pub fn poll_timeout(&self) -> Option<Instant> {
        let closing = self.closing.filter(|_| {
            !self.calls.is_empty()
                || !self.clients.is_empty()
                || !self.servers.is_empty()
                || !self.registrations.iter().all(Registration::is_gone)
        });
        self.servers
            .values()
            .filter_map(ServerEntry::poll_timeout)
            .chain(self.clients.values().filter_map(|c| c.transaction.poll_timeout()))
            .chain(self.calls.values().filter_map(Call::poll_timeout))
            .chain(self.registrations.iter().filter_map(Registration::poll_timeout))
            .chain(self.keepers.iter().filter_map(Keeper::poll_timeout))
            .chain(self.connections.values().filter_map(Connection::poll_timeout))
            .chain(closing)
            .min()
    }

    pub fn poll_output(&mut self) -> Option<Output> {
        self.outputs.pop_front()
    }

    /// The network gate: the registrars' resolved addresses and the listed networks, and the far ends of calls
    /// that came through those. Behind a proxy that does not record-route, a phone sends its ACK and BYE itself;
    /// such an address is heard within its call only.
    pub fn lets_in(&self, address: IpAddr) -> bool {
        self.trusts(address) || self.calls.values().any(|c| c.is_at(address.to_canonical()))
    }

    /// Where the registrars are.
    pub fn registrar_addresses(&self) -> impl Iterator<Item = IpAddr> {
        self.registrations.iter().flat_map(Registration::addresses)
    }

    /// The far ends of calls, which [`Agent::lets_in`] lets in too.
    pub fn far_ends(&self) -> impl Iterator<Item = IpAddr> {
        self.calls.values().flat_map(Call::addresses)
    }

    /// May begin calls.
    fn trusts(&self, address: IpAddr) -> bool {
        let address = address.to_canonical();
        self.gate.lists(address) || self.registrations.iter().any(|r| r.has_address(address))
    }

    pub fn figures(&self) -> AgentFigures {
        self.figures
    }

    /// How full the tables are.
    pub fn load(&self) -> AgentLoad {
        AgentLoad {
            transactions: self.servers.len(),
            transaction_octets: self.octets_held(),
            requests: self.clients.len(),
            calls: self.calls.len(),
            connections: self.connections.len(),
            partial_octets: self.connections.values().map(Connection::held).sum(),
            outputs: self.outputs.len(),
        }
    }

    fn transmit(&mut self, flow: Flow, octets: Vec<u8>) {
        if self.outputs.len() >= MAX_OUTPUTS {
            self.figures.dropped += 1;
            return;
        }
        self.outputs.push_back(Output::Transmit { flow, octets });
    }

    fn event(&mut self, event: Event) {
        self.outputs.push_back(Output::Event(event));
    }

    /// 64 random bits in hexadecimal: tags (at least 32 bits, RFC 3261 §19.3), cnonces.
    fn token(&mut self) -> String {
        format!("{:016x}", self.rng.random::<u64>())
    }

    /// A new branch with the cookie of RFC 3261 §8.1.1.7.
    fn branch(&mut self) -> String {
        format!("z9hG4bK{:016x}", self.rng.random::<u64>())
    }
}

#[cfg(test)]
mod tests;
