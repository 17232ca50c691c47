//! What networks do to a stream of 20 ms packets: seeded, the same every time.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Seconds of audio in a packet.
pub const PACKET: f64 = 0.020;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    Clean,
    /// Up to 1 ms early or late.
    Millisecond,
    /// Exponential jitter of 8 ms, stalls of 90 ms, 1 % loss.
    Wireless,
    /// 5 % random loss.
    Lossy,
    /// 8 % loss in bursts, stalls of 120 ms.
    Bursty,
    /// The sender's clock is slow by 300 ppm.
    Drifting,
}

pub const KINDS: [Kind; 6] = [
    Kind::Clean,
    Kind::Millisecond,
    Kind::Wireless,
    Kind::Lossy,
    Kind::Bursty,
    Kind::Drifting,
];

impl Kind {
    pub fn name(self) -> &'static str {
        match self {
            Kind::Clean => "clean",
            Kind::Millisecond => "±1 ms",
            Kind::Wireless => "Wi-Fi-like: 8 ms jitter, stalls of 90 ms, 1 % loss",
            Kind::Lossy => "5 % random loss",
            Kind::Bursty => "8 % loss in bursts, stalls of 120 ms",
            Kind::Drifting => "300 ppm of drift",
        }
    }

    /// How much slower than nominal the sender's clock is, ppm.
    pub fn ppm(self) -> f64 {
        if self == Kind::Drifting { 300.0 } else { 0.0 }
    }

    /// Mean of the exponential jitter, s; stalls per packet and their length, s; loss, and how often it goes on.
    fn network(self) -> (f64, f64, f64, f64, f64) {
        match self {
            Kind::Clean | Kind::Millisecond | Kind::Drifting => (0.0, 0.0, 0.0, 0.0, 0.0),
            Kind::Wireless => (0.008, 0.005, 0.090, 0.01, 0.01),
            Kind::Lossy => (0.0, 0.0, 0.0, 0.05, 0.05),
            // Runs of 2.5 packets on average, 8 % of all.
            Kind::Bursty => (0.0, 0.003, 0.120, 0.035, 0.60),
        }
    }
}

/// What becomes of a stream's packets.
pub struct Trace {
    pub kind: Kind,
    /// Number and time of arrival, s after the first was sent, in order of arrival; what is missing was lost.
    pub arrivals: Vec<(usize, f64)>,
    /// When nothing came through, s of the sender's.
    pub stalls: Vec<(f64, f64)>,
}

impl Trace {
    /// A stream of `count` packets. The first ten come as they should, so that the beginning is found.
    pub fn new(kind: Kind, seed: u64, count: usize) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let (jitter, stalls, stall, loss, again) = kind.network();
        let (mut arrivals, mut away) = (Vec::new(), Vec::new());
        let (mut stalled, mut lost) = (0.0, false);
        for number in 0..count {
            let sent = number as f64 * PACKET * (1.0 + kind.ppm() * 1e-6);
            let late = match kind {
                Kind::Millisecond => rng.random_range(0.0..0.002),
                _ => -jitter * (1.0 - rng.random::<f64>()).ln(),
            };
            if rng.random_bool(stalls) && number >= 10 {
                stalled = sent + stall;
                away.push((sent, stalled));
            }
            lost = rng.random_bool(if lost { again } else { loss }) && number >= 10;
            if !lost {
                arrivals.push((number, (sent + late).max(stalled)));
            }
        }
        arrivals.sort_by(|a, b| a.1.total_cmp(&b.1));
        Trace {
            kind,
            arrivals,
            stalls: away,
        }
    }
}
