//! Contacts: bells and buttons that play a sound, and other systems that take over zones.

use std::time::{Duration, Instant};

use tokio::sync::mpsc::{self, Receiver, Sender};

use super::control::Control;
use super::pages::{Origin, Page};
use super::players::Player;
use super::ports::Reader;
use crate::config::plan::{InputLine, Plan};
use crate::device::contact::Contact;
use crate::page::{EndReason, Input, PageId, ZoneId};
use crate::report::message::{ContactMessage, Message};
use crate::sound::repeat::{FOR_EVER, Repeated};

/// Changes that wait for the control task; the watching of a contact waits with them.
const QUEUE: usize = 64;
/// Between attempts to have a line that cannot be had.
const AGAIN: Duration = Duration::from_secs(10);

/// What was seen of a contact.
enum Seen {
    /// Its line is there, or is again.
    Read,
    Closed(bool),
    Lost(String),
}

/// All contacts: those that play, then those that veto.
pub struct Contacts {
    seen: Receiver<(usize, Seen)>,
    /// So that the queue does not end where there is no contact.
    _queue: Sender<(usize, Seen)>,
    _watching: Vec<Reader>,
    closed: Vec<bool>,
    /// Its line cannot be read.
    lost: Vec<bool>,
    /// The page that each one plays.
    pages: Vec<Option<PageId>>,
    /// Zones that another system has.
    taken: Vec<bool>,
}

impl Contacts {
    /// Watches them from now on. Must be called inside a `LocalSet`.
    pub fn watch(plan: &Plan) -> Self {
        let (queue, seen) = mpsc::channel(QUEUE);
        let inputs = plan.contacts.iter().map(|contact| &contact.input);
        let inputs = inputs.chain(plan.vetoes.iter().map(|veto| &veto.input));
        let mut watching = Vec::new();
        for (index, input) in inputs.enumerate() {
            let task = tokio::task::spawn_local(watch(index, input.clone(), queue.clone()));
            watching.push(Reader::new(task));
        }
        let count = watching.len();
        Contacts {
            seen,
            _queue: queue,
            _watching: watching,
            closed: vec![false; count],
            lost: vec![false; count],
            pages: vec![None; count],
            taken: vec![false; plan.zones.len()],
        }
    }

    /// Lines of contacts that are closed.
    pub fn closed(&self, plan: &Plan) -> Vec<InputLine> {
        let closed = plan.contacts.iter().zip(&self.closed).filter(|(_, closed)| **closed);
        closed.map(|(contact, _)| contact.input.clone()).collect()
    }

    /// These were closed before, and ring for no closing until they have opened.
    pub fn follow(&mut self, plan: &Plan, closed: &[InputLine]) {
        for (contact, known) in plan.contacts.iter().zip(&mut self.closed) {
            let same =
                |before: &InputLine| before.line == contact.input.line && before.closed_low == contact.input.closed_low;
            *known |= closed.iter().any(same);
        }
    }

    /// What comes next.
    pub async fn next(&mut self) -> Option<Change> {
        let (index, seen) = self.seen.recv().await?;
        Some(Change(index, seen))
    }

    /// What the contact plays, from its beginning: once, if it has opened before its page could be heard.
    pub fn player(&self, index: usize, plan: &Plan, now: Instant) -> Option<Player> {
        let settings = &plan.contacts[index];
        let sound = settings.plays.sound(&plan.messages)?;
        let times = settings.times.unwrap_or(if self.closed[index] { FOR_EVER } else { 1 });
        let sound = Repeated::new(sound, times, settings.pause);
        Some(match times {
            FOR_EVER => Player::endless(sound, now),
            _ => Player::new(sound, now),
        })
    }

    /// Another system has the zone.
    pub fn has_taken(&self, zone: ZoneId) -> bool {
        self.taken.get(usize::from(zone.0)).copied().unwrap_or(false)
    }

    /// Names of those whose lines cannot be read.
    pub fn lost<'a>(&'a self, plan: &'a Plan) -> impl Iterator<Item = &'a str> {
        let names = plan.contacts.iter().map(|contact| &contact.name);
        let names = names.chain(plan.vetoes.iter().map(|veto| &veto.name));
        let lost = names.zip(&self.lost).filter(|(_, lost)| **lost);
        lost.map(|(name, _)| name.as_str())
    }

    /// The contact's page is over.
    pub fn spend(&mut self, index: usize, page: PageId) {
        if let Some(slot) = self.pages.get_mut(index).filter(|slot| **slot == Some(page)) {
            *slot = None;
        }
    }
}

/// Something that a contact did.
pub struct Change(usize, Seen);

async fn watch(index: usize, input: InputLine, queue: Sender<(usize, Seen)>) {
    let mut told = false;
    loop {
        let cause = match Contact::open(&input) {
            Err(cause) => cause,
            Ok(mut contact) => {
                told = false;
                let _ = queue.send((index, Seen::Read)).await;
                loop {
                    let _ = queue.send((index, Seen::Closed(contact.is_closed()))).await;
                    if let Err(cause) = contact.changed().await {
                        break cause;
                    }
                }
            }
        };
        if !std::mem::replace(&mut told, true) {
            let _ = queue.send((index, Seen::Lost(cause))).await;
        }
        tokio::time::sleep(AGAIN).await;
    }
}

impl Control {
    pub(super) fn on_contact(&mut self, change: Change, now: Instant) {
        let Change(index, seen) = change;
        let plays = index < self.plan.contacts.len();
        let name = match plays {
            true => self.plan.contacts[index].name.clone(),
            false => self.plan.vetoes[index - self.plan.contacts.len()].name.clone(),
        };
        if !matches!(seen, Seen::Closed(_)) {
            self.contacts.lost[index] = matches!(seen, Seen::Lost(_));
        }
        match seen {
            Seen::Read => self.tell(Message::Contact(ContactMessage::Read { contact: name })),
            // What it did last counts until it is read again.
            Seen::Lost(cause) => self.tell(Message::Contact(ContactMessage::Lost { contact: name, cause })),
            Seen::Closed(closed) => {
                if std::mem::replace(&mut self.contacts.closed[index], closed) == closed {
                    return;
                }
                match (plays, closed) {
                    (false, _) => self.vetoes_changed(&name, closed, now),
                    (true, true) => self.contact_closed(index, name, now),
                    (true, false) => self.contact_opened(index, now),
                }
            }
        }
        self.settle(now);
    }

    fn contact_closed(&mut self, index: usize, contact: String, now: Instant) {
        let settings = &self.plan.contacts[index];
        let is_open = match settings.hours.0.is_empty() {
            true => true,
            false => {
                let local = self.local_time();
                local.is_none_or(|at| self.plan.contacts[index].hours.is_open(at))
            }
        };
        self.tell(Message::Contact(ContactMessage::Closed { contact, is_open }));
        if !is_open || self.contacts.pages[index].is_some() {
            return;
        }
        let page = self.new_page();
        let entry = Page::of_sound(Origin::Contact(index), &self.plan, self.clock.shows());
        self.contacts.pages[index] = Some(page);
        self.bid(page, entry, now);
    }

    fn contact_opened(&mut self, index: usize, now: Instant) {
        let Some(page) = self.contacts.pages[index] else { return };
        let counts = self.plan.contacts[index].times.is_some();
        let Some(entry) = self.pages.get_mut(&page) else { return };
        // By what it plays: the config may have changed since.
        if !entry.player.as_ref().map_or(!counts, Player::is_endless) {
            return;
        }
        let has_voice = entry.has_voice();
        match &mut entry.player {
            Some(player) => player.end(),
            // Its zone is being woken: it is heard once.
            None if has_voice => {}
            None => {
                let reason = EndReason::Finished;
                self.switchboard.handle(Input::SourceEnded(page, reason), now);
            }
        }
    }

    fn vetoes_changed(&mut self, veto: &str, closed: bool, now: Instant) {
        let first = self.plan.contacts.len();
        let has = |zone: ZoneId, (n, closed): (usize, &bool)| *closed && self.plan.vetoes[n].zones.contains(&zone);
        let states = self.contacts.closed[first..].iter();
        let taken: Vec<bool> = (0..self.plan.zones.len())
            .map(|zone| states.clone().enumerate().any(|state| has(ZoneId(zone as u16), state)))
            .collect();
        let before = std::mem::replace(&mut self.contacts.taken, taken.clone());
        let mut zones = Vec::new();
        for (zone, (before, taken)) in before.into_iter().zip(taken).enumerate() {
            if before != taken {
                let id = ZoneId(zone as u16);
                let input = if taken {
                    Input::Vetoed(id)
                } else {
                    Input::VetoLifted(id)
                };
                self.switchboard.handle(input, now);
                self.hold_music(id, self.switchboard.zone(id).0);
                zones.push(self.plan.zones[zone].name.clone());
            }
        }
        let veto = veto.to_owned();
        self.tell(Message::Contact(match closed {
            true => ContactMessage::TookOver { veto, zones },
            false => ContactMessage::GaveBack { veto, zones },
        }));
    }
}
