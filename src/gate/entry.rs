//! One caller at the dial pad: first the code, then the choice of zones.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use super::code::{CodeId, MAX_CODE};
use super::rules::{Choice, Failure, Grant, MAX_CHOICE, MAX_TRIES, NoChoice, Route};
use crate::page::{Priority, ZoneId};

/// From the prompt to the first key. This and the next one: common practice, no published source.
pub const FIRST_KEY: Duration = Duration::from_secs(10);
/// Between keys; what is there then counts.
pub const NEXT_KEY: Duration = Duration::from_secs(5);
/// From the answer to the bid.
pub const ENTRY_LIMIT: Duration = Duration::from_secs(60);
/// Keys dialled ahead while a code is being checked.
const MAX_AHEAD: usize = MAX_CHOICE + 2;

/// What a caller dialled: never printed.
#[derive(Clone, PartialEq, Eq)]
pub struct Digits(String);

impl Digits {
    #[cfg(test)]
    pub(super) fn new(text: &str) -> Self {
        Digits(text.to_owned())
    }

    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl std::fmt::Debug for Digits {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Digits(…)")
    }
}

/// What the caller hears.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sound {
    /// Dial the code.
    CodePrompt,
    /// Dial the zone.
    ZonePrompt,
    /// That was wrong.
    Refused,
}

/// What a caller is asked, and what for.
#[derive(Debug, Clone)]
pub(super) struct Ask {
    pub code: bool,
    pub code_length: Option<usize>,
    pub keypad: Vec<Choice>,
    pub no_choice: NoChoice,
    pub route: Route,
    pub base: Priority,
    pub floor: Option<Priority>,
}

/// What a right code opens.
#[derive(Debug, Clone)]
pub(super) struct Opened {
    pub code: CodeId,
    pub zones: Option<Vec<ZoneId>>,
    pub priority: Option<Priority>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Act {
    Play(Sound),
    Check(Digits),
    Page(Grant),
    End(Failure),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    Code,
    Checking,
    Zone,
    Over,
}

#[derive(Debug)]
pub(super) struct Entry {
    ask: Ask,
    stage: Stage,
    digits: String,
    /// More digits came than a code or a choice may have.
    overlong: bool,
    ahead: String,
    tries: u32,
    opened: Option<Opened>,
    key_by: Instant,
    end_by: Instant,
    acts: VecDeque<Act>,
}

impl Entry {
    /// Begins with the prompt.
    pub fn new(ask: Ask, now: Instant) -> Self {
        let mut entry = Entry {
            stage: Stage::Code,
            digits: String::new(),
            overlong: false,
            ahead: String::new(),
            tries: 0,
            opened: None,
            key_by: now,
            end_by: now + ENTRY_LIMIT,
            acts: VecDeque::new(),
            ask,
        };
        if entry.ask.code {
            entry.prompt(Stage::Code, Sound::CodePrompt, now);
        } else {
            entry.opened(now);
        }
        entry
    }

    pub fn poll(&mut self) -> Option<Act> {
        self.acts.pop_front()
    }

    /// What has not come yet.
    pub fn awaits(&self) -> &'static str {
        match self.stage {
            Stage::Code => "a code was entered",
            Stage::Checking => "the code was checked",
            Stage::Zone | Stage::Over => "a zone was chosen",
        }
    }

    pub fn due(&self) -> Option<Instant> {
        match self.stage {
            Stage::Over => None,
            Stage::Checking => Some(self.end_by),
            Stage::Code | Stage::Zone => Some(self.key_by.min(self.end_by)),
        }
    }

    /// A key of the dial pad. `*` begins anew, `#` ends.
    pub fn key(&mut self, key: char, now: Instant) {
        match self.stage {
            Stage::Over => {}
            Stage::Checking => {
                // The # behind a code that was complete without it.
                let stray = key == '#' && self.ahead.is_empty();
                if !stray && self.ahead.len() < MAX_AHEAD {
                    self.ahead.push(key);
                }
            }
            Stage::Code | Stage::Zone => {
                self.key_by = now + NEXT_KEY;
                match key {
                    '#' => self.complete(now),
                    '*' => self.clear(),
                    '0'..='9' => self.digit(key, now),
                    // A to D are on no caller's phone.
                    _ => {}
                }
            }
        }
    }

    fn clear(&mut self) {
        self.digits.clear();
        self.overlong = false;
    }

    fn digit(&mut self, digit: char, now: Instant) {
        let most = if self.stage == Stage::Code {
            MAX_CODE
        } else {
            MAX_CHOICE
        };
        if self.digits.len() >= most {
            self.overlong = true;
            return;
        }
        self.digits.push(digit);
        let full = match self.stage {
            Stage::Code => self.ask.code_length == Some(self.digits.len()),
            // Nothing longer begins like this.
            _ => {
                let begins = |c: &&Choice| c.digits.starts_with(&self.digits);
                self.ask.keypad.iter().any(|c| c.digits == self.digits)
                    && self.ask.keypad.iter().filter(begins).count() == 1
            }
        };
        if full {
            self.complete(now);
        }
    }

    fn complete(&mut self, now: Instant) {
        if self.digits.is_empty() {
            return;
        }
        match self.stage {
            Stage::Code => {
                let mut digits = std::mem::take(&mut self.digits);
                if std::mem::take(&mut self.overlong) {
                    // It cannot be right. It is checked and counted like any other.
                    digits.push('+');
                }
                self.stage = Stage::Checking;
                self.ahead.clear();
                self.acts.push_back(Act::Check(Digits(digits)));
            }
            Stage::Zone => self.choose(now),
            Stage::Checking | Stage::Over => {}
        }
    }

    /// The code was right.
    pub fn right(&mut self, opened: Opened, now: Instant) {
        if self.stage != Stage::Checking {
            return;
        }
        self.opened = Some(opened);
        self.tries = 0;
        let ahead = std::mem::take(&mut self.ahead);
        self.opened(now);
        for key in ahead.chars() {
            self.key(key, now);
        }
    }

    pub fn wrong(&mut self, now: Instant) {
        if self.stage == Stage::Checking {
            self.refuse(Stage::Code, Failure::WrongCode, now);
        }
    }

    /// Nobody looked at the code: no more of them are taken.
    pub fn fail(&mut self, failure: Failure) {
        if self.stage != Stage::Over {
            self.end(failure);
        }
    }

    fn opened(&mut self, now: Instant) {
        if self.ask.keypad.is_empty() {
            self.page(None);
        } else {
            self.prompt(Stage::Zone, Sound::ZonePrompt, now);
        }
    }

    fn prompt(&mut self, stage: Stage, sound: Sound, now: Instant) {
        self.stage = stage;
        self.clear();
        self.ahead.clear();
        self.key_by = now + FIRST_KEY;
        self.acts.push_back(Act::Play(sound));
    }

    /// The refusal tone; the next try may begin at once.
    fn refuse(&mut self, stage: Stage, failure: Failure, now: Instant) {
        self.tries += 1;
        if self.tries >= MAX_TRIES {
            self.end(failure);
        } else {
            self.prompt(stage, Sound::Refused, now);
        }
    }

    fn choose(&mut self, now: Instant) {
        let chosen = self.ask.keypad.iter().find(|c| c.digits == self.digits);
        let route = chosen.filter(|_| !self.overlong).and_then(|c| self.permitted(&c.route));
        match route {
            Some(route) => self.page(Some(route)),
            None => self.refuse(Stage::Zone, Failure::WrongChoice, now),
        }
    }

    /// What a code with zones of its own leaves of a choice.
    fn permitted(&self, route: &Route) -> Option<Route> {
        let own = self.opened.as_ref().and_then(|o| o.zones.as_ref());
        let zones: Vec<ZoneId> = route
            .zones
            .iter()
            .copied()
            .filter(|z| own.is_none_or(|own| own.contains(z)))
            .collect();
        (!zones.is_empty()).then_some(Route {
            zones,
            priority: route.priority,
        })
    }

    /// Every gate has opened.
    fn page(&mut self, chosen: Option<Route>) {
        if self.ask.code && self.opened.is_none() {
            return self.end(Failure::NoCode);
        }
        let opened = self.opened.take();
        let (code, zones, priority) = match opened {
            Some(o) => (Some(o.code), o.zones, o.priority),
            None => (None, None, None),
        };
        let route = match chosen {
            // What is chosen has the code's priority, if that has one.
            Some(route) => Route {
                zones: route.zones,
                priority: priority.or(route.priority).or(self.ask.route.priority),
            },
            None => Route {
                zones: zones.unwrap_or_else(|| self.ask.route.zones.clone()),
                priority: priority.or(self.ask.route.priority),
            },
        };
        self.stage = Stage::Over;
        self.acts
            .push_back(Act::Page(Grant::new(route, self.ask.base, self.ask.floor, code)));
    }

    fn end(&mut self, failure: Failure) {
        self.stage = Stage::Over;
        self.clear();
        self.acts.push_back(Act::End(failure));
    }

    pub fn handle_timeout(&mut self, now: Instant) {
        if self.due().is_none_or(|due| now < due) {
            return;
        }
        if self.end_by <= now {
            return self.end(Failure::TooLong);
        }
        match (self.stage, self.digits.is_empty()) {
            (_, false) => self.complete(now),
            (Stage::Code, true) => self.end(Failure::NoCode),
            (Stage::Zone, true) if self.ask.no_choice == NoChoice::Zones => self.page(None),
            (Stage::Zone, true) => self.end(Failure::NoChoice),
            (Stage::Checking | Stage::Over, true) => {}
        }
    }
}
