//! Transactions (RFC 3261 §17, RFC 6026): sans-IO state machines for one request and its responses.

mod client;
mod server;

use std::time::{Duration, Instant};

pub use client::{Client, ClientStep};
pub use server::{Server, ServerStep};

/// Round-trip estimate (RFC 3261 §17.1.1.1).
pub const T1: Duration = Duration::from_millis(500);
/// Longest interval for non-INVITE requests and INVITE responses (§17.1.2.2).
pub const T2: Duration = Duration::from_secs(4);
/// Longest life of a message in the network (§17.1.2.2).
pub const T4: Duration = Duration::from_secs(5);
/// 64·T1: how long anything is waited for.
pub const T64: Duration = Duration::from_secs(32);

/// INVITE has three-way handshakes; everything else has not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    Invite,
    NonInvite,
}

/// The timers of RFC 3261 Table 4 and RFC 6026 §7, without C (proxies only).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Timer {
    /// INVITE request repeated: T1, doubling; unreliable transports only (§17.1.1.2).
    A,
    /// INVITE client gives up: 64·T1 (§17.1.1.2).
    B,
    /// INVITE client absorbs repeated final responses: more than 32 s, 0 on reliable transports (§17.1.1.2).
    D,
    /// Non-INVITE request repeated: T1, doubling to T2; unreliable transports only (§17.1.2.2).
    E,
    /// Non-INVITE client gives up: 64·T1 (§17.1.2.2).
    F,
    /// Final INVITE response repeated: T1, doubling to T2; unreliable transports only (§17.2.1).
    G,
    /// INVITE server waits for the ACK: 64·T1 (§17.2.1).
    H,
    /// INVITE server absorbs repeated ACKs: T4, 0 on reliable transports (§17.2.1).
    I,
    /// Non-INVITE server absorbs repeated requests: 64·T1, 0 on reliable transports (§17.2.2).
    J,
    /// Non-INVITE client absorbs repeated responses: T4, 0 on reliable transports (§17.1.2.2).
    K,
    /// INVITE server, Accepted: absorbs repeated INVITEs while the 2xx is on its way: 64·T1 (RFC 6026 §7.1).
    L,
    /// INVITE client, Accepted: passes repeated 2xx up: 64·T1 (RFC 6026 §7.2).
    M,
}

/// Timer D: "at least 32 seconds" (§17.1.1.2).
const D: Duration = T64;

/// The running timers of one transaction: never more than three at once.
#[derive(Debug, Clone, Default)]
struct Timers(Vec<(Timer, Instant)>);

impl Timers {
    fn set(&mut self, timer: Timer, at: Instant) {
        self.stop(timer);
        self.0.push((timer, at));
    }

    fn stop(&mut self, timer: Timer) {
        self.0.retain(|(t, _)| *t != timer);
    }

    fn clear(&mut self) {
        self.0.clear();
    }

    fn next(&self) -> Option<Instant> {
        self.0.iter().map(|(_, at)| *at).min()
    }

    /// Takes out the timer that ran out first.
    fn due(&mut self, now: Instant) -> Option<Timer> {
        let (timer, _) = self
            .0
            .iter()
            .filter(|(_, at)| *at <= now)
            .min_by_key(|(timer, at)| (*at, std::cmp::Reverse(*timer)))
            .copied()?;
        self.stop(timer);
        Some(timer)
    }
}

#[cfg(test)]
mod tests;
