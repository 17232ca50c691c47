//! Which far end a call's RTP is taken from.

use std::net::SocketAddr;
use std::time::{Duration, Instant};

/// A source that sent nothing valid for this long may be replaced (a phone that changed its port after hold).
const SILENT: Duration = Duration::from_secs(1);

/// Holds a session to the first source that sent valid RTP, for as long as it goes on. Only the address that the
/// session description names comes before it: whoever blankets our ports with RTP cannot speak in a caller's place.
#[derive(Debug, Default)]
pub struct SourceLock {
    held: Option<(SocketAddr, Instant)>,
}

impl SourceLock {
    /// Whether a datagram from `peer` at `at` may be looked at; `agreed` is where the far end said that it is.
    pub fn admits(&mut self, peer: SocketAddr, agreed: Option<SocketAddr>, at: Instant) -> bool {
        let Some((source, last)) = self.held else { return true };
        if source != peer && agreed == Some(peer) {
            self.held = Some((peer, at));
            return true;
        }
        source == peer || at.saturating_duration_since(last) >= SILENT
    }

    /// A datagram from `peer` was valid.
    pub fn valid(&mut self, peer: SocketAddr, at: Instant) {
        self.held = Some((peer, at));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_valid_source_is_kept_until_it_falls_silent() {
        let now = Instant::now();
        let phone: SocketAddr = "192.0.2.1:4000".parse().unwrap();
        let stranger: SocketAddr = "192.0.2.9:4000".parse().unwrap();
        let mut lock = SourceLock::default();
        assert!(
            lock.admits(stranger, None, now),
            "nothing is held before the first valid packet"
        );
        lock.valid(phone, now);
        assert!(lock.admits(phone, None, now + Duration::from_millis(20)));
        assert!(!lock.admits(stranger, None, now + Duration::from_millis(999)));
        assert!(
            lock.admits(stranger, None, now + SILENT),
            "a phone may come back from another port"
        );
        lock.valid(phone, now + SILENT);
        assert!(!lock.admits(stranger, None, now + SILENT + Duration::from_millis(500)));
    }

    #[test]
    fn the_agreed_address_takes_the_place_of_who_was_there_before_it() {
        let now = Instant::now();
        let phone: SocketAddr = "192.0.2.1:4000".parse().unwrap();
        let stranger: SocketAddr = "192.0.2.9:4000".parse().unwrap();
        let mut lock = SourceLock::default();
        lock.valid(stranger, now);
        assert!(lock.admits(phone, Some(phone), now + Duration::from_millis(20)));
        assert!(!lock.admits(stranger, Some(phone), now + Duration::from_millis(40)));
        lock.valid(phone, now + Duration::from_millis(60));
        assert!(!lock.admits(stranger, Some(phone), now + Duration::from_millis(80)));
        // Translated on the way: the agreed address never sends.
        let mut lock = SourceLock::default();
        lock.valid(stranger, now);
        assert!(lock.admits(stranger, Some(phone), now + Duration::from_millis(20)));
    }
}
