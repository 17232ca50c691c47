//! The network gate as the reader tasks see it: whoever is not let in is dropped before anything is kept of it.
//!
//! A picture of the agent's own gate, drawn anew whenever the agent has done something. The agent checks again; here
//! it is about what a stranger costs.

use std::cell::{Cell, RefCell};
use std::net::IpAddr;
use std::rc::Rc;
use std::time::Instant;

use super::pace::Allowance;
use crate::sip::network::Network;

/// Strangers' requests that are looked at, so that the journal can name the caller: at once, and then a second. The
/// agent tells fewer still.
const LOOKS: (f64, f64) = (10.0, 2.0);

struct Inner {
    networks: Vec<Network>,
    /// Both sorted.
    registrars: RefCell<Vec<IpAddr>>,
    far_ends: RefCell<Vec<IpAddr>>,
    strangers: Cell<u64>,
    looks: Cell<Allowance>,
}

/// Shared by the control task, which draws it, and the readers.
#[derive(Clone)]
pub struct Doors(Rc<Inner>);

impl Doors {
    pub fn new(networks: Vec<Network>, now: Instant) -> Self {
        Doors(Rc::new(Inner {
            networks,
            registrars: RefCell::default(),
            far_ends: RefCell::default(),
            strangers: Cell::new(0),
            looks: Cell::new(Allowance::new(LOOKS, now)),
        }))
    }

    /// Who is let in beside the networks.
    pub fn draw(&self, registrars: impl Iterator<Item = IpAddr>, far_ends: impl Iterator<Item = IpAddr>) {
        fn fill(list: &RefCell<Vec<IpAddr>>, with: impl Iterator<Item = IpAddr>) {
            let mut list = list.borrow_mut();
            list.clear();
            list.extend(with);
            list.sort_unstable();
            list.dedup();
        }
        fill(&self.0.registrars, registrars);
        fill(&self.0.far_ends, far_ends);
    }

    pub fn admits(&self, address: IpAddr) -> bool {
        let address = address.to_canonical();
        let is_in = |list: &RefCell<Vec<IpAddr>>| list.borrow().binary_search(&address).is_ok();
        is_in(&self.0.registrars) || self.0.networks.iter().any(|n| n.contains(address)) || is_in(&self.0.far_ends)
    }

    pub fn is_registrar(&self, address: IpAddr) -> bool {
        self.0
            .registrars
            .borrow()
            .binary_search(&address.to_canonical())
            .is_ok()
    }

    /// Counts a stranger; whether it is worth a look.
    pub fn stranger(&self, would_be_told: bool, now: Instant) -> bool {
        self.0.strangers.set(self.0.strangers.get() + 1);
        if !would_be_told {
            return false;
        }
        let mut looks = self.0.looks.get();
        let look = looks.take(LOOKS, 1.0, now);
        self.0.looks.set(looks);
        look
    }

    /// Strangers counted since the last time.
    pub fn take_strangers(&self) -> u64 {
        self.0.strangers.take()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    #[test]
    fn it_is_the_picture_that_was_drawn_last() {
        let now = Instant::now();
        let doors = Doors::new(vec!["192.0.2.0/25".parse().unwrap()], now);
        let ip = |t: &str| t.parse::<IpAddr>().unwrap();
        assert!(doors.admits(ip("192.0.2.7")) && doors.admits(ip("::ffff:192.0.2.7")));
        assert!(!doors.admits(ip("198.51.100.1")));
        doors.draw([ip("198.51.100.1")].into_iter(), [ip("203.0.113.9")].into_iter());
        assert!(doors.admits(ip("198.51.100.1")) && doors.is_registrar(ip("::ffff:198.51.100.1")));
        assert!(doors.admits(ip("203.0.113.9")) && !doors.is_registrar(ip("203.0.113.9")));
        doors.draw(std::iter::empty(), std::iter::empty());
        assert!(!doors.admits(ip("198.51.100.1")) && !doors.admits(ip("203.0.113.9")));
    }

    #[test]
    fn few_strangers_are_looked_at() {
        let now = Instant::now();
        let doors = Doors::new(Vec::new(), now);
        let looks = (0..50_000)
            .filter(|i| doors.stranger(true, now + Duration::from_micros(20 * i)))
            .count();
        assert!((10..=13).contains(&looks), "{looks}");
        assert!(!doors.stranger(false, now + Duration::from_secs(60)));
        assert_eq!(doors.take_strangers(), 50_001);
        assert_eq!(doors.take_strangers(), 0);
    }
}
