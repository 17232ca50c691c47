//! When things are tried again, refreshed, kept alive.

use std::ops::RangeInclusive;
use std::time::Duration;

/// Base of the back-off when no flow of the address of record is up (RFC 5626 §4.5).
const BASE_ALL_FAILED: u64 = 30;
/// Base while another flow is up.
const BASE_OTHERS_UP: u64 = 90;
const BACKOFF_MAX: u64 = 1800;
/// A refresh goes out at most this long before the binding ends; never before half its life.
const MARGIN: Duration = Duration::from_secs(300);
/// Between two pings by TCP, unless Flow-Timer says more (RFC 5626 §4.4.1).
pub(super) const STREAM_PERIOD: RangeInclusive<Duration> = Duration::from_secs(95)..=Duration::from_secs(120);
/// Between two Binding requests by UDP (RFC 5626 §4.4.2).
pub(super) const STUN_PERIOD: RangeInclusive<Duration> = Duration::from_secs(24)..=Duration::from_secs(29);
/// Shortest and longest Flow-Timer that is followed.
const MIN_FLOW_TIMER: u32 = 10;
const MAX_FLOW_TIMER: u32 = 86_400;

/// `Wait` of RFC 5626 §4.5: the upper bound doubles with each failure in a row, and a random point in its upper
/// half is taken.
pub(super) fn back_off(others_up: bool, failures: u32, random: f64) -> Duration {
    let base = if others_up { BASE_OTHERS_UP } else { BASE_ALL_FAILED };
    let factor = 1u64.checked_shl(failures.min(16)).unwrap_or(u64::MAX);
    let upper = base.saturating_mul(factor).min(BACKOFF_MAX);
    Duration::from_secs(upper).mul_f64(0.5 + random / 2.0)
}

/// When a binding of this length is refreshed: well before its end, at its half at the latest for short ones.
pub(super) fn refresh_after(expires: Duration, random: f64) -> Duration {
    let latest = expires.saturating_sub(MARGIN).max(expires / 2);
    latest.mul_f64(0.9 + random / 10.0).max(Duration::from_secs(1))
}

/// 80 to 100 % of what is given (RFC 5626 §4.4).
pub(super) fn period_of(longest: Duration) -> RangeInclusive<Duration> {
    longest.mul_f64(0.8)..=longest
}

/// The period that a Flow-Timer asks for (RFC 5626 §4.4).
pub(super) fn flow_timer(seconds: u32) -> RangeInclusive<Duration> {
    period_of(Duration::from_secs(u64::from(
        seconds.clamp(MIN_FLOW_TIMER, MAX_FLOW_TIMER),
    )))
}

/// A point of the period; `random` is from 0 to 1.
pub(super) fn within(period: &RangeInclusive<Duration>, random: f64) -> Duration {
    *period.start() + period.end().saturating_sub(*period.start()).mul_f64(random)
}
