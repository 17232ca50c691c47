//! What is missing, for the outputs that show it and for who asks.

use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;
use std::time::Instant;

use super::control::Control;
use crate::config::plan::Plan;
use crate::page::{Input, RelayId};

/// What the control task learns by and by, and what it has told the switchboard.
#[derive(Default)]
pub struct Health {
    /// By extension and registrar: whether it is registered there, or why not.
    registrations: BTreeMap<usize, BTreeMap<String, Result<(), String>>>,
    /// Relays that refused the last time.
    refusing: BTreeSet<RelayId>,
    told: Option<bool>,
    /// This machine's own, at the last look.
    pub addresses: BTreeSet<IpAddr>,
}

impl Health {
    /// Where something is to be listened to, and this machine has no such address now.
    pub fn missing_addresses(&self, plan: &Plan) -> BTreeSet<IpAddr> {
        let listened = plan.sip.listen.iter().map(|(_, address)| address.ip());
        let listened = listened.chain(plan.metrics.iter().map(|metrics| metrics.listen.ip()));
        let fixed = listened.filter(|ip| !ip.is_unspecified() && !ip.is_loopback());
        fixed
            .filter(|ip| !self.addresses.is_empty() && !self.addresses.contains(ip))
            .collect()
    }

    /// The switchboard is to be told again.
    pub fn forget(&mut self) {
        self.told = None;
    }

    /// An error is why it is not registered there.
    pub fn registration(&mut self, extension: usize, registrar: &str, state: Result<(), String>) {
        let registrars = self.registrations.entry(extension).or_default();
        registrars.insert(registrar.to_owned(), state);
    }

    pub fn unregistered(&mut self, extension: usize, registrar: &str) {
        if let Some(registrars) = self.registrations.get_mut(&extension) {
            registrars.remove(registrar);
        }
    }

    /// `true` if that is new.
    pub fn relay(&mut self, relay: RelayId, refuses: bool) -> bool {
        match refuses {
            true => self.refusing.insert(relay),
            false => self.refusing.remove(&relay),
        }
    }

    /// Registrars where the extension is registered.
    pub fn registrars(&self, extension: usize) -> impl Iterator<Item = &str> {
        let all = self.registrations.get(&extension).into_iter().flatten();
        all.filter(|(_, state)| state.is_ok())
            .map(|(registrar, _)| registrar.as_str())
    }

    /// Registrars where it is not, and the last cause of each.
    pub fn refusals(&self, extension: usize) -> impl Iterator<Item = (&str, &str)> {
        let all = self.registrations.get(&extension).into_iter().flatten();
        all.filter_map(|(registrar, state)| Some((registrar.as_str(), state.as_ref().err()?.as_str())))
    }
}

impl Control {
    /// Everything that is missing, in words.
    pub(super) fn faults(&self) -> Vec<String> {
        let cards = self.cards.down().map(|card| format!("sound card {card}"));
        let inputs = self.lines.down().map(|device| format!("audio input {device}"));
        let contacts = self
            .contacts
            .lost(&self.plan)
            .map(|contact| format!("contact {contact}"));
        let groups = self.groups.iter().zip(&self.plan.groups);
        let groups = groups.filter(|(group, _)| !group.is_joined());
        let groups = groups.map(|(_, settings)| format!("multicast group {}", settings.name));
        let extensions = self.plan.extensions.iter().enumerate();
        let extensions = extensions.filter(|(index, settings)| {
            !settings.registrars.is_empty() && self.health.registrars(*index).next().is_none()
        });
        let extensions = extensions.map(|(_, settings)| format!("registration of extension {}", settings.name));
        let relays = self.health.refusing.iter();
        let relays = relays.map(|relay| format!("relay {}", self.plan.relays[usize::from(relay.0)].name));
        let missing = self
            .relays
            .missing()
            .iter()
            .map(|relay| format!("relay {}", relay.relay));
        let addresses = self.health.missing_addresses(&self.plan);
        let addresses = addresses.into_iter().map(|ip| format!("listening address {ip}"));
        cards
            .chain(inputs)
            .chain(addresses)
            .chain(contacts)
            .chain(groups)
            .chain(extensions)
            .chain(relays)
            .chain(missing)
            .collect()
    }

    /// Tells the switchboard when that has changed.
    pub(super) fn look_after_health(&mut self, now: Instant) {
        if self.plan.relays.iter().all(|relay| relay.rules.shows.is_none()) {
            return;
        }
        let good = self.faults().is_empty();
        if self.health.told.replace(good) != Some(good) {
            self.switchboard.handle(Input::Health(good), now);
            self.settle(now);
        }
    }
}
