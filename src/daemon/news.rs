//! What is worth telling again: the first of its kind, a change, or long after.

use std::time::{Duration, Instant};

/// Failures remembered so that each is told once.
const MAX_REMEMBERED: usize = 64;
/// The same is told again after this.
const AGAIN: Duration = Duration::from_secs(6 * 3600);
/// Most told in one [`WINDOW`], whoever fails.
const MAX_TOLD: u32 = 10;
const WINDOW: Duration = Duration::from_secs(60);

/// Remembers what was said of whom.
#[derive(Debug, Default)]
pub struct News {
    told: Vec<(String, String, Instant)>,
    window: Option<(Instant, u32)>,
}

impl News {
    /// Whether `what` about `who` is to be told now.
    pub fn is_news(&mut self, who: &str, what: &str, now: Instant) -> bool {
        self.told
            .retain(|(_, _, at)| now.saturating_duration_since(*at) < AGAIN);
        if self.told.iter().any(|(w, said, _)| w == who && said == what) {
            return false;
        }
        let (since, count) = self
            .window
            .filter(|(at, _)| now.saturating_duration_since(*at) < WINDOW)
            .unwrap_or((now, 0));
        if count >= MAX_TOLD {
            return false;
        }
        self.window = Some((since, count + 1));
        self.told.retain(|(w, _, _)| w != who);
        if self.told.len() >= MAX_REMEMBERED {
            self.told.remove(0);
        }
        self.told.push((who.to_owned(), what.to_owned(), now));
        true
    }

    /// It works again: the next failure is news.
    pub fn forget(&mut self, who: &str) {
        self.told.retain(|(w, _, _)| w != who);
    }
}

/// Strangers in one [`WINDOW`] that are worth a line: 20 a second.
pub const STRANGERS: u64 = 1200;

/// A count that is told at most once a [`WINDOW`].
#[derive(Debug, Default)]
pub struct Tally {
    count: u64,
    since: Option<Instant>,
}

impl Tally {
    pub fn add(&mut self, more: u64) {
        self.count += more;
    }

    /// The count of a window that is over, if it is at least `least`.
    pub fn news(&mut self, least: u64, now: Instant) -> Option<u64> {
        if self.count == 0 {
            self.since = None;
            return None;
        }
        let since = *self.since.get_or_insert(now);
        if now.saturating_duration_since(since) < WINDOW {
            return None;
        }
        self.since = None;
        Some(std::mem::take(&mut self.count)).filter(|count| *count >= least)
    }
}

/// What floods dropped.
#[derive(Debug, Default)]
pub struct Flood {
    pub strangers: Tally,
    pub messages: Tally,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_failure_is_told_once_and_its_change_again() {
        let now = Instant::now();
        let mut news = News::default();
        assert!(news.is_news("pbx", "unknown CA", now));
        assert!(!news.is_news("pbx", "unknown CA", now + WINDOW));
        assert!(news.is_news("pbx", "expired", now + WINDOW));
        assert!(news.is_news("pbx", "unknown CA", now + WINDOW), "and back");
        assert!(!news.is_news("pbx", "unknown CA", now + WINDOW));
        news.forget("pbx");
        assert!(news.is_news("pbx", "unknown CA", now + 2 * WINDOW));
        assert!(news.is_news("pbx", "unknown CA", now + AGAIN + 2 * WINDOW));
    }

    #[test]
    fn any_number_of_failures_is_few_lines() {
        let now = Instant::now();
        let mut news = News::default();
        let told = (0..10_000u32)
            .filter(|i| {
                let at = now + Duration::from_millis(12) * *i;
                news.is_news(&format!("198.51.100.{}", i % 256), &format!("{i}"), at)
            })
            .count();
        assert!(told <= 30, "{told} in two minutes");
        assert!(news.told.len() <= MAX_REMEMBERED);
    }

    #[test]
    fn a_tally_is_told_by_the_minute() {
        let now = Instant::now();
        let mut tally = Tally::default();
        tally.add(5);
        assert_eq!(tally.news(1, now), None);
        tally.add(5);
        assert_eq!(tally.news(1, now + WINDOW), Some(10));
        assert_eq!(tally.news(1, now + 2 * WINDOW), None);
        tally.add(5);
        assert_eq!(tally.news(10, now + 3 * WINDOW), None);
        assert_eq!(tally.news(10, now + 4 * WINDOW), None, "too few");
    }
}
