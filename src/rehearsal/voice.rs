//! How long the cards take over what a source says: the playout's and the engine's twin without sound.

use std::time::{Duration, Instant};

use crate::config::plan::{AudioDevice, Plan, Speaker};
use crate::sound::recording::Repeats;
use crate::sound::repeat::{PACKET, SILENT_PACKETS};

/// From a packet's coming to its last sample's leaving the card and the control task's learning of it, once a stream runs, beside what
/// the jitter buffer keeps: the packet itself, the card, half a look at the reports. Measured at the running program
/// (`tests/predicted.rs`).
const DELAY: Duration = Duration::from_millis(45);
/// What a sound card holds beside that, and a file does not.
const BUFFER: Duration = Duration::from_millis(30);
/// That the cards are empty is learnt so long after they are told to play out: they look, and their reports are fetched now and then.
pub const LEARNT: Duration = Duration::from_millis(70);
/// Speech is known to be over so long after its last word: the detector waits for the next one. Measured at the running program.
pub const LAST_WORD: Duration = Duration::from_millis(550);
/// What is heard so much too late is caught up until it is not; less is left alone, as the playout does.
const BACKLOG: f64 = 0.5;
/// Of each second so much: in the speech itself and in its pauses, more while much is held.
const CATCH_UP: f64 = 0.12;
const FASTER: f64 = 0.1;
const FASTER_FROM: f64 = 2.0;
const FASTEST: f64 = 0.25;
/// Step of the reckoning, s.
const STEP: f64 = 0.05;

/// What a source's sound goes through.
#[derive(Debug, Clone, Copy)]
pub struct Path {
    /// From a packet's coming to its having been played, as the control task knows it.
    delay: Duration,
    /// Longest speech kept before it is heard; what is older is lost.
    hold: Duration,
}

impl Path {
    pub fn of(speaker: Speaker, plan: &Plan) -> Self {
        let paging = speaker.paging(plan);
        let zones = paging
            .zones
            .iter()
            .filter_map(|zone| plan.zones.get(usize::from(zone.0)));
        let cards = zones.filter_map(|zone| plan.cards.get(zone.card));
        // Frames at 48 kHz.
        let period = cards.clone().map(|card| card.period).max().unwrap_or_default();
        let period = Duration::from_micros(period as u64 * 125 / 6);
        let mut outputs = cards.map(|card| &card.output);
        let buffer = match outputs.any(|output| matches!(output, AudioDevice::Alsa(_))) {
            true => BUFFER,
            false => Duration::ZERO,
        };
        Path {
            delay: DELAY + buffer + paging.playout.min_delay.max(period),
            hold: paging.playout.max_hold,
        }
    }

    /// When the card has played what was handed over until `now`.
    pub fn rung_out(self, now: Instant) -> Instant {
        now + PACKET + self.delay
    }

    /// What has been heard by `now` of speech that has come from `from` on, and is heard since `opened`: up to what came then.
    pub fn heard_until(self, from: Instant, opened: Option<Instant>, now: Instant) -> Instant {
        let Some(opened) = opened else { return from };
        let from = from.max(opened.checked_sub(self.hold).unwrap_or(from));
        let (mut late, mut left) = (
            opened.saturating_duration_since(from).as_secs_f64(),
            now.saturating_duration_since(opened).as_secs_f64(),
        );
        let catches_up = late > BACKLOG;
        while catches_up && left > 0.0 && late > 0.0 {
            late -= STEP * faster(late);
            left -= STEP;
        }
        let behind = self.delay + Duration::from_secs_f64(late.max(0.0));
        now.checked_sub(behind).unwrap_or(from).max(from)
    }

    /// When all is played of speech that came from `from` on, until `until`, and has been heard since `opened`.
    pub fn played_out(self, from: Instant, until: Instant, opened: Instant) -> Instant {
        played_out(from.max(opened.checked_sub(self.hold).unwrap_or(from)), until, opened) + self.delay
    }
}

fn played_out(kept_from: Instant, until: Instant, opened: Instant) -> Instant {
    let mut left = until.saturating_duration_since(kept_from).as_secs_f64();
    let mut late = opened.saturating_duration_since(kept_from).as_secs_f64();
    let (catches_up, mut heard) = (late > BACKLOG, 0.0);
    while left > 0.0 {
        let speed = if catches_up && late > 0.0 {
            1.0 + faster(late)
        } else {
            1.0
        };
        let step = STEP.min(left / speed);
        heard += step;
        left -= step * speed;
        late -= step * (speed - 1.0);
    }
    until.max(opened + Duration::from_secs_f64(heard))
}

/// How much faster what is so late is played.
fn faster(late: f64) -> f64 {
    (CATCH_UP + (late - FASTER_FROM).max(0.0) * FASTER).min(FASTEST)
}

/// How far a sound of ours is, in runs of `length` with pauses between.
#[derive(Debug, Clone, Copy)]
pub struct Runs {
    pub length: Duration,
    pub pause: Duration,
    /// `None`: until it is ended.
    pub times: Option<u32>,
}

impl Runs {
    /// From the first sample to the last; `None` while nobody has said how often.
    pub fn whole(self) -> Option<Duration> {
        let times = self.times?;
        Some(Repeats { times, gap: self.pause }.length(self.length))
    }

    /// The same, if it is to end with the run under way after `played`, or at once in a pause.
    pub fn ended_after(self, played: Duration) -> Duration {
        let every = (self.length + self.pause).max(Duration::from_millis(1));
        let runs = played.as_nanos() / every.as_nanos();
        let begun = every.saturating_mul(u32::try_from(runs).unwrap_or(u32::MAX));
        let end = match played.saturating_sub(begun) < self.length {
            true => begun + self.length,
            false => played,
        };
        self.whole().map_or(end, |whole| whole.min(end))
    }
}

/// From a sound's last sample until its last packet is handed over.
pub const HANDED_OVER: Duration = Duration::from_millis(PACKET.as_millis() as u64 * (SILENT_PACKETS as u64 - 1));

#[cfg(test)]
mod tests {
    #![allow(clippy::disallowed_methods)]

    use super::*;

    #[test]
    fn a_bell_ends_with_its_stroke() {
        let ms = Duration::from_millis;
        let bell = Runs {
            length: ms(1600),
            pause: ms(400),
            times: None,
        };
        assert_eq!(bell.whole(), None);
        assert_eq!(bell.ended_after(ms(100)), ms(1600));
        assert_eq!(bell.ended_after(ms(1700)), ms(1700), "in the pause");
        assert_eq!(bell.ended_after(ms(2100)), ms(3600));
        let twice = Runs { times: Some(2), ..bell };
        assert_eq!(twice.whole(), Some(ms(3600)));
        assert_eq!(twice.ended_after(ms(9000)), ms(3600));
    }

    #[test]
    fn what_was_held_is_caught_up() {
        let start = Instant::now();
        let at = |ms: u64| start + Duration::from_millis(ms);
        let between = |end: Instant, from: u64, to: u64| {
            assert!(end >= at(from) && end <= at(to), "{:?}", end - start);
        };
        let path = Path {
            delay: Duration::from_millis(65),
            hold: Duration::from_secs(15),
        };
        let played_out = |from, until, opened| path.played_out(at(from), at(until), at(opened));
        // Half a second is left alone, two seconds are caught up after some time.
        between(played_out(0, 10_000, 400), 10_455, 10_475);
        between(played_out(0, 5_000, 2_000), 6_500, 6_700);
        between(played_out(0, 60_000, 2_000), 60_060, 60_070);
        // Of what was said before, 15 s are kept.
        between(played_out(0, 60_000, 60_000), 72_000, 74_000);
    }
}
