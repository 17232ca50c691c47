//! The table of client transactions: REGISTER and BYE (RFC 3261 §17.1.3).

use std::time::Instant;

use super::{Agent, CallId, Flow};
use crate::sip::transaction::{Client, ClientStep, Kind};
use crate::sip::wire::{Host, Response};

/// Whose request it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Purpose {
    /// Index of the registration.
    Register(usize),
    Bye(CallId),
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
}

impl Agent {
    /// Sends a non-INVITE request. Bounded by one per registration and one per call.
    pub(super) fn send_request(&mut self, branch: String, purpose: Purpose, flow: Flow, octets: Vec<u8>, now: Instant) {
        self.transmit(flow, octets.clone());
        self.clients.insert(
            branch.into_bytes(),
            ClientEntry {
                transaction: Client::new(Kind::NonInvite, flow.transport.is_reliable(), now),
                purpose,
                flow,
                octets,
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
        let expected: &[u8] = match entry.purpose {
            Purpose::Register(_) => b"REGISTER",
            Purpose::Bye(_) => b"BYE",
        };
        // RFC 3261 §18.1.2, §17.1.3: another sent-by, or another method, is no answer to this.
        let local = entry.flow.local;
        let port = response.via.port.unwrap_or(entry.flow.transport.default_port());
        let ours = matches!(response.via.host, Host::Ip(ip) if ip == local.ip()) && port == local.port();
        if response.cseq.method != expected || !ours {
            return;
        }
        let purpose = entry.purpose;
        let step = entry.transaction.receive(response.status, now);
        if entry.transaction.is_terminated() {
            self.clients.remove(&response.branch);
        }
        if step != ClientStep::Deliver || response.status < 200 {
            return;
        }
        match purpose {
            Purpose::Register(index) => self.on_register_answer(index, came, response, now),
            Purpose::Bye(call) => self.on_bye_answer(call, response, now),
        }
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
                Purpose::Bye(_) => None,
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
        }
    }
}
