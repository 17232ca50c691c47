//! The service, real-time scheduling, the clock, the journal.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::SystemTime;

use super::{Finding, Verdict};
use crate::config::plan::Plan;
use crate::device::supervise::PRIORITY;
use crate::report::text::plural;
use crate::report::time::is_set;

const UNIT: &str = "hornwire.service";
/// So many restarts by the service manager itself are no accident.
const MANY_RESTARTS: u64 = 3;

/// What the service manager knows of the gateway.
#[derive(Debug, Default)]
pub struct Service {
    properties: BTreeMap<String, String>,
}

impl Service {
    pub fn ask() -> Self {
        let names = "LoadState,ActiveState,SubState,UnitFileState,NRestarts,Result,ExecMainStatus,User,DynamicUser,Group,SupplementaryGroups,LimitRTPRIO,MainPID";
        let output = Command::new("systemctl")
            .args(["show", UNIT, "--property", names])
            .stdin(Stdio::null())
            .output();
        let text = output.map(|output| String::from_utf8_lossy(&output.stdout).into_owned());
        Service::read(&text.unwrap_or_default())
    }

    /// `Name=value` lines.
    pub fn read(text: &str) -> Self {
        let pairs = text.lines().filter_map(|line| line.split_once('='));
        Service {
            properties: pairs.map(|(name, value)| (name.to_owned(), value.to_owned())).collect(),
        }
    }

    fn get(&self, name: &str) -> &str {
        self.properties.get(name).map_or("", String::as_str)
    }

    pub fn is_installed(&self) -> bool {
        self.get("LoadState") == "loaded"
    }

    pub fn runs(&self) -> bool {
        matches!(self.get("ActiveState"), "active" | "reloading" | "refreshing")
    }

    /// It ends at its start, or soon after it, and the service manager starts it again and again.
    pub fn is_between_starts(&self) -> bool {
        let has_failed = !matches!(self.get("Result"), "" | "success");
        let is_anew = self.get("SubState").starts_with("auto-restart") || self.restarts() > 0;
        match self.get("ActiveState") {
            "activating" => is_anew || has_failed,
            // Not one that somebody stops.
            "deactivating" => has_failed,
            _ => false,
        }
    }

    /// By the service manager itself, since somebody started it.
    fn restarts(&self) -> u64 {
        self.get("NRestarts").parse().unwrap_or(0)
    }

    /// How it ended last, such as ` (exit status 69: a socket or a relay line cannot be had)`; empty where that is
    /// forgotten, since the next start has begun.
    fn ending(&self) -> String {
        // sysexits.h, as `hornwire --help` tells them.
        let why = match self.get("ExecMainStatus") {
            "64" => ": wrong command line",
            "66" => ": the config is missing",
            "69" => ": a socket or a relay line cannot be had",
            "71" => ": the system refused a thread or random numbers",
            "77" => ": no permission to read the config",
            "78" => ": errors in the config",
            _ => "",
        };
        match (self.get("Result"), self.get("ExecMainStatus")) {
            ("" | "success", "" | "0") => String::new(),
            ("" | "success" | "exit-code", status) => format!(" (exit status {status}{why})"),
            // A signal's number would stand in the status.
            (how, _) => format!(" ({how})"),
        }
    }

    /// The groups that the gateway is in.
    pub fn groups(&self) -> Vec<String> {
        let mut groups: Vec<String> = self
            .get("SupplementaryGroups")
            .split_whitespace()
            .map(str::to_owned)
            .collect();
        let own = [self.get("Group"), self.get("User")];
        groups.extend(own.into_iter().find(|name| !name.is_empty()).map(str::to_owned));
        groups
    }

    pub fn user(&self) -> &str {
        self.get("User")
    }

    /// It runs as root, or nobody knows as whom.
    pub fn is_root(&self) -> bool {
        matches!(self.get("User"), "" | "root") || self.get("DynamicUser") == "yes"
    }

    pub fn pid(&self) -> Option<u32> {
        self.get("MainPID").parse().ok().filter(|pid| *pid != 0)
    }

    pub fn findings(&self) -> Vec<Finding> {
        let subject = "service";
        match self.get("LoadState") {
            "loaded" => {}
            "" => {
                return vec![Finding::new(
                    Verdict::Unknown,
                    subject,
                    "no service manager answers here",
                    "the gateway has to be started, and started again, by something else",
                )];
            }
            _ => {
                return vec![Finding::new(
                    Verdict::Look,
                    subject,
                    format!("{UNIT} is not installed"),
                    "install the package, or the unit by hand: the README says how",
                )];
            }
        }
        let mut findings = Vec::new();
        let state = self.get("ActiveState");
        findings.push(match state {
            _ if self.runs() => Finding::fine(subject, "runs"),
            "failed" => Finding::new(
                Verdict::Fault,
                subject,
                format!("has failed{}", self.ending()),
                "sudo journalctl -u hornwire -x -n 20 says why; then: sudo systemctl restart hornwire",
            ),
            _ if self.is_between_starts() => Finding::new(
                Verdict::Fault,
                subject,
                format!(
                    "does not stay up, and is started again and again, {} so far{}",
                    plural(self.restarts().try_into().unwrap_or(usize::MAX), "time"),
                    self.ending()
                ),
                "sudo journalctl -u hornwire -x -n 20 says why",
            ),
            "activating" => Finding::new(
                Verdict::Look,
                subject,
                "is about to start",
                "run the doctor again in some seconds",
            ),
            state => Finding::new(
                Verdict::Look,
                subject,
                format!("does not run: {state}"),
                "sudo systemctl enable --now hornwire",
            ),
        });
        if self.get("UnitFileState") != "enabled" {
            findings.push(Finding::new(
                Verdict::Look,
                subject,
                "is not started at boot",
                "sudo systemctl enable hornwire",
            ));
        }
        let n = self.restarts();
        if n >= MANY_RESTARTS && !self.is_between_starts() {
            findings.push(Finding::new(
                Verdict::Look,
                subject,
                format!("was started again {n} times by itself"),
                "journalctl -u hornwire -x: what stands before each start?",
            ));
        }
        findings
    }
}

/// Real-time scheduling, as it is where the gateway runs, else as its unit would allow it.
pub fn real_time(plan: &Plan, service: &Service) -> Vec<Finding> {
    let subject = "real-time scheduling";
    if plan.cards.is_empty() {
        return Vec::new();
    }
    if let Some(pid) = service.pid().filter(|_| service.runs()) {
        let threads = audio_threads(pid);
        let without: Vec<&str> = threads
            .iter()
            .filter(|(_, real_time)| !real_time)
            .map(|(name, _)| name.as_str())
            .collect();
        return vec![match (threads.is_empty(), without.as_slice()) {
            (true, _) => Finding::new(
                Verdict::Unknown,
                subject,
                "the gateway's threads cannot be seen",
                "run the doctor as root",
            ),
            (false, []) => Finding::fine(subject, format!("all {} audio threads have it", threads.len())),
            (false, without) => Finding::new(
                Verdict::Look,
                subject,
                format!("not given to: {}", without.join(", ")),
                "LimitRTPRIO= of the unit; in a container the host must allow it",
            ),
        }];
    }
    let limit = service.get("LimitRTPRIO");
    match if limit == "infinity" {
        Ok(i64::from(PRIORITY))
    } else {
        limit.parse::<i64>()
    } {
        Ok(limit) if limit < i64::from(PRIORITY) && limit >= 0 => vec![Finding::new(
            Verdict::Look,
            subject,
            format!("the unit allows priority {limit}, {PRIORITY} is asked for"),
            "LimitRTPRIO= in the unit or a drop-in",
        )],
        Ok(_) => vec![Finding::fine(subject, "the unit allows it")],
        Err(_) => Vec::new(),
    }
}

/// Audio and capture threads, and whether each has first-in-first-out or round-robin scheduling.
fn audio_threads(pid: u32) -> Vec<(String, bool)> {
    let tasks = fs::read_dir(format!("/proc/{pid}/task"))
        .into_iter()
        .flatten()
        .flatten();
    let threads = tasks.filter_map(|task| {
        let name = fs::read_to_string(task.path().join("comm")).ok()?.trim().to_owned();
        let stat = fs::read_to_string(task.path().join("stat")).ok()?;
        let is_audio = name.starts_with("audio ") || name.starts_with("capture ");
        is_audio.then(|| (name, policy(&stat).is_some_and(|policy| policy == 1 || policy == 2)))
    });
    threads.collect()
}

/// The scheduling policy of a thread: field 41 of its `stat` (proc(5)); the name before may hold anything.
pub fn policy(stat: &str) -> Option<u32> {
    let (_, behind) = stat.rsplit_once(')')?;
    // Behind the name comes field 3.
    behind.split_whitespace().nth(41 - 3)?.parse().ok()
}

/// Whether hours and schedules can be relied on.
pub fn clock(plan: &Plan) -> Finding {
    let subject = "clock";
    let matters = plan.asks_for_the_time();
    if !is_set(SystemTime::now()) {
        let verdict = if matters { Verdict::Fault } else { Verdict::Look };
        return Finding::new(
            verdict,
            subject,
            "shows a time before this program was made: it is not set",
            "is a time server reached? timedatectl timesync-status",
        );
    }
    let output = Command::new("timedatectl")
        .args(["show", "--property", "NTPSynchronized", "--value"])
        .stdin(Stdio::null())
        .output();
    let said = output.map(|output| String::from_utf8_lossy(&output.stdout).trim().to_owned());
    match said.as_deref() {
        Ok("yes") => Finding::fine(subject, "is kept by a time server"),
        Ok("no") => Finding::new(
            if matters { Verdict::Look } else { Verdict::Unknown },
            subject,
            match matters {
                true => "is set, but no time server keeps it, and this config has hours or schedules",
                false => "is set, but no time server keeps it; only the journal's times depend on it here",
            },
            "sudo timedatectl set-ntp true; is there a way to the time server?",
        ),
        _ => Finding::new(
            Verdict::Unknown,
            subject,
            "is set; whether a time server keeps it is not known",
            "",
        ),
    }
}

/// Whether what happened is still known after a restart.
pub fn journal() -> Finding {
    let subject = "journal";
    let has_files = |path: &str| fs::read_dir(Path::new(path)).is_ok_and(|mut entries| entries.next().is_some());
    if has_files("/var/log/journal") {
        Finding::fine(subject, "is kept over restarts")
    } else if has_files("/run/log/journal") {
        Finding::new(
            Verdict::Look,
            subject,
            "is kept in memory: after a restart nothing is known of before",
            "for a card that can be written to: sudo mkdir -p /var/log/journal && sudo systemctl restart systemd-journald; for a read-only one \
             send it elsewhere (systemd-journal-upload)",
        )
    } else {
        Finding::new(
            Verdict::Unknown,
            subject,
            "no journal can be seen",
            "run the doctor as root; is journald running?",
        )
    }
}
