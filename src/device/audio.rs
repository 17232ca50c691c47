//! One card's audio thread: render, write, and open the card again when it is gone.
//!
//! Two threads serve one card. The audio thread renders all the time: to the card, or to nowhere at the same pace
//! while the card is away, so that queues don't fill and pages come to their end. Opening and closing may block,
//! so a second thread does it.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{self, Receiver, Sender, TryRecvError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use rtrb::Consumer;

use super::news::{DeviceError, DeviceEvent, News, Transfer};
use super::pcm::hush_library;
use super::sink::{Pacer, Sink};
use super::supervise::{FIRST_WAIT, LONGEST_WAIT, PaceCheck, ask_for_real_time, back_off};
use crate::sound::BLOCK;
use crate::sound::engine::Engine;

/// Opens a card's sink, and opens it again after a fault. Called on a thread of its own: it may block.
pub type OpenSink = Box<dyn FnMut() -> Result<Box<dyn Sink>, DeviceError> + Send>;

/// Longest wait for a card to close at the end.
const CLOSING: Duration = Duration::from_secs(2);
/// A running audio thread. Stops and joins it when dropped.
pub struct AudioThread {
    shared: Arc<Shared>,
    events: Consumer<DeviceEvent>,
    thread: Option<JoinHandle<()>>,
}

#[derive(Default)]
struct Shared {
    stop: AtomicBool,
    /// Periods rendered.
    beat: AtomicU64,
    /// The card's delay, microseconds.
    delay: AtomicU64,
}

impl AudioThread {
    /// Starts the thread of the card `name`. It opens the card itself, at once.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn spawn(name: &str, open: OpenSink, engine: Engine) -> std::io::Result<AudioThread> {
        let shared = Arc::new(Shared::default());
        let (news, events) = News::new();
        let (requests, requested) = mpsc::channel();
        let (opened_in, opened) = mpsc::channel();
        // Never joined: it may sit in a driver's open call. It ends when the audio thread has.
        std::thread::Builder::new()
            .name(format!("open {name}"))
            .spawn(move || opener(open, &requested, &opened_in))?;
        let worker = Worker {
            engine,
            shared: Arc::clone(&shared),
            news,
            requests,
            opened,
            real_time: false,
        };
        let thread = std::thread::Builder::new()
            .name(format!("audio {name}"))
            .spawn(move || worker.run())?;
        Ok(AudioThread {
            shared,
            events,
            thread: Some(thread),
        })
    }

    /// The next thing that happened.
    pub fn event(&mut self) -> Option<DeviceEvent> {
        self.events.pop().ok()
    }

    /// Counts up while the thread goes round, card or no card: for the watchdog.
    pub fn beat(&self) -> u64 {
        self.shared.beat.load(Ordering::Relaxed)
    }

    /// From the rendering of a sample until it leaves the card; zero while the card is away.
    pub fn delay(&self) -> Duration {
        Duration::from_micros(self.shared.delay.load(Ordering::Relaxed))
    }
}

impl Drop for AudioThread {
    fn drop(&mut self) {
        self.shared.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// To the opener thread.
enum Request {
    Open,
    /// Close it; that may block as well.
    Close(Box<dyn Sink>),
}

fn opener(mut open: OpenSink, requests: &Receiver<Request>, opened: &Sender<Result<Box<dyn Sink>, DeviceError>>) {
    while let Ok(request) = requests.recv() {
        match request {
            Request::Close(sink) => drop(sink),
            Request::Open => {
                if opened.send(open()).is_err() {
                    return;
                }
            }
        }
    }
}

struct Worker {
    engine: Engine,
    shared: Arc<Shared>,
    news: News,
    requests: Sender<Request>,
    opened: Receiver<Result<Box<dyn Sink>, DeviceError>>,
    real_time: bool,
}

impl Worker {
    fn run(mut self) {
        self.real_time = ask_for_real_time();
        let mut wait = FIRST_WAIT;
        let mut next = Instant::now();
        while let Some(mut sink) = self.without_card(next, &mut wait) {
            self.news.opened(self.real_time);
            let started = Instant::now();
            let error = self.with_card(sink.as_mut());
            self.engine.set_output_delay(Duration::ZERO);
            self.shared.delay.store(0, Ordering::Relaxed);
            let _ = self.requests.send(Request::Close(sink));
            let Some(error) = error else {
                return self.wait_for_closing();
            };
            self.news.lost(error.to_string());
            // A card that works for a moment only must not be opened in a tight circle.
            if started.elapsed() > LONGEST_WAIT {
                wait = FIRST_WAIT;
            }
            next = back_off(&mut wait);
        }
    }

    /// Gives the opener time to close the card: a file gets its last samples so.
    fn wait_for_closing(self) {
        drop(self.requests);
        // It hangs up when it has nothing left to do.
        while self.opened.recv_timeout(CLOSING).is_ok() {}
    }

    /// Renders to nowhere until the card is open; the first attempt is at `next`. `None` when told to stop.
    fn without_card(&mut self, mut next: Instant, wait: &mut Duration) -> Option<Box<dyn Sink>> {
        let mut pacer = Pacer::new();
        let mut block = vec![0.0; BLOCK * self.engine.channels()];
        let mut asked = false;
        while !self.stopped() {
            if !asked && Instant::now() >= next {
                self.requests.send(Request::Open).ok()?;
                asked = true;
            }
            match self.opened.try_recv() {
                Ok(Ok(sink)) if sink.channels() == self.engine.channels() => return Some(sink),
                Ok(Ok(sink)) => {
                    let (has, wants) = (sink.channels(), self.engine.channels());
                    let _ = self.requests.send(Request::Close(sink));
                    self.news.lost(format!("the card has {has} channels, not {wants}"));
                    (asked, next) = (false, back_off(wait));
                }
                Ok(Err(error)) => {
                    self.news.lost(error.to_string());
                    (asked, next) = (false, back_off(wait));
                }
                Err(TryRecvError::Empty) => {}
                Err(TryRecvError::Disconnected) => {
                    // The opener panicked: there will be no card any more, but pages must still end.
                    self.news.lost("its opener has failed".to_owned());
                }
            }
            self.engine.render(&mut block, Instant::now());
            self.beat();
            pacer.wait(BLOCK);
        }
        None
    }

    /// Renders to the card until it fails (the error) or the thread is told to stop (`None`).
    fn with_card(&mut self, sink: &mut dyn Sink) -> Option<DeviceError> {
        // Allocates, and so it stands before the loop, in which nothing may.
        hush_library();
        let mut frames = vec![0.0; sink.period() * sink.channels()];
        let mut pace = PaceCheck::new();
        while !self.stopped() {
            self.engine.render(&mut frames, Instant::now());
            match sink.write(&frames) {
                Ok(Transfer::Fine) => {}
                Ok(Transfer::Xrun) => self.news.xrun(),
                Err(error) => return Some(error),
            }
            if pace.runs_away(sink.period()) {
                return Some(DeviceError::lost("the card", "it takes audio faster than real time"));
            }
            self.news.tell_xruns();
            let delay = sink.delay();
            self.engine.set_output_delay(delay);
            self.shared.delay.store(delay.as_micros() as u64, Ordering::Relaxed);
            self.beat();
        }
        None
    }

    fn beat(&self) {
        self.shared.beat.fetch_add(1, Ordering::Relaxed);
    }

    fn stopped(&self) -> bool {
        self.shared.stop.load(Ordering::Relaxed)
    }
}

#[cfg(test)]
mod tests;
