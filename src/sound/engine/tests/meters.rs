use super::*;

/// A tone of 1 kHz that fills every reading with whole periods.
fn sine(amplitude: f32, ms: usize) -> Vec<f32> {
    (0..ms * 48)
        .map(|n| amplitude * (TAU * 1000.0 * n as f32 / 48_000.0).sin())
        .collect()
}

fn with(gain: f32, ceiling: f32) -> Bench {
    let zone = |zone, channel| ZoneOutput {
        zone,
        channel,
        gain: Db(gain),
        filters: Vec::new(),
        ceiling: Dbfs(ceiling),
    };
    Bench::with(&[zone(FRONT, 0), zone(YARD, 1)], 2)
}

fn play(bench: &mut Bench, amplitude: f32, ms: usize) {
    let mut feed = bench.attach(1, 48_000);
    feed.samples(&sine(amplitude, ms));
    bench.speak(FRONT, 1);
    bench.run(ms);
}

/// RMS of a sine: 3.01 dB below its peak (computed).
#[test]
fn a_sounding_zone_tells_its_level_behind_its_gain() {
    let mut bench = with(-6.0, 0.0);
    play(&mut bench, 0.1, 1000);
    assert!((9..=10).contains(&bench.meters.len()), "{}", bench.meters.len());
    assert!(bench.meters.iter().all(|(zone, _)| *zone == FRONT));
    for (_, reading) in &bench.meters[2..] {
        assert!((reading.rms.0 + 29.01).abs() < 0.05, "{reading:?}");
        assert!((reading.peak.0 + 26.0).abs() < 0.05, "{reading:?}");
        assert_eq!(reading.reduction, Db(0.0));
    }
}

#[test]
fn the_limiter_tells_what_it_takes_off() {
    let mut bench = with(0.0, -12.0);
    play(&mut bench, 0.5, 1000);
    for (_, reading) in &bench.meters[2..] {
        assert!((reading.peak.0 + 12.0).abs() < 0.05, "{reading:?}");
        assert!((reading.reduction.0 - 5.98).abs() < 0.05, "{reading:?}");
    }
}

/// Silence is told once, until something sounds again: a zone at rest is not heard of, and its next reading does not count the rest.
#[test]
fn silence_is_told_once() {
    let mut bench = with(0.0, 0.0);
    bench.run(1000);
    assert!(bench.meters.is_empty());
    play(&mut bench, 0.1, 330);
    bench.run(4000);
    let silent = bench.meters.iter().filter(|(_, reading)| reading.peak.0 <= -120.0);
    assert_eq!(silent.count(), 1, "{:?}", bench.meters);
    assert_eq!(bench.meters.last().map(|(_, reading)| reading.peak), Some(Dbfs(-120.0)));
    let before = bench.meters.len();
    play(&mut bench, 0.1, 400);
    let (_, first) = bench.meters[before];
    assert!((first.rms.0 + 23.01).abs() < 0.5, "{first:?}");
}
