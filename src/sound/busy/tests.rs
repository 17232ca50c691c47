use super::*;
use crate::media::g711;
use crate::sound::recordings;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// A tone as an exchange sends it.
#[derive(Clone)]
struct Sent {
    tones: Vec<f32>,
    /// Bursts and gaps in turn, s.
    cadence: Vec<f32>,
    /// Deviation of the pitch, and factor of the cadence.
    offset: f32,
    stretch: f32,
    /// dBm0 of each tone, and signal to noise, dB.
    level: f32,
    snr: f32,
    rate: u32,
}

impl Sent {
    fn of(tones: &[f32], cadence: &[f32]) -> Sent {
        Sent {
            tones: tones.to_vec(),
            cadence: cadence.to_vec(),
            offset: 0.0,
            stretch: 1.0,
            level: -20.0,
            snr: 30.0,
            rate: 8000,
        }
    }

    fn samples(&self, seconds: f32) -> Vec<f32> {
        let mut rng = ChaCha8Rng::seed_from_u64(5);
        let amplitude = dtmf::amplitude(self.level);
        let noise = amplitude * (self.tones.len() as f32 / 2.0).sqrt() * 10f32.powf(-self.snr / 20.0) * 3f32.sqrt();
        let whole: f32 = self.cadence.iter().sum::<f32>() * self.stretch;
        (0..(seconds * self.rate as f32) as usize)
            .map(|n| {
                let t = n as f32 / self.rate as f32;
                let mut within = (t + 0.13) % whole;
                let place = self.cadence.iter().position(|length| {
                    within -= length * self.stretch;
                    within < 0.0
                });
                let sounds = place.is_some_and(|p| p % 2 == 0);
                let tone: f32 = self
                    .tones
                    .iter()
                    .map(|hz| (TAU * hz * (1.0 + self.offset) * t).sin() * amplitude)
                    .sum();
                f32::from(sounds) * tone + noise * rng.random_range(-1.0..1.0)
            })
            .collect()
    }
}

/// Seconds until the plan's detector hears it, from blocks of 5 ms.
fn heard(plan: Plan, samples: &[f32], rate: u32) -> Option<f32> {
    let mut detector = BusyDetector::new(plan);
    let block = rate as usize / 200;
    let at = samples.chunks(block).position(|b| detector.hear(b, rate))?;
    Some((at * block) as f32 / rate as f32)
}

/// The tones of STANDARDS' tables (Supplement 2 to E.180, by two public tables), where they agree.
fn national() -> Vec<(Plan, Sent)> {
    let even = |t: f32| vec![t, t];
    let list: [(Plan, &[f32], Vec<f32>); 15] = [
        (Plan::NorthAmerica, &[480.0, 620.0], even(0.5)),
        (Plan::NorthAmerica, &[480.0, 620.0], even(0.25)),
        (Plan::Uk, &[400.0], even(0.375)),
        (Plan::Uk, &[400.0], vec![0.4, 0.35, 0.225, 0.525]),
        (Plan::Germany, &[425.0], even(0.48)),
        (Plan::Germany, &[425.0], even(0.24)),
        (Plan::France, &[440.0], even(0.5)),
        (Plan::France, &[440.0], even(0.25)),
        (Plan::Australia, &[400.0], even(0.375)),
        (Plan::Australia, &[425.0], even(0.375)),
        (Plan::Japan, &[400.0], even(0.5)),
        (Plan::Itu, &[425.0], even(0.48)),
        (Plan::Itu, &[425.0], even(0.24)),
        (Plan::Itu, &[425.0], vec![0.2, 0.6]),
        (Plan::Itu, &[425.0], vec![0.5, 0.2]),
    ];
    list.into_iter()
        .map(|(plan, tones, cadence)| (plan, Sent::of(tones, &cadence)))
        .collect()
}

#[test]
fn every_plans_tones_are_heard_within_five_cycles() {
    for (plan, sent) in national() {
        let at = heard(plan, &sent.samples(8.0), 8000);
        let cycle: f32 = sent.cadence.iter().sum::<f32>() * 2.0 / sent.cadence.len() as f32;
        assert!(
            at.is_some_and(|t| t < 5.0 * cycle + 0.2),
            "{plan:?} {:?}: {at:?}",
            sent.cadence
        );
    }
}

#[test]
fn off_pitch_off_beat_soft_loud_and_noisy_ones_are_heard() {
    for (plan, sent) in national() {
        for change in [
            Sent {
                offset: 0.015,
                ..sent.clone()
            },
            Sent {
                offset: -0.015,
                ..sent.clone()
            },
            Sent {
                stretch: 1.08,
                ..sent.clone()
            },
            Sent {
                stretch: 0.92,
                ..sent.clone()
            },
            Sent {
                level: -40.0,
                ..sent.clone()
            },
            Sent {
                level: -3.0,
                ..sent.clone()
            },
            Sent {
                snr: 20.0,
                ..sent.clone()
            },
            Sent {
                rate: 16_000,
                ..sent.clone()
            },
            Sent {
                rate: 11_025,
                ..sent.clone()
            },
            Sent {
                rate: 48_000,
                ..sent.clone()
            },
        ] {
            let at = heard(plan, &change.samples(10.0), change.rate);
            assert!(
                at.is_some(),
                "{plan:?} {:?}: {} {} {} {} {}",
                sent.cadence,
                change.offset,
                change.stretch,
                change.level,
                change.snr,
                change.rate
            );
        }
        for law in [
            (|x| g711::ULAW[usize::from(g711::ulaw_encode(x))]) as fn(i16) -> i16,
            |x| g711::ALAW[usize::from(g711::alaw_encode(x))],
        ] {
            let coded: Vec<f32> = sent
                .samples(8.0)
                .iter()
                .map(|x| f32::from(law(g711::to_i16(*x))) / 32_768.0)
                .collect();
            assert!(heard(plan, &coded, 8000).is_some(), "{plan:?} {:?}", sent.cadence);
        }
    }
}

/// Another pitch, another beat, a steady tone; ringing tones (STANDARDS' tables); none is a busy tone.
#[test]
fn other_tones_are_none() {
    let others = [
        Sent::of(&[425.0], &[1.0, 4.0]),
        Sent::of(&[425.0], &[60.0]),
        Sent::of(&[440.0], &[1.5, 3.5]),
        Sent::of(&[440.0, 480.0], &[2.0, 4.0]),
        Sent::of(&[350.0, 440.0], &[60.0]),
        Sent::of(&[400.0, 450.0], &[0.4, 0.2, 0.4, 2.0]),
        Sent::of(&[413.0, 438.0], &[0.4, 0.2, 0.4, 2.0]),
        Sent::of(&[400.0], &[1.0, 2.0]),
        Sent::of(&[950.0], &[0.33, 0.33]),
        Sent::of(&[1400.0, 2060.0], &[0.1, 0.1]),
        Sent::of(&[697.0, 1209.0], &[0.25, 0.25]),
        Sent::of(&[480.0], &[0.5, 0.5]),
        Sent::of(&[620.0], &[0.25, 0.25]),
        Sent::of(&[460.0], &[0.5, 0.5]),
        Sent::of(&[380.0], &[0.375, 0.375]),
        Sent::of(&[425.0, 850.0], &[0.5, 0.5]),
    ];
    for sent in others {
        for plan in Plan::ALL {
            let at = heard(plan, &sent.samples(20.0), 8000);
            assert_eq!(at, None, "{plan:?} {:?} {:?}", sent.tones, sent.cadence);
        }
    }
    // Each plan's own pitch at a beat that is none of its own.
    for (plan, sent) in national() {
        let slow = Sent {
            stretch: 1.4,
            ..sent.clone()
        };
        if plan != Plan::Itu {
            assert_eq!(
                heard(plan, &slow.samples(12.0), 8000),
                None,
                "{plan:?} {:?}",
                sent.cadence
            );
        }
        let off = Sent {
            offset: 0.05,
            ..sent.clone()
        };
        if plan != Plan::Australia {
            assert_eq!(
                heard(plan, &off.samples(12.0), 8000),
                None,
                "{plan:?} {:?}",
                sent.cadence
            );
        }
    }
}

/// Talk-off: real speech, where it is installed.
#[test]
fn speech_is_no_busy_tone() {
    for (name, samples) in recordings::all() {
        for plan in Plan::ALL {
            assert_eq!(heard(plan, &samples, recordings::RATE), None, "{plan:?} {name}");
        }
    }
}

/// A melody on a pure tone keeps a beat, but not the pitch; noise has neither.
#[test]
fn melodies_and_noise_are_none() {
    let mut rng = ChaCha8Rng::seed_from_u64(6);
    let notes: Vec<f32> = (0..80)
        .map(|_| 261.6 * 2f32.powf(rng.random_range(0..12) as f32 / 12.0))
        .collect();
    let melody: Vec<f32> = (0..8000 * 20)
        .map(|n| {
            let t = n as f32 / 8000.0;
            let within = t % 0.25;
            0.2 * (TAU * notes[(t / 0.25) as usize] * t).sin() * (-within * 8.0).exp()
        })
        .collect();
    let noise: Vec<f32> = (0..8000 * 20).map(|_| rng.random_range(-0.2..0.2)).collect();
    for plan in Plan::ALL {
        assert_eq!(heard(plan, &melody, 8000), None, "{plan:?}");
        assert_eq!(heard(plan, &noise, 8000), None, "{plan:?}");
    }
}

#[test]
fn speech_before_it_does_not_hide_it_and_odd_input_harms_nothing() {
    let sent = Sent {
        rate: recordings::RATE,
        ..Sent::of(&[425.0], &[0.48, 0.48])
    };
    let mut samples: Vec<f32> = recordings::all()
        .first()
        .map_or(Vec::new(), |(_, samples)| samples.clone());
    let from = samples.len() as f32 / recordings::RATE as f32;
    samples.extend(sent.samples(6.0));
    assert!(heard(Plan::Itu, &samples, recordings::RATE).is_some_and(|t| t > from));
    let mut detector = BusyDetector::new(Plan::Itu);
    for rate in [0, 1, 6999, 7000, 8000, 44_100, 48_000, 192_000, u32::MAX] {
        assert!(!detector.hear(&[f32::NAN, f32::INFINITY, f32::MAX, -1.0, 0.0], rate));
        assert!(!detector.hear(&[f32::MIN; 4000], rate));
    }
}
