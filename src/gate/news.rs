//! Which refusals the journal hears of: the first of each kind always, and then not too often.

use std::hash::Hash;
use std::time::{Duration, Instant};

/// Kinds remembered.
pub const MAX_REMEMBERED: usize = 128;
/// The same kind is told again after this.
const REMEMBER: Duration = Duration::from_secs(600);
/// Most told in one [`WINDOW`], but for the first of a kind.
pub const MAX_TOLD: u32 = 10;
const WINDOW: Duration = Duration::from_secs(60);

/// Memory of what was told. `K` says what happened, `W` to whom.
#[derive(Debug)]
pub struct News<K, W> {
    seen: Vec<(K, W, Instant)>,
    /// When the first was told last, and how many were not told since one was.
    kinds: Vec<(K, Instant, u64)>,
    window: Option<Instant>,
    told: u32,
}

impl<K: Clone + Eq + Hash, W: Clone + Eq> Default for News<K, W> {
    fn default() -> Self {
        News {
            seen: Vec::new(),
            kinds: Vec::new(),
            window: None,
            told: 0,
        }
    }
}

impl<K: Clone + Eq + Hash, W: Clone + Eq> News<K, W> {
    /// `Some` when it is to be told, with how many of its kind were not told since the last that was.
    pub fn hear(&mut self, kind: &K, who: &W, now: Instant) -> Option<u64> {
        let recent = |at: Instant| now.saturating_duration_since(at) < REMEMBER;
        self.seen.retain(|(_, _, at)| recent(*at));
        let known = self.kinds.iter().position(|(k, _, _)| k == kind);
        let first = known
            .and_then(|i| self.kinds.get(i))
            .is_none_or(|(_, at, _)| !recent(*at));
        let again = self.seen.iter().any(|(k, w, _)| k == kind && w == who);
        let told = first || !again && self.has_room(now);
        if known.is_none() {
            if self.kinds.len() >= MAX_REMEMBERED {
                self.kinds.remove(0);
            }
            self.kinds.push((kind.clone(), now, 0));
        }
        let (_, at, untold) = self.kinds.iter_mut().find(|(k, _, _)| k == kind)?;
        if !told {
            *untold += 1;
            return None;
        }
        if first {
            *at = now;
        }
        let untold = std::mem::take(untold);
        self.told += 1;
        if self.seen.len() >= MAX_REMEMBERED {
            self.seen.remove(0);
        }
        self.seen.push((kind.clone(), who.clone(), now));
        Some(untold)
    }

    fn has_room(&mut self, now: Instant) -> bool {
        match self.window {
            Some(at) if now.saturating_duration_since(at) < WINDOW => self.told < MAX_TOLD,
            _ => {
                self.window = Some(now);
                self.told = 0;
                true
            }
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::disallowed_methods)]
    use super::*;

    #[test]
    fn a_flood_is_told_seldom_and_hides_nothing_new() {
        let now = Instant::now();
        let mut news = News::default();
        assert_eq!(news.hear(&"wrong code", &0, now), Some(0));
        let mut told = 0;
        for n in 0..60_000u32 {
            let at = now + Duration::from_millis(u64::from(n));
            told += u32::from(news.hear(&"wrong code", &n, at).is_some());
        }
        // A minute: the window that was open at its beginning and the next.
        assert!(told <= 2 * MAX_TOLD, "{told}");
        let later = now + WINDOW;
        assert!(news.hear(&"denied", &7, later).is_some(), "first of its kind");
        assert_eq!(news.hear(&"denied", &7, later), None, "the same again");
        assert!(news.seen.len() <= MAX_REMEMBERED);
        let much_later = later + REMEMBER;
        let untold = news.hear(&"wrong code", &7, much_later).unwrap();
        assert!(untold >= 59_900 - u64::from(told), "{untold}");
    }
}
