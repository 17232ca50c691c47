//! Calls under way: answers, changes, endings (RFC 3261 §12 to §15).

use std::time::Instant;

use rand::Rng as _;
use rsip::Method;

use super::call::{Change, Phase, Unacknowledged};
use super::client::Purpose;
use super::registration::{contact_uri, own_via};
use super::server::{Answer, ServerKey};
use super::{ALLOW, Agent, CallId, Cause, Ending, Event, Flow, Transport};
use crate::sip::wire::{Request, RequestLine, Response, Writer};

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
    /// Answers a call with 200 and this body (an answer, or an offer when the INVITE had none).
    pub fn accept(&mut self, call: CallId, body: Vec<u8>, now: Instant) {
        let Some(c) = self.calls.get(&call).filter(|c| c.phase == Phase::Offered) else {
            return;
        };
        let (key, cseq, answer_due) = (c.key.clone(), c.remote_cseq, c.answer_due);
        if self.answer_invite(call, &key, cseq, true, answer_due, body, now)
            && let Some(c) = self.calls.get_mut(&call)
        {
            c.phase = Phase::Answered;
        }
    }

    /// Sends the 200 and keeps it for repeating.
    #[expect(clippy::too_many_arguments, reason = "the parts of one answer")]
    fn answer_invite(
        &mut self,
        call: CallId,
        key: &ServerKey,
        cseq: u32,
        initial: bool,
        answer_due: bool,
        body: Vec<u8>,
        now: Instant,
    ) -> bool {
        let Some(c) = self.calls.get(&call) else {
            return false;
        };
        let Some(extension) = self.settings.extensions.get(usize::from(c.extension.0)) else {
            return false;
        };
        let Some(flow) = self.servers.get(key).map(|s| s.flow) else {
            return false;
        };
        let contact = format!("<{}>", contact_uri(&extension.user, c.flow.local, c.flow.transport));
        let answer = Answer {
            headers: vec![
                ("Contact", contact),
                ("Allow", ALLOW.into()),
                ("Supported", String::new()),
                ("Content-Type", "application/sdp".into()),
            ],
            record_route: true,
            body,
        };
        let Some(octets) = self.answer(key, 200, &answer, now) else {
            return false;
        };
        if let Some(c) = self.calls.get_mut(&call) {
            c.unacknowledged = Some(Unacknowledged::new(cseq, initial, answer_due, octets, flow, now));
        }
        true
    }

    /// Refuses a call that was not answered, with a Reason if there is a cause. A status that is no refusal
    /// becomes 480.
    pub fn refuse(&mut self, call: CallId, status: u16, cause: Option<Cause>, now: Instant) {
        self.end_offered(call, status, cause.as_ref(), Ending::Refused, now);
    }

    /// A final refusal to the first INVITE; nothing if the call is further than that.
    fn end_offered(&mut self, call: CallId, status: u16, cause: Option<&Cause>, how: Ending, now: Instant) {
        let Some(c) = self.calls.get(&call).filter(|c| c.phase == Phase::Offered) else {
            return;
        };
        let key = c.key.clone();
        let status = if (300..700).contains(&status) { status } else { 480 };
        let headers = cause.map(|c| ("Reason", reason_value(c))).into_iter().collect();
        self.answer(
            &key,
            status,
            &Answer {
                headers,
                ..Answer::default()
            },
            now,
        );
        self.calls.remove(&call);
        self.unlink(&key);
        self.event(Event::Ended { call, how });
    }

    /// The transaction outlives its call.
    fn unlink(&mut self, key: &ServerKey) {
        if let Some(entry) = self.servers.get_mut(key) {
            entry.call = None;
        }
    }

    /// Answers a re-INVITE with 200 and this body (an answer, or an offer when it had none).
    pub fn accept_change(&mut self, call: CallId, body: Vec<u8>, now: Instant) {
        let Some(change) = self.calls.get_mut(&call).and_then(|c| c.change.take()) else {
            return;
        };
        self.answer_invite(call, &change.key, change.cseq, false, change.answer_due, body, now);
        self.unlink(&change.key);
    }

    /// Refuses a re-INVITE; the call goes on as before (RFC 3261 §14.2). A status that is no refusal becomes 488.
    pub fn refuse_change(&mut self, call: CallId, status: u16, now: Instant) {
        let Some(change) = self.calls.get_mut(&call).and_then(|c| c.change.take()) else {
            return;
        };
        let status = if (300..700).contains(&status) { status } else { 488 };
        self.reject(&change.key, status, &[], now);
        self.unlink(&change.key);
    }

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
    fn close_dialog(&mut self, call: CallId, cause: Option<Cause>, now: Instant) {
        let Some(c) = self.calls.get_mut(&call) else {
            return;
        };
        let waits = c.phase == Phase::Answered && c.unacknowledged.is_some();
        c.phase = Phase::Closing;
        c.bye = Some(cause);
        if let Some(change) = c.change.take() {
            self.reject(&change.key, 487, &[], now);
            self.unlink(&change.key);
        }
        if !waits {
            self.send_bye(call, now);
        }
    }

    fn send_bye(&mut self, call: CallId, now: Instant) {
        let (branch, cnonce) = (self.branch(), self.token());
        let Some(c) = self.calls.get_mut(&call) else {
            return;
        };
        c.unacknowledged = None;
        c.local_cseq += 1;
        let way = c.way();
        c.bye_flow = Some(way.flow);
        c.byes = c.byes.saturating_add(1);
        let uri = String::from_utf8_lossy(&way.uri).into_owned();
        let headers = self
            .settings
            .extensions
            .get(usize::from(c.extension.0))
            .and_then(|e| c.auth.headers(e, "BYE", &uri, &cnonce).ok())
            .unwrap_or_default();
        let mut out = Writer::request("BYE", &way.uri);
        out.header("Via", own_via(&way.flow, &branch))
            .header("Max-Forwards", "70");
        for route in &way.routes {
            out.header("Route", route);
        }
        out.header("From", &c.local)
            .header("To", &c.remote)
            .header("Call-ID", &c.call_id)
            .header("CSeq", format!("{} BYE", c.local_cseq));
        if let Some(Some(cause)) = &c.bye {
            out.header("Reason", reason_value(cause));
        }
        for (name, value) in headers {
            out.header(name, value);
        }
        out.header("User-Agent", &self.settings.product);
        let octets = out.finish(b"");
        self.send_request(branch, Purpose::Bye(call), way.flow, octets, now);
    }

    pub(super) fn on_bye_answer(&mut self, call: CallId, response: &Response, now: Instant) {
        let Some(c) = self.calls.get_mut(&call) else {
            return;
        };
        let password = self
            .settings
            .extensions
            .get(usize::from(c.extension.0))
            .and_then(|e| e.password.as_ref());
        if matches!(response.status, 401 | 407) && c.auth.challenged(response, password).is_ok() {
            self.send_bye(call, now);
        } else {
            self.remove_call(call);
        }
    }

    /// Our BYE got no answer. A lost connection may be replaced by a new one; and what a Contact names may lie
    /// behind an address translator, so the way by which the INVITE came is tried once.
    pub(super) fn on_bye_silence(&mut self, call: CallId, now: Instant) {
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

    /// RFC 3261 §15.1.2: 200, and 487 to whatever is still pending.
    fn on_bye(&mut self, own: &ServerKey, id: CallId, now: Instant) {
        self.reject(own, 200, &[], now);
        let Some(c) = self.calls.remove(&id) else {
            return;
        };
        self.drop_requests(Purpose::Bye(id));
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

    /// RFC 3261 §14.2, RFC 6141.
    fn on_reinvite(&mut self, own: &ServerKey, id: CallId, request: &Request, now: Instant) {
        let Some(c) = self.calls.get(&id) else {
            return;
        };
        if c.phase == Phase::Closing {
            return self.reject(own, 481, &[], now);
        }
        if c.phase == Phase::Offered || c.change.is_some() {
            // An INVITE before it is still unanswered: 500 with a random Retry-After of 0 to 10 s.
            let wait = self.rng.random_range(0..=10u8).to_string();
            return self.reject(own, 500, &[("Retry-After", &wait)], now);
        }
        if c.unacknowledged.as_ref().is_some_and(|u| u.answer_due) {
            // Our own offer waits for its answer: glare.
            return self.reject(own, 491, &[], now);
        }
        let Some(offer) = self.session_body(own, request, now) else {
            return;
        };
        if let Some(c) = self.calls.get_mut(&id) {
            // Who sends a re-INVITE has had the 200 before it: its ACK was lost or comes late.
            let implied = c.unacknowledged.take().is_some_and(|u| u.initial);
            if implied {
                c.phase = Phase::Confirmed;
            }
            c.retarget(request);
            c.change = Some(Change {
                key: own.clone(),
                cseq: request.cseq,
                answer_due: offer.is_none(),
            });
            if let Some(entry) = self.servers.get_mut(own) {
                entry.call = Some(id);
            }
            if implied {
                self.event(Event::Confirmed { call: id, answer: None });
            }
            self.answer(own, 100, &Answer::default(), now);
            self.event(Event::Change { call: id, offer });
        }
    }

    /// The ACK to a 2xx.
    pub(super) fn acknowledge(&mut self, flow: Flow, request: &Request, now: Instant) {
        let Some((id, c)) = self.calls.iter_mut().find(|(_, c)| c.is_dialog_of(request)) else {
            return;
        };
        let id = *id;
        let Some(u) = c.unacknowledged.take_if(|u| u.cseq == request.cseq) else {
            return;
        };
        c.heard_by(flow);
        if c.phase == Phase::Closing {
            if c.bye.is_some() {
                self.send_bye(id, now);
            }
            return;
        }
        let answer = u.answer_due.then(|| request.message.body.clone());
        if u.initial {
            c.phase = Phase::Confirmed;
            self.event(Event::Confirmed { call: id, answer });
        } else if let Some(answer) = answer {
            self.event(Event::ChangeAnswered { call: id, answer });
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

/// Retry-After of a request out of order.
const RETRY_SOON: &str = "1";
/// Most BYEs sent for one call, challenges and other ways included.
const MAX_BYES: u8 = 4;
