use super::*;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// All sixteen keys, some beside themselves.
const DIALLED: &str = "1A2B3C4D5*6#70892255";

/// What is dialled, and over which line.
#[derive(Clone, Copy)]
struct Line {
    rate: u32,
    /// Milliseconds.
    on: f32,
    off: f32,
    /// An interruption in the middle of each key, ms.
    hole: f32,
    /// Deviation of the low and the high tone, and their levels in dBm0.
    offset: [f32; 2],
    level: [f32; 2],
    /// Signal to noise, dB.
    snr: f32,
    loss: f64,
}

/// 10 keys a second, over a good line.
const GOOD: Line = Line {
    rate: 8000,
    on: 50.0,
    off: 50.0,
    hole: 0.0,
    offset: [0.0; 2],
    level: [-10.0, -8.0],
    snr: 40.0,
    loss: 0.0,
};

fn heard(line: Line) -> String {
    let mut rng = ChaCha8Rng::seed_from_u64(11);
    let samples = |ms: f32| (ms * line.rate as f32 / 1000.0).round() as usize;
    let mut pcm = vec![0.0f32; samples(33.0)];
    for key in DIALLED.bytes() {
        let row = KEYS.iter().position(|r| r.contains(&key)).unwrap();
        let column = KEYS[row].iter().position(|k| *k == key).unwrap();
        let tones = [(0, FREQUENCIES[row]), (1, FREQUENCIES[4 + column])].map(|(i, hz)| {
            let turn = TAU * hz * (1.0 + line.offset[i]) / line.rate as f32;
            (turn, TAU * rng.random::<f32>(), amplitude(line.level[i]))
        });
        let (n, hole) = (samples(line.on), samples(line.hole));
        pcm.extend((0..n).map(|i| {
            let silent = (n / 2..n / 2 + hole).contains(&i);
            let x: f32 = tones
                .iter()
                .map(|(turn, phase, a)| a * (turn * i as f32 + phase).sin())
                .sum();
            if silent { 0.0 } else { x }
        }));
        // No two keys lie alike on the detector's steps.
        pcm.resize(pcm.len() + samples(line.off + 4.0 * rng.random::<f32>()), 0.0);
    }
    pcm.resize(pcm.len() + samples(100.0), 0.0);
    let power: f32 = line.level.iter().map(|l| amplitude(*l).powi(2) / 2.0).sum();
    // Uniform noise of amplitude a has a mean square of a²/3.
    let noise = (3.0 * power / 10f32.powf(line.snr / 10.0)).sqrt();
    let mut detector = DtmfDetector::new();
    let mut keys = String::new();
    for packet in pcm.chunks(line.rate as usize / 50) {
        if rng.random_bool(line.loss) {
            detector.lose(packet.len(), line.rate);
        } else {
            let packet: Vec<f32> = packet
                .iter()
                .map(|x| (x + noise * rng.random_range(-1.0..1.0)).clamp(-1.0, 1.0))
                .collect();
            detector.block(&packet, line.rate);
        }
        keys.extend(std::iter::from_fn(|| detector.poll()));
    }
    keys
}

#[track_caller]
fn all(what: &str, line: Line) {
    assert_eq!(heard(line), DIALLED, "{what}");
}

#[track_caller]
fn none(what: &str, line: Line) {
    assert_eq!(heard(line), "", "{what}");
}

/// Q.24 Table A-1 by RFC 4733 §3.1: 8 to 10 digits a second.
#[test]
fn hears_ten_keys_a_second_at_every_rate() {
    for rate in [8000, 16_000, 24_000, 48_000] {
        all("rate", Line { rate, ..GOOD });
    }
    none("a rate that nothing here has", Line { rate: 11_025, ..GOOD });
}

/// Q.24: 40 ms is a key, 23 ms (a university's course text) is none; a pause of 40 ms separates.
#[test]
fn lengths() {
    for snr in [40.0, 20.0] {
        all(
            "40 ms",
            Line {
                on: 40.0,
                off: 40.0,
                snr,
                ..GOOD
            },
        );
        none("23 ms", Line { on: 23.0, snr, ..GOOD });
    }
    none("10 ms", Line { on: 10.0, ..GOOD });
}

/// Q.24: an interruption of 10 ms is none.
#[test]
fn interruptions() {
    for hole in [2.0, 5.0, 10.0] {
        all(
            "interrupted",
            Line {
                on: 100.0,
                hole,
                ..GOOD
            },
        );
    }
}

/// Q.24 as spandsp's test notes give it: ±1.5 % must be heard, with 2 Hz more in North America (from memory); Q.23
/// lets senders have ±1.8 %; ±3.5 % must not be heard, be it of one tone alone.
#[test]
fn frequencies() {
    for d in [-0.018, -0.015, 0.015, 0.018] {
        for offset in [[d, d], [d, -d], [d, 0.0], [0.0, d]] {
            all(
                "within",
                Line {
                    offset,
                    snr: 25.0,
                    ..GOOD
                },
            );
        }
    }
    for d in [-0.035, 0.035, -0.06, 0.06] {
        for offset in [[d, d], [d, 0.0], [0.0, d]] {
            none(
                "beyond",
                Line {
                    offset,
                    snr: 25.0,
                    ..GOOD
                },
            );
        }
    }
}

/// Levels and twist: spandsp's dtmf.c has 8 dB one way and 4 dB the other, North America the same with the ways
/// exchanged (from memory). 0 to −25 dBm0 heard, −29 not: the Q.24 columns of North America and Japan (from memory).
#[test]
fn levels() {
    for level in [
        [0.0, 0.0],
        [-25.0, -25.0],
        [-12.0, -4.0],
        [-4.0, -12.0],
        [-25.0, -21.0],
        [-21.0, -25.0],
    ] {
        all(
            "within",
            Line {
                level,
                snr: 25.0,
                ..GOOD
            },
        );
    }
    for level in [[-29.5, -29.5], [-16.0, -4.0], [-4.0, -16.0]] {
        none("beyond", Line { level, ..GOOD });
    }
}

#[test]
fn noise_and_losses() {
    for snr in [20.0, 15.0, 12.0] {
        all("noise", Line { snr, ..GOOD });
    }
    all(
        "losses",
        Line {
            on: 100.0,
            off: 100.0,
            loss: 0.05,
            ..GOOD
        },
    );
}

/// Tones that telephone lines are full of (STANDARDS of call progress: RFC 4733 Table 4; R1 signalling's pairs), sweeps
/// and chords are no keys.
#[test]
fn other_tones_are_no_keys() {
    let mut pairs = vec![
        [350.0, 440.0],
        [440.0, 480.0],
        [480.0, 620.0],
        [425.0, 425.0],
        [400.0, 450.0],
        [950.0, 1400.0],
        [1400.0, 1800.0],
        [800.0, 800.0],
        [697.0, 697.0],
        [1209.0, 1633.0],
        [697.0, 941.0],
    ];
    // Two voices of a piano, each semitone from A3 to A6; those that lie on a key's frequencies by ±2.6 % left out.
    let on_key = |hz: f32| FREQUENCIES.iter().any(|f| (hz / f - 1.0).abs() < 0.03);
    for a in 0..36 {
        for b in a + 1..36 {
            let [x, y] = [a, b].map(|n| 220.0 * 2f32.powf(n as f32 / 12.0));
            if !(on_key(x) && on_key(y)) {
                pairs.push([x, y]);
            }
        }
    }
    let mut detector = DtmfDetector::new();
    for pair in pairs {
        let pcm: Vec<f32> = (0..1600)
            .map(|i| pair.iter().map(|hz| 0.2 * (TAU * hz * i as f32 / 8000.0).sin()).sum())
            .collect();
        detector.block(&pcm, 8000);
        detector.block(&[0.0; 400], 8000);
        assert_eq!(detector.poll(), None, "{pair:?}");
    }
    let mut phase = [0.0f32; 2];
    for i in 0..1600 {
        for (p, hz) in phase.iter_mut().zip([500.0, 1000.0]) {
            *p += TAU * hz * (1.0 + i as f32 / 1600.0) / 8000.0;
        }
        detector.block(&[0.2 * phase[0].sin() + 0.2 * phase[1].sin()], 8000);
    }
    assert_eq!(detector.poll(), None, "a sweep");
}

#[test]
fn hum_beside_the_tones_is_passed_over() {
    let mut detector = DtmfDetector::new();
    let pcm: Vec<f32> = (0..800)
        .map(|i| {
            let t = TAU * i as f32 / 8000.0;
            0.1 * (770.0 * t).sin() + 0.1 * (1336.0 * t).sin() + 0.08 * (50.0 * t).sin()
        })
        .collect();
    detector.block(&pcm, 8000);
    assert_eq!(detector.poll(), Some('5'));
}

#[test]
fn hostile_samples_are_harmless() {
    let mut detector = DtmfDetector::new();
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    for i in 0..2000 {
        let bad = [f32::NAN, f32::INFINITY, -1e30, 1e-40, 0.0][i % 5];
        let block: Vec<f32> = (0..rng.random_range(0..300))
            .map(|_| if rng.random_bool(0.1) { bad } else { rng.random() })
            .collect();
        detector.block(&block, [0, 1, 8000, 48_000, 44_100, u32::MAX][rng.random_range(0..6)]);
        detector.lose(rng.random_range(0..10_000), [0, 8000, 48_000][i % 3]);
        while detector.poll().is_some() {}
    }
}
