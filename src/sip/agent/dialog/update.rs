//! UPDATE from the far end (RFC 3311).

use std::time::Instant;

use rand::Rng as _;

use crate::sip::agent::abilities::session_headers;
use crate::sip::agent::call::{Change, Phase};
use crate::sip::agent::server::{Answer, ServerKey};
use crate::sip::agent::{Agent, CallId, Event};
use crate::sip::session_timer::Granted;
use crate::sip::wire::Request;

/// What stands against another offer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Glare {
    /// A request of theirs before it is unanswered: 500 with a random Retry-After of 0 to 10 s.
    Theirs,
    /// An offer of ours is: 491.
    Ours,
}

impl Agent {
    /// RFC 3311 §5.2. Without an offer it refreshes the session and the target; with one it is a change like any other.
    pub(super) fn on_update(&mut self, own: &ServerKey, id: CallId, request: &Request, now: Instant) {
        let Some(c) = self.calls.get(&id) else {
            return;
        };
        if c.phase == Phase::Closing {
            return self.reject(own, 481, &[], now);
        }
        let Some(offer) = self.session_body(own, request, now) else {
            return;
        };
        let Some(granted) = self.session_terms(own, Some(id), request, now) else {
            return;
        };
        let Some(c) = self.calls.get_mut(&id) else {
            return;
        };
        let glare = match &c.change {
            // One UPDATE at a time, whatever it holds.
            Some(change) if !change.is_invite => Some(Glare::Theirs),
            _ if offer.is_none() => None,
            // Before the first answer an offer is open: theirs, or the one that our 200 will hold.
            _ if c.phase == Phase::Offered && c.answer_due => Some(Glare::Ours),
            _ if c.phase == Phase::Offered => Some(Glare::Theirs),
            Some(change) if change.answer_due => Some(Glare::Ours),
            Some(_) => Some(Glare::Theirs),
            None if c.refresh.is_offering() || c.unacknowledged.as_ref().is_some_and(|u| u.answer_due) => {
                Some(Glare::Ours)
            }
            None => None,
        };
        if let Some(glare) = glare {
            return self.reject_glare(own, glare, now);
        }
        c.refresh.learn(&request.message);
        let Some(offer) = offer else {
            c.retarget(request.contact.as_ref());
            let early = c.phase == Phase::Offered;
            return self.confirm_update(own, id, &granted, early, now);
        };
        c.change = Some(Change {
            key: own.clone(),
            cseq: request.cseq,
            answer_due: false,
            is_invite: false,
            offer: Some(offer.clone()),
            contact: request.contact.clone(),
            granted,
        });
        if let Some(entry) = self.servers.get_mut(own) {
            entry.call = Some(id);
        }
        self.event(Event::Change {
            call: id,
            offer: Some(offer),
        });
    }

    /// 200 without a description. There is no session to time before the INVITE is answered.
    fn confirm_update(&mut self, own: &ServerKey, id: CallId, granted: &Granted, early: bool, now: Instant) {
        let Some(contact) = self.contact(id) else {
            return;
        };
        let mut headers = session_headers(contact);
        if !early {
            headers.extend(super::timer_headers(granted));
        }
        let answer = Answer {
            headers,
            ..Answer::default()
        };
        if self.answer(own, 200, &answer, now).is_some() && !early {
            self.session_granted(id, granted, now);
        }
    }

    pub(super) fn reject_glare(&mut self, own: &ServerKey, glare: Glare, now: Instant) {
        match glare {
            Glare::Ours => self.reject(own, 491, &[], now),
            Glare::Theirs => {
                let wait = self.rng.random_range(0..=10u8).to_string();
                self.reject(own, 500, &[("Retry-After", &wait)], now);
            }
        }
    }
}
