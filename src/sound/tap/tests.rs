#![allow(clippy::disallowed_methods)]

use std::f32::consts::TAU;

use super::*;
use crate::sound::level::Dbfs;

const SETTINGS: VoxSettings = VoxSettings {
    threshold: Dbfs(-40.0),
    attack: Duration::from_millis(20),
    hang: Duration::from_millis(500),
};

/// A stereo device: a tone on the right from 2 s to 3 s.
fn stereo(seconds: usize) -> Vec<f32> {
    (0..seconds * 48_000)
        .flat_map(|n| {
            let tone = 0.3 * (TAU * 500.0 * n as f32 / 48_000.0).sin();
            [0.0, if (96_000..144_000).contains(&n) { tone } else { 0.0 }]
        })
        .collect()
}

fn tap(capacity: usize) -> (LineTap, rtrb::Consumer<LineHeard>, Arc<AtomicU64>) {
    let (queue, heard) = rtrb::RingBuffer::new(capacity);
    let dropped = Arc::new(AtomicU64::new(0));
    let tap = LineTap::new(1, SETTINGS, queue, Arc::clone(&dropped), Box::new(|| {}));
    (tap, heard, dropped)
}

#[test]
fn a_line_becomes_packets_with_the_times_at_which_they_came() {
    let (mut tap, mut heard, dropped) = tap(1000);
    let began = Instant::now();
    let frames = stereo(5);
    let mut done = 0;
    // A period that is no whole number of packets.
    for (n, part) in frames.chunks(2 * 441).enumerate() {
        done += part.len() / 2;
        let at = began + Duration::from_secs(done as u64) / RATE;
        tap.hear(part, 2, at, at + Duration::from_millis(3), n == 0);
    }
    let mut packets = Vec::new();
    let mut ended = 0;
    while let Ok(item) = heard.pop() {
        match item {
            LineHeard::Packet(packet) => packets.push(packet),
            LineHeard::Ended => ended += 1,
            LineHeard::Hum(change) => panic!("{change:?}"),
        }
    }
    assert_eq!((ended, dropped.load(Ordering::Relaxed)), (1, 0));
    // 40 ms of silence before, 1 s of tone, 500 ms after.
    assert!((303..=313).contains(&packets.len()), "{}", packets.len());
    for (i, packet) in packets.iter().enumerate() {
        let number = 392 + i as u64;
        let packet = packet.packet().expect("it fits");
        assert_eq!(packet.seq, FIRST + number);
        assert_eq!(packet.timestamp, number as u32 * 240);
        assert_eq!(packet.marker, i == 0);
        // With the period that its last sample came in, 3 ms after that was captured.
        let periods = (240 * (number + 1)).div_ceil(441);
        let want = began + Duration::from_secs(441 * periods) / RATE + Duration::from_millis(3);
        assert_eq!(packet.arrival, want);
        // Big-endian, RFC 3551 §4.5.11.
        for (k, octets) in packet.payload().chunks(2).enumerate() {
            let got = f32::from(i16::from_be_bytes([octets[0], octets[1]])) / 32_768.0;
            let want = frames[2 * (240 * number as usize + k) + 1];
            assert!((got - want).abs() < 2.0 / 32_768.0, "{got}, not {want}");
        }
    }
}

#[test]
fn what_an_overrun_took_is_missing_in_the_numbers_too() {
    let (mut tap, mut heard, _) = tap(1000);
    let began = Instant::now();
    let frames = stereo(5);
    let (before, after) = frames.split_at(2 * 48 * 2500);
    let mut at = began;
    for part in before.chunks(480) {
        at += Duration::from_millis(5);
        tap.hear(part, 2, at, at, false);
    }
    at += Duration::from_millis(31);
    for (n, part) in after.chunks(480).enumerate() {
        at += Duration::from_millis(5);
        tap.hear(part, 2, at, at, n == 0);
    }
    let mut numbers = Vec::new();
    while let Ok(LineHeard::Packet(packet)) = heard.pop() {
        numbers.push(packet.number);
    }
    assert_eq!(numbers[0], 392);
    let jump = numbers.windows(2).find(|w| w[1] != w[0] + 1).expect("a hole");
    assert_eq!(*jump, [499, 506], "31 ms are 6 packets");
}

#[test]
fn a_full_queue_loses_packets_but_never_the_end() {
    let (mut tap, mut heard, dropped) = tap(8);
    let at = Instant::now();
    for part in stereo(5).chunks(480) {
        tap.hear(part, 2, at, at, false);
    }
    assert!(dropped.load(Ordering::Relaxed) > 300);
    for _ in 0..8 {
        assert!(matches!(heard.pop(), Ok(LineHeard::Packet(_))));
    }
    tap.hear(&[0.0; 480], 2, at, at, false);
    assert!(matches!(heard.pop(), Ok(LineHeard::Ended)));
    assert!(heard.pop().is_err());
}

#[test]
fn a_device_that_goes_ends_what_was_on() {
    let (mut tap, mut heard, _) = tap(1000);
    let at = Instant::now();
    for part in stereo(5)[..2 * 48 * 2500].chunks(480) {
        tap.hear(part, 2, at, at, false);
    }
    tap.away();
    tap.away();
    let items: Vec<LineHeard> = std::iter::from_fn(|| heard.pop().ok()).collect();
    let (last, packets) = items.split_last().expect("something");
    assert!(matches!(last, LineHeard::Ended));
    assert!(packets.iter().all(|p| matches!(p, LineHeard::Packet(_))));
    // A channel that the device does not have is silence, and no frames are none.
    tap.hear(&[0.5; 480], 1, at, at, true);
    tap.hear(&[], 2, at, at, false);
    tap.hear(&[0.5; 480], 0, at, at, false);
    assert!(heard.pop().is_err());
}

#[test]
fn hum_is_told_while_the_line_rests_and_when_it_is_what_holds_it_open() {
    // Fainter than the threshold, and then far above it: a loop that comes when a machine is switched on.
    for (level, opens) in [(0.01, false), (0.2, true)] {
        let (mut tap, mut heard, _) = tap(4096);
        let at = Instant::now();
        let frames: Vec<f32> = (0..16 * 48_000)
            .flat_map(|n| {
                let t = TAU * 50.0 * n as f32 / 48_000.0;
                let hum = level * ((t).sin() + 0.5 * (3.0 * t).sin() + 0.2 * (5.0 * t).sin());
                [0.0, if n < 96_000 { 0.0 } else { hum }]
            })
            .collect();
        let mut changes = Vec::new();
        let mut packets = 0;
        for part in frames.chunks(480) {
            tap.hear(part, 2, at, at, false);
            while let Ok(item) = heard.pop() {
                match item {
                    LineHeard::Hum(change) => changes.push(change),
                    LineHeard::Packet(_) => packets += 1,
                    LineHeard::Ended => {}
                }
            }
        }
        assert_eq!(packets > 0, opens, "{packets}");
        let [Change::Begins(hum)] = changes.as_slice() else {
            panic!("{changes:?}");
        };
        assert_eq!((hum.mains, hum.strongest), (50, 1));
    }
}

#[test]
fn music_is_mixed_and_tells_where_it_was_broken() {
    let (one, mut first) = rtrb::RingBuffer::new(100);
    let (two, mut second) = rtrb::RingBuffer::new(2);
    let mut tap = MusicTap::new(vec![0, 2], vec![one, two]);
    let at = Instant::now();
    let frames: Vec<f32> = (0..1200).flat_map(|n| [n as f32 / 4800.0, 9.0, -0.1]).collect();
    for part in frames.chunks(3 * 100) {
        tap.hear(part, 3, at, false);
    }
    tap.hear(&[0.0; 720], 3, at, true);
    let blocks: Vec<MusicBlock> = std::iter::from_fn(|| first.pop().ok()).collect();
    assert_eq!(blocks.len(), 6);
    for (n, x) in blocks[..5].iter().flat_map(|b| b.samples).enumerate() {
        assert!((x - (n as f32 / 4800.0 - 0.1) / 2.0).abs() < 1e-6);
    }
    let gaps: Vec<bool> = blocks.iter().map(|b| b.gap).collect();
    assert_eq!(
        gaps,
        [true, false, false, false, false, true],
        "the beginning, and the break"
    );
    // The other card took two, then nothing.
    assert!(second.pop().is_ok() && second.pop().is_ok() && second.pop().is_err());
    tap.hear(&[0.0; 720], 3, at, false);
    assert!(second.pop().expect("a block").gap, "what was lost before it is told");
}
