//! Session timers (RFC 4028): who refreshes a session how often, and when it is given up.

use std::time::{Duration, Instant};

use super::wire::{Fault, Message, Params, number, tokens};

/// Shortest interval, seconds; also what an absent Min-SE means (RFC 4028 §4, §5).
pub const MIN_SE: u32 = 90;
/// The interval where the far end asks for none, seconds (RFC 4028 §4 recommends it).
pub const WISH: u32 = 1800;
/// Longest interval that is granted unless Min-SE wants more, seconds.
pub const MAX_INTERVAL: u32 = 86_400;
/// A session is ended this long before it expires, or a third of its interval if that is less (RFC 4028 §10).
const MARGIN: Duration = Duration::from_secs(32);

/// Who sends the refreshes, as seen from one request: its sender or its receiver.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refresher {
    Uac,
    Uas,
}

impl Refresher {
    fn name(self) -> &'static str {
        match self {
            Refresher::Uac => "uac",
            Refresher::Uas => "uas",
        }
    }
}

/// What a request or a 2xx says about session timers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Asked {
    /// Seconds of Session-Expires.
    pub interval: Option<u32>,
    pub refresher: Option<Refresher>,
    /// Seconds of Min-SE.
    pub min_se: u32,
    /// `timer` stands in Supported or Require.
    pub supported: bool,
}

impl Asked {
    /// # Errors
    /// 400: Session-Expires or Min-SE repeated or not a number of seconds.
    pub fn read(message: &Message) -> Result<Asked, Fault> {
        let seconds = |name: &str| -> Result<Option<(u32, Params)>, Fault> {
            if message.first(name).is_none() {
                return Ok(None);
            }
            let value = message.single(name)?;
            let end = value.iter().position(|b| *b == b';').unwrap_or(value.len());
            let (digits, params) = value.split_at(end);
            let seconds = number(digits).ok_or(Fault::syntax("a session interval is not a number"))?;
            Ok(Some((seconds, Params::read(params)?)))
        };
        let expires = seconds("Session-Expires")?;
        let refresher = expires.as_ref().and_then(|(_, p)| match p.value("refresher") {
            Some(r) if r.eq_ignore_ascii_case(b"uac") => Some(Refresher::Uac),
            Some(r) if r.eq_ignore_ascii_case(b"uas") => Some(Refresher::Uas),
            _ => None,
        });
        let mut supported = false;
        for name in ["Supported", "Require"] {
            supported |= tokens(&message.list(name)?).iter().any(|t| t == "timer");
        }
        Ok(Asked {
            interval: expires.map(|(s, _)| s),
            refresher,
            min_se: seconds("Min-SE")?.map_or(MIN_SE, |(s, _)| s),
            supported,
        })
    }
}

/// The interval asked for is below [`MIN_SE`]: 422 (RFC 4028 §6).
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a session interval below {MIN_SE} s")]
pub struct TooShort;

/// What a 2xx of ours says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Granted {
    /// Seconds.
    pub interval: u32,
    pub refresher: Refresher,
    /// `Require: timer` goes with it: the far end knows session timers (RFC 4028 §9).
    pub require: bool,
}

impl Granted {
    /// The value of Session-Expires.
    pub fn value(&self) -> String {
        format!("{};refresher={}", self.interval, self.refresher.name())
    }

    /// The session as we, the receiver of the request, see it.
    pub fn session(&self, now: Instant) -> Session {
        Session::new(self.interval, self.refresher == Refresher::Uas, now)
    }
}

/// What we grant as the receiver of an INVITE or UPDATE (RFC 4028 §9, Table 2). `keeps`: who refreshes until now;
/// where the choice is ours and nothing was chosen before, we do it ourselves.
/// # Errors
/// [`TooShort`], to which 422 is the answer. Only who knows session timers can make something of a 422; for others
/// a proxy has asked, and the shortest interval is granted.
pub fn grant(asked: &Asked, keeps: Option<Refresher>) -> Result<Granted, TooShort> {
    if asked.supported && asked.interval.is_some_and(|i| i < MIN_SE) {
        return Err(TooShort);
    }
    let refresher = match (asked.supported, asked.refresher) {
        (false, _) => Refresher::Uas,
        (true, Some(refresher)) => refresher,
        (true, None) => keeps.unwrap_or(Refresher::Uas),
    };
    // Never below what the path wants at least, however long (RFC 4028 §9): 422 says "too short" and nothing else, and a
    // page has its own limit.
    let least = asked.min_se.max(MIN_SE);
    Ok(Granted {
        interval: asked.interval.unwrap_or(WISH).clamp(least, MAX_INTERVAL.max(least)),
        refresher,
        require: asked.supported,
    })
}

/// The timer of one call; a 2xx to a refresh starts a new one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Session {
    /// Seconds.
    interval: u32,
    we_refresh: bool,
    since: Instant,
}

impl Session {
    fn new(interval: u32, we_refresh: bool, now: Instant) -> Self {
        Session {
            interval,
            we_refresh,
            since: now,
        }
    }

    /// After a 2xx to our own refresh that asked for `interval` seconds (RFC 4028 §7.2). One that says nothing comes
    /// from a far end without session timers: we go on alone. What it says holds for both sides, however long.
    pub fn refreshed(answer: &Asked, interval: u32, now: Instant) -> Self {
        let granted = answer.interval.unwrap_or(interval).max(MIN_SE);
        let theirs = answer.interval.is_some() && answer.refresher == Some(Refresher::Uas);
        Session::new(granted, !theirs, now)
    }

    /// Seconds.
    pub fn interval(&self) -> u32 {
        self.interval
    }

    pub fn we_refresh(&self) -> bool {
        self.we_refresh
    }

    /// Who refreshes, in the words of a request that the far end sends.
    pub fn keeper(&self) -> Refresher {
        if self.we_refresh {
            Refresher::Uas
        } else {
            Refresher::Uac
        }
    }

    /// When our refresh goes out: half-way (RFC 4028 §7.2, §10). `None`: it is not ours.
    pub fn refresh_at(&self) -> Option<Instant> {
        self.we_refresh
            .then(|| self.since + Duration::from_secs(self.interval.into()) / 2)
    }

    /// When the call is ended if no refresh came through (RFC 4028 §10).
    pub fn end_at(&self) -> Instant {
        let interval = Duration::from_secs(self.interval.into());
        self.since + interval - MARGIN.min(interval / 3)
    }
}

#[cfg(test)]
mod tests;
