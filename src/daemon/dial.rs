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

    /// Takes the keys that the call's keypad has heard; the gates ask for them, or the page's record counts them.
    pub(super) fn take_keys(&mut self, call: CallId, now: Instant) {
        while let Some(leg) = self.calls.get_mut(&call) {
            let page = leg.page;
            let Some(key) = leg.keypad.poll() else { return };
            if self.gate.is_asking(call) {
                self.gate.key(call, key, now);
            } else if let Some(entry) = self.pages.get_mut(&page) {
                entry.keys += 1;
            }
        }
    }
}
