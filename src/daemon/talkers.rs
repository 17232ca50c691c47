//! How loud each talker was: the gain that brought a page to its level is where that talker's next one begins.

use std::collections::VecDeque;

use crate::sound::level::Db;

/// Talkers remembered; the one heard longest ago gives way.
const MAX_TALKERS: usize = 64;

/// By source and caller, the latest last.
#[derive(Debug, Default)]
pub struct Talkers(VecDeque<(String, String, Db)>);

impl Talkers {
    pub fn remember(&mut self, source: &str, caller: &str, gain: Db) {
        self.0.retain(|(s, c, _)| (s.as_str(), c.as_str()) != (source, caller));
        if self.0.len() == MAX_TALKERS {
            self.0.pop_front();
        }
        self.0.push_back((source.to_owned(), caller.to_owned(), gain));
    }

    /// 0 dB for who was never heard.
    pub fn gain(&self, source: &str, caller: &str) -> Db {
        let known = self
            .0
            .iter()
            .find(|(s, c, _)| (s.as_str(), c.as_str()) == (source, caller));
        known.map(|(_, _, gain)| *gain).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_talker_of_each_source_has_a_gain() {
        let mut talkers = Talkers::default();
        assert_eq!(talkers.gain("yard-page", "201"), Db(0.0));
        talkers.remember("yard-page", "201", Db(9.0));
        talkers.remember("yard-page", "202", Db(-3.0));
        talkers.remember("yard-page", "201", Db(8.0));
        assert_eq!(talkers.gain("yard-page", "201"), Db(8.0));
        assert_eq!(talkers.gain("yard-page", "202"), Db(-3.0));
        assert_eq!(talkers.gain("dispatch", "201"), Db(0.0));
        for caller in 0..MAX_TALKERS - 1 {
            talkers.remember("dispatch", &caller.to_string(), Db(1.0));
        }
        assert_eq!(talkers.gain("yard-page", "202"), Db(0.0), "the oldest has gone");
        assert_eq!(talkers.gain("yard-page", "201"), Db(8.0));
        assert_eq!(talkers.0.len(), MAX_TALKERS);
    }
}
