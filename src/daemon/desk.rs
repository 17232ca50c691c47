//! The local command's socket: one question and one answer for each connection, each one line of JSON. Who may open the socket may
//! ask; that is what its mode is for.

use std::fs;
use std::io;
use std::os::unix::fs::{FileTypeExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::sync::Arc;
use std::time::Duration;

use serde_json::{Value, json};
use socket2::{Domain, SockAddr, Socket, Type};
use tokio::io::{AsyncBufReadExt as _, AsyncReadExt as _, AsyncWriteExt as _, BufReader};
use tokio::net::{UnixListener, UnixStream};
use tokio::sync::mpsc::{self, Receiver, Sender};
use tokio::sync::{Semaphore, oneshot};

use super::bench::{self, Operate, Test};
use super::ports::Reader;
use crate::config::plan;
use crate::device::service::runtime_file;
use crate::page::{PageId, Refusal};
use crate::sound::probe::MAX_LENGTH;
use crate::sound::recording::{self, Recording};

/// Connections at once.
const MAX_CONNECTIONS: usize = 6;
/// Files that come at once: questions have a place beside them.
const MAX_UPLOADS: usize = 2;
/// Longest question, octets.
const MAX_LINE: u64 = 4096;
/// Largest file that is announced, octets.
pub const MAX_UPLOAD: u64 = 32 * 1024 * 1024;
/// For the question; for a file; for the answer to be taken.
const LINE_LIMIT: Duration = Duration::from_secs(2);
const UPLOAD_LIMIT: Duration = Duration::from_secs(30);
const WRITE_LIMIT: Duration = Duration::from_secs(2);
/// A test is over by then.
const TEST_LIMIT: Duration = Duration::from_secs(MAX_LENGTH.as_secs() + 60);
/// Owner and group.
const MODE: u32 = 0o660;
/// Name of the socket in the service manager's directory.
const NAME: &str = "control.sock";

/// Something asked.
#[derive(Debug)]
pub enum Ask {
    Status,
    Stop(PageId),
    Announce(Announcement),
    Test(Test),
    /// It is over, or nobody wants it any more.
    EndTest(PageId),
    Operate(Operate),
    /// The schedule of that name, although it is not its time.
    Ring(String),
}

#[derive(Debug)]
pub struct Announcement {
    pub sound: Announced,
    /// Names of zones and zone groups.
    pub zones: Vec<String>,
    pub priority: Option<u8>,
    pub times: u32,
}

#[derive(Debug)]
pub enum Announced {
    File(Arc<Recording>),
    /// Name of a stored message, or of a tone.
    Named(String),
}

/// A question and where its answer goes.
#[derive(Debug)]
pub struct Wish {
    pub ask: Ask,
    /// The user who asks.
    pub uid: u32,
    pub answer: oneshot::Sender<Value>,
}

/// The socket, while it is there.
pub struct Desk {
    wishes: Receiver<Wish>,
    _queue: Sender<Wish>,
    listening: Option<Reader>,
    path: Option<PathBuf>,
    /// The announcement refused last.
    pub refusal: Option<(PageId, Refusal)>,
}

impl Desk {
    /// Listens from now on. Must be called inside a `LocalSet`. Without a place there is no socket, and none comes by.
    ///
    /// # Errors
    /// When there is a place and the socket cannot be made.
    pub fn open(socket: &plan::Socket) -> Result<Self, (PathBuf, io::Error)> {
        let (queue, wishes) = mpsc::channel(MAX_CONNECTIONS);
        let mut desk = Desk {
            wishes,
            _queue: queue.clone(),
            listening: None,
            path: None,
            refusal: None,
        };
        let Some(path) = place(socket) else { return Ok(desk) };
        let listener = bind(&path).map_err(|error| (path.clone(), error))?;
        desk.listening = Some(Reader::new(tokio::task::spawn_local(listen(listener, queue))));
        desk.path = Some(path);
        Ok(desk)
    }

    /// Without a socket.
    pub fn closed() -> Self {
        let (queue, wishes) = mpsc::channel(1);
        Desk {
            wishes,
            _queue: queue,
            listening: None,
            path: None,
            refusal: None,
        }
    }

    pub async fn next(&mut self) -> Option<Wish> {
        self.wishes.recv().await
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        self.listening = None;
        if let Some(path) = &self.path {
            let _ = fs::remove_file(path);
        }
    }
}

fn place(socket: &plan::Socket) -> Option<PathBuf> {
    match socket {
        plan::Socket::None => None,
        plan::Socket::At(path) => Some(path.clone()),
        plan::Socket::Usual => runtime_file(NAME),
    }
}

/// Takes the place of a socket that nobody listens at any more, of nothing else.
fn bind(path: &Path) -> io::Result<UnixListener> {
    if let Ok(about) = fs::symlink_metadata(path) {
        if !about.file_type().is_socket() {
            return Err(io::Error::other("there is something else"));
        }
        // One that is too busy to be connected to is there as well.
        let asking = Socket::new(Domain::UNIX, Type::STREAM.nonblocking(), None)?;
        match asking.connect(&SockAddr::unix(path)?) {
            Err(error) if error.kind() == io::ErrorKind::ConnectionRefused => fs::remove_file(path)?,
            _ => return Err(io::Error::other("another gateway listens there")),
        }
    }
    let listener = UnixListener::bind(path)?;
    fs::set_permissions(path, fs::Permissions::from_mode(MODE))?;
    Ok(listener)
}

async fn listen(listener: UnixListener, queue: Sender<Wish>) {
    let places = Arc::new(Semaphore::new(MAX_CONNECTIONS));
    let uploads = Rc::new(Semaphore::new(MAX_UPLOADS));
    loop {
        let Ok((stream, _)) = listener.accept().await else {
            tokio::time::sleep(Duration::from_millis(100)).await;
            continue;
        };
        // One too many is closed, and knows that it has no answer.
        let Ok(place) = Arc::clone(&places).try_acquire_owned() else {
            continue;
        };
        let (queue, uploads) = (queue.clone(), Rc::clone(&uploads));
        tokio::task::spawn_local(async move {
            let _place = place;
            serve(stream, queue, &uploads).await;
        });
    }
}

async fn serve(stream: UnixStream, queue: Sender<Wish>, uploads: &Semaphore) {
    let uid = stream.peer_cred().map_or(u32::MAX, |cred| cred.uid());
    let mut stream = BufReader::new(stream);
    let asked = ask(&mut stream, uploads).await;
    let held = asked.as_ref().ok().and_then(Held::of);
    let answer = match asked {
        Ok(ask) => fulfilled(ask, uid, &queue).await,
        Err(error) => json!({ "error": error }),
    };
    let line = format!("{answer}\n");
    let written = tokio::time::timeout(WRITE_LIMIT, stream.get_mut().write_all(line.as_bytes())).await;
    // A test lasts no longer than its connection: whoever asked may die.
    if let Some((longest, end)) = held.and_then(|held| held.granted(&answer)) {
        let is_over = match written {
            Ok(Ok(())) => tokio::time::timeout(longest, stream.read_u8()).await.is_err(),
            _ => false,
        };
        if !is_over {
            fulfilled(end, uid, &queue).await;
        }
    }
}

/// What lasts as long as somebody wants it.
enum Held {
    Test,
    Relay(String, Duration),
}

impl Held {
    fn of(ask: &Ask) -> Option<Self> {
        match ask {
            Ask::Test(_) => Some(Held::Test),
            Ask::Operate(wanted) if !wanted.length.is_zero() => Some(Held::Relay(wanted.relay.clone(), wanted.length)),
            _ => None,
        }
    }

    /// How long it may last, and its end; `None` where it was not granted.
    fn granted(self, answer: &Value) -> Option<(Duration, Ask)> {
        if answer.get("error").or_else(|| answer.get("why")).is_some() {
            return None;
        }
        match self {
            Held::Test => {
                let page = answer.get("page").and_then(Value::as_u64)?;
                Some((TEST_LIMIT, Ask::EndTest(PageId(page))))
            }
            Held::Relay(relay, length) => {
                let rest = Operate {
                    relay,
                    length: Duration::ZERO,
                    over: true,
                };
                Some((length, Ask::Operate(rest)))
            }
        }
    }
}

async fn fulfilled(ask: Ask, uid: u32, queue: &Sender<Wish>) -> Value {
    let (answer, answered) = oneshot::channel();
    let stops = || json!({ "error": "the gateway is stopping" });
    match queue.send(Wish { ask, uid, answer }).await {
        Ok(()) => answered.await.unwrap_or_else(|_| stops()),
        Err(_) => stops(),
    }
}

async fn ask(stream: &mut BufReader<UnixStream>, uploads: &Semaphore) -> Result<Ask, String> {
    let mut line = Vec::new();
    let mut limited = (&mut *stream).take(MAX_LINE);
    let read = tokio::time::timeout(LINE_LIMIT, limited.read_until(b'\n', &mut line)).await;
    read.map_err(|_| "no question came")?
        .map_err(|error| error.to_string())?;
    let question: Value = serde_json::from_slice(&line).map_err(|_| "the question is no line of JSON")?;
    let number = |key: &str| question.get(key).and_then(Value::as_u64);
    match question.get("command").and_then(Value::as_str) {
        Some("status") => Ok(Ask::Status),
        Some("stop") => Ok(Ask::Stop(PageId(number("page").ok_or("which page?")?))),
        Some("announce") => {
            let zones = bench::names(&question).ok_or("which zones?")?;
            let priority = number("priority").map(|n| u8::try_from(n).ok().filter(|n| *n <= 100));
            if priority == Some(None) {
                return Err("a priority is a number from 0 to 100".to_owned());
            }
            let sound = match (question.get("plays").and_then(Value::as_str), number("octets")) {
                (Some(name), _) => Announced::Named(name.to_owned()),
                (None, Some(octets)) => {
                    let busy = "other files are on their way; try again in a moment";
                    let _place = uploads.try_acquire().map_err(|_| busy)?;
                    Announced::File(Arc::new(upload(stream, octets).await?))
                }
                (None, None) => return Err("what is to be announced?".to_owned()),
            };
            Ok(Ask::Announce(Announcement {
                sound,
                zones,
                priority: priority.flatten(),
                times: number("times")
                    .and_then(|n| u32::try_from(n).ok())
                    .unwrap_or(1)
                    .clamp(1, 100),
            }))
        }
        Some("test") => Ok(Ask::Test(bench::test(&question)?)),
        Some("ring") => {
            let schedule = question.get("schedule").and_then(Value::as_str);
            Ok(Ask::Ring(schedule.ok_or("which schedule?")?.to_owned()))
        }
        Some("operate") => Ok(Ask::Operate(bench::operate(&question)?)),
        _ => Err("the commands are status, stop, announce, ring, test and operate".to_owned()),
    }
}

/// Takes a file, and reads it on a thread that may take its time.
async fn upload(stream: &mut BufReader<UnixStream>, octets: u64) -> Result<Recording, String> {
    if octets > MAX_UPLOAD {
        return Err(format!("the file is larger than {} MB", MAX_UPLOAD / 1_000_000));
    }
    let mut file = Vec::new();
    let mut limited = stream.take(octets);
    let read = tokio::time::timeout(UPLOAD_LIMIT, limited.read_to_end(&mut file)).await;
    read.map_err(|_| "the file did not come in time")?
        .map_err(|error| error.to_string())?;
    if file.len() as u64 != octets {
        return Err("the file did not come whole".to_owned());
    }
    let read = tokio::task::spawn_blocking(move || recording::read(&mut file.as_slice())).await;
    let read = read.map_err(|_| "the file cannot be read")?;
    read.map_err(|fault| format!("{}; wanted {}", fault.found, fault.wanted))
}
