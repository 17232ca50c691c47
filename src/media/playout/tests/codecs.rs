//! Every codec, at every packet size.

use super::super::*;
use super::bench::*;
use crate::media::Linear;
use crate::media::encoder::Encoder;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// A voice at another rate, by repeating samples: only sameness matters here.
fn voice_at(rate: u32, ms: usize) -> Vec<f32> {
    let voice = voice(8 * ms);
    (0..rate as usize * ms / 1000)
        .map(|i| voice[(i * 8000 / rate as usize).min(voice.len() - 1)])
        .collect()
}

/// Packets of `pcm`, each of `ms` on average, as a sender makes them that counts samples.
fn coded(codec: Codec, payload_type: u8, pcm: &[f32], ms: f64) -> Vec<Sent> {
    let mut encoder = Encoder::new(codec).unwrap();
    let rate = f64::from(codec.sample_rate());
    // G.722 takes its samples in pairs.
    let place = |i: usize| (i as f64 * ms * rate / 1000.0) as usize / 2 * 2;
    (0..)
        .map(|i| (i, place(i), place(i + 1)))
        .take_while(|(_, _, to)| *to <= pcm.len())
        .map(|(i, from, to)| {
            let mut payload = Vec::new();
            encoder.encode(&pcm[from..to], &mut payload).unwrap();
            Sent {
                seq: 65_536 + i as u64,
                timestamp: ((from as u64 * u64::from(codec.clock_rate()) / u64::from(codec.sample_rate())) as u32)
                    .wrapping_sub(5000),
                payload_type,
                restart: false,
                arrival_ms: 100.0 + from as f64 * 1000.0 / rate,
                payload,
            }
        })
        .collect()
}

fn kinds() -> impl Iterator<Item = Linear> {
    Linear::rates().flat_map(|rate| [1, 2].map(|channels| Linear::new(rate, channels).unwrap()))
}

/// What the whole stream, decoded at once, comes to.
fn decoded(codec: Codec, sent: &[Sent]) -> Vec<f32> {
    let map = PayloadMap::new().with(97, Format::Audio(codec));
    let mut decoders = Decoders::new(&map).unwrap();
    let mut out = Vec::new();
    for s in sent {
        let start = out.len();
        out.resize(start + decoders.samples(codec, &s.payload), 0.0);
        decoders.decode(codec, &s.payload, &mut out[start..]);
    }
    out
}

/// RFC 3551 §4.5.11: every rate and both numbers of channels; sample for sample at the least delay.
#[test]
fn l16_of_every_kind_is_exact() {
    for kind in kinds() {
        let codec = Codec::L16(kind);
        let pcm = voice_at(kind.rate(), 2000);
        for ms in [2.5, 5.0, 10.0] {
            let sent = coded(codec, 97, &pcm, ms);
            let count = sent.len() as u64;
            let expected = decoded(codec, &sent);
            let run = Player::new(PayloadMap::new().with(97, Format::Audio(codec))).play(sent);
            let f = run.figures;
            let counts = (
                f.played,
                f.late,
                f.concealed_ms,
                f.shortened_ms,
                f.stretched_ms,
                f.overflowed,
            );
            assert_eq!(counts, (count, 0, 0, 0, 0, 0), "{codec:?} {ms} ms");
            assert!(run.rates.iter().all(|rate| *rate == codec.playout_rate()));
            let at = find(&run.out, &expected).unwrap_or_else(|| panic!("{codec:?} {ms} ms"));
            let delay = at as f64 * 1000.0 / f64::from(codec.playout_rate()) - 100.0;
            assert!((19.9..=25.1).contains(&delay), "{codec:?} {ms} ms: {delay}");
            if codec.playout_rate() == kind.rate() {
                let plain: Vec<f32> = pcm.iter().map(|s| (s * 32768.0).round() / 32768.0).collect();
                assert_eq!(expected, plain[..expected.len()]);
            }
        }
    }
}

/// Losses at 44.1 kHz, whose packets of 5 ms are 220 and 221 samples: hours of gaps shift nothing.
#[test]
fn gaps_at_rates_that_are_converted_stay_exact() {
    for rate in [44_100, 22_050, 11_025] {
        let codec = Codec::L16(Linear::new(rate, 1).unwrap());
        // Noise: it is found in one place only.
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        let noise: Vec<f32> = (0..rate * 4).map(|_| rng.random_range(-0.2..0.2)).collect();
        let sent = coded(codec, 97, &noise, 5.0);
        let expected = decoded(codec, &sent);
        let kept: Vec<Sent> = sent
            .iter()
            .enumerate()
            .filter(|(i, _)| i % 9 != 4)
            .map(|(_, s)| s.clone())
            .collect();
        let mut player = Player::new(PayloadMap::new().with(97, Format::Audio(codec)));
        let settings = PlayoutSettings {
            min_delay: ms(90.0),
            ..PlayoutSettings::default()
        };
        player.playout = Playout::new(&PayloadMap::new().with(97, Format::Audio(codec)), settings).unwrap();
        let played = kept.len() as u64;
        let run = player.play(kept);
        let f = run.figures;
        assert_eq!((f.played, f.late, f.shortened_ms), (played, 0, 0), "{rate}: {f:?}");
        let lost_ms = (sent.len() as u64 - played) * 5;
        assert!(f.concealed_ms.abs_diff(lost_ms) <= 8, "{rate}: {f:?}, {lost_ms}");
        // The last 10 ms are where they would be without a loss, to the sample.
        let first = find(&run.out, &expected[..480]).unwrap();
        let tail = &expected[expected.len() - 480..];
        let from = run.out.len() - 5 * 960;
        let nearest = (0..4 * 960)
            .min_by(|a, b| {
                let far = |at: usize| {
                    let x = &run.out[from + at..from + at + 480];
                    x.iter().zip(tail).map(|(x, y)| (x - y).powi(2)).sum::<f32>()
                };
                far(*a).total_cmp(&far(*b))
            })
            .unwrap();
        let shift = (from + nearest) as i64 - (first + expected.len() - 480) as i64;
        assert!(
            f.stretched_ms == 0 && shift.abs() <= 2,
            "{rate}: {shift} samples, {f:?}"
        );
    }
}

/// What packets of each codec can be as long as, ms (RFC 3551 Table 1: any number of samples; RFC 7587 §4.2: 2.5, 5, 10, 20,
/// 40 and 60, and what a packet of several frames makes of them, up to 120).
fn lengths(codec: Codec) -> &'static [f64] {
    match codec {
        Codec::Opus => &[2.5, 5.0, 10.0, 20.0, 40.0, 60.0, 100.0, 120.0],
        // Longer ones than 3840 octets come in no datagram of an Ethernet without fragments.
        Codec::L16(kind) if kind.rate() >= 32_000 => &[2.5, 5.0, 10.0, 20.0],
        Codec::L16(_) => &[2.5, 5.0, 10.0, 20.0, 30.0, 40.0],
        _ => &[2.5, 5.0, 10.0, 20.0, 30.0, 40.0, 60.0, 100.0, 120.0],
    }
}

fn all_codecs() -> Vec<Codec> {
    let linear = [(8_000, 1), (44_100, 2), (48_000, 1)].map(|(rate, n)| Codec::L16(Linear::new(rate, n).unwrap()));
    [Codec::Pcmu, Codec::Pcma, Codec::G722, Codec::Opus]
        .into_iter()
        .chain(linear)
        .collect()
}

fn map_of(codec: Codec) -> PayloadMap {
    PayloadMap::new().with(97, Format::Audio(codec))
}

/// From 2.5 to 120 ms a packet: what is decoded comes out sample for sample, each packet once, nothing made up.
#[test]
fn packets_of_every_length_are_whole() {
    for codec in all_codecs() {
        let pcm = voice_at(codec.sample_rate(), 2400);
        for length in lengths(codec) {
            let sent = coded(codec, 97, &pcm, *length);
            let count = sent.len() as u64;
            let expected = decoded(codec, &sent);
            let run = Player::new(map_of(codec)).play(sent);
            let f = run.figures;
            let counts = (f.played, f.late, f.concealed_ms, f.overflowed);
            assert_eq!(counts, (count, 0, 0, 0), "{codec:?} {length} ms");
            assert_eq!((f.shortened_ms, f.stretched_ms), (0, 0), "{codec:?} {length} ms");
            let at = find(&run.out, &expected).unwrap_or_else(|| panic!("{codec:?} {length} ms"));
            let delay = at as f64 * 1000.0 / f64::from(codec.playout_rate()) - 100.0;
            assert!((19.9..=25.1).contains(&delay), "{codec:?} {length} ms: {delay}");
        }
    }
}

/// One in sixteen is missing, at each length: the figures say so, the time line stays where it was, and what has no memory is
/// the same again after each hole.
#[test]
fn holes_of_every_length_are_filled() {
    for codec in all_codecs() {
        for length in lengths(codec) {
            // Noise: it is found in one place only.
            let mut rng = ChaCha8Rng::seed_from_u64(1);
            let samples = f64::from(codec.sample_rate()) * (length * 64.0 + 1000.0) / 1000.0;
            let pcm: Vec<f32> = (0..samples as usize).map(|_| rng.random_range(-0.2..0.2)).collect();
            let sent = coded(codec, 97, &pcm, *length);
            let expected = decoded(codec, &sent);
            let whole = sent.len() - 16;
            let kept: Vec<Sent> = sent
                .iter()
                .enumerate()
                .filter(|(i, _)| i % 16 != 9 || *i >= whole)
                .map(|(_, s)| s.clone())
                .collect();
            let lost = sent.len() - kept.len();
            let settings = PlayoutSettings {
                min_delay: ms(length + 30.0),
                ..PlayoutSettings::default()
            };
            let mut player = Player::new(map_of(codec));
            player.playout = Playout::new(&map_of(codec), settings).unwrap();
            let played = kept.len() as u64;
            let run = player.play(kept);
            let f = run.figures;
            assert_eq!((f.played, f.late), (played, 0), "{codec:?} {length} ms: {f:?}");
            // Concealment goes on for some ms beside what comes after a hole, and fades out in long ones.
            let most = (length + 10.0) * lost as f64;
            let least = length.min(50.0) * lost as f64 * 0.9 - 2.0;
            let concealed = f.concealed_ms as f64;
            assert!(
                (least..=most).contains(&concealed),
                "{codec:?} {length} ms: {f:?}, {least} to {most}"
            );
            if matches!(codec, Codec::L16(kind) if kind.rate() != codec.playout_rate()) {
                // To the sample: `gaps_at_rates_that_are_converted_stay_exact`.
                continue;
            }
            // Where the first packets play is known; where the last ones should, too.
            let rate = codec.playout_rate() as usize;
            let first = find(&run.out, &expected[..rate / 200]).unwrap_or_else(|| panic!("{codec:?} {length} ms"));
            let tail = &expected[expected.len() - rate / 50..expected.len() - rate / 100];
            let due = first + expected.len() - rate / 50;
            let shift = f.stretched_ms as i64 - f.shortened_ms as i64;
            let near = rate / 1000 * (shift.unsigned_abs() as usize + 3);
            let window = &run.out[due.saturating_sub(near)..(due + near + tail.len()).min(run.out.len())];
            let energy: f32 = tail.iter().map(|x| x * x).sum();
            let off = window
                .windows(tail.len())
                .map(|w| w.iter().zip(tail).map(|(x, y)| (x - y).powi(2)).sum::<f32>())
                .fold(f32::MAX, f32::min);
            assert!(off < energy * 0.1, "{codec:?} {length} ms: {off} of {energy}, {f:?}");
        }
    }
}

/// A sender that changes the length of its packets as it goes (RFC 3551 §4.2 leaves it free).
#[test]
fn the_length_of_packets_may_change() {
    for codec in all_codecs() {
        let pcm = voice_at(codec.sample_rate(), 4000);
        let mut sent: Vec<Sent> = Vec::new();
        let mut encoder = Encoder::new(codec).unwrap();
        let rate = codec.sample_rate() as usize;
        let mut from = 0;
        for length in [20.0, 10.0, 40.0, 2.5, 5.0, 20.0, 40.0, 10.0].iter().cycle() {
            let to = from + (rate as f64 * length / 1000.0) as usize / 2 * 2;
            if to > pcm.len() || codec == Codec::L16(Linear::new(44_100, 2).unwrap()) && *length > 20.0 {
                break;
            }
            let mut payload = Vec::new();
            encoder.encode(&pcm[from..to], &mut payload).unwrap();
            sent.push(Sent {
                seq: 70_000 + sent.len() as u64,
                timestamp: (from as u64 * u64::from(codec.clock_rate()) / rate as u64) as u32,
                payload_type: 97,
                restart: false,
                // A packet is sent when its last sample is known.
                arrival_ms: 100.0 + to as f64 * 1000.0 / rate as f64,
                payload,
            });
            from = to;
        }
        let count = sent.len() as u64;
        let expected = decoded(codec, &sent);
        let mut player = Player::new(map_of(codec));
        let settings = PlayoutSettings {
            min_delay: ms(60.0),
            ..PlayoutSettings::default()
        };
        player.playout = Playout::new(&map_of(codec), settings).unwrap();
        let run = player.play(sent);
        let f = run.figures;
        assert_eq!((f.played, f.late, f.concealed_ms), (count, 0, 0), "{codec:?}: {f:?}");
        assert_eq!((f.shortened_ms, f.stretched_ms), (0, 0), "{codec:?}");
        assert!(find(&run.out, &expected).is_some(), "{codec:?}");
    }
}
