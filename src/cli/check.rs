//! `hornwire check`.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use hornwire::config::{self, Loaded, Problem, Severity, plan::Plan};
use hornwire::doctor::access;
use hornwire::report::entry;
use hornwire::report::text::plural;

use super::{Exit, exit_of};

/// Prints the key reference.
pub fn keys() -> Exit {
    let _ = std::io::stdout().write_all(config::reference().as_bytes());
    Exit::Ok
}

/// Checks each file, a config or a scenario; problems go to stderr, one summary line a file to stdout, and what there is to tell of it.
pub fn files(files: &[PathBuf]) -> Exit {
    let is_scenario = |file: &Path| file.extension().is_some_and(|extension| extension == "scenario");
    let exits = files.iter().map(|file| match is_scenario(file) {
        true => super::rehearse::check(file),
        false => config_file(file),
    });
    // The highest code says most: a config that is wrong, then one that may not be read, then one that is missing.
    exits.max_by_key(|exit| *exit as u8).unwrap_or(Exit::Ok)
}

fn config_file(file: &Path) -> Exit {
    let mut loaded = match config::load(file) {
        Ok(loaded) => loaded,
        Err(unreadable) => {
            let _ = writeln!(std::io::stderr(), "hornwire: {unreadable}");
            return exit_of(&unreadable);
        }
    };
    let closed = closed_to_the_service(file, &loaded);
    loaded.problems.extend(closed);
    for problem in &loaded.problems {
        let _ = writeln!(std::io::stderr(), "{problem}\n");
    }
    let summary = summary(&loaded.problems, loaded.plan.as_ref());
    let _ = writeln!(std::io::stdout(), "{}: {summary}", file.display());
    for further in &loaded.site {
        let _ = writeln!(
            std::io::stdout(),
            "  with {}",
            entry::clean(&further.display().to_string(), 200)
        );
    }
    let Some(plan) = &loaded.plan else {
        return Exit::Config;
    };
    for line in levels(plan).chain(messages(plan)).chain(schedules(plan)) {
        let _ = writeln!(std::io::stdout(), "{line}");
    }
    Exit::Ok
}

/// The service's user, and where its config is, as the package has them.
const SERVICE: &str = "hornwire";
const FOLDER: &str = "/etc/hornwire";

/// Root reads everything; here it is asked whether the service can. Nothing is known of a config elsewhere.
fn closed_to_the_service(file: &Path, loaded: &Loaded) -> Vec<Problem> {
    let is_its_own = std::path::absolute(file).is_ok_and(|file| file.starts_with(FOLDER));
    if !is_its_own || !access::is_root() {
        return Vec::new();
    }
    let Some(account) = access::Account::of(SERVICE, &[]) else {
        return Vec::new();
    };
    let barriers = access::barriers(&access::needed(file, loaded), &account);
    let problems = barriers.iter().map(|barrier| Problem {
        severity: Severity::Warning,
        file: barrier.path.display().to_string(),
        place: None,
        key: String::new(),
        found: barrier.text(),
        wanted: "what the service itself can read: it does not start otherwise".to_owned(),
        hint: barrier.todo(),
    });
    problems.collect()
}

fn summary(problems: &[Problem], plan: Option<&Plan>) -> String {
    let count = |severity| problems.iter().filter(|p| p.severity == severity).count();
    let told = match (count(Severity::Error), count(Severity::Warning)) {
        (0, 0) => "no problems".to_owned(),
        (0, warnings) => plural(warnings, "warning"),
        (errors, 0) => plural(errors, "error"),
        (errors, warnings) => format!("{}, {}", plural(errors, "error"), plural(warnings, "warning")),
    };
    match plan {
        None => told,
        Some(plan) => {
            let parts = [
                (plan.zones.len(), "zone"),
                (plan.extensions.len(), "extension"),
                (plan.zone_groups.len(), "zone group"),
                (plan.groups.len(), "multicast group"),
                (plan.messages.len(), "stored message"),
                (plan.inputs.len(), "line input"),
                (plan.music.len(), "music input"),
                (plan.contacts.len(), "contact"),
                (plan.vetoes.len(), "veto contact"),
                (plan.schedules.len(), "schedule"),
            ];
            let parts = parts.into_iter().filter(|(n, _)| *n > 0);
            let parts: Vec<String> = parts.map(|(n, what)| plural(n, what)).collect();
            format!("{told}. {}: {}", plan.site, parts.join(", "))
        }
    }
}

/// A line for each stored message.
fn messages(plan: &Plan) -> impl Iterator<Item = String> {
    plan.messages.iter().map(|message| {
        let level = message.recording.about().level.map_or(f32::NEG_INFINITY, |l| l.0);
        format!(
            "  message {}: {:.1} s, speech at {level:.1} dBFS, played with a gain of {:+.1} dB",
            message.name,
            message.recording.length().as_secs_f64(),
            message.recording.levelling().0 + message.gain.0
        )
    })
}

/// A line for each zone whose card has been measured.
fn levels(plan: &Plan) -> impl Iterator<Item = String> {
    plan.zones.iter().filter_map(|zone| {
        let level = plan.line_level(zone)?;
        Some(format!(
            "  zone {}: speech at {:+.1} dBm, no peak above that of a sine at {:+.1} dBm, into 600 ohm",
            zone.name, level.speech.0, level.most.0
        ))
    })
}

/// A line for each schedule: when it is due next.
fn schedules(plan: &Plan) -> impl Iterator<Item = String> {
    #[expect(clippy::disallowed_methods, reason = "the days left from today on are the question")]
    let now = jiff::Timestamp::now();
    let zone = plan.wall_zone();
    plan.schedules.iter().map(move |schedule| {
        let next = schedule.timetable.next(now, &zone);
        let due = next.map(|next| zone.to_datetime(next).strftime("next on %a %F %H:%M").to_string());
        let due = due.unwrap_or_else(|| "not due any more: its terms are over".to_owned());
        format!("  schedule {}: {due}", schedule.name)
    })
}
