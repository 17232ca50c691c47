//! What a site demands of its callers, and what it answers to those who do not meet it.

use std::net::IpAddr;

use super::caller::{Caller, Pattern};
use super::code::{CodeId, Stored};
use super::lockout::{Locked, Whose};
use crate::calendar::{Hours, LocalTime};
use crate::page::{Priority, ZoneId};
use crate::sip::agent::Incoming;
use crate::sip::network::Network;

/// Most digits that choose zones.
pub const MAX_CHOICE: usize = 8;
/// Codes of one extension: all are checked for each entry.
pub const MAX_CODES: usize = 16;
/// Wrong codes, and wrong choices, in one call.
pub const MAX_TRIES: u32 = 3;

/// Zones, and a priority if they come with one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Route {
    pub zones: Vec<ZoneId>,
    pub priority: Option<Priority>,
}

/// Digits that choose zones.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Choice {
    pub digits: String,
    pub route: Route,
}

/// What becomes of a caller who chooses nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum NoChoice {
    /// The page is heard in the zones of the code or the extension.
    #[default]
    Zones,
    HangUp,
}

/// An access code: who or what it is for.
#[derive(Debug, Clone, PartialEq)]
pub struct Code {
    pub name: String,
    pub stored: Stored,
    /// Zones that it opens; `None`: those of the extension.
    pub zones: Option<Vec<ZoneId>>,
    pub priority: Option<Priority>,
    pub hours: Hours,
}

/// One extension's gates.
#[derive(Debug, Clone, PartialEq)]
pub struct Rules {
    /// Who may call beside its registrars; `None`: the site's networks, and every registrar.
    pub networks: Option<Vec<Network>>,
    pub registrar_only: bool,
    /// Without an asserted identity nobody is let in.
    pub asserted_only: bool,
    /// Empty: everybody.
    pub allow: Vec<Pattern>,
    /// Wins over `allow`.
    pub deny: Vec<Pattern>,
    pub hours: Hours,
    /// Empty: no code is asked for.
    pub codes: Vec<CodeId>,
    /// Every code of the extension has so many digits; entry ends with the last.
    pub code_length: Option<usize>,
    /// Empty: nothing to choose.
    pub keypad: Vec<Choice>,
    pub no_choice: NoChoice,
    /// Dialled users that stand for other zones; the first that fits counts.
    pub dial: Vec<(Pattern, Route)>,
    /// Values of Priority and Resource-Priority, lower case, and the priority that they raise a page to.
    pub urgent: Vec<(String, Priority)>,
    pub zones: Vec<ZoneId>,
    pub priority: Priority,
}

/// All gates.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Site {
    /// By extension.
    pub rules: Vec<Rules>,
    pub codes: Vec<Code>,
    /// Who may call extensions without networks of their own, beside the registrars.
    pub networks: Vec<Network>,
    /// Whose word about a caller counts beside the registrars'.
    pub trusted: Vec<Network>,
}

/// The right to bid: made by the gates alone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Grant {
    zones: Vec<ZoneId>,
    priority: Priority,
    code: Option<CodeId>,
}

impl Grant {
    /// `floor`: the urgency of the call; it only raises.
    pub(super) fn new(route: Route, base: Priority, floor: Option<Priority>, code: Option<CodeId>) -> Self {
        let priority = route.priority.unwrap_or(base);
        Grant {
            zones: route.zones,
            priority: floor.map_or(priority, |f| f.max(priority)),
            code,
        }
    }

    pub fn zones(&self) -> &[ZoneId] {
        &self.zones
    }

    pub fn priority(&self) -> Priority {
        self.priority
    }

    /// The code that opened it.
    pub fn code(&self) -> Option<CodeId> {
        self.code
    }
}

/// Why a call is refused before it is answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Refusal {
    Network,
    NotRegistrar,
    NotAsserted,
    Denied,
    NotAllowed,
    Closed,
    Locked(Whose),
    /// Too many callers are at the dial pad.
    Crowd,
}

impl Refusal {
    /// RFC 3261: 403 for whom is not let in (§21.4.4), 603 outside the hours, so that no other branch rings for it
    /// (§21.6.2), 480 while codes are locked (§21.4.18), 486 when there is no place (§21.4.24).
    pub fn status(self) -> u16 {
        match self {
            Refusal::Network | Refusal::NotRegistrar | Refusal::NotAsserted | Refusal::Denied | Refusal::NotAllowed => {
                403
            }
            Refusal::Closed => 603,
            Refusal::Locked(_) => 480,
            Refusal::Crowd => 486,
        }
    }

    pub fn text(self) -> &'static str {
        match self {
            Refusal::Network => "not from this network",
            Refusal::NotRegistrar => "only through its registrar",
            Refusal::NotAsserted => "no asserted identity",
            Refusal::Denied => "caller is denied",
            Refusal::NotAllowed => "caller is not allowed",
            Refusal::Closed => "outside its hours",
            Refusal::Locked(_) => "code entry is locked",
            Refusal::Crowd => "too many callers at the dial pad",
        }
    }
}

/// Why a call that was asked for a code or a choice ends without a page.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Failure {
    /// [`MAX_TRIES`] wrong codes.
    WrongCode,
    NoCode,
    Locked(Whose),
    WrongChoice,
    NoChoice,
    /// It took longer than [`super::ENTRY_LIMIT`].
    TooLong,
    /// Who may page has changed meanwhile.
    Changed,
}

impl Failure {
    /// Cause of the BYE (RFC 3326).
    pub fn status(self) -> u16 {
        match self {
            Failure::WrongCode => 403,
            Failure::WrongChoice => 404,
            Failure::NoCode | Failure::NoChoice | Failure::TooLong | Failure::Locked(_) | Failure::Changed => 480,
        }
    }

    pub fn text(self) -> &'static str {
        match self {
            Failure::WrongCode => "too many wrong codes",
            Failure::NoCode => "no code was entered",
            Failure::Locked(_) => "code entry is locked",
            Failure::WrongChoice => "no such zone",
            Failure::NoChoice => "no zone was chosen",
            Failure::TooLong => "code or zone took too long",
            Failure::Changed => "the rules have changed; call again",
        }
    }
}

impl From<Locked> for Refusal {
    fn from(locked: Locked) -> Self {
        Refusal::Locked(locked.whose)
    }
}

impl Site {
    /// The gates that need no dial pad. `local` is `None` while the clock is not set: hours then hold nobody back.
    ///
    /// # Errors
    /// The first gate that does not open.
    pub(super) fn admit(
        &self,
        rules: &Rules,
        incoming: &Incoming,
        caller: &Caller,
        local: Option<LocalTime>,
    ) -> Result<(), Refusal> {
        let listed = |list: &[Network], peer: IpAddr| list.iter().any(|n| n.contains(peer));
        let peer = incoming.peer.ip();
        if !incoming.from_registrar {
            if rules.registrar_only {
                return Err(Refusal::NotRegistrar);
            }
            // A peer that counts without being listed as trusted is another extension's registrar.
            let registrar = incoming.trusted && !listed(&self.trusted, peer);
            let fits = match &rules.networks {
                Some(own) => listed(own, peer),
                None => listed(&self.networks, peer) || registrar,
            };
            if !fits {
                return Err(Refusal::Network);
            }
        }
        if rules.asserted_only && !caller.asserted {
            return Err(Refusal::NotAsserted);
        }
        let named = |list: &[Pattern]| list.iter().any(|p| p.matches(&caller.user, &caller.host));
        if named(&rules.deny) {
            return Err(Refusal::Denied);
        }
        if !rules.allow.is_empty() && !named(&rules.allow) {
            return Err(Refusal::NotAllowed);
        }
        if local.is_some_and(|at| !rules.hours.is_open(at)) {
            return Err(Refusal::Closed);
        }
        Ok(())
    }
}

impl Rules {
    /// Where the dialled number leads.
    pub(super) fn route(&self, dialled: &str) -> Route {
        let found = self.dial.iter().find(|(users, _)| users.matches(dialled, ""));
        found.map_or_else(
            || Route {
                zones: self.zones.clone(),
                priority: None,
            },
            |(_, route)| route.clone(),
        )
    }

    /// The highest priority that the call's urgency stands for, from a trusted peer alone.
    pub(super) fn urgency(&self, incoming: &Incoming) -> Option<Priority> {
        let values = incoming.urgency.iter().filter(|_| incoming.trusted);
        values
            .filter_map(|v| self.urgent.iter().find(|(name, _)| name == v))
            .map(|(_, priority)| *priority)
            .max()
    }
}
