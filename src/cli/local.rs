//! `hornwire status`, `stop`, `announce`: questions to the running program.
#![allow(clippy::disallowed_methods)]

use std::fs::File;
use std::io::{self, BufRead as _, BufReader, ErrorKind, Read as _, Write as _};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use hornwire::config::plan::Socket;
use hornwire::report::entry::clean;
use hornwire::report::status::Status;

use super::{Exit, complain};

/// Where the service's socket is.
pub const SOCKET: &str = "/run/hornwire/control.sock";
pub const PATIENCE: Duration = Duration::from_secs(60);
/// Longest line that is told, characters.
const MAX_TOLD: usize = 1000;
/// Longest answer, octets.
const MAX_ANSWER: u64 = 4 * 1024 * 1024;

/// What is common to all questions.
#[derive(Debug, clap::Args)]
pub struct To {
    /// The running program's socket.
    #[arg(long, value_name = "PATH", default_value = SOCKET)]
    socket: PathBuf,
    /// Print the answer as one line of JSON.
    #[arg(long)]
    json: bool,
}

/// What is announced, and where.
#[derive(Debug, clap::Args)]
#[command(group(clap::ArgGroup::new("sound").required(true).args(["file", "plays"])))]
pub struct Announcement {
    /// A WAV or Ogg Opus file.
    #[arg(value_name = "FILE")]
    file: Option<PathBuf>,
    /// A stored message of the config, or "bell", "single", "double", "triple", in place of a file.
    #[arg(long, value_name = "NAME")]
    plays: Option<String>,
    /// A zone or a zone group; may come several times.
    #[arg(long = "zone", value_name = "NAME", required = true)]
    zones: Vec<String>,
    /// In place of the config's `priority` in [control].
    #[arg(long, value_name = "0-100", value_parser = clap::value_parser!(u8).range(0..=100))]
    priority: Option<u8>,
    /// How often it is played.
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=100))]
    times: u32,
}

pub fn status(to: &To) -> Exit {
    ask(to, &json!({ "command": "status" }), None, tell_status)
}

/// The answer to `status`; `None` if nobody answers.
pub fn status_at(socket: &Socket) -> Option<Status> {
    let socket = match socket {
        Socket::Usual => Path::new(SOCKET),
        Socket::At(path) => path,
        Socket::None => return None,
    };
    let answer = exchange(socket, &json!({ "command": "status" }), None, PATIENCE);
    answer.ok().map(|status| Status::of(&status))
}

pub fn stop(to: &To, page: u64) -> Exit {
    ask(to, &json!({ "command": "stop", "page": page }), None, |answer| {
        format!("page {page} from {} stopped\n", text(answer, "source"))
    })
}

pub fn announce(to: &To, wanted: &Announcement) -> Exit {
    let mut question = json!({ "command": "announce", "zones": wanted.zones, "times": wanted.times });
    if let Some(priority) = wanted.priority {
        question["priority"] = json!(priority);
    }
    let mut content = Vec::new();
    if let Some(name) = &wanted.plays {
        question["plays"] = json!(name);
    }
    if let Some(file) = &wanted.file {
        if let Err(error) = File::open(file).and_then(|mut file| file.read_to_end(&mut content)) {
            complain(&format!("{}: {error}", file.display()));
            return match error.kind() {
                ErrorKind::PermissionDenied => Exit::NoPermission,
                _ => Exit::NoInput,
            };
        }
        question["octets"] = json!(content.len());
    }
    ask(to, &question, Some(&content), |answer| match text(answer, "state") {
        "refused" => format!("page {}: refused: {}\n", answer["page"], text(answer, "why")),
        state => format!("page {}: {state}\n", answer["page"]),
    })
}

/// Asks, and prints the answer.
fn ask(to: &To, question: &Value, content: Option<&[u8]>, tell: impl Fn(&Value) -> String) -> Exit {
    let answer = match exchange(&to.socket, question, content, PATIENCE) {
        Ok(answer) => answer,
        Err(error) => return unanswered(&to.socket, &error),
    };
    if to.json {
        let _ = writeln!(io::stdout(), "{answer}");
    }
    if let Some(error) = answer.get("error") {
        if !to.json {
            complain(error.as_str().unwrap_or_default());
        }
        return Exit::Data;
    }
    if !to.json {
        // Names come from far ends.
        let told = tell(&answer);
        for line in told.lines() {
            let _ = writeln!(io::stdout(), "{}{}", indent(line), clean(line, MAX_TOLD));
        }
    }
    match answer.get("state").and_then(Value::as_str) {
        Some("refused") => Exit::NotNow,
        _ => Exit::Ok,
    }
}

/// The blanks before a line, which cleaning takes away.
fn indent(line: &str) -> &str {
    &line[..line.len() - line.trim_start_matches(' ').len()]
}

/// Complains that nobody has answered.
pub fn unanswered(socket: &Path, error: &io::Error) -> Exit {
    let socket = socket.display();
    match error.kind() {
        ErrorKind::PermissionDenied => {
            complain(&format!(
                "{socket}: no permission; its group, hornwire, may ask, and so may root"
            ));
            Exit::NoPermission
        }
        ErrorKind::NotFound | ErrorKind::ConnectionRefused => {
            complain(&format!(
                "{socket}: nobody is there; does the gateway run, and is this its socket?"
            ));
            Exit::Unavailable
        }
        _ => {
            complain(&format!("{socket}: {error}"));
            Exit::Unavailable
        }
    }
}

/// Asks the gateway at that socket. `patience`: for each octet to be taken, and for the answer.
///
/// # Errors
/// When nobody answers.
pub fn exchange(socket: &Path, question: &Value, content: Option<&[u8]>, patience: Duration) -> io::Result<Value> {
    conversed(socket, question, content, patience).map(|(answer, _)| answer)
}

/// Asks, and keeps the connection.
///
/// # Errors
/// When nobody answers.
pub fn conversation(socket: &Path, question: &Value) -> io::Result<(Value, UnixStream)> {
    conversed(socket, question, None, PATIENCE)
}

fn conversed(
    socket: &Path,
    question: &Value,
    content: Option<&[u8]>,
    patience: Duration,
) -> io::Result<(Value, UnixStream)> {
    let mut stream = UnixStream::connect(socket)?;
    stream.set_read_timeout(Some(patience))?;
    stream.set_write_timeout(Some(patience))?;
    let sent = writeln!(stream, "{question}").and_then(|()| stream.write_all(content.unwrap_or_default()));
    let (mut line, by) = (Vec::new(), Instant::now() + patience);
    let mut reader = BufReader::new((&stream).take(MAX_ANSWER));
    let read = loop {
        match reader.fill_buf() {
            Ok([]) => break Ok(()),
            Ok(octets) => {
                let end = octets.iter().position(|octet| *octet == b'\n');
                let taken = end.map_or(octets.len(), |end| end + 1);
                line.extend_from_slice(&octets[..taken]);
                reader.consume(taken);
                if end.is_some() {
                    break Ok(());
                }
            }
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            Err(error) => break Err(error),
        }
        // Each octet has its own patience, all of them together have no more.
        if Instant::now() > by {
            break Err(io::Error::from(ErrorKind::TimedOut));
        }
    };
    if !line.ends_with(b"\n") {
        sent?;
        read?;
        return Err(io::Error::other("no whole answer; it is asked too much, or stops"));
    }
    let answer = serde_json::from_slice(&line).map_err(io::Error::other)?;
    Ok((answer, stream))
}

fn text<'a>(value: &'a Value, key: &str) -> &'a str {
    value.get(key).and_then(Value::as_str).unwrap_or_default()
}

/// The answer to `status`, for people.
fn tell_status(status: &Value) -> String {
    let status = Status::of(status);
    let mut lines = vec![format!("{}: {}", status.site, status.state())];
    let widths = status.zones.iter().map(|zone| zone.name.chars().count());
    let width = widths.max().unwrap_or(0);
    for zone in &status.zones {
        let name = &zone.name;
        lines.push(match (zone.out_of_use, zone.page) {
            (Some(why), _) => format!("zone {name:width$}  out of use: {}", why.text()),
            (None, Some(page)) => format!("zone {name:width$}  {} page {page}", zone.phase),
            (None, None) => format!("zone {name:width$}  {}", zone.phase),
        });
    }
    lines.extend(status.pages.iter().map(|page| {
        let (id, from, priority) = (page.id, page.from(), page.priority);
        format!(
            "page {id} from {from}, priority {priority}: {}; it came {} s ago",
            page.state, page.seconds
        )
    }));
    if !status.relays.is_empty() {
        let operated = status.relays.iter().filter(|relay| relay.operated);
        let operated = operated.map(|relay| relay.name.clone()).collect();
        lines.push(format!("relays operated: {}", joined(operated, "none")));
    }
    for registration in &status.registrations {
        let extension = &registration.extension;
        let registrars = joined(registration.registrars.clone(), "nowhere");
        lines.push(format!("extension {extension} registered at: {registrars}"));
        let refusals = registration.refusals.iter();
        lines.extend(refusals.map(|(registrar, cause)| format!("  refused at {registrar}: {cause}")));
    }
    lines.extend(status.missing.iter().map(|missing| format!("missing: {missing}")));
    if !status.config_waits.is_empty() {
        let what = status.config_waits.join(", ");
        lines.push(format!("a new config waits until nothing is on; it changes {what}"));
    }
    if status.config_refused {
        lines.push("the config that was read last is faulty and not in use: hornwire check".to_owned());
    }
    if let Some((schedule, at)) = &status.next {
        lines.push(format!("next: {schedule} at {at}"));
    }
    lines.join("\n  ") + "\n"
}

fn joined(names: Vec<String>, none: &str) -> String {
    match names.as_slice() {
        [] => none.to_owned(),
        names => names.join(", "),
    }
}
