//! Where entries are written: journald, a text stream, or memory.
//!
//! Writing never blocks the caller. Journald gets datagrams on a socket that does not wait; a text stream is written
//! by a thread of its own. Both keep a bounded backlog; what does not fit is counted, and told once there is room.
//!
//! The datagrams are made here because the libraries at hand send on a blocking socket.
#![allow(clippy::disallowed_methods)]

use std::collections::VecDeque;
use std::io::{self, IsTerminal, Write};
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, SyncSender, TrySendError};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, SystemTime};

use super::entry::{Entry, Severity};
use super::message::Message;
use super::time::rfc3339;

/// Where journald listens.
pub const JOURNAL_SOCKET: &str = "/run/systemd/journal/socket";
/// Most entries that wait for a journal that does not take them.
pub const MAX_BACKLOG: usize = 256;
/// How long a journal that is dropped may still take for its backlog.
const FAREWELL: Duration = Duration::from_millis(500);
/// So that a burst fits while journald restarts.
const SEND_BUFFER: usize = 1 << 20;
/// `SYSLOG_IDENTIFIER`, for `journalctl -t hornwire`.
const IDENTIFIER: &str = "hornwire";

/// Takes entries, and never blocks.
pub trait Journal: Send {
    fn write(&mut self, entry: &Entry);

    /// Tries again what could not be written at once. Costs nothing when there is nothing.
    fn flush(&mut self) {}

    /// Entries lost since the start.
    fn dropped(&self) -> u64 {
        0
    }
}

/// What the daemon was started under.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Surroundings {
    /// Journald's socket is there.
    socket: bool,
    /// Standard error is a stream into the journal (`JOURNAL_STREAM`, systemd.exec(5)).
    stderr_is_journal: bool,
    /// A service manager started this (`INVOCATION_ID`), and standard error is not a terminal. Shells in a
    /// terminal inherit the variable.
    is_service: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Choice {
    Native,
    /// Text with a level prefix for journald.
    Prefixed,
    Plain,
}

fn decide(around: Surroundings) -> Choice {
    if around.socket && (around.stderr_is_journal || around.is_service) {
        Choice::Native
    } else if around.stderr_is_journal {
        Choice::Prefixed
    } else {
        Choice::Plain
    }
}

/// Journald when it is there and a service manager started us; standard error otherwise.
pub fn choose() -> Box<dyn Journal> {
    let socket = Path::new(JOURNAL_SOCKET);
    let choice = decide(Surroundings {
        socket: socket.exists(),
        stderr_is_journal: libsystemd::logging::connected_to_journal(),
        is_service: std::env::var_os("INVOCATION_ID").is_some() && !io::stderr().is_terminal(),
    });
    match choice {
        Choice::Native => match NativeJournal::new(socket) {
            Ok(journal) => Box::new(journal),
            Err(_) => Box::new(StderrJournal::new(true)),
        },
        Choice::Prefixed => Box::new(StderrJournal::new(true)),
        Choice::Plain => Box::new(StderrJournal::new(false)),
    }
}

/// Journald's native protocol (systemd's JOURNAL_NATIVE_PROTOCOL.md).
#[derive(Debug)]
pub struct NativeJournal {
    socket: UnixDatagram,
    path: PathBuf,
    backlog: VecDeque<Vec<u8>>,
    dropped: u64,
    /// Of those, how many the journal was told of.
    told: u64,
}

impl NativeJournal {
    /// # Errors
    /// When the system gives no socket. Journald need not be there yet.
    pub fn new(path: &Path) -> io::Result<Self> {
        let socket = UnixDatagram::unbound()?;
        socket.set_nonblocking(true)?;
        // A smaller buffer only means an earlier backlog.
        let _ = socket2::SockRef::from(&socket).set_send_buffer_size(SEND_BUFFER);
        Ok(NativeJournal {
            socket,
            path: path.to_owned(),
            backlog: VecDeque::new(),
            dropped: 0,
            told: 0,
        })
    }

    /// Sends the backlog as far as the journal takes it.
    fn send_backlog(&mut self) {
        while let Some(datagram) = self.backlog.front() {
            match self.socket.send_to(datagram, &self.path) {
                Ok(_) => {}
                // It will never fit: lose this one, not all that follow.
                Err(error) if error.raw_os_error() == Some(libc::EMSGSIZE) => self.dropped += 1,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                Err(_) => return,
            }
            self.backlog.pop_front();
        }
    }

    fn enqueue(&mut self, datagram: Vec<u8>) {
        if self.backlog.len() >= MAX_BACKLOG {
            self.dropped += 1;
        } else {
            self.backlog.push_back(datagram);
        }
    }
}

impl Journal for NativeJournal {
    fn write(&mut self, entry: &Entry) {
        self.flush();
        self.enqueue(encode(entry));
        self.send_backlog();
    }

    fn flush(&mut self) {
        self.send_backlog();
        if self.dropped > self.told && self.backlog.is_empty() {
            let count = self.dropped - self.told;
            self.told = self.dropped;
            self.enqueue(encode(&Message::MessagesLost { count }.entry()));
            self.send_backlog();
        }
    }

    fn dropped(&self) -> u64 {
        self.dropped
    }
}

impl Drop for NativeJournal {
    fn drop(&mut self) {
        if !self.backlog.is_empty()
            && self.socket.set_nonblocking(false).is_ok()
            && self.socket.set_write_timeout(Some(FAREWELL)).is_ok()
        {
            self.flush();
        }
    }
}

/// One datagram: `NAME=value` lines. The values of an [`Entry`] hold no line break, so the simple form serves.
fn encode(entry: &Entry) -> Vec<u8> {
    let mut datagram = Vec::with_capacity(1024);
    let mut field = |name: &str, value: &str| {
        datagram.extend_from_slice(name.as_bytes());
        datagram.push(b'=');
        datagram.extend_from_slice(value.as_bytes());
        datagram.push(b'\n');
    };
    field("MESSAGE", entry.text());
    field("MESSAGE_ID", entry.kind().id);
    field("PRIORITY", &entry.severity().level().to_string());
    field("SYSLOG_IDENTIFIER", IDENTIFIER);
    for (name, value) in entry.fields() {
        field(name, value);
    }
    datagram
}

/// Lines of text on standard error, or another stream.
#[derive(Debug)]
pub struct StderrJournal {
    /// `None` once it is being dropped.
    lines: Option<SyncSender<String>>,
    /// Hangs up when the last line is written.
    finished: Receiver<()>,
    dropped: Arc<AtomicU64>,
    told: u64,
    prefixed: bool,
}

impl StderrJournal {
    /// `prefixed`: lines begin with `<level>` (sd-daemon(3)), for a stream into the journal; without it they begin
    /// with the time and the severity.
    pub fn new(prefixed: bool) -> Self {
        Self::onto(io::stderr(), prefixed)
    }

    /// Writes to `stream`, on a thread of its own.
    pub fn onto(mut stream: impl Write + Send + 'static, prefixed: bool) -> Self {
        let (lines, queue) = mpsc::sync_channel::<String>(MAX_BACKLOG);
        let (done, finished) = mpsc::channel::<()>();
        let dropped = Arc::new(AtomicU64::new(0));
        let lost = Arc::clone(&dropped);
        let writer = move || {
            let _done = done;
            for line in queue {
                if stream.write_all(line.as_bytes()).and_then(|()| stream.flush()).is_err() {
                    lost.fetch_add(1, Ordering::Relaxed);
                }
            }
        };
        let thread = std::thread::Builder::new().name("journal".into()).spawn(writer);
        StderrJournal {
            // Without a thread the queue is gone, and every line counts as lost.
            lines: thread.is_ok().then_some(lines),
            finished,
            dropped,
            told: 0,
            prefixed,
        }
    }

    fn send(&self, line: String) -> bool {
        match self.lines.as_ref().map(|lines| lines.try_send(line)) {
            Some(Ok(())) => true,
            Some(Err(TrySendError::Full(_) | TrySendError::Disconnected(_))) | None => false,
        }
    }
}

impl Journal for StderrJournal {
    fn write(&mut self, entry: &Entry) {
        let lost = self.dropped();
        if lost > self.told {
            let count = lost - self.told;
            let notice = Message::MessagesLost { count }.entry();
            if self.send(line(&notice, self.prefixed, SystemTime::now())) {
                self.told = lost;
            }
        }
        if !self.send(line(entry, self.prefixed, SystemTime::now())) {
            self.dropped.fetch_add(1, Ordering::Relaxed);
        }
    }

    fn dropped(&self) -> u64 {
        self.dropped.load(Ordering::Relaxed)
    }
}

impl Drop for StderrJournal {
    /// Waits for the last lines, but not for a reader that has gone to sleep.
    fn drop(&mut self) {
        self.lines = None;
        match self.finished.recv_timeout(FAREWELL) {
            Ok(()) | Err(RecvTimeoutError::Disconnected | RecvTimeoutError::Timeout) => {}
        }
    }
}

/// `<5>text [NAME=value …]`, or `2026-11-25T14:36:02Z notice: text [NAME=value …]`.
fn line(entry: &Entry, prefixed: bool, at: SystemTime) -> String {
    let mut line = if prefixed {
        format!("<{}>", entry.severity().level())
    } else if entry.severity() == Severity::Info {
        format!("{} ", rfc3339(at))
    } else {
        format!("{} {}: ", rfc3339(at), entry.severity().name())
    };
    line.push_str(entry.text());
    let mut separator = " [";
    for (name, value) in entry.fields() {
        line.push_str(separator);
        separator = " ";
        line.push_str(name);
        line.push('=');
        if value.chars().any(|c| matches!(c, ' ' | '"' | ']' | '\\' | '=')) {
            line.push('"');
            for c in value.chars() {
                if matches!(c, '"' | '\\') {
                    line.push('\\');
                }
                line.push(c);
            }
            line.push('"');
        } else {
            line.push_str(value);
        }
    }
    if separator == " " {
        line.push(']');
    }
    line.push('\n');
    line
}

/// Keeps everything in memory, for tests and the demo. Clones share it.
#[derive(Debug, Clone, Default)]
pub struct MemoryJournal {
    entries: Arc<Mutex<Vec<Entry>>>,
}

impl MemoryJournal {
    pub fn new() -> Self {
        Self::default()
    }

    /// Everything written so far.
    pub fn entries(&self) -> Vec<Entry> {
        self.entries.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

impl Journal for MemoryJournal {
    fn write(&mut self, entry: &Entry) {
        self.entries
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .push(entry.clone());
    }
}

#[cfg(test)]
mod tests;
