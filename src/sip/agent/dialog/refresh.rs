//! Session refreshes that we send, and what follows from their answers (RFC 4028 §7, §10; RFC 3261 §14.1).

use std::time::{Duration, Instant};

use rand::Rng as _;

use super::request::Headers;
use crate::sip::agent::abilities::{allows, sdp_type, session_headers};
use crate::sip::agent::call::Phase;
use crate::sip::agent::client::{Purpose, Silence};
use crate::sip::agent::{Agent, CallId, Cause, Ending, Event};
use crate::sip::session_timer::{Asked, Granted, MIN_SE, Session};
use crate::sip::transaction::T64;
use crate::sip::wire::{Address, Message, Response, number};

/// Most requests sent at once for one refresh: challenges, 422 and a change of method included.
const MAX_TRIES: u8 = 6;
/// A refresh that cannot go out yet, since something else is under way, waits this long.
const BUSY_WAIT: Duration = Duration::from_secs(1);
/// Shortest wait before a refused refresh is tried again.
const MIN_RETRY: Duration = Duration::from_secs(5);
/// A re-INVITE of ours that is answered provisionally and no further is given up after this.
const REINVITE_LIMIT: Duration = T64;

/// The session timer of a call and our part in it.
pub(in crate::sip::agent) struct Refresh {
    session: Option<Session>,
    /// The far end takes UPDATE.
    by_update: bool,
    /// Our next refresh.
    wake: Option<Instant>,
    pending: Option<Pending>,
    /// Seconds that we ask for.
    interval: u32,
    /// The largest Min-SE that a 422 named (RFC 4028 §7.3).
    min_se: u32,
    /// Requests of this refresh so far.
    tries: u8,
}

/// A refresh that is out.
struct Pending {
    purpose: Purpose,
    cseq: u32,
    credentials: Headers,
    /// When a re-INVITE is given up.
    until: Option<Instant>,
}

impl Refresh {
    /// From the INVITE that made the call.
    pub(in crate::sip::agent) fn new(invite: &Message) -> Self {
        Refresh {
            session: None,
            by_update: allows(invite, "UPDATE").unwrap_or(false),
            wake: None,
            pending: None,
            interval: MIN_SE,
            min_se: MIN_SE,
            tries: 0,
        }
    }

    /// What a later request or answer says the far end takes.
    pub(super) fn learn(&mut self, message: &Message) {
        if let Some(update) = allows(message, "UPDATE") {
            self.by_update = update;
        }
    }

    /// A 2xx to INVITE or UPDATE, in either direction, starts the session's time anew (RFC 4028 §10).
    pub(super) fn start(&mut self, session: Session) {
        self.wake = session.refresh_at();
        self.interval = session.interval();
        self.tries = 0;
        self.session = Some(session);
    }

    pub(in crate::sip::agent) fn session(&self) -> Option<&Session> {
        self.session.as_ref()
    }

    /// Our own re-INVITE is out: an offer without its answer.
    pub(super) fn is_offering(&self) -> bool {
        matches!(&self.pending, Some(p) if matches!(p.purpose, Purpose::Reinvite(_)))
    }

    pub(in crate::sip::agent) fn poll_timeout(&self) -> Option<Instant> {
        let end = self.session.map(|s| s.end_at());
        let wake = self.wake.filter(|_| self.pending.is_none());
        let pending = self.pending.as_ref().and_then(|p| p.until);
        [end, wake, pending].into_iter().flatten().min()
    }

    /// After a refusal: half of the time that is left.
    fn retry_at(&self, now: Instant) -> Option<Instant> {
        let left = self.session?.end_at().saturating_duration_since(now);
        Some(now + (left / 2).max(MIN_RETRY))
    }
}

impl Agent {
    /// A 2xx of ours to INVITE or UPDATE has gone out.
    pub(super) fn session_granted(&mut self, call: CallId, granted: &Granted, now: Instant) {
        if let Some(c) = self.calls.get_mut(&call) {
            c.refresh.start(granted.session(now));
        }
    }

    pub(super) fn refresh_timeout(&mut self, call: CallId, now: Instant) {
        let Some(c) = self.calls.get_mut(&call) else {
            return;
        };
        if !matches!(c.phase, Phase::Answered | Phase::Confirmed) {
            return;
        }
        let refresh = &mut c.refresh;
        if refresh.session.is_some_and(|s| s.end_at() <= now) {
            return self.session_lost(call, "session timer expired", now);
        }
        if refresh
            .pending
            .as_ref()
            .is_some_and(|p| p.until.is_some_and(|at| at <= now))
        {
            return self.session_lost(call, "no answer to a session refresh", now);
        }
        if refresh.pending.is_some() || refresh.wake.is_none_or(|at| at > now) {
            return;
        }
        if c.phase != Phase::Confirmed || c.unacknowledged.is_some() || c.change.is_some() {
            c.refresh.wake = Some(now + BUSY_WAIT);
            return;
        }
        c.refresh.tries = 0;
        c.auth.new_round();
        self.send_refresh(call, now);
    }

    /// The far end is gone, as far as can be told: the call ends with BYE (RFC 4028 §10, RFC 3261 §12.2.1.2).
    fn session_lost(&mut self, call: CallId, why: &str, now: Instant) {
        self.event(Event::Ended {
            call,
            how: Ending::Lost,
        });
        let cause = Cause {
            status: 408,
            text: why.into(),
        };
        self.close_dialog(call, Some(cause), now);
    }

    /// UPDATE without a body, or the description that we sent last, with the version that it had.
    fn send_refresh(&mut self, call: CallId, now: Instant) {
        let Some(contact) = self.contact(call) else {
            return;
        };
        let Some(c) = self.calls.get_mut(&call) else {
            return;
        };
        let refresh = &mut c.refresh;
        refresh.pending = None;
        if refresh.tries >= MAX_TRIES {
            refresh.wake = refresh.retry_at(now);
            return;
        }
        refresh.tries += 1;
        let mut headers = session_headers(contact);
        headers.push(("Session-Expires", format!("{};refresher=uac", refresh.interval)));
        if refresh.min_se > MIN_SE {
            headers.push(("Min-SE", refresh.min_se.to_string()));
        }
        let (method, purpose, body) = if refresh.by_update {
            ("UPDATE", Purpose::Update(call), Vec::new())
        } else {
            headers.push(sdp_type());
            ("INVITE", Purpose::Reinvite(call), c.described.clone())
        };
        let Some(out) = self.compose(call, method, &headers, &body) else {
            return;
        };
        if let Some(c) = self.calls.get_mut(&call) {
            c.refresh.pending = Some(Pending {
                purpose,
                cseq: out.cseq,
                credentials: out.credentials,
                until: matches!(purpose, Purpose::Reinvite(_)).then(|| now + REINVITE_LIMIT),
            });
        }
        self.send_request(out.branch, purpose, out.flow, out.octets, now);
    }

    pub(in crate::sip::agent) fn on_refresh_answer(
        &mut self,
        call: CallId,
        purpose: Purpose,
        response: &Response,
        now: Instant,
    ) {
        let Some(c) = self.calls.get_mut(&call) else {
            return;
        };
        // An answer to one that was given up.
        let current = |p: &Pending| p.purpose == purpose && p.cseq == response.cseq.number;
        let Some(pending) = c.refresh.pending.take_if(|p| current(p)) else {
            return;
        };
        let password = self.settings.password(c.extension);
        match response.status {
            ..300 => self.refreshed(call, &pending, response, now),
            401 | 407 if c.auth.challenged(response, password).is_ok() => self.send_refresh(call, now),
            408 | 481 => self.session_lost(call, "the far end does not know the call any more", now),
            422 => {
                let least = Asked::read(&response.message).map_or(MIN_SE, |a| a.min_se);
                c.refresh.min_se = c.refresh.min_se.max(least);
                c.refresh.interval = c.refresh.interval.max(c.refresh.min_se);
                self.send_refresh(call, now);
            }
            // Glare (RFC 3261 §14.1): the Call-ID is the far end's, so ours is the shorter wait.
            491 => {
                let wait = Duration::from_millis(10 * u64::from(self.rng.random_range(0..=200u16)));
                c.refresh.wake = Some(now + wait);
            }
            405 | 501 if matches!(purpose, Purpose::Update(_)) => {
                c.refresh.by_update = false;
                self.send_refresh(call, now);
            }
            _ => {
                let asked = response.message.first("Retry-After").and_then(|v| {
                    let digits = v.split(|b| b"; (".contains(b)).next().unwrap_or_default();
                    number(digits)
                });
                let at = c.refresh.retry_at(now);
                let later = asked.map(|s| now + Duration::from_secs(s.clamp(1, MIN_SE).into()));
                c.refresh.wake = [at, later].into_iter().flatten().min();
            }
        }
    }

    fn refreshed(&mut self, call: CallId, pending: &Pending, response: &Response, now: Instant) {
        let contact = response.message.first("Contact").and_then(|c| Address::read(c).ok());
        if let Some(c) = self.calls.get_mut(&call) {
            c.retarget(contact.as_ref());
            c.refresh.learn(&response.message);
            // An unreadable answer is one that says nothing.
            let answer = Asked::read(&response.message).unwrap_or(Asked {
                interval: None,
                refresher: None,
                min_se: MIN_SE,
                supported: false,
            });
            let session = Session::refreshed(&answer, c.refresh.interval, now);
            c.refresh.start(session);
        }
        if !matches!(pending.purpose, Purpose::Reinvite(_)) {
            return;
        }
        if let Some(ack) = self.compose_ack(call, pending.cseq, pending.credentials.clone()) {
            self.acknowledge_answer(&response.branch, ack.flow, ack.octets);
        }
        if let Some(c) = self.calls.get_mut(&call)
            && !response.message.body.is_empty()
            && c.heard_of != response.message.body
        {
            c.heard_of.clone_from(&response.message.body);
            self.event(Event::ChangeAnswered {
                call,
                answer: response.message.body.clone(),
            });
        }
    }

    /// No final answer came, or there was no way to send it.
    pub(in crate::sip::agent) fn on_refresh_silence(&mut self, call: CallId, how: Silence, now: Instant) {
        let Some(c) = self.calls.get_mut(&call) else {
            return;
        };
        if c.refresh.pending.take().is_none() {
            return;
        }
        match how {
            Silence::NoAnswer => self.session_lost(call, "no answer to a session refresh", now),
            // A lost connection may come back.
            Silence::NoWay => c.refresh.wake = c.refresh.retry_at(now),
        }
    }
}
