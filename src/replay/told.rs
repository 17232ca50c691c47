//! What came of a replay.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use jiff::Timestamp;

use super::board::Board;
use super::capture::Capture;
use super::clock::{self, Step};
use super::output;
use crate::config::plan::Plan;
use crate::daemon::{Moment, What};
use crate::page::{EndReason, PageId, Phase};
use crate::rehearsal::{self, PageStory, Story, View};
use crate::report::entry::{Entry, Severity};
use crate::report::journal::Journal;
use crate::report::message::kind;
use crate::report::record::PageReport;
use crate::report::text::plural;

/// One line of the journal, as it would have been.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    /// From the beginning.
    pub at: Duration,
    pub severity: Severity,
    pub text: String,
}

/// What the gateway was given.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Fed {
    pub requests: u64,
    pub audio: u64,
    pub groups: u64,
    /// Datagrams to the gateway that belong to no call of the replay.
    pub stray: u64,
}

/// All of it.
#[derive(Debug, Clone)]
pub struct Replayed {
    pub story: Story,
    pub lines: Vec<Line>,
    /// Each page's record, in the order of their ends.
    pub pages: Vec<PageReport>,
    /// What is to be kept in mind when the rest is read.
    pub notes: Vec<String>,
    /// Each zone's output.
    pub files: Vec<(String, PathBuf)>,
    pub fed: Fed,
}

/// Takes the journal's lines down. Clones are the same.
#[derive(Clone)]
pub struct Notebook {
    lines: Arc<Mutex<Vec<Line>>>,
    start: Instant,
    clock: fn() -> Instant,
}

impl Notebook {
    pub fn new(start: Instant, clock: fn() -> Instant) -> Self {
        Notebook {
            lines: Arc::default(),
            start,
            clock,
        }
    }

    pub fn lines(&self) -> Vec<Line> {
        self.lines.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

impl Journal for Notebook {
    fn write(&mut self, entry: &Entry) {
        // Only for want of a name service, which is none of the site's (`board` says what stands for it).
        if entry.kind() == kind::REGISTRATION_FAILED {
            return;
        }
        let line = Line {
            at: (self.clock)().saturating_duration_since(self.start),
            severity: entry.severity(),
            text: entry.text().to_owned(),
        };
        self.lines.lock().unwrap_or_else(PoisonError::into_inner).push(line);
    }
}

/// Puts together what is seen.
pub struct Teller {
    story: Story,
    pages: Vec<PageReport>,
    files: Vec<(String, PathBuf)>,
    start: Instant,
    /// Every zone is at rest, and no page is on.
    pub rests: bool,
}

impl Teller {
    pub fn new(plan: &Plan, folder: &Path, began: Timestamp, start: Instant) -> Self {
        let zones = plan.zones.iter().map(|zone| &zone.name);
        Teller {
            story: Story::of(plan, "replay", plan.wall_zone(), began),
            pages: Vec::new(),
            files: zones
                .map(|zone| (zone.clone(), output::file_of(folder, zone)))
                .collect(),
            start,
            rests: true,
        }
    }

    pub fn see(&mut self, moment: Moment) {
        let at = moment.at.saturating_duration_since(self.start);
        match moment.what {
            What::Ready | What::Phase { .. } => {}
            What::Stands { zones, pages } => {
                self.rests = pages.is_empty() && zones.iter().all(|(phase, _)| *phase == Phase::Rest);
                let view = View {
                    at,
                    zones,
                    pages,
                    failed: Vec::new(),
                    taken: Vec::new(),
                };
                match self.story.views.last_mut() {
                    Some(last) if last.at == at => *last = view,
                    _ => self.story.views.push(view),
                }
            }
            What::Relay { relay, operated } => {
                if let Some(moves) = self.story.moves.get_mut(usize::from(relay.0)) {
                    moves.push((at, operated));
                }
            }
            What::Over(report) => {
                let since = |at: Instant| at.saturating_duration_since(self.start);
                let record = &report.record;
                self.story.pages.push(PageStory {
                    page: record.page,
                    source: report.source.clone(),
                    caller: report.caller.clone(),
                    priority: record.priority,
                    zones: record.wanted.clone(),
                    quiet: Vec::new(),
                    bid_at: since(record.bid_at),
                    ended_at: since(record.ended_at),
                    heard_at: record.heard_at.map(since),
                    record: Some(record.clone()),
                });
                self.pages.push(*report);
            }
        }
    }

    pub fn whole(
        mut self,
        board: &Board,
        capture: &Capture,
        lines: Vec<Line>,
        stopped: Duration,
        fed: Fed,
    ) -> Replayed {
        let lines: Vec<Line> = lines.into_iter().filter(|line| line.at <= stopped).collect();
        self.story.lines = lines
            .iter()
            .map(|line| rehearsal::Line {
                at: line.at,
                text: line.text.clone(),
                refused: None,
            })
            .collect();
        self.story.pages.sort_by_key(|page| (page.bid_at, page.page));
        let length = capture.datagrams.last().zip(capture.datagrams.first());
        let length = length.map_or(Duration::ZERO, |(last, first)| last.at - first.at) + super::BEFORE;
        // The stillness after it is of no interest, and what ends in it is.
        let ends = self
            .story
            .pages
            .iter()
            .map(|page| page.ended_at + Duration::from_secs(2));
        self.story.length = ends.max().unwrap_or_default().max(length);
        Replayed {
            notes: notes(board, capture, fed, &self.story, length),
            files: self.files,
            story: self.story,
            lines,
            pages: self.pages,
            fed,
        }
    }
}

fn notes(board: &Board, capture: &Capture, fed: Fed, story: &Story, length: Duration) -> Vec<String> {
    let groups = many(fed.groups, "packet");
    let mut notes = vec![match board.is_seen {
        true => format!(
            "the gateway is {} there: {} to it, {} of calls' audio, {groups} to its groups",
            board.address,
            many(fed.requests, "request"),
            many(fed.audio, "packet"),
        ),
        false => format!("the gateway's own address is not seen there: no calls, {groups} to its groups"),
    }];
    notes.extend(board.notes.iter().cloned());
    let mut note = |count: u64, one: &str, several: &str, rest: &str| {
        if count > 0 {
            let text = if count == 1 { one } else { several };
            notes.push(format!("{} {text}{rest}", many(count, "packet")));
        }
    };
    note(
        fed.stray,
        "to the gateway belongs to no call that is answered now, and was left out",
        "to the gateway belong to no call that is answered now, and were left out",
        "",
    );
    note(
        capture.cut,
        "was not captured whole",
        "were not captured whole",
        " (a snapshot length), and left out: capture with `-s 0`",
    );
    note(
        capture.tcp_signalling,
        "of signalling by TCP or TLS was left out",
        "of signalling by TCP or TLS were left out",
        ": calls by them cannot be replayed",
    );
    note(
        capture.unknown,
        "of an interface of unknown kind was left out",
        "of interfaces of unknown kinds were left out",
        "",
    );
    if capture.is_torn {
        notes.push("the file ends in the middle of a packet".to_owned());
    }
    if capture.is_damaged {
        notes.push("the file is damaged: what stands behind that place is left out".to_owned());
    }
    let first = capture.datagrams.first().map_or(Duration::ZERO, |first| first.at);
    let place = |step: &Step| story.clock(step.at.saturating_sub(first) + super::BEFORE);
    for step in &capture.steps {
        let (way, or) = match step.is_back {
            true => (
                "back",
                ". A file that was put together from parts is sorted first (`reordercap`)",
            ),
            false => ("forward", ""),
        };
        notes.push(format!(
            "the capture's clock was set {way} by {} at {}: what came before is told as by the later clock{or}",
            span(step.by),
            place(step)
        ));
    }
    for jump in clock::jumps(&capture.datagrams) {
        notes.push(format!(
            "the capture's clock jumps by {} at {}, and a stream goes on across it: what is lost or late there may be none of the site's",
            span(jump.by),
            place(&jump)
        ));
    }
    let cut: Vec<PageId> = story
        .pages
        .iter()
        .filter(|page| page.ended_at > length && !has_its_end(page))
        .map(|page| page.page)
        .collect();
    for page in cut {
        notes.push(format!(
            "page {} was on when the capture ends: its ending is none of the site's",
            page.0
        ));
    }
    notes
}

/// The source itself ended it, by what is in the capture.
fn has_its_end(page: &PageStory) -> bool {
    let reason = page.record.as_ref().map(|record| record.reason);
    matches!(
        reason,
        Some(EndReason::HungUp | EndReason::Cancelled | EndReason::Finished)
    )
}

/// What no packet capture holds.
pub fn left_out(plan: &Plan) -> Option<String> {
    let sources = [
        (plan.inputs.len(), "line input"),
        (plan.contacts.len(), "contact"),
        (plan.vetoes.len(), "veto"),
        (plan.music.len(), "music input"),
    ];
    let there = sources.into_iter().filter(|(count, _)| *count > 0);
    let text: Vec<String> = there.map(|(count, what)| plural(count, what)).collect();
    (!text.is_empty()).then(|| {
        format!(
            "left out, since no packet capture holds what they did: {}",
            text.join(", ")
        )
    })
}

/// "4.2 s", "12 min", "20424 days".
fn span(time: Duration) -> String {
    match time.as_secs() {
        0..180 => format!("{:.1} s", time.as_secs_f64()),
        seconds @ 180..10_800 => format!("{} min", seconds / 60),
        seconds @ 10_800..259_200 => format!("{} h", seconds / 3600),
        seconds => format!("{} days", seconds / 86_400),
    }
}

fn many(count: u64, word: &str) -> String {
    plural(usize::try_from(count).unwrap_or(usize::MAX), word)
}
