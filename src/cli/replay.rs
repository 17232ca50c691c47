//! `hornwire replay`: a packet capture through the gateway, in simulated time.

use std::fmt::Write as _;
use std::fs::{self, File};
use std::io::{self, ErrorKind, Write as _};
use std::net::IpAddr;
use std::path::{Path, PathBuf};

use hornwire::config::{self, Problem, Severity};
use hornwire::rehearsal;
use hornwire::replay::{self, CaptureError, ReplayError, Replayed};
use hornwire::report::text::{fill, plural};
use serde_json::{Value, json};

use super::{Exit, exit_of};

/// Widest line.
const WIDTH: usize = 80;

/// What is replayed, and how.
#[derive(Debug, clap::Args)]
pub struct Wanted {
    /// A capture in the pcap or pcapng format.
    #[arg(value_name = "CAPTURE")]
    capture: PathBuf,
    /// The config that the gateway goes by.
    #[arg(long, value_name = "FILE", default_value = config::DEFAULT_FILE)]
    config: PathBuf,
    /// The gateway's address in the capture, where it cannot be told from it.
    #[arg(long, value_name = "IP")]
    address: Option<IpAddr>,
    /// Where the recordings and the timeline go; made if it is not there.
    #[arg(long, default_value = "hornwire-replay", value_name = "DIR")]
    out: PathBuf,
    /// Print what came of it as JSON.
    #[arg(long)]
    json: bool,
}

pub fn run(wanted: &Wanted) -> Exit {
    match replayed(wanted) {
        Ok((replayed, timeline)) => {
            let text = match wanted.json {
                true => format!("{}\n", machine(&replayed, &timeline)),
                false => people(&replayed, &timeline),
            };
            let _ = io::stdout().write_all(text.as_bytes());
            Exit::Ok
        }
        Err(exit) => exit,
    }
}

fn complain(place: &Path, cause: &dyn std::fmt::Display) {
    let mut text = String::new();
    fill(
        &mut text,
        &format!("{}: {cause}", place.display()),
        "hornwire: ",
        "  ",
        WIDTH,
    );
    let _ = io::stderr().write_all(text.as_bytes());
}

fn replayed(wanted: &Wanted) -> Result<(Replayed, PathBuf), Exit> {
    let (loaded, away) = config::load_away(&wanted.config).map_err(|unreadable| {
        let _ = writeln!(io::stderr(), "hornwire: {unreadable}");
        exit_of(&unreadable)
    })?;
    for problem in loaded.problems.iter().filter(|p| p.severity == Severity::Error) {
        let _ = writeln!(io::stderr(), "{problem}\n");
    }
    let plan = loaded.plan.ok_or(Exit::Config)?;
    let file = File::open(&wanted.capture).map_err(|error| {
        complain(&wanted.capture, &error);
        match error.kind() {
            ErrorKind::PermissionDenied => Exit::NoPermission,
            _ => Exit::NoInput,
        }
    })?;
    let capture = replay::read(file, &replay::sip_ports(&plan)).map_err(|error: CaptureError| {
        complain(&wanted.capture, &error);
        Exit::Data
    })?;
    let cannot_create = |error: &dyn std::fmt::Display| {
        complain(&wanted.out, error);
        Exit::CannotCreate
    };
    fs::create_dir_all(&wanted.out).map_err(|error| cannot_create(&error))?;
    let mut replayed = replay::replay(plan, &capture, wanted.address, &wanted.out).map_err(|error| match error {
        ReplayError::WhichBoard { .. }
        | ReplayError::NotThere { .. }
        | ReplayError::NoneOfIt { .. }
        | ReplayError::TooLong(_) => {
            complain(&wanted.capture, &error);
            Exit::Data
        }
        other => {
            let _ = writeln!(io::stderr(), "hornwire: {other}");
            Exit::System
        }
    })?;
    replayed.notes.extend(away.iter().map(without));
    let timeline = wanted.out.join("timeline.svg");
    fs::write(&timeline, rehearsal::draw(&replayed.story)).map_err(|error| cannot_create(&error))?;
    Ok((replayed, timeline))
}

/// What the machine on site has, and a desk has not.
fn without(problem: &Problem) -> String {
    let consequence = match problem.key.starts_with("tls") {
        true => "",
        false => ": no access code fits, and groups with a key cannot be opened",
    };
    let Problem { key, found, .. } = problem;
    format!("{key}: {found}; a replay does without{consequence}")
}

/// The day, a journal's line in as many as it needs.
fn journal(out: &mut String, story: &str) {
    for line in story.lines() {
        match line.split_once("  ") {
            Some((time, text)) => fill(
                out,
                text,
                &format!("{time}  "),
                &" ".repeat(time.chars().count() + 2),
                WIDTH,
            ),
            None => {
                out.push_str(line);
                out.push('\n');
            }
        }
    }
}

fn people(replayed: &Replayed, timeline: &Path) -> String {
    let mut out = String::new();
    journal(&mut out, &replayed.story.to_string());
    out.push('\n');
    for note in &replayed.notes {
        fill(&mut out, note, "Note: ", "      ", WIDTH);
    }
    let heard = replayed
        .pages
        .iter()
        .filter(|page| page.record.heard_at.is_some())
        .count();
    let _ = writeln!(out, "\n{}, {heard} heard.", plural(replayed.pages.len(), "page"));
    for (zone, file) in &replayed.files {
        let _ = writeln!(out, "Listen: {} (zone {zone})", file.display());
    }
    let _ = writeln!(out, "Look at: {}", timeline.display());
    out
}

fn machine(replayed: &Replayed, timeline: &Path) -> Value {
    let story = &replayed.story;
    let pages = replayed.pages.iter().map(|page| {
        let ended = story.page(page.record.page).map(|of| story.stamp(of.ended_at));
        page.past(None, ended).json()
    });
    let relays = story.relays.iter().zip(&story.moves).map(|(relay, moves)| {
        let moves = moves
            .iter()
            .map(|(at, operated)| json!({ "at": story.stamp(*at), "operated": operated }));
        json!({ "relay": relay, "moves": moves.collect::<Vec<_>>() })
    });
    let lines = replayed
        .lines
        .iter()
        .map(|line| json!({ "at": story.stamp(line.at), "severity": line.severity.name(), "text": line.text }));
    let files = replayed
        .files
        .iter()
        .map(|(zone, file)| json!({ "zone": zone, "file": file }));
    json!({
        "pages": pages.collect::<Vec<_>>(),
        "relays": relays.collect::<Vec<_>>(),
        "journal": lines.collect::<Vec<_>>(),
        "notes": replayed.notes,
        "files": files.collect::<Vec<_>>(),
        "timeline": timeline,
    })
}
