//! A day's events against a config, in simulated time, through the same gates, calendar and switchboard as the daemon's.
//!
//! [`stage`] lets them run, [`story`] is what came of it, [`picture`] draws it, [`explain`] says who was heard at a moment and
//! why. Sound is not made: [`voice`] knows how long the cards take over it.

mod actor;
mod explain;
mod picture;
mod stage;
mod story;
mod voice;

pub use explain::explain;
pub use picture::draw;
pub use stage::{Stage, rehearse};
pub use story::{Line, PageStory, Story, View};
