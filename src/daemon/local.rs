//! What the local command asks of the control task.

use std::sync::Arc;
use std::time::Instant;

use serde_json::{Value, json};

use super::control::Control;
use super::desk::{Announced, Announcement, Ask, Wish};
use super::pages::{Announced as Prepared, Page};
use super::status::standing;
use crate::config::plan::{ANNOUNCED_AGAIN, Plan};
use crate::page::{EndReason, Input, PageId, Priority, ZoneId};
use crate::report::message::{LocalMessage, Message};
use crate::report::record::reason_text;
use crate::sound::engine::Sound;
use crate::sound::level::Db;
use crate::sound::recording::{Player, Repeats};
use crate::sound::repeat::Repeated;

/// Files that are being announced may take so much together.
const MAX_MEMORY: usize = 64 * 1024 * 1024;

impl Control {
    pub(super) fn on_wish(&mut self, wish: Wish, now: Instant) {
        let answer = match wish.ask {
            Ask::Status => self.status(now).json(),
            Ask::Stop(page) => self.stop_page(page, wish.uid, now),
            Ask::Announce(announcement) => match self.announce(announcement, wish.uid, now) {
                Ok(answer) => answer,
                Err(error) => json!({ "error": error }),
            },
            Ask::Test(test) => (self.test(&test, wish.uid, now)).unwrap_or_else(|error| json!({ "error": error })),
            Ask::EndTest(page) => self.end_test(page, now),
            Ask::Ring(schedule) => {
                (self.ring_by_hand(&schedule, wish.uid, now)).unwrap_or_else(|error| json!({ "error": error }))
            }
            Ask::Operate(operate) => {
                (self.operate(&operate, wish.uid, now)).unwrap_or_else(|error| json!({ "error": error }))
            }
        };
        // Who asked may be gone.
        let _ = wish.answer.send(answer);
    }

    fn stop_page(&mut self, page: PageId, uid: u32, now: Instant) -> Value {
        let Some(entry) = self.pages.get(&page).filter(|entry| entry.record.is_none()) else {
            return json!({ "error": format!("there is no page {}", page.0) });
        };
        let source = entry.origin.name(&self.plan).to_owned();
        self.tell(Message::Local(LocalMessage::Stopped {
            page,
            source: source.clone(),
            uid,
        }));
        self.switchboard.handle(Input::Stop(page, EndReason::Operator), now);
        self.settle(now);
        json!({ "page": page.0, "source": source, "state": "stopped" })
    }

    fn announce(&mut self, wanted: Announcement, uid: u32, now: Instant) -> Result<Value, String> {
        let zones = zones(&self.plan, &wanted.zones)?;
        let memory = match &wanted.sound {
            Announced::File(recording) => recording.memory(),
            Announced::Named(_) => 0,
        };
        let held = self.pages.values().filter_map(|page| page.announcement.as_ref());
        if held.map(|announcement| announcement.memory).sum::<usize>() + memory > MAX_MEMORY {
            return Err("too much is being announced; try again when some of it is over".to_owned());
        }
        let sound = sound(&self.plan, wanted.sound)?;
        let priority = wanted.priority.map_or(self.plan.control.paging.priority, Priority);
        let page = self.new_page();
        let caller = format!("uid {uid}");
        let mut entry = Page::of_local(zones, priority, caller, self.clock.shows());
        entry.announcement = Some(Prepared {
            sound: Repeated::new(sound, wanted.times, ANNOUNCED_AGAIN),
            memory,
        });
        self.tell(Message::Local(LocalMessage::Announces { page, uid }));
        self.bid(page, entry, now);
        self.settle(now);
        Ok(self.state_of(page))
    }

    /// How a page stands that has just been bid for.
    pub(super) fn state_of(&self, page: PageId) -> Value {
        let status = self.switchboard.pages().find(|status| status.page == page);
        if let Some(status) = status {
            return json!({ "page": page.0, "state": standing(&status) });
        }
        let refusal = self.desk.refusal.filter(|(refused, _)| *refused == page);
        let why = refusal.map_or("its sound card", |(_, why)| reason_text(why.reason()));
        json!({ "page": page.0, "state": "refused", "why": why })
    }
}

pub(super) fn zones(plan: &Plan, names: &[String]) -> Result<Vec<ZoneId>, String> {
    let zones = plan.zones_of(names).map_err(|name| {
        let known: Vec<&str> = plan.zone_names().collect();
        format!("there is no zone {name:?}; there are {}", known.join(", "))
    })?;
    match zones.is_empty() {
        true => Err("which zones?".to_owned()),
        false => Ok(zones),
    }
}

fn sound(plan: &Plan, announced: Announced) -> Result<Sound, String> {
    match announced {
        Announced::File(recording) => {
            let gain = Db(recording.levelling().0);
            Ok(Sound::Message(Player::new(Arc::clone(&recording), gain, Repeats::ONCE)))
        }
        Announced::Named(name) => {
            let played = plan.played_named(&name);
            played.and_then(|played| played.sound(&plan.messages)).ok_or_else(|| {
                let known: Vec<&str> = plan.played_names().collect();
                format!("there is no message {name:?}; there are {}", known.join(", "))
            })
        }
    }
}
