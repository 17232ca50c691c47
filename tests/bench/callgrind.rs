//! Instructions, counted by valgrind's callgrind: the bench runs itself with some work twice, short and long, and the
//! difference has no start-up in it.

use std::path::Path;
use std::process::{Command, Stdio};

use crate::{Extent, Failure, Row, thousands};

/// The argument that makes this program do work instead of measuring it.
pub const WORK: &str = "--work";

pub fn rows(extent: Extent) -> Vec<Row> {
    let row = |what: &str, figure: Result<u64, Failure>| Row {
        what: what.to_owned(),
        figure: figure.map(|n| format!("{} instructions", thousands(n))),
        goal: String::new(),
    };
    let audio = [
        ("PCMU", "pcmu"),
        ("PCMA", "pcma"),
        ("G.722", "g722"),
        ("Opus", "opus"),
        ("L16/48000", "l16"),
    ];
    let mut rows: Vec<Row> = audio
        .into_iter()
        .map(|(name, work)| {
            let what = format!("one {name} stream into one zone, a second of audio");
            row(&what, per_unit(work, extent.audio))
        })
        .collect();
    rows.push(row(
        "8 zones, each hearing one of 32 PCMU groups that all send, a second of audio",
        per_unit("site", extent.audio),
    ));
    rows.push(row(
        "an INVITE read and answered with 200 and SDP",
        per_unit("invite", extent.calls),
    ));
    rows.push(row(
        "a whole call: INVITE, 200, ACK, BYE, 200",
        per_unit("call", extent.calls),
    ));
    rows
}

fn per_unit(work: &str, (short, long): (u32, u32)) -> Result<u64, Failure> {
    let few = instructions(work, short)?;
    let many = instructions(work, long)?;
    many.checked_sub(few)
        .map(|n| n / u64::from(long - short))
        .ok_or_else(|| Failure::Broken(format!("{few} instructions for {short}, but {many} for {long}")))
}

fn instructions(work: &str, amount: u32) -> Result<u64, Failure> {
    let out = std::env::temp_dir().join(format!("hornwire-callgrind-{}", std::process::id()));
    let this = std::env::current_exe().map_err(Failure::broken)?;
    let run = command(&out, &this.to_string_lossy())
        .args([WORK, work, &amount.to_string()])
        .stdin(Stdio::null())
        .output();
    let run = match run {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            return Err(Failure::NotMeasured("valgrind is not installed".to_owned()));
        }
        Err(error) => return Err(Failure::broken(error)),
        Ok(run) => run,
    };
    let total = total(&out);
    let _ = std::fs::remove_file(&out);
    if !run.status.success() {
        let said = String::from_utf8_lossy(&run.stderr);
        let last: Vec<&str> = said.lines().filter(|l| !l.starts_with("==")).collect();
        return Err(Failure::Broken(format!("{work}: {}", last.join(" "))));
    }
    total
}

/// `program` under callgrind, which writes its profile to `out`.
pub fn command(out: &Path, program: &str) -> Command {
    let mut command = Command::new("valgrind");
    command
        .arg("--tool=callgrind")
        .arg(format!("--callgrind-out-file={}", out.display()))
        .arg(program);
    command
}

/// All instructions of a profile: "totals: N" ends it; "summary: N" heads each of its parts.
pub fn total(profile: &Path) -> Result<u64, Failure> {
    let text = std::fs::read_to_string(profile).map_err(Failure::broken)?;
    let number = |name: &str| text.lines().find_map(|l| l.strip_prefix(name)?.trim().parse().ok());
    number("totals: ")
        .or_else(|| number("summary: "))
        .ok_or_else(|| Failure::Broken("callgrind wrote no total".to_owned()))
}
