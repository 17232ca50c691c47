//! What callers dial during a call, from wherever the [`Keypad`](crate::media::Keypad) heard it.

use std::time::Instant;

use super::control::Control;
use crate::sip::agent::CallId;

impl Control {
    /// Keys that came in an INFO request.
    pub(super) fn info_keys(&mut self, call: CallId, keys: &str, now: Instant) {
        if let Some(leg) = self.calls.get_mut(&call) {
            leg.keypad.info(keys, now);
            self.take_keys(call, now);
        }
    }

    /// Takes the keys that the call's keypad has heard; the page's record counts them.
    pub(super) fn take_keys(&mut self, call: CallId, _now: Instant) {
        let Some(leg) = self.calls.get_mut(&call) else { return };
        let Some(entry) = self.pages.get_mut(&leg.page) else {
            return;
        };
        while leg.keypad.poll().is_some() {
            entry.keys += 1;
        }
    }
}
