//! `hornwire why`: the journal's entries, told in plain sentences.

use std::collections::BTreeSet;
use std::fs::File;
use std::io::{self, ErrorKind, Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use hornwire::report::why::{self, Question, Said};
use jiff::civil::{Date, DateTime, Time};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan as _};

use super::{Exit, complain};

/// What to read, and what is asked.
#[derive(Debug, clap::Args)]
pub struct Wanted {
    /// When it was: HH:MM, "yesterday HH:MM" or "YYYY-MM-DD HH:MM", by this machine's clock.
    #[arg(long, value_name = "TIME")]
    at: Option<String>,
    /// A zone where it should have been heard.
    #[arg(long, value_name = "NAME")]
    zone: Option<String>,
    /// A part of the caller's name, number or address, or of the source's name.
    #[arg(long, value_name = "TEXT")]
    caller: Option<String>,
    /// The gateway's unit.
    #[arg(long, value_name = "UNIT", default_value = "hornwire.service")]
    unit: String,
    /// Journal files of other boards, as systemd-journal-remote keeps them.
    #[arg(long, value_name = "DIR", conflicts_with = "file")]
    directory: Option<PathBuf>,
    /// The board whose journal it is, where there are several.
    #[arg(long, value_name = "HOST")]
    host: Option<String>,
    /// What `journalctl -o json` has printed; - is the standard input.
    #[arg(long, value_name = "FILE")]
    file: Option<PathBuf>,
}

#[expect(clippy::disallowed_methods, reason = "today is where the question stands")]
pub fn run(wanted: &Wanted) -> Exit {
    let (now, zone) = (Timestamp::now(), TimeZone::system());
    let at = match wanted.at.as_deref().map(|text| moment(text, now, &zone)) {
        Some(None) => {
            complain(
                "--at wants a time such as 10:32, \"yesterday 10:32\" or \"2026-11-30 10:32\"; it counts by this machine's clock",
            );
            return Exit::Usage;
        }
        Some(at) => at,
        None => None,
    };
    let text = match &wanted.file {
        Some(file) => read(file).map_err(|error| {
            complain(&format!("{}: {error}", file.display()));
            match error.kind() {
                ErrorKind::PermissionDenied => Exit::NoPermission,
                _ => Exit::NoInput,
            }
        }),
        None => {
            journal(wanted, at.unwrap_or(now), Stretch::Around).and_then(|text| match text.is_empty() && at.is_none() {
                // It may have stopped days ago.
                true => journal(wanted, now, Stretch::Last),
                false => Ok(text),
            })
        }
    };
    let text = match text {
        Ok(text) => text,
        Err(exit) => return exit,
    };
    let said = match Said::read(&text) {
        Ok(said) => said,
        Err(error) => {
            let name = wanted
                .file
                .as_deref()
                .map_or("the journal".into(), Path::to_string_lossy);
            complain(&format!("{name}, {error}"));
            return Exit::Data;
        }
    };
    let said: Vec<Said> = match &wanted.host {
        Some(host) => said.into_iter().filter(|said| said.has("_HOSTNAME", host)).collect(),
        None => said,
    };
    let hosts: BTreeSet<&str> = said.iter().filter_map(|said| said.field("_HOSTNAME")).collect();
    if hosts.len() > 1 {
        let hosts: Vec<&str> = hosts.into_iter().collect();
        complain(&format!(
            "these are the journals of several boards; name one by --host: {}",
            hosts.join(", ")
        ));
        return Exit::Usage;
    }
    let question = Question {
        at,
        zone: wanted.zone.clone(),
        caller: wanted.caller.clone(),
    };
    let _ = io::stdout().write_all(why::tell(&said, &question, &zone, now).as_bytes());
    Exit::Ok
}

/// Largest file that is read, octets.
const MOST: u64 = 256 * 1024 * 1024;

fn read(file: &Path) -> io::Result<String> {
    let mut octets = Vec::new();
    if file == Path::new("-") {
        io::stdin().lock().take(MOST + 1).read_to_end(&mut octets)?;
    } else {
        File::open(file)?.take(MOST + 1).read_to_end(&mut octets)?;
    }
    if octets.len() as u64 > MOST {
        return Err(io::Error::other(
            "larger than 256 MiB; --since and --until of journalctl make it smaller",
        ));
    }
    Ok(String::from_utf8_lossy(&octets).into_owned())
}

/// How much of the journal is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stretch {
    /// What was said around a time.
    Around,
    /// What was said last, whenever that was.
    Last,
}

/// Most entries that are read of what was said last.
const LAST: usize = 5000;

/// What the journal has of the unit, the service manager's own words about it included.
fn journal(wanted: &Wanted, at: Timestamp, stretch: Stretch) -> Result<String, Exit> {
    let edge = |time| at.saturating_add(time).unwrap_or(at).as_second();
    let (since, until) = (edge(-why::BEFORE), edge(why::BEHIND));
    let mut command = Command::new("journalctl");
    command
        .args(["--no-pager", "--all", "--quiet", "-o", "json"])
        .args(["--unit", &wanted.unit]);
    match stretch {
        Stretch::Around => command
            .arg(format!("--since=@{since}"))
            .arg(format!("--until=@{until}")),
        Stretch::Last => command.arg(format!("--lines={LAST}")),
    };
    if let Some(directory) = &wanted.directory {
        command.arg("--directory").arg(directory);
    }
    if let Some(host) = &wanted.host {
        command.arg(format!("_HOSTNAME={host}"));
    }
    let output = command.stdin(Stdio::null()).output().map_err(|error| {
        complain(&format!("journalctl: {error}"));
        Exit::NoInput
    })?;
    let complaint = String::from_utf8_lossy(&output.stderr).trim().to_owned();
    if !output.status.success() || (output.stdout.is_empty() && !complaint.is_empty()) {
        complain(&format!("journalctl: {complaint}"));
        let may_not = complaint.contains("ermission");
        if may_not {
            complain("root and the group systemd-journal may read it: sudo usermod -aG systemd-journal NAME");
        }
        return Err(if may_not { Exit::NoPermission } else { Exit::NoInput });
    }
    Ok(String::from_utf8_lossy(&output.stdout).into_owned())
}

/// The beginning of the minute that is meant. A time alone is the last such time before `now`.
fn moment(text: &str, now: Timestamp, zone: &TimeZone) -> Option<Timestamp> {
    let today = zone.to_datetime(now).date();
    let words: Vec<&str> = text.split_whitespace().collect();
    let (date, time) = match words[..] {
        [time] => match time.parse::<DateTime>() {
            // 2026-11-30T10:32.
            Ok(both) if time.contains('T') => (Some(both.date()), both.time()),
            _ => (None, clock(time)?),
        },
        ["today", time] => (Some(today), clock(time)?),
        ["yesterday", time] => (Some(today.yesterday().ok()?), clock(time)?),
        [date, time] => (Some(date.parse::<Date>().ok()?), clock(time)?),
        _ => return None,
    };
    let of = |date: Date| {
        let minute = time.with().second(0).subsec_nanosecond(0).build().ok()?;
        zone.to_ambiguous_timestamp(date.to_datetime(minute)).compatible().ok()
    };
    match date {
        Some(date) => of(date),
        None => of(today)
            .filter(|at| *at <= now)
            .or_else(|| of(today.checked_sub(1.day()).ok()?)),
    }
}

/// `9:05`, `09:05`, `09:05:30`.
fn clock(text: &str) -> Option<Time> {
    let mut parts = text.splitn(3, ':').map(|part| part.parse::<i8>().ok());
    let (hour, minute) = (parts.next()??, parts.next()??);
    let second = parts.next().unwrap_or(Some(0))?;
    Time::new(hour, minute, second, 0).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_as_people_write_them() {
        let zone = TimeZone::UTC;
        let now: Timestamp = "2026-11-30T10:40:00Z".parse().unwrap();
        for (text, meant) in [
            ("10:32", "2026-11-30T10:32:00Z"),
            ("10:32:59", "2026-11-30T10:32:00Z"),
            ("9:05", "2026-11-30T09:05:00Z"),
            ("10:41", "2026-11-29T10:41:00Z"),
            ("today 10:41", "2026-11-30T10:41:00Z"),
            ("yesterday 23:59", "2026-11-29T23:59:00Z"),
            ("2026-02-28 00:00", "2026-02-28T00:00:00Z"),
            ("2026-02-28T07:01", "2026-02-28T07:01:00Z"),
        ] {
            assert_eq!(moment(text, now, &zone), Some(meant.parse().unwrap()), "{text}");
        }
        for wrong in [
            "",
            "10",
            "25:00",
            "10:60",
            "noon",
            "2026-02-30 10:00",
            "10:32 PM",
            "a b c",
        ] {
            assert_eq!(moment(wrong, now, &zone), None, "{wrong}");
        }
    }
}
