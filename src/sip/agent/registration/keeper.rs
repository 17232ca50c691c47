//! Keep-alives of the flows that bindings were made by (RFC 5626 §4.4): one for each flow, whoever shares it.

use std::ops::RangeInclusive;
use std::time::{Duration, Instant};

use rand::Rng as _;

use super::super::{Agent, ConnectionId, ExtensionId, Flow, Transport};
use super::is_same;
use super::timing::{STREAM_PERIOD, STUN_PERIOD, flow_timer, period_of, within};
use crate::sip::stun::{self, Stun};

/// Flows that are kept alive; there cannot be more than registrations.
const MAX_KEEPERS: usize = 256;
/// A pong is waited for so long (RFC 5626 §4.4.1).
const PONG_LIMIT: Duration = Duration::from_secs(10);
/// First interval of a Binding request, doubled with each; the requests; and how long the last is waited for, in
/// first intervals (RFC 8489 §6.2.1: RTO, Rc, Rm).
const STUN_INTERVAL: Duration = Duration::from_millis(500);
const STUN_SENDS: u32 = 7;
const STUN_LAST: u32 = 16;

/// Servers remembered as deaf to STUN; the oldest goes.
const MAX_DEAF: usize = 16;

/// By a stream a ping (RFC 5626 §3.5.1). By UDP it opens a translation and is no message (common practice; RFC 3261 §7.5
/// has servers skip it).
const PING: &[u8] = b"\r\n\r\n";

/// How a flow is kept alive. Later ones go before earlier ones when registrations share a flow.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Manner {
    /// An empty datagram, to which no answer is expected.
    Empty,
    /// A ping by a stream, to which there may be a pong.
    Ping,
    /// A ping that must be answered: the registrar speaks outbound.
    Pong,
    /// A Binding request that must be answered: the registrar speaks outbound.
    Stun,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Idle,
    /// A ping is out.
    Pinged,
    /// A Binding request is out, for the so-many-th time; 0: one that nobody waits for.
    Asked {
        id: stun::Id,
        sent: u32,
    },
}

pub(in crate::sip::agent) struct Keeper {
    pub(super) flow: Flow,
    manner: Manner,
    period: RangeInclusive<Duration>,
    state: State,
    next: Instant,
    /// Our address as the far end saw it first.
    mapped: Option<std::net::SocketAddr>,
    /// The far end is known to leave Binding requests unanswered: until it answers one, none is missed.
    deaf: bool,
}

impl Keeper {
    pub(in crate::sip::agent) fn poll_timeout(&self) -> Option<Instant> {
        Some(self.next)
    }
}

impl Agent {
    /// A binding was made by this flow: from now on it is kept open, as the registrar can do it.
    pub(super) fn keep_alive(
        &mut self,
        extension: ExtensionId,
        flow: Flow,
        outbound: bool,
        timer: Option<u32>,
        now: Instant,
    ) {
        let unasked = self.settings.extension(extension).and_then(|e| e.keep_alive);
        let stream = flow.transport.is_reliable();
        let manner = match (stream, outbound) {
            (true, true) => Manner::Pong,
            (false, true) => Manner::Stun,
            (true, false) => Manner::Ping,
            (false, false) => Manner::Empty,
        };
        let period = match (outbound, unasked) {
            (true, _) => timer.map_or(if stream { STREAM_PERIOD } else { STUN_PERIOD }, flow_timer),
            (false, None) => return,
            (false, Some(_)) if stream => STREAM_PERIOD,
            (false, Some(longest)) => period_of(longest),
        };
        let next = now + within(&period, self.rng.random());
        if let Some(keeper) = self.keepers.iter_mut().find(|k| is_same(&k.flow, &flow)) {
            keeper.manner = keeper.manner.max(manner);
            if period.end() < keeper.period.end() {
                keeper.period = period;
            }
            if keeper.state == State::Idle {
                keeper.next = keeper.next.min(next);
            }
            return;
        }
        if self.keepers.len() < MAX_KEEPERS {
            self.keepers.push(Keeper {
                flow,
                manner,
                period,
                state: State::Idle,
                next,
                mapped: None,
                deaf: self.deaf.contains(&flow.peer),
            });
        }
    }

    pub(super) fn keepers_timeout(&mut self, now: Instant) {
        let registrations = &self.registrations;
        self.keepers
            .retain(|k| registrations.iter().any(|r| r.is_bound_by(&k.flow)));
        let mut out: Vec<(Flow, Vec<u8>)> = Vec::new();
        let mut failed = Vec::new();
        for keeper in &mut self.keepers {
            if keeper.next > now {
                continue;
            }
            let again = now + within(&keeper.period, self.rng.random());
            match keeper.state {
                State::Idle => match keeper.manner {
                    Manner::Empty | Manner::Ping => {
                        out.push((keeper.flow, PING.to_vec()));
                        keeper.next = again;
                    }
                    Manner::Pong => {
                        out.push((keeper.flow, PING.to_vec()));
                        keeper.state = State::Pinged;
                        keeper.next = now + PONG_LIMIT;
                    }
                    Manner::Stun => {
                        let id = self.rng.random();
                        out.push((keeper.flow, stun::request(&id)));
                        // To a deaf one the request itself keeps the translations open.
                        let (sent, next) = if keeper.deaf {
                            (0, again)
                        } else {
                            (1, now + STUN_INTERVAL)
                        };
                        keeper.state = State::Asked { id, sent };
                        keeper.next = next;
                    }
                },
                State::Asked { sent: 0, .. } => {
                    keeper.state = State::Idle;
                    keeper.next = now;
                }
                State::Asked { id, sent } if sent < STUN_SENDS => {
                    out.push((keeper.flow, stun::request(&id)));
                    let sent = sent + 1;
                    keeper.state = State::Asked { id, sent };
                    keeper.next = now
                        + if sent < STUN_SENDS {
                            STUN_INTERVAL * 2u32.saturating_pow(sent - 1)
                        } else {
                            STUN_INTERVAL * STUN_LAST
                        };
                }
                State::Pinged | State::Asked { .. } => failed.push((keeper.flow, keeper.mapped.is_none())),
            }
        }
        for (flow, octets) in out {
            self.transmit(flow, octets);
        }
        for (flow, never_heard) in failed {
            if let Some(id) = flow.connection {
                self.close(id);
            } else if never_heard && !self.deaf.contains(&flow.peer) {
                // Some registrars say outbound and know no STUN: this is held against the flow once.
                if self.deaf.len() >= MAX_DEAF {
                    self.deaf.remove(0);
                }
                self.deaf.push(flow.peer);
            }
            self.flow_failed(flow, true, &[], now);
        }
    }

    /// Something came by this connection: it is alive. True if a pong was waited for.
    pub(in crate::sip::agent) fn is_alive(&mut self, id: ConnectionId, now: Instant) -> bool {
        let Some(keeper) = self.keepers.iter_mut().find(|k| k.flow.connection == Some(id)) else {
            return false;
        };
        // A ping that need not be answered may be all the same.
        let pong = keeper.manner == Manner::Ping || keeper.state == State::Pinged;
        if keeper.state == State::Pinged {
            keeper.state = State::Idle;
            keeper.next = now + within(&keeper.period, self.rng.random());
        }
        pong
    }

    /// STUN at the SIP port, from an address that is let in (RFC 5626 §8). Only registrars and edge proxies have to
    /// answer Binding requests; we are neither, and say nothing.
    pub(in crate::sip::agent) fn on_stun(&mut self, flow: Flow, octets: &[u8], now: Instant) {
        self.figures.messages += 1;
        match stun::read(octets) {
            Some(Stun::Success { id, mapped }) => {
                if let Some(moved) = self.stun_answered(flow, &id, Some(mapped), now) {
                    self.flow_failed(moved, false, &[], now);
                }
            }
            // The server is there, and does not like the question: 400 to 699 with a code that is no failure of the flow.
            Some(Stun::Error { id, .. }) => {
                self.stun_answered(flow, &id, None, now);
            }
            Some(Stun::Request { .. }) => {}
            None => self.figures.malformed += 1,
        }
    }

    /// Takes an answer to an open Binding request. Gives the flow if its mapping has changed: what the registrar
    /// knows no longer leads to us (RFC 5626 §4.4.2).
    fn stun_answered(
        &mut self,
        flow: Flow,
        id: &stun::Id,
        mapped: Option<std::net::SocketAddr>,
        now: Instant,
    ) -> Option<Flow> {
        let ours = |k: &&mut Keeper| {
            k.flow.transport == Transport::Udp
                && k.flow.peer == flow.peer
                && matches!(k.state, State::Asked { id: asked, .. } if asked == *id)
        };
        let keeper = self.keepers.iter_mut().find(ours)?;
        keeper.deaf = false;
        self.deaf.retain(|peer| *peer != flow.peer);
        keeper.state = State::Idle;
        keeper.next = now + within(&keeper.period, self.rng.random());
        let mapped = mapped?;
        let before = *keeper.mapped.get_or_insert(mapped);
        (before != mapped).then_some(keeper.flow)
    }
}
