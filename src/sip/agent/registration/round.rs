//! Rounds: from waiting over the name service through all targets, until one takes the registration or none does.

use std::net::IpAddr;
use std::time::{Duration, Instant};

use rand::Rng as _;

use super::super::client::{Purpose, Silence};
use super::super::{Agent, Event, ExtensionId, Flow, Output, RegistrationId, Target};
use super::timing::back_off;
use super::{Phase, Reach, Registration, is_same};

/// An answer to [`Output::Resolve`] is waited for so long.
const RESOLVE_LIMIT: Duration = Duration::from_secs(30);
/// A refresh resolves again when the addresses are older.
const RESOLVE_AGE: Duration = Duration::from_secs(300);
/// A lost flow to the registrar is made again at most this often.
const RECONNECT: Duration = Duration::from_secs(30);
/// A better server is looked at only while the binding lasts for so long yet: 64·T1 and some more.
const RETURN_ROOM: Duration = Duration::from_secs(40);

/// Longest wait after a round in which nobody was found to be asked.
const UNASKED: Duration = Duration::from_secs(60);
/// After a change of the network, within this time: many boards may see it together.
const SOON: Duration = Duration::from_secs(4);

/// Why a driver that does not answer gives no target.
const SILENT: &str = "its name cannot be resolved";

impl Agent {
    pub(in crate::sip::agent) fn registrations_timeout(&mut self, now: Instant) {
        for index in 0..self.registrations.len() {
            let Some(r) = self.registrations.get_mut(index) else {
                continue;
            };
            let due = r.wake.is_some_and(|at| at <= now);
            match r.phase {
                Phase::Waiting if due => {
                    r.wake = None;
                    let fresh = r.failures == 0
                        && !r.suspect
                        && !r.way.targets.is_empty()
                        && r.way
                            .resolved
                            .is_some_and(|at| now.saturating_duration_since(at) < RESOLVE_AGE);
                    r.detoured = false;
                    r.pending.clear();
                    r.redirects = 0;
                    r.reach = Reach::Nowhere;
                    if fresh {
                        self.begin_round(index, now);
                    } else {
                        self.resolve(index, now);
                    }
                }
                Phase::Resolving if due => self.resolution(index, Err(SILENT.into()), now),
                Phase::Waiting if r.return_at.is_some_and(|at| at <= now) => self.look_back(index, now),
                _ => {}
            }
        }
        self.keepers_timeout(now);
    }

    pub(super) fn resolve(&mut self, index: usize, now: Instant) {
        let Some(r) = self.registrations.get_mut(index) else {
            return;
        };
        r.phase = Phase::Resolving;
        r.wake = Some(now + RESOLVE_LIMIT);
        let hop = match &r.detour {
            Some(detour) if r.detoured => detour.hop.clone(),
            _ => r.hop.clone(),
        };
        let registration = RegistrationId(u16::try_from(index).unwrap_or(u16::MAX));
        self.outputs.push_back(Output::Resolve { registration, hop });
    }

    /// The answer to [`Output::Resolve`]: targets in order of preference; empty when the name could not be resolved.
    pub fn resolved(&mut self, registration: RegistrationId, targets: Vec<Target>, now: Instant) {
        let found = if targets.is_empty() {
            Err(SILENT.to_owned())
        } else {
            Ok(targets)
        };
        self.resolution(usize::from(registration.0), found, now);
    }

    /// The other answer: why there is no target.
    pub fn unresolved(&mut self, registration: RegistrationId, why: String, now: Instant) {
        self.resolution(usize::from(registration.0), Err(why), now);
    }

    fn resolution(&mut self, index: usize, found: Result<Vec<Target>, String>, now: Instant) {
        let Some(r) = self.registrations.get_mut(index) else {
            return;
        };
        let up = r.up;
        if r.phase != Phase::Resolving {
            // Late; it is known all the same, unless it may belong to a redirect or a round is on its way.
            if let Ok(targets) = found
                && r.phase == Phase::Waiting
                && r.detour.is_none()
            {
                r.way.set(targets, up, now);
            }
            return;
        }
        r.wake = None;
        match found {
            Ok(targets) => r.way_mut().set(targets, up, now),
            // A name service that is down does not undo what it said before.
            Err(_) if !r.way().targets.is_empty() => {}
            Err(why) if r.detoured => return self.next_target(index, why, None, now),
            Err(why) => return self.round_failed(index, why, None, now),
        }
        if r.detoured {
            self.send_register(index, false, now);
        } else {
            self.begin_round(index, now);
        }
    }

    fn begin_round(&mut self, index: usize, now: Instant) {
        if let Some(r) = self.registrations.get_mut(index) {
            r.brief = 0;
            r.auth.new_round();
            r.way.tried.fill(false);
            let suspect = std::mem::take(&mut r.suspect);
            if !r.up {
                r.way.at = 0;
            } else if suspect && r.way.targets.len() > 1 {
                // The server behind the broken flow comes last.
                let broken = r.way.at;
                r.way.mark();
                r.way.advance();
                if let Some(tried) = r.way.tried.get_mut(broken) {
                    *tried = false;
                }
            }
        }
        self.send_register(index, false, now);
    }

    /// A server that is preferred to the present one may be back: asks it, while the present binding lasts.
    fn look_back(&mut self, index: usize, now: Instant) {
        let random: f64 = self.rng.random();
        let Some(r) = self.registrations.get_mut(index) else {
            return;
        };
        r.return_at = None;
        let room = r.bound_until.is_some_and(|until| until > now + RETURN_ROOM);
        let (Some(best), Some(refresh)) = (r.way.better().filter(|_| r.up && !r.detoured), r.wake) else {
            return;
        };
        if !room {
            // After the refresh.
            r.return_at = Some(refresh + Duration::from_secs(5).mul_f64(1.0 + random));
            return;
        }
        r.home = Some((r.way.at, refresh));
        r.way.at = best;
        r.brief = 0;
        r.redirects = 0;
        r.auth.new_round();
        self.send_register(index, false, now);
    }

    /// Back to the server that serves, if this was a look at a better one.
    fn go_home(&mut self, index: usize, now: Instant) -> bool {
        let random: f64 = self.rng.random();
        let Some(r) = self.registrations.get_mut(index) else {
            return false;
        };
        let Some((at, refresh)) = r.home.take() else {
            return false;
        };
        r.detoured = false;
        r.way.at = at;
        r.returns = r.returns.saturating_add(1);
        r.return_at = Some(now + back_off(true, r.returns, random));
        r.phase = Phase::Waiting;
        r.wake = Some(refresh.max(now));
        true
    }

    pub(in crate::sip::agent) fn on_register_silence(&mut self, index: usize, how: Silence, now: Instant) {
        if let Some(r) = self.registrations.get_mut(index) {
            r.reach = r.reach.max(Reach::Sent);
        }
        let cause = match how {
            Silence::NoAnswer => "the registrar does not answer",
            Silence::NoWay => "the registrar cannot be reached",
        };
        self.next_target(index, cause.into(), None, now);
    }

    /// Tries the next place of the same round, if there is one.
    pub(super) fn next_target(&mut self, index: usize, cause: String, retry_after: Option<Duration>, now: Instant) {
        let Some(r) = self.registrations.get_mut(index) else {
            return;
        };
        if !matches!(r.phase, Phase::Trying | Phase::Resolving) || self.go_home(index, now) {
            if self.registrations.get(index).is_some_and(|r| r.phase == Phase::Leaving) {
                self.gone(index);
            }
            return;
        }
        let Some(r) = self.registrations.get_mut(index) else {
            return;
        };
        r.auth.new_round();
        r.way_mut().mark();
        if r.way_mut().advance() {
            r.up = false;
            self.send_register(index, false, now);
        } else if let Some(detour) = r.pending.pop().filter(|_| r.detoured) {
            r.detour = Some(detour);
            self.resolve(index, now);
        } else if std::mem::take(&mut r.detoured) && {
            r.way.mark();
            r.way.advance()
        } {
            r.up = false;
            self.send_register(index, false, now);
        } else {
            self.round_failed(index, cause, retry_after, now);
        }
    }

    pub(super) fn round_failed(&mut self, index: usize, cause: String, retry_after: Option<Duration>, now: Instant) {
        let random: f64 = self.rng.random();
        let others_up = self.has_other_flow(index);
        if self.registrations.get(index).is_some_and(|r| r.phase != Phase::Leaving) && self.go_home(index, now) {
            return;
        }
        let Some(r) = self.registrations.get_mut(index) else {
            return;
        };
        match r.phase {
            Phase::Leaving => return self.gone(index),
            Phase::Gone => return,
            _ => {}
        }
        // Who was never asked need not be spared.
        let is_unasked = r.reach == Reach::Nowhere;
        r.failures = match is_unasked {
            true => r.failures.max(1),
            false => r.failures.saturating_add(1),
        };
        let mut retry_in = back_off(others_up, r.failures, random);
        if is_unasked {
            retry_in = retry_in.min(UNASKED.mul_f64(0.5 + random / 2.0));
        }
        if let Some(least) = retry_after {
            retry_in = retry_in.max(least);
        }
        r.up = false;
        r.detoured = false;
        r.plain = false;
        r.suspect = false;
        r.moved = false;
        r.return_at = None;
        r.phase = Phase::Waiting;
        r.wake = Some(now + retry_in);
        let first = r.trouble.as_ref() != Some(&cause);
        r.trouble = Some(cause.clone());
        let (extension, registrar) = (r.id, r.name());
        self.event(Event::RegistrationFailed {
            extension,
            registrar,
            cause,
            retry_in,
            first,
        });
    }

    /// This machine has another address than before: where nobody has answered it is tried again soon, whatever was to be
    /// waited for.
    pub fn network_changed(&mut self, now: Instant) {
        for r in &mut self.registrations {
            let waits = r.phase == Phase::Waiting && !r.up && r.failures > 0 && r.reach != Reach::Answered;
            if waits {
                let soon = now + SOON.mul_f64(self.rng.random());
                r.wake = r.wake.map(|at| at.min(soon));
            }
        }
    }

    /// Another flow to the same registrar serves the extension.
    fn has_other_flow(&self, index: usize) -> bool {
        let Some(r) = self.registrations.get(index) else {
            return false;
        };
        let beside = |(i, o): (usize, &Registration)| i != index && o.id == r.id && o.group == r.group && o.up;
        self.registrations.iter().enumerate().any(beside)
    }

    /// The registrar no longer reaches us by this flow: bindings made by it are made again soon.
    /// `suspect`: the server itself may be gone. `told`: registrations that know already.
    pub(in crate::sip::agent) fn flow_failed(&mut self, flow: Flow, suspect: bool, told: &[usize], now: Instant) {
        self.keepers.retain(|k| !is_same(&k.flow, &flow));
        for index in 0..self.registrations.len() {
            let delay = Duration::from_secs(1).mul_f64(1.0 + self.rng.random::<f64>());
            let Some(r) = self.registrations.get_mut(index) else {
                continue;
            };
            if told.contains(&index) || r.phase != Phase::Waiting || !r.is_bound_by(&flow) {
                continue;
            }
            let earliest = r.succeeded.map_or(now, |at| at + RECONNECT).max(now + delay);
            r.wake = r.wake.map(|at| at.min(earliest));
            r.suspect |= suspect;
        }
    }

    /// The flows that bindings were made by, each once: where it is to be looked at whether our address is still ours.
    pub fn bound_flows(&self) -> Vec<Flow> {
        let mut flows: Vec<Flow> = Vec::new();
        for flow in self.registrations.iter().filter(|r| r.up).filter_map(|r| r.flow) {
            if !flows.contains(&flow) {
                flows.push(flow);
            }
        }
        flows
    }

    /// We no longer have the address that this flow begins at (a new lease, another cable): the registrar is looked up
    /// again, with the address that leads there now, and bindings made by the flow are made anew. `false`: that is under
    /// way already.
    pub fn moved(&mut self, flow: Flow, now: Instant) -> bool {
        let (mut news, mut others) = (false, Vec::new());
        for (index, r) in self.registrations.iter_mut().enumerate() {
            if r.up && r.flow == Some(flow) {
                news |= !std::mem::replace(&mut r.moved, true);
                r.way.resolved = None;
            } else {
                // Bound by another way, or from the new address already.
                others.push(index);
            }
        }
        if !news {
            return false;
        }
        if let Some(id) = flow.connection {
            self.close(id);
        }
        self.flow_failed(flow, false, &others, now);
        true
    }

    /// Takes the binding away, if there may be one.
    pub(in crate::sip::agent) fn leave(&mut self, index: usize, now: Instant) {
        let Some(r) = self.registrations.get_mut(index) else {
            return;
        };
        r.bound_until = r.bound_until.filter(|at| *at > now);
        // A first request that is under way may have been heard: it is taken back all the same.
        let bound = r.bound_until.is_some() || r.phase == Phase::Trying;
        r.wake = None;
        r.return_at = None;
        if let Some((at, _)) = r.home.take() {
            r.way.at = at;
        }
        if !bound || r.way().target().is_none() {
            self.gone(index);
            return;
        }
        r.auth.new_round();
        self.drop_requests(Purpose::Register(index));
        self.send_register(index, true, now);
    }

    pub(in crate::sip::agent) fn gone(&mut self, index: usize) {
        if let Some(r) = self.registrations.get_mut(index) {
            r.phase = Phase::Gone;
            r.wake = None;
            r.return_at = None;
            r.up = false;
        }
    }

    /// The address is one of this extension's registrar.
    pub(in crate::sip::agent) fn is_registrar_of(&self, extension: ExtensionId, address: IpAddr) -> bool {
        let address = address.to_canonical();
        self.registrations
            .iter()
            .any(|r| r.extension() == extension && r.has_address(address))
    }

    pub(in crate::sip::agent) fn is_any_registrar(&self, address: IpAddr) -> bool {
        let address = address.to_canonical();
        self.registrations.iter().any(|r| r.has_address(address))
    }
}
