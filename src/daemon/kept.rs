//! What pages keep of their sound, to be played once a zone is free: the packets as they came, played as they came.

use std::cell::Cell;
use std::rc::Rc;
use std::time::{Duration, Instant};

use super::control::Control;
use super::ledger::Held;
use super::lines;
use super::pages::{Origin, Page};
use crate::media::{Packet, PayloadMap};
use crate::page::{EndReason, Input, KEPT_AGAIN, PageId};
use crate::report::message::{Message, PageMessage};
use crate::sound::tone::Tone;

/// Room for what all pages keep, octets; each packet counts with what it costs beside its payload.
pub const MAX_OCTETS: usize = 32 * 1024 * 1024;
/// And for what one keeps: 19 minutes of telephone speech, 160 s of L16 at 48 kHz.
pub const MAX_EACH: usize = MAX_OCTETS / 2;
/// A second of it takes no more; no audio that is played here needs so much.
const MOST_A_SECOND: f64 = 400_000.0;
const FIRST_OCTETS: f64 = 64_000.0;
const PACKET_COST: usize = 128;

/// Octets that all pages keep together.
#[derive(Debug, Clone, Default)]
pub struct Room(Rc<Cell<usize>>);

/// What one page keeps.
#[derive(Debug)]
pub struct Kept {
    pub map: PayloadMap,
    /// In order of arrival.
    packets: Vec<Packet<'static>>,
    octets: usize,
    room: Room,
    /// Nothing is added any more.
    is_whole: bool,
    /// The packet to be played next.
    next: usize,
    /// When it plays: arrival `0` is played at `1`.
    playing: Option<(Instant, Instant)>,
}

impl Kept {
    pub fn new(map: PayloadMap, room: Room) -> Self {
        Kept {
            map,
            packets: Vec::new(),
            octets: 0,
            room,
            is_whole: false,
            next: 0,
            playing: None,
        }
    }

    /// Keeps a packet, until the source has ended; `false` if there is no room.
    pub fn push(&mut self, packet: &Packet) -> bool {
        if self.is_whole {
            return true;
        }
        let cost = packet.payload().len() + PACKET_COST;
        let all = self.room.0.get() + cost;
        let first = self.packets.first().map_or(packet.arrival, |first| first.arrival);
        let elapsed = packet.arrival.saturating_duration_since(first).as_secs_f64();
        let own = self.octets + cost;
        if all > MAX_OCTETS || own > MAX_EACH || own as f64 > FIRST_OCTETS + MOST_A_SECOND * elapsed {
            return false;
        }
        self.room.0.set(all);
        self.octets += cost;
        self.packets.push(packet.clone().into_owned());
        true
    }

    /// The source has ended, or has to.
    pub fn close(&mut self) {
        self.is_whole = true;
    }

    /// Begins, or goes on, to play now.
    pub fn play(&mut self, now: Instant) {
        if self.playing.is_none() {
            // Of nothing, all has been played.
            let arrival = self.packets.get(self.next).map_or(now, |packet| packet.arrival);
            self.playing = Some((arrival, now));
        }
    }

    /// Stops until the next [`Kept::play`].
    pub fn pause(&mut self, now: Instant) {
        if let Some((arrival, began)) = self.playing.take() {
            let heard = (arrival + now.saturating_duration_since(began)).checked_sub(KEPT_AGAIN);
            let from = heard.map_or(0, |heard| self.packets.partition_point(|p| p.arrival < heard));
            self.next = self.next.min(from);
        }
    }

    /// When the next packet is to be played; once all have been, when that is to be told.
    pub fn due(&self) -> Option<Instant> {
        let (arrival, began) = self.playing?;
        let next = self.packets.get(self.next).or(self.packets.last());
        Some(began + next.map_or(Duration::ZERO, |next| next.arrival.saturating_duration_since(arrival)))
    }

    /// A packet that is due, as if it had just come.
    pub fn take(&mut self, now: Instant) -> Option<Packet<'static>> {
        let at = self.due().filter(|at| *at <= now)?;
        let mut packet = self.packets.get(self.next)?.clone();
        packet.arrival = at;
        self.next += 1;
        Some(packet)
    }

    /// All of it has been played; said once.
    pub fn is_over(&mut self) -> bool {
        self.next >= self.packets.len() && self.playing.take().is_some()
    }
}

impl Drop for Kept {
    fn drop(&mut self) {
        self.room.0.set(self.room.0.get().saturating_sub(self.octets));
    }
}

impl Control {
    /// The page is kept from now on; its talker is told.
    pub(super) fn keep(&mut self, page: PageId, now: Instant) {
        let Some(entry) = self.pages.get_mut(&page) else { return };
        let recent = entry.not_heard(now);
        entry.take_voice(page, &mut self.cards);
        let map = match entry.origin {
            Origin::Call { call, .. } => self.calls.get(&call).map(|leg| leg.payloads),
            Origin::Group(index) => Some(self.groups[index].map),
            _ => Some(lines::payload_map()),
        };
        let Some(map) = map else { return };
        let mut kept = Kept::new(map, self.room.clone());
        recent.iter().for_each(|packet| {
            kept.push(packet);
        });
        entry.kept = Some(kept);
        entry.go_ahead = true;
        let (origin, source) = (entry.origin, entry.origin.name(&self.plan).to_owned());
        if let Origin::Call { call, .. } = origin {
            self.listen_to(call, now);
            if let Some(leg) = self.calls.get_mut(&call) {
                leg.play(&Tone::recording(), false);
            }
        }
        self.note(page, true);
        self.tell(Message::Page(PageMessage::Recorded { page, source }));
    }

    /// Notes the page, for the next program to tell of should this one die.
    pub(super) fn note(&mut self, page: PageId, recorded: bool) {
        let Some(entry) = self.pages.get(&page) else { return };
        let held = Held {
            source: entry.origin.name(&self.plan).to_owned(),
            caller: entry.caller.clone(),
            since: self.clock.text(),
            recorded,
        };
        self.ledger.enter(page, held);
    }

    /// No more is kept of the page: its source ends, it does not.
    pub(super) fn enough(&mut self, page: PageId, reason: EndReason, now: Instant) {
        if let Some(kept) = self.pages.get_mut(&page).and_then(|entry| entry.kept.as_mut()) {
            kept.close();
        }
        self.end_source(page, reason, now);
    }

    /// A packet of the page's source found no room.
    pub(super) fn no_room(&mut self, page: PageId, now: Instant) {
        let reason = EndReason::NoRoom;
        self.switchboard.handle(Input::SourceEnded(page, reason), now);
        self.enough(page, reason, now);
        self.settle(now);
    }

    /// Hands over what is due of the pages that are played from what was kept.
    pub(super) fn replay(&mut self, now: Instant) {
        let due = |entry: &Page| entry.kept.as_ref().and_then(Kept::due).is_some_and(|at| at <= now);
        let mut over = Vec::new();
        for (id, entry) in self.pages.iter_mut().filter(|(_, entry)| due(entry)) {
            if entry.replay(now) {
                over.push(*id);
            }
        }
        for page in over {
            self.switchboard.handle(Input::Replayed(page), now);
            self.settle(now);
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::disallowed_methods)]

    use super::*;

    fn packet(seq: u64, at: Instant) -> Packet<'static> {
        Packet::new(seq, seq as u32 * 160, 0, at, &[0xD5; 160])
            .unwrap()
            .into_owned()
    }

    /// As many milliseconds apart as they came, from whenever they are played; paused, from half a second before.
    #[test]
    fn it_is_played_as_it_came() {
        let start = Instant::now();
        let ms = Duration::from_millis;
        let mut kept = Kept::new(PayloadMap::static_types(), Room::default());
        for n in 0..100u64 {
            // One came late.
            let late = if n == 50 { 15 } else { 0 };
            assert!(kept.push(&packet(n, start + ms(20 * n + late))));
        }
        assert_eq!(kept.due(), None);
        kept.close();
        assert!(kept.push(&packet(100, start + ms(2000))), "passed over");
        let later = start + ms(60_000);
        kept.play(later);
        let mut heard = Vec::new();
        for at in 0..1200 {
            while let Some(packet) = kept.take(later + ms(at)) {
                assert_eq!(packet.arrival, later + ms(at));
                heard.push(packet.seq);
            }
        }
        assert_eq!(heard, (0..60).collect::<Vec<u64>>());
        kept.pause(later + ms(1200));
        assert_eq!(kept.due(), None);
        let again = start + ms(120_000);
        kept.play(again);
        assert_eq!(kept.take(again).map(|p| p.seq), Some(35));
        assert!(!kept.is_over());
        let end = again + ms(10_000);
        assert_eq!(std::iter::from_fn(|| kept.take(end)).last().map(|p| p.seq), Some(99));
        assert!(kept.is_over() && !kept.is_over());
    }

    #[test]
    fn all_pages_together_have_so_much_room() {
        let now = Instant::now();
        let room = Room::default();
        let mut pages: Vec<Kept> = (0..3)
            .map(|_| Kept::new(PayloadMap::static_types(), room.clone()))
            .collect();
        let at = |n: usize| now + Duration::from_millis(20) * (n / 3) as u32;
        let mut count = 0;
        while pages[count % 3].push(&packet(count as u64, at(count))) {
            count += 1;
        }
        assert_eq!(count, MAX_OCTETS / (160 + PACKET_COST));
        pages.pop();
        assert!(pages[0].push(&packet(0, at(count))));
        drop(pages);
        assert_eq!(room.0.get(), 0);
    }

    /// One page has half of the room at most, and faster than any audio it has nearly none.
    #[test]
    fn a_page_alone_does_not_take_all_room() {
        let now = Instant::now();
        let fill = |every: Duration| {
            let mut kept = Kept::new(PayloadMap::static_types(), Room::default());
            (0..)
                .take_while(|n| kept.push(&packet(*n, now + every * *n as u32)))
                .count()
        };
        let cost = 160 + PACKET_COST;
        assert_eq!(fill(Duration::from_millis(20)), MAX_EACH / cost);
        assert!(fill(Duration::from_micros(10)) < 300);
    }

    /// Of nothing all has been played, at once and once.
    #[test]
    fn nothing_is_played_at_once() {
        let now = Instant::now();
        let mut kept = Kept::new(PayloadMap::static_types(), Room::default());
        kept.close();
        assert!(kept.due().is_none() && !kept.is_over());
        kept.play(now);
        assert_eq!(kept.due(), Some(now));
        assert!(kept.take(now).is_none() && kept.is_over() && !kept.is_over());
    }
}
