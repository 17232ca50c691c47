//! All calls that are not yet let in.

use std::collections::{BTreeMap, VecDeque};
use std::time::{Duration, Instant};

use super::caller::Caller;
use super::code::CodeId;
use super::entry::{Act, Ask, Digits, Entry, Opened, Sound};
use super::lockout::{Locked, Lockout, Permit, Standing, Whose};
use super::news::News;
use super::rules::{Failure, Grant, Refusal, Site};
use crate::calendar::LocalTime;
use crate::page::ZoneId;
use crate::sip::agent::{CallId, ExtensionId, Incoming};

/// Callers at the dial pad at once: a share of the calls that there may be, so that other extensions stay in reach.
pub const MAX_ENTRIES: usize = 24;
/// Of these, callers who have never had a right code.
pub const MAX_UNPROVEN_ENTRIES: usize = 16;
/// Of these, by one caller.
const MAX_OF_ONE_CALLER: usize = 2;
/// Codes that wait to be checked, those of callers who have hung up included.
pub const MAX_CHECKS: usize = 32;

/// One code that is being checked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct CheckId(pub u64);

/// Something for the journal: news, not each time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Told {
    /// Not let in, before the answer or at the dial pad.
    Refused { status: u16, why: &'static str },
    /// A wrong code: of the `try`th try.
    WrongCode { nth: u32 },
    /// A right code, out of its own hours.
    CodeClosed { code: CodeId },
    /// Wrong codes have locked the dial pad.
    Locked {
        whose: Whose,
        standing: Standing,
        left: Duration,
    },
    /// The caller hung up at the dial pad.
    Left { before: &'static str },
    /// A code opened the loudspeakers.
    Opened { code: CodeId, zones: Vec<ZoneId> },
}

/// What the driver does.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Output {
    /// Refuse the call, which is not answered.
    Refuse {
        call: CallId,
        why: Refusal,
    },
    /// Answer it, and hand its keys over. What it says is nobody's speech yet.
    Ask {
        call: CallId,
    },
    Play {
        call: CallId,
        sound: Sound,
    },
    /// Check whether it is one of the extension's codes, then say so by [`Gate::checked`].
    Check {
        check: CheckId,
        extension: ExtensionId,
        digits: Digits,
    },
    /// Bid.
    Page {
        call: CallId,
        grant: Grant,
    },
    /// Hang up, after the refusal tone.
    End {
        call: CallId,
        why: Failure,
    },
    Tell {
        extension: ExtensionId,
        caller: Caller,
        what: Told,
        /// Like it, and not told since the last one.
        untold: u64,
    },
}

#[derive(Debug)]
struct Asked {
    caller: Caller,
    extension: ExtensionId,
    standing: Standing,
    entry: Entry,
    wrong: u32,
}

#[derive(Debug)]
struct Check {
    call: CallId,
    caller: Caller,
    permit: Permit,
}

/// What a message is about: told apart by reason and extension.
type Kind = (&'static str, u16);

/// The gates of a site.
#[derive(Debug)]
pub struct Gate {
    site: Site,
    lockout: Lockout,
    asked: BTreeMap<CallId, Asked>,
    checks: BTreeMap<CheckId, Check>,
    next_check: u64,
    news: News<Kind, (String, String)>,
    outputs: VecDeque<Output>,
}

impl Gate {
    pub fn new(site: Site) -> Self {
        let counts: Vec<usize> = site.rules.iter().map(|r| r.codes.len()).collect();
        Gate {
            lockout: Lockout::new(&counts, site.codes.len()),
            site,
            asked: BTreeMap::new(),
            checks: BTreeMap::new(),
            next_check: 0,
            news: News::default(),
            outputs: VecDeque::new(),
        }
    }

    pub fn site(&self) -> &Site {
        &self.site
    }

    /// A call that the network lets in. `local` is `None` while the clock is not set.
    pub fn call(&mut self, incoming: &Incoming, local: Option<LocalTime>, now: Instant) {
        let caller = Caller::of(incoming);
        let (call, extension) = (incoming.call, incoming.extension);
        match self.decide(incoming, &caller, local, now) {
            Err(why) => {
                let what = Told::Refused {
                    status: why.status(),
                    why: why.text(),
                };
                self.tell(why.text(), extension, &caller, what, now);
                self.outputs.push_back(Output::Refuse { call, why });
            }
            Ok(Decision::Page(grant)) => self.outputs.push_back(Output::Page { call, grant }),
            Ok(Decision::Ask(ask)) => {
                let asked = Asked {
                    standing: self.lockout.standing(&caller),
                    caller,
                    extension,
                    entry: Entry::new(ask, now),
                    wrong: 0,
                };
                self.asked.insert(call, asked);
                self.outputs.push_back(Output::Ask { call });
                self.act(call, now);
            }
        }
    }

    fn decide(
        &self,
        incoming: &Incoming,
        caller: &Caller,
        local: Option<LocalTime>,
        now: Instant,
    ) -> Result<Decision, Refusal> {
        let extension = usize::from(incoming.extension.0);
        // An extension without rules is none.
        let rules = self.site.rules.get(extension).ok_or(Refusal::Denied)?;
        self.site.admit(rules, incoming, caller, local)?;
        let route = rules.route(&incoming.dialled);
        let floor = rules.urgency(incoming);
        if rules.codes.is_empty() && rules.keypad.is_empty() {
            return Ok(Decision::Page(Grant::new(route, rules.priority, floor, None)));
        }
        if !rules.codes.is_empty() {
            self.lockout.open(caller, extension, now)?;
        }
        self.has_room(caller)?;
        Ok(Decision::Ask(Ask {
            code: !rules.codes.is_empty(),
            code_length: rules.code_length,
            keypad: rules.keypad.clone(),
            no_choice: rules.no_choice,
            route,
            base: rules.priority,
            floor,
        }))
    }

    fn has_room(&self, caller: &Caller) -> Result<(), Refusal> {
        let unproven = self.asked.values().filter(|a| a.standing != Standing::Proven).count();
        let own = self.asked.values().filter(|a| a.caller == *caller).count();
        let proven = self.lockout.standing(caller) == Standing::Proven;
        let full =
            self.asked.len() >= MAX_ENTRIES || own >= MAX_OF_ONE_CALLER || !proven && unproven >= MAX_UNPROVEN_ENTRIES;
        if full { Err(Refusal::Crowd) } else { Ok(()) }
    }

    /// Whether the call is at the dial pad.
    pub fn is_asking(&self, call: CallId) -> bool {
        self.asked.contains_key(&call)
    }

    /// Other rules. Who is at the dial pad has to call again. Wrong codes stay counted where there are as many extensions and codes as
    /// before.
    pub fn change(&mut self, site: Site, now: Instant) {
        for check in std::mem::take(&mut self.checks).into_values() {
            self.lockout.unchecked(&check.permit, now);
        }
        let why = Failure::Changed;
        for (call, asked) in std::mem::take(&mut self.asked) {
            let what = Told::Refused {
                status: why.status(),
                why: why.text(),
            };
            self.tell(why.text(), asked.extension, &asked.caller, what, now);
            self.outputs.push_back(Output::End { call, why });
        }
        let counts = |site: &Site| site.rules.iter().map(|r| r.codes.len()).collect::<Vec<usize>>();
        if counts(&self.site) != counts(&site) || self.site.codes.len() != site.codes.len() {
            self.lockout = Lockout::new(&counts(&site), site.codes.len());
        }
        self.site = site;
    }

    /// A key of the dial pad: `0` to `9`, `*`, `#`, `A` to `D`.
    pub fn key(&mut self, call: CallId, key: char, now: Instant) {
        if let Some(asked) = self.asked.get_mut(&call) {
            asked.entry.key(key, now);
            self.act(call, now);
        }
    }

    /// The call is no more, and that needs no words.
    pub fn gone(&mut self, call: CallId) {
        self.asked.remove(&call);
    }

    /// The caller ended the call.
    pub fn hung_up(&mut self, call: CallId, now: Instant) {
        let Some(asked) = self.asked.remove(&call) else { return };
        let before = asked.entry.awaits();
        self.tell(before, asked.extension, &asked.caller, Told::Left { before }, now);
    }

    /// `found` indexes the extension's codes.
    pub fn checked(&mut self, check: CheckId, found: Option<usize>, local: Option<LocalTime>, now: Instant) {
        let Some(Check { call, caller, permit }) = self.checks.remove(&check) else {
            return;
        };
        let extension = ExtensionId(u16::try_from(permit.extension()).unwrap_or(u16::MAX));
        let rules = self.site.rules.get(permit.extension());
        let id = found.and_then(|index| rules?.codes.get(index).copied());
        let code = id.and_then(|id| Some((id, self.site.codes.get(usize::from(id.0))?)));
        match code {
            Some((id, code)) if local.is_none_or(|at| code.hours.is_open(at)) => {
                let opened = Opened {
                    code: id,
                    zones: code.zones.clone(),
                    priority: code.priority,
                };
                self.lockout.right(permit, id, now);
                if let Some(asked) = self.asked.get_mut(&call) {
                    asked.standing = Standing::Proven;
                    asked.entry.right(opened, now);
                }
            }
            // To the caller, a right code at the wrong time is like any wrong one.
            closed => {
                let standing = self.lockout.standing(&caller);
                self.lockout.wrong(permit, now);
                let nth = self.asked.get_mut(&call).map_or(1, |asked| {
                    asked.wrong += 1;
                    asked.wrong
                });
                match closed {
                    Some((id, _)) => {
                        self.tell(
                            "code out of hours",
                            extension,
                            &caller,
                            Told::CodeClosed { code: id },
                            now,
                        );
                    }
                    None => self.tell("wrong code", extension, &caller, Told::WrongCode { nth }, now),
                }
                let locked = self.lockout.open(&caller, usize::from(extension.0), now);
                if let Err(Locked { whose, left }) = locked {
                    let what = Told::Locked { whose, standing, left };
                    let kind = match whose {
                        Whose::Caller => "locked caller",
                        Whose::Extension => "locked extension",
                        Whose::Site => "locked site",
                    };
                    self.tell(kind, extension, &caller, what, now);
                }
                if let Some(asked) = self.asked.get_mut(&call) {
                    match locked {
                        Err(locked) => asked.entry.fail(Failure::Locked(locked.whose)),
                        Ok(()) => asked.entry.wrong(now),
                    }
                }
            }
        }
        self.act(call, now);
    }

    /// The check could not be made.
    pub fn unchecked(&mut self, check: CheckId, now: Instant) {
        let Some(Check { call, permit, .. }) = self.checks.remove(&check) else {
            return;
        };
        self.lockout.unchecked(&permit, now);
        if let Some(asked) = self.asked.get_mut(&call) {
            asked.entry.fail(Failure::TooLong);
            self.act(call, now);
        }
    }

    pub fn handle_timeout(&mut self, now: Instant) {
        let due: Vec<CallId> = self
            .asked
            .iter()
            .filter(|(_, a)| a.entry.due().is_some_and(|due| due <= now))
            .map(|(call, _)| *call)
            .collect();
        for call in due {
            if let Some(asked) = self.asked.get_mut(&call) {
                asked.entry.handle_timeout(now);
                self.act(call, now);
            }
        }
    }

    pub fn poll_timeout(&self) -> Option<Instant> {
        self.asked.values().filter_map(|a| a.entry.due()).min()
    }

    pub fn poll_output(&mut self) -> Option<Output> {
        self.outputs.pop_front()
    }

    fn act(&mut self, call: CallId, now: Instant) {
        while let Some(asked) = self.asked.get_mut(&call) {
            let Some(act) = asked.entry.poll() else { return };
            let (caller, extension) = (asked.caller.clone(), asked.extension);
            match act {
                Act::Play(sound) => self.outputs.push_back(Output::Play { call, sound }),
                Act::Check(digits) => self.check(call, caller, extension, digits, now),
                Act::Page(grant) => {
                    self.asked.remove(&call);
                    if let Some(code) = grant.code() {
                        let zones = grant.zones().to_vec();
                        self.outputs.push_back(Output::Tell {
                            extension,
                            caller,
                            what: Told::Opened { code, zones },
                            untold: 0,
                        });
                    }
                    self.outputs.push_back(Output::Page { call, grant });
                }
                Act::End(why) => {
                    self.asked.remove(&call);
                    let what = Told::Refused {
                        status: why.status(),
                        why: why.text(),
                    };
                    self.tell(why.text(), extension, &caller, what, now);
                    self.outputs.push_back(Output::End { call, why });
                }
            }
        }
    }

    fn check(&mut self, call: CallId, caller: Caller, extension: ExtensionId, digits: Digits, now: Instant) {
        let crowd = self.checks.len() >= MAX_CHECKS;
        let begun = if crowd {
            Err(Failure::TooLong)
        } else {
            let begun = self.lockout.begin(&caller, usize::from(extension.0), now);
            begun.map_err(|locked| Failure::Locked(locked.whose))
        };
        match begun {
            Ok(permit) => {
                let check = CheckId(self.next_check);
                self.next_check += 1;
                self.checks.insert(check, Check { call, caller, permit });
                self.outputs.push_back(Output::Check {
                    check,
                    extension,
                    digits,
                });
            }
            Err(failure) => {
                if let Some(asked) = self.asked.get_mut(&call) {
                    asked.entry.fail(failure);
                }
            }
        }
    }

    fn tell(&mut self, kind: &'static str, extension: ExtensionId, caller: &Caller, what: Told, now: Instant) {
        let who = (format!("{}@{}", caller.user, caller.host), caller.place.to_string());
        if let Some(untold) = self.news.hear(&(kind, extension.0), &who, now) {
            self.outputs.push_back(Output::Tell {
                extension,
                caller: caller.clone(),
                what,
                untold,
            });
        }
    }
}

enum Decision {
    Page(Grant),
    Ask(Ask),
}
