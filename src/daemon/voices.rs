//! The control task's dealings with the switchboard and the cards: what is heard where, and its record.

use std::collections::VecDeque;
use std::net::SocketAddr;
use std::time::Instant;

use super::What;
use super::control::Control;
use super::groups::Stream;
use super::lines;
use super::pages::{Origin, Page};
use super::players::Player;
use super::ports::{Arrival, Port};
use super::schedules;
use crate::media::{Format, PayloadMap, Received, static_name};
use crate::page::{EndReason, Input, Loss, Output, PageId, Refusal, RelayId, ZoneId};
use crate::report::message::{Message, PageMessage};
use crate::report::record::Barrier;
use crate::sound::engine::{Command, Report};
use crate::sound::tone::Tone;

impl Control {
    /// A datagram on an RTP port.
    pub(super) fn on_rtp(&mut self, arrival: Arrival, now: Instant) {
        let mut arrival = arrival;
        match arrival.port {
            Port::Call(call) => {
                if self.is_own_port(arrival.peer) {
                    return;
                }
                let Some(leg) = self.calls.get_mut(&call) else { return };
                let (peer, at) = (arrival.peer, arrival.at);
                let Some(octets) = leg.open(&mut arrival, |ip| self.agent.lets_in(ip)) else {
                    return;
                };
                let packet = match leg.receiver.handle(octets, at) {
                    Received::Packet { packet, .. } => packet,
                    Received::Events(packet) => {
                        leg.keypad.events(&packet);
                        return self.take_keys(call, now);
                    }
                    Received::Unknown(payload_type) => {
                        // What was agreed on: the static types beside it are for packets that were underway when that changed.
                        let agreed = leg.agreed.map_or(leg.payloads, |agreed| agreed.payloads);
                        let (extension, map) = (leg.extension, agreed);
                        let source = self.plan.extensions[extension].name.clone();
                        let zones = self.pages.get(&leg.page).map(|entry| entry.zones().to_vec());
                        return self.tell_not_decoded(source, zones.unwrap_or_default(), peer, payload_type, &map, now);
                    }
                    _ => return,
                };
                leg.lock.valid(peer, leg.receiver.ssrc(), at);
                let page = leg.page;
                if leg.held {
                    while leg.receiver.take_kept().is_some() {}
                    return;
                }
                if !self.has_page(page) {
                    return self.at_the_dial_pad(call, &packet, now);
                }
                let Some(leg) = self.calls.get_mut(&call) else { return };
                let mut fits = true;
                if let Some(entry) = self.pages.get_mut(&page) {
                    while let Some(kept) = leg.receiver.take_kept() {
                        leg.keypad.page_packet(&kept, |p| fits &= entry.feed(p));
                    }
                    leg.keypad.page_packet(&packet, |p| fits &= entry.feed(p));
                }
                if !fits {
                    self.no_room(page, now);
                }
                self.take_keys(call, now);
                self.switchboard.handle(Input::Packet(page), now);
            }
            Port::Group(index) => self.on_group_rtp(index, arrival, now),
        }
    }

    /// Whether RTP from there is our own: a far end named one of our ports as its own, and would be kept on by our
    /// tones.
    fn is_own_port(&self, peer: SocketAddr) -> bool {
        self.calls.values().any(|leg| leg.is_sent_from(peer))
    }

    fn on_group_rtp(&mut self, index: usize, arrival: Arrival, now: Instant) {
        let Arrival {
            peer, mut octets, at, ..
        } = arrival;
        if index >= self.groups.len() || !self.hears_sender(index, peer, now) {
            return;
        }
        let opened = self.groups[index].open(&mut octets, at);
        let Ok(octets) = opened else {
            if self.groups[index].may_tell(at) {
                self.tell(Message::GroupNotAuthentic {
                    group: self.plan.groups[index].name.clone(),
                    peer,
                    cause: opened.err().map(|why| why.to_string()).unwrap_or_default(),
                });
            }
            return;
        };
        let packet = match self.groups[index].receiver.handle(octets, at) {
            Received::Packet { packet, .. } => packet,
            Received::Unknown(payload_type) => {
                let map = self.groups[index].map;
                let source = self.plan.groups[index].name.clone();
                let zones = self.plan.groups[index].paging.zones.clone();
                return self.tell_not_decoded(source, zones, peer, payload_type, &map, now);
            }
            _ => return,
        };
        self.groups[index].heard(peer);
        if self.groups[index].stream == Stream::Silent {
            let codec = self.groups[index].codec_name(&packet);
            self.bid_for_group(index, codec, now);
            self.settle(now);
        }
        let group = &mut self.groups[index];
        let page = match group.stream {
            Stream::Page(page) => page,
            Stream::Silent | Stream::Spent => {
                while group.receiver.take_kept().is_some() {}
                return;
            }
        };
        let mut fits = true;
        if let Some(entry) = self.pages.get_mut(&page) {
            while let Some(kept) = group.receiver.take_kept() {
                fits &= entry.feed(&kept);
            }
            fits &= entry.feed(&packet);
        }
        if !fits {
            self.no_room(page, now);
        }
        self.switchboard.handle(Input::Packet(page), now);
    }

    /// Once for each source, sender and payload type in a long time, and few altogether.
    fn tell_not_decoded(
        &mut self,
        source: String,
        zones: Vec<ZoneId>,
        peer: SocketAddr,
        payload_type: u8,
        map: &PayloadMap,
        now: Instant,
    ) {
        // Comfort noise may come unasked (RFC 3389 §4).
        let who = format!("{source} {} {payload_type}", peer.ip());
        if static_name(payload_type) == Some("CN") || !self.not_decoded.is_news(&who, "", now) {
            return;
        }
        let taken: Vec<String> = map.iter().filter_map(audio_type).collect();
        self.tell(Message::NotDecoded {
            zones: self.zone_names(&zones),
            source,
            peer,
            payload_type: match static_name(payload_type) {
                Some(name) => format!("{payload_type} ({name})"),
                None => payload_type.to_string(),
            },
            taken: taken.join(", "),
        });
    }

    fn bid_for_group(&mut self, index: usize, codec: &'static str, now: Instant) {
        let page = self.new_page();
        let peer = self.groups[index].peer;
        let caller = peer.map(|p| p.to_string()).unwrap_or_default();
        let mut entry = Page::of_group(index, &self.plan, caller, peer, self.clock.shows());
        entry.codec = Some(codec);
        entry
            .protection
            .note(self.plan.groups[index].srtp.map(|m| m.suite()), true);
        if let Some(peer) = peer {
            self.tell(Message::StreamHeard {
                group: self.plan.groups[index].name.clone(),
                peer,
                codec,
            });
        }
        self.groups[index].stream = Stream::Page(page);
        self.bid(page, entry, now);
    }

    /// Enters a page and bids for its zones.
    pub(super) fn bid(&mut self, page: PageId, mut entry: Page, now: Instant) {
        let wall = self.wall();
        let bid = entry.bid(page, &self.plan, wall);
        entry.barred.clone_from(&bid.barred);
        entry.recent = (bid.terms.cut == Loss::Keep).then(VecDeque::new);
        entry.chime = entry.origin.paging(&self.plan).chime.sound(&self.plan.messages);
        self.pages.insert(page, entry);
        self.switchboard.handle(Input::Bid(bid), now);
    }

    /// Ends a group's stream once it has been silent for its idle time.
    pub(super) fn end_silent_stream(&mut self, index: usize, now: Instant) {
        let settings = &self.plan.groups[index];
        let group = &mut self.groups[index];
        let silent = group
            .receiver
            .last_packet()
            .is_some_and(|last| last + settings.idle <= now);
        if !silent || group.stream == Stream::Silent {
            return;
        }
        let stream = group.stream;
        let (figures, opened) = (group.receiver.figures(), group.opened());
        group.reset();
        if let Some(peer) = group.peer {
            let group = settings.name.clone();
            self.tell(Message::StreamEnded { group, peer });
        }
        if let Stream::Page(page) = stream {
            if let Some(entry) = self.pages.get_mut(&page) {
                entry.reception = figures;
                entry.opened = opened;
            }
            self.switchboard
                .handle(Input::SourceEnded(page, EndReason::StreamEnded), now);
            self.settle(now);
        }
    }

    pub(super) fn on_switchboard(&mut self, output: Output, now: Instant) {
        match output {
            Output::Admitted { page } => self.admitted(page, now),
            Output::Waiting { page } => {
                if let Some(entry) = self.pages.get_mut(&page) {
                    entry.take_voice(page, &mut self.cards);
                    entry.go_ahead = false;
                    entry.player = None;
                    entry.forget_recent();
                    let (origin, source) = (entry.origin, entry.origin.name(&self.plan).to_owned());
                    let (caller, zones) = (entry.caller.clone(), entry.zones().to_vec());
                    match &mut entry.kept {
                        Some(kept) => kept.pause(now),
                        None => self.waits(origin, now),
                    }
                    let zones = self.zone_names(&zones);
                    let behind = self.switchboard.kept_from(page).map(|why| self.barrier(why));
                    self.tell(Message::Page(PageMessage::Waits {
                        page,
                        source,
                        caller,
                        zones,
                        behind,
                    }));
                }
            }
            Output::Keep { page } => self.keep(page, now),
            Output::Enough { page, reason } => self.enough(page, reason, now),
            Output::Warn { page } => {
                if let Some(Origin::Call { call, .. }) = self.pages.get(&page).map(|p| p.origin)
                    && let Some(leg) = self.calls.get_mut(&call)
                {
                    leg.play(&Tone::warning(), false);
                }
            }
            Output::Refused { page, why } => {
                let Some(entry) = self.pages.get(&page) else { return };
                match entry.origin {
                    Origin::Call { call, .. } => self.turn_down(call, why, now),
                    Origin::Group(index) => self.spend_stream(index, page),
                    Origin::Line(index) => self.lines.spend(index, page),
                    Origin::Contact(index) => self.contacts.spend(index, page),
                    Origin::Schedule(_) | Origin::Local | Origin::Test => self.desk.refusal = Some((page, why)),
                }
            }
            Output::Relay { relay, operated } => {
                self.move_relay(relay, operated);
            }
            Output::Phase { zone, phase, page } => {
                self.hold_music(zone, phase);
                self.moment(What::Phase { zone, phase, page });
            }
            Output::Chime { zone, page } => {
                let gain = self.lowered(zone, page);
                if let Some(entry) = self.pages.get(&page)
                    && let Some(sound) = entry.chime.clone()
                {
                    let chime = Command::Chime {
                        zone,
                        page,
                        sound,
                        gain,
                    };
                    entry.to_zone(zone, &self.plan, &mut self.cards, chime);
                }
            }
            Output::Speak { zone, page, under } => self.speak(zone, page, under, now),
            Output::Silence { zone, page } => {
                if let Some(entry) = self.pages.get(&page) {
                    entry.to_zone(zone, &self.plan, &mut self.cards, Command::Silence { zone, page });
                }
            }
            Output::Drain { page } => {
                if let Some(entry) = self.pages.get_mut(&page) {
                    entry.drain(page, &mut self.cards);
                }
            }
            Output::Ended { page, reason } => self.page_ended(page, reason, now),
            Output::Record(record) => {
                let page = record.page;
                self.ledger.strike(page);
                if let Some(entry) = self.pages.get_mut(&page) {
                    entry.finish(record, now);
                }
                self.write_records(now);
            }
        }
    }

    fn admitted(&mut self, page: PageId, now: Instant) {
        self.note(page, false);
        let Some(entry) = self.pages.get(&page) else { return };
        // Cut, it goes on below others: its voice holds what has not been heard.
        if entry.has_voice() {
            return;
        }
        let map = match (self.kept_map(page), entry.origin) {
            (Some(kept), _) => kept,
            (None, Origin::Call { call, .. }) => return self.answer(call, now),
            (None, Origin::Group(index)) => self.groups[index].map,
            (None, _) => lines::payload_map(),
        };
        self.give_voice(page, map, now);
    }

    pub(super) fn move_relay(&mut self, relay: RelayId, operated: bool) {
        let result = self.relays.set(relay, operated);
        if result.is_ok() {
            let now = super::now();
            self.seen.moved.insert(relay, now);
            self.switchboard.relay_was_moved(relay, now);
        }
        let is_news = self.health.relay(relay, result.is_err());
        let settings = &self.plan.relays[usize::from(relay.0)];
        self.metrics.relay(&settings.name, operated, result.is_ok());
        let blinks = settings
            .rules
            .shows
            .as_ref()
            .is_some_and(|shows| shows.blinks.is_some());
        match result {
            // They would fill the journal.
            Ok(()) if blinks => {}
            Err(_) if blinks && !is_news => {}
            Ok(()) => self.tell(Message::RelayMoved {
                relay: settings.name.clone(),
                operated,
            }),
            Err(fault) => self.tell(Message::RelayFault {
                relay: fault.relay.clone(),
                cause: fault.to_string(),
            }),
        }
        self.moment(What::Relay { relay, operated });
    }

    /// What the page has been kept as, if it has been.
    fn kept_map(&self, page: PageId) -> Option<PayloadMap> {
        self.pages.get(&page)?.kept.as_ref().map(|kept| kept.map)
    }

    /// Who speaks live is to wait: a caller hears it.
    fn waits(&mut self, origin: Origin, now: Instant) {
        if let Origin::Call { call, .. } = origin {
            self.listen_to(call, now);
            if let Some(leg) = self.calls.get_mut(&call) {
                leg.play(&Tone::waiting(), true);
            }
        }
    }

    fn speak(&mut self, zone: crate::page::ZoneId, page: PageId, under: bool, now: Instant) {
        let mut gain = self.lowered(zone, page);
        let Some(entry) = self.pages.get_mut(&page) else { return };
        if under {
            gain.0 += entry.origin.paging(&self.plan).under.0;
        }
        entry.speak(page, zone, gain, &mut self.cards);
        if let Some(kept) = &mut entry.kept {
            kept.play(now);
            entry.go_ahead = true;
        } else if entry.player.is_none() {
            entry.player = match entry.origin {
                Origin::Contact(index) => self.contacts.player(index, &self.plan, now),
                Origin::Schedule(index) => schedules::player(index, &self.plan, now),
                _ => {
                    let sound = entry.announcement.as_ref().map(|announced| announced.sound.clone());
                    sound.map(|sound| Player::new(sound, now))
                }
            };
        }
        let (source, caller) = (entry.origin.name(&self.plan).to_owned(), entry.caller.clone());
        if let Origin::Call { call, .. } = entry.origin
            && !std::mem::replace(&mut entry.go_ahead, true)
            && let Some(leg) = self.calls.get_mut(&call)
        {
            leg.play(&Tone::go_ahead(), false);
        }
        let zone = self.zone_names(&[zone]).concat();
        self.tell(Message::Page(PageMessage::Began {
            page,
            source,
            caller,
            zone,
        }));
    }

    pub(super) fn zone_names(&self, zones: &[ZoneId]) -> Vec<String> {
        let name = |zone: &ZoneId| self.plan.zones[usize::from(zone.0)].name.clone();
        zones.iter().map(name).collect()
    }

    /// What kept a page from a zone, as the journal tells it.
    pub(super) fn barrier(&self, why: Refusal) -> Barrier {
        match why {
            Refusal::Busy(page) => {
                let source = self.pages.get(&page).map(|entry| entry.origin.name(&self.plan));
                Barrier::Page(page, source.map(str::to_owned))
            }
            Refusal::Vetoed => Barrier::Veto,
            Refusal::QuietHours => Barrier::QuietHours(None),
            _ => Barrier::Card,
        }
    }

    /// Gives a page its voice; a page that cannot have one ends.
    pub(super) fn give_voice(&mut self, page: PageId, map: PayloadMap, now: Instant) {
        let Some(entry) = self.pages.get_mut(&page) else { return };
        if let Err(cause) = entry.give_voice(page, &map, &self.plan, &self.talkers, &mut self.cards) {
            self.tell(Message::Page(PageMessage::NoDecoder { page, cause }));
            self.switchboard.handle(Input::Stop(page, EndReason::DeviceFault), now);
        }
    }

    fn page_ended(&mut self, page: PageId, reason: EndReason, now: Instant) {
        if let Some(entry) = self.pages.get_mut(&page) {
            entry.take_voice(page, &mut self.cards);
        }
        self.end_source(page, reason, now);
    }

    /// Ends the page's call, or hears its stream no more.
    pub(super) fn end_source(&mut self, page: PageId, reason: EndReason, now: Instant) {
        let Some(entry) = self.pages.get_mut(&page) else { return };
        match entry.origin {
            Origin::Call { call, .. } => {
                if let Some(leg) = self.calls.get(&call) {
                    entry.reception = leg.receiver.figures();
                    entry.opened = leg.opened();
                }
                self.end_call(call, reason, now);
            }
            Origin::Group(index) => {
                if self.groups[index].stream == Stream::Page(page) {
                    entry.reception = self.groups[index].receiver.figures();
                    entry.opened = self.groups[index].opened();
                }
                self.spend_stream(index, page);
            }
            Origin::Schedule(_) | Origin::Local | Origin::Test => entry.player = None,
            Origin::Contact(index) => {
                entry.player = None;
                self.contacts.spend(index, page);
            }
            Origin::Line(index) => {
                if self.lines.has(index, page) {
                    entry.reception = self.lines.reception(index);
                }
                self.lines.spend(index, page);
            }
        }
    }

    /// The group's page is over while its sender goes on.
    fn spend_stream(&mut self, index: usize, page: PageId) {
        let stream = &mut self.groups[index].stream;
        if *stream == Stream::Page(page) {
            *stream = Stream::Spent;
        }
    }

    /// What the audio threads tell.
    pub(super) fn card_reports(&mut self, now: Instant) {
        while let Some((card, report)) = self.cards.report() {
            match report {
                Report::Heard {
                    page,
                    speech,
                    level,
                    levelled,
                    busy,
                    figures,
                } => {
                    if let Some(entry) = self.pages.get_mut(&page) {
                        entry.note(card, &figures);
                        entry.levelled = levelled.or(entry.levelled);
                        // A test's would be that of its generator.
                        if !entry.is_test() {
                            entry.level = Some(entry.level.map_or(level, |l| if l.0 >= level.0 { l } else { level }));
                        }
                    }
                    if speech {
                        self.switchboard.handle(Input::Speech(page), now);
                    }
                    if busy {
                        self.switchboard.handle(Input::Stop(page, EndReason::BusyTone), now);
                    }
                }
                Report::Meter { zone, reading } => self.seen.meters.note(zone, reading, now),
                Report::Drained(page) => {
                    if self.pages.get_mut(&page).is_some_and(|entry| entry.drained(card)) {
                        self.switchboard.handle(Input::Drained(page), now);
                    }
                }
                Report::Spent(voice) => {
                    if let Some(entry) = self.pages.get_mut(&voice.page) {
                        entry.spent(card, &voice.playout.figures());
                    }
                }
            }
            self.settle(now);
        }
    }
}

/// "0 (PCMU)".
fn audio_type((payload_type, format): (u8, Format)) -> Option<String> {
    match format {
        Format::Audio(codec) => Some(format!("{payload_type} ({})", codec.name())),
        Format::TelephoneEvent | Format::ComfortNoise => None,
    }
}
