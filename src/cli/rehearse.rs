//! `hornwire rehearse`.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use hornwire::config::plan::Plan;
use hornwire::config::scenario::{self, Scenario};
use hornwire::config::{self, Problem, Severity, Unreadable};
use hornwire::page::ZoneId;
use hornwire::rehearsal::{self, Story};
use hornwire::report::text::plural;

use super::{Exit, exit_of};

/// What to do with a rehearsal.
pub struct Wishes<'a> {
    /// In place of the config that the scenario names.
    pub config: Option<&'a Path>,
    pub svg: Option<&'a Path>,
    /// A time of day and a zone.
    pub explain: Option<(&'a str, &'a str)>,
}

/// Rehearses a scenario.
pub fn run(file: &Path, wishes: &Wishes<'_>) -> Exit {
    let (scenario, plan) = match read(file, wishes.config) {
        Ok(both) => both,
        Err(exit) => return exit,
    };
    #[expect(clippy::disallowed_methods, reason = "any instant will do")]
    let story = rehearsal::rehearse(&plan, &scenario, plan.wall_zone(), Instant::now());
    if let Some((time, zone)) = wishes.explain {
        return explain(&story, time, zone);
    }
    let _ = write!(std::io::stdout(), "{story}");
    if let Some(svg) = wishes.svg {
        if let Err(error) = std::fs::write(svg, rehearsal::draw(&story)) {
            let _ = writeln!(std::io::stderr(), "hornwire: {}: {error}", svg.display());
            return Exit::CannotCreate;
        }
        let _ = writeln!(std::io::stdout(), "timeline: {}", svg.display());
    }
    Exit::Ok
}

/// Says whether a scenario can be rehearsed.
pub fn check(file: &Path) -> Exit {
    match read(file, None) {
        Ok((scenario, plan)) => {
            let events = plural(scenario.events.len(), "event");
            let (file, site) = (file.display(), &plan.site);
            let _ = writeln!(
                std::io::stdout(),
                "{file}: {site}: {events}; `hornwire rehearse {file}` lets them run"
            );
            Exit::Ok
        }
        Err(exit) => exit,
    }
}

fn complain(unreadable: &Unreadable) -> Exit {
    let _ = writeln!(std::io::stderr(), "hornwire: {unreadable}");
    exit_of(unreadable)
}

fn tell(problems: &[Problem]) -> bool {
    for problem in problems {
        let _ = writeln!(std::io::stderr(), "{problem}\n");
    }
    problems.iter().any(|problem| problem.severity == Severity::Error)
}

fn read(file: &Path, config: Option<&Path>) -> Result<(Scenario, Plan), Exit> {
    let (scenario, problems, text) = scenario::load(file).map_err(|error| complain(&error))?;
    tell(&problems);
    let scenario = scenario.ok_or(Exit::Data)?;
    let config: PathBuf = config
        .map(Path::to_owned)
        .or_else(|| scenario.config.clone())
        .unwrap_or_else(|| PathBuf::from(config::DEFAULT_FILE));
    let loaded = config::load(&config).map_err(|error| complain(&error))?;
    // Warnings are for `hornwire check`.
    let errors: Vec<Problem> = loaded
        .problems
        .into_iter()
        .filter(|p| p.severity == Severity::Error)
        .collect();
    tell(&errors);
    let plan = loaded.plan.ok_or(Exit::Config)?;
    if tell(&scenario::check(&scenario, &plan, &text, file)) {
        return Err(Exit::Data);
    }
    Ok((scenario, plan))
}

/// The first moment of that time of day.
fn moment(story: &Story, time: &str) -> Option<Duration> {
    let time = scenario::time_of_day(time).ok()?;
    let began = story.zone.to_datetime(story.began);
    let today = began.date().to_datetime(time);
    let then = if today < began { today.tomorrow().ok()? } else { today };
    let at = story.zone.to_ambiguous_timestamp(then).compatible().ok()?;
    Some(at.duration_since(story.began).unsigned_abs()).filter(|at| *at <= story.length)
}

fn explain(story: &Story, time: &str, zone: &str) -> Exit {
    let Some(at) = moment(story, time) else {
        let (from, to) = (story.clock(Duration::ZERO), story.clock(story.length));
        let _ = writeln!(
            std::io::stderr(),
            "hornwire: {time:?} is no time of this rehearsal, {from} to {to}"
        );
        return Exit::Usage;
    };
    let Some(found) = story.zones.iter().position(|name| name == zone) else {
        let _ = writeln!(
            std::io::stderr(),
            "hornwire: no zone {zone:?}; there are {}",
            story.zones.join(", ")
        );
        return Exit::Usage;
    };
    let zone = ZoneId(u16::try_from(found).unwrap_or_default());
    let _ = write!(std::io::stdout(), "{}", rehearsal::explain(story, at, zone));
    Exit::Ok
}
