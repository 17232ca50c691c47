//! The caller's keys, whichever way they come: RFC 4733 events, INFO, or tones in the audio. Each is counted once.
//!
//! Many phones send a key in more ways than one: events while the tone stays in the audio, or a gateway that lets the
//! first 20 to 40 ms of the tone through before the event begins. So one way counts for the whole call:
//!
//! - Signalled keys (events, INFO) come before tones. Of the two the one that was heard first counts.
//! - Tones count until a signalled key is heard, and never after it. Signalled keys that only repeat tones already
//!   counted are passed over: they come in the same order, within [`EVENT_WITHIN`] or [`INFO_WITHIN`].
//! - A new sender (another SSRC, a sequence that began anew) begins anew.

mod ears;

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use super::event::{self, EventReader, Heard};
use super::{Format, Packet, PayloadMap};
use ears::Ears;

/// Keys that wait to be fetched; more than a person dials ahead. Beyond it new ones are lost.
pub const MAX_KEYS: usize = 64;
/// An event that repeats a tone begins with it, or is delayed by the network.
pub const EVENT_WITHIN: Duration = Duration::from_secs(1);
/// INFO is sent when the key is let go, and over UDP perhaps once more.
pub const INFO_WITHIN: Duration = Duration::from_secs(3);
/// Longest that audio is passed over because the last key is still held: who leans on it longer is heard with it.
pub const KEY_TAIL: Duration = Duration::from_secs(1);
/// Tones remembered as counted, for the signalled keys that may repeat them.
const MAX_REPEATS: usize = 16;

/// How a key came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// RFC 4733.
    Event,
    /// A SIP INFO request.
    Info,
    /// In-band DTMF (ITU-T Q.23).
    Tone,
}

/// The keypad of one call. Bounded memory; no packet makes it panic.
#[derive(Debug)]
pub struct Keypad {
    map: PayloadMap,
    events: EventReader,
    /// Highest sequence number of a packet with events.
    newest: u64,
    /// While tones are listened for.
    ears: Option<Box<Ears>>,
    heard: Vec<Heard>,
    /// The way that counts.
    way: Option<Way>,
    /// Tones that were counted and when, oldest first.
    tones: VecDeque<(char, Instant)>,
    keys: VecDeque<char>,
    /// Until when the last key may still be held.
    tail: Option<Instant>,
}

impl Keypad {
    /// `map`: what may arrive on the call.
    pub fn new(map: PayloadMap) -> Self {
        Keypad {
            map,
            events: EventReader::new(),
            newest: 0,
            ears: None,
            heard: Vec::new(),
            way: None,
            tones: VecDeque::new(),
            keys: VecDeque::new(),
            tail: None,
        }
    }

    /// Replaces the payload types (re-INVITE).
    pub fn set_map(&mut self, map: PayloadMap) {
        if map != self.map {
            self.map = map;
            let on = self.ears.is_some() && self.tail.is_none();
            self.tail = None;
            self.listen(false);
            self.listen(on);
        }
    }

    /// Takes a packet of the call as the [`super::Receiver`] gives it; its arrival is the time.
    pub fn packet(&mut self, packet: &Packet) {
        if packet.restart {
            self.events = EventReader::new();
            self.newest = 0;
            self.way = None;
            self.tones.clear();
        }
        if (matches!(self.way, None | Some(Way::Tone)) || self.tail.is_some())
            && let Some(mut ears) = self.ears.take()
        {
            ears.packet(packet);
            while let Some(key) = ears.poll() {
                self.toned(key, packet.arrival);
            }
            self.ears = Some(ears);
        }
        if self.map.format(packet.payload_type) == Some(Format::TelephoneEvent) {
            let marker = packet.marker && packet.seq > self.newest;
            self.newest = self.newest.max(packet.seq);
            self.event_packet(packet, marker);
        }
    }

    /// Takes a packet of the page that follows the dialling: gives to `page` what is not the last key's.
    ///
    /// A key is known before it is let go. The rest of its tone is passed over, at most for [`KEY_TAIL`]: packets that
    /// hold some of it, and audio while its event goes on. What comes behind it is whole and in order.
    pub fn page_packet(&mut self, packet: &Packet, mut page: impl FnMut(&Packet)) {
        let Some(until) = self.tail else {
            self.packet(packet);
            return page(packet);
        };
        self.packet(packet);
        let late = packet.arrival >= until;
        let in_event = self.is_in_event(packet.arrival);
        let is_over = late || !(in_event || self.ears.as_ref().is_some_and(|ears| ears.is_sounding()));
        let mut give = |packet: &Packet| {
            if late || !in_event {
                page(packet);
            }
        };
        match &mut self.ears {
            Some(ears) => ears.take_behind(is_over).for_each(|packet| give(&packet)),
            None => give(packet),
        }
        if is_over {
            self.tail = None;
            self.ears = None;
        }
    }

    fn is_in_event(&self, now: Instant) -> bool {
        self.events.poll_timeout().is_some_and(|lost| now < lost)
    }

    /// Takes events that come under an SSRC of their own ([`super::Received::Events`]).
    pub fn events(&mut self, packet: &Packet) {
        if self.map.format(packet.payload_type) == Some(Format::TelephoneEvent) {
            self.event_packet(packet, false);
        }
    }

    fn event_packet(&mut self, packet: &Packet, marker: bool) {
        let mut heard = std::mem::take(&mut self.heard);
        self.events.timeout(packet.arrival, &mut heard);
        self.events
            .marked_packet(packet.timestamp, marker, packet.payload(), packet.arrival, &mut heard);
        for heard in heard.drain(..) {
            if let Heard::Begin { code } = heard
                && let Some(key) = event::digit(code)
            {
                self.signalled(Way::Event, key, packet.arrival);
            }
        }
        self.heard = heard;
    }

    /// Takes the keys of an INFO request; characters that are on no keypad are passed over.
    pub fn info(&mut self, keys: &str, now: Instant) {
        for key in keys.chars().filter_map(event::code).filter_map(event::digit) {
            self.signalled(Way::Info, key, now);
        }
    }

    /// Whether tones in the audio are wanted too. They cost decoding, so it is off but while keys are asked for.
    /// Without a decoder for the call's codec there are none.
    pub fn listen(&mut self, on: bool) {
        match on {
            true if self.ears.is_none() => self.ears = Ears::new(self.map).ok().map(Box::new),
            true => {}
            false => self.ears = None,
        }
    }

    /// Keys are wanted no more: the page follows, by [`Keypad::page_packet`].
    pub fn end_dialling(&mut self, now: Instant) {
        self.ears
            .take_if(|ears| self.way != Some(Way::Tone) || !ears.is_sounding());
        if let Some(ears) = &mut self.ears {
            ears.keep_behind();
        }
        self.tail = (self.ears.is_some() || self.is_in_event(now)).then(|| now + KEY_TAIL);
    }

    /// The next key: `0` to `9`, `*`, `#`, `A` to `D`.
    pub fn poll(&mut self) -> Option<char> {
        self.keys.pop_front()
    }

    /// The way in which the call's keys come, once one was heard.
    pub fn way(&self) -> Option<Way> {
        self.way
    }

    fn signalled(&mut self, way: Way, key: char, now: Instant) {
        match self.way {
            Some(Way::Tone) | None => self.way = Some(way),
            Some(counted) if counted == way => {}
            Some(_) => return,
        }
        let within = if way == Way::Event { EVENT_WITHIN } else { INFO_WITHIN };
        while self
            .tones
            .front()
            .is_some_and(|(_, at)| now.saturating_duration_since(*at) > within)
        {
            self.tones.pop_front();
        }
        if let Some(place) = self.tones.iter().position(|(tone, _)| *tone == key) {
            // In order: tones before it that were not repeated will not be.
            self.tones.drain(..=place);
            return;
        }
        self.push(key);
    }

    fn toned(&mut self, key: char, at: Instant) {
        if !matches!(self.way, None | Some(Way::Tone)) {
            return;
        }
        self.way = Some(Way::Tone);
        if self.tones.len() == MAX_REPEATS {
            self.tones.pop_front();
        }
        self.tones.push_back((key, at));
        self.push(key);
    }

    fn push(&mut self, key: char) {
        if self.keys.len() < MAX_KEYS {
            self.keys.push_back(key);
        }
    }
}

#[cfg(test)]
mod tests;
