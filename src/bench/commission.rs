//! The commissioning run: what has to be tried of a config, and what a page's record says of it.

use std::time::Duration;

use super::logbook::{Kind, Outcome, Standing, Verdict, standing};
use crate::config::plan::{Plan, Speaker, Zone};
use crate::page::{RelayId, Shown, ZoneId};
use crate::report::status::Past;
use crate::report::text::plural;

/// Loudest speech of a source, dBFS: below it somebody whispers or a level is set wrongly, above it the source clips. Common practice, no
/// published source.
pub const SPEECH: (f64, f64) = (-45.0, -3.0);
/// Lost packets that are not heard with G.711's concealment (common practice; ITU-T G.113 calls 1 % the beginning of what is heard, from memory).
pub const MOST_LOST: f64 = 1.0;
/// Jitter of a local network, ms (common practice, no published source).
pub const MOST_JITTER: f64 = 30.0;
/// A page may begin so much later than leads and chime make it.
const LATER: Duration = Duration::from_millis(500);
/// A relay's lead is met within this.
const SLACK: f64 = 0.1;
/// Music is back so long after the last relay's release, s.
pub const MUSIC_LATER: f64 = 3.0;

/// Something to be tried.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trial {
    /// Beeps, in this zone alone.
    Zone(ZoneId),
    Relay(RelayId),
    /// A page by its source.
    Source(Speaker),
    /// Another system takes over; by its place in the config.
    Veto(usize),
    /// Comes back after a page; by its place in the config.
    Music(usize),
}

impl Trial {
    pub fn kind(self) -> Kind {
        match self {
            Trial::Zone(_) => Kind::Zone,
            Trial::Relay(_) => Kind::Relay,
            Trial::Veto(_) => Kind::Veto,
            Trial::Music(_) => Kind::Music,
            Trial::Source(speaker) => match speaker {
                Speaker::Extension(_) => Kind::Extension,
                Speaker::Group(_) => Kind::Group,
                Speaker::Line(_) => Kind::Line,
                Speaker::Contact(_) => Kind::Contact,
                Speaker::Schedule(_) | Speaker::Local | Speaker::Test => Kind::Schedule,
            },
        }
    }

    pub fn name(self, plan: &Plan) -> &str {
        match self {
            Trial::Zone(zone) => &plan.zones[usize::from(zone.0)].name,
            Trial::Relay(relay) => &plan.relays[usize::from(relay.0)].name,
            Trial::Source(speaker) => speaker.name(plan),
            Trial::Veto(index) => &plan.vetoes[index].name,
            Trial::Music(index) => &plan.music[index].name,
        }
    }

    /// The step that says whether it has passed as a whole.
    pub fn step(self) -> &'static str {
        match self {
            Trial::Zone(_) => "heard",
            Trial::Relay(_) => "operates",
            Trial::Source(_) => "page",
            Trial::Veto(_) => "takes-over",
            Trial::Music(_) => "back",
        }
    }

    /// How it stands, and since which day if anything is known of it.
    pub fn standing(self, plan: &Plan, outcomes: &[Outcome]) -> (Standing, Option<String>) {
        let (kind, name) = (self.kind(), self.name(plan));
        let last = outcomes
            .iter()
            .rfind(|outcome| outcome.kind == kind && outcome.name == name);
        let day = last.and_then(|outcome| outcome.at.get(..10)).map(str::to_owned);
        (standing(outcomes, kind, name, self.step()), day)
    }
}

/// All of a config: zones first, since nothing else can be heard before they are right.
pub fn trials(plan: &Plan) -> Vec<Trial> {
    let zones = (0..=u16::MAX).take(plan.zones.len()).map(|id| Trial::Zone(ZoneId(id)));
    let relays = (0..=u16::MAX)
        .take(plan.relays.len())
        .map(|id| Trial::Relay(RelayId(id)));
    let sources = plan.speakers().filter(|speaker| *speaker != Speaker::Local);
    zones
        .chain(relays)
        .chain(sources.map(Trial::Source))
        .chain((0..plan.vetoes.len()).map(Trial::Veto))
        .chain((0..plan.music.len()).map(Trial::Music))
        .collect()
}

/// The relay is operated as long as nothing is missing.
pub fn shows_health(plan: &Plan, relay: RelayId) -> bool {
    let shows = plan.relays[usize::from(relay.0)].rules.shows.as_ref();
    shows.is_some_and(|shows| shows.what == Shown::Healthy)
}

/// What a relay is there for, so that somebody can say whether it did it.
pub fn purpose(plan: &Plan, relay: RelayId) -> String {
    let named = |of: fn(&Zone) -> &[RelayId]| -> Vec<&str> {
        let zones = plan.zones.iter().filter(|zone| of(zone).contains(&relay));
        zones.map(|zone| zone.name.as_str()).collect()
    };
    let (triggers, mutes) = (named(|zone| &zone.trigger), named(|zone| &zone.mute));
    match (triggers.as_slice(), mutes.as_slice()) {
        ([], []) => "its lamp or other load should switch on".to_owned(),
        (zones, []) => format!("the amplifier of {} should wake up", zones.join(", ")),
        ([], zones) => format!("the music in {} should fall silent", zones.join(", ")),
        (zones, _) => format!(
            "the amplifier of {} should wake up and its music fall silent",
            zones.join(", ")
        ),
    }
}

/// What whoever stands there has to do for a page of that source.
pub fn request(plan: &Plan, speaker: Speaker) -> String {
    match speaker {
        Speaker::Extension(index) => {
            let extension = &plan.extensions[index];
            let code = if extension.gate.codes.is_empty() {
                ""
            } else {
                ", enter a code"
            };
            let choice = if extension.gate.keypad.is_empty() {
                ""
            } else {
                ", choose a zone"
            };
            format!(
                "Call {} from a phone{code}{choice}, wait for the beep, count aloud to ten, hang up",
                extension.user
            )
        }
        Speaker::Group(index) => format!(
            "Page to {} from its sender for about ten seconds",
            plan.groups[index].address
        ),
        Speaker::Line(_) => "Let the other system speak into the line input for about ten seconds".to_owned(),
        Speaker::Contact(_) => "Close the contact (press the button)".to_owned(),
        Speaker::Schedule(_) | Speaker::Local | Speaker::Test => "Its sound is played now".to_owned(),
    }
}

/// One figure of a page, against what is wanted.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    pub step: &'static str,
    pub value: Option<(f64, &'static str)>,
    pub found: String,
    pub wanted: String,
    pub verdict: Verdict,
    pub note: String,
}

impl Judged {
    fn of(step: &'static str, value: f64, unit: &'static str, wanted: String, is_good: bool) -> Self {
        Judged {
            step,
            value: Some((value, unit)),
            found: format!("{value:.1} {unit}"),
            wanted,
            verdict: if is_good { Verdict::Passed } else { Verdict::Failed },
            note: String::new(),
        }
    }
}

/// How long each relay was operated before the page's chime or speech, s, against its lead; `None` where none was moved for it.
/// `moved`: relays and when they were operated, s after the bid.
pub fn leads(plan: &Plan, speaker: Speaker, record: &Past, moved: &[(RelayId, f64)]) -> Option<Judged> {
    let chime = speaker.paging(plan).chime.sound(&plan.messages);
    let chime = chime.map_or(0.0, |sound| sound.length().as_secs_f64());
    let begins = record.number("wait_ms")? / 1000.0 - chime;
    let mut found = Vec::new();
    let mut worst: Option<(f64, f64)> = None;
    for (id, at) in moved {
        let names = |zone: &&Zone| zone.trigger.contains(id) || zone.mute.contains(id);
        let relay = &plan.relays[usize::from(id.0)];
        let wanted = plan
            .zones
            .iter()
            .filter(names)
            .map(|zone| relay.rules.lead.unwrap_or(zone.lead))
            .max();
        // One that stayed operated from a page before says nothing; nor does one of another page.
        let Some(wanted) = wanted.filter(|_| (-0.05..begins).contains(at)) else {
            continue;
        };
        let (lead, wanted) = (begins - at, wanted.as_secs_f64());
        found.push(format!("{} {lead:.2} s", relay.name));
        if worst.is_none_or(|(lead_before, wanted_before)| lead - wanted < lead_before - wanted_before) {
            worst = Some((lead, wanted));
        }
    }
    let (lead, wanted) = worst?;
    Some(Judged {
        step: "lead",
        value: Some(((lead * 1000.0).round() / 1000.0, "s")),
        found: format!("{} before the first sound", found.join(", ")),
        wanted: format!("{wanted:.2} s or more"),
        verdict: if lead >= wanted - SLACK {
            Verdict::Passed
        } else {
            Verdict::Failed
        },
        note: String::new(),
    })
}

/// What a page's record, as `status` has it under `recent`, says of its source.
pub fn judge(plan: &Plan, speaker: Speaker, record: &Past) -> Vec<Judged> {
    let mut all = vec![reach(plan, speaker, record)];
    let number = |field: &str| record.number(field);
    if !record.was_heard() {
        return all;
    }
    if let Some(delay) = number("wait_ms").map(|ms| ms / 1000.0) {
        let most = (longest_wait(plan, speaker) + LATER).as_secs_f64();
        let waited = number("zone_wait_ms").unwrap_or(0.0) / 1000.0;
        let mut judged = Judged::of(
            "delay",
            delay,
            "s",
            format!("at most {most:.1} s"),
            delay - waited <= most,
        );
        judged.found = format!("{delay:.2} s from {} to speech", beginning(plan, speaker));
        if waited > 0.05 {
            judged.note = format!("{waited:.1} s of it for a zone that another page had");
        }
        all.push(judged);
    }
    // Sounds of ours have the level that they were made with.
    let speaks = !matches!(speaker, Speaker::Contact(_) | Speaker::Schedule(_));
    if let Some(level) = number("level_dbfs").filter(|_| speaks) {
        let (least, most) = SPEECH;
        let wanted = format!("{least:.0} to {most:.0} dBFS at its loudest");
        all.push(Judged::of(
            "level",
            level,
            "dBFS",
            wanted,
            (least..=most).contains(&level),
        ));
    }
    if let Some(lost) = number("lost_percent") {
        let wanted = format!("at most {MOST_LOST:.0} %");
        let mut judged = Judged::of("loss", lost, "%", wanted, lost <= MOST_LOST);
        let packets = number("packets").unwrap_or(0.0);
        judged.note = format!("of {} packets", packets + number("lost").unwrap_or(0.0));
        all.push(judged);
    }
    if let Some(jitter) = number("jitter_ms").filter(|_| number("lost_percent").is_some()) {
        let wanted = format!("at most {MOST_JITTER:.0} ms");
        all.push(Judged::of("jitter", jitter, "ms", wanted, jitter <= MOST_JITTER));
    }
    all
}

/// What the delay is counted from: the bid.
fn beginning(plan: &Plan, speaker: Speaker) -> &'static str {
    match speaker {
        Speaker::Extension(index) => {
            let gate = &plan.extensions[index].gate;
            match gate.codes.is_empty() && gate.keypad.is_empty() {
                true => "the answer",
                false => "the last key",
            }
        }
        Speaker::Group(_) => "the first packet",
        Speaker::Line(_) => "the first sound",
        Speaker::Contact(_) => "the contact",
        Speaker::Schedule(_) | Speaker::Local | Speaker::Test => "the beginning",
    }
}

/// Was it heard in all of its zones?
fn reach(plan: &Plan, speaker: Speaker, record: &Past) -> Judged {
    let missed = record.missed().into_iter().map(|(zone, cause)| match cause {
        Some(cause) => format!("{zone} ({cause})"),
        None => zone,
    });
    let missed: Vec<String> = missed.collect();
    let is_heard = record.was_heard();
    let why = match record.text("quiet_hours").as_str() {
        "" => record.text("why"),
        table => format!("{} {table}", record.text("why")),
    };
    let found = match is_heard {
        false => format!("not heard: {why}"),
        true => format!("heard in {}", record.zones().join(", ")),
    };
    let found = match missed.as_slice() {
        [] => found,
        missed if is_heard => format!("{found}; not in {}", missed.join(", ")),
        _ => found,
    };
    let chooses = match speaker {
        Speaker::Extension(index) => {
            let gate = &plan.extensions[index].gate;
            !gate.keypad.is_empty() || !gate.dial.is_empty()
        }
        _ => false,
    };
    let zones: Vec<&str> = speaker
        .paging(plan)
        .zones
        .iter()
        .filter(|_| !chooses)
        .map(|zone| plan.zones[usize::from(zone.0)].name.as_str())
        .collect();
    Judged {
        step: "reach",
        value: None,
        found,
        wanted: match zones.as_slice() {
            [] => "heard where the caller chose".to_owned(),
            zones => format!("heard in {}", zones.join(", ")),
        },
        verdict: if is_heard && missed.is_empty() {
            Verdict::Passed
        } else {
            Verdict::Failed
        },
        note: match is_heard {
            true => format!("ended: {why}"),
            false => String::new(),
        },
    }
}

/// From the bid to speech, where nothing is in the way.
fn longest_wait(plan: &Plan, speaker: Speaker) -> Duration {
    let paging = speaker.paging(plan);
    let zones = match paging.zones.as_slice() {
        [] => (0..=u16::MAX).take(plan.zones.len()).map(ZoneId).collect(),
        zones => zones.to_vec(),
    };
    let lead = zones.iter().map(|zone| {
        let zone = &plan.zones[usize::from(zone.0)];
        let relays = zone.trigger.iter().chain(&zone.mute);
        let own = relays.filter_map(|relay| plan.relays[usize::from(relay.0)].rules.lead);
        own.chain([zone.lead]).max().unwrap_or_default()
    });
    let chime = paging.chime.sound(&plan.messages).map(|sound| sound.length());
    lead.max().unwrap_or_default() + chime.unwrap_or_default()
}

/// How far a run has come.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Tally {
    pub passed: usize,
    pub failed: usize,
    pub skipped: usize,
    /// Something is known of it, but not what decides.
    pub unfinished: usize,
    pub untried: usize,
}

/// Of these trials, by the last outcomes.
pub fn tally(plan: &Plan, trials: &[Trial], outcomes: &[Outcome]) -> Tally {
    let mut tally = Tally::default();
    for trial in trials {
        match trial.standing(plan, outcomes).0 {
            Standing::Passed => tally.passed += 1,
            Standing::Failed => tally.failed += 1,
            Standing::Skipped => tally.skipped += 1,
            Standing::Measured => tally.unfinished += 1,
            Standing::NotTried => tally.untried += 1,
        }
    }
    tally
}

/// "7 passed, 1 failed, 2 not tried".
impl std::fmt::Display for Tally {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let all = [
            (self.passed, "passed"),
            (self.failed, "failed"),
            (self.skipped, "skipped"),
            (self.unfinished, "not finished"),
            (self.untried, "not tried"),
        ];
        let told: Vec<String> = all
            .iter()
            .filter(|(n, _)| *n > 0)
            .map(|(n, what)| format!("{n} {what}"))
            .collect();
        match told.as_slice() {
            [] => f.write_str("nothing to try"),
            told => write!(
                f,
                "{}: {}",
                plural(all.iter().map(|(n, _)| n).sum(), "trial"),
                told.join(", ")
            ),
        }
    }
}

#[cfg(test)]
mod tests;
