//! The running program, its folder and what it says: for tests of the whole.

use std::io::{BufRead, BufReader};
use std::path::PathBuf;
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

impl Program {
    /// Runs it on this configuration.
    pub fn start(folder: PathBuf, config: &str) -> Self {
        let path = folder.join("quayside.toml");
        std::fs::write(&path, config).unwrap();
        // Whoever runs the tests may ignore SIGHUP (nohup), which children inherit and the program respects.
        let mut child = Command::new("env")
            .args(["--default-signal=HUP", env!("CARGO_BIN_EXE_hornwire"), "run"])
            .arg(&path)
            .env_remove("INVOCATION_ID")
            .env_remove("NOTIFY_SOCKET")
            .stdin(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let lines = Arc::new(Mutex::new(Vec::new()));
        let (stderr, sink) = (child.stderr.take().unwrap(), lines.clone());
        std::thread::spawn(move || {
            for line in BufReader::new(stderr).lines().map_while(Result::ok) {
                sink.lock().unwrap().push(line);
            }
        });
        Program { child, folder, lines }
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
