//! Who was heard at a moment in a zone, who was not, and which rule decided.

use std::fmt::Write as _;
use std::time::Duration;

use super::story::{Line, PageStory, Story, View};
use crate::calendar::Loudness;
use crate::page::{EndReason, Kept, PageId, PageStatus, Phase, Standing, ZoneId};
use crate::report::record::reason_text;

/// Refusals so long ago are told too.
const BEFORE: Duration = Duration::from_secs(60);

/// In sentences, one a line.
pub fn explain(story: &Story, at: Duration, zone: ZoneId) -> String {
    let mut out = String::new();
    let Some(view) = story.view(at) else { return out };
    let (phase, holder) = view
        .zones
        .get(usize::from(zone.0))
        .copied()
        .unwrap_or((Phase::Rest, None));
    let _ = writeln!(
        out,
        "{}, zone {}: {}",
        story.clock(at),
        story.zone_name(zone),
        now(story, view, zone, phase, holder)
    );
    if let Some(rule) = holder
        .and_then(|page| story.page(page))
        .and_then(|page| quiet(page, zone))
    {
        let _ = writeln!(out, "  {rule}");
    }
    let mut others = String::new();
    for page in story
        .pages
        .iter()
        .filter(|page| Some(page.page) != holder && page.zones.contains(&zone))
    {
        let status = view.pages.iter().find(|status| status.page == page.page);
        let text = match status {
            Some(status) => Some(present(story, view, page, status, zone, holder)),
            None => past(story, page, at, zone),
        };
        if let Some(text) = text {
            let _ = writeln!(others, "  {}, priority {}: {text}", page.name(), page.priority.0);
        }
    }
    let lately = |line: &&Line| line.at <= at && line.at + BEFORE >= at;
    let here = |line: &&Line| {
        line.refused
            .as_ref()
            .is_some_and(|refused| refused.zones.contains(&zone))
    };
    for line in story.lines.iter().filter(lately).filter(here) {
        let _ = writeln!(others, "  {} {}", story.clock(line.at), line.text);
    }
    if others.is_empty() {
        let _ = writeln!(out, "nobody else wanted it, then or in the minute before");
    } else {
        let _ = write!(out, "the others:\n{others}");
    }
    out
}

fn now(story: &Story, view: &View, zone: ZoneId, phase: Phase, holder: Option<PageId>) -> String {
    if view.taken.contains(&zone) {
        return "another system has its amplifier; nobody is heard".to_owned();
    }
    if view.failed.contains(&zone) {
        return "its sound card is gone; nobody is heard".to_owned();
    }
    let page = holder.and_then(|page| story.page(page));
    let who = page
        .map(|page| format!("{}, priority {}", page.name(), page.priority.0))
        .unwrap_or_default();
    match phase {
        Phase::Rest => "nobody is heard".to_owned(),
        Phase::Tail => "nobody is heard any more; its relays are still operated".to_owned(),
        Phase::Seize => format!("nobody is heard yet: its amplifier wakes up for {who}"),
        Phase::Chime => format!("the chime of {who}"),
        Phase::Speech => format!("{who}, is heard"),
    }
}

/// What quiet hours make of a page there.
fn quiet(page: &PageStory, zone: ZoneId) -> Option<String> {
    let (_, loudness, rule) = page.quiet.iter().find(|(of, ..)| *of == zone)?;
    Some(match loudness {
        Loudness::Full => return None,
        Loudness::Lowered(gain) => format!("quiet hours {rule} lower it by {} dB", -gain.0),
        Loudness::Barred => format!("quiet hours {rule} bar it here"),
    })
}

/// A page that goes on, elsewhere or nowhere.
fn present(
    story: &Story,
    view: &View,
    page: &PageStory,
    status: &PageStatus,
    zone: ZoneId,
    holder: Option<PageId>,
) -> String {
    if let Some((_, Loudness::Barred, rule)) = page.quiet.iter().find(|(of, ..)| *of == zone) {
        return format!("quiet hours {rule} bar it here");
    }
    if view.taken.contains(&zone) || view.failed.contains(&zone) {
        return "the zone is out of use".to_owned();
    }
    let why = holder.and_then(|holder| story.page(holder)).map_or_else(
        || reserved(story, view, page, zone),
        |holder| before(story, holder, page),
    );
    match (status.kept, status.standing) {
        (Some(Kept::Speaking { .. }), _) if holder.is_none() => "is recorded first, and played afterwards".to_owned(),
        (Some(Kept::Speaking { .. }), _) => format!("is being recorded; {why}"),
        (Some(Kept::Whole(_)), Standing::Waiting) => format!("recorded, waits to be played; {why}"),
        (None, Standing::Under) if status.under.contains(&zone) => format!("is heard below; {why}"),
        (None, Standing::Waiting) => match story.heard(page.page, zone, view.at) {
            Some((_, to)) => format!("was heard until {}, and waits; {why}", story.clock(to)),
            None => format!("waits since {}; {why}", story.clock(page.bid_at)),
        },
        _ => {
            let here = story.heard(page.page, zone, view.at);
            let before = here.map(|(_, to)| format!("was heard until {}; ", story.clock(to)));
            let now = match status.source_ended {
                Some(_) => "its source has ended: it gains no zone",
                None => "heard elsewhere only",
            };
            format!("{}{now}; {why}", before.unwrap_or_default())
        }
    }
}

/// Why a zone that nobody holds is not given to a page.
fn reserved(story: &Story, view: &View, page: &PageStory, zone: ZoneId) -> String {
    let better = view.pages.iter().take_while(|status| status.page != page.page);
    let is_kept = |status: &&PageStatus| matches!(status.kept, Some(Kept::Speaking { .. }));
    let waits = better.filter(|status| status.standing == Standing::Waiting && !is_kept(status));
    let mut waits = waits.filter_map(|status| story.page(status.page));
    match waits.find(|other| other.zones.contains(&zone)) {
        Some(other) => format!("the zone is kept free for {}, which comes first", other.name()),
        None => "it begins in all its zones together, and not all are free".to_owned(),
    }
}

/// Why one page goes before another.
fn before(story: &Story, first: &PageStory, second: &PageStory) -> String {
    let (one, other) = (first.priority.0, second.priority.0);
    if one > other {
        format!("{} goes before it: priority {one} against {other}", first.name())
    } else if one == other {
        format!(
            "{} has the same priority and came first, at {}",
            first.name(),
            story.clock(first.bid_at)
        )
    } else {
        format!("{} holds the zone", first.name())
    }
}

/// A page that was over before.
fn past(story: &Story, page: &PageStory, at: Duration, zone: ZoneId) -> Option<String> {
    let record = page.record.as_ref()?;
    if page.ended_at > at || page.ended_at + BEFORE < at {
        return None;
    }
    let when = story.clock(page.ended_at);
    if let Some((sum, to)) = story.heard(page.page, zone, at) {
        let heard = format!("was heard for {:.1} s, until {}", sum.as_secs_f64(), story.clock(to));
        // Cut here, and gone on elsewhere.
        let taken = story.view(to).and_then(|view| view.zones.get(usize::from(zone.0))?.1);
        let taken = taken
            .filter(|other| *other != page.page)
            .and_then(|other| story.page(other));
        return Some(match taken.filter(|_| to < page.ended_at) {
            Some(other) => format!("{heard}; {}", before(story, other, page)),
            None => format!("{heard}: {}", reason_text(record.reason)),
        });
    }
    if !record.zones.is_empty() && !record.zones.contains(&zone) {
        return Some(format!(
            "was heard elsewhere only, until {when}: {}",
            reason_text(record.reason)
        ));
    }
    if let Some(rule) = quiet(page, zone).filter(|_| record.reason == EndReason::QuietHours) {
        return Some(format!("refused at {when}: {rule}"));
    }
    let holder = || story.view(page.ended_at)?.zones.get(usize::from(zone.0))?.1;
    let why = holder().and_then(|holder| story.page(holder));
    let why = why.filter(|_| matches!(record.reason, EndReason::Busy | EndReason::Preempted));
    let why = why
        .map(|holder| format!("; {}", before(story, holder, page)))
        .unwrap_or_default();
    Some(format!("ended unheard at {when}: {}{why}", reason_text(record.reason)))
}
