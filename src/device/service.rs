//! The service manager's ear: ready, status, reloading, stopping, watchdog (systemd's sd_notify(3)).

use std::io;
use std::path::PathBuf;
use std::time::Duration;

use libsystemd::daemon::{self, NotifyState};

/// Longest status line, in characters; more is cut.
const MAX_STATUS: usize = 200;

/// The manager has a socket for us, but would not take the message.
#[derive(Debug, thiserror::Error)]
#[error("cannot tell the service manager: {0}")]
pub struct NotifyError(String);

/// A file's place in the directory that the manager made for us (`RUNTIME_DIRECTORY`, systemd.exec(5)).
pub fn runtime_file(name: &str) -> Option<PathBuf> {
    // It may list several, separated by colons.
    let directories = std::env::var_os("RUNTIME_DIRECTORY")?;
    let first = std::env::split_paths(&directories).next()?;
    Some(first.join(name))
}

/// Our line to the service manager. Without one (a terminal, a test, another init) every call does nothing.
#[derive(Debug, Clone)]
pub struct Service {
    managed: bool,
    watchdog: Option<Duration>,
}

impl Service {
    /// From the environment that the manager gave us: `NOTIFY_SOCKET`, `WATCHDOG_USEC`, `WATCHDOG_PID`.
    pub fn from_environment() -> Self {
        Service {
            managed: std::env::var_os("NOTIFY_SOCKET").is_some(),
            watchdog: daemon::watchdog_enabled(false).filter(|t| !t.is_zero()),
        }
    }

    /// Nobody manages it, whatever the environment says.
    pub fn unmanaged() -> Self {
        Service {
            managed: false,
            watchdog: None,
        }
    }

    pub fn is_managed(&self) -> bool {
        self.managed
    }

    /// How often to call [`alive`](Self::alive): a quarter of what the manager allows, so that a thread that stops just after a look
    /// is not left much longer than that (sd_watchdog_enabled(3) recommends half). `None`: it does not watch.
    pub fn watchdog_interval(&self) -> Option<Duration> {
        self.watchdog.map(|limit| limit / 4)
    }

    /// Start-up is over; also the end of a reload.
    ///
    /// # Errors
    /// The socket's. The same holds for every call below.
    pub fn ready(&self, status: &str) -> Result<(), NotifyError> {
        self.tell(&[NotifyState::Ready, status_line(status)])
    }

    /// One line that the manager shows, such as "idle" or "paging the yard".
    #[allow(clippy::missing_errors_doc)] // said at `ready`
    pub fn status(&self, status: &str) -> Result<(), NotifyError> {
        self.tell(&[status_line(status)])
    }

    /// The configuration is being read again; [`ready`](Self::ready) ends it.
    #[allow(clippy::missing_errors_doc)] // said at `ready`
    pub fn reloading(&self) -> Result<(), NotifyError> {
        let mut states = vec![NotifyState::Reloading];
        // Asked for since version 253, ignored before.
        if let Ok(now) = monotonic_micros() {
            states.push(NotifyState::Other(format!("MONOTONIC_USEC={now}")));
        }
        self.tell(&states)
    }

    #[allow(clippy::missing_errors_doc)] // said at `ready`
    pub fn stopping(&self, status: &str) -> Result<(), NotifyError> {
        self.tell(&[NotifyState::Stopping, status_line(status)])
    }

    /// Feeds the watchdog. Does nothing when nobody watches.
    #[allow(clippy::missing_errors_doc)] // said at `ready`
    pub fn alive(&self) -> Result<(), NotifyError> {
        match self.watchdog {
            Some(_) => self.tell(&[NotifyState::Watchdog]),
            None => Ok(()),
        }
    }

    fn tell(&self, states: &[NotifyState]) -> Result<(), NotifyError> {
        if !self.managed {
            return Ok(());
        }
        daemon::notify(false, states)
            .map(|_| ())
            .map_err(|error| NotifyError(error.to_string()))
    }
}

/// Status text may hold a caller's name: a line break in it would be an assignment of the caller's own.
fn status_line(text: &str) -> NotifyState {
    let line = text.chars().map(|c| if c.is_control() { ' ' } else { c });
    NotifyState::Status(line.take(MAX_STATUS).collect())
}

/// `CLOCK_MONOTONIC`, microseconds: what the manager compares with its own. `Instant` does not tell its number.
fn monotonic_micros() -> io::Result<u64> {
    // SAFETY: all-zero is a valid timespec.
    let mut now: libc::timespec = unsafe { std::mem::zeroed() };
    // SAFETY: `now` is a live timespec that the call fills in; no pointer is kept.
    if unsafe { libc::clock_gettime(libc::CLOCK_MONOTONIC, &raw mut now) } != 0 {
        return Err(io::Error::last_os_error());
    }
    let seconds = u64::try_from(now.tv_sec).map_err(io::Error::other)?;
    let nanos = u64::try_from(now.tv_nsec).map_err(io::Error::other)?;
    Ok(seconds * 1_000_000 + nanos / 1000)
}

#[cfg(test)]
mod tests {
    use std::os::linux::net::SocketAddrExt as _;
    use std::os::unix::net::{SocketAddr, UnixDatagram};
    use std::process::Command;

    use super::*;

    /// Runs the test `life` of this very program as a service manager would, and returns what it was told.
    fn life_of_a_service(socket: &UnixDatagram, address: &str, environment: &[(&str, &str)]) -> Vec<String> {
        socket.set_nonblocking(true).unwrap();
        let child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "device::service::tests::life", "--ignored", "--nocapture"])
            .env_remove("WATCHDOG_USEC")
            .env_remove("WATCHDOG_PID")
            .env("NOTIFY_SOCKET", address)
            .envs(environment.iter().copied())
            .output()
            .unwrap();
        let output = String::from_utf8_lossy(&child.stdout);
        assert!(child.status.success() && output.contains("1 passed"), "{output}");
        let mut buffer = [0; 4096];
        std::iter::from_fn(|| socket.recv(&mut buffer).ok().map(|n| buffer[..n].to_vec()))
            .map(|bytes| String::from_utf8(bytes).unwrap())
            .collect()
    }

    #[test]
    #[ignore = "the child of the tests below"]
    fn life() {
        let service = Service::from_environment();
        service.ready("starting").unwrap_or_else(|error| panic!("{error}"));
        service
            .status("page from \"Yard\n STOPPING=1\r\nREADY=1\" to office")
            .unwrap();
        service.alive().unwrap();
        service.reloading().unwrap();
        service.stopping(&"x".repeat(5000)).unwrap();
        let interval = service.watchdog_interval().map_or(0, |i| i.as_millis());
        service.status(&format!("interval {interval}")).unwrap();
    }

    // The messages are those of sd_notify(3): assignments, one a line, in one datagram.
    #[test]
    fn the_manager_is_told_each_step() {
        let path = std::env::temp_dir().join(format!("hornwire-notify-{}", std::process::id()));
        let socket = UnixDatagram::bind(&path).unwrap();
        let told = life_of_a_service(&socket, path.to_str().unwrap(), &[("WATCHDOG_USEC", "10000000")]);
        std::fs::remove_file(&path).unwrap();
        let monotonic = told[3]
            .strip_prefix("RELOADING=1\nMONOTONIC_USEC=")
            .unwrap()
            .trim()
            .parse::<u64>()
            .unwrap();
        let since = monotonic_micros().unwrap() - monotonic;
        assert!(since < 60_000_000, "{since} µs ago");
        assert_eq!(told[0], "READY=1\nSTATUS=starting\n");
        assert_eq!(
            told[1], "STATUS=page from \"Yard  STOPPING=1  READY=1\" to office\n",
            "one line, whatever the caller is called"
        );
        assert_eq!(told[2], "WATCHDOG=1\n");
        assert_eq!(told[4], format!("STOPPING=1\nSTATUS={}\n", "x".repeat(MAX_STATUS)));
        assert_eq!(told[5], "STATUS=interval 2500\n", "a quarter of WATCHDOG_USEC");
        assert_eq!(told.len(), 6);
    }

    #[test]
    fn an_abstract_socket_serves_and_another_process_watchdog_is_not_ours() {
        let name = format!("hornwire-notify-{}", std::process::id());
        let socket = UnixDatagram::bind_addr(&SocketAddr::from_abstract_name(&name).unwrap()).unwrap();
        let watched = [("WATCHDOG_USEC", "10000000"), ("WATCHDOG_PID", "1")];
        let told = life_of_a_service(&socket, &format!("@{name}"), &watched);
        assert!(told.iter().all(|t| !t.contains("WATCHDOG")), "{told:?}");
        assert_eq!(told.last().unwrap(), "STATUS=interval 0\n");
        assert_eq!(told.len(), 5);
    }

    /// What the audio threads ask for, the unit allows: the user has no capability for it.
    #[test]
    fn the_unit_allows_the_priority_that_is_asked_for() {
        let text = include_str!("../../systemd/hornwire.service");
        let limit = text.lines().find_map(|line| line.strip_prefix("LimitRTPRIO="));
        assert_eq!(limit, Some(crate::device::supervise::PRIORITY.to_string().as_str()));
    }

    /// The unit as an installer gets it, but with a program that is there.
    fn shipped_unit() -> (std::path::PathBuf, std::path::PathBuf) {
        let text = include_str!("../../systemd/hornwire.service");
        assert!(text.contains("=/usr/bin/hornwire "));
        let directory = std::env::temp_dir().join(format!("hornwire-unit-{}", std::process::id()));
        std::fs::create_dir_all(&directory).unwrap();
        let file = directory.join("hornwire.service");
        std::fs::write(&file, text.replace("=/usr/bin/hornwire ", "=/bin/true ")).unwrap();
        (directory, file)
    }

    /// Reference: systemd's own analysis. `verify` succeeds even where it complains, so only silence is good.
    #[test]
    fn the_unit_is_sound_and_shut() {
        let (directory, file) = shipped_unit();
        let Ok(verified) = Command::new("systemd-analyze")
            .args(["verify", "--man=no"])
            .arg(&file)
            .output()
        else {
            eprintln!("no systemd-analyze on this machine: not checked");
            return;
        };
        let rated = Command::new("systemd-analyze")
            // 15: an exposure of 1.5 of 10.
            .args(["security", "--offline=true", "--no-pager", "--threshold=15"])
            .arg(&file)
            .output()
            .unwrap();
        std::fs::remove_dir_all(directory).unwrap();
        assert_eq!(String::from_utf8_lossy(&verified.stderr), "");
        assert!(verified.status.success());
        let report = String::from_utf8_lossy(&rated.stdout);
        let open: Vec<&str> = report.lines().filter(|line| !line.starts_with('✓')).collect();
        assert!(rated.status.success(), "{}", open.join("\n"));
        assert!(report.contains("Overall exposure level"), "{report}");
    }

    #[test]
    fn without_a_manager_nothing_happens_and_a_deaf_one_is_an_error() {
        let nobody = Service {
            managed: false,
            watchdog: None,
        };
        nobody.ready("idle").unwrap();
        nobody.alive().unwrap();
        assert_eq!(nobody.watchdog_interval(), None);
        let child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "device::service::tests::life", "--ignored", "--nocapture"])
            .env("NOTIFY_SOCKET", "/nonexistent/notify")
            .output()
            .unwrap();
        assert!(!child.status.success());
        let said = String::from_utf8_lossy(&child.stderr);
        assert!(said.contains("cannot tell the service manager"), "{said}");
    }
}
