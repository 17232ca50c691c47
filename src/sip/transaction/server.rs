//! Server transactions (RFC 3261 §17.2, RFC 6026 §7.1).

use std::time::{Duration, Instant};

use super::{Kind, T1, T2, T4, T64, Timer, Timers};

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    /// Trying or Proceeding.
    Open,
    Completed,
    Confirmed,
    /// RFC 6026 §7.1.
    Accepted,
    Terminated,
}

/// What the owner has to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ServerStep {
    Nothing,
    /// Send the last response again.
    Resend,
    /// Timer H: no ACK came to a refusal. Nothing is left to do.
    NoAck,
}

/// One request from outside. The owner keeps the octets of the last response.
#[derive(Debug, Clone)]
pub struct Server {
    kind: Kind,
    reliable: bool,
    state: State,
    answered: bool,
    interval: Duration,
    timers: Timers,
}

impl Server {
    pub fn new(kind: Kind, reliable: bool) -> Self {
        Server {
            kind,
            reliable,
            state: State::Open,
            answered: false,
            interval: T1,
            timers: Timers::default(),
        }
    }

    /// The same request came again.
    pub fn repeated(&self) -> ServerStep {
        match self.state {
            // In Accepted the 2xx is the call layer's to repeat (RFC 6026 §7.1).
            State::Open | State::Completed if self.answered => ServerStep::Resend,
            _ => ServerStep::Nothing,
        }
    }

    /// An ACK to a refusal came.
    pub fn acknowledged(&mut self, now: Instant) {
        if self.kind == Kind::Invite && self.state == State::Completed {
            self.timers.clear();
            if self.reliable {
                self.state = State::Terminated;
            } else {
                self.timers.set(Timer::I, now + T4);
                self.state = State::Confirmed;
            }
        }
    }

    /// A response with this status is about to be sent. False: it must not be, a final one went before.
    pub fn respond(&mut self, status: u16, now: Instant) -> bool {
        if self.state != State::Open {
            return false;
        }
        self.answered = true;
        match (self.kind, status / 100) {
            (_, 1) => {}
            (Kind::Invite, 2) => {
                self.timers.set(Timer::L, now + T64);
                self.state = State::Accepted;
            }
            (Kind::Invite, _) => {
                if !self.reliable {
                    self.timers.set(Timer::G, now + T1);
                }
                self.timers.set(Timer::H, now + T64);
                self.state = State::Completed;
            }
            (Kind::NonInvite, _) if self.reliable => self.state = State::Terminated,
            (Kind::NonInvite, _) => {
                self.timers.set(Timer::J, now + T64);
                self.state = State::Completed;
            }
        }
        true
    }

    /// Call until it gives [`ServerStep::Nothing`].
    pub fn handle_timeout(&mut self, now: Instant) -> ServerStep {
        match self.timers.due(now) {
            Some(Timer::G) => {
                self.interval = (self.interval * 2).min(T2);
                self.timers.set(Timer::G, now + self.interval);
                ServerStep::Resend
            }
            Some(timer) => {
                self.timers.clear();
                self.state = State::Terminated;
                if timer == Timer::H {
                    ServerStep::NoAck
                } else {
                    ServerStep::Nothing
                }
            }
            None => ServerStep::Nothing,
        }
    }

    pub fn poll_timeout(&self) -> Option<Instant> {
        self.timers.next()
    }

    /// No final response yet.
    pub fn is_open(&self) -> bool {
        self.state == State::Open
    }

    pub fn is_terminated(&self) -> bool {
        self.state == State::Terminated
    }
}
