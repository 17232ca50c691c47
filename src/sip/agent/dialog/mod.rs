//! Calls under way: who may say what in them, and when (RFC 3261 §12 to §15).

mod bye;
mod info;
mod invite;
mod prack;
mod refresh;
mod request;
mod update;

use std::time::Instant;

use rsip::Method;

use super::abilities::described;
use super::call::Phase;
use super::server::ServerKey;
use super::{Agent, CallId, Cause, Ending, Event, Flow};
use crate::sip::session_timer::{Asked, Granted, MIN_SE, TooShort, grant};
use crate::sip::wire::{Request, RequestLine};
pub(super) use prack::{Reliable, Repeat};
pub(super) use refresh::Refresh;

/// Retry-After of a request out of order.
const RETRY_SOON: &str = "1";

/// A Reason value (RFC 3326 §2); the text's quotes are escaped and its controls left out.
fn reason_value(cause: &Cause) -> String {
    let mut text = String::new();
    for c in cause.text.chars().filter(|c| !c.is_control()).take(128) {
        if matches!(c, '"' | '\\') {
            text.push('\\');
        }
        text.push(c);
    }
    format!("SIP;cause={};text=\"{text}\"", cause.status)
}

/// What a 2xx says of session timers (RFC 4028 §9).
fn timer_headers(granted: &Granted) -> request::Headers {
    let mut headers = vec![("Session-Expires", granted.value())];
    if granted.require {
        headers.push(("Require", "timer".into()));
    }
    headers
}

impl Agent {
    /// The transaction outlives its call.
    fn unlink(&mut self, key: &ServerKey) {
        if let Some(entry) = self.servers.get_mut(key) {
            entry.call = None;
        }
    }

    /// Forgets a call whose end has been told.
    pub(super) fn remove_call(&mut self, call: CallId) {
        if let Some(c) = self.calls.remove(&call) {
            self.unlink(&c.key);
        }
    }

    /// CANCEL of an INVITE that has no final answer yet.
    pub(super) fn cancelled(&mut self, call: CallId, invite: &ServerKey, now: Instant) {
        let Some(c) = self.calls.get_mut(&call) else {
            return;
        };
        if c.key == *invite {
            self.end_offered(call, 487, None, Ending::Cancelled, now);
        } else if c.change.as_ref().is_some_and(|ch| ch.key == *invite) {
            self.refuse_change(call, 487, now);
        }
    }

    /// The call whose Call-ID and tags these are.
    pub(super) fn dialog_of(&self, request: &Request) -> Option<CallId> {
        let found = self.calls.iter().find(|(_, c)| c.is_dialog_of(request));
        found.map(|(id, _)| *id)
    }

    /// Whether what comes from this address may belong to the call: from where its INVITE came, from where its Contact
    /// or first route is, from a trusted peer; and from any address that may call, if the next hop is known by name only.
    pub(super) fn belongs(&self, call: CallId, flow: Flow) -> bool {
        let address = flow.peer.ip().to_canonical();
        self.calls
            .get(&call)
            .is_some_and(|c| c.is_at(address) || self.is_trusted(address) || (c.is_anywhere() && self.trusts(address)))
    }

    /// A request with a To tag.
    pub(super) fn in_dialog(&mut self, own: &ServerKey, request: &Request, flow: Flow, now: Instant) {
        let Some(id) = self.dialog_of(request) else {
            if request.method.is(Method::PRack) {
                return self.on_prack(own, request, flow, true, now);
            }
            return self.reject(own, 481, &[], now);
        };
        if !self.belongs(id, flow) {
            // As if the call were not there.
            self.reject(own, 481, &[], now);
            return self.turn_away(flow, request, "a request within a call from another address", now);
        }
        let Some(c) = self.calls.get_mut(&id) else {
            return;
        };
        // RFC 3261 §12.2.2: a number that goes backwards is out of order.
        if request.cseq <= c.remote_cseq {
            return self.reject(own, 500, &[("Retry-After", RETRY_SOON)], now);
        }
        c.remote_cseq = request.cseq;
        c.heard_by(flow);
        if !self.extensions_understood(own, request, now) {
            return;
        }
        match request.method {
            RequestLine::Known(Method::Bye) => self.on_bye(own, id, now),
            RequestLine::Known(Method::Invite) => self.on_reinvite(own, id, request, now),
            RequestLine::Known(Method::Update) => self.on_update(own, id, request, now),
            RequestLine::Known(Method::PRack) => self.on_prack(own, request, flow, false, now),
            RequestLine::Known(Method::Info) => self.on_info(own, id, request, now),
            RequestLine::Known(Method::Options) => {
                self.answer(own, 200, &described(), now);
            }
            _ => self.not_offered(own, request, now),
        }
    }

    /// What our 2xx to an INVITE or UPDATE will say of session timers; `None` when it has been refused with 422
    /// (RFC 4028 §6) or 400.
    pub(super) fn session_terms(
        &mut self,
        own: &ServerKey,
        call: Option<CallId>,
        request: &Request,
        now: Instant,
    ) -> Option<Granted> {
        let session = call.and_then(|id| self.calls.get(&id)?.refresh.session().copied());
        let asked = match Asked::read(&request.message) {
            Ok(asked) => asked,
            Err(fault) => {
                self.reject(own, fault.status, &[], now);
                return None;
            }
        };
        match grant(&asked, session.map(|s| s.keeper())) {
            Ok(granted) => Some(granted),
            Err(TooShort) => {
                self.reject(own, 422, &[("Min-SE", &MIN_SE.to_string())], now);
                None
            }
        }
    }

    pub(super) fn calls_timeout(&mut self, now: Instant) {
        let due: Vec<CallId> = self
            .calls
            .iter()
            .filter(|(_, c)| c.poll_timeout().is_some_and(|at| at <= now))
            .map(|(id, _)| *id)
            .collect();
        for id in due {
            let Some(c) = self.calls.get_mut(&id) else {
                continue;
            };
            if c.phase == Phase::Offered {
                self.end_offered(id, 480, None, Ending::Lost, now);
                continue;
            }
            let Some(u) = &mut c.unacknowledged else {
                self.refresh_timeout(id, now);
                continue;
            };
            if u.until <= now {
                // RFC 3261 §13.3.1.4, §14.2: no ACK, so the session ends.
                let told = c.phase == Phase::Closing;
                c.unacknowledged = None;
                if told {
                    self.send_bye(id, now);
                } else {
                    self.event(Event::Ended {
                        call: id,
                        how: Ending::Lost,
                    });
                    let cause = Cause {
                        status: 408,
                        text: "no ACK".into(),
                    };
                    self.close_dialog(id, Some(cause), now);
                }
            } else if u.is_due(now) {
                let (flow, octets) = (u.flow, u.octets.clone());
                self.transmit(flow, octets);
            }
        }
    }
}
