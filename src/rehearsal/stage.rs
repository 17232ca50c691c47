//! Lets a scenario run.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap};
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::time::{Duration, Instant};

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::actor::{Actor, Kept, Sound};
use super::story::{AtIt, Line, PageStory, Refused, Story, View};
use super::voice::{HANDED_OVER, Runs};
use crate::calendar::{Clock, Loudness, Passed, Wall, loudness};
use crate::config::plan::{ANNOUNCED_AGAIN, Plan, Speaker};
use crate::config::scenario::{Announcement, At, Call, Event, Scenario, Speech, WRONG_CODE, What};
use crate::gate::{self, Caller, Gate};
use crate::page::{EndReason, Input, Output, PageId, Priority, Refusal, SourceId, Standing, Switchboard, ZoneId};
use crate::report::record::reason_text;
use crate::sip::agent::{CallId, ExtensionId, Identity, Incoming};

/// How often a source's packets are told to the switchboard.
const BEAT: Duration = Duration::from_millis(100);
const MINUTE: Duration = Duration::from_secs(60);
/// A caller begins to type so long after the prompt, and types so fast.
const PROMPT: Duration = Duration::from_secs(2);
const KEY: Duration = Duration::from_millis(300);

mod board;
mod events;
mod gates;

/// What is due.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Due {
    /// A minute of the clock begins, unless it has been set since this was noted.
    Minute(u32),
    /// The event happens, or is over.
    Begins(usize),
    Over(usize),
    /// A packet of the page comes.
    Beat(PageId),
    /// Its source is seen to have ended.
    Ends(PageId),
    /// With the actor's turn: what it plays has been handed over, what was kept has been, the cards have played it.
    Played(PageId, u64),
    Replayed(PageId, u64),
    Drained(PageId, u64),
    /// The caller of this event types a key.
    Key(usize, char),
}

/// A rehearsal under way.
pub struct Stage<'a> {
    plan: &'a Plan,
    events: &'a [Event],
    board: Switchboard,
    gate: Gate,
    clock: Clock,
    /// What the clock on the wall shows beyond the time that has passed.
    set: SignedDuration,
    /// How often it has been set.
    settings: u32,
    start: Instant,
    now: Instant,
    agenda: BinaryHeap<Reverse<(Instant, u64, Due)>>,
    count: u64,
    actors: BTreeMap<PageId, Actor>,
    /// The page of each event, while it has one.
    of_event: BTreeMap<usize, PageId>,
    /// Calls that are not over, each with whom its pages are counted for.
    calls: BTreeMap<usize, u64>,
    /// The one who types at the moment.
    types: Option<usize>,
    /// Until when a group's or a line input's sound comes and is seen to have ended.
    streams: BTreeMap<SourceId, Instant>,
    /// How many closures of a contact hold at once.
    closed: BTreeMap<usize, u32>,
    next_page: u64,
    /// How many systems have each zone, how many cards of it are gone.
    taken: Vec<u32>,
    failed: Vec<u32>,
    story: Story,
}

/// Lets a scenario run whose names the plan has ([`crate::config::scenario::check`]). `start` is any instant: simulated time begins
/// there.
pub fn rehearse(plan: &Plan, scenario: &Scenario, zone: TimeZone, start: Instant) -> Story {
    let (mut stage, end) = Stage::new(plan, scenario, zone, start);
    stage.until(end);
    stage.close();
    stage.story
}

impl<'a> Stage<'a> {
    /// Before the first event, and how long the scenario is. See [`rehearse`].
    pub fn new(plan: &'a Plan, scenario: &'a Scenario, zone: TimeZone, start: Instant) -> (Self, Duration) {
        let moment = |at| {
            zone.to_ambiguous_timestamp(at)
                .compatible()
                .unwrap_or(Timestamp::UNIX_EPOCH)
        };
        let began = moment(scenario.begins);
        let after = |at| moment(at).duration_since(began).unsigned_abs();
        let mut now = Duration::ZERO;
        // They stand in their order: none comes before the one before it.
        let mut place = |at: At| {
            now = match at {
                At::Wall(at) => after(at).max(now),
                At::Later(later) => now + later,
            };
            now
        };
        let events = scenario.events.iter().map(|event| (place(event.at), event.lasts));
        let events: Vec<(Duration, Duration)> = events.collect();
        let last = events.iter().map(|(at, lasts)| *at + *lasts).max().unwrap_or_default();
        let end = scenario.ends.map_or(last + MINUTE, place);
        let mut stage = Stage {
            plan,
            events: &scenario.events,
            board: Switchboard::new(plan.rules()),
            gate: Gate::new(plan.gates()),
            clock: Clock::default(),
            set: SignedDuration::ZERO,
            settings: 0,
            start,
            now: start,
            agenda: BinaryHeap::new(),
            count: 0,
            actors: BTreeMap::new(),
            of_event: BTreeMap::new(),
            calls: BTreeMap::new(),
            types: None,
            streams: BTreeMap::new(),
            closed: BTreeMap::new(),
            next_page: 1,
            taken: vec![0; plan.zones.len()],
            failed: vec![0; plan.zones.len()],
            story: Story::of(plan, "rehearsal", zone, began),
        };
        for (index, (at, _)) in events.into_iter().enumerate() {
            let counts = stage.counts_after(index);
            stage.due(start + at + counts, Due::Begins(index));
        }
        if plan.asks_for_the_time() {
            stage.clock.advance(Some(began));
            stage.next_minute();
        }
        stage.idle_schedules(end);
        stage.board.handle(Input::Health(true), start);
        stage.settle();
        (stage, end)
    }

    /// Tells of schedules that the scenario's days have nothing of.
    fn idle_schedules(&mut self, end: Duration) {
        for schedule in &self.plan.schedules {
            let next = schedule.timetable.next(self.story.began, &self.story.zone);
            let after = |next: &Timestamp| next.duration_since(self.story.began).unsigned_abs() > end;
            let next = match next {
                None => "any more: its terms are over".to_owned(),
                Some(next) if after(&next) => {
                    let local = self.story.zone.to_datetime(next);
                    local.strftime("before %a %F %H:%M").to_string()
                }
                Some(_) => continue,
            };
            self.line(format!("schedule {} is not due {next}", schedule.name));
        }
    }

    fn due(&mut self, at: Instant, due: Due) {
        self.count += 1;
        self.agenda.push(Reverse((at.max(self.now), self.count, due)));
    }

    fn elapsed(&self) -> Duration {
        self.now.saturating_duration_since(self.start)
    }

    fn line(&mut self, text: String) {
        let at = self.elapsed();
        self.story.lines.push(Line {
            at,
            text,
            refused: None,
        });
    }

    fn refusal(&mut self, speaker: Speaker, why: &str, text: String) {
        let mut zones = speaker.paging(self.plan).zones.clone();
        if let Speaker::Extension(index) = speaker {
            let gate = &self.plan.extensions[index].gate;
            let chosen = gate.keypad.iter().map(|choice| &choice.route);
            let routes = chosen.chain(gate.dial.iter().map(|(_, route)| route));
            zones.extend(routes.flat_map(|route| route.zones.iter().copied()));
            let codes = gate
                .codes
                .iter()
                .filter_map(|code| self.plan.codes.get(usize::from(code.0)));
            zones.extend(codes.flat_map(|code| code.zones.iter().flatten().copied()));
        }
        let at = self.elapsed();
        let refused = Refused {
            source: speaker.name(self.plan).to_owned(),
            why: why.to_owned(),
            zones,
        };
        self.story.lines.push(Line {
            at,
            text,
            refused: Some(refused),
        });
    }

    fn wall(&self) -> Option<Wall> {
        let moment = self.moment();
        self.plan
            .asks_for_the_time()
            .then(|| Wall::at(moment, &self.story.zone))
    }

    /// What the clock shows.
    fn moment(&self) -> Timestamp {
        let passed = SignedDuration::try_from(self.elapsed()).unwrap_or_default();
        let shown = self
            .story
            .began
            .checked_add(passed)
            .and_then(|t| t.checked_add(self.set));
        shown.unwrap_or(self.story.began)
    }

    /// Everything before then.
    pub fn until(&mut self, end: Duration) {
        let until = self.start + end;
        loop {
            let next = self.agenda.peek().map(|Reverse((at, ..))| *at);
            let timers = [self.board.poll_timeout(), self.gate.poll_timeout()];
            let timer = timers.into_iter().flatten().min();
            let Some(at) = timer.into_iter().chain(next).min().filter(|at| *at < until) else {
                self.now = self.now.max(until);
                return;
            };
            self.now = self.now.max(at);
            if timer == Some(at) {
                self.board.handle_timeout(self.now);
                self.gate.handle_timeout(self.now);
            } else if let Some(Reverse((_, _, due))) = self.agenda.pop() {
                self.happens(due);
            }
            self.settle();
        }
    }

    /// Nobody speaks or waits, every zone and relay rests.
    pub fn is_at_rest(&self) -> bool {
        self.board.is_at_rest() && self.board.pages().next().is_none()
    }

    /// What has happened since this was asked last. Pages that are not over, and their sources, are told of again.
    pub fn told(&mut self) -> Story {
        let mut told = self.story.clone();
        told.length = self.elapsed();
        let story = &mut self.story;
        story.pages = told
            .pages
            .iter()
            .filter(|page| page.record.is_none())
            .cloned()
            .collect();
        story.views = told.views.last().into_iter().cloned().collect();
        let of_event: Vec<&usize> = self.of_event.keys().chain(self.calls.keys()).collect();
        let sources = told.sources.iter().filter(|at_it| of_event.contains(&&at_it.event));
        story.sources = sources.cloned().collect();
        story.lines = Vec::new();
        story.moves = vec![Vec::new(); self.plan.relays.len()];
        told
    }

    fn happens(&mut self, due: Due) {
        match due {
            Due::Minute(setting) => {
                if setting == self.settings {
                    self.minute();
                }
            }
            Due::Begins(index) => self.begins(index),
            Due::Over(index) => self.over(index),
            Due::Beat(page) => self.beat(page),
            Due::Ends(page) => self.source_ends(page),
            Due::Key(index, key) => {
                self.types = Some(index);
                self.gate.key(CallId(index as u64), key, self.now);
            }
            Due::Played(page, turn) if self.is_current(page, turn) => self.ended(page, EndReason::Finished),
            Due::Replayed(page, turn) if self.is_current(page, turn) => {
                self.board.handle(Input::Replayed(page), self.now);
            }
            Due::Drained(page, turn) if self.is_current(page, turn) => {
                self.board.handle(Input::Drained(page), self.now);
            }
            Due::Played(..) | Due::Replayed(..) | Due::Drained(..) => {}
        }
    }

    fn is_current(&self, page: PageId, turn: u64) -> bool {
        self.actors.get(&page).is_some_and(|actor| actor.turn == turn)
    }

    fn settle(&mut self) {
        loop {
            if let Some(output) = self.board.poll_output() {
                self.on_board(output);
            } else if let Some(output) = self.gate.poll_output() {
                self.on_gate(output);
            } else {
                break;
            }
        }
        self.look();
    }

    /// Notes how it stands, if that has changed.
    fn look(&mut self) {
        let ids = |counts: &[u32]| -> Vec<ZoneId> {
            let zones = (0..=u16::MAX).zip(counts).filter(|(_, count)| **count > 0);
            zones.map(|(id, _)| ZoneId(id)).collect()
        };
        let zones = (0..=u16::MAX).zip(&self.plan.zones);
        let view = View {
            at: self.elapsed(),
            zones: zones.map(|(id, _)| self.board.zone(ZoneId(id))).collect(),
            pages: self.board.pages().collect(),
            failed: ids(&self.failed),
            taken: ids(&self.taken),
        };
        match self.story.views.last_mut() {
            Some(last) if last.at == view.at => *last = view,
            Some(last)
                if View {
                    at: last.at,
                    ..view.clone()
                } == *last => {}
            _ => self.story.views.push(view),
        }
    }

    /// What still goes on goes on beyond it.
    fn close(&mut self) {
        let end = self.elapsed();
        self.story.length = end;
        for page in &mut self.story.pages {
            if page.record.is_none() {
                page.ended_at = end;
            }
        }
        for at_it in &mut self.story.sources {
            at_it.to = at_it.to.min(end).max(at_it.from);
        }
    }
}
