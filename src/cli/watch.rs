//! `hornwire watch`: the running program, looked at again and again.

#![allow(clippy::disallowed_methods)]

use std::io::{self, ErrorKind, IsTerminal as _, Write as _};
use std::os::fd::AsFd as _;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError};
use std::time::Duration;

use crossterm::event::{self, Event, KeyCode, KeyEventKind, KeyModifiers};
use hornwire::bench::watch::{Look, Screen, changes, draw, summary};
use hornwire::report::status::Status;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use ratatui::DefaultTerminal;
use rustix::event::{PollFd, PollFlags};
use rustix::io::Errno;
use serde_json::{Value, json};

use super::local::{SOCKET, exchange};
use super::{Exit, complain, run};

/// An answer that does not come is waited for so long.
const PATIENCE: Duration = Duration::from_secs(3);
/// How long a key, or the end, may wait.
const KEYS: Duration = Duration::from_millis(50);
/// Within this the end is seen to, where a key can be waited for.
const END: Duration = Duration::from_secs(1);

#[derive(Debug, clap::Args)]
pub struct Watch {
    /// The running program's socket.
    #[arg(long, value_name = "PATH", default_value = SOCKET)]
    socket: PathBuf,
    /// Milliseconds between one look and the next.
    #[arg(long, value_name = "MS", default_value_t = 200, value_parser = clap::value_parser!(u64).range(100..=60_000))]
    every: u64,
    /// A line for each change, no repainting; so it is without a terminal too.
    #[arg(long)]
    plain: bool,
    /// Print the whole status at each look, one line of JSON.
    #[arg(long, conflicts_with = "plain")]
    json: bool,
}

/// One look: the status, or why there is none.
type Seen = Result<Value, Trouble>;

#[derive(Debug, Clone, PartialEq)]
struct Trouble {
    text: String,
    /// Asking again changes nothing.
    is_final: bool,
}

pub fn run(wanted: &Watch) -> Exit {
    let looks = looks(wanted);
    let is_dumb = std::env::var_os("TERM").is_none_or(|term| term.is_empty() || term == "dumb");
    let has_screen = !wanted.json && !wanted.plain && !is_dumb && io::stdout().is_terminal();
    let exit = match has_screen {
        true => screen(&looks),
        // Who reads lines has all of them.
        false => at_the_end(leave).map(|()| match wanted.json {
            true => in_json(&looks),
            false => in_lines(&looks),
        }),
    };
    exit.unwrap_or_else(|error| {
        complain(&format!("the terminal: {error}"));
        Exit::System
    })
}

fn screen(looks: &Receiver<Seen>) -> io::Result<Exit> {
    let ends = Arc::new(AtomicBool::new(false));
    let [one, other] = [Arc::clone(&ends), Arc::clone(&ends)];
    at_the_end(move || end(&one))?;
    without_terminal(move || end(&other))?;
    let exit = match ratatui::try_init() {
        Ok(mut terminal) => on_screen(&mut terminal, looks, &ends),
        // No keyboard, say.
        Err(_) => {
            let _ = ratatui::try_restore();
            return Ok(in_lines(looks));
        }
    };
    let _ = ratatui::try_restore();
    exit
}

/// Asks from a thread of its own, so that a gateway that does not answer holds up no key. It ends when nobody listens.
fn looks(wanted: &Watch) -> Receiver<Seen> {
    let (seen, looks) = mpsc::sync_channel(1);
    let (socket, every) = (wanted.socket.clone(), Duration::from_millis(wanted.every));
    std::thread::spawn(move || {
        loop {
            let answer = exchange(&socket, &json!({ "command": "status" }), None, PATIENCE);
            let answer = answer.map_err(|error| {
                let socket = socket.display();
                let text = match error.kind() {
                    ErrorKind::PermissionDenied => {
                        "no permission; its group, hornwire, may ask, and so may root".to_owned()
                    }
                    ErrorKind::NotFound | ErrorKind::ConnectionRefused => "nobody is there".to_owned(),
                    ErrorKind::WouldBlock | ErrorKind::TimedOut => "it does not answer in time".to_owned(),
                    _ => error.to_string(),
                };
                Trouble {
                    text: format!("{socket}: {text}"),
                    is_final: error.kind() == ErrorKind::PermissionDenied,
                }
            });
            if seen.send(answer).is_err() {
                return;
            }
            std::thread::sleep(every);
        }
    });
    looks
}

/// When the program is told to end.
fn at_the_end(act: impl FnOnce() + Send + 'static) -> io::Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_io().build()?;
    let inside = runtime.enter();
    let stop = run::stop_on(true)?;
    drop(inside);
    std::thread::spawn(move || {
        runtime.block_on(stop);
        act();
    });
    Ok(())
}

/// When its terminal goes, where no signal tells of that. Who reads keys from a terminal that has gone, since a connection was cut, can be
/// held up for ever.
fn without_terminal(act: impl FnOnce() + Send + 'static) -> io::Result<()> {
    let terminal = io::stdout().as_fd().try_clone_to_owned()?;
    std::thread::spawn(move || {
        // What hangs up is always told, and nothing else is asked for.
        let mut one = [PollFd::new(&terminal, PollFlags::empty())];
        while matches!(rustix::event::poll(&mut one, None), Ok(0) | Err(Errno::INTR)) {}
        act();
    });
    Ok(())
}

/// Tells whoever draws, and waits for that no longer than [`END`].
fn end(told: &AtomicBool) {
    told.store(true, Ordering::Relaxed);
    std::thread::sleep(END);
    let _ = ratatui::try_restore();
    leave();
}

fn leave() {
    std::process::exit(Exit::Ok as i32);
}

fn clock() -> String {
    let now = TimeZone::system().to_datetime(Timestamp::now());
    now.strftime("%T").to_string()
}

fn in_json(looks: &Receiver<Seen>) -> Exit {
    let mut trouble = None;
    for seen in looks {
        let line = match seen {
            Ok(status) => {
                trouble = None;
                status
            }
            Err(new) if new.is_final => {
                complain(&new.text);
                return Exit::NoPermission;
            }
            Err(new) if trouble.as_ref() == Some(&new) => continue,
            Err(new) => json!({ "error": trouble.insert(new).text }),
        };
        // Who reads may have seen enough.
        if writeln!(io::stdout(), "{line}")
            .and_then(|()| io::stdout().flush())
            .is_err()
        {
            return Exit::Ok;
        }
    }
    Exit::System
}

fn in_lines(looks: &Receiver<Seen>) -> Exit {
    let mut before: Option<Status> = None;
    let mut trouble = None;
    for seen in looks {
        let lines = match seen {
            Ok(status) => {
                trouble = None;
                let view = Status::of(&status);
                let lines = before
                    .as_ref()
                    .map_or_else(|| summary(&view), |before| changes(before, &view));
                before = Some(view);
                lines
            }
            Err(new) if new.is_final => {
                complain(&new.text);
                return Exit::NoPermission;
            }
            Err(new) if trouble.as_ref() == Some(&new) => continue,
            Err(new) => {
                before = None;
                vec![format!("no answer: {}; it goes on asking", trouble.insert(new).text)]
            }
        };
        let now = clock();
        let mut out = io::stdout().lock();
        let written = lines.iter().try_for_each(|line| writeln!(out, "{now} {line}"));
        if written.and_then(|()| out.flush()).is_err() {
            return Exit::Ok;
        }
    }
    Exit::System
}

fn on_screen(terminal: &mut DefaultTerminal, looks: &Receiver<Seen>, ends: &AtomicBool) -> io::Result<Exit> {
    let has_no_colour = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
    let mut look = Look {
        colour: !has_no_colour,
        ..Look::default()
    };
    let mut view: Option<Status> = None;
    let mut trouble: Option<String> = None;
    loop {
        let mut is_new = match looks.recv_timeout(KEYS) {
            Ok(Ok(status)) => {
                (view, trouble) = (Some(Status::of(&status)), None);
                true
            }
            Ok(Err(new)) => {
                if new.is_final && view.is_none() {
                    let _ = ratatui::try_restore();
                    complain(&new.text);
                    return Ok(Exit::NoPermission);
                }
                trouble = Some(new.text);
                true
            }
            Err(RecvTimeoutError::Timeout) => false,
            Err(RecvTimeoutError::Disconnected) => return Ok(Exit::System),
        };
        while event::poll(Duration::ZERO)? {
            is_new = true;
            match event::read()? {
                Event::Key(key) if key.kind != KeyEventKind::Release => match key.code {
                    KeyCode::Char('q') | KeyCode::Esc => return Ok(Exit::Ok),
                    KeyCode::Char('c' | 'd') if key.modifiers.contains(KeyModifiers::CONTROL) => return Ok(Exit::Ok),
                    KeyCode::Char('a') => (look.all, look.scroll) = (!look.all, 0),
                    KeyCode::Up => look.scroll = look.scroll.saturating_sub(1),
                    KeyCode::Down => look.scroll += 1,
                    KeyCode::PageUp => look.scroll = look.scroll.saturating_sub(10),
                    KeyCode::PageDown => look.scroll += 10,
                    KeyCode::Home => look.scroll = 0,
                    KeyCode::End => look.scroll = usize::MAX / 2,
                    _ => {}
                },
                _ => {}
            }
        }
        if ends.load(Ordering::Relaxed) {
            return Ok(Exit::Ok);
        }
        if is_new || view.is_none() {
            let now = clock();
            terminal.draw(|frame| {
                look.scroll = draw(
                    frame,
                    &Screen {
                        view: view.as_ref(),
                        clock: &now,
                        trouble: trouble.as_deref(),
                        look,
                    },
                );
            })?;
        }
    }
}
