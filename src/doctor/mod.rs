//! `hornwire doctor`: the running machine against the config. Nothing is changed, and no relay moves.
//!
//! Each look gives findings: what was looked at, how it is, and what to do about it. What cannot be known here is said
//! so, instead of being left out.
#![allow(clippy::disallowed_methods)]

use std::path::Path;
use std::time::Duration;

use serde_json::Value;

use crate::config::plan::Socket;
use crate::config::{self, Severity, Unreadable};
use crate::report::text::plural;

mod lines;
mod multicast;
mod registrars;
mod sound;
mod system;

/// How it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Verdict {
    Fine,
    /// It cannot be known from here.
    Unknown,
    /// It works, but not as well, or not for ever.
    Look,
    Fault,
}

impl Verdict {
    pub fn name(self) -> &'static str {
        match self {
            Verdict::Fine => "fine",
            Verdict::Unknown => "unknown",
            Verdict::Look => "look",
            Verdict::Fault => "FAULT",
        }
    }
}

/// One thing that was looked at.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    pub verdict: Verdict,
    /// What was looked at: `sound card line`.
    pub subject: String,
    /// How it is.
    pub text: String,
    /// What to do; empty if there is nothing.
    pub todo: String,
}

impl Finding {
    fn new(verdict: Verdict, subject: &str, text: impl Into<String>, todo: impl Into<String>) -> Self {
        Finding {
            verdict,
            subject: subject.to_owned(),
            text: text.into(),
            todo: todo.into(),
        }
    }

    fn fine(subject: &str, text: impl Into<String>) -> Self {
        Finding::new(Verdict::Fine, subject, text, "")
    }
}

/// Looks at everything that the config names. `listen`: how long to wait for queries of an IGMP or MLD querier. `status` asks
/// the running program at its socket for its status (`hornwire status --json`).
///
/// # Errors
/// When the config cannot be read at all.
pub fn examine(
    file: &Path,
    listen: Duration,
    status: &dyn Fn(&Socket) -> Option<Value>,
) -> Result<Vec<Finding>, Unreadable> {
    let loaded = config::load(file)?;
    let errors = loaded.problems.iter().filter(|p| p.severity == Severity::Error).count();
    let warnings = loaded.problems.len() - errors;
    let mut findings = Vec::new();
    let told = format!("hornwire check {}", file.display());
    findings.push(match (errors, warnings) {
        (0, 0) => Finding::fine("config", "no problem in it"),
        (0, n) => Finding::new(Verdict::Look, "config", plural(n, "warning"), told),
        (n, _) => Finding::new(
            Verdict::Fault,
            "config",
            format!("{}: the gateway would not start with it", plural(n, "error")),
            told,
        ),
    });
    let service = system::Service::ask();
    findings.extend(service.findings());
    let Some(plan) = &loaded.plan else {
        findings.push(Finding::new(
            Verdict::Unknown,
            "everything else",
            "what the config names cannot be looked at before it is free of errors",
            "",
        ));
        return Ok(findings);
    };
    findings.extend(sound::cards(plan, &service));
    findings.extend(sound::inputs(plan, &service));
    findings.extend(lines::lines(plan, &service));
    findings.extend(system::real_time(plan, &service));
    findings.push(system::clock(plan));
    findings.extend(registrars::registrars(plan, status));
    findings.extend(multicast::groups(plan, &service, listen));
    findings.push(system::journal());
    Ok(findings)
}

#[cfg(test)]
mod tests;
