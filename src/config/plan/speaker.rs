//! Who pages, and its wish to be heard.

use std::time::Duration;

use super::{Paging, Plan};
use crate::calendar::{Loudness, Wall, loudness};
use crate::page::{Bid, PageId, Priority, SourceId, ZoneId};

/// A line input whose thread does not even say that its device has gone ends after this long.
const NO_PACKET_LIMIT: Duration = Duration::from_secs(5);

/// Between one playing of an announcement and the next.
pub const ANNOUNCED_AGAIN: Duration = Duration::from_secs(1);

/// Who pages: an entry of the plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Speaker {
    Extension(usize),
    Group(usize),
    Line(usize),
    Contact(usize),
    Schedule(usize),
    /// The local command.
    Local,
    /// A test signal.
    Test,
}

/// Of the section's `index`th table. `kind`: the section's place among those whose tables page.
pub(in crate::config) fn source_id(kind: usize, index: usize) -> SourceId {
    // There are at most `MAX_TABLES` of a kind.
    SourceId(u16::try_from(kind << 12 | index).unwrap_or(u16::MAX))
}

impl Speaker {
    /// Unique among all speakers, and the same in another plan as long as it has its place.
    pub fn id(self) -> SourceId {
        let (kind, index) = match self {
            Speaker::Extension(index) => (0, index),
            Speaker::Group(index) => (1, index),
            Speaker::Line(index) => (2, index),
            Speaker::Contact(index) => (3, index),
            Speaker::Schedule(index) => (4, index),
            Speaker::Local => (5, 0),
            Speaker::Test => (6, 0),
        };
        source_id(kind, index)
    }

    /// What it is, in a word.
    pub fn kind(self) -> &'static str {
        match self {
            Speaker::Extension(_) => "extension",
            Speaker::Group(_) => "group",
            Speaker::Line(_) => "line",
            Speaker::Contact(_) => "contact",
            Speaker::Schedule(_) => "schedule",
            Speaker::Local => "local",
            Speaker::Test => "test",
        }
    }

    pub fn paging(self, plan: &Plan) -> &Paging {
        match self {
            Speaker::Extension(index) => &plan.extensions[index].paging,
            Speaker::Group(index) => &plan.groups[index].paging,
            Speaker::Line(index) => &plan.inputs[index].paging,
            Speaker::Contact(index) => &plan.contacts[index].paging,
            Speaker::Schedule(index) => &plan.schedules[index].paging,
            Speaker::Local => &plan.control.paging,
            Speaker::Test => &plan.control.testing,
        }
    }

    /// As configured.
    pub fn name(self, plan: &Plan) -> &str {
        match self {
            Speaker::Extension(index) => &plan.extensions[index].name,
            Speaker::Group(index) => &plan.groups[index].name,
            Speaker::Line(index) => &plan.inputs[index].name,
            Speaker::Contact(index) => &plan.contacts[index].name,
            Speaker::Schedule(index) => &plan.schedules[index].name,
            Speaker::Local => "local command",
            Speaker::Test => "test signal",
        }
    }

    /// Its wish to be heard, but where quiet hours bar it at that time (`wall`; nowhere, where it is not known). `caller`: for whom its
    /// pages are counted.
    pub fn bid(
        self,
        plan: &Plan,
        page: PageId,
        zones: Vec<ZoneId>,
        priority: Priority,
        caller: u64,
        wall: Option<Wall>,
    ) -> Bid {
        let paging = self.paging(plan);
        let mut limits = paging.limits;
        if let Speaker::Line(_) = self {
            limits.no_packet = Some(NO_PACKET_LIMIT);
        }
        let barred = wall.map_or_else(Vec::new, |wall| self.barred(plan, &zones, priority, wall));
        Bid {
            page,
            source: self.id(),
            zones,
            barred,
            priority,
            chime: paging.chime.sound(&plan.messages).map(|sound| sound.length()),
            limits,
            terms: paging.terms,
            caller,
        }
    }

    /// Where quiet hours bar it at that time.
    pub fn barred(self, plan: &Plan, zones: &[ZoneId], priority: Priority, wall: Wall) -> Vec<ZoneId> {
        // Whoever tests stands there.
        if self == Speaker::Test {
            return Vec::new();
        }
        let is_barred = |zone: &ZoneId| {
            let (loudness, _) = loudness(&plan.quiet_hours, *zone, self.id(), priority, wall);
            loudness == Loudness::Barred
        };
        zones.iter().copied().filter(is_barred).collect()
    }
}
