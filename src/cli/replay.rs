//! `hornwire replay`: a packet capture through the gateway, in simulated time.

use std::fmt::Write as _;
use std::fs::{self, File};
use std::io::{self, BufReader, ErrorKind, Write as _};
use std::net::IpAddr;
use std::path::{Path, PathBuf};

use hornwire::config::{self, Severity};
use hornwire::rehearsal;
use hornwire::replay::{self, CaptureError, ReplayError, Replayed};
use hornwire::report::record::reason_code;
use hornwire::report::text::{fill, plural};
use serde_json::{Value, json};

use super::{Exit, exit_of};

/// Widest line of what is said beside the journal's lines.
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
    let _ = writeln!(io::stderr(), "hornwire: {}: {cause}", place.display());
}

fn replayed(wanted: &Wanted) -> Result<(Replayed, PathBuf), Exit> {
    let loaded = config::load(&wanted.config).map_err(|unreadable| {
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
    let capture = replay::read(BufReader::new(file)).map_err(|error: CaptureError| {
        complain(&wanted.capture, &error);
        Exit::Data
    })?;
    let cannot_create = |error: &dyn std::fmt::Display| {
        complain(&wanted.out, error);
        Exit::CannotCreate
    };
    fs::create_dir_all(&wanted.out).map_err(|error| cannot_create(&error))?;
    let replayed = replay::replay(plan, &capture, wanted.address, &wanted.out).map_err(|error| match error {
        ReplayError::WhichBoard { .. } | ReplayError::TooLong(_) => {
            complain(&wanted.capture, &error);
            Exit::Data
        }
        other => {
            let _ = writeln!(io::stderr(), "hornwire: {other}");
            Exit::System
        }
    })?;
    let timeline = wanted.out.join("timeline.svg");
    fs::write(&timeline, rehearsal::draw(&replayed.story)).map_err(|error| cannot_create(&error))?;
    Ok((replayed, timeline))
}

fn people(replayed: &Replayed, timeline: &Path) -> String {
    let mut out = replayed.story.to_string();
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
    let seconds = |at: std::time::Duration| (at.as_secs_f64() * 1000.0).round() / 1000.0;
    let pages = replayed.pages.iter().map(|page| {
        let of = story.page(page.record.page);
        json!({
            "page": page.record.page.0,
            "source": page.source,
            "caller": page.caller,
            "zones": page.zones,
            "missed": page.missed.iter().map(|missed| missed.zone.as_str()).collect::<Vec<_>>(),
            "began": of.map(|of| story.clock(of.bid_at)),
            "heard_s": seconds(page.record.heard_for),
            "reason": reason_code(page.record.reason),
            "codec": page.codec,
            "packets": page.reception.packets,
            "lost": page.reception.lost,
            "jitter_ms": page.reception.jitter_ms,
            "late": page.playout.late,
            "level_dbfs": page.level.map(|level| level.0),
        })
    });
    let relays = story.relays.iter().zip(&story.moves).map(|(relay, moves)| {
        let moves = moves
            .iter()
            .map(|(at, operated)| json!({ "at": story.clock(*at), "operated": operated }));
        json!({ "relay": relay, "moves": moves.collect::<Vec<_>>() })
    });
    let lines = replayed
        .lines
        .iter()
        .map(|line| json!({ "at": story.clock(line.at), "severity": line.severity.name(), "text": line.text }));
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
