//! What was measured and tried, and what was not: from the logbook.

use super::document::{Section, Table};
use super::words::sentence;
use crate::bench::commission::trials;
use crate::bench::logbook::{Kind, Outcome, Standing, latest, standing};
use crate::config::plan::Plan;
use crate::report::text::plural;

/// Values in a config have one decimal place, dB.
const SAME: f64 = 0.06;

/// One thing that ought to be tried.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Thing {
    pub kind: Kind,
    pub name: String,
    pub standing: Standing,
}

/// Everything in the config that can be tried, as it stands.
pub fn things(plan: &Plan, outcomes: &[Outcome]) -> Vec<Thing> {
    let trials = trials(plan);
    let tried = trials
        .iter()
        .map(|trial| (trial.kind(), trial.name(plan), trial.step()));
    let cards = plan
        .cards
        .iter()
        .map(|card| (Kind::Card, card.name.as_str(), "full-scale"));
    let all = tried.chain(cards);
    all.map(|(kind, name, step)| Thing {
        kind,
        name: name.to_owned(),
        standing: standing(outcomes, kind, name, step),
    })
    .collect()
}

/// `unread`: lines of the logbook that are no outcomes. `changed`: the day of the config's last change, `YYYY-MM-DD`.
pub fn section(plan: &Plan, outcomes: &[Outcome], unread: usize, changed: Option<&str>) -> Section {
    let mut out = Section::new("What was measured and tried");
    let things = things(plan, outcomes);
    let last = latest(outcomes);
    if last.is_empty() {
        out.caution("Nothing of this has been measured or tried on site, as far as the logbook knows. What this document says comes from the config alone.");
    }
    if unread > 0 {
        out.caution(format!(
            "{} of the logbook could not be read, and is missing here.",
            plural(unread, "line")
        ));
    }
    let before =
        |outcome: &&&Outcome| changed.is_some_and(|changed| outcome.at.get(..10).is_some_and(|day| day < changed));
    let old = last.iter().filter(before).count();
    if let Some(changed) = changed.filter(|_| old > 0) {
        out.caution(format!(
            "The config was changed on {changed}, after {old} of these {} outcomes: try again what matters.",
            last.len()
        ));
    }
    for contradiction in contradictions(plan, &last) {
        out.caution(contradiction);
    }
    for (standing, title, told) in [
        (
            Standing::Failed,
            "Failed",
            "These did not do what was wanted; see below.",
        ),
        (
            Standing::Skipped,
            "Skipped",
            "These were left out on purpose; see below for the reason.",
        ),
        (
            Standing::Measured,
            "Measured, not judged",
            "Of these there are values, and nobody has said whether they are good.",
        ),
        (
            Standing::NotTried,
            "Not tried",
            "Of these there is no outcome at all: whether they work is not known.",
        ),
    ] {
        let items = by_kind(&things, standing);
        if !items.is_empty() {
            out.heading(title);
            out.text(told);
            out.list(items);
        }
    }
    let passed = by_kind(&things, Standing::Passed);
    if !passed.is_empty() {
        out.heading("Passed");
        out.list(passed);
    }
    let mut table = Table::new(&["What", "Step", "Found", "Wanted", "Verdict", "When, by whom"]);
    let is_there = |outcome: &Outcome| {
        things
            .iter()
            .any(|thing| thing.kind == outcome.kind && thing.name == outcome.name)
    };
    let (here, gone): (Vec<&Outcome>, Vec<&Outcome>) = last.into_iter().partition(|outcome| is_there(outcome));
    for thing in &things {
        let of = here
            .iter()
            .filter(|outcome| outcome.kind == thing.kind && outcome.name == thing.name);
        for outcome in of {
            table.row(row(outcome));
        }
    }
    if !table.rows.is_empty() {
        out.heading("Every outcome");
        out.text("Of each step the last one.");
        out.table(table);
    }
    let mut table = Table::new(&["What", "Step", "Found", "Wanted", "Verdict", "When, by whom"]);
    for outcome in gone {
        table.row(row(outcome));
    }
    if !table.rows.is_empty() {
        out.heading("About what is no longer in the config");
        out.table(table);
    }
    out
}

/// What was measured and then set otherwise: everything that was tried after the one was tried at a level that is not that of the other.
fn contradictions(plan: &Plan, last: &[&Outcome]) -> Vec<String> {
    let card = |name: &str| plan.cards.iter().find(|card| card.name == name);
    let zone = |name: &str| plan.zones.iter().find(|zone| zone.name == name);
    let told = |outcome: &&Outcome| {
        let (found, name) = (outcome.value.as_ref()?.0, outcome.name.as_str());
        let (what, unit, now) = match (outcome.kind, outcome.step.as_str()) {
            (Kind::Card, "full-scale") => (
                format!("The full scale of card {name} was measured as"),
                "dBm",
                card(name)?.full_scale.map(|full| full.0),
            ),
            (Kind::Zone, "gain") => (
                format!("The gain of zone {name} was set to"),
                "dB",
                Some(zone(name)?.gain.0),
            ),
            _ => return None,
        };
        let is_so = now.is_some_and(|now| (f64::from(now) - found).abs() < SAME);
        let now = now.map_or_else(|| "has none".to_owned(), |now| format!("has {now:+.1} {unit}"));
        (!is_so).then(|| {
            format!(
                "{what} {found:+.1} {unit} on {}, and the config {now}: measure it again, or put it back.",
                day(outcome)
            )
        })
    };
    last.iter().filter_map(told).collect()
}

fn day(outcome: &Outcome) -> &str {
    outcome.at.get(..10).unwrap_or(&outcome.at)
}

/// `extensions: yard-page, all-page`.
fn by_kind(things: &[Thing], standing: Standing) -> Vec<String> {
    let mut kinds: Vec<Kind> = things.iter().map(|thing| thing.kind).collect();
    kinds.dedup();
    let line = |kind: &Kind| {
        let of = things
            .iter()
            .filter(|thing| thing.kind == *kind && thing.standing == standing);
        let names: Vec<&str> = of.map(|thing| thing.name.as_str()).collect();
        (!names.is_empty()).then(|| format!("{}: {}", sentence(kind_name(*kind)), names.join(", ")))
    };
    kinds.iter().filter_map(line).collect()
}

fn row(outcome: &Outcome) -> Vec<String> {
    let found = match (&outcome.value, outcome.found.as_str()) {
        (Some((value, unit)), "") => format!("{value} {unit}"),
        (_, found) => found.to_owned(),
    };
    let found = [found.as_str(), outcome.note.as_str()];
    let found: Vec<&str> = found.into_iter().filter(|text| !text.is_empty()).collect();
    // `2027-03-02T10:15:00+01:00` to `2027-03-02 10:15`.
    let at = outcome.at.get(..16).unwrap_or(&outcome.at).replacen('T', " ", 1);
    let when = [at.as_str(), outcome.by.as_str()];
    let when: Vec<&str> = when.into_iter().filter(|text| !text.is_empty()).collect();
    vec![
        format!("{} {}", kind_name(outcome.kind), outcome.name),
        step(outcome.kind, &outcome.step),
        found.join("; "),
        match outcome.wanted == outcome.found && !outcome.found.is_empty() {
            true => "the same".to_owned(),
            false => outcome.wanted.clone(),
        },
        outcome.verdict.name().to_owned(),
        when.join(", "),
    ]
}

fn kind_name(kind: Kind) -> &'static str {
    match kind {
        Kind::Extension => "telephone extension",
        Kind::Group => "page key group",
        Kind::Line => "line input",
        Kind::Contact => "contact",
        Kind::Veto => "take-over by another system",
        other => other.name(),
    }
}

/// In words; a step that is not known by its own name.
fn step(kind: Kind, step: &str) -> String {
    let words = match (kind, step) {
        (Kind::Card, "full-scale") => "Strongest sine of the card, across the line",
        (Kind::Zone, "gain") => "Gain that was set",
        (Kind::Zone, "level") => "Speech on the line to the amplifier",
        (Kind::Zone, "heard") => "Identification tone heard there, and only there",
        (Kind::Relay, "operates") => "Relay moves, and does what it should",
        (Kind::Veto, "takes-over") => "Takes over its zones, and gives them back",
        (_, "lead") => "Relays operated before the first sound",
        (Kind::Music, "back") => "Silent or softer under pages, and back after them",
        (Kind::Music, "return") => "Time until it was back after a page",
        (_, "page") => "A page by it, as a whole",
        (_, "reach") => "Where a page was heard",
        (_, "level") => "Speech as it came in (0 dBFS is the most there is)",
        (_, "delay") => "From the beginning until speech is heard",
        (_, "loss") => "Packets lost on the network",
        (_, "jitter") => "Unevenness of the network (jitter)",
        (_, "heard") => "How it was heard",
        (_, other) => other,
    };
    words.to_owned()
}
