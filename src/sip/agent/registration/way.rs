//! The targets of one hop.

use std::net::IpAddr;
use std::time::Instant;

use super::super::{Flow, MAX_TARGETS, Target};

/// The places where one hop can be reached, and how far a round has come with them.
#[derive(Debug, Default)]
pub(super) struct Way {
    pub(super) targets: Vec<Target>,
    pub(super) at: usize,
    /// Tried in this round; as many as targets.
    pub(super) tried: Vec<bool>,
    pub(super) resolved: Option<Instant>,
}

impl Way {
    /// `stay`: keep to the current target while it is listed.
    pub(super) fn set(&mut self, mut targets: Vec<Target>, stay: bool, now: Instant) {
        targets.truncate(MAX_TARGETS);
        let is = |a: &Target, b: &Target| a.transport == b.transport && a.peer == b.peer;
        let current = self.targets.get(self.at).filter(|_| stay);
        self.at = current.and_then(|c| targets.iter().position(|t| is(t, c))).unwrap_or(0);
        self.tried = vec![false; targets.len()];
        self.targets = targets;
        self.resolved = Some(now);
    }

    pub(super) fn target(&self) -> Option<&Target> {
        self.targets.get(self.at)
    }

    /// To the current target; by the connection of `last` if that led there.
    pub(super) fn flow(&self, last: Option<Flow>) -> Option<Flow> {
        let target = self.target()?;
        let last = last.filter(|f| f.transport == target.transport && f.peer == target.peer);
        Some(Flow {
            transport: target.transport,
            local: target.local,
            peer: target.peer,
            connection: last.and_then(|f| f.connection),
        })
    }

    pub(super) fn mark(&mut self) {
        if let Some(tried) = self.tried.get_mut(self.at) {
            *tried = true;
        }
    }

    /// Goes to the best target that was not tried in this round. `false`: there is none.
    pub(super) fn advance(&mut self) -> bool {
        let next = self.tried.iter().position(|tried| !tried);
        self.at = next.unwrap_or(self.at);
        next.is_some()
    }

    /// The best target that is preferred to the current one.
    pub(super) fn better(&self) -> Option<usize> {
        let rank = self.target()?.rank;
        let best = self.targets.iter().enumerate().min_by_key(|(_, t)| t.rank)?;
        (best.1.rank < rank).then_some(best.0)
    }

    pub(super) fn has_address(&self, address: IpAddr) -> bool {
        self.targets.iter().any(|t| t.peer.ip().to_canonical() == address)
    }
}
