#![allow(clippy::disallowed_methods)]

use super::*;
use crate::media::Codec;

const EVENTS: u8 = 101;

struct Call {
    pad: Keypad,
    start: Instant,
    seq: u64,
}

impl Call {
    fn new() -> Self {
        let map = PayloadMap::new()
            .with(0, Format::Audio(Codec::Pcmu))
            .with(EVENTS, Format::TelephoneEvent);
        Call {
            pad: Keypad::new(map),
            start: Instant::now(),
            seq: 0,
        }
    }

    fn at(&self, ms: u64) -> Instant {
        self.start + Duration::from_millis(ms)
    }

    /// One key as RFC 4733 events of 100 ms at 8 kHz.
    fn event(&mut self, key: char, ms: u64) {
        for p in event::write(event::code(key).unwrap(), 10, 800, 400) {
            self.seq += 1;
            let arrival = self.at(ms + u64::from(p.due) / 8);
            let packet = Packet::new(self.seq, ms as u32 * 8, EVENTS, arrival, &p.payload).unwrap();
            self.pad.packet(&packet);
        }
    }

    fn info(&mut self, keys: &str, ms: u64) {
        let at = self.at(ms);
        self.pad.info(keys, at);
    }

    fn tone(&mut self, key: char, ms: u64) {
        let at = self.at(ms);
        self.pad.toned(key, at);
    }

    fn keys(&mut self) -> String {
        std::iter::from_fn(|| self.pad.poll()).collect()
    }
}

#[test]
fn each_way_alone() {
    let mut call = Call::new();
    "911#A".chars().zip(0..).for_each(|(k, i)| call.event(k, i * 200));
    assert_eq!(call.keys(), "911#A");

    let mut call = Call::new();
    call.info("4", 0);
    call.info("d2 !x*", 300);
    assert_eq!(call.keys(), "4D2*", "what is on no keypad is passed over");

    let mut call = Call::new();
    "4471".chars().zip(0..).for_each(|(k, i)| call.tone(k, i * 100));
    assert_eq!(call.keys(), "4471");
}

/// Phones that leave the tone in the audio beside the event: the event comes with the tone or just after it.
#[test]
fn events_with_the_tone_left_in() {
    for tone_after in [0, 40, 90, 150] {
        let mut call = Call::new();
        for (key, i) in "2255".chars().zip(0..) {
            call.event(key, i * 250);
            call.tone(key, i * 250 + tone_after);
        }
        assert_eq!(call.keys(), "2255");
        assert_eq!(call.pad.way(), Some(Way::Event));
    }
}

/// Gateways that let the first of the tone through: the tone may be counted before its event.
#[test]
fn a_tone_counted_before_its_event() {
    let mut call = Call::new();
    call.tone('7', 45);
    assert_eq!(call.keys(), "7", "at once");
    call.event('7', 60);
    assert_eq!(call.keys(), "");
    call.event('7', 300);
    call.tone('7', 310);
    call.event('8', 600);
    assert_eq!(call.keys(), "78");
}

/// INFO comes when the key is let go: several tones may be counted by then.
#[test]
fn tones_before_their_info() {
    let mut call = Call::new();
    call.tone('1', 50);
    call.tone('1', 150);
    call.tone('2', 250);
    call.info("1", 260);
    call.info("1", 300);
    call.info("2", 400);
    call.info("3", 500);
    assert_eq!(call.keys(), "1123");
    call.info("3", 9000);
    assert_eq!(call.keys(), "3");
}

/// A tone that nobody repeated (a false one, or a lost INFO) does not swallow a key of later.
#[test]
fn tones_are_not_remembered_for_long() {
    let mut call = Call::new();
    call.tone('5', 0);
    call.event('5', 3100);
    assert_eq!(call.keys(), "55");
}

#[test]
fn of_two_signalled_ways_the_first_counts() {
    let mut call = Call::new();
    for i in 0..4 {
        call.event('3', i * 400);
        call.info("3", i * 400 + 110);
    }
    assert_eq!(call.keys(), "3333");
    let mut call = Call::new();
    for i in 0..4 {
        call.info("6", i * 400);
        call.event('6', i * 400 + 30);
    }
    assert_eq!(call.keys(), "6666");
    assert_eq!(call.pad.way(), Some(Way::Info));
}

#[test]
fn is_bounded() {
    let mut call = Call::new();
    call.info(&"1".repeat(10_000), 0);
    assert_eq!(call.keys().len(), MAX_KEYS);
    let mut call = Call::new();
    for i in 0..1000 {
        call.tone('1', i);
    }
    assert_eq!(call.keys().len(), MAX_KEYS);
    call.info(&"1".repeat(20), 1000);
    assert_eq!(call.keys().len(), 20 - MAX_REPEATS);
}
