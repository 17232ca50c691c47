use super::*;

/// Magnitude in dB at a frequency, from the impulse response.
fn response(filter: &Filter, frequency: f64, rate: u32) -> f64 {
    let mut filter = filter.clone();
    let mut impulse = vec![0.0f32; rate as usize];
    impulse[0] = 1.0;
    filter.process(&mut impulse);
    let w = 2.0 * PI * frequency / f64::from(rate);
    let (re, im) = impulse.iter().enumerate().fold((0.0, 0.0), |(re, im), (n, x)| {
        (
            re + f64::from(*x) * (w * n as f64).cos(),
            im + f64::from(*x) * (w * n as f64).sin(),
        )
    });
    10.0 * (re * re + im * im).log10()
}

fn near(found: f64, wanted: f64, off: f64) {
    assert!((found - wanted).abs() < off, "{found}, not {wanted}");
}

/// The formula of the gain against the impulse response; two bells at one frequency add up.
#[test]
fn the_gain_is_what_comes_out() {
    let bell = |frequency, gain| Shape::Bell {
        frequency,
        gain,
        q: 1.0,
    };
    let low = Shape::LowShelf {
        frequency: 300.0,
        gain: -6.0,
    };
    for shape in [bell(1000.0, 6.0), low] {
        let filter = Filter::new(shape, 48_000);
        for frequency in [100.0, 300.0, 1000.0, 5000.0] {
            near(
                filter.gain(frequency, 48_000),
                response(&filter, frequency, 48_000),
                0.01,
            );
        }
    }
    near(highest_gain(&[bell(1000.0, 6.0), bell(1000.0, 3.0)], 48_000), 9.0, 0.05);
    near(highest_gain(&[], 48_000), 0.0, 1e-9);
}

/// Butterworth, second order: 3.01 dB down at its frequency, 12 dB an octave below, |H|² = x⁴ / (1 + x⁴) in between.
#[test]
fn high_pass() {
    for rate in [8000, 48_000] {
        let filter = Filter::new(
            Shape::HighPass {
                frequency: 250.0,
                q: BUTTERWORTH,
            },
            rate,
        );
        for frequency in [31.25, 62.5, 125.0, 250.0, 500.0, 1000.0] {
            let x: f64 = frequency / 250.0;
            let wanted = 10.0 * (x.powi(4) / (1.0 + x.powi(4))).log10();
            near(response(&filter, frequency, rate), wanted, 0.2);
        }
        let mut direct = vec![1.0f32; rate as usize];
        let mut filter = filter;
        filter.process(&mut direct);
        assert!(direct[rate as usize - 1].abs() < 1e-4, "direct current is taken out");
    }
}

/// Analogue prototype of a bell: H(s) = (s² + s·A/Q + 1) / (s² + s/(A·Q) + 1).
#[test]
fn bells() {
    for (gain, q) in [(6.0, 1.0), (-9.0, 0.7), (12.0, 4.0), (0.0, 1.0)] {
        let filter = Filter::new(
            Shape::Bell {
                frequency: 1000.0,
                gain,
                q,
            },
            48_000,
        );
        let root = 10f64.powf(gain / 40.0);
        for frequency in [250.0, 500.0, 900.0, 1000.0, 1100.0, 2000.0, 4000.0] {
            let x: f64 = frequency / 1000.0;
            let part = |k: f64| (1.0 - x * x).powi(2) + (x * k / q).powi(2);
            let wanted = 10.0 * (part(root) / part(1.0 / root)).log10();
            near(response(&filter, frequency, 48_000), wanted, 0.1);
        }
    }
}

#[test]
fn shelves() {
    for gain in [8.0, -8.0] {
        let low = Filter::new(Shape::LowShelf { frequency: 500.0, gain }, 48_000);
        let high = Filter::new(Shape::HighShelf { frequency: 500.0, gain }, 48_000);
        for (filter, [below, above]) in [(&low, [gain, 0.0]), (&high, [0.0, gain])] {
            near(response(filter, 20.0, 48_000), below, 0.1);
            near(response(filter, 500.0, 48_000), gain / 2.0, 0.1);
            near(response(filter, 12_000.0, 48_000), above, 0.1);
            // It rises or falls all the way.
            let course: Vec<f64> = (0..40)
                .map(|i| response(filter, 30.0 * 1.17f64.powi(i), 48_000))
                .collect();
            let direction = (above - below).signum();
            assert!(
                course.windows(2).all(|w| (w[1] - w[0]) * direction > -1e-3),
                "{course:?}"
            );
        }
    }
}

#[test]
fn bad_samples_do_not_stay() {
    let shape = Shape::HighPass {
        frequency: 250.0,
        q: BUTTERWORTH,
    };
    let mut filter = Filter::new(shape, 48_000);
    filter.process(&mut [f32::NAN; 240]);
    let mut silence = [0.0; 240];
    filter.process(&mut silence);
    assert!(silence.iter().all(|x| *x == 0.0) && filter.is_silent());
    filter.process(&mut [1.0; 240]);
    assert!(!filter.is_silent());
    for _ in 0..1000 {
        filter.process(&mut [0.0; 240]);
    }
    assert!(filter.is_silent());
    for frequency in [-5.0, 0.0, 24_000.0, 1e9, f64::NAN] {
        let mut filter = Filter::new(Shape::HighPass { frequency, q: 0.0 }, 48_000);
        let mut samples = [0.5; 4800];
        filter.process(&mut samples);
        assert!(
            frequency.is_nan() || samples.iter().all(|x| x.is_finite()),
            "{frequency}"
        );
    }
}
