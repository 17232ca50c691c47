//! The program itself: how large, how much memory, and how to start and end it.

use std::io::Read as _;
use std::net::{Ipv4Addr, UdpSocket};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use crate::caller::Phone;
use crate::{Extent, Failure, Row};

pub const HORNWIRE: &str = env!("CARGO_BIN_EXE_hornwire");

pub fn rows(extent: Extent) -> Vec<Row> {
    let megabytes = |octets: u64| format!("{:.2} MB", octets as f64 / 1e6);
    let size = std::fs::metadata(HORNWIRE).map_err(Failure::broken);
    let memory = memory_during_a_page(extent.listening);
    vec![
        Row {
            what: "size of the stripped program".to_owned(),
            figure: size.map(|s| megabytes(s.len())),
            goal: "goal: at most 8 MB".to_owned(),
        },
        Row {
            what: "resident memory with one page running (and its peak)".to_owned(),
            figure: memory.map(|(now, peak)| format!("{} ({})", megabytes(now), megabytes(peak))),
            goal: "goal: at most 16 MB".to_owned(),
        },
    ]
}

/// For a program to stop in, also under valgrind.
const PATIENCE: Duration = Duration::from_secs(30);

/// A child that is ended and waited for when it goes out of sight.
pub struct Ended(pub Child);

impl Ended {
    /// Asks it to stop; whether it did by itself, and well, within [`PATIENCE`].
    pub fn stop(self) -> Result<(), Failure> {
        self.stop_with("TERM")
    }

    pub fn stop_with(mut self, name: &str) -> Result<(), Failure> {
        signal(&self.0, name)?;
        let until = Instant::now() + PATIENCE;
        while Instant::now() < until {
            if let Some(status) = self.0.try_wait().map_err(Failure::broken)? {
                return if status.success() {
                    Ok(())
                } else {
                    Err(Failure::Broken(format!("ended with {status}")))
                };
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        Err(Failure::Broken(format!("did not stop within {PATIENCE:?}")))
    }
}

impl Drop for Ended {
    fn drop(&mut self) {
        if matches!(self.0.try_wait(), Ok(None)) {
            let _ = self.0.kill();
        }
        let _ = self.0.wait();
    }
}

fn signal(child: &Child, name: &str) -> Result<(), Failure> {
    let sent = Command::new("kill")
        .args(["-s", name, &child.id().to_string()])
        .status()
        .map_err(Failure::broken)?;
    if sent.success() {
        Ok(())
    } else {
        Err(Failure::Broken(format!("kill said {sent}")))
    }
}

pub fn spawn(command: &mut Command) -> Result<Ended, Failure> {
    match command.stdin(Stdio::null()).spawn() {
        Ok(child) => Ok(Ended(child)),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Err(Failure::NotMeasured(format!(
            "{} is not installed",
            command.get_program().to_string_lossy()
        ))),
        Err(error) => Err(Failure::broken(error)),
    }
}

/// A directory of its own, gone afterwards.
pub struct Scratch {
    pub path: PathBuf,
}

impl Scratch {
    pub fn new(name: &str) -> Result<Self, Failure> {
        let path = std::env::temp_dir().join(format!("hornwire-bench-{name}-{}", std::process::id()));
        std::fs::create_dir_all(&path).map_err(Failure::broken)?;
        Ok(Scratch { path })
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.path);
    }
}

/// Starts the daemon on a config file; its journal goes to `DIRECTORY/log`.
pub fn start(directory: &Path, config: &str, prepare: impl FnOnce(&mut Command)) -> Result<Ended, Failure> {
    start_as(Command::new(HORNWIRE), directory, config, prepare)
}

/// As [`start`], with the program perhaps behind another one, such as valgrind.
pub fn start_as(
    mut command: Command,
    directory: &Path,
    config: &str,
    prepare: impl FnOnce(&mut Command),
) -> Result<Ended, Failure> {
    let file = directory.join("hornwire.toml");
    std::fs::write(&file, config).map_err(Failure::broken)?;
    let log = std::fs::File::create(directory.join("log")).map_err(Failure::broken)?;
    command
        .arg("run")
        .arg(&file)
        .stdout(log.try_clone().map_err(Failure::broken)?)
        .stderr(log);
    prepare(&mut command);
    let mut daemon = spawn(&mut command)?;
    std::thread::sleep(Duration::from_millis(500));
    if let Some(status) = daemon.0.try_wait().map_err(Failure::broken)? {
        return Err(Failure::Broken(format!(
            "hornwire run ended with {status}: {}",
            log_of(directory)
        )));
    }
    Ok(daemon)
}

pub fn log_of(directory: &Path) -> String {
    let mut text = String::new();
    if let Ok(mut file) = std::fs::File::open(directory.join("log")) {
        let _ = file.read_to_string(&mut text);
    }
    text.replace('\n', " | ")
}

/// A UDP port that was free a moment ago.
pub fn free_port() -> Result<u16, Failure> {
    let socket = UdpSocket::bind("127.0.0.1:0").map_err(Failure::broken)?;
    Ok(socket.local_addr().map_err(Failure::broken)?.port())
}

/// Resident octets now and at most, while a call speaks into a zone.
fn memory_during_a_page(length: Duration) -> Result<(u64, u64), Failure> {
    let scratch = Scratch::new("memory")?;
    let port = free_port()?;
    let config = format!(
        r#"
[site]
name = "Quayside Timber"

[sip]
listen = ["udp:127.0.0.1:{port}"]
networks = ["127.0.0.0/8"]

[cards.desk]
output = "wav:{}"
channels = 2
period = "10 ms"

[relays.yard-trigger]
line = "simulated"

[zones.yard]
card = "desk"
channel = 1
trigger = ["yard-trigger"]

[extensions.yard-page]
user = "850"
zones = ["yard"]
"#,
        scratch.path.join("yard.wav").display()
    );
    let daemon = start(&scratch.path, &config, |_| {})?;
    let phone = Phone::new(Ipv4Addr::LOCALHOST, port)?;
    let call = phone
        .call("850")
        .map_err(|cause| Failure::Broken(format!("{cause}: {}", log_of(&scratch.path))))?;
    call.speak(length).map_err(Failure::broken)?;
    let figures = resident(&daemon.0)?;
    call.hang_up().map_err(Failure::broken)?;
    daemon.stop()?;
    let said = log_of(&scratch.path);
    if !said.contains("yard") {
        return Err(Failure::Broken(format!("no page was recorded: {said}")));
    }
    Ok(figures)
}

/// Resident octets of a process, now and at most (proc_pid_status(5)).
pub fn resident(child: &Child) -> Result<(u64, u64), Failure> {
    let status = std::fs::read_to_string(format!("/proc/{}/status", child.id())).map_err(Failure::broken)?;
    let field = |name: &str| {
        status
            .lines()
            .find_map(|l| l.strip_prefix(name))
            .and_then(|rest| rest.split_whitespace().next()?.parse::<u64>().ok())
            .map(|kib| kib * 1024)
            .ok_or_else(|| Failure::Broken(format!("no {name} in /proc")))
    };
    Ok((field("VmRSS:")?, field("VmHWM:")?))
}
