//! A sound card without hardware that has a clock of its own: a PulseAudio null sink of 48 kHz and two channels. A test starts its own
//! server with its own folder and socket, and ends it by its process.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Says that the surroundings are set up, and where.
const FOLDER: &str = "HORNWIRE_PULSE_FOLDER";
const LONG: Duration = Duration::from_secs(30);

/// A process that ends with its owner.
pub struct Owned(pub Child);

impl Drop for Owned {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Where the surroundings are, once they are set up.
pub fn folder() -> Option<PathBuf> {
    std::env::var_os(FOLDER).map(PathBuf::from)
}

/// Runs this test again with surroundings of its own: the client library reads its server from the environment, which a process can
/// only set for its child.
pub fn run_again(test: &str) {
    let folder = std::env::temp_dir().join(format!("hornwire-pulse-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a folder");
    let status = Command::new(std::env::current_exe().expect("this program"))
        .args(["--ignored", "--exact", "--nocapture", test])
        .env(FOLDER, &folder)
        .env("HOME", &folder)
        .env("XDG_RUNTIME_DIR", &folder)
        .env("PULSE_RUNTIME_PATH", &folder)
        .env("PULSE_STATE_PATH", &folder)
        .env("PULSE_SERVER", format!("unix:{}", folder.join("socket").display()))
        .status()
        .expect("runs again");
    let _ = std::fs::remove_dir_all(&folder);
    assert!(status.success());
}

pub fn server(folder: &Path) -> Owned {
    let socket = folder.join("socket");
    let _ = std::fs::remove_file(&socket);
    let listen = format!(
        "module-native-protocol-unix socket={} auth-anonymous=1",
        socket.display()
    );
    let sink = "module-null-sink sink_name=line rate=48000 channels=2 format=s16le norewinds=1";
    let child = Command::new("pulseaudio")
        .args([
            "-n",
            "--daemonize=no",
            "--exit-idle-time=-1",
            "--use-pid-file=no",
            "--disable-shm=yes",
        ])
        .args(["-L", sink, "-L", &listen])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("pulseaudio starts (Debian package pulseaudio)");
    let server = Owned(child);
    let began = Instant::now();
    while !socket.exists() {
        assert!(began.elapsed() < LONG, "the server makes no socket");
        std::thread::sleep(Duration::from_millis(20));
    }
    server
}

/// The null sink's monitor as it plays: 48 kHz, two channels, 16 bits, at the process's output.
pub fn record() -> Owned {
    let format = ["--raw", "--format=s16le", "--rate=48000", "--channels=2"];
    let child = Command::new("parec")
        .args(["-d", "line.monitor", "--latency-msec=20"])
        .args(format)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("parec starts (Debian package pulseaudio-utils)");
    Owned(child)
}
