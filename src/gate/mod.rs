//! Who may page: every gate between a call that the network lets in and a bid for a zone.
//!
//! Pure: monotonic time, and the local time where hours matter, are arguments. [`Gate`] walks a call through its
//! extension's rules ([`rules`]), and where those ask for it through the dial pad ([`entry`]): first an access code
//! ([`code`]), then a choice of zones. [`lockout`] counts wrong codes, [`news`] says which refusals the journal hears of.
//!
//! Invariants: a [`Grant`] is made here alone, and only after every gate of the extension; a wrong code never leads to
//! one; a call gets exactly one of [`Output::Refuse`], [`Output::Page`] and [`Output::End`], unless it goes first.

pub mod code;

mod admission;
mod caller;
mod entry;
mod lockout;
mod news;
mod rules;

pub use admission::{CheckId, Gate, MAX_CHECKS, MAX_ENTRIES, MAX_UNPROVEN_ENTRIES, Output, Told};
pub use caller::{Caller, MAX_IDENTITY, Pattern, PatternError};
pub use code::{CodeId, MAX_CODE, MIN_CODE};
pub use entry::{Digits, ENTRY_LIMIT, FIRST_KEY, NEXT_KEY, Sound};
pub use lockout::{Locked, Lockout, MAX_CALLERS, MAX_PROVEN, Standing, Whose};
pub use news::{MAX_REMEMBERED, MAX_TOLD, News};
pub use rules::{
    Choice, Code, Failure, Grant, MAX_CHOICE, MAX_CODES, MAX_TRIES, NoChoice, Refusal, Route, Rules, Site,
};

#[cfg(test)]
mod tests;
