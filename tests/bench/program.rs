//! The program itself: how large, how much memory, and how to start and end it.

use std::io::Read as _;
use std::net::UdpSocket;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use crate::signal::{FRAME, PACKET_TIME, rtp, speech};
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
    let call = Call::place(port).map_err(|cause| Failure::Broken(format!("{cause}: {}", log_of(&scratch.path))))?;
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

fn resident(child: &Child) -> Result<(u64, u64), Failure> {
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

/// The least caller that is a proper one: INVITE with SDP, ACK, speech, BYE (RFC 3261, RFC 3264).
struct Call {
    sip: UdpSocket,
    rtp: UdpSocket,
    /// `To` with the tag of the answer.
    to: String,
    target: String,
    speech_port: u16,
}

impl Call {
    fn place(port: u16) -> Result<Self, String> {
        let text = |error: std::io::Error| error.to_string();
        let sip = UdpSocket::bind("127.0.0.1:0").map_err(text)?;
        sip.connect(("127.0.0.1", port)).map_err(text)?;
        sip.set_read_timeout(Some(Duration::from_secs(5))).map_err(text)?;
        let rtp = UdpSocket::bind("127.0.0.1:0").map_err(text)?;
        let own = rtp.local_addr().map_err(text)?.port();
        let sdp = format!(
            "v=0\r\no=- 1 1 IN IP4 127.0.0.1\r\ns=-\r\nc=IN IP4 127.0.0.1\r\nt=0 0\r\nm=audio {own} RTP/AVP 0\r\n"
        );
        let mut call = Call {
            sip,
            rtp,
            to: format!("<sip:850@127.0.0.1:{port}>"),
            target: format!("sip:850@127.0.0.1:{port}"),
            speech_port: 0,
        };
        call.request("INVITE", 1, "z9hG4bKinvite", &sdp).map_err(text)?;
        let answer = loop {
            let answer = call.receive().map_err(text)?;
            let status = answer.split(' ').nth(1).unwrap_or_default().to_owned();
            match status.as_bytes().first() {
                Some(b'1') => {}
                Some(b'2') => break answer,
                _ => return Err(format!("the call was answered {}", answer.lines().next().unwrap_or(""))),
            }
        };
        let header = |name: &str| answer.lines().find_map(|l| l.strip_prefix(name)).map(str::trim);
        call.to = header("To:").ok_or("no To in the answer")?.to_owned();
        if let Some(contact) = header("Contact:").and_then(|c| c.split(['<', '>']).nth(1)) {
            call.target = contact.to_owned();
        }
        call.speech_port = header("m=audio ")
            .and_then(|m| m.split(' ').next()?.parse().ok())
            .ok_or("no audio in the answer")?;
        call.request("ACK", 1, "z9hG4bKack", "").map_err(text)?;
        Ok(call)
    }

    fn speak(&self, length: Duration) -> std::io::Result<()> {
        let speech = speech(length.as_secs() as u32 + 1);
        let start = Instant::now();
        for (number, frame) in speech.chunks_exact(FRAME).enumerate() {
            let due = start + PACKET_TIME * number as u32;
            std::thread::sleep(due.saturating_duration_since(Instant::now()));
            if start.elapsed() >= length {
                break;
            }
            self.rtp
                .send_to(&rtp(number as u64, frame), ("127.0.0.1", self.speech_port))?;
        }
        Ok(())
    }

    fn hang_up(&self) -> Result<(), String> {
        self.request("BYE", 2, "z9hG4bKbye", "").map_err(|e| e.to_string())?;
        for _ in 0..20 {
            let answer = self.receive().map_err(|e| e.to_string())?;
            if answer.contains("CSeq: 2 BYE") {
                return if answer.starts_with("SIP/2.0 200") {
                    Ok(())
                } else {
                    Err(format!("BYE was answered {answer}"))
                };
            }
        }
        Err("no answer to BYE".to_owned())
    }

    fn request(&self, method: &str, cseq: u32, branch: &str, body: &str) -> std::io::Result<()> {
        let own = self.sip.local_addr()?;
        let kind = if body.is_empty() {
            ""
        } else {
            "Content-Type: application/sdp\r\n"
        };
        let message = format!(
            "{method} {} SIP/2.0\r\nVia: SIP/2.0/UDP {own};branch={branch};rport\r\nMax-Forwards: 70\r\n\
             From: \"Office\" <sip:201@{own}>;tag=bench\r\nTo: {}\r\nCall-ID: bench@{own}\r\nCSeq: {cseq} {method}\r\n\
             Contact: <sip:201@{own}>\r\n{kind}Content-Length: {}\r\n\r\n{body}",
            self.target,
            self.to,
            body.len()
        );
        self.sip.send(message.as_bytes()).map(|_| ())
    }

    fn receive(&self) -> std::io::Result<String> {
        let mut buffer = [0; 4096];
        let n = self.sip.recv(&mut buffer)?;
        Ok(String::from_utf8_lossy(&buffer[..n]).into_owned())
    }
}
