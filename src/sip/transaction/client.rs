//! Client transactions (RFC 3261 §17.1).

use std::time::{Duration, Instant};

use super::{D, Kind, T1, T2, T4, T64, Timer, Timers};

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    /// Calling or Trying.
    Waiting,
    Proceeding,
    Completed,
    /// RFC 6026 §7.2.
    Accepted,
    Terminated,
}

/// What the owner has to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ClientStep {
    Nothing,
    /// Send the request again.
    Resend,
    /// Take the response.
    Deliver,
    /// Take the response, and send the ACK to it (INVITE, 300 to 699).
    DeliverAndAck,
    /// Send the ACK again.
    Ack,
    /// No final response came (timers B and F): 408 for the owner.
    TimedOut,
}

/// One request of ours. The owner sends it once itself and keeps its octets.
#[derive(Debug, Clone)]
pub struct Client {
    kind: Kind,
    reliable: bool,
    state: State,
    interval: Duration,
    timers: Timers,
}

impl Client {
    /// Starts at the moment of the first sending.
    pub fn new(kind: Kind, reliable: bool, now: Instant) -> Self {
        let mut timers = Timers::default();
        let (repeat, limit) = match kind {
            Kind::Invite => (Timer::A, Timer::B),
            Kind::NonInvite => (Timer::E, Timer::F),
        };
        if !reliable {
            timers.set(repeat, now + T1);
        }
        timers.set(limit, now + T64);
        Client {
            kind,
            reliable,
            state: State::Waiting,
            interval: T1,
            timers,
        }
    }

    /// A response with this status came.
    pub fn receive(&mut self, status: u16, now: Instant) -> ClientStep {
        match (self.kind, self.state, status / 100) {
            (_, State::Terminated, _) => ClientStep::Nothing,
            (Kind::Invite, State::Waiting | State::Proceeding, 1) => {
                self.timers.clear();
                self.state = State::Proceeding;
                ClientStep::Deliver
            }
            (Kind::NonInvite, State::Waiting | State::Proceeding, 1) => {
                // §17.1.2.2: E goes on, at T2.
                if self.state == State::Waiting {
                    self.interval = T2;
                }
                self.state = State::Proceeding;
                ClientStep::Deliver
            }
            (Kind::Invite, State::Waiting | State::Proceeding, 2) => {
                self.timers.clear();
                self.timers.set(Timer::M, now + T64);
                self.state = State::Accepted;
                ClientStep::Deliver
            }
            (Kind::Invite, State::Accepted, 2) => ClientStep::Deliver,
            (Kind::Invite, State::Waiting | State::Proceeding, _) => {
                self.finish(Timer::D, D, now);
                ClientStep::DeliverAndAck
            }
            (Kind::Invite, State::Completed, 3..) => ClientStep::Ack,
            (Kind::NonInvite, State::Waiting | State::Proceeding, _) => {
                self.finish(Timer::K, T4, now);
                ClientStep::Deliver
            }
            _ => ClientStep::Nothing,
        }
    }

    fn finish(&mut self, timer: Timer, wait: Duration, now: Instant) {
        self.timers.clear();
        if self.reliable {
            self.state = State::Terminated;
        } else {
            self.timers.set(timer, now + wait);
            self.state = State::Completed;
        }
    }

    /// The transport failed: nothing more comes (§17.1.4).
    pub fn abort(&mut self) {
        self.timers.clear();
        self.state = State::Terminated;
    }

    /// Call until it gives [`ClientStep::Nothing`].
    pub fn handle_timeout(&mut self, now: Instant) -> ClientStep {
        match self.timers.due(now) {
            Some(Timer::A) => {
                self.interval *= 2;
                self.timers.set(Timer::A, now + self.interval);
                ClientStep::Resend
            }
            Some(Timer::E) => {
                self.interval = (self.interval * 2).min(T2);
                self.timers.set(Timer::E, now + self.interval);
                ClientStep::Resend
            }
            Some(Timer::B | Timer::F) => {
                self.abort();
                ClientStep::TimedOut
            }
            Some(_) => {
                self.abort();
                ClientStep::Nothing
            }
            None => ClientStep::Nothing,
        }
    }

    pub fn poll_timeout(&self) -> Option<Instant> {
        self.timers.next()
    }

    /// No final response has come yet.
    pub fn is_open(&self) -> bool {
        matches!(self.state, State::Waiting | State::Proceeding)
    }

    pub fn is_terminated(&self) -> bool {
        self.state == State::Terminated
    }
}
