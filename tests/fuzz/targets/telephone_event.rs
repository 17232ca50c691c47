//! Telephone events: any packets at any time; and what the writer writes is read as one event.
#![allow(clippy::disallowed_methods)]

use std::time::{Duration, Instant};

use hornwire::media::event::{END_LOST, EventReader, Heard, MAX_SEGMENT, code, digit, write};

pub fn run(data: &[u8]) {
    let mut reader = EventReader::new();
    let mut now = Instant::now();
    let mut open = None;
    let mut heard = Vec::new();
    let mut rest = data;
    let mut timestamp = 0u32;
    // Time, step of the timestamp, length, payload.
    while let [time, step, length, tail @ ..] = rest {
        now += Duration::from_millis(u64::from(*time));
        timestamp = match step {
            0..=99 => timestamp,
            100..=199 => timestamp.wrapping_add(u32::from(*step) * 8),
            200..=229 => timestamp.wrapping_sub(u32::from(*step)),
            230..=249 => timestamp.wrapping_add(u32::from(MAX_SEGMENT)),
            _ => timestamp.wrapping_add(1 << 31),
        };
        let (payload, after) = tail.split_at(usize::from(*length).min(tail.len()));
        rest = after;
        if time & 1 == 0 {
            reader.timeout(now, &mut heard);
            assert!(reader.poll_timeout().is_none_or(|at| at > now), "late for ever");
        }
        reader.packet(timestamp, payload, now, &mut heard);
        assert!(heard.len() <= 64);
        check(&mut heard, &mut open);
    }
    reader.timeout(now + END_LOST, &mut heard);
    check(&mut heard, &mut open);
    assert_eq!(open, None, "an event that never ends");
    if let [event, duration @ .., interval] = data
        && let Some(duration) = duration.first_chunk::<3>()
    {
        written(
            *event,
            u32::from_be_bytes([0, duration[0], duration[1], duration[2]]),
            u16::from(*interval) * 40,
        );
    }
}

/// Every event begins once and ends once, one after the other.
fn check(heard: &mut Vec<Heard>, open: &mut Option<u8>) {
    for what in heard.drain(..) {
        match what {
            Heard::Begin { code } => assert_eq!(open.replace(code), None, "two at once"),
            Heard::End { code, .. } => assert_eq!(open.take(), Some(code), "an end without a beginning"),
        }
    }
}

fn written(event: u8, duration: u32, interval: u16) {
    if let Some(character) = digit(event) {
        assert_eq!(code(character), Some(event));
    }
    // At most some tens of packets, of at most five seconds each.
    let interval = interval.max(400);
    let duration = duration.min(u32::from(interval) * 40).max(1);
    let (mut reader, mut heard, mut now) = (EventReader::new(), Vec::new(), Instant::now());
    for packet in write(event, 10, duration, interval) {
        now += Duration::from_millis(1);
        reader.packet(packet.offset, &packet.payload, now, &mut heard);
    }
    assert_eq!(
        heard,
        [Heard::Begin { code: event }, Heard::End { code: event, duration }]
    );
}
