//! Relays without hardware: they record their movements and refuse when told to.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use super::Line;
use crate::page::RelayId;

/// The oldest movements go when there are more.
pub const MAX_MOVEMENTS: usize = 10_000;

/// One relay changed over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Movement {
    pub at: Instant,
    pub relay: RelayId,
    pub operated: bool,
}

/// The simulated relays as a test or the demo sees them. Clones look at the same relays, which outlive the bank.
#[derive(Debug, Clone, Default)]
pub struct SimulatedRelays {
    state: Arc<Mutex<State>>,
}

#[derive(Debug, Default)]
struct State {
    relays: BTreeMap<RelayId, One>,
    movements: VecDeque<Movement>,
}

#[derive(Debug, Default)]
struct One {
    operated: bool,
    claimed: bool,
    fault: Option<String>,
}

impl SimulatedRelays {
    pub fn new() -> Self {
        SimulatedRelays::default()
    }

    /// The movements so far, oldest first.
    pub fn movements(&self) -> Vec<Movement> {
        self.lock().movements.iter().copied().collect()
    }

    pub fn operated(&self, relay: RelayId) -> bool {
        self.lock().relays.get(&relay).is_some_and(|r| r.operated)
    }

    /// From now on the relay's line refuses to be claimed and set, with this cause; `None` mends it.
    pub fn fault(&self, relay: RelayId, cause: Option<&str>) {
        self.lock().relays.entry(relay).or_default().fault = cause.map(str::to_owned);
    }

    pub(super) fn line(&self, relay: RelayId) -> Result<SimulatedLine, String> {
        let mut state = self.lock();
        let one = state.relays.entry(relay).or_default();
        if let Some(cause) = &one.fault {
            return Err(cause.clone());
        }
        if one.claimed {
            return Err("the line is in use".to_owned());
        }
        one.claimed = true;
        state.change(relay, false);
        drop(state);
        Ok(SimulatedLine {
            relays: self.clone(),
            relay,
        })
    }

    /// As the kernel does for a process that was killed: the lines are free and keep their levels.
    #[cfg(test)]
    pub(super) fn release_all(&self) {
        for one in self.lock().relays.values_mut() {
            one.claimed = false;
        }
    }

    /// A test's panic while the lock is held must not hide what the relays did.
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl State {
    fn change(&mut self, relay: RelayId, operated: bool) {
        let one = self.relays.entry(relay).or_default();
        if one.operated == operated {
            return;
        }
        one.operated = operated;
        if self.movements.len() == MAX_MOVEMENTS {
            self.movements.pop_front();
        }
        self.movements.push_back(Movement {
            at: Instant::now(),
            relay,
            operated,
        });
    }
}

/// Like a real output it keeps its level when it is let go.
pub(super) struct SimulatedLine {
    relays: SimulatedRelays,
    relay: RelayId,
}

impl Line for SimulatedLine {
    fn set(&mut self, operated: bool) -> Result<(), String> {
        let mut state = self.relays.lock();
        if let Some(cause) = state.relays.get(&self.relay).and_then(|r| r.fault.clone()) {
            return Err(cause);
        }
        state.change(self.relay, operated);
        Ok(())
    }
}

impl Drop for SimulatedLine {
    fn drop(&mut self) {
        if let Some(one) = self.relays.lock().relays.get_mut(&self.relay) {
            one.claimed = false;
        }
    }
}
