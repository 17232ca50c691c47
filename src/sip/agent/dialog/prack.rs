//! Provisional answers that must arrive (RFC 3262).
//!
//! A 180 goes out reliably where the caller requires `100rel` and has made an offer. It holds no description, so
//! RFC 3262 §3 would let the 200 overtake it; the 200 is held back all the same until the PRACK is there, since a
//! caller who insists on the order expects it, and it costs one round trip. Without an offer the first reliable
//! answer would have to hold ours (RFC 3262 §5): then there is no 180, and the 200 goes out by itself, which §3 allows.
//! A refusal never waits.

use std::time::{Duration, Instant};

use rand::Rng as _;

use crate::sip::agent::call::Phase;
use crate::sip::agent::server::{Answer, ServerKey};
use crate::sip::agent::{Agent, CallId, Cause, Ending, Flow};
use crate::sip::transaction::{T1, T64};
use crate::sip::wire::{Request, number};

/// One reliable provisional answer.
pub(in crate::sip::agent) struct Reliable {
    rseq: u32,
    acknowledged: bool,
    /// When it is repeated next; unset when it is not any more.
    next: Option<Instant>,
    interval: Duration,
    until: Instant,
}

/// What is to be done with it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::sip::agent) enum Repeat {
    No,
    Again,
    /// No PRACK within 64·T1.
    GivenUp,
}

impl Reliable {
    fn new(rseq: u32, now: Instant) -> Self {
        Reliable {
            rseq,
            acknowledged: false,
            next: Some(now + T1),
            interval: T1,
            until: now + T64,
        }
    }

    pub(in crate::sip::agent) fn poll_timeout(&self) -> Option<Instant> {
        self.next.map(|at| at.min(self.until))
    }

    pub(in crate::sip::agent) fn stop(&mut self) {
        self.next = None;
    }

    /// T1, doubling without T2's bound (RFC 3262 §3).
    pub(in crate::sip::agent) fn repeat(&mut self, now: Instant) -> Repeat {
        match self.next {
            Some(_) if self.until <= now => {
                self.next = None;
                Repeat::GivenUp
            }
            Some(at) if at <= now => {
                self.interval *= 2;
                self.next = Some(now + self.interval);
                Repeat::Again
            }
            _ => Repeat::No,
        }
    }

    fn is_pending(&self) -> bool {
        !self.acknowledged
    }
}

/// `RSeq CSeq method` of RAck (RFC 3262 §7.2).
fn rack(value: &[u8]) -> Option<(u32, u32, &[u8])> {
    let mut words = value.split(|b| b.is_ascii_whitespace()).filter(|word| !word.is_empty());
    let (rseq, cseq, method) = (number(words.next()?)?, number(words.next()?)?, words.next()?);
    words.next().is_none().then_some((rseq, cseq, method))
}

impl Agent {
    /// 180 to an INVITE that requires `100rel`.
    pub(in crate::sip::agent) fn ring_reliably(&mut self, call: CallId, key: &ServerKey, now: Instant) {
        // RFC 3262 §3: the first is chosen at random from 1 to 2^31 − 1.
        let rseq = self.rng.random_range(1..1u32 << 31);
        let Some(contact) = self.contact(call) else {
            return;
        };
        let answer = Answer {
            headers: vec![
                ("Require", "100rel".into()),
                ("RSeq", rseq.to_string()),
                ("Contact", contact),
            ],
            record_route: true,
            ..Answer::default()
        };
        if let Some(entry) = self.servers.get_mut(key) {
            entry.reliable = Some(Reliable::new(rseq, now));
        }
        self.answer(key, 180, &answer, now);
    }

    /// Whether the 200 has to wait for a PRACK.
    pub(super) fn awaits_prack(&self, key: &ServerKey) -> bool {
        self.servers
            .get(key)
            .and_then(|s| s.reliable.as_ref())
            .is_some_and(Reliable::is_pending)
    }

    /// RFC 3262 §3. The INVITE's transaction knows what was sent, so that a PRACK which crosses a refusal still
    /// finds it; `stray`: there is no call any more that says who may send it.
    pub(super) fn on_prack(&mut self, own: &ServerKey, request: &Request, flow: Flow, stray: bool, now: Instant) {
        let acknowledged = request
            .message
            .single("RAck")
            .ok()
            .and_then(rack)
            .filter(|(.., method)| *method == b"INVITE")
            .and_then(|(rseq, cseq, _)| {
                self.servers.iter_mut().find(|(_, s)| {
                    s.cseq == cseq
                        && s.call_id == request.call_id
                        && Some(s.tag.as_bytes()) == request.to.tag()
                        && s.from_tag.as_deref() == request.from.tag()
                        && (!stray || s.flow.peer.ip() == flow.peer.ip())
                        && s.reliable.as_ref().is_some_and(|r| r.rseq == rseq && !r.acknowledged)
                })
            });
        let Some((_, entry)) = acknowledged else {
            return self.reject(own, 481, &[], now);
        };
        if let Some(reliable) = &mut entry.reliable {
            reliable.acknowledged = true;
            reliable.stop();
        }
        let call = entry.call;
        if request.message.body.is_empty() {
            self.reject(own, 200, &[], now);
        } else {
            // The caller's offer is still unanswered: another one has no place here (RFC 3262 §5).
            self.reject(own, 488, &[], now);
        }
        let held = call.and_then(|id| Some((id, self.calls.get_mut(&id)?.accepted.take()?)));
        if let Some((id, body)) = held {
            self.accept(id, body, now);
        }
    }

    /// RFC 3262 §3: without a PRACK the INVITE is refused with a 5xx.
    pub(in crate::sip::agent) fn no_prack(&mut self, key: &ServerKey, now: Instant) {
        let call = self.servers.get(key).and_then(|s| s.call);
        let Some(call) = call.filter(|c| self.calls.get(c).is_some_and(|c| c.phase == Phase::Offered)) else {
            return;
        };
        let cause = Cause {
            status: 504,
            text: "no PRACK".into(),
        };
        self.end_offered(call, 504, Some(&cause), Ending::Lost, now);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 3262 §7.2: the value of RAck.
    #[test]
    fn rack_values() {
        assert_eq!(rack(b"776656 1 INVITE"), Some((776_656, 1, b"INVITE".as_slice())));
        assert_eq!(rack(b" 1\t 2  INVITE "), Some((1, 2, b"INVITE".as_slice())));
        for bad in [
            "",
            "1",
            "1 2",
            "1 2 INVITE x",
            "a 2 INVITE",
            "1 -2 INVITE",
            "99999999999 1 INVITE",
        ] {
            assert_eq!(rack(bad.as_bytes()), None, "{bad}");
        }
    }
}
