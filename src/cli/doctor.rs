//! `hornwire doctor`: what the machine lacks for its config.

use std::fmt::Write as _;
use std::io::{self, Write as _};
use std::path::Path;
use std::time::Duration;

use hornwire::doctor::{self, Finding, Verdict};
use hornwire::report::text::{fill, plural};
use serde_json::json;

use super::local::status_at;
use super::{Exit, exit_of};

/// Widest line.
const WIDTH: usize = 80;
const MARGIN: &str = "         ";

pub fn run(file: &Path, listen: u64, as_json: bool) -> Exit {
    let findings = match doctor::examine(file, Duration::from_secs(listen), &status_at) {
        Ok(findings) => findings,
        Err(unreadable) => {
            let _ = writeln!(io::stderr(), "hornwire: {unreadable}");
            return exit_of(&unreadable);
        }
    };
    let text = match as_json {
        true => {
            let list = findings
                .iter()
                .map(|f| json!({ "verdict": f.verdict.name(), "subject": f.subject, "text": f.text, "todo": f.todo }));
            format!("{}\n", json!(list.collect::<Vec<_>>()))
        }
        false => told(&findings),
    };
    let _ = io::stdout().write_all(text.as_bytes());
    match findings.iter().any(|finding| finding.verdict == Verdict::Fault) {
        true => Exit::Unavailable,
        false => Exit::Ok,
    }
}

fn told(findings: &[Finding]) -> String {
    let mut out = String::new();
    for finding in findings {
        let head = format!("{}: {}", finding.subject, finding.text);
        fill(
            &mut out,
            &head,
            &format!("{:<8} ", finding.verdict.name()),
            MARGIN,
            WIDTH,
        );
        fill(
            &mut out,
            &finding.todo,
            &format!("{MARGIN}→ "),
            &format!("{MARGIN}  "),
            WIDTH,
        );
    }
    let count = |verdict| findings.iter().filter(|finding| finding.verdict == verdict).count();
    let _ = writeln!(
        out,
        "\n{}, {} to look at, {} not known, {} fine",
        plural(count(Verdict::Fault), "fault"),
        count(Verdict::Look),
        count(Verdict::Unknown),
        count(Verdict::Fine)
    );
    out
}
