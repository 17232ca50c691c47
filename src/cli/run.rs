//! `hornwire run`, `hornwire rest-relays`.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use hornwire::config::plan::Plan;
use hornwire::config::{self, Loaded, Severity};
use hornwire::daemon::{self, Edges, Reread, StartError};
use hornwire::device::memory;
use hornwire::device::relay;
use hornwire::device::service::Service;
use hornwire::report::journal;
use hornwire::report::message::Message;
use hornwire::report::text::plural;

use tokio::sync::mpsc;

use super::{Exit, complain, exit_of};

/// Runs the daemon until SIGTERM, SIGINT or SIGHUP.
pub fn run(file: &Path) -> Exit {
    let plan = match plan(file) {
        Ok(plan) => plan,
        Err(exit) => return exit,
    };
    memory::give_back();
    let outcome = drive(async {
        let (stop, rereads) = (stop_signal()?, rereads(file.to_owned())?);
        daemon::run(plan.clone(), Edges::real(&plan, rereads)?, stop).await
    });
    match outcome.unwrap_or_else(|error| Err(error.into())) {
        Ok(()) => Exit::Ok,
        Err(error) => {
            cannot_start(&error.to_string());
            match error {
                StartError::Tls(_) => Exit::Config,
                StartError::Relays(_) | StartError::Listen(_) => Exit::Unavailable,
                StartError::System(_) => Exit::System,
            }
        }
    }
}

/// Puts every relay to rest: what the service manager runs after the daemon has ended, however it ended. The file may
/// have been edited since the daemon read it: relays whose own tables are right go to rest whatever is wrong elsewhere.
pub fn rest_relays(file: &Path) -> Exit {
    let mut loaded = match config::load(file) {
        Ok(loaded) => loaded,
        Err(unreadable) => {
            complain(&unreadable.to_string());
            return exit_of(&unreadable);
        }
    };
    let own = file.display().to_string();
    let folder = config::site_folder(file);
    loaded.problems.retain(|problem| {
        let at = Path::new(&problem.file);
        let is_config = problem.file == own || at == folder || at.parent() == Some(&folder);
        is_config && !problem.key.starts_with("secrets.") && !problem.key.starts_with("tls.")
    });
    tell(&loaded);
    let rested = relay::rest_all(&loaded.relays);
    let errors = rested.err().unwrap_or_default();
    for error in &errors {
        complain(&error.to_string());
    }
    if loaded.problems.iter().any(|p| p.severity == Severity::Error) {
        let n = loaded.relays.len() - errors.len();
        complain(&format!(
            "{}: {} in the config, {} at rest",
            file.display(),
            told(&loaded),
            plural(n, "relay")
        ));
        Exit::Config
    } else if errors.is_empty() {
        Exit::Ok
    } else {
        Exit::Unavailable
    }
}

/// One thread for everything but sound; name look-ups get two more.
pub fn runtime() -> std::io::Result<tokio::runtime::Runtime> {
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .max_blocking_threads(2)
        .build()
}

/// Runs a future to its end and waits for nothing else: a name look-up can hang for half a minute after the last relay
/// is at rest, longer than the service manager waits.
///
/// # Errors
/// As for [`runtime`].
pub fn drive<T>(future: impl Future<Output = T>) -> std::io::Result<T> {
    let runtime = runtime()?;
    let output = runtime.block_on(future);
    runtime.shutdown_background();
    Ok(output)
}

fn plan(file: &Path) -> Result<Plan, Exit> {
    let loaded = config::load(file).map_err(|unreadable| {
        cannot_start(&unreadable.to_string());
        exit_of(&unreadable)
    })?;
    tell(&loaded);
    let told = told(&loaded);
    loaded.plan.ok_or_else(|| {
        cannot_start(&format!("{}: {told} in the config", file.display()));
        Exit::Config
    })
}

/// Into the journal where a service manager has started us, and to whoever has otherwise.
fn cannot_start(cause: &str) {
    match Service::from_environment().is_managed() {
        true => {
            let cause = cause.to_owned();
            journal::choose().write(&Message::CannotStart { cause }.entry());
        }
        false => complain(&format!("cannot start: {cause}")),
    }
}

fn tell(loaded: &Loaded) {
    if Service::from_environment().is_managed() {
        let mut journal = journal::choose();
        for problem in &loaded.problems {
            let (severity, problem) = (problem.severity, problem.line());
            let message = match severity {
                Severity::Error => Message::ConfigFault { problem },
                Severity::Warning => Message::ConfigDoubt { problem },
            };
            journal.write(&message.entry());
        }
    } else {
        for problem in &loaded.problems {
            let _ = writeln!(std::io::stderr(), "{problem}\n");
        }
    }
}

fn told(loaded: &Loaded) -> String {
    let errors = loaded.problems.iter().filter(|p| p.severity == Severity::Error);
    plural(errors.count(), "error")
}

/// SIGHUP says that our terminal was closed; where we have none, that the config is to be read again.
fn has_terminal() -> bool {
    use std::io::IsTerminal as _;
    std::io::stdin().is_terminal() || std::io::stderr().is_terminal()
}

/// Reads the config again at each SIGHUP, on a thread that may take its time: stored messages are decoded with it.
fn rereads(file: PathBuf) -> std::io::Result<mpsc::Receiver<Reread>> {
    use tokio::signal::unix::{SignalKind, signal};
    let (queue, rereads) = mpsc::channel(1);
    if has_terminal() {
        return Ok(rereads);
    }
    let mut hang_up = signal(SignalKind::hangup())?;
    tokio::spawn(async move {
        while hang_up.recv().await.is_some() {
            let file = file.clone();
            let read = tokio::task::spawn_blocking(move || config::load(&file).map_err(|cause| cause.to_string()));
            let read = read.await.unwrap_or_else(|_| Err("it could not be read".to_owned()));
            memory::give_back();
            if queue.send(read).await.is_err() {
                return;
            }
        }
    });
    Ok(rereads)
}

/// Comes true at SIGTERM or SIGINT, and at SIGHUP where our terminal was closed, unless whoever started us ignores that:
/// by itself it would end the process with calls hanging and relays as they are.
pub(super) fn stop_signal() -> std::io::Result<impl Future<Output = ()>> {
    stop_on(has_terminal())
}

/// As [`stop_signal`]; at SIGHUP too if that is said.
pub(super) fn stop_on(hang_up: bool) -> std::io::Result<impl Future<Output = ()>> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    let ends = hang_up && !ignores_hang_up();
    let mut hang_up = ends.then(|| signal(SignalKind::hangup())).transpose()?;
    Ok(async move {
        let hung_up = async {
            match &mut hang_up {
                Some(signal) => signal.recv().await,
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
            _ = hung_up => {}
        }
    })
}

/// Started by nohup(1) or the like: bit 0 of the ignored signals (proc_pid_status(5)).
fn ignores_hang_up() -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    status
        .lines()
        .find_map(|line| line.strip_prefix("SigIgn:"))
        .and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok())
        .is_some_and(|mask| mask & 1 != 0)
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc;
    use std::time::Duration;

    #[test]
    fn the_end_waits_for_no_look_up_that_hangs() {
        let (release, hang) = mpsc::channel::<()>();
        let (began, started) = mpsc::channel();
        super::drive(async move {
            tokio::task::spawn_blocking(move || {
                let _ = began.send(());
                // So that the test fails, and does not hang, if it is waited for.
                let _ = hang.recv_timeout(Duration::from_secs(20));
            });
            started.recv().unwrap();
        })
        .unwrap();
        assert!(release.send(()).is_ok(), "the blocking task was waited for");
    }
}
