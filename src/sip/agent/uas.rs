//! Requests from outside (RFC 3261 §8.2), up to the point where a call takes over.

use std::sync::Arc;
use std::time::Instant;

use rsip::Method;

use super::Transport;
use super::abilities::{ALLOW, described, lacking};
use super::gate::NO_EXTENSION;
use super::server::{ServerKey, key};
use super::{Agent, ExtensionId, Flow};
use crate::sip::wire::{Request, RequestLine, Uri};

impl Agent {
    pub(super) fn on_request(&mut self, flow: Flow, request: Request, now: Instant) {
        if request.method.is(Method::Ack) {
            self.on_ack(flow, &request, now);
            return;
        }
        let own = key(&request, &request.method_name);
        if self.absorb(&own) {
            return;
        }
        let merged = self.is_merged(&request);
        let request = Arc::new(request);
        let Some(own) = self.open_server(flow, &request) else {
            return;
        };
        if merged {
            // RFC 3261 §8.2.2.2.
            return self.reject(&own, 482, &[], now);
        }
        match &request.method {
            RequestLine::Known(Method::Cancel) => self.on_cancel(&own, &request, flow, now),
            RequestLine::Known(Method::Register | Method::Publish) => {
                self.reject(&own, 405, &[("Allow", ALLOW)], now);
            }
            RequestLine::Known(_) if request.to.tag().is_some() => self.in_dialog(&own, &request, flow, now),
            RequestLine::Known(Method::Invite | Method::Options) => self.out_of_dialog(&own, &request, flow, now),
            // These live within a call only.
            RequestLine::Known(Method::Bye | Method::Update | Method::PRack | Method::Info) => {
                self.reject(&own, 481, &[], now);
            }
            RequestLine::Known(_) => self.not_offered(&own, &request, now),
            RequestLine::Unknown(_) => self.reject(&own, 501, &[("Allow", ALLOW)], now),
        }
    }

    /// Requests of other trades. REFER and MESSAGE are never acted upon: 405, as for any method outside Allow
    /// (RFC 3515 and RFC 3428 leave it to RFC 3261 §8.2.1).
    pub(super) fn not_offered(&mut self, own: &ServerKey, request: &Request, now: Instant) {
        match &request.method {
            // RFC 6665 §8.3.2; Allow-Events is mandatory there, and there is nothing to name in it.
            RequestLine::Known(Method::Subscribe) => self.reject(own, 489, &[("Allow-Events", "")], now),
            // RFC 6665 §4.1.3: no subscription of ours. Who sends it as a keep-alive is content with any final answer.
            RequestLine::Known(Method::Notify) => self.reject(own, 481, &[], now),
            _ => self.reject(own, 405, &[("Allow", ALLOW)], now),
        }
    }

    /// The same request by another way (RFC 3261 §8.2.2.2).
    fn is_merged(&self, request: &Request) -> bool {
        request.to.tag().is_none()
            && !request.method.is(Method::Cancel)
            && request.from.tag().is_some()
            && self.servers.values().any(|s| {
                s.is_first
                    && s.cseq == request.cseq
                    && s.call_id == request.call_id
                    && s.from_tag.as_deref() == request.from.tag()
                    && s.method == request.method
                    // Refused by us, it may come again by another branch of a proxy.
                    && s.status < 300
            })
            || request.method.is(Method::Invite) && self.is_late_leg(request)
    }

    /// A fork of an INVITE whose call is still there, though its transaction is not. Which extension it asks for does
    /// not matter: one caller makes one page.
    fn is_late_leg(&self, request: &Request) -> bool {
        self.calls.values().any(|c| {
            c.invite_cseq == request.cseq
                && c.call_id == request.call_id
                && c.remote_tag.as_deref() == request.from.tag()
        })
    }

    fn on_ack(&mut self, flow: Flow, request: &Request, now: Instant) {
        let invite = key(request, b"INVITE");
        if let Some(entry) = self.servers.get_mut(&invite)
            && entry.flow.peer.ip() == flow.peer.ip()
        {
            entry.transaction.acknowledged(now);
            if entry.transaction.is_terminated() {
                self.servers.remove(&invite);
                return;
            }
        }
        // The ACK to a 2xx is a transaction of its own.
        self.acknowledge(flow, request, now);
    }

    /// RFC 3261 §9.2. It goes hop by hop, so it comes from where its INVITE came from; from elsewhere it finds none.
    fn on_cancel(&mut self, own: &ServerKey, request: &Request, flow: Flow, now: Instant) {
        let invite = key(request, b"INVITE");
        let Some((tag, open, call)) = self
            .servers
            .get(&invite)
            .filter(|s| s.flow.peer.ip() == flow.peer.ip())
            .map(|s| (s.tag.clone(), s.transaction.is_open(), s.call))
        else {
            return self.reject(own, 481, &[], now);
        };
        // Both answers carry the same To tag.
        if let Some(entry) = self.servers.get_mut(own) {
            entry.tag = tag;
        }
        self.reject(own, 200, &[], now);
        if open && let Some(call) = call {
            self.cancelled(call, &invite, now);
        }
    }

    /// The status that a request without a dialog deserves, in the order of RFC 3261 §8.2.
    fn out_of_dialog(&mut self, own: &ServerKey, request: &Request, flow: Flow, now: Instant) {
        let Uri::Sip(uri) = &request.uri else {
            return self.reject(own, 416, &[], now);
        };
        if uri.secure && flow.transport != Transport::Tls {
            // RFC 3261 §26.2.2: what asks for TLS must come by it.
            return self.reject(own, 416, &[], now);
        }
        let extension = self.select(request, flow);
        let for_the_machine = uri.user.is_none() && request.method.is(Method::Options);
        if extension.is_none() && !for_the_machine {
            // Addressed to somebody else: only a proxy could take it further (RFC 3261 §16.3). An endpoint takes
            // its own requests at zero hops too (RFC 4475 §3.3.11).
            let status = if request.max_forwards == Some(0) { 483 } else { 404 };
            self.reject(own, status, &[], now);
            if request.method.is(Method::Invite) {
                self.turn_away(flow, request, NO_EXTENSION, now);
            }
            return;
        }
        if !self.extensions_understood(own, request, now) {
            return;
        }
        if request.method.is(Method::Options) {
            self.answer(own, 200, &described(), now);
            return;
        }
        if let Some(extension) = extension {
            self.invited(own, request, extension, flow, now);
        }
    }

    /// 420 for what is required and not understood (RFC 3261 §8.2.2.3). False if it was sent.
    pub(super) fn extensions_understood(&mut self, own: &ServerKey, request: &Request, now: Instant) -> bool {
        match lacking(request) {
            Ok(None) => true,
            Ok(Some(tags)) => {
                self.reject(own, 420, &[("Unsupported", &tags)], now);
                false
            }
            Err(fault) => {
                self.reject(own, fault.status, &[], now);
                false
            }
        }
    }

    /// By the Request-URI's user; among namesakes the one whose registrar the peer is, then one without registrar.
    fn select(&self, request: &Request, flow: Flow) -> Option<ExtensionId> {
        let user = request.uri.sip()?.user_name()?;
        let mut namesakes = self
            .settings
            .extensions
            .iter()
            .enumerate()
            .filter(|(_, e)| e.user.as_bytes() == user)
            .filter_map(|(i, e)| Some((ExtensionId(u16::try_from(i).ok()?), e)));
        let Some((first, _)) = namesakes.clone().next() else {
            return self.also_dialled(&String::from_utf8_lossy(&user), flow);
        };
        let at_registrar = namesakes
            .clone()
            .find(|(id, _)| self.is_registrar_of(*id, flow.peer.ip()));
        let direct = namesakes.find(|(_, e)| e.registrars.is_empty());
        Some(at_registrar.or(direct).map_or(first, |(id, _)| id))
    }

    fn also_dialled(&self, user: &str, flow: Flow) -> Option<ExtensionId> {
        let mut fitting = self.also.iter().filter(|(_, users)| users.matches(user, ""));
        let first = fitting.clone().next()?.0;
        let at_registrar = fitting.find(|(id, _)| self.is_registrar_of(*id, flow.peer.ip()));
        Some(at_registrar.map_or(first, |(id, _)| *id))
    }
}
