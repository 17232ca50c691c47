#![allow(clippy::disallowed_methods)]

use super::*;
use crate::media::{Codec, MAX_PAYLOAD};
use rand::{Rng, SeedableRng, seq::SliceRandom};
use rand_chacha::ChaCha8Rng;

/// An RTP datagram of payload type 0 with 160 octets (RFC 3550 §5.1).
fn rtp(ssrc: u32, seq: u16, timestamp: u32) -> Vec<u8> {
    let mut d = vec![0x80, 0];
    d.extend(seq.to_be_bytes());
    d.extend(timestamp.to_be_bytes());
    d.extend(ssrc.to_be_bytes());
    d.extend([seq as u8; 160]);
    d
}

fn ms(n: u64) -> Duration {
    Duration::from_millis(n)
}

/// Feeds one packet every 20 ms from the test's time 0; collects what comes out, kept ones first.
struct Bench {
    receiver: Receiver,
    start: Instant,
    out: Vec<Packet<'static>>,
    firsts: usize,
}

impl Bench {
    fn new() -> Self {
        Bench {
            receiver: Receiver::new(PayloadMap::static_types()),
            start: Instant::now(),
            out: Vec::new(),
            firsts: 0,
        }
    }

    fn feed(&mut self, datagram: &[u8], at_ms: u64) -> &'static str {
        match self.receiver.handle(datagram, self.start + ms(at_ms)) {
            Received::Packet { packet, first } => {
                while let Some(kept) = self.receiver.take_kept() {
                    self.out.push(kept);
                }
                self.firsts += usize::from(first);
                self.out.push(packet.into_owned());
                "packet"
            }
            Received::Probation => "probation",
            Received::Rtcp { bye: true } => "bye",
            Received::Rtcp { bye: false } => "rtcp",
            Received::Events(_) => "events",
            Received::Unknown(_) => "unknown payload type",
            Received::Dropped(why) => why,
        }
    }

    fn wire(&self) -> Vec<u16> {
        self.out.iter().map(|p| p.seq as u16).collect()
    }
}

/// RFC 3550 A.1: MIN_SEQUENTIAL 2; the packet of the probation is handed over.
/// A gateway that gives its events an SSRC of their own: they are heard and do not become the stream.
#[test]
fn events_beside_the_stream() {
    let mut r = Receiver::new(PayloadMap::static_types().with(101, Format::TelephoneEvent));
    let start = Instant::now();
    let at = |ms: u64| start + Duration::from_millis(ms);
    let rtp = |payload_type: u8, seq: u16, ssrc: u32| {
        let mut d = vec![0x80, payload_type];
        d.extend(seq.to_be_bytes());
        d.extend(u32::from(seq).to_be_bytes());
        d.extend(ssrc.to_be_bytes());
        d.extend([5, 10, 1, 0x90]);
        d
    };
    for i in 0..10u16 {
        r.handle(&rtp(0, i, 7), at(u64::from(i) * 20));
    }
    // Even while the stream is silent for longer than a take-over needs.
    for i in 0..60u16 {
        let events = rtp(101, 900 + i, 8);
        let heard = r.handle(&events, at(200 + u64::from(i) * 20));
        assert!(
            matches!(&heard, Received::Events(p) if p.payload() == [5, 10, 1, 0x90]),
            "{heard:?}"
        );
    }
    assert_eq!(r.ssrc(), Some(7));
    let datagram = rtp(0, 10, 7);
    let speech = r.handle(&datagram, at(1420));
    assert!(matches!(speech, Received::Packet { .. }), "{speech:?}");
}

#[test]
fn first_packet_is_kept_and_handed_over() {
    let mut b = Bench::new();
    assert_eq!(b.feed(&rtp(7, 65535, 0), 0), "probation");
    assert_eq!(b.feed(&rtp(7, 0, 160), 20), "packet");
    assert_eq!(b.feed(&rtp(7, 1, 320), 40), "packet");
    assert_eq!(b.wire(), [65535, 0, 1]);
    assert_eq!(b.out[1].seq, b.out[0].seq + 1, "unwrapped across 65535 → 0");
    assert_eq!(b.firsts, 1);
    assert_eq!(b.out[0].payload(), [255; 160]);
    assert!(b.out.iter().all(|p| !p.restart));
    let f = b.receiver.figures();
    assert_eq!((f.packets, f.lost), (3, 0));
}

#[test]
fn misordered_start_loses_nothing() {
    let mut b = Bench::new();
    for (i, seq) in [11u16, 10, 12, 13, 14].into_iter().enumerate() {
        b.feed(&rtp(7, seq, 0), i as u64 * 20);
    }
    assert_eq!(b.wire(), [10, 11, 12, 13, 14]);
}

#[test]
fn duplicates_are_dropped_also_on_probation() {
    let mut b = Bench::new();
    b.feed(&rtp(7, 1, 0), 0);
    assert_eq!(b.feed(&rtp(7, 1, 0), 1), "duplicate");
    b.feed(&rtp(7, 2, 160), 20);
    assert_eq!(b.feed(&rtp(7, 1, 0), 21), "duplicate");
    assert_eq!(b.feed(&rtp(7, 2, 0), 22), "duplicate");
    b.feed(&rtp(7, 5, 0), 80);
    assert_eq!(b.feed(&rtp(7, 4, 0), 81), "packet");
    assert_eq!(b.feed(&rtp(7, 4, 0), 82), "duplicate");
    let f = b.receiver.figures();
    assert_eq!((f.packets, f.lost, f.duplicates), (4, 1, 4));
}

/// RFC 3550 A.1: a jump is held until the next in order confirms it; then nothing of it is lost.
#[test]
fn sequence_restart_continues_above_with_the_restart_flag() {
    let mut b = Bench::new();
    for i in 0..5u16 {
        b.feed(&rtp(7, 100 + i, u32::from(i) * 160), u64::from(i) * 20);
    }
    assert_eq!(b.feed(&rtp(7, 40_000, 9), 100), "probation");
    assert_eq!(
        b.feed(&rtp(7, 105, 800), 105),
        "packet",
        "a stray does not end the stream"
    );
    assert_eq!(b.feed(&rtp(7, 40_001, 169), 120), "packet");
    assert_eq!(b.wire(), [100, 101, 102, 103, 104, 105, 40_000, 40_001]);
    assert!(b.out.windows(2).all(|w| w[0].seq < w[1].seq));
    assert_eq!(
        b.out.iter().map(|p| p.restart).collect::<Vec<_>>()[5..],
        [false, true, false]
    );
    let f = b.receiver.figures();
    assert_eq!((f.packets, f.lost), (8, 0));
}

#[test]
fn drop_out_below_3000_is_loss_and_a_late_one_of_99_is_accepted() {
    let mut b = Bench::new();
    b.feed(&rtp(7, 10, 0), 0);
    b.feed(&rtp(7, 11, 0), 20);
    assert_eq!(b.feed(&rtp(7, 11 + 2999, 0), 60_000), "packet");
    assert_eq!(b.receiver.figures().lost, 2998);
    assert_eq!(b.feed(&rtp(7, 11 + 2999 - 99, 0), 60_001), "packet");
    assert_eq!(b.feed(&rtp(7, 11 + 2999 - 100, 0), 60_002), "probation");
}

#[test]
fn another_ssrc_is_foreign_while_the_stream_lives() {
    let mut b = Bench::new();
    for i in 0..50u16 {
        b.feed(&rtp(7, i, u32::from(i) * 160), u64::from(i) * 20);
        let got = b.feed(&rtp(8, i, 0), u64::from(i) * 20 + 5);
        assert_eq!(got, if i == 0 { "probation" } else { "another SSRC" });
    }
    assert_eq!(b.out.len(), 50);
    assert_eq!(b.receiver.ssrc(), Some(7));
    assert_eq!(b.receiver.figures().foreign, 49);
}

#[test]
fn a_restarted_sender_takes_over_and_its_first_packets_are_kept() {
    let mut b = Bench::new();
    for i in 0..10u16 {
        b.feed(&rtp(7, i, u32::from(i) * 160), u64::from(i) * 20);
    }
    for i in 0..40u16 {
        b.feed(&rtp(8, 500 + i, u32::from(i) * 160), 200 + u64::from(i) * 20);
    }
    let mut expected: Vec<u16> = (0..10).collect();
    expected.extend(500..540);
    assert_eq!(b.wire(), expected);
    assert_eq!(b.out.iter().filter(|p| p.restart).count(), 1);
    assert!(b.out[10].restart);
    assert_eq!(b.receiver.ssrc(), Some(8));
    let f = b.receiver.figures();
    assert_eq!((f.packets, f.lost, f.foreign), (50, 0, 0));
}

/// RFC 3550 §6.6: after BYE the next source need not wait.
#[test]
fn bye_opens_the_way_at_once() {
    let mut b = Bench::new();
    for i in 0..10u16 {
        b.feed(&rtp(7, i, 0), u64::from(i) * 20);
    }
    assert_eq!(
        b.feed(&[0x81, 203, 0, 1, 0, 0, 0, 9], 190),
        "rtcp",
        "BYE of somebody else"
    );
    assert_eq!(b.feed(&[0x81, 203, 0, 1, 0, 0, 0, 7], 190), "bye");
    assert_eq!(b.feed(&rtp(8, 1, 0), 200), "another SSRC");
    assert_eq!(b.feed(&rtp(8, 2, 0), 220), "packet");
    assert_eq!(b.wire()[10..], [1, 2]);
}

#[test]
fn unknown_payload_types_are_counted_but_not_as_loss() {
    let mut b = Bench::new();
    for i in 0..10u16 {
        let mut d = rtp(7, i, 0);
        if i == 5 {
            d[1] = 33;
        }
        let got = b.feed(&d, u64::from(i) * 20);
        assert_eq!(got == "unknown payload type", i == 5);
    }
    let f = b.receiver.figures();
    assert_eq!((f.foreign, f.lost), (1, 0));
    let now = b.start + ms(200);
    b.receiver
        .set_map(PayloadMap::new().with(33, Format::Audio(Codec::Pcma)), now);
    let mut d = rtp(7, 10, 0);
    d[1] = 33;
    assert_eq!(b.feed(&d, 200), "packet");
}

/// RFC 3264 §8: the sender changes when it has our answer; what it sent until then is on its way.
#[test]
fn the_former_payload_types_count_a_little_longer_after_a_change() {
    let mut b = Bench::new();
    let mut seq = 0u16;
    let mut send = |b: &mut Bench, payload_type: u8, at: u64| {
        let mut d = rtp(7, seq, u32::from(seq) * 160);
        d[1] = payload_type;
        seq += 1;
        b.feed(&d, at)
    };
    for i in 0..10 {
        send(&mut b, 0, i * 20);
    }
    let wide = PayloadMap::new().with(9, Format::Audio(Codec::G722));
    b.receiver.set_map(wide, b.start + ms(200));
    assert_eq!(send(&mut b, 0, 200), "packet");
    assert_eq!(send(&mut b, 33, 200), "unknown payload type");
    assert_eq!(send(&mut b, 9, 220), "packet");
    // The same once more (hold, a refresh) does not begin the time anew, nor end it.
    b.receiver.set_map(wide, b.start + ms(600));
    assert_eq!(send(&mut b, 0, 1199), "packet");
    assert_eq!(send(&mut b, 0, 1200), "unknown payload type");
    assert_eq!(send(&mut b, 9, 1220), "packet");
    // Nobody else comes in by a type that no longer counts.
    b.receiver.set_map(
        PayloadMap::new().with(0, Format::Audio(Codec::Pcmu)),
        b.start + ms(1300),
    );
    let mut other = rtp(8, 1, 0);
    other[1] = 9;
    assert_eq!(b.feed(&other, 1300), "unknown payload type");
}

/// RFC 3550 §5.1, §5.3.1: padding, CSRC list and header extension are not payload.
#[test]
fn only_the_payload_is_payload() {
    let mut b = Bench::new();
    let mut first = rtp(7, 1, 0);
    first.truncate(12);
    first.extend(b"abc");
    b.feed(&first, 0);
    let mut d = vec![0x80 | 0x20 | 0x10 | 2, 0x80, 0, 2, 0, 0, 0, 160, 0, 0, 0, 7];
    d.extend([1; 8]); // two CSRC
    d.extend([0xbe, 0xde, 0, 1, 9, 9, 9, 9]);
    d.extend(b"hello");
    d.extend([0, 0, 3]);
    assert_eq!(b.feed(&d, 20), "packet");
    assert_eq!(b.out[1].payload(), b"hello");
    assert!(b.out[1].marker && !b.out[0].marker);
}

/// RFC 3550 §6.4.1 worked by hand from the formula: after eight packets J is 5.798091 timestamp units.
#[test]
fn jitter_follows_the_formula() {
    let mut r = Receiver::new(PayloadMap::static_types());
    let start = Instant::now();
    let expected = [0.0, 0.625, 1.210938, 3.635254, 5.908051, 5.851297, 5.798091];
    for (i, arrival) in [1000u64, 1160, 1330, 1480, 1680, 1800, 1965, 2120]
        .into_iter()
        .enumerate()
    {
        let at = start + Duration::from_nanos(arrival * 125_000);
        r.handle(&rtp(7, i as u16, i as u32 * 160), at);
        if i > 0 {
            let units = r.figures().jitter_ms * 8.0;
            assert!((units - expected[i - 1]).abs() < 1e-5, "{i}: {units}");
        }
    }
}

#[test]
fn too_large_short_or_old_versions_are_malformed() {
    let mut b = Bench::new();
    let mut big = rtp(7, 1, 0);
    big.resize(12 + MAX_PAYLOAD + 1, 0);
    assert_eq!(b.feed(&big, 0), "payload too large");
    assert_eq!(b.feed(&[], 0), "not RTP");
    assert_eq!(b.feed(&[0x80], 0), "not RTP");
    let mut v1 = rtp(7, 1, 0);
    v1[0] = 0x40;
    assert_eq!(b.feed(&v1, 0), "not RTP");
    assert_eq!(b.receiver.figures().malformed, 4);
    assert!(b.receiver.last_packet().is_none());
}

/// Shuffled within the misorder limit, every packet comes out once with its right number.
#[test]
fn random_reordering_keeps_every_packet_once() {
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    for _ in 0..20 {
        let mut b = Bench::new();
        let start: u16 = rng.random();
        let mut seqs: Vec<u16> = (0..3000).collect();
        seqs[2..].chunks_mut(40).for_each(|c| c.shuffle(&mut rng));
        for (i, s) in seqs.iter().enumerate() {
            b.feed(&rtp(7, start.wrapping_add(*s), 0), i as u64 * 20);
        }
        let mut got: Vec<u64> = b.out.iter().map(|p| p.seq).collect();
        got.sort_unstable();
        let base = got[0];
        assert_eq!(got, (0..3000).map(|i| base + i).collect::<Vec<_>>());
        assert_eq!(b.receiver.figures().lost, 0);
    }
}

/// Mutated and random datagrams: no panic, bounded memory, and the stream goes on.
#[test]
fn mutations_never_panic() {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let mut b = Bench::new();
    for i in 0..60_000u32 {
        let mut d = match i % 3 {
            0 => rtp(rng.random_range(0..6), rng.random(), rng.random()),
            1 => vec![0x81, 203, 0, 1, 0, 0, 0, 7, 0x80, 201, 0, 1, 0, 0, 0, 1],
            _ => (0..rng.random_range(0..64)).map(|_| rng.random()).collect(),
        };
        for _ in 0..rng.random_range(0..4) {
            if !d.is_empty() {
                let at = rng.random_range(0..d.len().min(20));
                d[at] = rng.random();
            }
        }
        d.truncate(rng.random_range(0..=d.len()));
        b.feed(&d, u64::from(i));
        b.out.clear();
        assert!(b.receiver.candidates.len() <= MAX_CANDIDATES);
        assert!(b.receiver.candidates.iter().all(|c| c.kept.len() <= MAX_KEPT));
    }
    let f = b.receiver.figures();
    assert!(f.malformed > 1000 && f.foreign > 1000, "{f:?}");
    let at = 120_000;
    b.feed(&rtp(0xabc, 1, 0), at);
    b.feed(&rtp(0xabc, 2, 0), at + 20);
    assert_eq!(b.wire(), [1, 2], "a real stream is heard after all that");
}

/// A sender that plays a short file over and over sends the same SSRC and the same numbers each time. Within a stream
/// they are duplicates (RFC 3550 A.1); after a silence they are new speech.
#[test]
fn the_same_numbers_after_a_silence_are_a_new_run() {
    let mut b = Bench::new();
    let mut at = 0;
    for round in 0..3 {
        for seq in 0..25u16 {
            b.feed(&rtp(7, seq, u32::from(seq) * 160), at);
            at += 20;
        }
        assert_eq!(b.out.len(), 25 * (round + 1), "round {round}");
        at += 500;
    }
    assert!(b.out.windows(2).all(|w| w[0].seq < w[1].seq), "numbers only grow");
    assert_eq!(b.out.iter().filter(|p| p.restart).count(), 2);
    assert_eq!(b.receiver.figures().lost, 0);
    assert_eq!(b.receiver.figures().duplicates, 0);
    // Without the silence they stay duplicates.
    for seq in 0..25u16 {
        assert_eq!(b.feed(&rtp(7, seq, u32::from(seq) * 160), at - 500), "duplicate");
    }
    assert_eq!(b.out.len(), 75);
}

/// RFC 3550 §5.1 lets a sender begin its time line anywhere; where it breaks, the network is not to blame.
#[test]
fn a_broken_time_line_is_no_jitter() {
    let mut b = Bench::new();
    for n in 0..200u32 {
        let jump = [0, 0x8000_0000, 80_000, 12_345_678][n as usize / 50];
        b.feed(&rtp(7, n as u16, n * 160 + jump), u64::from(n) * 20);
    }
    assert_eq!(b.out.len(), 200);
    assert!(
        b.receiver.figures().jitter_ms < 1.0,
        "{}",
        b.receiver.figures().jitter_ms
    );
    // A packet that is a second late still counts.
    b.feed(&rtp(7, 200, 200 * 160 + 12_345_678), 200 * 20 + 1000);
    assert!(
        b.receiver.figures().jitter_ms > 50.0,
        "{}",
        b.receiver.figures().jitter_ms
    );
}

/// A sender that puts something foreign (comfort noise, events that were not agreed on) between its packets: RFC 3550
/// A.1 counts the sequence, and the next one of ours is in sequence.
#[test]
fn foreign_payloads_between_the_packets_keep_nobody_on_probation() {
    let mut b = Bench::new();
    let foreign = |seq: u16| {
        let mut d = rtp(7, seq, u32::from(seq) * 160);
        d[1] = 99;
        d
    };
    for i in 0..10u16 {
        if i % 2 == 0 {
            b.feed(&rtp(7, i, u32::from(i) * 160), u64::from(i) * 20);
        } else {
            assert_eq!(b.feed(&foreign(i), u64::from(i) * 20), "unknown payload type");
        }
    }
    assert_eq!(b.wire(), [0, 2, 4, 6, 8], "none is lost, the first included");
    // Alone they make no source valid, whatever their sequence.
    let mut b = Bench::new();
    for i in 0..50 {
        assert_eq!(b.feed(&foreign(i), u64::from(i) * 20), "unknown payload type");
    }
    assert_eq!(b.feed(&rtp(7, 50, 8000), 1000), "probation");
    // Nor does one out of sequence count.
    let mut b = Bench::new();
    b.feed(&rtp(7, 0, 0), 0);
    b.feed(&foreign(2), 20);
    assert_eq!(b.feed(&rtp(7, 3, 480), 40), "probation");
}
