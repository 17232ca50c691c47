//! `hornwire doctor`: what the machine lacks for its config.

use std::fmt::Write as _;
use std::io::{self, Write as _};
use std::path::Path;
use std::time::Duration;

use hornwire::doctor::{self, Finding, Verdict};
use serde_json::json;

use super::{Exit, exit_of};

/// Widest line.
const WIDTH: usize = 80;
const MARGIN: &str = "         ";

pub fn run(file: &Path, listen: u64, as_json: bool) -> Exit {
    let findings = match doctor::examine(file, Duration::from_secs(listen)) {
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
        let head = format!("{:<8} {}: {}", finding.verdict.name(), finding.subject, finding.text);
        wrap(&mut out, &head);
        if !finding.todo.is_empty() {
            wrap(&mut out, &format!("{MARGIN}→ {}", finding.todo));
        }
    }
    let count = |verdict| findings.iter().filter(|finding| finding.verdict == verdict).count();
    let _ = writeln!(
        out,
        "\n{}, {} to look at, {} not known, {} fine",
        super::plural(count(Verdict::Fault), "fault"),
        count(Verdict::Look),
        count(Verdict::Unknown),
        count(Verdict::Fine)
    );
    out
}

/// Adds a text; lines after the first are set in.
fn wrap(out: &mut String, text: &str) {
    let indent = text.len() - text.trim_start().len();
    let mut line = " ".repeat(indent);
    let mut is_empty = true;
    // The first word keeps its column.
    let (first, rest) = text
        .trim_start()
        .split_at(if indent == 0 { 8.min(text.len()) } else { 0 });
    line.push_str(first);
    if !first.is_empty() {
        is_empty = false;
    }
    for word in rest.split_whitespace() {
        if !is_empty && line.chars().count() + 1 + word.chars().count() > WIDTH {
            out.push_str(&line);
            out.push('\n');
            line = format!("{MARGIN}{}", if indent > 0 { "  " } else { "" });
            is_empty = true;
        }
        if !is_empty {
            line.push(' ');
        }
        line.push_str(word);
        is_empty = false;
    }
    out.push_str(&line);
    out.push('\n');
}
