//! What is told to those who look on: the demonstration, a replay, tests.

use std::time::Instant;

use super::control::Control;
use crate::page::{PageId, PageStatus, Phase, RelayId, ZoneId};
use crate::report::record::PageReport;

/// Something that a timeline shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Moment {
    pub at: Instant,
    pub what: What,
}

#[derive(Debug, Clone, PartialEq)]
pub enum What {
    Ready,
    /// How everything stands from now on.
    Stands {
        zones: Vec<(Phase, Option<PageId>)>,
        /// Highest bid first.
        pages: Vec<PageStatus>,
    },
    /// A page's record.
    Over(Box<PageReport>),
    Phase {
        zone: ZoneId,
        phase: Phase,
        page: Option<PageId>,
    },
    Relay {
        relay: RelayId,
        operated: bool,
    },
}

impl Control {
    /// Tells those who look on how everything stands, if that has changed.
    pub(super) fn stands(&mut self) {
        if self.moments.is_none() {
            return;
        }
        let zones = (0..=u16::MAX).zip(&self.plan.zones);
        let stands = What::Stands {
            zones: zones.map(|(id, _)| self.switchboard.zone(ZoneId(id))).collect(),
            pages: self.switchboard.pages().collect(),
        };
        if self.stood.as_ref() != Some(&stands) {
            self.stood = Some(stands.clone());
            self.moment(stands);
        }
    }

    pub(super) fn moment(&mut self, what: What) {
        if let Some(moments) = &self.moments {
            let _ = moments.try_send(Moment { at: super::now(), what });
        }
    }
}
