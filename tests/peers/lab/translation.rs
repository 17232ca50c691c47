//! An address translation between the daemon and its phone system: what a small router does to UDP (RFC 4787).

use std::net::{SocketAddr, UdpSocket};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::packets::socket;

/// The first octets of a STUN message: its kind's upper half, and the cookie (RFC 8489 §5).
fn stun_kind(octets: &[u8]) -> Option<u16> {
    (octets.get(4..8)? == [0x21, 0x12, 0xA4, 0x42]).then(|| u16::from_be_bytes([octets[0], octets[1]]))
}

/// What has gone through.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Passed {
    pub binding_requests: usize,
    pub binding_answers: usize,
    /// Outer ports so far.
    pub mappings: usize,
}

/// One outer port, and what keeps it.
struct Mapping {
    outer: UdpSocket,
    inner: SocketAddr,
    /// When something last came from inside: only that keeps a mapping (RFC 4787 REQ-6).
    used: Instant,
}

struct Shared {
    front: UdpSocket,
    system: SocketAddr,
    outside: &'static str,
    life: Duration,
    mapping: Mutex<Option<Mapping>>,
    passed: Mutex<Passed>,
    over: AtomicBool,
}

/// For one inner address. What it sends to the front goes on to the phone system from an outer address, and the phone
/// system's datagrams to that come back from the front.
pub struct Translation {
    shared: Arc<Shared>,
    threads: Vec<JoinHandle<()>>,
}

impl Translation {
    /// `life`: a mapping is forgotten after so many seconds without a datagram from inside.
    pub fn new(front: &str, outside: &'static str, system: SocketAddr, life: f64) -> Translation {
        // The phone system's own port: answers go to the one that its Via names (RFC 3261 §18.2.2).
        let front = UdpSocket::bind((front, system.port())).unwrap_or_else(|e| panic!("{front}: {e}"));
        front
            .set_read_timeout(Some(Duration::from_millis(100)))
            .expect("a time-out");
        let shared = Arc::new(Shared {
            front,
            system,
            outside,
            life: super::seconds(life),
            mapping: Mutex::default(),
            passed: Mutex::default(),
            over: AtomicBool::new(false),
        });
        let threads = [Shared::outwards as fn(&Shared), Shared::inwards]
            .into_iter()
            .map(|way| {
                let shared = shared.clone();
                std::thread::spawn(move || way(&shared))
            })
            .collect();
        Translation { shared, threads }
    }

    /// Where the daemon finds its phone system.
    pub fn front(&self) -> SocketAddr {
        self.shared.front.local_addr().expect("a bound socket")
    }

    /// The mapping is lost, as when a router starts anew.
    pub fn forget(&self) {
        *self.shared.mapping.lock().unwrap() = None;
    }

    pub fn passed(&self) -> Passed {
        *self.shared.passed.lock().unwrap()
    }
}

impl Shared {
    fn count(&self, octets: &[u8]) {
        let mut passed = self.passed.lock().unwrap();
        match stun_kind(octets) {
            Some(0x0001) => passed.binding_requests += 1,
            Some(0x0101) => passed.binding_answers += 1,
            _ => {}
        }
    }

    fn outwards(&self) {
        let mut buffer = [0u8; 65_536];
        while !self.over.load(Ordering::Relaxed) {
            let Ok((n, inner)) = self.front.recv_from(&mut buffer) else {
                continue;
            };
            self.count(&buffer[..n]);
            let mut mapping = self.mapping.lock().unwrap();
            let kept = mapping.take_if(|m| m.used.elapsed() < self.life);
            let mut kept = kept.unwrap_or_else(|| {
                self.passed.lock().unwrap().mappings += 1;
                let outer = socket(self.outside);
                outer.set_nonblocking(true).expect("a socket");
                Mapping {
                    outer,
                    inner,
                    used: Instant::now(),
                }
            });
            kept.used = Instant::now();
            // A phone system that is not there answers with an error on the next call; that is no matter.
            let _ = kept.outer.send_to(&buffer[..n], self.system);
            *mapping = Some(kept);
        }
    }

    fn inwards(&self) {
        let mut buffer = [0u8; 65_536];
        while !self.over.load(Ordering::Relaxed) {
            let mut mapping = self.mapping.lock().unwrap();
            // Forgotten: what comes to its port meets nobody.
            mapping.take_if(|m| m.used.elapsed() >= self.life);
            let came = mapping.as_ref().and_then(|m| {
                let (n, from) = m.outer.recv_from(&mut buffer).ok()?;
                (from == self.system).then_some((n, m.inner))
            });
            drop(mapping);
            match came {
                Some((n, inner)) => {
                    self.count(&buffer[..n]);
                    let _ = self.front.send_to(&buffer[..n], inner);
                }
                None => std::thread::sleep(Duration::from_millis(2)),
            }
        }
    }
}

impl Drop for Translation {
    fn drop(&mut self) {
        self.shared.over.store(true, Ordering::Relaxed);
        for thread in self.threads.drain(..) {
            let _ = thread.join();
        }
    }
}
