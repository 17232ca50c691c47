//! What a stream may do: start, pause, jump, restart, change, end.

use super::super::*;
use super::bench::*;
use crate::media::encoder::Encoder;
use crate::media::g711;

/// Nothing lost, nothing late: the output is the codec's own, sample for sample, 20 to 25 ms after arrival.
#[test]
fn clean_stream_is_bit_exact_at_the_least_delay() {
    let pcm = voice(8000 * 6);
    let run = play(packets(&pcm, FRAME, 0.0));
    let at = find(&run.out, &round_trip(&pcm)).expect("the whole round trip is in the output");
    assert!((960..=1000).contains(&at), "{at}");
    assert!(run.out[..at].iter().all(|s| *s == 0.0));
    let f = run.figures;
    assert_eq!(
        (f.played, f.late, f.concealed_ms, f.shortened_ms, f.stretched_ms),
        (300, 0, 0, 0, 0)
    );
    assert!(run.delays[100..1000].iter().all(|d| (20.0..25.0).contains(d)));
}

/// 2.5 to 120 ms of audio in a packet.
#[test]
fn every_packet_size_is_bit_exact() {
    let pcm = voice(9600);
    for frame in [20, 40, 80, 160, 240, 320, 480, 800, 960] {
        let run = play(packets(&pcm, frame, 0.0));
        let expected = round_trip(&pcm[..9600 / frame * frame]);
        assert!(find(&run.out, &expected).is_some(), "{frame}");
        assert_eq!(run.figures.concealed_ms, 0, "{frame}");
    }
}

/// A card with periods of 20 ms pulls four blocks at once; one of 100 ms twenty.
#[test]
fn bursts_of_pulls_cost_delay_but_no_audio() {
    let pcm = voice(8000 * 4);
    for at_once in [2, 4, 10, 20] {
        let mut player = Player::new(PayloadMap::static_types());
        player.pull_at_once = at_once;
        let run = player.play(packets(&pcm, FRAME, 0.0));
        assert!(find(&run.out, &round_trip(&pcm)).is_some(), "{at_once}");
        assert!(
            run.mean_delay() < 50.0 + 5.0 * at_once as f32,
            "{at_once}: {}",
            run.mean_delay()
        );
    }
}

#[test]
fn reordering_and_duplicates_within_the_delay_are_not_heard() {
    let pcm = voice(8000 * 3);
    let mut sent = packets(&pcm, FRAME, 0.0);
    for i in (10..140).step_by(7) {
        sent[i].arrival_ms += 19.0;
        let mut double = sent[i + 3].clone();
        double.arrival_ms += 35.0;
        sent.push(double);
    }
    let run = play(sent);
    let f = run.figures;
    assert_eq!((f.played, f.late, f.concealed_ms), (150, 0, 0));
    // The spread of 19 ms asks for 24 ms; if that changes the delay at all, then by a pitch period in a pause.
    assert!(f.stretched_ms <= 16, "{f:?}");
}

/// The hold: nothing is pulled for seconds, then speech starts with its first sample and the backlog is caught up.
#[test]
fn held_speech_starts_whole_and_is_caught_up() {
    let pcm = voice(8000 * 40);
    let mut player = Player::new(PayloadMap::static_types());
    player.from_ms = 4100.0;
    let run = player.play(packets(&pcm, FRAME, 0.0));
    let f = run.figures;
    assert_eq!((f.played, f.late, f.overflowed, f.concealed_ms), (2000, 0, 0, 0));
    let head = round_trip(&pcm[..400]);
    assert_eq!(run.out[..400], head, "the first 50 ms come first and untouched");
    let live = run
        .delays
        .iter()
        .position(|d| *d < 60.0)
        .expect("the backlog is caught up") as f64
        * 0.005;
    assert!((3.0..16.0).contains(&live), "{live} s");
    assert!(
        run.delays[(live / 0.005) as usize + 100..7000]
            .iter()
            .all(|d| *d < 80.0)
    );
    // Never more than the pauses of 0.7 s down to what a pause keeps, and 15 % of the rest.
    let pause = (700 - PAUSE_AFTER_MS - PAUSE_BEFORE_MS) as f64 / 1000.0;
    let most = (live / 2.0 + 1.0) * pause + live * CATCH_UP_RATE + 0.1;
    let gained = 4.0;
    assert!(gained <= most, "{gained} s in {live} s");
    assert!(
        largest_step(&run.out) < 1.3 * largest_step(&round_trip(&pcm)),
        "no clicks"
    );
}

/// After a usual lead of 300 ms the words are left alone; only the pauses give the time back.
#[test]
fn a_short_hold_is_made_up_for_in_the_pauses() {
    let pcm = voice(8000 * 12);
    let mut player = Player::new(PayloadMap::static_types());
    player.from_ms = 400.0;
    let run = player.play(packets(&pcm, FRAME, 0.0));
    let expected = round_trip(&pcm);
    assert_eq!(run.out[..8000 * 17 / 10], expected[..8000 * 17 / 10]);
    for phrase in 1..4 {
        let (from, to) = (phrase * 20_000 + 400, phrase * 20_000 + 8000 * 17 / 10);
        assert!(find(&run.out, &expected[from..to]).is_some(), "phrase {phrase}");
    }
    let f = run.figures;
    assert!((240..=320).contains(&f.shortened_ms) && f.stretched_ms == 0, "{f:?}");
    assert!(run.delays[1000..2300].iter().all(|d| *d < 45.0));
}

/// Read densely, with no more than 200 ms between the phrases: late by the lead to the end, and exact.
#[test]
fn a_short_hold_leaves_dense_reading_alone() {
    let pcm: Vec<f32> = voice(8000 * 30)
        .chunks(20_000)
        .flat_map(|phrase| phrase[..8000 * 20 / 10].to_vec())
        .collect();
    let mut player = Player::new(PayloadMap::static_types());
    player.from_ms = 400.0;
    let run = player.play(packets(&pcm, FRAME, 0.0));
    assert_eq!(run.out[..pcm.len()], round_trip(&pcm));
    let f = run.figures;
    assert_eq!((f.shortened_ms, f.stretched_ms, f.concealed_ms), (0, 0, 0), "{f:?}");
    assert!(run.delays[200..4000].iter().all(|d| *d < 330.0));
}

#[test]
fn more_than_the_longest_hold_drops_the_oldest() {
    let pcm = voice(8000 * 20);
    let settings = PlayoutSettings {
        max_hold: Duration::from_secs(5),
        ..PlayoutSettings::default()
    };
    let mut player = Player::new(PayloadMap::static_types());
    player.playout = Playout::new(&PayloadMap::static_types(), settings).unwrap();
    player.from_ms = 20_200.0;
    let run = player.play(packets(&pcm, FRAME, 0.0));
    assert_eq!(run.figures.overflowed, 750);
    assert_eq!(run.out[..160], round_trip(&pcm)[15 * 8000..15 * 8000 + 160]);
    assert_eq!(run.figures.played, 250);
}

/// Silence suppression: the sender pauses, numbers go on, the timestamp tells the pause (RFC 3551 §4.1).
#[test]
fn a_pause_of_the_sender_is_no_loss() {
    let pcm = voice(8000 * 2);
    let mut sent = packets(&pcm, FRAME, 0.0);
    for s in &mut sent[50..] {
        s.arrival_ms += 1500.0;
        s.timestamp = s.timestamp.wrapping_add(12_000);
    }
    let run = play(sent);
    let f = run.figures;
    assert_eq!((f.played, f.late, f.concealed_ms), (100, 0, 0));
    let expected = round_trip(&pcm);
    let first = find(&run.out, &expected[..8000]).unwrap();
    let second = find(&run.out, &expected[8000 + 40..]).unwrap() - 40;
    assert!((second - first).abs_diff(20_000) <= 80, "{}", second - first);
}

/// RFC 3389: comfort noise at the level asked for, −60 dBov, until speech goes on.
#[test]
fn comfort_noise_has_the_level_asked_for() {
    let pcm = voice(8000 * 2);
    let mut sent = packets(&pcm, FRAME, 0.0);
    for s in &mut sent[50..] {
        s.seq += 1;
        s.arrival_ms += 1500.0;
        s.timestamp = s.timestamp.wrapping_add(12_000);
    }
    sent.push(Sent {
        seq: sent[49].seq + 1,
        timestamp: sent[49].timestamp.wrapping_add(160),
        payload_type: 13,
        restart: false,
        arrival_ms: sent[49].arrival_ms + 20.0,
        payload: vec![60],
    });
    let run = play(sent);
    assert_eq!(run.figures.concealed_ms, 0);
    let at = 8 * 120 + 8000 + 4000;
    let noise = &run.out[at..at + 4000];
    let db = 10.0 * activity::power(noise).log10();
    assert!((db + 60.0).abs() < 1.0, "{db} dB");
}

/// The sender's timestamps leap without a pause: nothing is lost, nothing is added.
#[test]
fn timestamp_jumps_join_seamlessly() {
    let pcm = voice(8000 * 3);
    for jump in [
        800_000u32,
        0u32.wrapping_sub(900_000),
        0x8000_0000,
        8000,
        0u32.wrapping_sub(8000),
    ] {
        let mut sent = packets(&pcm, FRAME, 0.0);
        for s in &mut sent[60..] {
            s.timestamp = s.timestamp.wrapping_add(jump);
        }
        let run = play(sent);
        let f = run.figures;
        assert_eq!((f.played, f.late, f.concealed_ms), (150, 0, 0), "{jump}");
        assert!(find(&run.out, &round_trip(&pcm)).is_some(), "{jump}");
        assert!(run.delays[200..500].iter().all(|d| *d < 30.0), "{jump}");
    }
}

/// A restarted sender: new numbers far above, other timestamps; after a silence, and with backlog still held.
#[test]
fn restarts_lose_nothing() {
    let pcm = voice(8000 * 4);
    for (silence, held) in [(0.0, 0.0), (600.0, 0.0), (0.0, 5000.0), (600.0, 5000.0)] {
        let mut sent = packets(&pcm, FRAME, 0.0);
        for s in &mut sent[100..] {
            s.seq += 131_072;
            s.timestamp = s.timestamp.wrapping_mul(3).wrapping_add(77);
            s.arrival_ms += silence;
        }
        for (i, s) in sent[100..].iter_mut().enumerate() {
            s.timestamp = 0xffff_ff00u32.wrapping_add(i as u32 * 160);
        }
        sent[100].restart = true;
        let mut player = Player::new(PayloadMap::static_types());
        player.from_ms = held;
        let run = player.play(sent);
        let f = run.figures;
        assert_eq!((f.played, f.late, f.overflowed), (200, 0, 0), "{silence} {held}: {f:?}");
        assert!(f.concealed_ms <= 100, "{f:?}");
        if held == 0.0 {
            let expected = round_trip(&pcm);
            assert!(find(&run.out, &expected[..16_000]).is_some());
            assert!(find(&run.out, &expected[16_080..]).is_some(), "{silence}");
        }
    }
}

/// From µ-law to A-law to Opus and back within one session; unknown payload types are ignored.
#[test]
fn codecs_may_change_in_the_middle() {
    let map = PayloadMap::static_types().with(96, Format::Audio(Codec::Opus));
    let mut opus = Encoder::new(Codec::Opus).unwrap();
    let mut sent = packets(&voice(8000 * 4), FRAME, 0.0);
    let pcm = voice(8000 * 4);
    for (i, s) in sent.iter_mut().enumerate() {
        let part = &pcm[i * FRAME..(i + 1) * FRAME];
        match i {
            50..100 => {
                s.payload_type = 8;
                s.payload = part.iter().map(|x| g711::alaw_encode(g711::to_i16(*x))).collect();
            }
            100..150 => {
                let wide: Vec<f32> = part.iter().flat_map(|x| [*x; 6]).collect();
                s.payload_type = 96;
                s.timestamp = i as u32 * 960;
                s.payload.clear();
                opus.encode(&wide, &mut s.payload).unwrap();
            }
            _ => {}
        }
    }
    sent.push(Sent {
        payload_type: 50,
        ..sent[3].clone()
    });
    let run = Player::new(map).play(sent);
    let f = run.figures;
    assert_eq!((f.played, f.late), (200, 0));
    assert!(f.concealed_ms <= 60, "{f:?}");
    let wide = run.rates.iter().filter(|r| **r == 48_000).count();
    assert!((196..=230).contains(&wide), "{wide} blocks of Opus");
    assert!(find(&run.out, &round_trip(&pcm[..8000])).is_some());
    assert!(find(&run.out, &round_trip(&pcm[8000 * 3 + 160..])).is_some());
}

#[test]
fn the_end_is_soft_and_nothing_of_it_is_lost() {
    // Ends in the middle of a tone, where a plain stop would click.
    let pcm: Vec<f32> = (0..8000).map(|i| 0.5 * (i as f32 * 0.31).sin()).collect();
    let run = play(packets(&pcm, FRAME, 0.0));
    let expected = round_trip(&pcm);
    let at = find(&run.out, &expected).expect("every sample is played");
    let tail = &run.out[at + expected.len() - 1..];
    assert!(
        largest_step(tail) <= 1.2 * largest_step(&expected),
        "{}",
        largest_step(tail)
    );
    assert!(tail[80..].iter().all(|s| *s == 0.0));
    assert_eq!(run.figures.concealed_ms, 0);
}

#[test]
fn drain_without_a_packet_is_done_and_silent() {
    let mut playout = Playout::new(&PayloadMap::static_types(), PlayoutSettings::default()).unwrap();
    let now = Instant::now();
    assert!(playout.next_block(now).samples.iter().all(|s| *s == 0.0));
    assert!(!playout.is_drained());
    playout.drain();
    playout.next_block(now + ms(5.0));
    assert!(playout.is_drained());
}

/// The sound card stops for 300 ms (an underrun), then goes on: the backlog is trimmed again.
#[test]
fn an_interrupted_output_comes_back_to_its_delay() {
    let pcm = voice(8000 * 20);
    let mut player = Player::new(PayloadMap::static_types());
    let sent = packets(&pcm, FRAME, 0.0);
    let mut next = 0;
    let mut delays = Vec::new();
    for k in 0..3900 {
        let now = k as f64 * 5.0 + if k > 300 { 300.0 } else { 0.0 };
        while let Some(s) = sent.get(next).filter(|s| s.arrival_ms <= now) {
            player.push(s);
            next += 1;
        }
        player.playout.next_block(player.start + ms(now));
        delays.push(player.playout.figures().delay_ms);
    }
    assert!(delays[305] > 250.0, "{}", delays[305]);
    assert!(delays[2000..].iter().all(|d| *d < 45.0), "{}", delays[2000]);
    assert_eq!(player.playout.figures().concealed_ms, 0);
}

#[test]
fn a_playout_can_be_handed_to_another_thread() {
    fn send<T: Send>() {}
    send::<Playout>();
}
