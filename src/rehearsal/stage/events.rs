//! What happens: events of the scenario, schedules, and what their sources do.

use std::time::Duration;

use super::*;

const OUTSIDE: &str = "outside its hours";

/// One more, or one less, that has a zone; `true` for the first one and after the last.
fn count(those: &mut u32, more: bool) -> bool {
    let before = *those;
    *those = if more { before + 1 } else { before.saturating_sub(1) };
    matches!((before, *those), (0, 1) | (1, 0))
}

impl Stage<'_> {
    /// When the next minute of the clock begins, it is looked at.
    pub(super) fn next_minute(&mut self) {
        let into = self.moment().as_nanosecond().rem_euclid(60_000_000_000);
        let left = MINUTE - Duration::from_nanos(u64::try_from(into).unwrap_or_default());
        self.due(self.now + left, Due::Minute(self.settings));
    }

    pub(super) fn minute(&mut self) {
        self.next_minute();
        self.keep_quiet();
        self.look_at_the_clock();
    }

    /// Lets quiet hours that have begun, or are over, count for pages that are still to be heard.
    pub(super) fn keep_quiet(&mut self) {
        let Some(wall) = self.wall().filter(|_| !self.plan.quiet_hours.is_empty()) else {
            return;
        };
        let waits = self.board.pages().filter(|status| status.standing == Standing::Waiting);
        for page in waits.map(|status| status.page).collect::<Vec<PageId>>() {
            let (Some(actor), Some(story)) = (self.actors.get(&page), self.story.page(page)) else {
                continue;
            };
            let zones = story.zones.clone();
            let barred = actor.speaker.barred(self.plan, &zones, story.priority, wall);
            for zone in zones {
                self.note_quiet(page, zone, true);
            }
            self.board.handle(Input::Barred(page, barred), self.now);
        }
    }

    fn look_at_the_clock(&mut self) {
        let moment = self.moment();
        let stretch = match self.clock.advance(Some(moment)) {
            Passed::Nothing | Passed::SetBack(_) => return,
            Passed::Time(stretch) | Passed::Skipped(stretch, _) => stretch,
        };
        for (index, schedule) in self.plan.schedules.iter().enumerate() {
            if schedule.timetable.within(stretch, &self.story.zone).next().is_none() {
                continue;
            }
            self.line(format!("schedule {} is due", schedule.name));
            let sound = schedule.plays.sound(&self.plan.messages);
            let runs = Runs {
                length: sound.map_or(Duration::ZERO, |sound| sound.length()),
                pause: schedule.pause,
                times: Some(schedule.times),
            };
            self.bid_for_sound(Speaker::Schedule(index), runs, None);
        }
    }

    pub(super) fn bid_for_sound(&mut self, speaker: Speaker, runs: Runs, event: Option<usize>) {
        let paging = speaker.paging(self.plan);
        self.bid_to(speaker, runs, paging.zones.clone(), paging.priority, event);
    }

    fn bid_to(&mut self, speaker: Speaker, runs: Runs, zones: Vec<ZoneId>, priority: Priority, event: Option<usize>) {
        let sound = Sound::Play {
            runs,
            released: false,
            since: None,
        };
        self.bid(
            Actor::new(speaker, self.plan, sound),
            zones,
            priority,
            String::new(),
            0,
            event,
        );
    }

    pub(super) fn bid(
        &mut self,
        actor: Actor,
        zones: Vec<ZoneId>,
        priority: Priority,
        caller: String,
        counted_as: u64,
        event: Option<usize>,
    ) {
        let page = PageId(self.next_page);
        self.next_page += 1;
        let wall = self.wall();
        let bid = actor.speaker.bid(self.plan, page, zones, priority, counted_as, wall);
        self.story.pages.push(PageStory {
            page,
            source: actor.speaker.name(self.plan).to_owned(),
            caller,
            priority,
            zones: bid.zones.clone(),
            quiet: Vec::new(),
            bid_at: self.elapsed(),
            ended_at: self.elapsed(),
            heard_at: None,
            record: None,
        });
        if let Some(event) = event {
            self.of_event.insert(event, page);
        }
        self.actors.insert(page, actor);
        for zone in &bid.zones {
            self.note_quiet(page, *zone, true);
        }
        self.board.handle(Input::Bid(bid), self.now);
    }

    /// What quiet hours make of a page in a zone now.
    /// `begins`: it may be barred, since it is not heard yet.
    pub(super) fn note_quiet(&mut self, page: PageId, zone: ZoneId, begins: bool) {
        let Some(source) = self.actors.get(&page).map(|actor| actor.speaker.id()) else {
            return;
        };
        let wall = self.wall();
        let Some(story) = self.story.pages.iter_mut().find(|story| story.page == page) else {
            return;
        };
        let rules = &self.plan.quiet_hours;
        let made = wall.map(|wall| loudness(rules, zone, source, story.priority, wall));
        story.quiet.retain(|(of, ..)| *of != zone);
        if let Some((loudness, Some(rule))) = made
            && (begins || loudness != Loudness::Barred)
        {
            story.quiet.push((zone, loudness, rules[rule].name.clone()));
        }
    }

    /// How long after an event's beginning it counts: contacts bounce, a line input listens first.
    pub(super) fn counts_after(&self, index: usize) -> Duration {
        let plan = self.plan;
        let found = match &self.events[index].what {
            What::Close(name) => {
                let mut contacts = plan.contacts.iter();
                contacts.find(|c| c.name == *name).map(|c| c.input.debounce)
            }
            What::TakeOver(name) => {
                let mut vetoes = plan.vetoes.iter();
                vetoes.find(|v| v.name == *name).map(|v| v.input.debounce)
            }
            What::Speak { input, .. } => {
                let mut inputs = plan.inputs.iter();
                inputs.find(|i| i.name == *input).map(|i| i.vox.attack)
            }
            _ => None,
        };
        found.unwrap_or_default()
    }

    pub(super) fn begins(&mut self, index: usize) {
        let event = &self.events[index];
        let (lasts, counts) = (event.lasts, self.counts_after(index));
        if lasts < counts {
            let (What::Close(name) | What::TakeOver(name) | What::Speak { input: name, .. }) = &event.what else {
                return;
            };
            return self.line(format!("{name} is too short to count"));
        }
        let is_talk = matches!(event.what, What::Call(_) | What::Stream { .. } | What::Speak { .. });
        if !is_talk {
            self.due(self.now + lasts, Due::Over(index));
        }
        match &event.what {
            What::Call(call) => self.call(index, call, lasts),
            What::Stream { group, speech } => {
                let found = self.plan.groups.iter().position(|g| g.name == *group);
                if let Some(found) = found {
                    self.stream(index, Speaker::Group(found), *speech, lasts, self.now);
                }
            }
            What::Speak { input, speech } => {
                let found = self.plan.inputs.iter().position(|i| i.name == *input);
                if let Some(found) = found {
                    let from = self.now.checked_sub(counts).unwrap_or(self.now);
                    self.stream(index, Speaker::Line(found), *speech, lasts, from);
                }
            }
            What::Close(name) => self.contact_closes(index, name, lasts),
            What::TakeOver(name) => {
                self.line(format!("{name} takes over its zones"));
                self.vetoed(name, true);
            }
            What::Lose(name) => {
                self.line(format!("sound card {name} is gone"));
                self.card(name, true);
            }
            What::Announce(wanted) => self.announce(index, wanted),
            What::Stop(source) => self.stop(source),
            What::SetClock(time) => {
                // What has passed until now is no jump.
                self.look_at_the_clock();
                let shown = self.moment();
                let date = self.story.zone.to_datetime(shown).date();
                let wanted = self.story.zone.to_ambiguous_timestamp(date.to_datetime(*time));
                if let Ok(wanted) = wanted.compatible() {
                    self.set += wanted.duration_since(shown);
                }
                self.line(format!("the clock is set to {time}"));
                self.settings += 1;
                if self.plan.asks_for_the_time() {
                    self.minute();
                }
            }
        }
    }

    pub(super) fn over(&mut self, index: usize) {
        match &self.events[index].what {
            What::TakeOver(name) => {
                self.line(format!("{name} gives its zones back"));
                self.vetoed(name, false);
            }
            What::Lose(name) => {
                self.line(format!("sound card {name} is back"));
                self.card(name, false);
            }
            What::Close(name) => self.contact_opens(name),
            What::Call(_) => {
                self.calls.remove(&index);
                self.gate.hung_up(CallId(index as u64), self.now);
            }
            What::Stream { .. } | What::Speak { .. } | What::Announce(_) | What::Stop(_) | What::SetClock(_) => {}
        }
    }

    fn announce(&mut self, index: usize, wanted: &Announcement) {
        let played = self.plan.played_named(&wanted.plays);
        let sound = played.and_then(|played| played.sound(&self.plan.messages));
        let runs = Runs {
            length: wanted.length.or(sound.map(|sound| sound.length())).unwrap_or_default(),
            pause: ANNOUNCED_AGAIN,
            times: Some(wanted.times),
        };
        // The scenario has been checked.
        let zones = self.plan.zones_of(&wanted.zones).unwrap_or_default();
        let priority = wanted.priority.map_or(self.plan.control.paging.priority, Priority);
        self.line(format!("{} is announced", wanted.plays));
        self.source(index, Speaker::Local.name(self.plan), runs.whole().unwrap_or_default());
        self.bid_to(Speaker::Local, runs, zones, priority, Some(index));
    }

    fn stop(&mut self, source: &str) {
        let of_it = |actor: &Actor| actor.speaker.name(self.plan) == source;
        let pages = self.actors.iter().filter(|(_, actor)| of_it(actor));
        let pages: Vec<PageId> = pages.map(|(page, _)| *page).collect();
        if pages.is_empty() {
            self.line(format!("nothing of {source} is there to be stopped"));
        }
        for page in pages {
            let text = format!("{} is stopped", self.name(page));
            self.line(text);
            self.board.handle(Input::Stop(page, EndReason::Operator), self.now);
        }
    }

    pub(super) fn vetoed(&mut self, name: &str, taken: bool) {
        let zones = self.plan.vetoes.iter().filter(|veto| veto.name == name);
        for zone in zones.flat_map(|veto| veto.zones.clone()) {
            if count(&mut self.taken[usize::from(zone.0)], taken) {
                let input = if taken {
                    Input::Vetoed(zone)
                } else {
                    Input::VetoLifted(zone)
                };
                self.board.handle(input, self.now);
            }
        }
    }

    pub(super) fn card(&mut self, name: &str, lost: bool) {
        let card = self.plan.cards.iter().position(|card| card.name == name);
        let zones = (0..=u16::MAX)
            .zip(&self.plan.zones)
            .filter(|(_, zone)| Some(zone.card) == card);
        for zone in zones.map(|(id, _)| id).collect::<Vec<u16>>() {
            if count(&mut self.failed[usize::from(zone)], lost) {
                let zone = ZoneId(zone);
                let input = if lost {
                    Input::ZoneFailed(zone)
                } else {
                    Input::ZoneBack(zone)
                };
                self.board.handle(input, self.now);
            }
        }
        let well = self.failed.iter().all(|count| *count == 0);
        self.board.handle(Input::Health(well), self.now);
    }

    pub(super) fn contact_closes(&mut self, index: usize, name: &str, lasts: Duration) {
        let Some(found) = self.plan.contacts.iter().position(|c| c.name == name) else {
            return;
        };
        let contact = &self.plan.contacts[found];
        self.source(index, &contact.name, lasts);
        if !count(self.closed.entry(found).or_default(), true) {
            return;
        }
        let is_open = self.wall().is_none_or(|wall| contact.hours.is_open(wall.time));
        let is_on = self.page_of(Speaker::Contact(found)).is_some();
        if !is_open {
            return self.refusal(
                Speaker::Contact(found),
                OUTSIDE,
                format!("contact {name} closed, {OUTSIDE}"),
            );
        }
        self.line(format!("contact {name} closed"));
        if is_on {
            return;
        }
        let runs = Runs {
            length: contact
                .plays
                .sound(&self.plan.messages)
                .map_or(Duration::ZERO, |s| s.length()),
            pause: contact.pause,
            times: contact.times,
        };
        self.bid_for_sound(Speaker::Contact(found), runs, Some(index));
    }

    pub(super) fn contact_opens(&mut self, name: &str) {
        let Some(found) = self.plan.contacts.iter().position(|c| c.name == name) else {
            return;
        };
        if !count(self.closed.entry(found).or_default(), false) {
            return;
        }
        let Some(page) = self.page_of(Speaker::Contact(found)) else {
            return;
        };
        let Some(actor) = self.actors.get_mut(&page) else {
            return;
        };
        let has_voice = actor.has_voice;
        let Sound::Play { runs, released, since } = &mut actor.sound else {
            return;
        };
        if runs.times.is_some() {
            return;
        }
        *released = true;
        match *since {
            Some(since) => {
                let played = self.now.saturating_duration_since(since);
                let left = (runs.ended_after(played) + HANDED_OVER).saturating_sub(played);
                let due = Due::Played(page, actor.turn);
                self.due(self.now + left, due);
            }
            // Its zone is being woken: it is heard once.
            None if has_voice => runs.times = Some(1),
            None => self.ended(page, EndReason::Finished),
        }
    }

    /// The page that a source has, if any.
    fn page_of(&self, speaker: Speaker) -> Option<PageId> {
        let mut actors = self.actors.iter();
        actors
            .find(|(_, actor)| actor.speaker == speaker)
            .map(|(page, _)| *page)
    }

    /// A source is at it, for the picture.
    pub(super) fn source(&mut self, event: usize, name: &str, lasts: Duration) {
        let from = self.elapsed();
        self.story.sources.push(AtIt {
            source: name.to_owned(),
            event,
            from,
            to: from + lasts,
        });
    }

    fn stream(&mut self, index: usize, speaker: Speaker, speech: Speech, lasts: Duration, from: Instant) {
        let (hours, hang) = match speaker {
            Speaker::Group(index) => (&self.plan.groups[index].hours, self.plan.groups[index].idle),
            Speaker::Line(index) => (&self.plan.inputs[index].hours, self.plan.inputs[index].vox.hang),
            _ => return,
        };
        let sound = Sound::Talk {
            speech,
            lasts,
            hang,
            from: None,
            heard_from: None,
        };
        let mut actor = Actor::new(speaker, self.plan, sound);
        actor.begin(from);
        let ends = actor.source_ends().unwrap_or(from);
        let name = speaker.name(self.plan);
        self.source(index, name, lasts);
        // What comes before the one before has been missed for long enough is the same stream.
        if let Some(before) = self.streams.get_mut(&speaker.id()).filter(|until| **until > self.now) {
            *before = ends.max(*before);
            let mut actors = self.actors.iter_mut();
            let live = actors.find(|(_, live)| live.speaker == speaker && live.ended.is_none());
            match live {
                Some((page, live)) => {
                    live.goes_on_as(&actor, ends.checked_sub(hang).unwrap_or(ends));
                    let page = *page;
                    self.speaks(page);
                }
                None => self.line(format!("{name} goes on: not heard before it has fallen silent")),
            }
            return;
        }
        if self.wall().is_some_and(|wall| !hours.is_open(wall.time)) {
            return self.refusal(speaker, OUTSIDE, format!("{name} is not heard: {OUTSIDE}"));
        }
        self.streams.insert(speaker.id(), ends);
        let paging = speaker.paging(self.plan);
        self.bid(
            actor,
            paging.zones.clone(),
            paging.priority,
            String::new(),
            0,
            Some(index),
        );
        if let Some(page) = self.of_event.get(&index).copied() {
            self.speaks(page);
        }
    }

    /// The caller of this event is no longer there.
    pub(super) fn hangs_up(&mut self, index: usize) {
        let at = self.elapsed();
        let call = self.story.sources.iter_mut().find(|at_it| at_it.event == index);
        if let (Some(call), What::Call(_) | What::Announce(_)) = (call, &self.events[index].what) {
            call.to = at;
        }
    }

    /// The event that a page is of.
    pub(super) fn event_of(&self, page: PageId) -> Option<usize> {
        let mut all = self.of_event.iter();
        all.find(|(_, of)| **of == page).map(|(event, _)| *event)
    }

    /// A page's source has begun to speak.
    pub(super) fn speaks(&mut self, page: PageId) {
        let ends = self.actors.get(&page).and_then(Actor::source_ends);
        if let Some(ends) = ends {
            self.due(ends, Due::Ends(page));
            self.beat(page);
        }
    }

    pub(super) fn beat(&mut self, page: PageId) {
        let Some(actor) = self.actors.get(&page) else { return };
        if let Some(speech) = actor.replays(self.now) {
            self.board.handle(Input::Packet(page), self.now);
            if speech {
                self.board.handle(Input::Speech(page), self.now);
            }
            return self.due(self.now + BEAT, Due::Beat(page));
        }
        let (comes, speech) = actor.sounds(self.now);
        if !comes {
            return;
        }
        self.board.handle(Input::Packet(page), self.now);
        if speech && actor.opened.is_some() {
            self.board.handle(Input::Speech(page), self.now);
        }
        let last = actor.last_packet().unwrap_or(self.now);
        // The last speech is told as it is spoken.
        let falls_silent = actor.falls_silent().filter(|at| *at > self.now).unwrap_or(last);
        let next = (self.now + BEAT).min(last).min(falls_silent);
        if next > self.now {
            self.due(next, Due::Beat(page));
        }
    }

    /// The source hangs up, or its stream has ended.
    pub(super) fn source_ends(&mut self, page: PageId) {
        let Some(actor) = self.actors.get(&page) else { return };
        // It may have gone on.
        if actor.ended.is_some() || actor.source_ends().is_some_and(|at| at > self.now) {
            return;
        }
        let reason = match actor.speaker {
            Speaker::Extension(_) => EndReason::HungUp,
            _ => EndReason::StreamEnded,
        };
        self.ended(page, reason);
    }

    pub(super) fn ended(&mut self, page: PageId, reason: EndReason) {
        let now = self.now;
        let Some(actor) = self.actors.get_mut(&page) else {
            return;
        };
        actor.ends(now);
        if let Some(event) = self.event_of(page) {
            self.hangs_up(event);
        }
        self.board.handle(Input::SourceEnded(page, reason), now);
    }
}
