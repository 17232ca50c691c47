//! Wall-clock time as text.

use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// 2026-11-01, seconds since 1970: no clock that is set shows an earlier time, since this program was not made yet. A
/// board without a battery begins in 1970, or where it was when it stopped, until its time service answers.
const EARLIEST: Duration = Duration::from_secs(1_793_491_200);

/// Whether a clock that shows this can be believed.
pub fn is_set(clock: SystemTime) -> bool {
    clock >= UNIX_EPOCH + EARLIEST
}

/// UTC in the form of RFC 3339 §5.6, to the second: `2026-11-25T14:36:02Z`. Before 1970: the epoch.
pub fn rfc3339(at: SystemTime) -> String {
    let seconds = at.duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs());
    let (days, second) = (seconds / 86_400, seconds % 86_400);
    let (year, month, day) = civil(days);
    let (hour, minute, second) = (second / 3600, second / 60 % 60, second % 60);
    format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}Z")
}

/// Year, month and day of a day counted from 1970-01-01, in the Gregorian calendar. Years begin in March here, so
/// that the leap day is the last one.
fn civil(days: u64) -> (u64, u64, u64) {
    const ERA: u64 = 146_097; // days in 400 years
    let since_march_0 = days + 719_468; // from 0000-03-01
    let (era, day_of_era) = (since_march_0 / ERA, since_march_0 % ERA);
    let year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month_from_march = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * month_from_march + 2) / 5 + 1;
    let month = if month_from_march < 10 {
        month_from_march + 3
    } else {
        month_from_march - 9
    };
    (era * 400 + year_of_era + u64::from(month <= 2), month, day)
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
            (253_402_300_799, "9999-12-31T23:59:59Z"),
        ] {
            assert_eq!(rfc3339(UNIX_EPOCH + Duration::from_secs(seconds)), text);
        }
    }

    #[test]
    fn every_day_of_130_years_follows_the_one_before() {
        let mut before = civil(0);
        for day in 1..47_500 {
            let now = civil(day);
            let next_day = now == (before.0, before.1, before.2 + 1);
            let next_month = now == (before.0, before.1 + 1, 1) && before.2 >= 28;
            let next_year = now == (before.0 + 1, 1, 1) && (before.1, before.2) == (12, 31);
            assert!(next_day || next_month || next_year, "{before:?} {now:?}");
            before = now;
        }
    }
}
