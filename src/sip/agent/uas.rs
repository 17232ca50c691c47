//! Requests from outside (RFC 3261 §8.2), up to the point where a call takes over.

use std::net::IpAddr;
use std::sync::Arc;
use std::time::Instant;

use rsip::Method;

use super::call::Call;
use super::gate::caller;
use super::server::{Answer, ServerKey, key};
use super::{ALLOW, Agent, CallId, Event, ExtensionId, Flow, Identity, Incoming, MAX_CALLS, RETRY_AFTER, Transport};
use crate::sip::wire::{Address, Params, Request, RequestLine, Uri, media_type, part, tokens};

/// The one body that we read.
const SDP: &str = "application/sdp";

/// What a request's body holds.
pub(super) enum Body {
    Session(Option<Vec<u8>>),
    /// 415 with these headers.
    Foreign(&'static [(&'static str, &'static str)]),
}

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
            RequestLine::Known(Method::Cancel) => self.on_cancel(&own, &request, now),
            RequestLine::Known(Method::Invite | Method::Bye | Method::Options) => {
                if request.to.tag().is_some() {
                    self.in_dialog(&own, &request, flow, now);
                } else {
                    self.out_of_dialog(&own, &request, flow, now);
                }
            }
            RequestLine::Known(_) => self.reject(&own, 405, &[("Allow", ALLOW)], now),
            RequestLine::Unknown(_) => self.reject(&own, 501, &[("Allow", ALLOW)], now),
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
    }

    fn on_ack(&mut self, flow: Flow, request: &Request, now: Instant) {
        let invite = key(request, b"INVITE");
        if let Some(entry) = self.servers.get_mut(&invite) {
            entry.transaction.acknowledged(now);
            if entry.transaction.is_terminated() {
                self.servers.remove(&invite);
                return;
            }
        }
        // The ACK to a 2xx is a transaction of its own.
        self.acknowledge(flow, request, now);
    }

    /// RFC 3261 §9.2.
    fn on_cancel(&mut self, own: &ServerKey, request: &Request, now: Instant) {
        let invite = key(request, b"INVITE");
        let Some((tag, open, call)) = self
            .servers
            .get(&invite)
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
        if uri.secure {
            return self.reject(own, 416, &[], now);
        }
        if request.method.is(Method::Bye) {
            return self.reject(own, 481, &[], now);
        }
        let extension = self.select(request, flow);
        let for_the_machine = uri.user.is_none() && request.method.is(Method::Options);
        if extension.is_none() && !for_the_machine {
            // Addressed to somebody else: only a proxy could take it further (RFC 3261 §16.3). An endpoint takes
            // its own requests at zero hops too (RFC 4475 §3.3.11).
            let status = if request.max_forwards == Some(0) { 483 } else { 404 };
            self.reject(own, status, &[], now);
            if request.method.is(Method::Invite) {
                self.turn_away(flow, &request.from, "no such extension", now);
            }
            return;
        }
        if !self.extensions_understood(own, request, now) {
            return;
        }
        if request.method.is(Method::Options) {
            return self.describe(own, now);
        }
        if let Some(extension) = extension {
            self.invited(own, request, extension, flow, now);
        }
    }

    /// 420 for anything required: no option tag is implemented (RFC 3261 §8.2.2.3). False if it was sent.
    pub(super) fn extensions_understood(&mut self, own: &ServerKey, request: &Request, now: Instant) -> bool {
        match request.message.list("Require") {
            Ok(tags) if tags.is_empty() => true,
            Ok(tags) => {
                let unsupported = tokens(&tags).join(", ");
                self.reject(own, 420, &[("Unsupported", &unsupported)], now);
                false
            }
            Err(fault) => {
                self.reject(own, fault.status, &[], now);
                false
            }
        }
    }

    /// 200 to OPTIONS (RFC 3261 §11.2).
    pub(super) fn describe(&mut self, own: &ServerKey, now: Instant) {
        let headers = [
            ("Allow", ALLOW),
            ("Accept", SDP),
            ("Accept-Encoding", "identity"),
            ("Accept-Language", "en"),
            ("Supported", ""),
        ];
        self.reject(own, 200, &headers, now);
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
        let first = namesakes.clone().next()?.0;
        let at_registrar = namesakes
            .clone()
            .find(|(id, _)| self.is_registrar_of(*id, flow.peer.ip()));
        let direct = namesakes.find(|(_, e)| e.registrars.is_empty());
        Some(at_registrar.or(direct).map_or(first, |(id, _)| id))
    }

    fn invited(&mut self, own: &ServerKey, request: &Request, extension: ExtensionId, flow: Flow, now: Instant) {
        let offer = match self.session_body(own, request, now) {
            Some(offer) => offer,
            None => return,
        };
        if self.closing.is_some() {
            return self.reject(own, 480, &[], now);
        }
        if self.calls.len() >= MAX_CALLS {
            self.figures.dropped += 1;
            return self.reject(own, 503, &[("Retry-After", RETRY_AFTER)], now);
        }
        let Some(entry) = self.servers.get_mut(own) else {
            return;
        };
        let id = CallId(self.next_call);
        self.next_call += 1;
        entry.call = Some(id);
        let mut call = Call::new(extension, request, own.clone(), entry.tag.clone(), flow, now);
        call.answer_due = offer.is_none();
        self.calls.insert(id, call);
        self.answer(own, 100, &Answer::default(), now);
        let trusted = self.is_trusted(flow.peer.ip());
        let asserted = trusted
            .then(|| request.message.list("P-Asserted-Identity").ok())
            .flatten()
            .and_then(|l| l.into_iter().find_map(|v| Address::read(v).ok()));
        let urgency = if trusted { urgency(request) } else { Vec::new() };
        self.event(Event::Incoming(Box::new(Incoming {
            call: id,
            extension,
            caller: caller(asserted.as_ref().unwrap_or(&request.from)),
            from: identity(&request.from),
            asserted: asserted.as_ref().map(identity),
            dialled: dialled(request),
            from_registrar: self.is_registrar_of(extension, flow.peer.ip()),
            trusted,
            secure: flow.transport == Transport::Tls,
            urgency,
            peer: flow.peer,
            local: flow.local,
            offer,
        })));
    }

    /// The offer, if the body is one; `None` when the request has been answered already.
    pub(super) fn session_body(&mut self, own: &ServerKey, request: &Request, now: Instant) -> Option<Option<Vec<u8>>> {
        match body(request) {
            Body::Foreign(headers) => {
                self.reject(own, 415, headers, now);
                None
            }
            Body::Session(offer) => {
                if accepts_sdp(request) {
                    Some(offer)
                } else {
                    // RFC 4475 §3.3.15: our answer would be one that the caller cannot read.
                    self.reject(own, 406, &[], now);
                    None
                }
            }
        }
    }

    /// A peer whose word about a caller counts (RFC 3325 §9.1).
    fn is_trusted(&self, address: IpAddr) -> bool {
        self.is_any_registrar(address) || self.settings.trusted.iter().any(|n| n.contains(address))
    }
}

fn text(octets: &[u8]) -> String {
    String::from_utf8_lossy(octets).into_owned()
}

fn identity(address: &Address) -> Identity {
    match address.uri.sip() {
        Some(uri) => Identity {
            user: uri.user_name().map(|u| text(&u)).unwrap_or_default(),
            host: uri.host.to_string().to_ascii_lowercase(),
        },
        // A tel URI is all user (RFC 3966).
        None => Identity {
            user: text(address.raw_uri.split(|b| *b == b':').nth(1).unwrap_or_default()),
            host: String::new(),
        },
    }
}

fn dialled(request: &Request) -> String {
    let user = request.uri.sip().and_then(|u| u.user_name());
    user.map(|u| text(&u)).unwrap_or_default()
}

/// Most values of Priority and Resource-Priority that are looked at.
const MAX_URGENCY: usize = 8;

fn urgency(request: &Request) -> Vec<String> {
    ["Priority", "Resource-Priority"]
        .iter()
        .filter_map(|name| request.message.list(name).ok())
        .flatten()
        .take(MAX_URGENCY)
        .map(|v| text(v).trim().to_ascii_lowercase())
        .collect()
}

/// Reads what a body is (RFC 3261 §8.2.3).
fn body(request: &Request) -> Body {
    let message = &request.message;
    if message.body.is_empty() {
        return Body::Session(None);
    }
    let optional = message.first("Content-Disposition").is_some_and(|d| {
        String::from_utf8_lossy(d)
            .to_ascii_lowercase()
            .replace(' ', "")
            .contains("handling=optional")
    });
    let foreign = |headers| {
        if optional {
            Body::Session(None)
        } else {
            Body::Foreign(headers)
        }
    };
    let encoded = message
        .list("Content-Encoding")
        .is_ok_and(|l| l.iter().any(|e| !e.eq_ignore_ascii_case(b"identity")));
    if encoded {
        return foreign(&[("Accept-Encoding", "identity")]);
    }
    match message.first("Content-Type") {
        Some(value) if media_type(value) == SDP.as_bytes() => Body::Session(Some(message.body.clone())),
        None if message.body.starts_with(b"v=") => Body::Session(Some(message.body.clone())),
        Some(value) => match part(value, &message.body, SDP.as_bytes()) {
            Some(inside) => Body::Session(Some(inside.to_vec())),
            None => foreign(&[("Accept", SDP)]),
        },
        None => foreign(&[("Accept", SDP)]),
    }
}

/// `q=0` (RFC 2616 §3.9).
fn is_refused(element: &[u8]) -> bool {
    let params = element.iter().position(|b| *b == b';').and_then(|at| element.get(at..));
    params
        .and_then(|p| Params::read(p).ok())
        .and_then(|p| p.value("q").map(|q| q.iter().all(|b| b"0.".contains(b))))
        .unwrap_or(false)
}

/// No Accept means application/sdp (RFC 3261 §20.1).
fn accepts_sdp(request: &Request) -> bool {
    if request.message.first("Accept").is_none() {
        return true;
    }
    request.message.list("Accept").is_ok_and(|l| {
        l.iter().any(|e| {
            let wanted = media_type(e);
            if is_refused(e) {
                return false;
            }
            wanted == SDP.as_bytes() || wanted == b"application/*" || wanted == b"*/*"
        })
    })
}
