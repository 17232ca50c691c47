//! One capture device's thread: read, hand on, and open the device again when it is gone.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use rtrb::{Consumer, Producer};

use super::pcm::hush_library;
use super::source::{Read, Source, SourceError};
use super::supervise::{BURST, FIRST_WAIT, LONGEST_WAIT, PaceCheck, ask_for_real_time, back_off, give_up_real_time};

/// Opens a device, and opens it again after a fault. It may block.
pub type OpenSource = Box<dyn FnMut() -> Result<Box<dyn Source>, SourceError> + Send>;

/// Takes what a device captures, on its thread: it must neither block nor take long.
pub trait Ear: Send {
    /// Interleaved frames (±1.0), any number of them. `at`: when the last of them was captured; `now`: when they came
    /// from the device. `gap`: what was captured before them is lost.
    fn hear(&mut self, frames: &[f32], at: Instant, now: Instant, gap: bool);
    /// The device is away. Told again and again while it is.
    fn away(&mut self);
}

/// What happened to a device.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum CaptureEvent {
    /// The device runs. `real_time`: the thread has the system's real-time scheduling.
    Opened { real_time: bool },
    /// The device is gone or could not be opened, and why. Told again only when the cause changes.
    Lost(String),
    /// The device ran over so many times in about one second.
    Xruns(u32),
}

/// Events kept for the control task.
const EVENTS: usize = 64;
/// Longest wait for the thread at the end: it may sit in a driver's open call.
const CLOSING: Duration = Duration::from_secs(2);
/// Between looks whether it is time to try again, or to stop.
const LOOK: Duration = Duration::from_millis(50);

/// A running capture thread. Told to stop when dropped, and waited for a moment.
pub struct CaptureThread {
    stop: Arc<AtomicBool>,
    events: Consumer<CaptureEvent>,
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
        let (events_in, events) = rtrb::RingBuffer::new(EVENTS);
        let worker = Worker {
            open,
            ear,
            stop: Arc::clone(&stop),
            events: events_in,
            told: None,
            xruns: 0,
            burst: None,
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
    pub fn event(&mut self) -> Option<CaptureEvent> {
        let event = self.events.pop().ok();
        if event.is_none() && self.thread.is_finished() && !std::mem::replace(&mut self.failed, true) {
            return Some(CaptureEvent::Lost("its thread has failed".to_owned()));
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
    events: Producer<CaptureEvent>,
    /// The cause told last, while the device is away.
    told: Option<String>,
    xruns: u32,
    burst: Option<Instant>,
}

impl Worker {
    fn run(mut self) {
        let mut wait = FIRST_WAIT;
        let mut next = Instant::now();
        while self.wait_until(next) {
            match (self.open)() {
                Ok(mut source) => {
                    self.told = None;
                    let real_time = ask_for_real_time();
                    self.tell(CaptureEvent::Opened { real_time });
                    let started = Instant::now();
                    let error = self.with_device(source.as_mut());
                    // Closing and opening may take their time, as everybody else.
                    give_up_real_time();
                    drop(source);
                    let Some(error) = error else { return };
                    self.lost(error.to_string());
                    // A device that works for a moment only must not be opened in a tight circle.
                    if started.elapsed() > LONGEST_WAIT {
                        wait = FIRST_WAIT;
                    }
                }
                Err(error) => self.lost(error.to_string()),
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
    fn with_device(&mut self, source: &mut dyn Source) -> Option<SourceError> {
        hush_library();
        let mut frames = vec![0.0; source.period() * source.channels()];
        let mut pace = PaceCheck::new();
        // What was before is not what comes now.
        let mut gap = true;
        while !self.stop.load(Ordering::Relaxed) {
            match source.read(&mut frames) {
                Ok(Read::Fine) => {}
                Ok(Read::Xrun) => {
                    gap = true;
                    self.xruns = self.xruns.saturating_add(1);
                }
                Err(error) => return Some(error),
            }
            let now = Instant::now();
            let at = now.checked_sub(source.delay()).unwrap_or(now);
            self.ear.hear(&frames, at, now, std::mem::take(&mut gap));
            if pace.runs_away(source.period()) {
                return Some(SourceError::Lost {
                    device: "the input".to_owned(),
                    cause: "it gives audio faster than real time".to_owned(),
                });
            }
            self.tell_xruns();
        }
        None
    }

    /// The first xrun is told at once, those after it once a second.
    fn tell_xruns(&mut self) {
        if self.xruns == 0 || self.burst.is_some_and(|b| b.elapsed() < BURST) {
            return;
        }
        self.burst = Some(Instant::now());
        let count = std::mem::take(&mut self.xruns);
        self.tell(CaptureEvent::Xruns(count));
    }

    fn lost(&mut self, cause: String) {
        if self.told.as_ref() != Some(&cause) {
            self.tell(CaptureEvent::Lost(cause.clone()));
            self.told = Some(cause);
        }
    }

    fn tell(&mut self, event: CaptureEvent) {
        // A control task that does not read 64 events is past caring for the 65th.
        let _ = self.events.push(event);
    }
}

#[cfg(test)]
mod tests;
