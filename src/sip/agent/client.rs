//! The table of client transactions: REGISTER, and within calls BYE, UPDATE and re-INVITE (RFC 3261 §17.1.3).

use std::time::Instant;

use super::{Agent, CallId, Flow};
use crate::sip::transaction::{Client, ClientStep, Kind};
use crate::sip::wire::Carrier;
use crate::sip::wire::{Host, Message, Response, Start, Writer};

/// Whose request it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Purpose {
    /// Index of the registration.
    Register(usize),
    Bye(CallId),
    /// A session refresh (RFC 4028) without a body.
    Update(CallId),
    /// A session refresh that repeats our description.
    Reinvite(CallId),
}

impl Purpose {
    fn method(self) -> &'static [u8] {
        match self {
            Purpose::Register(_) => b"REGISTER",
            Purpose::Bye(_) => b"BYE",
            Purpose::Update(_) => b"UPDATE",
            Purpose::Reinvite(_) => b"INVITE",
        }
    }

    fn kind(self) -> Kind {
        match self {
            Purpose::Reinvite(_) => Kind::Invite,
            _ => Kind::NonInvite,
        }
    }
}

/// What became of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Silence {
    /// Timer F.
    NoAnswer,
    /// The transport failed.
    NoWay,
}

pub(super) struct ClientEntry {
    pub(super) transaction: Client,
    purpose: Purpose,
    flow: Flow,
    octets: Vec<u8>,
    /// The ACK to the final response of an INVITE, to be repeated with it.
    ack: Option<(Flow, Vec<u8>)>,
}

/// The ACK to a refusal: the INVITE's head with the To of the response (RFC 3261 §17.1.1.3).
fn ack_to_refusal(invite: &[u8], response: &Response) -> Option<Vec<u8>> {
    let invite = Message::read(invite, Carrier::Datagram)?;
    let Start::Request { uri, .. } = &invite.start else {
        return None;
    };
    let mut out = Writer::request("ACK", uri);
    for h in invite.headers() {
        let name = std::str::from_utf8(&h.name).ok()?;
        match name {
            "Via" | "Max-Forwards" | "Route" | "From" | "Call-ID" => {
                out.header(name, &h.value);
            }
            "To" => {
                out.header("To", response.message.first("To")?);
            }
            "CSeq" => {
                out.header("CSeq", format!("{} ACK", response.cseq.number));
            }
            _ => {}
        }
    }
    Some(out.finish(b""))
}

impl Agent {
    /// Sends a request. Bounded by one per registration and two per call.
    pub(super) fn send_request(&mut self, branch: String, purpose: Purpose, flow: Flow, octets: Vec<u8>, now: Instant) {
        self.transmit(flow, octets.clone());
        self.clients.insert(
            branch.into_bytes(),
            ClientEntry {
                transaction: Client::new(purpose.kind(), flow.transport.is_reliable(), now),
                purpose,
                flow,
                octets,
                ack: None,
            },
        );
    }

    /// Drops what is still open for this purpose.
    pub(super) fn drop_requests(&mut self, purpose: Purpose) {
        self.clients.retain(|_, c| c.purpose != purpose);
    }

    /// `came` is how the response arrived.
    pub(super) fn on_response(&mut self, came: Flow, response: &Response, now: Instant) {
        let Some(entry) = self.clients.get_mut(&response.branch) else {
            return;
        };
        let expected = entry.purpose.method();
        // RFC 3261 §18.1.2, §17.1.3: another sent-by, or another method, is no answer to this.
        let local = entry.flow.local;
        let port = response.via.port.unwrap_or(entry.flow.transport.default_port());
        let ours = matches!(response.via.host, Host::Ip(ip) if ip == local.ip()) && port == local.port();
        if response.cseq.method != expected || !ours {
            return;
        }
        let purpose = entry.purpose;
        let flow = entry.flow;
        let step = entry.transaction.receive(response.status, now);
        if step == ClientStep::DeliverAndAck
            && let Some(ack) = ack_to_refusal(&entry.octets, response)
        {
            entry.ack = Some((flow, ack));
        }
        let repeated = step == ClientStep::Deliver && entry.ack.is_some();
        let ack = entry.ack.clone();
        if entry.transaction.is_terminated() {
            self.clients.remove(&response.branch);
        }
        if let Some((flow, ack)) = ack {
            self.transmit(flow, ack);
        }
        let new = matches!(step, ClientStep::Deliver | ClientStep::DeliverAndAck) && !repeated;
        if !new || response.status < 200 {
            return;
        }
        match purpose {
            Purpose::Register(index) => self.on_register_answer(index, came, response, now),
            Purpose::Bye(call) => self.on_bye_answer(call, response, now),
            Purpose::Update(call) | Purpose::Reinvite(call) => self.on_refresh_answer(call, purpose, response, now),
        }
    }

    /// Sends the ACK to a 2xx, and again whenever the 2xx is repeated (RFC 3261 §13.2.2.4).
    pub(super) fn acknowledge_answer(&mut self, branch: &[u8], flow: Flow, octets: Vec<u8>) {
        if let Some(entry) = self.clients.get_mut(branch) {
            entry.ack = Some((flow, octets.clone()));
        }
        self.transmit(flow, octets);
    }

    pub(super) fn clients_timeout(&mut self, now: Instant) {
        let due: Vec<Vec<u8>> = self
            .clients
            .iter()
            .filter(|(_, c)| c.transaction.poll_timeout().is_some_and(|at| at <= now))
            .map(|(k, _)| k.clone())
            .collect();
        for branch in due {
            let mut resend = None;
            let mut silent = None;
            if let Some(entry) = self.clients.get_mut(&branch) {
                while entry.transaction.poll_timeout().is_some_and(|at| at <= now) {
                    match entry.transaction.handle_timeout(now) {
                        ClientStep::Resend => resend = Some((entry.flow, entry.octets.clone())),
                        ClientStep::TimedOut => silent = Some(entry.purpose),
                        _ => {}
                    }
                }
                if entry.transaction.is_terminated() {
                    self.clients.remove(&branch);
                }
            }
            match (silent, resend) {
                (Some(purpose), _) => self.on_silence(purpose, Silence::NoAnswer, now),
                (None, Some((flow, octets))) => self.transmit(flow, octets),
                _ => {}
            }
        }
    }

    /// Requests that wait on this way have failed (RFC 3261 §17.1.4).
    pub(super) fn transport_failed(&mut self, flow: Flow, now: Instant) {
        let failed: Vec<(Vec<u8>, Purpose)> = self
            .clients
            .iter()
            .filter(|(_, c)| {
                c.transaction.is_open()
                    && c.flow.transport == flow.transport
                    && c.flow.peer == flow.peer
                    && (c.flow.connection.is_none() || c.flow.connection == flow.connection)
            })
            .map(|(k, c)| (k.clone(), c.purpose))
            .collect();
        let told: Vec<usize> = failed
            .iter()
            .filter_map(|(_, p)| match p {
                Purpose::Register(index) => Some(*index),
                _ => None,
            })
            .collect();
        for (branch, purpose) in failed {
            self.clients.remove(&branch);
            self.on_silence(purpose, Silence::NoWay, now);
        }
        if flow.transport.is_reliable() && flow.connection.is_some() {
            self.flow_failed(flow, false, &told, now);
        }
    }

    fn on_silence(&mut self, purpose: Purpose, how: Silence, now: Instant) {
        match purpose {
            Purpose::Register(index) => self.on_register_silence(index, how, now),
            Purpose::Bye(call) => self.on_bye_silence(call, now),
            Purpose::Update(call) | Purpose::Reinvite(call) => self.on_refresh_silence(call, how, now),
        }
    }
}
