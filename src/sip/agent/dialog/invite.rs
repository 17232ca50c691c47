//! Answers to INVITE, first and repeated, and their ACKs (RFC 3261 §13.3, §14.2).

use std::time::Instant;

use rand::Rng as _;

use super::reason_value;
use crate::sip::agent::call::{Change, Phase, Unacknowledged};
use crate::sip::agent::registration::contact_uri;
use crate::sip::agent::server::{Answer, ServerKey};
use crate::sip::agent::{ALLOW, Agent, CallId, Cause, Ending, Event, Flow};
use crate::sip::wire::Request;

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
    pub(in crate::sip::agent) fn answer_invite(
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
    pub(in crate::sip::agent) fn end_offered(
        &mut self,
        call: CallId,
        status: u16,
        cause: Option<&Cause>,
        how: Ending,
        now: Instant,
    ) {
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

    /// RFC 3261 §14.2, RFC 6141.
    pub(in crate::sip::agent) fn on_reinvite(&mut self, own: &ServerKey, id: CallId, request: &Request, now: Instant) {
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
    pub(in crate::sip::agent) fn acknowledge(&mut self, flow: Flow, request: &Request, now: Instant) {
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
}
