//! What came of a rehearsal.

use std::fmt;
use std::time::Duration;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::calendar::Loudness;
use crate::config::plan::Plan;
use crate::page::{PageId, PageRecord, PageStatus, Phase, Priority, RelayId, ZoneId};

/// Something worth a line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    /// From the beginning.
    pub at: Duration,
    pub text: String,
    pub refused: Option<Refused>,
}

/// A source that was refused before there was a page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refused {
    pub source: String,
    /// In a few words.
    pub why: String,
    /// Where it could have been heard.
    pub zones: Vec<ZoneId>,
}

/// One page, from its bid to its record.
#[derive(Debug, Clone)]
pub struct PageStory {
    pub page: PageId,
    pub source: String,
    pub caller: String,
    pub priority: Priority,
    /// Where it was to be heard.
    pub zones: Vec<ZoneId>,
    /// What quiet hours made of it, and the name of the rule, zone by zone.
    pub quiet: Vec<(ZoneId, Loudness, String)>,
    pub bid_at: Duration,
    pub ended_at: Duration,
    /// First opening of speech.
    pub heard_at: Option<Duration>,
    /// There is one, but for pages that go on when the rehearsal ends.
    pub record: Option<PageRecord>,
}

impl PageStory {
    /// `page 3 from yard-page (213)`.
    pub fn name(&self) -> String {
        match self.caller.as_str() {
            "" => format!("page {} from {}", self.page.0, self.source),
            caller => format!("page {} from {} ({caller})", self.page.0, self.source),
        }
    }
}

/// A source while a call, a stream or a closed contact lasted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AtIt {
    pub source: String,
    /// Which event of the scenario it was.
    pub event: usize,
    pub from: Duration,
    pub to: Duration,
}

/// How everything stood from a moment on.
#[derive(Debug, Clone, PartialEq)]
pub struct View {
    pub at: Duration,
    pub zones: Vec<(Phase, Option<PageId>)>,
    /// Highest bid first.
    pub pages: Vec<PageStatus>,
    /// Why a zone does not work: its card is gone, another system has it.
    pub failed: Vec<ZoneId>,
    pub taken: Vec<ZoneId>,
}

/// All of it.
#[derive(Debug, Clone)]
pub struct Story {
    pub site: String,
    /// What it is: a rehearsal, or the replay of a capture.
    pub kind: &'static str,
    pub zone: TimeZone,
    pub began: Timestamp,
    pub length: Duration,
    pub zones: Vec<String>,
    pub relays: Vec<String>,
    pub lines: Vec<Line>,
    pub pages: Vec<PageStory>,
    pub views: Vec<View>,
    /// Each relay's movements, oldest first.
    pub moves: Vec<Vec<(Duration, bool)>>,
    /// When each source was at it.
    pub sources: Vec<AtIt>,
}

impl Story {
    /// Nothing has happened yet.
    pub fn of(plan: &Plan, kind: &'static str, zone: TimeZone, began: Timestamp) -> Self {
        Story {
            site: plan.site.clone(),
            kind,
            zone,
            began,
            length: Duration::ZERO,
            zones: plan.zones.iter().map(|zone| zone.name.clone()).collect(),
            relays: plan.relays.iter().map(|relay| relay.name.clone()).collect(),
            lines: Vec::new(),
            pages: Vec::new(),
            views: Vec::new(),
            moves: vec![Vec::new(); plan.relays.len()],
            sources: Vec::new(),
        }
    }

    /// `06:00:10.250`, by the clock on the wall.
    pub fn clock(&self, at: Duration) -> String {
        let moment = self
            .began
            .checked_add(jiff::SignedDuration::try_from(at).unwrap_or_default());
        let local = self.zone.to_datetime(moment.unwrap_or(self.began));
        let ms = local.subsec_nanosecond() / 1_000_000;
        format!(
            "{:02}:{:02}:{:02}.{ms:03}",
            local.hour(),
            local.minute(),
            local.second()
        )
    }

    /// `2026-11-25T06:00:10.250+00:00`: local time, RFC 3339.
    pub fn stamp(&self, at: Duration) -> String {
        let moment = self
            .began
            .checked_add(jiff::SignedDuration::try_from(at).unwrap_or_default());
        let local = moment.unwrap_or(self.began).to_zoned_datetime(self.zone.clone());
        local.strftime("%FT%T%.3f%:z").to_string()
    }

    pub fn page(&self, page: PageId) -> Option<&PageStory> {
        self.pages.iter().find(|story| story.page == page)
    }

    pub fn zone_name(&self, zone: ZoneId) -> &str {
        self.zones.get(usize::from(zone.0)).map_or("", String::as_str)
    }

    pub fn relay_name(&self, relay: RelayId) -> &str {
        self.relays.get(usize::from(relay.0)).map_or("", String::as_str)
    }

    /// For how long a page has spoken in a zone before `until`, its chime included, and when it last did; `None` if it has not.
    pub fn heard(&self, page: PageId, zone: ZoneId, until: Duration) -> Option<(Duration, Duration)> {
        let open = |view: &View| match view.zones.get(usize::from(zone.0)) {
            Some((Phase::Chime | Phase::Speech, Some(holder))) if *holder == page => true,
            _ => {
                let mut pages = view.pages.iter();
                pages.any(|status| status.page == page && status.under.contains(&zone))
            }
        };
        let views = self.views.iter().take_while(|view| view.at <= until);
        let ends = self.views.iter().skip(1).map(|view| view.at.min(until)).chain([until]);
        let heard = views.zip(ends).filter(|(view, _)| open(view));
        heard.fold(None, |so_far, (view, to)| {
            let (sum, _) = so_far.unwrap_or_default();
            Some((sum + to.saturating_sub(view.at), to))
        })
    }

    /// How it stood at that time.
    pub fn view(&self, at: Duration) -> Option<&View> {
        let next = self.views.partition_point(|view| view.at <= at);
        self.views.get(next.checked_sub(1)?)
    }
}

/// The day, line by line.
impl fmt::Display for Story {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let date = self.zone.to_datetime(self.began).date();
        let zone = self
            .zone
            .iana_name()
            .map(|name| format!(", {name}"))
            .unwrap_or_default();
        writeln!(f, "{}, {date}{zone}", self.site)?;
        let mut day = date;
        for line in &self.lines {
            let moment = self
                .began
                .checked_add(jiff::SignedDuration::try_from(line.at).unwrap_or_default());
            let today = self.zone.to_datetime(moment.unwrap_or(self.began)).date();
            if std::mem::replace(&mut day, today) != today {
                writeln!(f, "{today}")?;
            }
            writeln!(f, "{}  {}", self.clock(line.at), line.text)?;
        }
        Ok(())
    }
}
