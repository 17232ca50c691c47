//! What came from the signalling sockets and waits for the control task: a lane for each far end, emptied in turn, so
//! that one which floods us fills its own lane and nobody else's.

use std::cell::RefCell;
use std::collections::VecDeque;
use std::net::IpAddr;
use std::rc::Rc;
use std::time::{Duration, Instant};

use tokio::sync::Notify;

use super::doors::Doors;
use super::pace::{Allowance, Rate};
use super::signal::Signal;
use crate::sip::network::host_block;

/// Far ends with a lane of their own; all others share one. Registrars have as many of theirs.
pub const MAX_LANES: usize = 256;
/// Messages and stream pieces that may wait in one lane.
pub const LANE_DEPTH: usize = 128;
/// Octets that may wait in one lane.
pub const LANE_OCTETS: usize = 192 * 1024;
/// Octets that may wait in all lanes together.
pub const MAX_OCTETS: usize = 4 << 20;
/// Of these, kept for registrars: however many others flood us together, the phone system is heard.
pub const REGISTRARS_OCTETS: usize = 1 << 20;
/// Stream pieces that may wait in one lane: their readers wait, nothing is lost.
const STREAM_DEPTH: usize = 16;
/// Messages that a far end may send at once, and from then on a second: [`super::pace::CALLS`] with everything that
/// belongs to a call. A registrar, which speaks for all its phones, has no such bound.
pub const MESSAGES: Rate = (1000.0, 250.0);
/// Octets of a stream that count as one message.
const MESSAGE: usize = 512;

struct Lane {
    /// `None`: whoever has none of its own.
    place: Option<IpAddr>,
    registrar: bool,
    allowance: Allowance,
    waiting: VecDeque<Signal>,
    octets: usize,
}

impl Lane {
    fn new(place: Option<IpAddr>, registrar: bool, now: Instant) -> Self {
        Lane {
            place,
            registrar,
            allowance: Allowance::new(MESSAGES, now),
            waiting: VecDeque::new(),
            octets: 0,
        }
    }

    fn is_spare(&self, now: Instant) -> bool {
        self.place.is_some() && self.waiting.is_empty() && self.allowance.is_full(MESSAGES, now)
    }
}

struct Lanes {
    /// The shared one first.
    all: Vec<Lane>,
    /// Whose turn it is.
    turn: usize,
    octets: usize,
    /// Datagrams without room, or too fast.
    dropped: u64,
}

/// Whether something may wait.
#[derive(Debug, PartialEq, Eq)]
enum Room {
    Yes,
    Full,
    /// It comes too fast; so long until it does not.
    Wait(Duration),
}

impl Lanes {
    fn lane(&mut self, peer: IpAddr, registrar: bool, now: Instant) -> &mut Lane {
        let place = host_block(peer);
        let known = self.all.iter().position(|l| l.place == Some(place));
        let index = known.unwrap_or_else(|| {
            let held = self.all.iter().skip(1).filter(|l| l.registrar == registrar).count();
            let fresh = Lane::new(Some(place), registrar, now);
            if held < MAX_LANES {
                self.all.push(fresh);
                return self.all.len() - 1;
            }
            let spare = self
                .all
                .iter()
                .position(|l| l.registrar == registrar && l.is_spare(now));
            match spare {
                Some(i) => {
                    self.all[i] = fresh;
                    i
                }
                None => 0,
            }
        });
        let lane = &mut self.all[index];
        lane.registrar = index != 0 && registrar;
        lane
    }

    fn room(&mut self, peer: IpAddr, registrar: bool, octets: usize, stream: bool, now: Instant) -> Room {
        let kept = if registrar { 0 } else { REGISTRARS_OCTETS };
        let all_full = self.octets + octets + kept > MAX_OCTETS;
        let lane = self.lane(peer, registrar, now);
        let depth = if stream { STREAM_DEPTH } else { LANE_DEPTH };
        if all_full || lane.waiting.len() >= depth || lane.octets + octets > LANE_OCTETS {
            return Room::Full;
        }
        let much = if stream {
            octets.div_ceil(MESSAGE).max(1) as f64
        } else {
            1.0
        };
        if !lane.registrar && !lane.allowance.take(MESSAGES, much, now) {
            return Room::Wait(lane.allowance.wait(MESSAGES, much, now));
        }
        Room::Yes
    }

    fn push(&mut self, signal: Signal, peer: IpAddr, registrar: bool, now: Instant) {
        let octets = size(&signal);
        let lane = self.lane(peer, registrar, now);
        lane.octets += octets;
        lane.waiting.push_back(signal);
        self.octets += octets;
    }

    fn pop(&mut self) -> Option<Signal> {
        for _ in 0..self.all.len() {
            let index = self.turn % self.all.len();
            self.turn = index + 1;
            let lane = &mut self.all[index];
            if let Some(signal) = lane.waiting.pop_front() {
                let octets = size(&signal);
                lane.octets -= octets;
                self.octets -= octets;
                return Some(signal);
            }
        }
        None
    }
}

fn size(signal: &Signal) -> usize {
    match signal {
        Signal::Datagram { octets, .. } | Signal::Stream { octets, .. } => octets.len(),
        _ => 0,
    }
}

/// Shared by the readers and the control task.
#[derive(Clone)]
pub struct Intake(Rc<Inner>);

struct Inner {
    lanes: RefCell<Lanes>,
    /// Something waits.
    ready: Notify,
    /// Something was taken.
    taken: Notify,
}

impl Intake {
    pub fn new(now: Instant) -> Self {
        Intake(Rc::new(Inner {
            lanes: RefCell::new(Lanes {
                all: vec![Lane::new(None, false, now)],
                turn: 0,
                octets: 0,
                dropped: 0,
            }),
            ready: Notify::new(),
            taken: Notify::new(),
        }))
    }

    /// Takes a datagram from a far end that is let in, or drops it; it is made only when there is room.
    pub fn offer(&self, peer: IpAddr, registrar: bool, octets: usize, make: impl FnOnce() -> Signal, now: Instant) {
        let mut lanes = self.0.lanes.borrow_mut();
        if lanes.room(peer, registrar, octets, false, now) == Room::Yes {
            lanes.push(make(), peer, registrar, now);
            self.0.ready.notify_one();
        } else {
            lanes.dropped += 1;
        }
    }

    /// Takes a piece of a stream once there is room for it: until then the reader reads no more, and the far end has
    /// to wait.
    pub async fn carry(&self, peer: IpAddr, registrar: bool, signal: Signal) {
        let octets = size(&signal);
        loop {
            let now = super::now();
            let room = self.0.lanes.borrow_mut().room(peer, registrar, octets, true, now);
            match room {
                Room::Yes => break,
                Room::Full => self.0.taken.notified().await,
                Room::Wait(time) => tokio::time::sleep(time).await,
            }
        }
        self.push(peer, registrar, signal);
    }

    /// Takes what must not be lost and comes once for each connection.
    pub fn push(&self, peer: IpAddr, registrar: bool, signal: Signal) {
        self.0.lanes.borrow_mut().push(signal, peer, registrar, super::now());
        self.0.ready.notify_one();
    }

    /// Waits until something is there. Safe to cancel.
    pub async fn ready(&self) {
        while self.0.lanes.borrow().all.iter().all(|l| l.waiting.is_empty()) {
            self.0.ready.notified().await;
        }
    }

    /// One from each lane in turn, at most so many.
    pub fn drain(&self, into: &mut Vec<Signal>, most: usize) {
        let mut lanes = self.0.lanes.borrow_mut();
        while into.len() < most {
            let Some(signal) = lanes.pop() else { break };
            into.push(signal);
        }
        self.0.taken.notify_waiters();
    }

    /// Datagrams dropped since the last time.
    pub fn take_dropped(&self) -> u64 {
        std::mem::take(&mut self.0.lanes.borrow_mut().dropped)
    }
}

/// Where the tasks hand things.
#[derive(Clone)]
pub struct Inlet {
    pub intake: Intake,
    pub doors: Doors,
}

impl Inlet {
    pub async fn carry(&self, peer: IpAddr, signal: Signal) {
        self.intake.carry(peer, self.doors.is_registrar(peer), signal).await;
    }

    pub fn push(&self, peer: IpAddr, signal: Signal) {
        self.intake.push(peer, self.doors.is_registrar(peer), signal);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sip::agent::{Flow, Transport};
    use std::net::Ipv4Addr;

    fn ip(n: u32) -> IpAddr {
        Ipv4Addr::from_bits(0xC000_0200 + n).into()
    }

    fn datagram(peer: IpAddr, octets: usize) -> Signal {
        Signal::Datagram {
            flow: Flow {
                transport: Transport::Udp,
                local: ([192, 0, 2, 200], 5060).into(),
                peer: (peer, 5060).into(),
                connection: None,
            },
            octets: vec![b'x'; octets],
        }
    }

    fn peer_of(signal: &Signal) -> IpAddr {
        match signal {
            Signal::Datagram { flow, .. } => flow.peer.ip(),
            _ => panic!("{signal:?}"),
        }
    }

    #[test]
    fn a_flood_fills_its_own_lane_only() {
        let now = Instant::now();
        let intake = Intake::new(now);
        for _ in 0..50_000 {
            intake.offer(ip(1), false, 400, || datagram(ip(1), 400), now);
        }
        intake.offer(ip(2), false, 400, || datagram(ip(2), 400), now);
        intake.offer(ip(3), true, 400, || datagram(ip(3), 400), now);
        let mut got = Vec::new();
        intake.drain(&mut got, 3);
        let first: Vec<IpAddr> = got.iter().map(peer_of).collect();
        assert!(first.contains(&ip(2)) && first.contains(&ip(3)), "{first:?}");
        intake.drain(&mut got, usize::MAX);
        assert_eq!(got.len(), LANE_DEPTH + 2);
        assert_eq!(intake.take_dropped(), 50_000 - LANE_DEPTH as u64);
    }

    #[test]
    fn any_number_of_far_ends_is_bounded_together() {
        let now = Instant::now();
        let intake = Intake::new(now);
        for i in 0..20_000 {
            let peer = ip(i % 2000);
            intake.offer(peer, false, 60_000, || datagram(peer, 60_000), now);
        }
        // 52 of 60,000 octets fit into 3 MiB, 69 into 4 MiB.
        assert_eq!(intake.0.lanes.borrow().octets, 52 * 60_000);
        // The phone system is heard all the same, up to its own bound.
        intake.take_dropped();
        for i in 0..2000 {
            let peer = ip(10_000 + i);
            intake.offer(peer, true, 60_000, || datagram(peer, 60_000), now);
        }
        assert_eq!(2000 - intake.take_dropped(), 69 - 52);
        let lanes = intake.0.lanes.borrow();
        assert!(lanes.octets <= MAX_OCTETS, "{}", lanes.octets);
        assert!(lanes.all.len() <= 1 + 2 * MAX_LANES);
    }

    #[test]
    fn one_that_sends_too_fast_is_cut_and_a_registrar_is_not() {
        let now = Instant::now();
        let intake = Intake::new(now);
        let (mut slow, mut fast) = (0, 0);
        let mut got = Vec::new();
        for i in 0..20_000u32 {
            let at = now + Duration::from_micros(100) * i;
            intake.offer(ip(1), false, 400, || datagram(ip(1), 400), at);
            intake.offer(ip(2), true, 400, || datagram(ip(2), 400), at);
            intake.drain(&mut got, 64);
            slow += got.iter().filter(|s| peer_of(s) == ip(1)).count();
            fast += got.drain(..).filter(|s| peer_of(s) == ip(2)).count();
        }
        assert_eq!(fast, 20_000);
        // Two seconds.
        let most = MESSAGES.0 + 2.0 * MESSAGES.1;
        assert!((slow as f64) <= most && (slow as f64) > most - 2.0, "{slow}");
    }

    #[test]
    fn a_lane_that_is_spare_goes_to_a_newcomer() {
        let now = Instant::now();
        let intake = Intake::new(now);
        for i in 0..500 {
            intake.offer(ip(i), false, 10, || datagram(ip(i), 10), now);
        }
        let mut got = Vec::new();
        intake.drain(&mut got, usize::MAX);
        let later = now + Duration::from_secs(10);
        intake.offer(ip(7777), false, 10, || datagram(ip(7777), 10), later);
        let lanes = intake.0.lanes.borrow();
        assert!(lanes.all.iter().any(|l| l.place == Some(ip(7777))));
        assert_eq!(lanes.all.len(), 1 + MAX_LANES);
    }

    #[tokio::test]
    async fn a_stream_waits_and_loses_nothing() {
        let local = tokio::task::LocalSet::new();
        local
            .run_until(async {
                let intake = Intake::new(Instant::now());
                let writer = intake.clone();
                let task = tokio::task::spawn_local(async move {
                    for _ in 0..100 {
                        writer.carry(ip(1), false, datagram(ip(1), 100)).await;
                    }
                });
                let mut got = Vec::new();
                while got.len() < 100 {
                    intake.ready().await;
                    assert!(intake.0.lanes.borrow().all[1].waiting.len() <= STREAM_DEPTH);
                    intake.drain(&mut got, usize::MAX);
                    tokio::task::yield_now().await;
                }
                task.await.unwrap();
            })
            .await;
    }
}
