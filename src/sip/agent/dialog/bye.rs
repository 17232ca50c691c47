//! How a call is ended from our side, and by the far end (RFC 3261 §15).

use std::cmp::Reverse;
use std::net::IpAddr;
use std::time::Instant;

use super::reason_value;
use crate::sip::agent::call::{Bye, Phase};
use crate::sip::agent::client::Purpose;
use crate::sip::agent::server::ServerKey;
use crate::sip::agent::{Agent, CallId, Cause, Ending, Event, Transport};
use crate::sip::wire::Response;

/// Most BYEs sent for one call, challenges and other ways included.
const MAX_BYES: u8 = 4;

impl Agent {
    /// BYE with a Reason (RFC 3326), or the fitting refusal when the call is not yet answered.
    pub fn hang_up(&mut self, call: CallId, cause: Option<Cause>, now: Instant) {
        let Some(phase) = self.calls.get(&call).map(|c| c.phase) else {
            return;
        };
        match phase {
            Phase::Closing => {}
            Phase::Offered => {
                let status = cause.as_ref().map_or(480, |c| c.status);
                self.end_offered(call, status, cause.as_ref(), Ending::Local, now);
            }
            Phase::Answered | Phase::Confirmed => {
                self.event(Event::Ended {
                    call,
                    how: Ending::Local,
                });
                self.close_dialog(call, cause, now);
            }
        }
    }

    /// The BYE goes out now, or when the ACK has come (RFC 3261 §15).
    pub(in crate::sip::agent) fn close_dialog(&mut self, call: CallId, cause: Option<Cause>, now: Instant) {
        let Some(c) = self.calls.get_mut(&call) else {
            return;
        };
        let waits = c.phase == Phase::Answered && c.unacknowledged.is_some();
        c.phase = Phase::Closing;
        c.bye = Some(Bye { cause });
        c.auth.new_round();
        if let Some(change) = c.change.take() {
            self.reject(&change.key, 487, &[], now);
            self.unlink(&change.key);
        }
        if !waits {
            self.send_bye(call, now);
        }
    }

    pub(in crate::sip::agent) fn send_bye(&mut self, call: CallId, now: Instant) {
        // What was asked before does not matter any more.
        self.drop_requests(Purpose::Update(call));
        self.drop_requests(Purpose::Reinvite(call));
        let Some(c) = self.calls.get_mut(&call) else {
            return;
        };
        c.unacknowledged = None;
        c.byes = c.byes.saturating_add(1);
        let cause = c.bye.as_ref().and_then(|bye| bye.cause.as_ref());
        let headers = cause.map(|cause| ("Reason", reason_value(cause))).into_iter().collect();
        let Some(out) = self.compose(call, "BYE", &headers, b"") else {
            return;
        };
        if let Some(c) = self.calls.get_mut(&call) {
            c.bye_flow = Some(out.flow);
        }
        self.send_request(out.branch, Purpose::Bye(call), out.flow, out.octets, now);
    }

    /// Makes room for a new call: of those that are over, and wait for an ACK or for the answer to a BYE, the oldest of
    /// the far end that leaves most of them lying about is forgotten. `false`: all are alive.
    pub(in crate::sip::agent) fn spare_a_call(&mut self, now: Instant) -> bool {
        let over: Vec<(CallId, IpAddr)> = self
            .calls
            .iter()
            .filter(|(_, c)| c.phase == Phase::Closing)
            .map(|(id, c)| (*id, c.flow.peer.ip()))
            .collect();
        let share = |at: IpAddr| over.iter().filter(|(_, ip)| *ip == at).count();
        let Some((call, _)) = over.iter().max_by_key(|(id, at)| (share(*at), Reverse(*id))) else {
            return false;
        };
        if self.calls.get(call).is_some_and(|c| c.byes == 0) {
            self.send_bye(*call, now);
        }
        self.drop_requests(Purpose::Bye(*call));
        self.remove_call(*call);
        true
    }

    pub(in crate::sip::agent) fn on_bye_answer(&mut self, call: CallId, response: &Response, now: Instant) {
        let Some(c) = self.calls.get_mut(&call) else {
            return;
        };
        let password = self.settings.password(c.extension);
        if matches!(response.status, 401 | 407) && c.auth.challenged(response, password).is_ok() {
            self.send_bye(call, now);
        } else {
            self.remove_call(call);
        }
    }

    /// Our BYE got no answer. A lost connection may be replaced by a new one; and what a Contact names may lie
    /// behind an address translator, so the way by which the INVITE came is tried once.
    pub(in crate::sip::agent) fn on_bye_silence(&mut self, call: CallId, now: Instant) {
        let Some(c) = self.calls.get_mut(&call) else {
            return;
        };
        let used = c.bye_flow.replace(c.way().flow);
        if used != c.bye_flow && c.byes < MAX_BYES {
            return self.send_bye(call, now);
        }
        let usable = c.flow.transport == Transport::Udp || c.flow.connection.is_some();
        if !c.by_flow && usable && used.is_some_and(|u| u.peer != c.flow.peer) {
            c.by_flow = true;
            self.send_bye(call, now);
        } else {
            self.remove_call(call);
        }
    }

    /// RFC 3261 §15.1.2: 200, and 487 to whatever is still pending.
    pub(in crate::sip::agent) fn on_bye(&mut self, own: &ServerKey, id: CallId, now: Instant) {
        self.reject(own, 200, &[], now);
        let Some(c) = self.calls.remove(&id) else {
            return;
        };
        for purpose in [Purpose::Bye(id), Purpose::Update(id), Purpose::Reinvite(id)] {
            self.drop_requests(purpose);
        }
        if c.phase == Phase::Offered {
            self.reject(&c.key, 487, &[], now);
        }
        if let Some(change) = &c.change {
            self.reject(&change.key, 487, &[], now);
            self.unlink(&change.key);
        }
        self.unlink(&c.key);
        if c.phase != Phase::Closing {
            self.event(Event::Ended {
                call: id,
                how: Ending::Bye,
            });
        }
    }
}
