//! Who speaks where, when: the switchboard and the words it uses. Pure; time is an argument.
//!
//! [`rules`] says what a site has, [`event`] what goes in and comes out, [`bids`] ranks the bids, [`zones`] keeps
//! zones, [`relays`] moves relays, [`timer`] names every deadline, [`quota`] counts the pages of sources and callers, [`switchboard`] ties them together.

mod bids;
mod event;
mod ids;
mod quota;
mod relays;
mod rules;
mod switchboard;
mod timer;
mod zones;

pub use bids::{KEPT_AGAIN, Kept, MAX_KEEP, MAX_TURN, MAX_WAITING, Standing};
pub use event::{EndReason, Input, Output, PageRecord, Phase, Refusal};
pub use ids::{PageId, Priority, RelayId, SourceId, ZoneId};
pub use quota::{MAX_CALLERS, MAX_PER_HOUR};
pub use rules::{Begin, Bid, Limits, Loss, RelayRules, Rules, Shown, Shows, Terms, ZoneRules};
pub use switchboard::{MAX_DRAIN, PageStatus, Switchboard};
