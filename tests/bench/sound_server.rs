//! A sound card without hardware: PulseAudio with a null sink, and what came out of it, with the time.

use std::io::{BufRead as _, BufReader, Read as _};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use crate::Failure;
use crate::program::{Ended, Scratch, spawn};

pub const RATE: u32 = 48_000;
const SINK: &str = "paging";

pub struct SoundServer {
    // Ends before the scratch directory goes.
    _server: Ended,
    socket: PathBuf,
    scratch: Scratch,
}

impl SoundServer {
    pub fn start() -> Result<Self, Failure> {
        let scratch = Scratch::new("pulse")?;
        let socket = scratch.path.join("native");
        let mut command = Command::new("pulseaudio");
        command
            .args(["-n", "--daemonize=no", "--use-pid-file=no", "--exit-idle-time=-1"])
            .args(["--realtime=no", "--high-priority=no", "-L"])
            .arg(format!(
                "module-null-sink sink_name={SINK} rate={RATE} channels=2 format=s16le"
            ))
            .arg("-L")
            .arg(format!(
                "module-native-protocol-unix socket={} auth-anonymous=1",
                socket.display()
            ))
            .stdout(Stdio::null())
            .stderr(Stdio::null());
        home(&mut command, &scratch.path);
        let server = spawn(&mut command)?;
        let started = SoundServer {
            _server: server,
            socket,
            scratch,
        };
        let until = Instant::now() + Duration::from_secs(15);
        loop {
            let mut ask = Command::new("pactl");
            started.environment(&mut ask);
            ask.arg("info").stdout(Stdio::null()).stderr(Stdio::null());
            match ask.status() {
                Ok(status) if status.success() => break,
                Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                    return Err(Failure::NotMeasured("pactl is not installed".to_owned()));
                }
                _ if Instant::now() > until => {
                    return Err(Failure::Broken("PulseAudio did not start within 15 s".to_owned()));
                }
                _ => std::thread::sleep(Duration::from_millis(50)),
            }
        }
        started.alsa_plugin()?;
        Ok(started)
    }

    /// Lets a program find this server, also through ALSA's `pulse` device.
    pub fn environment(&self, command: &mut Command) {
        home(command, &self.scratch.path);
        command.env("PULSE_SERVER", format!("unix:{}", self.socket.display()));
    }

    fn alsa_plugin(&self) -> Result<(), Failure> {
        let mut list = Command::new("aplay");
        self.environment(&mut list);
        let names = match list.arg("-L").output() {
            Ok(names) => names.stdout,
            // Not needed to go on; the players will tell.
            Err(_) => return Ok(()),
        };
        let there = BufReader::new(names.as_slice())
            .lines()
            .map_while(Result::ok)
            .any(|l| l == "pulse");
        if there {
            Ok(())
        } else {
            Err(Failure::NotMeasured("ALSA's pulse plugin is not installed".to_owned()))
        }
    }

    /// Records what the sink plays until the recording is ended.
    pub fn record(&self) -> Result<Recording, Failure> {
        let mut command = Command::new("parec");
        self.environment(&mut command);
        command
            .arg(format!("--device={SINK}.monitor"))
            .args(["--raw", "--format=s16le", "--channels=2", "--latency-msec=10"])
            .arg(format!("--rate={RATE}"))
            .stdout(Stdio::piped())
            .stderr(Stdio::null());
        let mut recorder = spawn(&mut command)?;
        let mut pipe = recorder
            .0
            .stdout
            .take()
            .ok_or_else(|| Failure::Broken("no pipe".to_owned()))?;
        let heard = Arc::new(Mutex::new(Heard::default()));
        let shared = Arc::clone(&heard);
        let reader = std::thread::spawn(move || {
            let mut buffer = [0; 4096];
            while let Ok(n @ 1..) = pipe.read(&mut buffer) {
                let now = Instant::now();
                let Ok(mut heard) = shared.lock() else { return };
                heard.take(&buffer[..n], now);
            }
        });
        Ok(Recording {
            recorder,
            reader,
            heard,
        })
    }
}

fn home(command: &mut Command, directory: &Path) {
    for name in ["HOME", "XDG_RUNTIME_DIR", "XDG_CONFIG_HOME", "PULSE_RUNTIME_PATH"] {
        command.env(name, directory);
    }
}

#[derive(Default)]
struct Heard {
    octets: Vec<u8>,
    /// When the first frame can have been played at the latest: no piece came before its last frame was played.
    origin: Option<Instant>,
}

impl Heard {
    fn take(&mut self, octets: &[u8], now: Instant) {
        self.octets.extend_from_slice(octets);
        let frames = (self.octets.len() / 4) as u32;
        let length = Duration::from_secs(1) * frames / RATE;
        if let Some(origin) = now.checked_sub(length) {
            self.origin = Some(self.origin.map_or(origin, |earlier| earlier.min(origin)));
        }
    }
}

pub struct Recording {
    recorder: Ended,
    reader: std::thread::JoinHandle<()>,
    heard: Arc<Mutex<Heard>>,
}

impl Recording {
    /// Left and right channel, and when the first frame was played.
    pub fn end(self) -> Result<(Vec<i16>, Vec<i16>, Instant), Failure> {
        drop(self.recorder);
        let _ = self.reader.join();
        let heard = self.heard.lock().map_err(Failure::broken)?;
        let origin = heard
            .origin
            .ok_or_else(|| Failure::Broken("nothing was recorded".to_owned()))?;
        let channel = |offset: usize| {
            let frames = heard.octets.chunks_exact(4);
            frames.map(|f| i16::from_le_bytes([f[offset], f[offset + 1]])).collect()
        };
        Ok((channel(0), channel(2), origin))
    }
}

/// The moment of sample `at`.
pub fn moment(origin: Instant, at: usize) -> Instant {
    origin + Duration::from_secs_f64(at as f64 / f64::from(RATE))
}

/// Nanoseconds on a processor of all threads of a process, from the kernel's scheduler.
pub fn cpu_time(child: &Child) -> Result<Duration, Failure> {
    let tasks = std::fs::read_dir(format!("/proc/{}/task", child.id())).map_err(Failure::broken)?;
    let mut total = 0u64;
    for task in tasks {
        let file = task.map_err(Failure::broken)?.path().join("schedstat");
        // A thread may end meanwhile.
        let Ok(text) = std::fs::read_to_string(file) else {
            continue;
        };
        total += text
            .split_whitespace()
            .next()
            .and_then(|n| n.parse::<u64>().ok())
            .unwrap_or(0);
    }
    Ok(Duration::from_nanos(total))
}
