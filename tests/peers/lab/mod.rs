//! The network lab: real peers on loopback around the built daemon.
//!
//! Addresses: the daemon is 127.0.0.1, the phone system 127.0.0.2, callers 127.0.0.3 and up. Ports are free ones.
//! Every process that a test starts is its own process group, ended by its id when its handle is dropped.

pub mod certificates;
pub mod daemon;
pub mod dialog;
pub mod kamailio;
pub mod multicast;
pub mod names;
pub mod packets;
pub mod phone;
pub mod process;
pub mod pulse;
pub mod sipp;
pub mod sound;
pub mod speech;
pub mod translation;
pub mod yard;

use std::net::{TcpListener, UdpSocket};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicU16, Ordering};
use std::sync::{Mutex, MutexGuard};
use std::time::Duration;

pub const DAEMON: &str = "127.0.0.1";
pub const PHONE_SYSTEM: &str = "127.0.0.2";
pub const SECOND_PHONE_SYSTEM: &str = "127.0.0.5";
pub const CALLER: &str = "127.0.0.3";

/// Real time on a small machine: two whole-program tests at a time.
static BENCHES: [Mutex<()>; 2] = [Mutex::new(()), Mutex::new(())];

/// One test's folder and its turn. The folder stays when the test fails.
pub struct Lab {
    dir: PathBuf,
    world: Option<names::World>,
    _benches: Vec<MutexGuard<'static, ()>>,
}

/// One that is free, or will be.
fn bench() -> MutexGuard<'static, ()> {
    static NEXT: AtomicU16 = AtomicU16::new(0);
    let free = BENCHES.iter().find_map(|bench| bench.try_lock().ok());
    free.unwrap_or_else(|| {
        let next = usize::from(NEXT.fetch_add(1, Ordering::Relaxed)) % BENCHES.len();
        BENCHES[next].lock().unwrap_or_else(|e| e.into_inner())
    })
}

impl Lab {
    pub fn new(name: &str) -> Lab {
        Lab::at(name, vec![bench()])
    }

    /// With no other test beside it.
    pub fn alone(name: &str) -> Lab {
        let benches = BENCHES
            .iter()
            .map(|bench| bench.lock().unwrap_or_else(|e| e.into_inner()));
        Lab::at(name, benches.collect())
    }

    fn at(name: &str, benches: Vec<MutexGuard<'static, ()>>) -> Lab {
        let dir = Path::new(env!("CARGO_TARGET_TMPDIR")).join("peers").join(name);
        let _ = std::fs::remove_dir_all(&dir);
        std::fs::create_dir_all(&dir).expect("the lab's folder can be made");
        Lab {
            dir,
            world: None,
            _benches: benches,
        }
    }

    /// A network of its own, with a name server that knows these records (dnsmasq options). Everything that the lab
    /// starts from now on lives in it.
    pub fn with_names(mut self, records: &[String]) -> Lab {
        self.world = Some(names::World::new(&self, records));
        self
    }

    /// A program in the lab's network.
    pub fn command(&self, program: impl AsRef<std::ffi::OsStr>) -> Command {
        match &self.world {
            Some(world) => world.command(program),
            None => Command::new(program),
        }
    }

    pub fn dir(&self) -> &Path {
        &self.dir
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.join(name)
    }

    pub fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.path(name);
        std::fs::write(&path, text).expect("the lab's folder can be written");
        path
    }
}

impl Drop for Lab {
    fn drop(&mut self) {
        if std::thread::panicking() {
            eprintln!("what the peers left: {}", self.dir.display());
        } else {
            let _ = std::fs::remove_dir_all(&self.dir);
        }
    }
}

/// A template of `tests/peers/` with its `@WORDS@` filled in.
pub fn template(name: &str, words: &[(&str, &str)]) -> String {
    let path = sources().join(name);
    let mut text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    for (word, value) in words {
        text = text.replace(&format!("@{word}@"), value);
    }
    text
}

pub fn sources() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/peers")
}

/// The Python with the phone stack and the speech-quality measure, made by `deploy/check` beside the build.
pub fn python() -> Command {
    let target = Path::new(env!("CARGO_TARGET_TMPDIR"))
        .parent()
        .expect("the build's folder has a parent");
    let python = target.join("lab-venv/bin/python");
    assert!(
        python.exists(),
        "{} is missing: run deploy/check once",
        python.display()
    );
    Command::new(python)
}

/// An even port that is free, with the next one, for UDP and TCP on every loopback address. No two calls give the same.
pub fn free_port() -> u16 {
    static NEXT: AtomicU16 = AtomicU16::new(0);
    // Below the ports that the system hands out by itself (32768 and up).
    let base = 20_000 + (std::process::id() % 500) as u16 * 20;
    loop {
        let port = base + NEXT.fetch_add(2, Ordering::Relaxed) % 2_700;
        let free = |p: u16| {
            UdpSocket::bind(("0.0.0.0", p)).is_ok()
                && TcpListener::bind(("0.0.0.0", p)).is_ok()
                && UdpSocket::bind(("::1", p)).is_ok()
        };
        if free(port) && free(port + 1) {
            return port;
        }
    }
}

/// A first port with room for `count` free ones behind it.
pub fn free_ports(count: u16) -> (u16, u16) {
    let first = free_port();
    for _ in 0..count / 2 {
        free_port();
    }
    (first, first + count - 1)
}

pub fn seconds(s: f64) -> Duration {
    Duration::from_secs_f64(s)
}

pub fn pause(s: f64) {
    std::thread::sleep(seconds(s));
}
