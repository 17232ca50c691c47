//! The config file, from outside: examples, messages, secrets, robustness, the check command.

mod cli;
mod examples;
mod messages;
mod robust;
mod secrets;
mod site;
#[path = "stored.rs"]
mod stored;
mod wiring;

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

use stored::compare;

/// A file of the source tree.
fn source(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn read(path: &Path) -> String {
    std::fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// A directory of its own for one test, removed at the end.
struct Scratch(PathBuf);

impl Scratch {
    fn new() -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let n = COUNT.fetch_add(1, Ordering::Relaxed);
        let path = std::env::temp_dir().join(format!("hornwire-config-{}-{n}", std::process::id()));
        std::fs::create_dir_all(&path).unwrap();
        Scratch(path)
    }

    /// Writes a file with this mode.
    fn file(&self, name: &str, text: impl AsRef<[u8]>, mode: u32) -> PathBuf {
        use std::os::unix::fs::PermissionsExt as _;
        let path = self.0.join(name);
        std::fs::write(&path, text).unwrap();
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
        path
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}
