//! The running program, its folder and what it says: for tests of the whole.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// Longest wait for a line, or for the end.
const PATIENCE: Duration = Duration::from_secs(40);

/// A folder of its own under the system's, and the program running on `quayside.toml` in it. Killed and removed when dropped.
pub struct Program {
    pub child: Child,
    pub folder: PathBuf,
    lines: Arc<Mutex<Vec<String>>>,
}

/// A new folder that no other test has.
pub fn folder(name: &str) -> PathBuf {
    let folder = std::env::temp_dir().join(format!("hornwire-{name}-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

fn spawn(folder: &Path, lines: &Arc<Mutex<Vec<String>>>) -> Child {
    // Whoever runs the tests may ignore SIGHUP (nohup), which children inherit and the program respects.
    let mut child = Command::new("env")
        .args(["--default-signal=HUP", env!("CARGO_BIN_EXE_hornwire"), "run"])
        .arg(folder.join("quayside.toml"))
        .env_remove("INVOCATION_ID")
        .env_remove("NOTIFY_SOCKET")
        .env("RUNTIME_DIRECTORY", folder)
        .stdin(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let (stderr, sink) = (child.stderr.take().unwrap(), Arc::clone(lines));
    std::thread::spawn(move || {
        for line in BufReader::new(stderr).lines().map_while(Result::ok) {
            sink.lock().unwrap().push(line);
        }
    });
    child
}

impl Program {
    /// Runs it on this configuration.
    pub fn start(folder: PathBuf, config: &str) -> Self {
        std::fs::write(folder.join("quayside.toml"), config).unwrap();
        let lines = Arc::new(Mutex::new(Vec::new()));
        Program {
            child: spawn(&folder, &lines),
            folder,
            lines,
        }
    }

    /// It dies, and is started again in the same surroundings. What it said before is forgotten.
    #[allow(dead_code, reason = "not every test needs it")]
    pub fn dies_and_starts_again(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
        self.lines = Arc::new(Mutex::new(Vec::new()));
        self.child = spawn(&self.folder, &self.lines);
    }

    /// What it has said.
    pub fn lines(&self) -> Vec<String> {
        self.lines.lock().unwrap().clone()
    }

    /// Waits for a line that contains `text`.
    pub fn line(&self, text: &str) -> String {
        let by = Instant::now() + PATIENCE;
        loop {
            if let Some(line) = self.lines().into_iter().find(|l| l.contains(text)) {
                return line;
            }
            assert!(Instant::now() < by, "no {text:?} in {:#?}", self.lines());
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    pub fn signal(&self, signal: libc::c_int) {
        let pid = self.child.id().to_string();
        let done = Command::new("kill").args([&format!("-{signal}"), &pid]).status();
        assert!(done.unwrap().success());
    }

    /// Exit code.
    pub fn wait(&mut self) -> Option<i32> {
        let by = Instant::now() + PATIENCE;
        while Instant::now() < by {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status.code();
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        panic!("still running: {:#?}", self.lines());
    }

    /// Asks it to end, and waits until all relays rest.
    pub fn stop(&mut self) {
        self.signal(libc::SIGTERM);
        assert_eq!(self.wait(), Some(0));
        assert!(self.lines().iter().any(|l| l.contains("all relays at rest")));
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}
