//! Questions to whoever stands at the keyboard.
#![allow(clippy::disallowed_methods)]

use std::collections::VecDeque;
use std::io::{self, BufRead as _, IsTerminal as _, Write as _};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, Sender};
use std::time::{Duration, Instant};

use hornwire::report::text::fill;

use super::{Exit, run};

/// Characters in a line.
const WIDTH: usize = 80;

/// What came from the keyboard, or instead.
#[derive(Debug)]
enum Event {
    Line(String),
    /// No more lines will come.
    End,
    /// SIGINT or SIGTERM, or the terminal was closed.
    Stop,
}

/// Why there is no answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Silence {
    End,
    Stop,
}

/// Why a dialogue goes no further.
#[derive(Debug, Clone, Copy)]
pub enum Halt {
    /// After the complaint.
    Exit(Exit),
    /// Whoever sits there wants no more.
    Quit,
}

impl From<Exit> for Halt {
    fn from(exit: Exit) -> Self {
        Halt::Exit(exit)
    }
}

impl From<Silence> for Halt {
    fn from(_: Silence) -> Self {
        Halt::Quit
    }
}

/// Reads lines and waits for signals, each on a thread of its own that lasts as long as the program.
pub struct Dialogue {
    events: Receiver<Event>,
    /// Lines that came while nothing was asked.
    early: VecDeque<String>,
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
        std::thread::Builder::new().name("signals".to_owned()).spawn({
            let first = {
                let _inside = runtime.enter();
                run::stop_on(true)?
            };
            move || {
                runtime.block_on(async move {
                    first.await;
                    while stops.send(Event::Stop).is_ok() {
                        match run::stop_on(true) {
                            Ok(next) => next.await,
                            Err(_) => return,
                        }
                    }
                });
            }
        })?;
        if listens {
            std::thread::Builder::new()
                .name("keyboard".to_owned())
                .spawn(move || read(&queue))?;
        }
        Ok(Dialogue {
            events,
            early: VecDeque::new(),
            to_stderr: json,
            ended: !listens,
        })
    }

    /// Somebody sits at a terminal.
    pub fn has_terminal() -> bool {
        io::stdin().is_terminal()
    }

    /// In lines of at most 80 characters.
    pub fn say(&self, text: &str) {
        let text = &wrapped(text);
        let _ = match self.to_stderr {
            true => io::stderr().write_all(text.as_bytes()),
            false => io::stdout().write_all(text.as_bytes()),
        };
        let _ = io::stdout().flush();
    }

    /// Waits so long; `true`, at once, when it is to stop.
    pub fn stops_within(&mut self, time: Duration) -> bool {
        let by = Instant::now() + time;
        loop {
            match self.events.recv_timeout(by.saturating_duration_since(Instant::now())) {
                Ok(Event::Stop) => return true,
                Ok(event) => self.keep(event),
                Err(RecvTimeoutError::Timeout) => return false,
                Err(RecvTimeoutError::Disconnected) => {
                    std::thread::sleep(by.saturating_duration_since(Instant::now()));
                    return false;
                }
            }
        }
    }

    /// Which of these words has been typed while nothing was asked. Another line is told what is wanted; one that a program wrote is kept for
    /// the next question.
    pub fn typed<'w>(&mut self, words: &[&'w str]) -> Option<&'w str> {
        while let Some(line) = self.early.front() {
            let line = line.trim().to_lowercase();
            let found = the_one(&line, words);
            if found.is_none() && !Self::has_terminal() {
                return None;
            }
            self.early.pop_front();
            match found {
                Some(word) => return Some(word),
                None if line.is_empty() => {}
                None => self.wants(words, &line),
            }
        }
        None
    }

    fn wants(&self, words: &[&str], found: &str) {
        self.say(&format!("Wanted {}, not {found:?}.\n", words.join(" or ")));
    }

    /// No more answers will come.
    pub fn has_ended(&self) -> bool {
        self.ended && self.early.is_empty()
    }

    fn keep(&mut self, event: Event) {
        match event {
            Event::Line(line) => self.early.push_back(line),
            Event::End => self.ended = true,
            Event::Stop => {}
        }
    }

    /// Asks, and waits for the answer, without blanks around it.
    ///
    /// # Errors
    /// When none comes.
    pub fn ask(&mut self, question: &str) -> Result<String, Silence> {
        self.say(&format!("{question} "));
        // A key that was hit twice is no answer; what a program writes is one, whenever it comes.
        if Self::has_terminal() {
            while let Ok(event) = self.events.try_recv() {
                if let Event::Stop = event {
                    return Err(Silence::Stop);
                }
                self.keep(event);
            }
            self.early.clear();
        }
        let event = match self.early.pop_front() {
            Some(line) => Ok(Event::Line(line)),
            None if self.ended => Ok(Event::End),
            None => self.events.recv(),
        };
        match event {
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

    /// As [`Dialogue::pick`]; an empty answer is the first word.
    ///
    /// # Errors
    /// When no answer comes.
    pub fn choose<'w>(&mut self, question: &str, words: &[&'w str]) -> Result<&'w str, Silence> {
        self.one_of(question, words, words.first().copied())
    }

    /// Asks until the answer is one of these words, or begins like one.
    ///
    /// # Errors
    /// When no answer comes.
    pub fn pick<'w>(&mut self, question: &str, words: &[&'w str]) -> Result<&'w str, Silence> {
        self.one_of(question, words, None)
    }

    fn one_of<'w>(&mut self, question: &str, words: &[&'w str], usual: Option<&'w str>) -> Result<&'w str, Silence> {
        let choice = words.join("/");
        loop {
            let answer = self.ask(&format!("{question} [{choice}]"))?.to_lowercase();
            if let Some(usual) = usual.filter(|_| answer.is_empty()) {
                return Ok(usual);
            }
            match the_one(&answer, words) {
                Some(word) => return Ok(word),
                None => self.wants(words, &answer),
            }
        }
    }
}

/// The one word that begins so.
fn the_one<'w>(answer: &str, words: &[&'w str]) -> Option<&'w str> {
    let mut found = words
        .iter()
        .filter(|word| !answer.is_empty() && word.starts_with(answer));
    found.next().filter(|_| found.next().is_none()).copied()
}

/// Lines that are too long are broken between words, and go on below their own beginning.
fn wrapped(text: &str) -> String {
    let mut out = String::new();
    for line in text.split_inclusive('\n') {
        if line.trim_end().chars().count() <= WIDTH {
            out.push_str(line);
            continue;
        }
        let indent: String = line.chars().take_while(|c| *c == ' ').collect();
        fill(&mut out, line, &indent, &indent, WIDTH);
        // The blank between a question and its answer stands; a line without an end has none.
        if !line.ends_with('\n') {
            out.truncate(out.trim_end().len());
            out.push_str(&line[line.trim_end().len()..]);
        }
    }
    out
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
