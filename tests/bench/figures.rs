//! `cargo bench`: figures of speed, size and sound, one table. Nothing here passes or fails by a clock; goals stand
//! beside the figures. Those of `sound` are the same on every machine, and must hold. A tool that is missing is said in
//! its row. Without `--bench` (`cargo test --benches`) every measurement is short: a check that the bench itself works.
#![allow(clippy::disallowed_methods)]

mod caller;
mod callgrind;
mod calls;
mod chain;
mod deadline;
mod drift;
mod flood;
mod gstreamer;
mod program;
mod quality;
mod side_by_side;
mod signal;
mod soak;
mod sound;
mod sound_server;
mod traces;
mod work;

use std::process::ExitCode;
use std::time::Duration;

/// One row of the table.
struct Row {
    what: String,
    /// What was measured, or why not.
    figure: Result<String, Failure>,
    goal: String,
}

/// Why there is no figure.
#[derive(Debug, Clone)]
enum Failure {
    /// A tool is not installed here, or the machine was too busy: no fault of ours.
    NotMeasured(String),
    /// The bench or the program is broken.
    Broken(String),
}

impl Failure {
    fn broken(cause: impl std::fmt::Display) -> Self {
        Failure::Broken(cause.to_string())
    }
}

/// How long to measure.
#[derive(Debug, Clone, Copy)]
struct Extent {
    /// Real-time runs, after they have settled.
    listening: Duration,
    /// Seconds of audio and calls under callgrind: a short and a long run, whose difference counts.
    audio: (u32, u32),
    calls: (u32, u32),
    /// Real-time runs of whole programs under callgrind.
    counting: (Duration, Duration),
    calls_in_a_row: u32,
    calls_in_the_race: u32,
    /// Simulated time of a drifting sender.
    drifting: Duration,
    /// Simulated time of pages, and time on the wall.
    soak: (Duration, Duration),
}

const FULL: Extent = Extent {
    listening: Duration::from_secs(20),
    audio: (10, 40),
    calls: (4, 24),
    counting: (Duration::from_secs(4), Duration::from_secs(16)),
    calls_in_a_row: 10_000,
    calls_in_the_race: 6_000,
    drifting: Duration::from_secs(72 * 3600),
    soak: (Duration::from_secs(24 * 3600), Duration::from_secs(3600)),
};

const SMOKE: Extent = Extent {
    listening: Duration::from_secs(4),
    audio: (1, 2),
    calls: (2, 4),
    counting: (Duration::from_secs(2), Duration::from_secs(4)),
    calls_in_a_row: 500,
    calls_in_the_race: 500,
    drifting: Duration::from_secs(600),
    soak: (Duration::from_secs(3600), Duration::from_secs(10)),
};

type Measure = fn(Extent) -> Vec<Row>;

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if let Some(at) = arguments.iter().position(|a| a == callgrind::WORK) {
        return work::run(&arguments[at + 1..]);
    }
    let full = arguments.iter().any(|a| a == "--bench");
    let extent = if full { FULL } else { SMOKE };
    if !full {
        println!("short runs: the figures mean little (cargo bench measures)");
    }
    // Further words choose groups of rows: `cargo bench -- calls`.
    let chosen: Vec<&String> = arguments.iter().filter(|a| !a.starts_with('-')).collect();
    let groups: [(&str, Measure); 11] = [
        ("callgrind", callgrind::rows),
        ("sound", sound::rows),
        ("deadline", deadline::rows),
        ("drift", drift::rows),
        ("program", program::rows),
        ("calls", calls::rows),
        ("flood", flood::rows),
        ("side-by-side", side_by_side::rows),
        ("quality", quality::alone),
        ("beside", quality::beside),
        ("soak", soak::rows),
    ];
    let mut rows = Vec::new();
    for (name, measure) in groups {
        // An hour and more: only who asks for it gets the whole of it.
        let by_itself = name != "soak" || !full;
        if chosen.is_empty() && by_itself || chosen.iter().any(|c| *c == name) {
            rows.extend(measure(extent));
        }
    }
    print(&rows);
    let broken = rows.iter().any(|r| matches!(r.figure, Err(Failure::Broken(_))));
    if broken { ExitCode::FAILURE } else { ExitCode::SUCCESS }
}

fn print(rows: &[Row]) {
    let figure = |row: &Row| match &row.figure {
        Ok(text) => text.clone(),
        Err(Failure::NotMeasured(_)) => "not measured".to_owned(),
        Err(Failure::Broken(_)) => "FAILED".to_owned(),
    };
    let wide = |column: &dyn Fn(&Row) -> String| rows.iter().map(|r| column(r).chars().count()).max().unwrap_or(0);
    let (first, second) = (wide(&|r| r.what.clone()), wide(&figure));
    println!();
    for row in rows {
        let line = format!("{:<first$}  {:>second$}  {}", row.what, figure(row), row.goal);
        println!("{}", line.trim_end());
        if let Err(Failure::NotMeasured(cause) | Failure::Broken(cause)) = &row.figure {
            println!("    {cause}");
        }
    }
    println!();
}

/// 1234567 → "1,234,567".
fn thousands(number: u64) -> String {
    let digits = number.to_string();
    let mut text = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}
