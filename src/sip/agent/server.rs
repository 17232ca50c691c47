//! The table of server transactions: matching, answering, absorbing (RFC 3261 §17.2.3).

use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::sync::Arc;
use std::time::Instant;

use super::dialog::{Reliable, Repeat};
use super::stream::{reply_flow, reply_port};
use super::{Agent, CallId, Flow, MAX_TRANSACTION_OCTETS, MAX_TRANSACTIONS, RETRY_AFTER};
use crate::sip::transaction::{Kind, Server, ServerStep};
use crate::sip::wire::{Fault, Message, Reply, Request, RequestLine, Start, Via, split_list};

/// Identifies a server transaction.
pub(super) type ServerKey = Vec<u8>;

pub(super) struct ServerEntry {
    pub(super) transaction: Server,
    /// Until the final answer.
    request: Option<Arc<Request>>,
    pub(super) method: RequestLine,
    pub(super) call_id: Vec<u8>,
    pub(super) from_tag: Option<Vec<u8>>,
    pub(super) cseq: u32,
    /// There was no To tag.
    pub(super) is_first: bool,
    /// The port in Via, for an answer by another connection.
    pub(super) via_port: u16,
    /// Where the request came from, for Via.
    source: std::net::SocketAddr,
    /// Where answers go.
    pub(super) flow: Flow,
    /// Our To tag.
    pub(super) tag: String,
    /// The call that an INVITE belongs to.
    pub(super) call: Option<CallId>,
    /// Of the last answer, 0 before the first.
    pub(super) status: u16,
    last: Vec<u8>,
    /// The reliable provisional answer to an INVITE.
    pub(super) reliable: Option<Reliable>,
}

impl ServerEntry {
    pub(super) fn poll_timeout(&self) -> Option<Instant> {
        let reliable = self.reliable.as_ref().and_then(Reliable::poll_timeout);
        [self.transaction.poll_timeout(), reliable].into_iter().flatten().min()
    }
}

/// More than the status of an answer.
#[derive(Default)]
pub(super) struct Answer {
    pub(super) headers: Vec<(&'static str, String)>,
    pub(super) record_route: bool,
    pub(super) body: Vec<u8>,
}

/// The key of RFC 3261 §17.2.3; without a proper branch, the one for RFC 2543 clients. ACK and CANCEL find their
/// INVITE by `method`.
pub(super) fn key(request: &Request, method: &[u8]) -> ServerKey {
    let mut key = Vec::with_capacity(128);
    let mut part = |octets: &[u8]| {
        key.extend_from_slice(octets);
        key.push(0);
    };
    part(method);
    match request.via.branch() {
        Some(branch) => {
            part(branch);
            part(request.via.host.to_string().as_bytes());
            part(&request.via.port.unwrap_or(5060).to_be_bytes());
        }
        None => {
            part(b"");
            part(&request.raw_uri);
            part(request.from.tag().unwrap_or_default());
            part(&request.call_id);
            part(&request.cseq.to_be_bytes());
            part(
                request
                    .message
                    .first("Via")
                    .and_then(|v| split_list(v).ok())
                    .and_then(|l| l.first().copied())
                    .unwrap_or_default(),
            );
        }
    }
    key
}

impl Agent {
    /// Opens a transaction; `None` at a bound, when the request has been answered already.
    pub(super) fn open_server(&mut self, flow: Flow, request: &Arc<Request>) -> Option<ServerKey> {
        while self.servers.len() >= MAX_TRANSACTIONS || self.octets_held() > MAX_TRANSACTION_OCTETS {
            // Absorbing repeats is worth less than answering something new.
            let spare = self
                .servers
                .iter()
                .filter(|(_, s)| !s.transaction.is_open() && s.call.is_none())
                .min_by_key(|(_, s)| s.transaction.poll_timeout())
                .map(|(k, _)| k.clone());
            let Some(key) = spare else {
                self.figures.dropped += 1;
                let headers = [("Retry-After", RETRY_AFTER)];
                self.answer_stateless(flow, &request.message, &request.via, 503, &headers);
                return None;
            };
            self.servers.remove(&key);
        }
        let kind = if request.method.is(rsip::Method::Invite) {
            Kind::Invite
        } else {
            Kind::NonInvite
        };
        let key = key(request, &request.method_name);
        let tag = self.token();
        let entry = ServerEntry {
            transaction: Server::new(kind, flow.transport.is_reliable()),
            source: flow.peer,
            flow: reply_flow(flow, &request.via),
            method: request.method.clone(),
            call_id: request.call_id.clone(),
            from_tag: request.from.tag().map(<[u8]>::to_vec),
            cseq: request.cseq,
            is_first: request.to.tag().is_none(),
            via_port: reply_port(&request.via, flow.transport).unwrap_or(flow.transport.default_port()),
            request: Some(Arc::clone(request)),
            tag,
            call: None,
            status: 0,
            last: Vec::new(),
            reliable: None,
        };
        self.servers.insert(key.clone(), entry);
        Some(key)
    }

    /// What the transactions keep: requests until their final answer, then the answer.
    pub(super) fn octets_held(&self) -> usize {
        self.servers
            .values()
            .map(|s| s.last.len() + s.request.as_ref().map_or(0, |r| 2 * r.message.size()))
            .sum()
    }

    /// The request was seen before: repeat the answer. True if so.
    pub(super) fn absorb(&mut self, key: &ServerKey) -> bool {
        let Some(entry) = self.servers.get(key) else {
            return false;
        };
        if entry.transaction.repeated() == ServerStep::Resend {
            let (flow, octets) = (entry.flow, entry.last.clone());
            self.transmit(flow, octets);
        }
        true
    }

    /// Answers in a transaction; the octets, if they were sent.
    pub(super) fn answer(&mut self, key: &ServerKey, status: u16, answer: &Answer, now: Instant) -> Option<Vec<u8>> {
        let product = self.settings.product.clone();
        let entry = self.servers.get_mut(key)?;
        if !entry.transaction.respond(status, now) {
            return None;
        }
        let request = Arc::clone(entry.request.as_ref()?);
        if status >= 200 {
            entry.request = None;
            // RFC 3262 §3: not repeated after the final answer, though its PRACK is still taken.
            if let Some(reliable) = &mut entry.reliable {
                reliable.stop();
            }
        }
        entry.status = status;
        let mut reply = Reply::to(&request.message, entry.source, status, &entry.tag);
        if answer.record_route {
            reply.copy_record_route(&request.message);
        }
        for (name, value) in &answer.headers {
            reply.header(name, value);
        }
        reply.header("Server", product);
        let octets = reply.finish(&answer.body);
        entry.last.clone_from(&octets);
        let (flow, gone) = (entry.flow, entry.transaction.is_terminated());
        if gone {
            self.servers.remove(key);
        }
        self.transmit(flow, octets.clone());
        Some(octets)
    }

    /// A plain answer.
    pub(super) fn reject(&mut self, key: &ServerKey, status: u16, headers: &[(&'static str, &str)], now: Instant) {
        let headers = headers.iter().map(|(n, v)| (*n, (*v).to_owned())).collect();
        self.answer(
            key,
            status,
            &Answer {
                headers,
                ..Answer::default()
            },
            now,
        );
    }

    /// Answers without a transaction (RFC 3261 §8.2.7): the same request gets the same answer.
    pub(super) fn answer_stateless(
        &mut self,
        flow: Flow,
        message: &Message,
        via: &Via,
        status: u16,
        headers: &[(&str, &str)],
    ) {
        if matches!(&message.start, Start::Request { method, .. } if method == b"ACK") {
            return;
        }
        let mut hasher = DefaultHasher::new();
        self.tag_key.hash(&mut hasher);
        message.first("Call-ID").hash(&mut hasher);
        message.first("From").hash(&mut hasher);
        message.first("Via").hash(&mut hasher);
        let tag = format!("{:016x}", hasher.finish());
        let mut reply = Reply::to(message, flow.peer, status, &tag);
        for (name, value) in headers {
            reply.header(name, value);
        }
        reply.header("Server", &self.settings.product);
        let octets = reply.finish(b"");
        self.transmit(reply_flow(flow, via), octets);
    }

    /// A request that breaks a rule gets its status, if it says who asked.
    pub(super) fn answer_broken(&mut self, flow: Flow, message: &Message, fault: Fault) {
        let via = message
            .first("Via")
            .and_then(|v| split_list(v).ok())
            .and_then(|l| l.first().and_then(|e| Via::read(e).ok()));
        // A top Via that cannot be read still came from somewhere; by its port in Via nothing can be sent.
        match via {
            Some(via) => self.answer_stateless(flow, message, &via, fault.status, &[]),
            None if message.first("Via").is_some() => {
                let Ok(via) = Via::read(b"SIP/2.0/UDP invalid;rport") else {
                    return;
                };
                self.answer_stateless(flow, message, &via, fault.status, &[]);
            }
            None => {}
        }
    }

    pub(super) fn servers_timeout(&mut self, now: Instant) {
        let due: Vec<ServerKey> = self
            .servers
            .iter()
            .filter(|(_, s)| s.poll_timeout().is_some_and(|at| at <= now))
            .map(|(k, _)| k.clone())
            .collect();
        for key in due {
            let mut resend = None;
            if let Some(entry) = self.servers.get_mut(&key) {
                match entry.reliable.as_mut().map_or(Repeat::No, |r| r.repeat(now)) {
                    Repeat::No => {}
                    Repeat::Again => resend = Some((entry.flow, entry.last.clone())),
                    Repeat::GivenUp => {
                        self.no_prack(&key, now);
                        continue;
                    }
                }
                while entry.transaction.poll_timeout().is_some_and(|at| at <= now) {
                    if entry.transaction.handle_timeout(now) == ServerStep::Resend {
                        resend = Some((entry.flow, entry.last.clone()));
                    }
                }
                if entry.transaction.is_terminated() {
                    self.servers.remove(&key);
                }
            }
            if let Some((flow, octets)) = resend {
                self.transmit(flow, octets);
            }
        }
    }
}
