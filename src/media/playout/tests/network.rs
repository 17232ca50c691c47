//! What a network may do: jitter, stalls, loss, drift, nonsense.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::super::*;
use super::bench::*;
use crate::media::encoder::Encoder;

/// Clocks of sender and card apart by up to 500 ppm for five minutes: delay stays where it is.
#[test]
fn drift_is_absorbed_for_ever() {
    let pcm = voice(8000 * 300);
    for (sender, card) in [(500.0, 0.0), (-500.0, 0.0), (0.0, 500.0), (0.0, -500.0)] {
        let mut player = Player::new(PayloadMap::static_types());
        player.card_ppm = card;
        let run = player.play(packets(&pcm, FRAME, sender));
        let f = run.figures;
        let settled = &run.delays[400..run.delays.len() - 40];
        let (low, high) = settled
            .iter()
            .fold((f32::MAX, 0.0f32), |(l, h), d| (l.min(*d), h.max(*d)));
        assert!(low >= 8.0 && high <= 45.0, "{sender} {card}: {low} to {high} ms");
        assert_eq!((f.late, f.played), (0, 15_000), "{sender} {card}");
        assert!(f.concealed_ms <= 20, "{sender} {card}: {f:?}");
        // 150 ms of drift in five minutes.
        let moved = f.stretched_ms as i64 - f.shortened_ms as i64;
        let expected = if sender - card > 0.0 { 150 } else { -150 };
        assert!((moved - expected).abs() < 60, "{sender} {card}: {f:?}");
    }
}

/// Drift under a sound without any pause: taken up by single pitch periods, without a click.
#[test]
fn drift_is_absorbed_without_pauses_too() {
    let pcm: Vec<f32> = (0..8000 * 120)
        .map(|i| {
            let p = i as f32 * std::f32::consts::TAU / 61.3;
            0.2 * p.sin() + 0.1 * (2.0 * p).sin()
        })
        .collect();
    for ppm in [500.0, -500.0] {
        let run = play(packets(&pcm, FRAME, ppm));
        let settled = &run.delays[400..run.delays.len() - 40];
        assert!(settled.iter().all(|d| (5.0..50.0).contains(d)), "{ppm}");
        let f = run.figures;
        assert!(
            f.shortened_ms + f.stretched_ms >= 30 && f.late == 0 && f.concealed_ms <= 20,
            "{ppm}: {f:?}"
        );
        assert!(largest_step(&run.out) < 1.3 * largest_step(&round_trip(&pcm)), "{ppm}");
    }
}

#[test]
fn a_millisecond_of_jitter_changes_nothing() {
    let mut rng = ChaCha8Rng::seed_from_u64(4);
    let pcm = voice(8000 * 20);
    let mut sent = packets(&pcm, FRAME, 0.0);
    sent.iter_mut()
        .for_each(|s| s.arrival_ms += rng.random_range(-1.0..1.0));
    let run = play(sent);
    assert!(find(&run.out, &round_trip(&pcm)).is_some());
    assert!(run.mean_delay() < 27.0, "{}", run.mean_delay());
}

/// Exponential jitter of 8 ms, stalls of 90 ms: hardly a packet is late, and little made up for.
#[test]
fn the_delay_follows_the_network_up_quickly_and_down_slowly() {
    let mut rng = ChaCha8Rng::seed_from_u64(11);
    let rough = Network {
        jitter_ms: 8.0,
        stalls: 0.005,
        stall_ms: 90.0,
        ..Network::default()
    };
    let sent = packets(&voice(8000 * 120), FRAME, 0.0);
    let mut arrived = rough.carry(&sent[..3000], &mut rng);
    arrived.extend_from_slice(&sent[3000..]);
    let run = play(arrived);
    let f = run.figures;
    assert!(f.late <= 6, "stalled packets are played, not lost: {f:?}");
    assert_eq!(f.played + f.late, 6000);
    let rough_delay = run.delays[4000..11_000].iter().sum::<f32>() / 7000.0;
    assert!((60.0..150.0).contains(&rough_delay), "{rough_delay}");
    assert!(f.concealed_ms < 600, "{f:?}");
    assert!(
        run.delays[12_000 + 4000..23_000].iter().all(|d| *d < 45.0),
        "it comes down again"
    );
    assert!(run.delays[12_000 + 100] > 40.0, "but not at once");
}

/// A good network is not trusted below the least delay, a bad one makes the target no longer than the most.
#[test]
fn the_delay_stays_within_its_bounds() {
    let mut rng = ChaCha8Rng::seed_from_u64(12);
    let sent = packets(&voice(8000 * 60), FRAME, 0.0);
    let clean = Player::within(120.0, 400.0).play(sent.clone());
    let delay = clean.mean_delay();
    assert!((105.0..130.0).contains(&delay), "{delay}");
    let rough = Network {
        jitter_ms: 60.0,
        ..Network::default()
    };
    let arrived = rough.carry(&sent, &mut rng);
    let free = Player::within(20.0, 400.0).play(arrived.clone()).mean_delay();
    let bound = Player::within(20.0, 80.0).play(arrived).mean_delay();
    assert!(free > 200.0 && bound < 150.0, "{free} {bound}");
}

#[test]
fn late_and_lost_are_different_figures() {
    let sent = packets(&voice(8000 * 4), FRAME, 0.0);
    let mut lossy = sent.clone();
    lossy.remove(100);
    lossy.remove(50);
    let f = play(lossy).figures;
    assert_eq!((f.played, f.late), (198, 0));
    assert!((40..=60).contains(&f.concealed_ms), "{f:?}");

    let mut late = sent;
    late[100].arrival_ms += 75.0;
    let run = play(late);
    let f = run.figures;
    assert_eq!(
        (f.played, f.late),
        (199, 1),
        "its successors were there, so its turn passed"
    );
    assert!((20..=40).contains(&f.concealed_ms), "{f:?}");
    assert!(f.target_ms < 40.0, "one stall is no bad network: {f:?}");
}

/// Three seconds of the last four with a late packet are.
#[test]
fn a_network_that_turns_bad_is_believed_within_seconds() {
    let mut sent = packets(&voice(8000 * 8), FRAME, 0.0);
    for stalled in [200, 250, 300, 350] {
        sent[stalled].arrival_ms += 75.0;
    }
    let run = play(sent);
    let target = |packet: usize| run.targets[packet * 4];
    assert!(target(240) < 40.0, "{}", target(240));
    assert!(target(320) > 75.0, "{}", target(320));
    assert_eq!(run.figures.late, 3, "the fourth is waited for: {:?}", run.figures);
}

/// A loss leaves the rhythm: what follows is at its own time.
#[test]
fn losses_keep_the_time_line() {
    let pcm = voice(8000 * 4);
    let mut sent = packets(&pcm, FRAME, 0.0);
    for lost in [150, 121, 120, 71, 70, 69, 40] {
        sent.remove(lost);
    }
    let run = Player::deep().play(sent);
    let expected = round_trip(&pcm);
    let first = find(&run.out, &expected[..6400]).unwrap();
    let last = find(&run.out, &expected[160 * 155..]).unwrap() - 160 * 155;
    assert_eq!(first, last);
    assert_eq!(run.figures.concealed_ms, 140);
}

/// Opus with in-band error correction at 10 % loss comes closer to the original than without packets' successors.
#[test]
fn opus_losses_are_mended_from_the_following_packet() {
    let map = PayloadMap::new().with(96, Format::Audio(Codec::Opus));
    let narrow = voice(8000 * 10);
    // 8 to 48 kHz by straight lines: good enough for a signal, and band-limited enough for the speech mode.
    let wide: Vec<f32> = narrow
        .windows(2)
        .flat_map(|w| (0..6).map(move |k| w[0] + (w[1] - w[0]) * k as f32 / 6.0))
        .collect();
    let stream = |lost: &dyn Fn(usize) -> bool, fec: bool| {
        let mut encoder = Encoder::new(Codec::Opus).unwrap();
        if let Encoder::Opus(e) = &mut encoder {
            e.set_inband_fec(fec).unwrap();
        }
        let mut sent = Vec::new();
        for (i, c) in wide.chunks_exact(960).enumerate() {
            let mut payload = Vec::new();
            encoder.encode(c, &mut payload).unwrap();
            if !lost(i) {
                sent.push(Sent {
                    seq: 70_000 + i as u64,
                    timestamp: i as u32 * 960,
                    payload_type: 96,
                    restart: false,
                    arrival_ms: 100.0 + i as f64 * 20.0,
                    payload,
                });
            }
        }
        Player::new(map).play(sent)
    };
    let whole = stream(&|_| false, true);
    assert_eq!(whole.figures.concealed_ms, 0);
    let lost = |i: usize| i % 10 == 7;
    let (with, without) = (stream(&lost, true), stream(&lost, false));
    assert_eq!(with.figures.played, 449);
    assert!((900..=1100).contains(&with.figures.concealed_ms), "{:?}", with.figures);
    let distance = |run: &Run| {
        let n = whole.out.len().min(run.out.len());
        whole.out[..n]
            .iter()
            .zip(&run.out[..n])
            .map(|(a, b)| (a - b).powi(2))
            .sum::<f32>()
    };
    assert!(
        distance(&with) < 0.6 * distance(&without),
        "{} {}",
        distance(&with),
        distance(&without)
    );
}

/// Anything at any time: no panic, no sample out of bounds, and it ends.
#[test]
fn random_packets_never_panic() {
    let map = PayloadMap::static_types()
        .with(96, Format::Audio(Codec::Opus))
        .with(101, Format::TelephoneEvent);
    for seed in 0..40 {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut sent = Vec::new();
        let (mut seq, mut timestamp, mut at) = (rng.random_range(0..1u64 << 40), rng.random::<u32>(), 0.0);
        for _ in 0..800 {
            let wild = rng.random_bool(0.05);
            seq = match wild {
                true => seq.wrapping_add_signed(rng.random_range(-90..200_000)).min(1 << 41),
                false => seq.saturating_add_signed(rng.random_range(-1..4)),
            };
            timestamp = match rng.random_bool(0.05) {
                true => rng.random(),
                false => timestamp.wrapping_add(160),
            };
            at += if rng.random_bool(0.02) {
                rng.random_range(0.0..3000.0)
            } else {
                20.0
            };
            let length = if rng.random_bool(0.1) {
                rng.random_range(0..1473)
            } else {
                160
            };
            sent.push(Sent {
                seq,
                timestamp,
                payload_type: *[0, 0, 0, 0, 8, 13, 96, 101, 77].get(rng.random_range(0..9)).unwrap(),
                restart: rng.random_bool(0.01),
                arrival_ms: at + rng.random_range(0.0..50.0),
                payload: (0..length).map(|_| rng.random()).collect(),
            });
        }
        let mut player = Player::new(map);
        player.from_ms = rng.random_range(0.0..9000.0);
        player.pull_at_once = rng.random_range(1..6);
        let run = player.play(sent);
        assert!(run.figures.played > 100, "{seed}: {:?}", run.figures);
    }
}
