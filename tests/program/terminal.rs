//! A program on a terminal of its own: typed to, read from, and hung up on.

use std::fs::File;
use std::io::{Read as _, Write as _};
use std::os::fd::{FromRawFd as _, OwnedFd};
use std::process::{Child, Command};
use std::time::{Duration, Instant};

/// Longest wait for what is to be seen.
const PATIENCE: Duration = Duration::from_secs(40);

/// 80 columns, 24 lines. The program is killed when this is dropped.
pub struct Terminal {
    pub child: Child,
    /// Keys go in, and what is shown comes out; gone after the hang-up.
    line: Option<File>,
    shown: String,
}

impl Terminal {
    pub fn start(mut command: Command) -> Self {
        let (mut ours, mut its) = (-1, -1);
        let size = libc::winsize {
            ws_row: 24,
            ws_col: 80,
            ws_xpixel: 0,
            ws_ypixel: 0,
        };
        // SAFETY: all pointers lead to what lives through the call; no name and no settings are asked for.
        let opened = unsafe {
            libc::openpty(
                &raw mut ours,
                &raw mut its,
                std::ptr::null_mut(),
                std::ptr::null(),
                &raw const size,
            )
        };
        assert_eq!(opened, 0);
        // SAFETY: `ours` is open. The program is not to hold the other end of its own terminal.
        unsafe {
            libc::fcntl(ours, libc::F_SETFD, libc::FD_CLOEXEC);
            libc::fcntl(ours, libc::F_SETFL, libc::O_NONBLOCK);
        }
        // SAFETY: both are new, and nobody else's.
        let (ours, its) = unsafe { (OwnedFd::from_raw_fd(ours), OwnedFd::from_raw_fd(its)) };
        command.env("TERM", "xterm");
        command.stdin(its.try_clone().unwrap()).stdout(its.try_clone().unwrap());
        let child = command.stderr(its).spawn().unwrap();
        Terminal {
            child,
            line: Some(File::from(ours)),
            shown: String::new(),
        }
    }

    /// Waits until it has been shown. What came up to there is forgotten.
    pub fn until(&mut self, wanted: &str) {
        let by = Instant::now() + PATIENCE;
        loop {
            let mut some = [0; 4096];
            while let Ok(octets @ 1..) = self.line.as_mut().unwrap().read(&mut some) {
                self.shown.push_str(&String::from_utf8_lossy(&some[..octets]));
            }
            if let Some(at) = self.shown.find(wanted) {
                self.shown.drain(..at + wanted.len());
                return;
            }
            assert!(Instant::now() < by, "no {wanted:?} in {}", self.shown);
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    #[allow(dead_code, reason = "not every test needs it")]
    pub fn types(&mut self, line: &str) {
        let keys = self.line.as_mut().unwrap();
        keys.write_all(format!("{line}\n").as_bytes()).unwrap();
    }

    /// The connection is cut.
    #[allow(dead_code, reason = "not every test needs it")]
    pub fn hang_up(&mut self) {
        self.line = None;
    }

    /// Whether it ends by itself.
    pub fn ends(&mut self) -> bool {
        let by = Instant::now() + PATIENCE;
        while Instant::now() < by {
            if self.child.try_wait().unwrap().is_some() {
                return true;
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        false
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
