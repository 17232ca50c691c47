//! `hornwire check`.

use std::io::Write as _;
use std::path::PathBuf;

use hornwire::config::{self, Problem, Severity, plan::Plan};

use super::{Exit, exit_of, plural};

/// Prints the key reference.
pub fn keys() -> Exit {
    let _ = std::io::stdout().write_all(config::reference().as_bytes());
    Exit::Ok
}

/// Checks each file; problems go to stderr, one summary line a file to stdout, and the levels of its lines.
pub fn files(files: &[PathBuf]) -> Exit {
    let mut worst = Exit::Ok;
    for file in files {
        let exit = match config::load(file) {
            Ok(loaded) => {
                for problem in &loaded.problems {
                    let _ = writeln!(std::io::stderr(), "{problem}\n");
                }
                let summary = summary(&loaded.problems, loaded.plan.as_ref());
                let _ = writeln!(std::io::stdout(), "{}: {summary}", file.display());
                for line in loaded.plan.iter().flat_map(|plan| levels(plan).chain(messages(plan))) {
                    let _ = writeln!(std::io::stdout(), "{line}");
                }
                if loaded.plan.is_some() { Exit::Ok } else { Exit::Config }
            }
            Err(unreadable) => {
                let _ = writeln!(std::io::stderr(), "hornwire: {unreadable}");
                exit_of(&unreadable)
            }
        };
        // The highest code says most: a config that is wrong, then one that may not be read, then one that is missing.
        if exit as u8 > worst as u8 {
            worst = exit;
        }
    }
    worst
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
            let mut parts = vec![
                plural(plan.zones.len(), "zone"),
                plural(plan.extensions.len(), "extension"),
                plural(plan.groups.len(), "group"),
            ];
            let more = [
                (plan.messages.len(), "stored message"),
                (plan.inputs.len(), "line input"),
                (plan.music.len(), "music input"),
                (plan.contacts.len(), "contact"),
                (plan.vetoes.len(), "veto contact"),
                (plan.schedules.len(), "schedule"),
            ];
            parts.extend(
                more.into_iter()
                    .filter(|(n, _)| *n > 0)
                    .map(|(n, what)| plural(n, what)),
            );
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
