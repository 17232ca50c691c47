//! Wrong codes are counted, and lock the dial pad for longer and longer.
//!
//! A code is counted as wrong before it is checked, and taken back when it was right: so many lines at once guess no
//! faster than one. Each count rises by one with a wrong code and falls by one in every `decay`; above `free` each
//! further one doubles the lock. In the long run one wrong code in every `decay` gets through, whatever an attacker does.
//!
//! Counted are the caller (identity and place), the extension, and the whole site. The last two are kept apart by what is
//! known of callers ([`Standing`]), so that a stranger's guesses lock no one out who has had the right code before.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use super::caller::Caller;
use super::code::CodeId;

/// Callers with a count of their own; the others share one.
pub const MAX_CALLERS: usize = 256;
/// Callers remembered for a right code; the one whose last is longest ago gives way.
pub const MAX_PROVEN: usize = 128;
/// A wrong code is forgiven extension and site when its caller has the right one within this time.
const FORGIVE: Duration = Duration::from_secs(300);

const HOUR: Duration = Duration::from_secs(3600);

const CALLER: Steps = Steps {
    free: 3.0,
    first: Duration::from_secs(30),
    decay: HOUR.saturating_mul(12),
};
/// The decay of these two is for a single code; see [`Steps::for_codes`].
const EXTENSION: Steps = Steps {
    free: 12.0,
    first: Duration::from_secs(30),
    decay: HOUR.saturating_mul(24),
};
const SITE: Steps = Steps {
    free: 24.0,
    first: Duration::from_secs(10),
    decay: HOUR.saturating_mul(12),
};
/// How many typing errors the right code after them takes back: of each code so many at once, then one in each decay.
const FORGIVEN: Steps = Steps {
    free: 6.0,
    first: HOUR,
    decay: HOUR.saturating_mul(12),
};

/// How a count locks.
#[derive(Debug, Clone, Copy)]
struct Steps {
    /// Wrong codes without consequence.
    free: f64,
    /// The lock for the next one. Each further one doubles it, up to `decay`.
    first: Duration,
    decay: Duration,
}

impl Steps {
    /// With `codes` right ones among those that are guessed, a guess is right so much sooner; it must wait as much longer.
    fn for_codes(self, codes: usize) -> Steps {
        let sooner = (codes.max(1) as f64 + 1.0) / 2.0;
        Steps {
            free: (self.free / sooner).max(CALLER.free),
            decay: self.decay.mul_f64(sooner),
            ..self
        }
    }

    fn lock(self, level: f64) -> Duration {
        if level <= self.free {
            return Duration::ZERO;
        }
        let doublings = (level - self.free - 1.0).clamp(0.0, 40.0);
        Duration::try_from_secs_f64(self.first.as_secs_f64() * doublings.exp2())
            .map_or(self.decay, |lock| lock.min(self.decay))
    }
}

/// One count.
#[derive(Debug, Clone, Copy, Default)]
struct Count {
    level: f64,
    at: Option<Instant>,
    until: Option<Instant>,
    /// Wrong codes ever.
    charges: u64,
}

impl Count {
    fn level(&self, steps: Steps, now: Instant) -> f64 {
        let Some(at) = self.at else { return 0.0 };
        let passed = now.saturating_duration_since(at).as_secs_f64();
        (self.level - passed / steps.decay.as_secs_f64()).max(0.0)
    }

    fn locked(&self, now: Instant) -> Option<Duration> {
        let left = self.until?.saturating_duration_since(now);
        (!left.is_zero()).then_some(left)
    }

    fn charge(&mut self, steps: Steps, now: Instant) {
        self.level = self.level(steps, now) + 1.0;
        self.at = Some(now);
        self.charges += 1;
        let lock = steps.lock(self.level);
        self.until = if lock.is_zero() { None } else { now.checked_add(lock) };
    }

    /// Takes one charge back; `last` is what `charges` was after it.
    fn refund(&mut self, steps: Steps, last: u64, now: Instant) {
        self.level = (self.level(steps, now) - 1.0).max(0.0);
        self.at = Some(now);
        // It was not locked when it was charged. What was charged since then locks on its own.
        if self.charges == last {
            self.until = None;
        }
    }

    /// Both together, for one that gives its place up.
    fn absorb(&mut self, other: &Count, steps: Steps, now: Instant) {
        self.level = self.level(steps, now).max(other.level(steps, now));
        self.at = Some(now);
        self.until = self.until.max(other.until);
    }
}

/// What is known of a caller.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Standing {
    /// Has had the right code before, from the same place.
    Proven,
    /// Comes by a registrar or another trusted peer.
    Known,
    Stranger,
}

impl Standing {
    fn index(self) -> usize {
        self as usize
    }
}

/// Whose count locks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Whose {
    Caller,
    Extension,
    Site,
}

/// Code entry is locked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Locked {
    pub whose: Whose,
    pub left: Duration,
}

type Key = (String, String, std::net::IpAddr);

fn key(caller: &Caller) -> Key {
    (caller.user.clone(), caller.host.clone(), caller.place)
}

#[derive(Debug)]
struct Known {
    count: Count,
    /// When it last had the right code.
    proven: Option<Instant>,
    /// Its wrong codes that a right one may still take back: extension and time.
    wrong: Vec<(usize, Instant)>,
}

/// A code that is being checked. Dropped, it stays counted as wrong.
#[derive(Debug)]
pub struct Permit {
    caller: Caller,
    extension: usize,
    standing: Standing,
    /// Charges of caller, extension and site, as they stood with this one.
    charges: [u64; 3],
}

impl Permit {
    pub fn extension(&self) -> usize {
        self.extension
    }
}

/// All counts.
#[derive(Debug)]
pub struct Lockout {
    callers: BTreeMap<Key, Known>,
    /// Callers without a place in the table.
    others: [Count; 3],
    extensions: Vec<([Count; 3], Steps)>,
    site: [Count; 3],
    site_steps: Steps,
    /// By code: how many errors its right entry has taken back.
    forgiven: Vec<Count>,
}

impl Lockout {
    /// `extensions`: how many codes each has. `codes`: how many there are.
    pub fn new(extensions: &[usize], codes: usize) -> Self {
        Lockout {
            callers: BTreeMap::new(),
            others: Default::default(),
            extensions: extensions
                .iter()
                .map(|n| (Default::default(), EXTENSION.for_codes(*n)))
                .collect(),
            site: Default::default(),
            site_steps: SITE.for_codes(extensions.iter().copied().max().unwrap_or_default()),
            forgiven: vec![Count::default(); codes],
        }
    }

    pub fn standing(&self, caller: &Caller) -> Standing {
        if self.callers.get(&key(caller)).is_some_and(|k| k.proven.is_some()) {
            Standing::Proven
        } else if caller.trusted {
            Standing::Known
        } else {
            Standing::Stranger
        }
    }

    /// Whether a code of this caller would be looked at now. The longest lock counts.
    ///
    /// # Errors
    /// How long not, and why.
    pub fn open(&self, caller: &Caller, extension: usize, now: Instant) -> Result<(), Locked> {
        let standing = self.standing(caller);
        let at = standing.index();
        let own = match self.callers.get(&key(caller)) {
            Some(known) => known.count.locked(now),
            None if self.callers.len() >= MAX_CALLERS => self.others.get(at).and_then(|c| c.locked(now)),
            None => None,
        };
        let extension = self
            .extensions
            .get(extension)
            .and_then(|(counts, _)| counts.get(at)?.locked(now));
        let site = self.site.get(at).and_then(|c| c.locked(now));
        let longest = [(Whose::Caller, own), (Whose::Extension, extension), (Whose::Site, site)]
            .into_iter()
            .filter_map(|(whose, left)| Some(Locked { whose, left: left? }))
            .max_by_key(|l| l.left);
        longest.map_or(Ok(()), Err)
    }

    /// Counts a code as wrong and lets it be checked.
    ///
    /// # Errors
    /// Nothing is counted while it is locked.
    pub fn begin(&mut self, caller: &Caller, extension: usize, now: Instant) -> Result<Permit, Locked> {
        self.open(caller, extension, now)?;
        let standing = self.standing(caller);
        let at = standing.index();
        let mut charges = [0; 3];
        let own = match self.entry(caller, now) {
            Some(known) => {
                known
                    .wrong
                    .retain(|(_, at)| now.saturating_duration_since(*at) < FORGIVE);
                &mut known.count
            }
            None => &mut self.others[at],
        };
        own.charge(CALLER, now);
        charges[0] = own.charges;
        if let Some((counts, steps)) = self.extensions.get_mut(extension) {
            counts[at].charge(*steps, now);
            charges[1] = counts[at].charges;
        }
        self.site[at].charge(self.site_steps, now);
        charges[2] = self.site[at].charges;
        Ok(Permit {
            caller: caller.clone(),
            extension,
            standing,
            charges,
        })
    }

    /// It was right: its count is taken back, and its caller is known from now on.
    pub fn right(&mut self, permit: Permit, code: CodeId, now: Instant) {
        let at = permit.standing.index();
        let own = match self.callers.get_mut(&key(&permit.caller)) {
            Some(known) => &mut known.count,
            None => &mut self.others[at],
        };
        own.refund(CALLER, permit.charges[0], now);
        self.refund_shared(permit.extension, at, permit.charges, now);
        if permit.standing == Standing::Proven {
            self.forgive(&permit, code, now);
        }
        self.prove(&permit.caller, now);
    }

    /// It was wrong, and stays counted.
    pub fn wrong(&mut self, permit: Permit, now: Instant) {
        if permit.standing == Standing::Proven
            && let Some(known) = self.callers.get_mut(&key(&permit.caller))
        {
            // The caller's own count bounds how many there can be.
            known.wrong.push((permit.extension, now));
        }
    }

    /// It was never checked: as if it had not been entered.
    pub fn unchecked(&mut self, permit: &Permit, now: Instant) {
        let at = permit.standing.index();
        match self.callers.get_mut(&key(&permit.caller)) {
            Some(known) => known.count.refund(CALLER, permit.charges[0], now),
            None => self.others[at].refund(CALLER, permit.charges[0], now),
        }
        self.refund_shared(permit.extension, at, permit.charges, now);
    }

    fn refund_shared(&mut self, extension: usize, at: usize, charges: [u64; 3], now: Instant) {
        if let Some((counts, steps)) = self.extensions.get_mut(extension) {
            counts[at].refund(*steps, charges[1], now);
        }
        self.site[at].refund(self.site_steps, charges[2], now);
    }

    /// Typing errors of a caller who has proven to know a code. Its own count keeps them: who knows one code must not
    /// guess another at leisure.
    fn forgive(&mut self, permit: &Permit, code: CodeId, now: Instant) {
        let Some(known) = self.callers.get_mut(&key(&permit.caller)) else {
            return;
        };
        let wrong = std::mem::take(&mut known.wrong);
        let at = Standing::Proven.index();
        for (extension, when) in wrong {
            let Some(bucket) = self.forgiven.get_mut(usize::from(code.0)) else {
                return;
            };
            let recent = now.saturating_duration_since(when) < FORGIVE;
            if !recent || bucket.level(FORGIVEN, now) + 1.0 > FORGIVEN.free {
                continue;
            }
            bucket.charge(FORGIVEN, now);
            self.refund_shared(extension, at, [0; 3], now);
        }
    }

    fn prove(&mut self, caller: &Caller, now: Instant) {
        let Some(known) = self.entry(caller, now) else { return };
        known.proven = Some(now);
        let proven = self
            .callers
            .iter()
            .filter_map(|(key, k)| Some((k.proven?, key.clone())));
        let proven: Vec<_> = proven.collect();
        if proven.len() > MAX_PROVEN
            && let Some((_, oldest)) = proven.into_iter().min()
            && let Some(known) = self.callers.get_mut(&oldest)
        {
            // Its count stays.
            known.proven = None;
        }
    }

    /// The caller's place in the table, made if there is room. Who gives way leaves its count to those without a place.
    fn entry(&mut self, caller: &Caller, now: Instant) -> Option<&mut Known> {
        let key = key(caller);
        if !self.callers.contains_key(&key) {
            if self.callers.len() >= MAX_CALLERS {
                self.callers
                    .retain(|_, k| k.proven.is_some() || k.count.level(CALLER, now) > 0.0);
            }
            if self.callers.len() >= MAX_CALLERS {
                let lowest = self
                    .callers
                    .iter()
                    .filter(|(_, k)| k.proven.is_none())
                    .min_by(|(_, a), (_, b)| {
                        let level = |k: &Known| k.count.level(CALLER, now);
                        level(a).total_cmp(&level(b))
                    })
                    .map(|(key, _)| key.clone())?;
                let gone = self.callers.remove(&lowest)?;
                for other in &mut self.others {
                    other.absorb(&gone.count, CALLER, now);
                }
            }
            // A newcomer that came while there was no room has been counted among the others.
            self.callers.insert(
                key.clone(),
                Known {
                    count: Count::default(),
                    proven: None,
                    wrong: Vec::new(),
                },
            );
        }
        self.callers.get_mut(&key)
    }

    /// Callers in the table.
    pub fn len(&self) -> usize {
        self.callers.len()
    }

    pub fn is_empty(&self) -> bool {
        self.callers.is_empty()
    }
}
