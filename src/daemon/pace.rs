//! How fast something may come: what one address may begin, so that a flood is neither admitted nor told one by one.

use std::net::IpAddr;
use std::time::{Duration, Instant};

use crate::sip::network::host_block;

/// Calls that an address may begin at once, more than a call for every place there is; and from then on, a second.
/// Common practice, no published source: no staff dials that fast.
pub const CALLS: Rate = (200.0, 20.0);
/// Refused calls of an address that are told one by one, and from then on a second: ten a minute.
pub const REFUSALS: Rate = (60.0, 1.0 / 6.0);
/// The same of all addresses together.
pub const ALL_REFUSALS: Rate = (300.0, 5.0);
/// Connections that an address may make at once, and from then on a second. A phone makes one and keeps it; some
/// gateways make one for each call.
pub const CONNECTIONS: Rate = (200.0, 40.0);
/// The same with TLS: each costs milliseconds of a small board.
pub const HANDSHAKES: Rate = (50.0, 10.0);
/// Addresses with an allowance of their own; all others share one.
const MAX_SOURCES: usize = 256;
/// Refusals are told at most this often.
const TELL: Duration = Duration::from_secs(60);

/// How many at once, and how many more a second.
pub type Rate = (f64, f64);

/// An allowance that fills up again.
#[derive(Debug, Clone, Copy)]
pub struct Allowance {
    left: f64,
    at: Instant,
}

impl Allowance {
    pub fn new((burst, _): Rate, now: Instant) -> Self {
        Allowance { left: burst, at: now }
    }

    fn left(&self, (burst, rate): Rate, now: Instant) -> f64 {
        let gained = now.saturating_duration_since(self.at).as_secs_f64() * rate;
        (self.left + gained).min(burst)
    }

    /// It says no more than a new one would.
    pub fn is_full(&self, rate: Rate, now: Instant) -> bool {
        self.left(rate, now) >= rate.0
    }

    pub fn take(&mut self, rate: Rate, much: f64, now: Instant) -> bool {
        let left = self.left(rate, now);
        let enough = left >= much;
        self.left = if enough { left - much } else { left };
        self.at = self.at.max(now);
        enough
    }

    /// How long until so much is there; never longer than for all of it.
    pub fn wait(&self, rate: Rate, much: f64, now: Instant) -> Duration {
        let lacking = (much.min(rate.0) - self.left(rate, now)).max(0.0);
        Duration::from_secs_f64(lacking / rate.1)
    }
}

/// The pace of something, address by address.
#[derive(Debug)]
pub struct Pace {
    rate: Rate,
    sources: Vec<(IpAddr, Allowance)>,
    others: Allowance,
    /// Of all together, where they have a common bound.
    overall: Option<(Rate, Allowance)>,
    refused: u64,
    told: Option<Instant>,
}

impl Pace {
    pub fn new(rate: Rate, now: Instant) -> Self {
        Pace {
            rate,
            sources: Vec::new(),
            others: Allowance::new(rate, now),
            overall: None,
            refused: 0,
            told: None,
        }
    }

    /// Bounds all of them together too: addresses can be forged.
    pub fn overall(mut self, rate: Rate, now: Instant) -> Self {
        self.overall = Some((rate, Allowance::new(rate, now)));
        self
    }

    /// Whether one more from `peer` may go on now.
    pub fn admits(&mut self, peer: IpAddr, now: Instant) -> bool {
        let rate = self.rate;
        let admitted = self.allowance(host_block(peer), now).take(rate, 1.0, now)
            && self
                .overall
                .as_mut()
                .is_none_or(|(rate, all)| all.take(*rate, 1.0, now));
        if !admitted {
            self.refused += 1;
        }
        admitted
    }

    /// How many were refused since the last time, when it is time to tell.
    pub fn news(&mut self, now: Instant) -> Option<u64> {
        let due = self.told.is_none_or(|at| now.saturating_duration_since(at) >= TELL);
        if self.refused == 0 || !due {
            return None;
        }
        self.told = Some(now);
        Some(std::mem::take(&mut self.refused))
    }

    fn allowance(&mut self, place: IpAddr, now: Instant) -> &mut Allowance {
        let known = self.sources.iter().position(|(ip, _)| *ip == place);
        let index = known.or_else(|| {
            if self.sources.len() >= MAX_SOURCES {
                // One that is full again says no more than none.
                self.sources.retain(|(_, a)| !a.is_full(self.rate, now));
            }
            (self.sources.len() < MAX_SOURCES).then(|| {
                self.sources.push((place, Allowance::new(self.rate, now)));
                self.sources.len() - 1
            })
        });
        match index.and_then(|i| self.sources.get_mut(i)) {
            Some((_, allowance)) => allowance,
            None => &mut self.others,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::net::Ipv6Addr;

    const BURST: f64 = CALLS.0;
    const RATE: f64 = CALLS.1;

    fn address(n: u32) -> IpAddr {
        std::net::Ipv4Addr::from_bits(0xC000_0200 + n).into()
    }

    fn admitted(pace: &mut Pace, peer: IpAddr, calls: u32, over: Duration, from: Instant) -> u32 {
        (0..calls)
            .filter(|i| pace.admits(peer, from + over * *i / calls))
            .count() as u32
    }

    #[test]
    fn a_flood_is_cut_to_the_rate_and_hinders_nobody_else() {
        let now = Instant::now();
        let mut pace = Pace::new(CALLS, now);
        let seconds = 10;
        let through = admitted(&mut pace, address(1), 20_000, Duration::from_secs(seconds), now);
        let most = BURST as u32 + RATE as u32 * seconds as u32;
        assert!((most - 1..=most).contains(&through), "{through} of 20000 came through");
        assert!(
            pace.admits(address(2), now + Duration::from_secs(seconds)),
            "another address"
        );
    }

    #[test]
    fn whoever_keeps_below_the_rate_is_never_refused() {
        let now = Instant::now();
        let mut pace = Pace::new(CALLS, now);
        assert_eq!(
            admitted(&mut pace, address(1), 36_000, Duration::from_secs(3600), now),
            36_000
        );
        assert_eq!(pace.news(now), None);
    }

    #[test]
    fn any_number_of_addresses_is_bounded_together() {
        let now = Instant::now();
        let mut pace = Pace::new(CALLS, now);
        let through = (0..100_000).filter(|i| pace.admits(address(i % 5000), now)).count();
        assert!(through <= (MAX_SOURCES + 1) * BURST as usize, "{through}");
        assert!(pace.sources.len() <= MAX_SOURCES);
        // When it is over, a newcomer has an allowance of its own again.
        let later = now + Duration::from_secs(60);
        assert_eq!(admitted(&mut pace, address(7777), 100, Duration::ZERO, later), 100);
    }

    #[test]
    fn one_ipv6_network_is_one_source() {
        let now = Instant::now();
        let mut pace = Pace::new(CALLS, now);
        let through = (0..1000u128)
            .filter(|i| pace.admits(Ipv6Addr::from_bits((0x2001_0db8 << 96) | i).into(), now))
            .count();
        assert_eq!(through, BURST as usize);
    }

    #[test]
    fn refusals_are_told_at_once_and_then_once_a_minute() {
        let now = Instant::now();
        let mut pace = Pace::new(CALLS, now);
        for _ in 0..BURST as u32 {
            assert!(pace.admits(address(1), now));
        }
        assert_eq!(pace.news(now), None);
        assert!(!pace.admits(address(1), now));
        assert_eq!(pace.news(now), Some(1));
        for _ in 0..5 {
            assert!(!pace.admits(address(1), now));
        }
        assert_eq!(pace.news(now + TELL / 2), None);
        assert_eq!(pace.news(now + TELL), Some(5));
        assert_eq!(pace.news(now + 2 * TELL), None, "nothing new");
    }
}
