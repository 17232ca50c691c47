//! One capture device's thread: read, hand on, and open the device again when it is gone.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use rtrb::Consumer;

use super::news::{DeviceError, DeviceEvent, News, Transfer};
use super::pcm::hush_library;
use super::source::Source;
use super::supervise::{FIRST_WAIT, LONGEST_WAIT, PaceCheck, ask_for_real_time, back_off, give_up_real_time};

/// Opens a device, and opens it again after a fault. It may block.
pub type OpenSource = Box<dyn FnMut() -> Result<Box<dyn Source>, DeviceError> + Send>;

/// Takes what a device captures, on its thread: it must neither block nor take long.
pub trait Ear: Send {
    /// Interleaved frames (±1.0), any number of them. `at`: when the last of them was captured; `now`: when they came
    /// from the device. `gap`: what was captured before them is lost.
    fn hear(&mut self, frames: &[f32], at: Instant, now: Instant, gap: bool);
    /// The device is away. Told again and again while it is.
    fn away(&mut self);
}

/// Longest wait for the thread at the end: it may sit in a driver's open call.
const CLOSING: Duration = Duration::from_secs(2);
/// Between looks whether it is time to try again, or to stop.
const LOOK: Duration = Duration::from_millis(50);

/// A running capture thread. Told to stop when dropped, and waited for a moment.
pub struct CaptureThread {
    stop: Arc<AtomicBool>,
    events: Consumer<DeviceEvent>,
    thread: JoinHandle<()>,
    failed: bool,
}

impl CaptureThread {
    /// Starts the thread of the device `name`. It opens the device itself, at once.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn spawn(name: &str, open: OpenSource, ear: Box<dyn Ear>) -> std::io::Result<CaptureThread> {
        let stop = Arc::new(AtomicBool::new(false));
        let (news, events) = News::new();
        let worker = Worker {
            open,
            ear,
            stop: Arc::clone(&stop),
            news,
        };
        let thread = std::thread::Builder::new()
            .name(format!("capture {name}"))
            .spawn(move || worker.run())?;
        Ok(CaptureThread {
            stop,
            events,
            thread,
            failed: false,
        })
    }

    /// The next thing that happened.
    pub fn event(&mut self) -> Option<DeviceEvent> {
        let event = self.events.pop().ok();
        if event.is_none() && self.thread.is_finished() && !std::mem::replace(&mut self.failed, true) {
            return Some(DeviceEvent::Lost("its thread has failed".to_owned()));
        }
        event
    }
}

impl Drop for CaptureThread {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        let began = Instant::now();
        while !self.thread.is_finished() && began.elapsed() < CLOSING {
            std::thread::sleep(Duration::from_millis(2));
        }
    }
}

struct Worker {
    open: OpenSource,
    ear: Box<dyn Ear>,
    stop: Arc<AtomicBool>,
    news: News,
}

impl Worker {
    fn run(mut self) {
        let mut wait = FIRST_WAIT;
        let mut next = Instant::now();
        while self.wait_until(next) {
            match (self.open)() {
                Ok(mut source) => {
                    self.news.opened(ask_for_real_time());
                    let started = Instant::now();
                    let error = self.with_device(source.as_mut());
                    // Closing and opening may take their time, as everybody else.
                    give_up_real_time();
                    drop(source);
                    let Some(error) = error else { return };
                    self.news.lost(error.to_string());
                    // A device that works for a moment only must not be opened in a tight circle.
                    if started.elapsed() > LONGEST_WAIT {
                        wait = FIRST_WAIT;
                    }
                }
                Err(error) => self.news.lost(error.to_string()),
            }
            next = back_off(&mut wait);
        }
    }

    /// `false` when told to stop.
    fn wait_until(&mut self, next: Instant) -> bool {
        loop {
            if self.stop.load(Ordering::Relaxed) {
                return false;
            }
            self.ear.away();
            let left = next.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return true;
            }
            std::thread::sleep(left.min(LOOK));
        }
    }

    /// Reads until the device fails (the error) or the thread is told to stop (`None`).
    fn with_device(&mut self, source: &mut dyn Source) -> Option<DeviceError> {
        hush_library();
        let mut frames = vec![0.0; source.period() * source.channels()];
        let mut pace = PaceCheck::new();
        // What was before is not what comes now.
        let mut gap = true;
        while !self.stop.load(Ordering::Relaxed) {
            match source.read(&mut frames) {
                Ok(Transfer::Fine) => {}
                Ok(Transfer::Xrun) => {
                    gap = true;
                    self.news.xrun();
                }
                Err(error) => return Some(error),
            }
            let now = Instant::now();
            let at = now.checked_sub(source.delay()).unwrap_or(now);
            self.ear.hear(&frames, at, now, std::mem::take(&mut gap));
            if pace.runs_away(source.period()) {
                return Some(DeviceError::lost("the input", "it gives audio faster than real time"));
            }
            self.news.tell_xruns();
        }
        None
    }
}

#[cfg(test)]
mod tests;
