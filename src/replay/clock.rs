//! The time of a capture: as its clock says, as long as that goes on.
//!
//! Within one interface packets are written in the order in which they came, so that time which goes back is a clock that was set. From there
//! on it goes on as if nothing had happened, and in the end all is told by the clock as it was set last: who sets a clock sets it right.

use std::time::Duration;

use super::capture::Datagram;
use super::{LONGEST, signalling};

/// Packets of several processors and queues may be stamped so much out of their order.
const UNEVEN: i128 = 100_000_000;
/// Steps that are told.
pub const MAX_STEPS: usize = 8;
/// A pause is looked into from this length on: does a stream go on behind it as if there had been none?
const PAUSE: Duration = Duration::from_secs(5);
/// So many packets before and behind it.
const NEAR: usize = 64;
/// The slowest clock of a stream, Hz (RFC 3551 §4.5).
const SLOWEST: u64 = 8000;

/// A clock that was set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Step {
    /// When, by the clock as it was set last.
    pub at: Duration,
    pub by: Duration,
    pub is_back: bool,
}

/// One interface's.
#[derive(Debug, Default)]
pub struct Clock {
    /// The last stamp, and the time that it was taken for; ns since 1970.
    last: Option<(i128, i128)>,
    /// From stamps to time.
    shift: i128,
    steps: Vec<Step>,
}

impl Clock {
    /// What a stamp is taken for.
    pub fn tick(&mut self, stamp: Duration) -> Duration {
        let stamp = nanos(stamp);
        let Some((last, time)) = self.last else {
            self.last = Some((stamp, stamp));
            return duration(stamp);
        };
        let passed = stamp - last;
        if passed < -UNEVEN || passed > nanos(LONGEST) {
            self.shift -= passed;
            if self.steps.len() < MAX_STEPS {
                self.steps.push(Step {
                    at: duration(time),
                    by: duration(passed.abs()),
                    is_back: passed < 0,
                });
            }
        }
        let now = (stamp + self.shift).max(time);
        self.last = Some((stamp, now));
        duration(now)
    }

    /// The same time by the clock as it was set last; as it is where that would be before 1970.
    pub fn settled(&self, time: Duration) -> Duration {
        match nanos(time) - self.shift {
            before if before < 0 => time,
            settled => duration(settled),
        }
    }

    pub fn steps(&self) -> impl Iterator<Item = Step> + '_ {
        self.steps.iter().map(|step| Step {
            at: self.settled(step.at),
            ..*step
        })
    }
}

/// Pauses across which a stream went on by its own count (RFC 3550 §5.1): there the clock was set forward, or a machine slept.
pub fn jumps(datagrams: &[Datagram]) -> Vec<Step> {
    let mut jumps = Vec::new();
    for (index, pair) in datagrams.windows(2).enumerate() {
        let by = pair[1].at - pair[0].at;
        if by < PAUSE {
            continue;
        }
        let before = &datagrams[(index + 1).saturating_sub(NEAR)..=index];
        let behind = datagrams[index + 1..].iter().take(NEAR);
        let goes_on = |late: &Datagram| before.iter().rev().any(|early| goes_on(early, late, by));
        if behind.clone().any(goes_on) && jumps.len() < MAX_STEPS {
            jumps.push(Step {
                at: pair[0].at,
                by,
                is_back: false,
            });
        }
    }
    jumps
}

fn goes_on(early: &Datagram, late: &Datagram, pause: Duration) -> bool {
    if (early.from, early.to) != (late.from, late.to) {
        return false;
    }
    let Some(((from, then), (to, now))) = place(early).zip(place(late)) else {
        return false;
    };
    let (packets, ticks) = (to.0.wrapping_sub(from.0), now.wrapping_sub(then));
    from.1 == to.1 && (1..=NEAR as u16).contains(&packets) && u64::from(ticks) < pause.as_secs() * SLOWEST / 2
}

/// Number and SSRC of an RTP packet, and its timestamp.
fn place(datagram: &Datagram) -> Option<((u16, u32), u32)> {
    let octets = &datagram.octets;
    let &[_, _, s1, s0, t3, t2, t1, t0, a, b, c, d] = octets.first_chunk::<12>()?;
    let numbers = (u16::from_be_bytes([s1, s0]), u32::from_be_bytes([a, b, c, d]));
    signalling::is_rtp(octets).then(|| (numbers, u32::from_be_bytes([t3, t2, t1, t0])))
}

fn nanos(time: Duration) -> i128 {
    i128::try_from(time.as_nanos()).unwrap_or(i128::MAX)
}

fn duration(nanos: i128) -> Duration {
    let nanos = nanos.max(0);
    let seconds = u64::try_from(nanos / 1_000_000_000).unwrap_or(u64::MAX);
    Duration::new(seconds, (nanos % 1_000_000_000) as u32)
}
