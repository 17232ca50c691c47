//! How late packets come, and how deep the buffer is: arrival times against RTP timestamps, never counts.

use std::time::Instant;

use super::PlayoutSettings;

/// Ticks of a stream's media time line in a second: the common multiple of the codecs' clocks and sampling rates.
pub const TICKS: i64 = 14_112_000;
/// Windows in which the fastest and the slowest packets are remembered, s.
const FAST_WINDOW: usize = 8;
const SLOW_WINDOW: usize = 12;
/// The window in which a network is seen to turn bad, s.
const TURN_WINDOW: usize = 4;
/// A packet this much later than the fastest is no jitter: the sender or the network was away, s.
const AWAY: f64 = 1.0;
/// The timestamps jumped when a packet would be this much faster than the fastest so far, s.
const JUMP: f64 = 0.2;
/// Or when they fall back behind the packets between by this much, ticks.
const STEP_SLACK: i64 = TICKS * 120 / 1000;
/// How far before the newest packet a misordered one may lie, ticks.
const MAX_BACK: i64 = TICKS * 2;
/// Kept on top of the spread seen, s: one block of the output.
const MARGIN: f64 = 0.005;
/// Span in which the earliest pull is remembered, s, and a pause between pulls that forgets it.
const PULL_WINDOW: f64 = 0.5;
const PULL_PAUSE: f64 = 0.21;
const PULL_SLOTS: usize = 10;

/// Extremes over a sliding window of slots, each `slot` seconds.
#[derive(Debug)]
struct Extremes<const N: usize> {
    slot: f64,
    values: [f64; N],
    current: i64,
    sign: f64,
}

impl<const N: usize> Extremes<N> {
    fn new(slot: f64, sign: f64) -> Self {
        Extremes {
            slot,
            values: [f64::INFINITY; N],
            current: 0,
            sign,
        }
    }

    fn clear(&mut self) {
        self.values.fill(f64::INFINITY);
    }

    fn advance(&mut self, at: f64) {
        let slot = (at / self.slot).floor() as i64;
        // Bounded by the number of slots, whatever the step.
        for _ in 0..(slot - self.current).clamp(0, N as i64) {
            self.current += 1;
            self.values[self.current.rem_euclid(N as i64) as usize] = f64::INFINITY;
        }
        self.current = self.current.max(slot);
    }

    fn note(&mut self, at: f64, value: f64) {
        self.advance(at);
        let slot = &mut self.values[self.current.rem_euclid(N as i64) as usize];
        *slot = slot.min(value * self.sign);
    }

    /// The value that `share` of the newest slots, of `newest`, go beyond; of those that hold any.
    fn exceeded_by(&self, newest: usize, share: f64) -> Option<f64> {
        let mut values = [f64::INFINITY; N];
        for (back, value) in (0..newest as i64).zip(&mut values) {
            *value = self.values[(self.current - back).rem_euclid(N as i64) as usize];
        }
        values.sort_unstable_by(f64::total_cmp);
        let filled = values.iter().filter(|v| v.is_finite()).count();
        let at = (filled.checked_sub(1)? as f64 * share).ceil() as usize;
        Some(values[at] * self.sign)
    }

    /// The least value (greatest with sign −1) of the window.
    fn get(&self) -> Option<f64> {
        let least = self.values.iter().copied().fold(f64::INFINITY, f64::min);
        least.is_finite().then_some(least * self.sign)
    }
}

/// The newest packet, by sequence.
#[derive(Debug, Clone, Copy)]
struct Newest {
    seq: u64,
    timestamp: u32,
    media: i64,
    ticks_per_unit: i64,
    duration: i64,
}

/// A packet as timing sees it.
#[derive(Debug, Clone, Copy)]
pub struct Seen {
    pub seq: u64,
    pub timestamp: u32,
    pub restart: bool,
    /// RTP clock rate, Hz.
    pub clock: u32,
    /// Ticks of audio in it.
    pub duration: i64,
    pub arrival: Instant,
}

#[derive(Debug)]
pub struct Timing {
    epoch: Option<Instant>,
    newest: Option<Newest>,
    fastest: Extremes<FAST_WINDOW>,
    slowest: Extremes<SLOW_WINDOW>,
    /// Time of the last pull, and of the earliest one against an even course.
    last_pull: Option<f64>,
    course: f64,
    pulls: Extremes<PULL_SLOTS>,
    min: f64,
    max: f64,
}

impl Timing {
    pub fn new(settings: &PlayoutSettings) -> Self {
        Timing {
            epoch: None,
            newest: None,
            fastest: Extremes::new(1.0, 1.0),
            slowest: Extremes::new(1.0, -1.0),
            last_pull: None,
            course: 0.0,
            pulls: Extremes::new(PULL_WINDOW / PULL_SLOTS as f64, 1.0),
            min: settings.min_delay.as_secs_f64(),
            max: settings.max_delay.max(settings.min_delay).as_secs_f64(),
        }
    }

    fn seconds(&mut self, at: Instant) -> f64 {
        let epoch = *self.epoch.get_or_insert(at);
        if at >= epoch {
            (at - epoch).as_secs_f64()
        } else {
            -(epoch - at).as_secs_f64()
        }
    }

    /// Places an arrived packet on the media time line, in ticks, and learns from its lateness.
    pub fn arrive(&mut self, seen: &Seen) -> i64 {
        let arrival = self.seconds(seen.arrival);
        let unit = TICKS / i64::from(seen.clock.max(1));
        let ticks = |s: f64| (s * TICKS as f64).round() as i64;
        let fastest = self.fastest.get().unwrap_or(arrival);
        let (mut newer, mut plausible) = (true, true);
        let media = match self.newest {
            None => 0,
            Some(n) if seen.restart || n.ticks_per_unit != unit => ticks(arrival - fastest),
            Some(n) => {
                let step = i64::from(seen.timestamp.wrapping_sub(n.timestamp) as i32) * unit;
                newer = seen.seq > n.seq;
                if newer {
                    let excess = step - n.duration * (seen.seq - n.seq) as i64;
                    let transit = arrival - (n.media + step) as f64 / TICKS as f64;
                    let back = excess < -STEP_SLACK && (step < 0 || transit > fastest + AWAY);
                    if transit < fastest - JUMP || back {
                        ticks(arrival - fastest).max(n.media + n.duration)
                    } else {
                        n.media + step
                    }
                } else {
                    plausible = (-MAX_BACK..=0).contains(&step);
                    match plausible {
                        true => n.media + step,
                        false => n.media - n.duration * (n.seq - seen.seq).min(100) as i64,
                    }
                }
            }
        };
        if newer {
            self.newest = Some(Newest {
                seq: seen.seq,
                timestamp: seen.timestamp,
                media,
                ticks_per_unit: unit,
                duration: match self.newest {
                    Some(n) if seen.duration == 0 => n.duration,
                    _ => seen.duration,
                },
            });
        }
        if seen.duration > 0 && plausible {
            let transit = arrival - media as f64 / TICKS as f64;
            if self.fastest.get().is_some_and(|f| transit > f + AWAY) {
                self.fastest.clear();
                self.slowest.clear();
            }
            self.fastest.note(arrival, transit);
            // It could not be played before the first pull that found it here.
            let usable = arrival.max(self.last_pull.unwrap_or(arrival));
            let handed_over = if usable - arrival < AWAY { usable } else { arrival };
            self.slowest.note(arrival, transit + handed_over - arrival);
        }
        media
    }

    /// The output pulls the next block of `length` seconds.
    pub fn pull(&mut self, now: Instant, length: f64) {
        let now = self.seconds(now);
        if self.last_pull.is_none_or(|last| now - last > PULL_PAUSE) {
            self.pulls.clear();
            self.course = 0.0;
        }
        self.last_pull = Some(now);
        self.pulls.note(now, now - self.course);
        self.course += length;
    }

    /// Delay, in seconds, of audio at `media` if it were played by this pull: against the fastest packet's pace.
    pub fn delay(&self, media: i64) -> f64 {
        let now = self.last_pull.unwrap_or(0.0);
        let Some(fastest) = self.fastest.get() else { return 0.0 };
        now - fastest - media as f64 / TICKS as f64
    }

    /// How much earlier than this pull the earliest one of late came, against an even course, s: a card that pulls
    /// in bursts has that much less delay to live on.
    pub fn earliness(&self, length: f64) -> f64 {
        let Some(now) = self.last_pull else { return 0.0 };
        let this = now - (self.course - length);
        self.pulls.get().map_or(0.0, |least| (this - least).max(0.0))
    }

    /// The delay to aim at, s: in every other second no packet is later than that, or in three of the last four. The
    /// rare stall beyond it is outlived by growing as it happens and shrinking afterwards; a depth for the worst of them
    /// would delay all the rest.
    pub fn target(&self, floor: f64) -> f64 {
        let usual = self.slowest.exceeded_by(SLOW_WINDOW, 0.5);
        let of_late = self.slowest.exceeded_by(TURN_WINDOW, 0.25);
        let spread = match (self.fastest.get(), usual.zip(of_late).map(|(a, b)| a.max(b))) {
            (Some(fast), Some(slow)) => slow - fast,
            _ => 0.0,
        };
        (spread + MARGIN).max(floor).clamp(self.min, self.max)
    }

    /// Media time from `from` to the end of the newest packet, ticks.
    pub fn ahead_of(&self, from: i64) -> i64 {
        self.newest.map_or(0, |n| n.media + n.duration - from)
    }
}
