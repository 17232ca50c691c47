//! Sounds at set times.

use std::time::Instant;

use super::control::Control;
use super::pages::{Origin, Page};
use super::players::Player;
use crate::config::plan::Plan;
use crate::page::{Input, PageId, Standing};
use crate::report::message::{ClockMessage, Message};
use crate::sound::repeat::Repeated;

/// What the schedule plays, from its beginning.
pub fn player(index: usize, plan: &Plan, now: Instant) -> Option<Player> {
    let settings = &plan.schedules[index];
    let sound = settings.plays.sound(&plan.messages)?;
    Some(Player::new(Repeated::new(sound, settings.times, settings.pause), now))
}

impl Control {
    /// Lets quiet hours that have begun, or are over, count for pages that are still to be heard.
    pub(super) fn keep_quiet(&mut self, now: Instant) {
        if self.plan.quiet_hours.is_empty() || self.pages.is_empty() {
            return;
        }
        let Some(wall) = self.wall() else { return };
        let waits = self
            .switchboard
            .pages()
            .filter(|status| status.standing == Standing::Waiting);
        for page in waits.map(|status| status.page).collect::<Vec<PageId>>() {
            let Some(entry) = self.pages.get_mut(&page) else {
                continue;
            };
            let barred = entry.barred_at(&self.plan, wall);
            if std::mem::replace(&mut entry.barred, barred.clone()) != barred {
                self.switchboard.handle(Input::Barred(page, barred), now);
            }
        }
    }

    /// Bids for what has fallen due.
    pub(super) fn ring(&mut self, now: Instant) {
        self.keep_quiet(now);
        let Some(stretch) = self.passed(now) else { return };
        for index in 0..self.plan.schedules.len() {
            let timetable = &self.plan.schedules[index].timetable;
            if timetable.within(stretch, &self.clock.zone).next().is_none() {
                continue;
            }
            let schedule = self.plan.schedules[index].name.clone();
            self.tell(Message::Clock(ClockMessage::Due { schedule }));
            let page = self.new_page();
            self.ring_now(index, page, now);
        }
    }

    pub(super) fn ring_now(&mut self, schedule: usize, page: PageId, now: Instant) {
        let entry = Page::of_sound(Origin::Schedule(schedule), &self.plan, self.clock.shows());
        self.bid(page, entry, now);
        self.settle(now);
    }
}
