//! Answers to INVITE, first and repeated, and their ACKs (RFC 3261 §13.3, §14.2).

use std::time::Instant;

use super::update::Glare;
use super::{reason_value, timer_headers};
use crate::sip::agent::abilities::{AnswerMode, sdp_type, session_headers};
use crate::sip::agent::call::{Change, Phase, Unacknowledged};
use crate::sip::agent::server::{Answer, ServerKey};
use crate::sip::agent::{Agent, CallId, Cause, Ending, Event, Flow};
use crate::sip::wire::Request;

impl Agent {
    /// Answers a call with 200 and this body (an answer, or an offer when the INVITE had none). A caller who has to
    /// acknowledge a 180 first gets the 200 after that.
    pub fn accept(&mut self, call: CallId, body: Vec<u8>, now: Instant) {
        let Some(c) = self.calls.get_mut(&call).filter(|c| c.phase == Phase::Offered) else {
            return;
        };
        let first = Change {
            key: c.key.clone(),
            cseq: c.invite_cseq,
            answer_due: c.answer_due,
            is_invite: true,
            offer: None,
            contact: None,
            granted: c.granted,
        };
        if self.awaits_prack(&first.key) {
            if let Some(c) = self.calls.get_mut(&call) {
                c.accepted = Some(body);
            }
            return;
        }
        if self.answer_offer(call, &first, true, body, now)
            && let Some(c) = self.calls.get_mut(&call)
        {
            c.phase = Phase::Answered;
        }
    }

    /// Sends the 200; to an INVITE it is kept for repeating.
    fn answer_offer(&mut self, call: CallId, change: &Change, initial: bool, body: Vec<u8>, now: Instant) -> bool {
        let Some(contact) = self.contact(call) else {
            return false;
        };
        let mut headers = session_headers(contact);
        headers.extend(timer_headers(&change.granted));
        headers.push(sdp_type());
        if let Some(c) = self.calls.get_mut(&call) {
            c.described.clone_from(&body);
            if let AnswerMode::Auto(name) = c.answer_mode
                && initial
            {
                headers.push((name, "Auto".into()));
            }
        }
        let answer = Answer {
            headers,
            record_route: change.is_invite,
            body,
        };
        let Some(flow) = self.servers.get(&change.key).map(|s| s.flow) else {
            return false;
        };
        let Some(octets) = self.answer(&change.key, 200, &answer, now) else {
            return false;
        };
        self.session_granted(call, &change.granted, now);
        if let Some(c) = self.calls.get_mut(&call)
            && change.is_invite
        {
            let (cseq, answer_due) = (change.cseq, change.answer_due);
            c.unacknowledged = Some(Unacknowledged::new(cseq, initial, answer_due, octets, flow, now));
        }
        true
    }

    /// Our Contact in this call; `None` if there is no such call.
    pub(super) fn contact(&self, call: CallId) -> Option<String> {
        let c = self.calls.get(&call)?;
        let extension = self.settings.extension(c.extension)?;
        Some(c.contact(&extension.user))
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

    /// Answers a re-INVITE or UPDATE with 200 and this body (an answer, or an offer when a re-INVITE had none).
    pub fn accept_change(&mut self, call: CallId, body: Vec<u8>, now: Instant) {
        let Some(c) = self.calls.get_mut(&call) else {
            return;
        };
        let Some(change) = c.change.take() else {
            return;
        };
        if let Some(offer) = &change.offer {
            c.heard_of.clone_from(offer);
        }
        c.retarget(change.contact.as_ref());
        self.answer_offer(call, &change, false, body, now);
        self.unlink(&change.key);
    }

    /// Refuses a re-INVITE or UPDATE; the call goes on as before (RFC 3261 §14.2). A status that is no refusal becomes 488.
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
            // An INVITE before it is still unanswered.
            return self.reject_glare(own, Glare::Theirs, now);
        }
        if c.refresh.is_offering() || c.unacknowledged.as_ref().is_some_and(|u| u.answer_due) {
            return self.reject_glare(own, Glare::Ours, now);
        }
        let Some(offer) = self.session_body(own, request, now) else {
            return;
        };
        let Some(granted) = self.session_terms(own, Some(id), request, now) else {
            return;
        };
        if let Some(c) = self.calls.get_mut(&id) {
            // Who sends a re-INVITE has had the 200 before it: its ACK was lost or comes late.
            let implied = c.unacknowledged.take().is_some_and(|u| u.initial);
            if implied {
                c.phase = Phase::Confirmed;
            }
            c.refresh.learn(&request.message);
            c.change = Some(Change {
                key: own.clone(),
                cseq: request.cseq,
                answer_due: offer.is_none(),
                is_invite: true,
                offer: offer.clone(),
                contact: request.contact.clone(),
                granted,
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
        let Some(id) = self.dialog_of(request).filter(|id| self.belongs(*id, flow)) else {
            return;
        };
        let Some(c) = self.calls.get_mut(&id) else {
            return;
        };
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
        if let Some(answer) = &answer {
            c.heard_of.clone_from(answer);
        }
        if u.initial {
            c.phase = Phase::Confirmed;
            self.event(Event::Confirmed { call: id, answer });
        } else if let Some(answer) = answer {
            self.event(Event::ChangeAnswered { call: id, answer });
        }
    }
}
