//! Commands and exit codes.

use std::io::{IsTerminal as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Parser as _;
use hornwire::config::plan::Plan;
use hornwire::config::{self, Severity};
use hornwire::report::text::fill;

use arguments::{Arguments, Command};

mod arguments;
mod calibrate;
mod check;
mod code;
mod commission;
mod demo;
mod dialogue;
mod doctor;
mod handover;
mod levels;
mod listen;
mod local;
mod logbook;
mod manual;
mod rehearse;
mod replay;
mod run;
mod tone;
mod watch;
mod why;
mod wiring;
mod workbench;

/// Exit codes, after sysexits.h.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    Ok = 0,
    /// Wrong command line.
    Usage = 64,
    /// What was typed cannot be taken.
    Data = 65,
    /// A file is missing or cannot be read.
    NoInput = 66,
    /// A socket or relay line cannot be had.
    Unavailable = 69,
    /// The demonstration did not go as it should.
    Software = 70,
    /// The system refused something.
    System = 71,
    /// A file cannot be made.
    CannotCreate = 73,
    /// The zones are taken.
    NotNow = 75,
    /// A file may not be read.
    NoPermission = 77,
    /// The config file has errors.
    Config = 78,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        ExitCode::from(exit as u8)
    }
}

/// Runs the command that the process was started with.
pub fn main() -> ExitCode {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => {
            // Help and version come this way too; both may meet a closed pipe.
            let _ = error.print();
            return if error.use_stderr() { Exit::Usage } else { Exit::Ok }.into();
        }
    };
    match arguments.command {
        Command::Run { file } => run::run(&file),
        Command::RestRelays { file } => run::rest_relays(&file),
        Command::Code { name } => code::run(&name),
        Command::Why { wanted } => why::run(&wanted),
        Command::Doctor { file, listen, json } => doctor::run(&file, listen, json),
        Command::Replay { wanted } => replay::run(&wanted),
        Command::Listen { wanted } => listen::run(&wanted),
        Command::Levels(wanted) => levels::run(&wanted),
        Command::Commission(wanted) => commission::run(&wanted),
        Command::Calibrate(wanted) => calibrate::run(&wanted),
        Command::Tone(wanted) => tone::run(&wanted),
        Command::Relay(wanted) => tone::relay(&wanted),
        Command::Handover { wishes } => handover::run(&wishes),
        Command::Wiring { wishes } => wiring::run(&wishes),
        Command::Manual { directory } => manual::run(&directory),
        Command::Demo { out } => demo::run(&out),
        Command::Status { to } => local::status(&to),
        Command::Watch(wanted) => watch::run(&wanted),
        Command::Stop { page, to } => local::stop(&to, page),
        Command::Announce { what, to } => local::announce(&to, &what),
        Command::Rehearse {
            scenario,
            config,
            svg,
            explain,
        } => rehearse::run(
            &scenario,
            &rehearse::Wishes {
                config: config.as_deref(),
                svg: svg.as_deref(),
                explain: explain.as_deref().and_then(|words| match words {
                    [time, zone] => Some((time.as_str(), zone.as_str())),
                    _ => None,
                }),
            },
        ),
        Command::Check { keys: true, .. } => check::keys(),
        Command::Check { files, .. } => check::files(&files),
    }
    .into()
}

/// A terminal breaks long lines within words.
fn complain(text: &str) {
    let mut out = String::new();
    if std::io::stderr().is_terminal() {
        let mut first = "hornwire: ";
        for line in text.lines() {
            let indent: String = line.chars().take_while(|c| *c == ' ').collect();
            let (start, rest) = if first.is_empty() {
                (indent.as_str(), indent.as_str())
            } else {
                (first, "  ")
            };
            match line.trim() {
                "" => out.push('\n'),
                line => fill(&mut out, line, start, rest, 80),
            }
            first = "";
        }
    } else {
        out = format!("hornwire: {text}\n");
    }
    let _ = std::io::stderr().write_all(out.as_bytes());
}

/// The plan of a config that has no errors, and the files behind it; complains otherwise.
///
/// # Errors
/// After the complaint.
fn plan_and_site(file: &Path) -> Result<(Plan, Vec<PathBuf>), Exit> {
    let loaded = config::load(file).map_err(|unreadable| {
        complain(&unreadable.to_string());
        exit_of(&unreadable)
    })?;
    // Warnings are for `hornwire check`.
    for problem in loaded.problems.iter().filter(|p| p.severity == Severity::Error) {
        let _ = writeln!(std::io::stderr(), "{problem}\n");
    }
    Ok((loaded.plan.ok_or(Exit::Config)?, loaded.site))
}

/// As [`plan_and_site`], the plan alone.
///
/// # Errors
/// After the complaint.
fn plan(file: &Path) -> Result<Plan, Exit> {
    plan_and_site(file).map(|(plan, _)| plan)
}

/// The exit code for a file that could not be read.
fn exit_of(unreadable: &config::Unreadable) -> Exit {
    match unreadable {
        config::Unreadable::Forbidden { .. } => Exit::NoPermission,
        _ => Exit::NoInput,
    }
}
