//! What the threads of sound devices have in common: scheduling, waits between attempts, a look at the pace.

use std::time::{Duration, Instant};

use crate::sound::RATE;

/// First and longest wait between two attempts to open a device.
pub const FIRST_WAIT: Duration = Duration::from_secs(1);
pub const LONGEST_WAIT: Duration = Duration::from_secs(10);
/// Real-time priority asked for (1 to 99): above ordinary work, below the kernel's interrupt threads at 50.
pub const PRIORITY: i32 = 40;

/// Doubles the wait; when to try again.
pub fn back_off(wait: &mut Duration) -> Instant {
    let next = Instant::now() + *wait;
    *wait = (*wait * 2).min(LONGEST_WAIT);
    next
}

/// First-in-first-out scheduling for this thread; `false` when the system does not grant it.
pub fn ask_for_real_time() -> bool {
    schedule(libc::SCHED_FIFO | libc::SCHED_RESET_ON_FORK, PRIORITY)
}

/// Back to what every thread has.
pub fn give_up_real_time() {
    schedule(libc::SCHED_OTHER, 0);
}

fn schedule(policy: i32, priority: i32) -> bool {
    let parameters = libc::sched_param {
        sched_priority: priority,
    };
    // SAFETY: the parameters outlive the call; 0 means the calling thread.
    unsafe { libc::sched_setscheduler(0, policy, &raw const parameters) == 0 }
}

/// Some PCMs (a file, a null device) take or give audio as fast as it is asked for. On a real-time thread that would
/// take the whole processor.
pub struct PaceCheck {
    since: Instant,
    frames: u64,
}

impl PaceCheck {
    pub fn new() -> Self {
        PaceCheck {
            since: Instant::now(),
            frames: 0,
        }
    }

    /// True once 4 s of audio have gone in less than 2 s: no buffer and no lateness explains that.
    pub fn runs_away(&mut self, frames: usize) -> bool {
        self.frames += frames as u64;
        if self.frames < 4 * u64::from(RATE) {
            return false;
        }
        let fast = self.since.elapsed() < Duration::from_secs(2);
        *self = Self::new();
        fast
    }
}
