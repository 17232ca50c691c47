//! What the switchboard says, and what it means for the sources.

use super::*;
use crate::report::record::length;

impl Stage<'_> {
    pub(super) fn on_board(&mut self, output: Output) {
        let now = self.now;
        match output {
            Output::Admitted { page } => {
                let Some(actor) = self.actors.get_mut(&page) else {
                    return;
                };
                actor.given_voice(now);
                // A caller speaks from the answer on; one who had to wait, from the go-ahead.
                if !actor.waited && actor.begin(now) {
                    self.speaks(page);
                }
            }
            Output::Waiting { page } => {
                if let Some(actor) = self.actors.get_mut(&page) {
                    actor.waits(now);
                }
                let what = if self.actors.get(&page).is_some_and(|a| a.kept.is_some()) {
                    "waits, recorded"
                } else {
                    "waits"
                };
                let text = format!("{} {what}", self.name(page));
                self.line(text);
                self.keep_quiet();
            }
            Output::Keep { page } => {
                self.keep(page);
                self.keep_quiet();
            }
            Output::Enough { page, reason } => {
                let text = format!("{} is recorded no longer: {}", self.name(page), reason_text(reason));
                self.line(text);
                if let Some(actor) = self.actors.get_mut(&page) {
                    actor.ends(now);
                }
            }
            Output::Warn { page } => {
                let text = format!("{} hears the warning", self.name(page));
                self.line(text);
            }
            Output::Refused { page, why } => self.refused(page, why),
            Output::Relay { relay, operated } => {
                let at = self.elapsed();
                self.story.moves[usize::from(relay.0)].push((at, operated));
            }
            Output::Speak { page, zone, .. } => {
                self.note_quiet(page, zone, false);
                self.speak(page);
            }
            Output::Drain { page } => {
                if let Some(actor) = self.actors.get_mut(&page) {
                    actor.ended.get_or_insert(now);
                    let (at, due) = (actor.drained(now), Due::Drained(page, actor.turn));
                    self.due(at, due);
                }
            }
            Output::Record(record) => {
                let at = self.elapsed();
                let actor = self.actors.remove(&record.page);
                if let Some(event) = self.event_of(record.page) {
                    if actor.is_some_and(|actor| actor.ended.is_none()) {
                        self.hangs_up(event);
                    }
                    self.of_event.remove(&event);
                    self.calls.remove(&event);
                }
                let text = self.record_line(&record);
                self.line(text);
                if let Some(story) = self.story.pages.iter_mut().find(|story| story.page == record.page) {
                    story.ended_at = at;
                    story.record = Some(record);
                }
            }
            Output::Ended { page, .. } => {
                let there = self.event_of(page).filter(|event| {
                    let at_it = self.story.sources.iter().find(|at_it| at_it.event == *event);
                    at_it.is_some_and(|at_it| at_it.to > self.elapsed())
                });
                if let Some(event) = there {
                    self.hangs_up(event);
                }
            }
            Output::Phase { .. } | Output::Chime { .. } | Output::Silence { .. } => {}
        }
    }

    pub(super) fn keep(&mut self, page: PageId) {
        let now = self.now;
        let text = format!("{} is recorded", self.name(page));
        self.line(text);
        let Some(actor) = self.actors.get_mut(&page) else {
            return;
        };
        let since = actor.kept_from(now);
        actor.waits(now);
        actor.kept = Some(Kept {
            since,
            length: None,
            played: Duration::ZERO,
            playing: None,
        });
        if actor.begin(now) {
            self.speaks(page);
        }
    }

    pub(super) fn refused(&mut self, page: PageId, why: Refusal) {
        if let Refusal::Busy(holder) = why {
            let text = format!("{} finds {}", self.name(page), self.name(holder));
            self.line(text);
        }
    }

    pub(super) fn speak(&mut self, page: PageId) {
        let (now, at) = (self.now, self.elapsed());
        if let Some(story) = self.story.pages.iter_mut().find(|story| story.page == page) {
            story.heard_at.get_or_insert(at);
        }
        let Some(actor) = self.actors.get_mut(&page) else {
            return;
        };
        if actor.opened.replace(actor.opened.unwrap_or(now)).is_some() {
            return;
        }
        let turn = actor.turn;
        if let Some(kept) = &mut actor.kept {
            kept.playing = Some(now);
            let left = kept.length.unwrap_or_default().saturating_sub(kept.played);
            self.due(now + left, Due::Replayed(page, turn));
            return self.beat(page);
        }
        if actor.begin(now) {
            return self.speaks(page);
        }
        let is_ours = matches!(actor.sound, Sound::Play { .. });
        if let Sound::Play { runs, released, since } = &mut actor.sound
            && since.is_none()
        {
            *since = Some(now);
            if *released {
                runs.times = Some(1);
            }
            if let Some(whole) = runs.whole() {
                self.due(now + whole + HANDED_OVER, Due::Played(page, turn));
            }
        }
        if is_ours {
            // What we play ourselves comes without a gap.
            self.board.handle(Input::Packet(page), now);
        }
    }

    /// `page 3 from yard-page (213)`.
    pub(super) fn name(&self, page: PageId) -> String {
        self.story
            .page(page)
            .map_or_else(|| format!("page {}", page.0), PageStory::name)
    }

    pub(super) fn record_line(&self, record: &crate::page::PageRecord) -> String {
        let name = self.name(record.page);
        let reason = reason_text(record.reason);
        let Some(heard_at) = record.heard_at else {
            return format!("{name} was not heard: {reason}");
        };
        let zones: Vec<&str> = record.zones.iter().map(|zone| self.story.zone_name(*zone)).collect();
        let what = if zones.len() == 1 { "zone" } else { "zones" };
        let recorded = if record.kept { ", recorded" } else { "" };
        let length = length(record);
        let wait = heard_at.saturating_duration_since(record.bid_at).as_secs_f64();
        format!(
            "{name} to {what} {}{recorded}: began after {wait:.1} s, {length}, ended: {reason}",
            zones.join(", ")
        )
    }
}
