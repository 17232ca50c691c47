//! The page that the fleet hears, its marks in what each board played, and the times between boards.

use std::net::{SocketAddrV4, UdpSocket};
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use super::{CENTRE, GROUP, GROUP_PORT, MARKS, PERIOD, PHRASE, SPACING};
use crate::lab::packets::rtp;
use crate::lab::sound;

/// Times of the boards, ms.
pub struct Spread(pub Vec<f64>);

impl Spread {
    pub fn of(times: impl Iterator<Item = f64>) -> Spread {
        let mut times: Vec<f64> = times.collect();
        times.sort_by(f64::total_cmp);
        Spread(times)
    }

    pub fn whole(&self) -> f64 {
        self.0[self.0.len() - 1] - self.0[0]
    }
}

impl std::fmt::Display for Spread {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Spread(times) = self;
        let median = times[times.len() / 2];
        let from_first = |share: usize| times[(times.len() - 1) * share / 10] - times[0];
        write!(
            f,
            "within {:.1} ms (median {:.1} ms after the first, nine tenths within {:.1} ms)",
            self.whole(),
            median - times[0],
            from_first(9)
        )
    }
}

/// 20 ms of mu-law a packet (RFC 3551), paced by absolute deadlines. How many were sent.
pub fn send(phrases: usize) -> usize {
    let socket = UdpSocket::bind((CENTRE, 0)).unwrap();
    socket2::SockRef::from(&socket)
        .set_multicast_if_v4(&CENTRE.parse().unwrap())
        .unwrap();
    socket.set_multicast_ttl_v4(1).unwrap();
    let mut dice = crate::lab::packets::Dice(77);
    let mut silence = || if dice.next() & 1 == 0 { 0xFFu8 } else { 0x7E };
    let count = phrases * PHRASE / 160;
    let began = Instant::now();
    for n in 0..count {
        let payload: Vec<u8> = (0..160)
            .map(|k| {
                let sample = n * 160 + k;
                let within = sample % SPACING;
                if sample % PHRASE < MARKS * SPACING && within < 400 {
                    // 1 kHz at half scale: eight samples a period (G.711).
                    [0xFF, 0x98, 0x8F, 0x98, 0xFF, 0x18, 0x0F, 0x18][within % 8]
                } else {
                    silence()
                }
            })
            .collect();
        let packet = rtp(
            0,
            n == 0,
            n as u16,
            (n * 160) as u32,
            0x0077_1000 + phrases as u32,
            &payload,
        );
        let due = began + Duration::from_millis(20) * n as u32;
        std::thread::sleep(due.saturating_duration_since(Instant::now()));
        socket.send_to(&packet, SocketAddrV4::new(GROUP, GROUP_PORT)).unwrap();
    }
    count
}

/// Seconds within the hour of "2027-03-02T06:00:03.981Z".
pub fn second(time: &str) -> f64 {
    let mut parts = time.trim_end_matches('Z').split(':').skip(1);
    let mut next = || parts.next().and_then(|p| p.parse::<f64>().ok()).expect("a time");
    next() * 60.0 + next()
}

/// Where in the file each mark begins, seconds.
pub fn marks(wav: &Path) -> Vec<f64> {
    let sound = sound::read(wav);
    let samples = &sound.channels[0];
    let loudest = samples.iter().fold(0.0f32, |a, x| a.max(x.abs()));
    let mut marks: Vec<f64> = Vec::new();
    let mut quiet_since = 0.0;
    for (n, x) in samples.iter().enumerate() {
        let at = n as f64 / sound.rate;
        if x.abs() > loudest / 2.0 {
            if at - quiet_since > 0.015 {
                marks.push(at);
            }
            quiet_since = at;
        }
    }
    marks
}

/// When the first frame of a growing WAV file left, by looking at its size again and again. A block is written when the
/// one before it has been played; the earliest sight of any block is the best.
pub struct Watch {
    wav: PathBuf,
    size: u64,
    pub start: f64,
}

impl Watch {
    pub fn new(wav: PathBuf) -> Watch {
        Watch {
            wav,
            size: 0,
            start: f64::MAX,
        }
    }

    pub fn look(&mut self, since: Instant) {
        let size = std::fs::metadata(&self.wav).expect("it is written").size();
        let now = since.elapsed().as_secs_f64();
        if size != self.size && self.size != 0 {
            let written = (size.saturating_sub(44) / 2) as f64 / 48_000.0;
            self.start = self.start.min(now - (written - PERIOD));
        }
        self.size = size;
    }
}
