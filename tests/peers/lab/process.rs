//! A child process whose lines are read as they come.

use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::process::CommandExt;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::{Arc, Condvar, Mutex, OnceLock};
use std::time::{Duration, Instant};

/// One line of output with the time when it was read.
#[derive(Debug, Clone)]
pub struct Line {
    pub at: Instant,
    pub text: String,
}

#[derive(Default)]
struct Output {
    lines: Vec<Line>,
    open: usize,
}

type Shared = Arc<(Mutex<Output>, Condvar)>;

pub struct Process {
    name: String,
    child: Child,
    output: Shared,
    status: Option<ExitStatus>,
}

impl Process {
    /// Starts it in a process group of its own, ahead of the machine's other work.
    pub fn start(name: &str, command: &mut Command) -> Process {
        let mut command = ahead(command);
        let mut child = command
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .process_group(0)
            .spawn()
            .unwrap_or_else(|e| panic!("{name} cannot be started ({e}): run deploy/check once"));
        let output: Shared = Arc::default();
        output.0.lock().unwrap().open = 2;
        read(child.stdout.take().unwrap(), output.clone());
        read(child.stderr.take().unwrap(), output.clone());
        Process {
            name: name.to_owned(),
            child,
            output,
            status: None,
        }
    }

    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    pub fn lines(&self) -> Vec<Line> {
        self.output.0.lock().unwrap().lines.clone()
    }

    /// How many lines hold all of these words.
    pub fn count(&self, words: &[&str]) -> usize {
        self.lines().iter().filter(|l| holds(&l.text, words)).count()
    }

    /// The first line, from line number `from`, that holds all of these words; its number with it. Panics after `limit`
    /// or when the process has ended without it.
    pub fn wait_from(&self, from: usize, words: &[&str], limit: Duration) -> (usize, Line) {
        let deadline = Instant::now() + limit;
        let mut output = self.output.0.lock().unwrap();
        loop {
            let found = output
                .lines
                .iter()
                .enumerate()
                .skip(from)
                .find(|(_, l)| holds(&l.text, words));
            if let Some((n, line)) = found {
                return (n, line.clone());
            }
            let left = deadline.saturating_duration_since(Instant::now());
            if left.is_zero() || output.open == 0 {
                let said: Vec<_> = output.lines.iter().map(|l| l.text.clone()).collect();
                drop(output);
                panic!(
                    "{} never said {words:?} within {limit:?}; from line {from} on it said:\n{}",
                    self.name,
                    said[from.min(said.len())..].join("\n")
                );
            }
            output = self.output.1.wait_timeout(output, left).unwrap().0;
        }
    }

    pub fn wait(&self, words: &[&str], limit: Duration) -> Line {
        self.wait_from(0, words, limit).1
    }

    /// The number that the next line will have.
    pub fn mark(&self) -> usize {
        self.output.0.lock().unwrap().lines.len()
    }

    pub fn say(&mut self, line: &str) {
        let stdin = self.child.stdin.as_mut().expect("stdin is open");
        writeln!(stdin, "{line}")
            .and_then(|()| stdin.flush())
            .unwrap_or_else(|e| panic!("{}: {e}", self.name));
    }

    /// Sends a signal to it alone. It has not been waited for, so the id is still its own.
    pub fn signal(&self, signal: &str) {
        if self.status.is_none() {
            run(Command::new("kill").args(["-s", signal, "--", &self.pid().to_string()]));
        }
    }

    /// Waits for its end; panics after `limit`.
    pub fn wait_end(&mut self, limit: Duration) -> ExitStatus {
        let deadline = Instant::now() + limit;
        loop {
            if let Some(status) = self.ended() {
                return status;
            }
            assert!(
                Instant::now() < deadline,
                "{} still runs after {limit:?}; it said:\n{}",
                self.name,
                self.text()
            );
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    pub fn ended(&mut self) -> Option<ExitStatus> {
        if self.status.is_none() {
            self.status = self.child.try_wait().expect("a child can be waited for");
            if self.status.is_some() {
                // The last lines may still be on their way.
                let deadline = Instant::now() + Duration::from_secs(1);
                let mut output = self.output.0.lock().unwrap();
                while output.open > 0 && Instant::now() < deadline {
                    output = self.output.1.wait_timeout(output, Duration::from_millis(50)).unwrap().0;
                }
            }
        }
        self.status
    }

    pub fn text(&self) -> String {
        self.lines().iter().map(|l| format!("{}\n", l.text)).collect()
    }

    /// Ends it and all that it started, without asking.
    pub fn kill(&mut self) {
        if self.ended().is_none() {
            // The group that `start` made; its leader has not been waited for, so the id is still its own.
            let killed = Command::new("kill")
                .args(["-s", "KILL", "--", &format!("-{}", self.pid())])
                .status();
            if !killed.is_ok_and(|s| s.success()) {
                let _ = self.child.kill();
            }
            self.status = self.child.wait().ok();
        }
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        self.kill();
        if std::thread::panicking() {
            eprintln!("---- {} said:\n{}", self.name, self.text());
        }
    }
}

/// The same command with a real-time priority, where that is allowed: peers that speak and listen in real time on a
/// small machine must not wait for a compiler.
fn ahead(command: &Command) -> Command {
    static ALLOWED: OnceLock<bool> = OnceLock::new();
    let allowed = *ALLOWED.get_or_init(|| {
        let tried = Command::new("chrt")
            .args(["--rr", "10", "true"])
            .stderr(Stdio::null())
            .status();
        tried.is_ok_and(|s| s.success())
    });
    let mut out;
    if allowed {
        out = Command::new("chrt");
        out.args(["--rr", "10"]).arg(command.get_program());
    } else {
        out = Command::new(command.get_program());
    }
    out.args(command.get_args());
    for (key, value) in command.get_envs() {
        match value {
            Some(value) => out.env(key, value),
            None => out.env_remove(key),
        };
    }
    if let Some(dir) = command.get_current_dir() {
        out.current_dir(dir);
    }
    out
}

fn holds(line: &str, words: &[&str]) -> bool {
    words.iter().all(|w| line.contains(w))
}

fn read(pipe: impl Read + Send + 'static, output: Shared) {
    std::thread::spawn(move || {
        let mut reader = BufReader::new(pipe);
        let mut bytes = Vec::new();
        while matches!(reader.read_until(b'\n', &mut bytes), Ok(n) if n > 0) {
            let line = Line {
                at: Instant::now(),
                text: String::from_utf8_lossy(&bytes).trim_end().to_owned(),
            };
            output.0.lock().unwrap().lines.push(line);
            output.1.notify_all();
            bytes.clear();
        }
        output.0.lock().unwrap().open -= 1;
        output.1.notify_all();
    });
}

/// Runs a tool to its end and gives its stdout; panics when it fails.
pub fn run(command: &mut Command) -> String {
    let output = command
        .stdin(Stdio::null())
        .output()
        .unwrap_or_else(|e| panic!("{command:?}: {e}: run deploy/check once"));
    assert!(
        output.status.success(),
        "{command:?}: {}\n{}",
        output.status,
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8_lossy(&output.stdout).into_owned()
}
