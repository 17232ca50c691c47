//! Calls under way: who may say what in them, and when (RFC 3261 §12 to §15).

mod bye;
mod invite;

use std::time::Instant;

use rsip::Method;

use super::call::Phase;
use super::server::ServerKey;
use super::{Agent, CallId, Cause, Ending, Event, Flow};
use crate::sip::wire::{Request, RequestLine};

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

    /// A request with a To tag.
    pub(super) fn in_dialog(&mut self, own: &ServerKey, request: &Request, flow: Flow, now: Instant) {
        let Some((id, c)) = self.calls.iter_mut().find(|(_, c)| c.is_dialog_of(request)) else {
            return self.reject(own, 481, &[], now);
        };
        let id = *id;
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
            _ => self.describe(own, now),
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
