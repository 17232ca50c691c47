//! `hornwire watch` at the running program: the meter against a tone of known level, lines for a pipe, JSON.
#![allow(clippy::disallowed_methods)]

use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{self, Receiver};
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::program::Program;
use crate::terminal::Terminal;

mod program;
#[path = "program/terminal.rs"]
mod terminal;

const RATE: u32 = 48_000;
/// Longest wait for what is to be seen.
const PATIENCE: Duration = Duration::from_secs(40);

const CONFIG: &str = r#"
    [site]
    name = "Quayside Timber"
    [cards.main]
    output = "wav:FOLDER/out.wav"
    full_scale = "4 dBm"
    [relays.yard-trigger]
    line = "simulated"
    [zones.yard]
    card = "main"
    channel = 1
    trigger = ["yard-trigger"]
    gain = "-6 dB"
    lead = "100 ms"
    release = "100 ms"
    [zones.office]
    card = "main"
    channel = 2
    gain = "6 dB"
    ceiling = "-20 dBFS"
    lead = "0 s"
    release = "0 s"
    [control]
    socket = "FOLDER/control.sock"
    priority = 40
    [schedules.shift-bell]
    at = ["daily 06:00"]
    zones = ["yard", "office"]
"#;

/// A child that ends with the test, and its lines as they come.
struct Watching(Child, Receiver<String>);

impl Watching {
    fn start(program: &Program, arguments: &[&str]) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_hornwire"))
            .arg("watch")
            .args(arguments)
            .arg("--socket")
            .arg(program.folder.join("control.sock"))
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let (sent, lines) = mpsc::channel();
        let stdout = BufReader::new(child.stdout.take().unwrap());
        std::thread::spawn(move || {
            stdout
                .lines()
                .map_while(Result::ok)
                .try_for_each(|line| sent.send(line))
        });
        Watching(child, lines)
    }

    /// The next line that is wanted, and all before it.
    fn until(&self, what: &str, wanted: impl Fn(&str) -> bool) -> (String, Vec<String>) {
        let (by, mut before) = (Instant::now() + PATIENCE, Vec::new());
        loop {
            let left = by.saturating_duration_since(Instant::now());
            let line = self.1.recv_timeout(left);
            let line = line.unwrap_or_else(|_| panic!("no {what} in {before:#?}"));
            if wanted(&line) {
                return (line, before);
            }
            before.push(line);
        }
    }
}

impl Drop for Watching {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Ten seconds of a tone of 1 kHz at −20 dBFS RMS: an amplitude of √2/10. Its level as speech is that too, so that an announcement is
/// played as it is.
fn tone(path: &Path) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for n in 0..10 * RATE {
        let x = 0.1 * 2f64.sqrt() * 32768.0 * (std::f64::consts::TAU * 1000.0 * f64::from(n) / f64::from(RATE)).sin();
        writer.write_sample(x as i16).unwrap();
    }
    writer.finalize().unwrap();
}

/// A full-scale sine is 4 dBm and −3.01 dBFS RMS: −20 dBFS behind −6 dB of gain are 4 + 3.01 − 26 = −18.99 dBm. In the other zone +6 dB
/// bring a peak of −16.99 dBFS to −10.99, and its ceiling takes off 9.01 dB; then it is at 4 − 20 = −16 dBm (computed).
#[test]
fn the_meter_shows_the_level_on_the_line() {
    let folder = program::folder("watch");
    let mut program = Program::start(folder.clone(), &CONFIG.replace("FOLDER", &folder.to_string_lossy()));
    program.line("is open");
    let lines = Watching::start(&program, &[]);
    lines.until("summary", |line| line.ends_with("Quayside Timber: at rest"));
    let json = Watching::start(&program, &["--json", "--every", "100"]);
    let (first, _) = json.until("status", |_| true);
    let first: Value = serde_json::from_str(&first).unwrap();
    assert!(
        first["zones"][0]["level_dbfs"].is_null() && first["zones"][0]["level_dbm"].is_null(),
        "{first}"
    );
    let file = folder.join("tone.wav");
    tone(&file);
    let announced = Command::new(env!("CARGO_BIN_EXE_hornwire"))
        .args(["announce", "--zone", "yard", "--zone", "office", "--socket"])
        .args([&folder.join("control.sock"), &file])
        .status();
    assert!(announced.unwrap().success());
    // The fades are over.
    json.until("speech", |line| line.contains("\"phase\":\"speech\""));
    std::thread::sleep(Duration::from_secs(2));
    json.1.try_iter().for_each(drop);
    let (line, _) = json.until("another look", |_| true);
    let status: Value = serde_json::from_str(&line).unwrap();
    for (zone, key, wanted) in [
        (0, "level_dbm", -18.99),
        (0, "level_dbfs", -26.0),
        (0, "peak_dbfs", -22.99),
        (0, "reduction_db", 0.0),
        (1, "level_dbm", -16.0),
        (1, "peak_dbfs", -20.0),
        (1, "reduction_db", 9.01),
    ] {
        let value = status["zones"][zone][key].as_f64();
        let value = value.unwrap_or_else(|| panic!("no {key} in {status}"));
        assert!(
            (value - wanted).abs() < 0.5,
            "{key} of zone {zone}: {value}, not {wanted}"
        );
    }
    let (record, before) = lines.until("end", |line| {
        line.contains("page 1 from local command") && line.contains(" ended: ")
    });
    assert!(
        record.contains("in yard, office: ") && record.ends_with("s, finished"),
        "{record}"
    );
    // Begins with the time of day.
    assert!(
        before
            .iter()
            .all(|line| line.as_bytes()[2] == b':' && line.as_bytes()[8] == b' '),
        "{before:#?}"
    );
    let has = |what: &str| before.iter().any(|line| line[9..].starts_with(what));
    for what in [
        "page 1 from local command (uid ",
        "zone yard: speech (page 1)",
        "relay yard-trigger: operated",
    ] {
        assert!(has(what), "{what} in {before:#?}");
    }
    json.until("silence", |line| {
        line.contains("\"level_dbfs\":null") && !line.contains("\"level_dbm\":-")
    });
    // It goes, and comes again.
    program.stop();
    lines.until("no answer", |line| {
        line.contains("no answer: ") && line.ends_with("it goes on asking")
    });
    json.until("error", |line| line.starts_with("{\"error\":"));
    program.dies_and_starts_again();
    lines.until("another summary", |line| line.ends_with("Quayside Timber: at rest"));
    program.stop();
}

/// A connection that was cut. The program ends, also where nobody tells it by a signal.
#[test]
fn a_terminal_that_goes_ends_it() {
    let folder = program::folder("watch-gone");
    let program = Program::start(folder.clone(), &CONFIG.replace("FOLDER", &folder.to_string_lossy()));
    program.line("is open");
    let mut watch = Command::new(env!("CARGO_BIN_EXE_hornwire"));
    watch.args(["watch", "--socket"]).arg(folder.join("control.sock"));
    let mut watching = Terminal::start(watch);
    watching.until("at rest");
    watching.hang_up();
    assert!(watching.ends(), "it goes on without a terminal");
}
