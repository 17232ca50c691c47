//! Who speaks where, when: the switchboard and the words it uses. Pure; time is an argument.

mod ids;
mod switchboard;

pub use ids::{PageId, Priority, RelayId, SourceId, ZoneId};
pub use switchboard::{
    Bid, EndReason, Input, Limits, Loss, Output, PageRecord, Phase, Refusal, Rules, Switchboard, ZoneRules,
};
