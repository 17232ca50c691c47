//! `hornwire doctor`: the running machine against the config. Nothing is changed, and no relay moves.
//!
//! Each look gives findings: what was looked at, how it is, and what to do about it. What cannot be known here is said
//! so, instead of being left out.
#![allow(clippy::disallowed_methods)]

use std::path::Path;
use std::time::Duration;

use crate::config::plan::Socket;
use crate::config::{self, Loaded, Problem, Severity, Unreadable};
use crate::report::status::Status;
use crate::report::text::plural;

pub mod access;
mod lines;
mod multicast;
mod registrars;
mod sockets;
mod sound;
mod system;

/// So many warnings about the config are told one by one.
const MOST_WARNINGS: usize = 5;

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
    status: &dyn Fn(&Socket) -> Option<Status>,
) -> Result<Vec<Finding>, Unreadable> {
    let loaded = config::load(file)?;
    let is_root = access::is_root();
    let mut findings = config(file, &loaded, is_root);
    let service = system::Service::ask();
    findings.extend(service.findings());
    if is_root && !service.is_root() {
        findings.extend(readable(file, &loaded, &service));
    }
    let Some(plan) = &loaded.plan else {
        findings.push(Finding::new(
            Verdict::Unknown,
            "everything else",
            "what the config names cannot be looked at before all of it is read and free of errors",
            "",
        ));
        return Ok(findings);
    };
    let status = status(&plan.control.socket);
    if status.is_none() && !service.runs() {
        findings.extend(sockets::free(plan, &service));
    }
    findings.extend(sound::cards(plan, &service));
    findings.extend(sound::inputs(plan, &service));
    findings.extend(lines::lines(plan, &service));
    findings.extend(system::real_time(plan, &service));
    findings.push(system::clock(plan));
    findings.extend(registrars::registrars(plan, status.as_ref()));
    findings.extend(multicast::groups(plan, &service, listen));
    let of_gateway = sockets::told(plan, &service, status.as_ref(), &findings);
    findings.extend(of_gateway);
    findings.push(system::journal());
    Ok(findings)
}

/// What is wrong in the files themselves. An error counts for nothing while only `root` could read what it is about.
fn config(file: &Path, loaded: &Loaded, is_root: bool) -> Vec<Finding> {
    let subject = "config";
    let told = format!("hornwire check {}", file.display());
    let (errors, warnings): (Vec<&Problem>, Vec<&Problem>) =
        loaded.problems.iter().partition(|p| p.severity == Severity::Error);
    let (closed, faults): (Vec<&Problem>, Vec<&Problem>) =
        errors.into_iter().partition(|p| p.is_forbidden() && !is_root);
    let mut findings = Vec::new();
    if !faults.is_empty() {
        let text = format!("{}: the gateway would not start with it", plural(faults.len(), "error"));
        findings.push(Finding::new(Verdict::Fault, subject, text, told.as_str()));
    }
    findings.extend(closed.iter().map(|problem| {
        let text = match problem.place {
            Some(_) => problem.found.clone(),
            None => format!("{}: {}", problem.file, problem.found),
        };
        Finding::new(
            Verdict::Unknown,
            subject,
            text,
            "run the doctor as root: sudo hornwire doctor",
        )
    }));
    findings.extend(warnings.iter().take(MOST_WARNINGS).map(|problem| {
        let line = problem.place.map(|place| format!(":{}", place.line));
        let parts = [
            format!("{}{}", problem.file, line.unwrap_or_default()),
            problem.key.clone(),
            problem.found.clone(),
        ];
        let parts: Vec<&str> = parts
            .iter()
            .map(String::as_str)
            .filter(|part| !part.is_empty())
            .collect();
        let todo = match problem.hint.as_str() {
            "" => format!("wanted: {}", problem.wanted),
            hint => hint.to_owned(),
        };
        Finding::new(Verdict::Look, subject, parts.join(": "), todo)
    }));
    if let Some(more) = warnings.len().checked_sub(MOST_WARNINGS).filter(|more| *more > 0) {
        let text = format!("{} more", plural(more, "warning"));
        findings.push(Finding::new(Verdict::Look, subject, text, told));
    }
    if findings.is_empty() {
        findings.push(Finding::fine(subject, "no problem in it"));
    }
    findings
}

/// Whether the service's user may read what root may.
fn readable(file: &Path, loaded: &Loaded, service: &system::Service) -> Vec<Finding> {
    let user = service.user();
    let Some(account) = access::Account::of(user, &service.groups()) else {
        let text = format!("there is no user {user}: the gateway cannot be started");
        return vec![Finding::new(Verdict::Fault, "service", text, "sudo systemd-sysusers")];
    };
    let files = access::needed(file, loaded);
    let barriers = access::barriers(&files, &account);
    if barriers.is_empty() {
        let text = format!("the service's user, {user}, may read all of it");
        return vec![Finding::fine("config", text)];
    }
    let faults = barriers.iter().map(|barrier| {
        let subject = format!("{}", barrier.path.display());
        Finding::new(Verdict::Fault, &subject, barrier.text(), barrier.todo())
    });
    faults.collect()
}

#[cfg(test)]
mod tests;
