//! Callers and the patterns that name them.

use std::fmt;
use std::hash::{Hash as _, Hasher as _};
use std::net::IpAddr;
use std::str::FromStr;

use crate::sip::agent::Incoming;
use crate::sip::network::host_block;

/// Longest user and longest host of a caller that are told apart, in characters.
pub const MAX_IDENTITY: usize = 128;

/// Who calls, as far as is known.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Caller {
    /// Lower case, without URI parameters; of a tel URI without visual separators (RFC 3966 §3).
    pub user: String,
    /// Lower case; empty for a tel URI.
    pub host: String,
    /// Where the signalling comes from; of IPv6 the /64, see [`host_block`].
    pub place: IpAddr,
    /// The identity is a P-Asserted-Identity (RFC 3325) from a peer whose word counts.
    pub asserted: bool,
    /// The peer's word counts.
    pub trusted: bool,
}

impl Caller {
    /// The asserted identity where there is one, else From.
    pub fn of(incoming: &Incoming) -> Self {
        let identity = incoming.asserted.as_ref().unwrap_or(&incoming.from);
        let tel = identity.host.is_empty();
        let user = identity.user.split(';').next().unwrap_or_default();
        let user = user
            .chars()
            .filter(|c| !(tel && "-.()".contains(*c)))
            .take(MAX_IDENTITY);
        Caller {
            user: user.collect::<String>().to_lowercase(),
            host: identity
                .host
                .chars()
                .take(MAX_IDENTITY)
                .collect::<String>()
                .to_lowercase(),
            place: host_block(incoming.peer.ip()),
            asserted: incoming.asserted.is_some(),
            trusted: incoming.trusted,
        }
    }

    /// For whom its pages are counted: by its place, if nobody vouches for the name, which it could change with each call.
    pub fn counted_as(&self) -> u64 {
        let mut hasher = std::hash::DefaultHasher::new();
        if self.asserted || self.trusted {
            (&self.user, &self.host).hash(&mut hasher);
        } else {
            self.place.hash(&mut hasher);
        }
        hasher.finish()
    }
}

/// Callers by user, or by user and host; `*` stands for any characters. Upper and lower case are the same.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pattern {
    user: Vec<char>,
    host: Option<Vec<char>>,
}

/// Why a text is no pattern.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum PatternError {
    #[error("write a user, or user@host")]
    Empty,
    #[error("at most {MAX_IDENTITY} characters on either side of the @")]
    Long,
    #[error("one @ is enough")]
    TwoHosts,
    #[error("leave out sip: and tel:")]
    Scheme,
    #[error("leave out spaces, ; and <>")]
    Odd,
}

impl FromStr for Pattern {
    type Err = PatternError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let lower = text.to_lowercase();
        if ["sip:", "sips:", "tel:"].iter().any(|s| lower.starts_with(s)) {
            return Err(PatternError::Scheme);
        }
        if lower
            .chars()
            .any(|c| c.is_whitespace() || c.is_control() || "<>;\"".contains(c))
        {
            return Err(PatternError::Odd);
        }
        let (user, host) = match lower.split_once('@') {
            Some((user, host)) => (user, Some(host)),
            None => (lower.as_str(), None),
        };
        if host.is_some_and(|h| h.contains('@')) {
            return Err(PatternError::TwoHosts);
        }
        if user.is_empty() || host.is_some_and(str::is_empty) {
            return Err(PatternError::Empty);
        }
        let long = |t: &str| t.chars().count() > MAX_IDENTITY;
        if long(user) || host.is_some_and(long) {
            return Err(PatternError::Long);
        }
        Ok(Pattern {
            user: user.chars().collect(),
            host: host.map(|h| h.chars().collect()),
        })
    }
}

/// In lower case.
impl fmt::Display for Pattern {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.user.iter().collect::<String>())?;
        match &self.host {
            Some(host) => write!(f, "@{}", host.iter().collect::<String>()),
            None => Ok(()),
        }
    }
}

impl Pattern {
    pub fn matches(&self, user: &str, host: &str) -> bool {
        let fits = |pattern: &[char], text: &str| glob(pattern, &text.to_lowercase().chars().collect::<Vec<_>>());
        fits(&self.user, user) && self.host.as_ref().is_none_or(|h| fits(h, host))
    }

    /// Every caller that `other` matches is matched by this one too. `false` when that cannot be told.
    pub fn covers(&self, other: &Pattern) -> bool {
        // A star of `other` can only be swallowed by one of ours, and with it whatever it stands for.
        let host = match (&self.host, &other.host) {
            (None, _) => true,
            (Some(own), Some(other)) => glob(own, other),
            (Some(own), None) => own.iter().all(|c| *c == '*'),
        };
        host && glob(&self.user, &other.user)
    }
}

/// Time is bounded by the product of the lengths.
fn glob(pattern: &[char], text: &[char]) -> bool {
    let (mut p, mut t) = (0, 0);
    let mut star: Option<(usize, usize)> = None;
    while let Some(c) = text.get(t) {
        match pattern.get(p) {
            Some('*') => {
                star = Some((p, t));
                p += 1;
            }
            Some(own) if own == c => {
                p += 1;
                t += 1;
            }
            _ => match star {
                Some((at, from)) => {
                    star = Some((at, from + 1));
                    p = at + 1;
                    t = from + 1;
                }
                None => return false,
            },
        }
    }
    pattern.iter().skip(p).all(|c| *c == '*')
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pattern(text: &str) -> Pattern {
        text.parse().unwrap()
    }

    /// Who may call itself as it likes is counted by its place; who is vouched for by its name, wherever it is.
    #[test]
    fn another_name_is_no_other_caller() {
        let caller = |user: &str, place: &str, asserted| Caller {
            user: user.to_owned(),
            host: "pbx.quayside.example".to_owned(),
            place: place.parse().unwrap(),
            asserted,
            trusted: false,
        };
        let here = "192.0.2.7";
        let count = |user, place, asserted| caller(user, place, asserted).counted_as();
        assert_eq!(count("201", here, false), count("202", here, false));
        assert_ne!(count("201", here, false), count("201", "192.0.2.8", false));
        assert_ne!(count("201", here, true), count("202", here, true));
        assert_eq!(count("201", here, true), count("201", "192.0.2.8", true));
    }

    #[test]
    fn stars_stand_for_any_characters() {
        for (text, user, host, fits) in [
            ("201", "201", "pbx.quayside.example", true),
            ("201", "2011", "", false),
            ("2*", "201", "", true),
            ("2*", "2", "", true),
            ("2*", "120", "", false),
            ("*", "", "", true),
            ("*1", "201", "", true),
            ("2*1*", "2091x", "", true),
            ("a*b*c", "aXbYbZc", "", true),
            ("a*b*c", "aXbYbZ", "", false),
            ("Anna", "anna", "", true),
            ("201@pbx.quayside.example", "201", "PBX.quayside.example", true),
            ("201@pbx.quayside.example", "201", "other.example", false),
            ("*@*.example", "7", "pbx.quayside.example", true),
            ("+44*", "+4479", "", true),
        ] {
            assert_eq!(pattern(text).matches(user, host), fits, "{text} {user}@{host}");
        }
        // Quadratic at worst, not exponential.
        let stars = "*a".repeat(MAX_IDENTITY / 2);
        assert!(!pattern(&stars).matches(&"a".repeat(MAX_IDENTITY / 2 - 1), ""));
    }

    #[test]
    fn what_is_no_pattern_is_refused() {
        for (text, error) in [
            ("", PatternError::Empty),
            ("@host", PatternError::Empty),
            ("201@", PatternError::Empty),
            ("a@b@c", PatternError::TwoHosts),
            ("sip:201@pbx", PatternError::Scheme),
            ("tel:+44", PatternError::Scheme),
            ("Gate office", PatternError::Odd),
            ("<201>", PatternError::Odd),
        ] {
            assert_eq!(text.parse::<Pattern>(), Err(error), "{text}");
        }
        assert_eq!("1".repeat(129).parse::<Pattern>(), Err(PatternError::Long));
    }

    #[test]
    fn a_wider_pattern_covers_a_narrower_one() {
        for (wide, narrow, covered) in [
            ("2*", "201", true),
            ("2*", "20*", true),
            ("20*", "2*", false),
            ("*", "*", true),
            ("201", "201@pbx", true),
            ("201@pbx", "201", false),
            ("*@*", "201", true),
            ("*@pbx", "2*@pbx", true),
        ] {
            assert_eq!(pattern(wide).covers(&pattern(narrow)), covered, "{wide} over {narrow}");
        }
    }
}
