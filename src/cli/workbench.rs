//! The gateway that a test goes through: the one that runs; where none does, one of our own with cards and relays alone.
#![allow(clippy::disallowed_methods)]

use std::fs::{self, DirBuilder};
use std::io::{self, ErrorKind, Write as _};
use std::os::unix::fs::DirBuilderExt as _;
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use hornwire::config;
use hornwire::config::plan::{Plan, Socket};
use hornwire::daemon::{self, Edges, StartError};
use hornwire::report::entry::Entry;
use hornwire::report::journal::Journal;
use hornwire::report::status::{OutOfUse, Status};
use serde_json::{Value, json};
use tokio::sync::{mpsc, oneshot};

use super::local::{self, SOCKET};
use super::{Exit, complain, plan, run};

/// A gateway of our own is up, or has failed, within this time.
const START: Duration = Duration::from_secs(8);

/// What is common to everything that goes through a gateway.
#[derive(Debug, Clone, clap::Args)]
pub struct Through {
    /// The config file.
    #[arg(long, default_value = config::DEFAULT_FILE, value_name = "FILE")]
    pub config: PathBuf,
    /// The running gateway's socket; else the one that the config says.
    #[arg(long, value_name = "PATH")]
    socket: Option<PathBuf>,
    /// Although pages are on: it takes their zones, up to priority 99.
    #[arg(long)]
    pub over_pages: bool,
    /// Print results as JSON, one line each; questions go to stderr.
    #[arg(long)]
    pub json: bool,
}

/// A gateway, and the plan that its config is.
pub struct Workbench {
    pub plan: Plan,
    socket: PathBuf,
    own: Option<Own>,
}

impl Workbench {
    /// # Errors
    /// After the complaint.
    pub fn open(through: &Through) -> Result<Self, Exit> {
        Self::of(plan(&through.config)?, through)
    }

    /// As [`Workbench::open`], of a plan that has been read.
    ///
    /// # Errors
    /// After the complaint.
    pub fn of(plan: Plan, through: &Through) -> Result<Self, Exit> {
        let socket = match (&through.socket, &plan.control.socket) {
            (Some(path), _) | (None, Socket::At(path)) => path.clone(),
            (None, Socket::Usual | Socket::None) => PathBuf::from(SOCKET),
        };
        match local::exchange(&socket, &json!({ "command": "status" }), None, local::PATIENCE) {
            Ok(_) => Ok(Workbench {
                plan,
                socket,
                own: None,
            }),
            Err(error) if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::ConnectionRefused) => {
                let own = Own::start(&plan).map_err(|(exit, cause)| {
                    complain(&format!(
                        "no gateway answers at {}, and cards and relays cannot be had without one: {cause}",
                        socket.display()
                    ));
                    exit
                })?;
                let _ = writeln!(
                    io::stderr(),
                    "No gateway runs: this command itself opens what is in\n{}.",
                    through.config.display()
                );
                Ok(Workbench {
                    plan,
                    socket: own.socket.clone(),
                    own: Some(own),
                })
            }
            Err(error) => Err(local::unanswered(&socket, &error)),
        }
    }

    /// No source can page: the gateway is our own.
    pub fn is_own(&self) -> bool {
        self.own.is_some()
    }

    /// Asks the gateway.
    ///
    /// # Errors
    /// After the complaint, with the exit code: nobody answers, what was asked for cannot be, or is refused for now.
    pub fn ask(&self, question: &Value) -> Result<Value, Exit> {
        let answer = local::exchange(&self.socket, question, None, local::PATIENCE)
            .map_err(|error| local::unanswered(&self.socket, &error))?;
        granted(&answer).cloned()
    }

    /// Plays a test signal, until it is dropped at the latest.
    ///
    /// # Errors
    /// As [`Workbench::ask`].
    pub fn play(&self, mut question: Value) -> Result<Playing, Exit> {
        question["command"] = json!("test");
        let held = self.held(&question)?;
        Ok(Playing {
            page: held.answer["page"].as_u64().unwrap_or_default(),
            _held: held,
        })
    }

    /// Operates a relay for so many seconds, until it is dropped at the latest.
    ///
    /// # Errors
    /// As [`Workbench::ask`].
    pub fn operate(&self, relay: &str, seconds: f64, over: bool) -> Result<Held, Exit> {
        self.held(&json!({ "command": "operate", "relay": relay, "seconds": seconds, "over": over }))
    }

    fn held(&self, question: &Value) -> Result<Held, Exit> {
        let (answer, connection) =
            local::conversation(&self.socket, question).map_err(|error| local::unanswered(&self.socket, &error))?;
        let answer = granted(&answer).cloned()?;
        Ok(Held {
            answer,
            _connection: connection,
        })
    }

    /// The gateway's status.
    ///
    /// # Errors
    /// As [`Workbench::ask`].
    pub fn status(&self) -> Result<Status, Exit> {
        self.ask(&json!({ "command": "status" }))
            .map(|status| Status::of(&status))
    }
}

/// A test signal that somebody here wants: the gateway ends it when the connection is closed, however that comes.
pub struct Playing {
    pub page: u64,
    _held: Held,
}

/// Something that the gateway does as long as the connection is there.
pub struct Held {
    pub answer: Value,
    _connection: UnixStream,
}

fn granted(answer: &Value) -> Result<&Value, Exit> {
    if let Some(error) = answer.get("error").and_then(Value::as_str) {
        complain(error);
        return Err(Exit::Data);
    }
    if answer.get("state").and_then(Value::as_str) == Some("refused") {
        let why = answer.get("why").and_then(Value::as_str).unwrap_or_default();
        complain(&format!("refused for now: {why}"));
        return Err(Exit::NotNow);
    }
    Ok(answer)
}

/// Keeps quiet: whoever asks is told by answers.
struct Silent;

impl Journal for Silent {
    fn write(&mut self, _: &Entry) {}
    fn flush(&mut self) {}
}

/// Cards and relays of a plan under a gateway without a source. The last thing that it does is to put the relays to rest.
struct Own {
    socket: PathBuf,
    directory: PathBuf,
    stop: Option<oneshot::Sender<()>>,
    thread: Option<JoinHandle<Result<(), StartError>>>,
}

impl Own {
    fn start(plan: &Plan) -> Result<Self, (Exit, String)> {
        let system = |error: io::Error| (Exit::System, error.to_string());
        let directory = directory().map_err(system)?;
        let socket = directory.join("control.sock");
        let plan = without_sources(plan, &socket);
        let (stop, stopped) = oneshot::channel();
        let thread = std::thread::Builder::new().name("bench".to_owned()).spawn(move || {
            run::drive(async {
                let (_keep, rereads) = mpsc::channel(1);
                let edges = Edges {
                    journal: Box::new(Silent),
                    ledger: None,
                    ..Edges::real(&plan, rereads)?
                };
                daemon::run(plan, edges, async {
                    let _ = stopped.await;
                })
                .await
            })?
        });
        let mut own = Own {
            socket,
            directory,
            stop: Some(stop),
            thread: Some(thread.map_err(system)?),
        };
        let by = Instant::now() + START;
        while Instant::now() < by {
            if own.thread.as_ref().is_some_and(JoinHandle::is_finished) {
                let ended = own.thread.take().map(JoinHandle::join);
                return Err(match ended {
                    Some(Ok(Err(error @ StartError::Relays(_)))) => (Exit::Unavailable, error.to_string()),
                    Some(Ok(Err(error))) => (Exit::System, error.to_string()),
                    _ => (Exit::System, "it ended".to_owned()),
                });
            }
            if let Ok(status) = local::exchange(&own.socket, &json!({ "command": "status" }), None, local::PATIENCE) {
                let status = Status::of(&status);
                let mut zones = status.zones.iter();
                if zones.all(|zone| zone.out_of_use != Some(OutOfUse::CardMissing)) {
                    return Ok(own);
                }
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        let why = "a sound card cannot be opened: is the gateway, or another program, using it? hornwire doctor looks";
        Err((Exit::Unavailable, why.to_owned()))
    }
}

/// A new directory that is ours alone, under a name that nobody can have taken before.
fn directory() -> io::Result<PathBuf> {
    let mut random = [0; 8];
    rand::TryRngCore::try_fill_bytes(&mut rand::rngs::OsRng, &mut random).map_err(io::Error::other)?;
    let name = format!(
        "hornwire-bench-{}-{:016x}",
        std::process::id(),
        u64::from_ne_bytes(random)
    );
    let directory = std::env::temp_dir().join(name);
    DirBuilder::new().mode(0o700).create(&directory)?;
    Ok(directory)
}

impl Drop for Own {
    fn drop(&mut self) {
        drop(self.stop.take());
        let _ = self.thread.take().map(JoinHandle::join);
        let _ = fs::remove_dir_all(&self.directory);
    }
}

/// Nobody can page through it; who takes an amplifier over still can.
fn without_sources(plan: &Plan, socket: &Path) -> Plan {
    let mut plan = plan.clone();
    plan.extensions.clear();
    plan.groups.clear();
    plan.inputs.clear();
    plan.music.clear();
    plan.captures.clear();
    plan.contacts.clear();
    plan.schedules.clear();
    plan.metrics = None;
    plan.sip.listen.clear();
    plan.control.socket = Socket::At(socket.to_owned());
    plan
}
