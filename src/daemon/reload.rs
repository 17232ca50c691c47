//! A config that is read again while the program runs.

use std::time::{Duration, Instant};

use super::checker::Checker;
use super::control::Control;
use super::groups::Group;
use crate::config::diff::{self, Changes, Effort};
use crate::config::plan::{Plan, StoredMessage};
use crate::config::{Loaded, Severity};
use crate::page::{Input, RelayId, Switchboard, ZoneId};
use crate::report::message::{Message, ReloadMessage};
use crate::report::text::plural;
use crate::sound::engine::Command;

/// An audio thread has let go of a chime by then.
const LET_GO: Duration = Duration::from_secs(20);

/// What was read: a config with its problems, or why there is none.
pub type Reread = Result<Loaded, String>;

/// A plan that waits, and what is left of the one before.
#[derive(Default)]
pub struct Reload {
    waiting: Option<(Plan, Changes)>,
    /// The config that was read last cannot be used.
    pub is_refused: bool,
    /// Messages of former plans, that a card may still play: it must not be the one that frees them.
    former: Vec<(Instant, Vec<StoredMessage>)>,
}

impl Reload {
    /// What differs in the plan that waits until nothing is on; empty without one.
    pub fn waits(&self) -> &[String] {
        self.waiting.as_ref().map_or(&[], |(_, changes)| &changes.told)
    }
}

impl Control {
    /// Takes up what was read, now or later, or keeps to what there is; the journal tells.
    pub(super) fn on_reread(&mut self, reread: Reread, now: Instant) {
        let _ = self.service.reloading();
        self.reload.is_refused = !matches!(&reread, Ok(loaded) if loaded.plan.is_some());
        match reread {
            Err(cause) => self.tell(Message::Reload(ReloadMessage::Kept { cause })),
            Ok(loaded) => match loaded.plan {
                Some(plan) => self.on_plan(plan, now),
                None => {
                    let errors = loaded.problems.iter().filter(|p| p.severity == Severity::Error);
                    let count = errors.clone().count();
                    for problem in errors {
                        let problem = problem.line();
                        self.tell(Message::ConfigFault { problem });
                    }
                    let cause = format!("{} in it", plural(count, "error"));
                    self.tell(Message::Reload(ReloadMessage::Kept { cause }));
                }
            },
        }
        self.say_status(true);
    }

    fn on_plan(&mut self, plan: Plan, now: Instant) {
        let changes = diff::changes(&self.plan, &plan);
        // What waited before is overtaken.
        self.reload.waiting = None;
        if changes.are_none() {
            return self.tell(Message::Reload(ReloadMessage::TakenUp { what: Vec::new() }));
        }
        if changes.effort == Effort::AtOnce {
            return self.take_up(plan, changes, now);
        }
        if !self.is_idle(now) {
            let what = changes.told.clone();
            self.tell(Message::Reload(ReloadMessage::Waits { what }));
        }
        self.reload.waiting = Some((plan, changes));
        self.take_up_at_rest(now);
    }

    /// Nothing is on that refers to the plan.
    fn is_idle(&self, now: Instant) -> bool {
        self.pages.is_empty() && self.calls.is_empty() && self.switchboard.may_be_replaced(now)
    }

    /// Takes up a plan that has waited, once nothing is on.
    pub(super) fn take_up_at_rest(&mut self, now: Instant) {
        self.reload
            .former
            .retain(|(since, _)| now.saturating_duration_since(*since) < LET_GO);
        if self.reload.waiting.is_none() || self.is_leaving || !self.is_idle(now) {
            return;
        }
        let Some((plan, changes)) = self.reload.waiting.take() else {
            return;
        };
        match changes.effort {
            Effort::Anew => self.again = Some((plan, changes.told)),
            Effort::AtOnce | Effort::AtRest => self.take_up(plan, changes, now),
        }
    }

    fn take_up(&mut self, plan: Plan, changes: Changes, now: Instant) {
        let rest = changes.effort == Effort::AtRest;
        let checker = match changes.gates.then(|| Checker::start(&plan)).transpose() {
            Ok(checker) => checker,
            Err(error) => {
                let cause = format!("no thread for access codes: {error}");
                return self.tell(Message::Reload(ReloadMessage::Kept { cause }));
            }
        };
        let old = std::mem::replace(&mut self.plan, plan);
        if let Some(checker) = checker {
            self.checker = checker;
            self.gate.change(self.plan.gates(), now);
        }
        self.clock.change(&self.plan, now);
        if old.metrics != self.plan.metrics {
            self.scrapes.change();
        }
        self.expect_figures();
        self.change_gains(&old);
        if rest {
            self.change_groups(&old, now);
            self.change_switchboard(now);
        }
        self.reload.former.push((now, old.messages));
        self.tell(Message::Reload(ReloadMessage::TakenUp { what: changes.told }));
        self.settle(now);
    }

    fn change_gains(&mut self, old: &Plan) {
        for ((id, zone), before) in (0..=u16::MAX).zip(&self.plan.zones).zip(&old.zones) {
            if zone.gain != before.gain {
                let (zone, gain) = (ZoneId(id), zone.gain);
                self.cards.command(before.card, Command::Gain { zone, gain });
            }
        }
    }

    fn change_groups(&mut self, old: &Plan, now: Instant) {
        // What has come for a group may be another's now; there are no calls.
        self.drop_arrivals();
        let mut before: Vec<Option<Group>> = std::mem::take(&mut self.groups).into_iter().map(Some).collect();
        for (index, settings) in self.plan.groups.iter().enumerate() {
            // Its reader knows its place.
            let same = old.groups.get(index).filter(|old| old.is_received_as(settings));
            let kept = same.and_then(|_| before.get_mut(index)?.take());
            self.groups.push(kept.unwrap_or_else(|| Group::new(settings, now)));
        }
    }

    /// All zones are at rest: the new one begins there.
    fn change_switchboard(&mut self, now: Instant) {
        let before = std::mem::replace(&mut self.switchboard, Switchboard::new(self.plan.rules()));
        // Outputs that showed something were operated by the one before.
        for id in (0..=u16::MAX).take(self.plan.relays.len()).map(RelayId) {
            if before.relay(id) {
                self.move_relay(id, false);
            }
        }
        for (id, zone) in (0..=u16::MAX).zip(&self.plan.zones) {
            if !self.cards.is_up(zone.card) {
                self.switchboard.handle(Input::ZoneFailed(ZoneId(id)), now);
            }
            if self.contacts.has_taken(ZoneId(id)) {
                self.switchboard.handle(Input::Vetoed(ZoneId(id)), now);
            }
        }
        self.health.forget();
    }
}
