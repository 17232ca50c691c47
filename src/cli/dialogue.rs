//! Questions to whoever stands at the keyboard.
#![allow(clippy::disallowed_methods)]

use std::io::{self, BufRead as _, IsTerminal as _, Write as _};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, Sender};
use std::time::Duration;

/// What came from the keyboard, or instead.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Event {
    Line(String),
    /// No more lines will come.
    End,
    /// SIGINT or SIGTERM.
    Stop,
}

/// Why there is no answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Silence {
    End,
    Stop,
}

/// Reads lines and waits for signals, each on a thread of its own that lasts as long as the program.
pub struct Dialogue {
    events: Receiver<Event>,
    /// Where questions go.
    to_stderr: bool,
    ended: bool,
}

impl Dialogue {
    /// `listens`: answers are wanted; else only signals come. `json`: results go to stdout, so questions go elsewhere.
    ///
    /// # Errors
    /// When the system gives no thread or no signals.
    pub fn new(listens: bool, json: bool) -> io::Result<Self> {
        let (queue, events) = mpsc::channel();
        let stops = queue.clone();
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        let (interrupt, terminate) = {
            use tokio::signal::unix::{SignalKind, signal};
            let _inside = runtime.enter();
            (signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?)
        };
        std::thread::Builder::new().name("signals".to_owned()).spawn(move || {
            runtime.block_on(async move {
                let (mut interrupt, mut terminate) = (interrupt, terminate);
                loop {
                    tokio::select! {
                        _ = interrupt.recv() => {}
                        _ = terminate.recv() => {}
                    }
                    if stops.send(Event::Stop).is_err() {
                        return;
                    }
                }
            });
        })?;
        if listens {
            std::thread::Builder::new()
                .name("keyboard".to_owned())
                .spawn(move || read(&queue))?;
        }
        Ok(Dialogue {
            events,
            to_stderr: json,
            ended: !listens,
        })
    }

    /// Somebody sits at a terminal.
    pub fn has_terminal() -> bool {
        io::stdin().is_terminal()
    }

    pub fn say(&self, text: &str) {
        let _ = match self.to_stderr {
            true => io::stderr().write_all(text.as_bytes()),
            false => io::stdout().write_all(text.as_bytes()),
        };
        let _ = io::stdout().flush();
    }

    /// What comes within that time.
    pub fn wait(&mut self, time: Duration) -> Option<Event> {
        match self.events.recv_timeout(time) {
            Ok(Event::End) => {
                self.ended = true;
                Some(Event::End)
            }
            Ok(event) => Some(event),
            Err(RecvTimeoutError::Timeout) => None,
            Err(RecvTimeoutError::Disconnected) => {
                std::thread::sleep(time);
                None
            }
        }
    }

    /// Asks, and waits for the answer, without blanks around it.
    ///
    /// # Errors
    /// When none comes.
    pub fn ask(&mut self, question: &str) -> Result<String, Silence> {
        self.say(&format!("{question} "));
        if self.ended {
            self.say("\n");
            return Err(Silence::End);
        }
        match self.events.recv() {
            Ok(Event::Line(line)) => {
                // On a terminal the person's own return ended the line.
                if !Self::has_terminal() {
                    self.say(&format!("{}\n", line.trim()));
                }
                Ok(line.trim().to_owned())
            }
            Ok(Event::Stop) => {
                self.say("\n");
                Err(Silence::Stop)
            }
            Ok(Event::End) | Err(_) => {
                self.ended = true;
                self.say("\n");
                Err(Silence::End)
            }
        }
    }

    /// Asks until the answer is one of these words, or begins like one; an empty answer is the first.
    ///
    /// # Errors
    /// When none comes.
    pub fn choose<'w>(&mut self, question: &str, words: &[&'w str]) -> Result<&'w str, Silence> {
        let choice = words.join("/");
        loop {
            let answer = self.ask(&format!("{question} [{choice}]"))?.to_lowercase();
            if answer.is_empty()
                && let Some(first) = words.first()
            {
                return Ok(first);
            }
            let found: Vec<&&str> = words.iter().filter(|word| word.starts_with(&answer)).collect();
            if let [word] = found.as_slice() {
                return Ok(word);
            }
            self.say(&format!("Wanted {}, not {answer:?}.\n", words.join(" or ")));
        }
    }
}

fn read(queue: &Sender<Event>) {
    for line in io::stdin().lock().lines() {
        let Ok(line) = line else { break };
        if queue.send(Event::Line(line)).is_err() {
            return;
        }
    }
    let _ = queue.send(Event::End);
}
