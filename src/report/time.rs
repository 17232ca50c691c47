//! Wall-clock time as text.

use std::time::{Duration, SystemTime, UNIX_EPOCH};

use jiff::Timestamp;

/// 2026-11-01, seconds since 1970: no clock that is set shows an earlier time, since this program was not made yet. A
/// board without a battery begins in 1970, or where it was when it stopped, until its time service answers.
const EARLIEST: Duration = Duration::from_secs(1_793_491_200);

/// Whether a clock that shows this can be believed.
pub fn is_set(clock: SystemTime) -> bool {
    clock >= UNIX_EPOCH + EARLIEST
}

/// UTC in the form of RFC 3339 §5.6, to the second: `2026-11-25T14:36:02Z`.
pub fn rfc3339(at: SystemTime) -> String {
    format!("{:.0}", timestamp(at))
}

/// The same to the millisecond: `2026-11-25T14:36:02.431Z`.
pub fn rfc3339_millis(at: SystemTime) -> String {
    format!("{:.3}", timestamp(at))
}

/// Before 1970, and beyond what a timestamp can be: the epoch.
fn timestamp(at: SystemTime) -> Timestamp {
    Timestamp::try_from(at.max(UNIX_EPOCH)).unwrap_or(Timestamp::UNIX_EPOCH)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    /// Source of the right-hand sides: `date -u -d @N +%FT%TZ` (GNU coreutils).
    #[test]
    fn known_instants() {
        for (seconds, text) in [
            (0, "1970-01-01T00:00:00Z"),
            (951_782_399, "2000-02-28T23:59:59Z"),
            (951_868_800, "2000-03-01T00:00:00Z"),
            (951_782_400, "2000-02-29T00:00:00Z"),
            (1_709_164_800, "2024-02-29T00:00:00Z"),
            (1_735_689_599, "2024-12-31T23:59:59Z"),
            (1_795_617_362, "2026-11-25T14:36:02Z"),
            (4_107_542_400, "2100-03-01T00:00:00Z"),
        ] {
            assert_eq!(rfc3339(UNIX_EPOCH + Duration::from_secs(seconds)), text);
        }
    }

    #[test]
    fn to_the_millisecond() {
        let at = UNIX_EPOCH + Duration::from_micros(1_795_617_362_431_999);
        assert_eq!(rfc3339_millis(at), "2026-11-25T14:36:02.431Z");
        assert_eq!(rfc3339(at), "2026-11-25T14:36:02Z");
        assert_eq!(rfc3339(UNIX_EPOCH - Duration::from_secs(1)), "1970-01-01T00:00:00Z");
    }
}
