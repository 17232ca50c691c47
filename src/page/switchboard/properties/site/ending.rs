//! What is left when nobody speaks any more.

use super::*;

impl Site {
    /// Every source ends: within lead, chime, drain bound and release all relays must be at rest.
    pub(in super::super) fn all_sources_end(&mut self) {
        let mut live: Vec<PageId> = self.pages.keys().copied().collect();
        live.sort();
        for page in &live {
            self.input(Input::SourceEnded(*page, EndReason::HungUp));
        }
        let bound = Duration::from_millis(500 + 600 + 800) + MAX_DRAIN + Duration::from_millis(1500 + 400 + 700);
        self.pass(bound, false);
        // What was kept is played one after the other.
        for zone in 0..self.rules.zones.len() as u16 {
            self.run(Step::ZoneBack(zone));
            self.run(Step::VetoLifted(zone));
        }
        for _ in 0..live.len() {
            self.pass(bound, false);
            for page in &live {
                let speaks = self
                    .board
                    .pages()
                    .any(|p| p.page == *page && p.standing == Standing::Speaking);
                if speaks {
                    self.input(Input::Replayed(*page));
                }
            }
        }
        self.pass(bound, false);
        assert!(self.board.is_at_rest(), "not at rest without a source");
        assert!(self.relays.values().all(|(operated, _)| !operated));
        assert!(self.pages.is_empty());
        assert_eq!(self.board.poll_timeout(), None);
    }
}
