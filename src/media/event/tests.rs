#![allow(clippy::disallowed_methods)]

use super::*;
use rand::{Rng, SeedableRng};

fn begin(code: u8) -> Heard {
    Heard::Begin { code }
}

fn end(code: u8, duration: u32) -> Heard {
    Heard::End { code, duration }
}

/// RFC 4733 §2.3: computed octets.
#[test]
fn octets() {
    let five = Event {
        code: 5,
        end: true,
        volume: 10,
        duration: 800,
    };
    assert_eq!(five.write(), [0x05, 0x8a, 0x03, 0x20]);
    assert_eq!(Event::read([0x05, 0x8a, 0x03, 0x20]), five);
    assert_eq!(
        Event::read([0x05, 0xca, 0x03, 0x20]),
        five,
        "the reserved bit is ignored"
    );
    let hash = Event {
        code: 11,
        end: false,
        volume: 10,
        duration: 160,
    };
    assert_eq!(hash.write(), [0x0b, 0x0a, 0x00, 0xa0]);
}

#[test]
fn digits() {
    assert_eq!(
        "0123456789*#ABCD".chars().map(code).collect::<Vec<_>>(),
        (0..16).map(Some).collect::<Vec<_>>()
    );
    assert_eq!((0..17).filter_map(digit).collect::<String>(), "0123456789*#ABCD");
    assert_eq!((code('x'), code('é'), code('b')), (None, None, Some(13)));
}

/// The call of RFC 4733 §5 Table 5, "911" as (timestamp, duration, end): "9" for 200 ms, "1" for 250 ms at 7040,
/// "1" for 220 ms at 11200, an update every 50 ms.
fn table_5() -> Vec<(u32, Event)> {
    let mut packets = Vec::new();
    for (code, start, duration) in [(9, 0, 1600), (1, 7040, 2000), (1, 11_200, 1760)] {
        for p in write(code, 7, duration, 400) {
            packets.push((start, Event::read(p.payload)));
        }
    }
    packets
}

fn read(packets: impl IntoIterator<Item = (u32, Event)>) -> Vec<Heard> {
    let (mut reader, mut heard, now) = (EventReader::new(), Vec::new(), Instant::now());
    for (timestamp, event) in packets {
        reader.packet(timestamp, &event.write(), now, &mut heard);
    }
    reader.timeout(now + END_LOST, &mut heard);
    heard
}

/// RFC 4733 §5 Table 5: durations 400, 800, 1200, 1600 and the end with E set, repeated.
#[test]
fn writer_gives_the_packets_of_table_5() {
    let nine: Vec<_> = table_5()
        .into_iter()
        .filter(|(t, _)| *t == 0)
        .map(|(_, e)| (e.duration, e.end))
        .collect();
    assert_eq!(
        nine,
        [
            (400, false),
            (800, false),
            (1200, false),
            (1600, false),
            (1600, true),
            (1600, true),
            (1600, true)
        ]
    );
    let markers: Vec<_> = write(9, 7, 1600, 400).map(|p| p.marker).collect();
    assert_eq!(markers, [true, false, false, false, false, false, false]);
}

#[test]
fn table_5_is_heard_as_911() {
    let expected = [begin(9), end(9, 1600), begin(1), end(1, 2000), begin(1), end(1, 1760)];
    assert_eq!(read(table_5()), expected);
    let doubled = table_5().into_iter().flat_map(|p| [p, p]);
    assert_eq!(read(doubled), expected);
}

/// Whatever single packet of an event survives is enough; lost ends give the longest stated duration.
#[test]
fn losses_change_durations_at_most() {
    let no_ends = table_5().into_iter().filter(|(_, e)| !e.end);
    assert_eq!(
        read(no_ends),
        [begin(9), end(9, 1600), begin(1), end(1, 2000), begin(1), end(1, 1760)]
    );
    let firsts = table_5().into_iter().filter(|(_, e)| e.duration == 400);
    assert_eq!(
        read(firsts),
        [begin(9), end(9, 400), begin(1), end(1, 400), begin(1), end(1, 400)]
    );
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(2);
    for _ in 0..500 {
        let mut kept = std::collections::HashSet::new();
        let survivors: Vec<_> = table_5()
            .into_iter()
            .filter(|_| rng.random_bool(0.4))
            .inspect(|(t, _)| {
                kept.insert(*t);
            })
            .collect();
        let heard = read(survivors);
        let codes: Vec<_> = heard.iter().filter(|h| matches!(h, Heard::Begin { .. })).collect();
        assert_eq!(codes.len(), kept.len());
        assert_eq!(heard.len(), 2 * kept.len());
    }
}

#[test]
fn an_event_without_end_ends_by_itself() {
    let (mut reader, mut heard, now) = (EventReader::new(), Vec::new(), Instant::now());
    reader.packet(100, &[3, 10, 0, 160], now, &mut heard);
    assert_eq!(heard, [begin(3)]);
    assert_eq!(reader.poll_timeout(), Some(now + END_LOST));
    reader.timeout(now + END_LOST - Duration::from_millis(1), &mut heard);
    assert_eq!(heard.len(), 1);
    reader.timeout(now + END_LOST, &mut heard);
    assert_eq!(heard[1..], [end(3, 160)]);
    reader.packet(100, &[3, 0x8a, 1, 160], now, &mut heard);
    assert_eq!(heard.len(), 2, "its end packets after all: the event is over");
    assert_eq!(reader.poll_timeout(), None);
}

/// §2.5.1.3: 20 s of one key, at 8 kHz.
#[test]
fn long_events_go_on_in_segments() {
    let packets: Vec<_> = write(4, 10, 160_000, 400).collect();
    assert_eq!(packets.iter().filter(|p| p.marker).count(), 1);
    let mut starts: Vec<_> = packets.iter().map(|p| p.offset).collect();
    starts.dedup();
    assert_eq!(starts, [0, 65_535, 131_070]);
    let full: Vec<_> = packets
        .iter()
        .map(|p| Event::read(p.payload))
        .filter(|e| e.duration == u16::MAX)
        .collect();
    assert!(full.len() == 2 && full.iter().all(|e| !e.end));
    let heard = read(
        packets
            .iter()
            .map(|p| (p.offset.wrapping_add(u32::MAX - 9), Event::read(p.payload))),
    );
    assert_eq!(heard, [begin(4), end(4, 160_000)]);
}

/// §2.5.1.5: two short events in one packet, the second begins where the first ends.
#[test]
fn several_events_in_one_packet() {
    let (mut reader, mut heard, now) = (EventReader::new(), Vec::new(), Instant::now());
    let payload = [1, 0x8a, 1, 0x90, 2, 0x8a, 1, 0x90, 9];
    for _ in 0..3 {
        reader.packet(50, &payload, now, &mut heard);
    }
    assert_eq!(heard, [begin(1), end(1, 400), begin(2), end(2, 400)]);
}

#[test]
fn random_octets_never_panic_and_begins_and_ends_alternate() {
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(8);
    let (mut reader, mut heard, now) = (EventReader::new(), Vec::new(), Instant::now());
    for i in 0..20_000u64 {
        let payload: Vec<u8> = (0..rng.random_range(0..80)).map(|_| rng.random()).collect();
        let at = now + Duration::from_millis(i);
        reader.packet(rng.random(), &payload, at, &mut heard);
        reader.timeout(at, &mut heard);
    }
    assert!(heard.len() > 1000);
    for pair in heard.chunks(2) {
        assert!(matches!(pair[0], Heard::Begin { .. }));
        if let [Heard::Begin { code: a }, Heard::End { code: b, .. }] = pair {
            assert_eq!(a, b);
        } else {
            assert_eq!(pair.len(), 1, "only the last may be open");
        }
    }
}

/// Senders that begin their time line anew, far back: a new event. One that was overtaken is not.
#[test]
fn a_time_line_that_begins_anew() {
    let e = |code, duration, end| Event {
        code,
        end,
        volume: 7,
        duration,
    };
    let later = 1_000_000;
    assert_eq!(
        read([(later, e(1, 800, true)), (0, e(2, 400, false)), (0, e(2, 800, true))]),
        [begin(1), end(1, 800), begin(2), end(2, 800)]
    );
    assert_eq!(
        read([(later, e(1, 800, true)), (later - 3000, e(2, 800, true))]),
        [begin(1), end(1, 800)]
    );
}

/// Timestamps that stand still: the marker, or another key, tells a new event; packets that repeat an end do not.
#[test]
fn timestamps_that_stand_still() {
    let (mut reader, mut heard, now) = (EventReader::new(), Vec::new(), Instant::now());
    for (code, duration, end, marker) in [
        (5, 160, false, true),
        (5, 800, false, false),
        (5, 800, true, true),
        (5, 800, true, true),
        (5, 160, false, true),
        (5, 640, true, false),
        (6, 160, false, false),
        (6, 640, true, false),
        (5, 640, true, false),
    ] {
        let payload = Event {
            code,
            end,
            volume: 7,
            duration,
        }
        .write();
        reader.marked_packet(77, marker, &payload, now, &mut heard);
    }
    assert_eq!(
        heard,
        [begin(5), end(5, 800), begin(5), end(5, 640), begin(6), end(6, 640)]
    );
}

/// §2.5.1.3: a key held for long, of which nothing comes for a second, is still one key.
#[test]
fn an_outage_in_a_long_event() {
    let (mut reader, mut heard, now) = (EventReader::new(), Vec::new(), Instant::now());
    for p in write(4, 10, 160_000, 400) {
        let at = now + Duration::from_micros(u64::from(p.due) * 125);
        reader.timeout(at, &mut heard);
        if !(60_000..70_000).contains(&p.due) {
            reader.packet(p.offset, &p.payload, at, &mut heard);
        }
    }
    assert_eq!(
        heard.iter().filter(|h| matches!(h, Heard::Begin { .. })).count(),
        1,
        "{heard:?}"
    );
}

/// §2.3.5: an event of no duration is none.
#[test]
fn zero_duration_is_no_event() {
    let e = |duration, end| Event {
        code: 3,
        end,
        volume: 7,
        duration,
    };
    assert_eq!(read([(9, e(0, false)), (9, e(0, true))]), []);
    assert_eq!(read([(9, e(400, false)), (9, e(0, true))]), [begin(3), end(3, 400)]);
}

/// RFC 4733 §2.1: events are counted in the clock of the stream, 48 kHz beside Opus; a segment is full after 1.4 s.
#[test]
fn events_at_48_khz() {
    let packets = write(8, 10, 4 * 48_000, 2400).map(|p| (p.offset, Event::read(p.payload)));
    assert_eq!(read(packets), [begin(8), end(8, 192_000)]);
}
