#![allow(clippy::disallowed_methods)]

use std::f32::consts::TAU;

use super::*;
use crate::sound::level::Db;
use crate::sound::recordings;
use crate::sound::resample::{Bank, Upsampler};
use crate::sound::speech_level::SpeechLevel;

const SETTINGS: VoxSettings = VoxSettings {
    threshold: Dbfs(-40.0),
    attack: Duration::from_millis(20),
    hang: Duration::from_secs(2),
};

/// What went through: for each opening the block numbers, and after how many blocks in all it closed.
#[derive(Debug, Default)]
struct Heard {
    spans: Vec<(Vec<u64>, Option<u64>)>,
}

/// Runs a signal through a gate; every block that passes must be the block that went in.
fn run(vox: &mut Vox, signal: &[f32]) -> Heard {
    let began = Instant::now();
    let mut heard = Heard::default();
    let blocks: Vec<&[f32]> = signal.chunks_exact(BLOCK).collect();
    for (n, block) in blocks.iter().enumerate() {
        let at = began + Duration::from_millis(5) * n as u32;
        let block = <&[f32; BLOCK]>::try_from(*block).expect("a block");
        vox.block(block, at, |passed| match passed {
            Passed::Begin => heard.spans.push((Vec::new(), None)),
            Passed::Block {
                samples,
                number,
                arrival,
            } => {
                assert_eq!(samples.as_slice(), blocks[number as usize], "block {number}");
                assert_eq!(arrival, began + Duration::from_millis(5) * number as u32);
                let (span, end) = heard.spans.last_mut().expect("a beginning");
                assert!(end.is_none());
                assert!(
                    span.last().is_none_or(|last| last + 1 == number),
                    "in order, without a gap"
                );
                span.push(number);
            }
            Passed::End => {
                let span = heard.spans.last_mut().expect("a beginning");
                assert_eq!(span.1.replace(n as u64), None);
            }
        });
    }
    heard
}

struct Noise(u32);

impl Noise {
    fn next(&mut self) -> f32 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 17;
        self.0 ^= self.0 << 5;
        self.0 as i32 as f32 / i32::MAX as f32 * 3f32.sqrt()
    }
}

fn noise(level: f32, seconds: f32) -> Vec<f32> {
    let mut noise = Noise(0x2345_6789);
    let amplitude = Dbfs(level).amplitude();
    (0..(seconds * RATE as f32) as usize)
        .map(|_| noise.next() * amplitude)
        .collect()
}

/// A sine of this RMS level.
fn sine(level: f32, pitch: f32, seconds: f32) -> Vec<f32> {
    let amplitude = Dbfs(level).amplitude() * 2f32.sqrt();
    (0..(seconds * RATE as f32) as usize)
        .map(|n| amplitude * (TAU * pitch * n as f32 / RATE as f32).sin())
        .collect()
}

fn mixed(mut a: Vec<f32>, b: &[f32], from: usize) -> Vec<f32> {
    a.iter_mut().skip(from).zip(b).for_each(|(a, b)| *a += b);
    a
}

/// Recorded speech at 48 kHz and −20 dBFS active level.
fn speech() -> Vec<(String, Vec<f32>)> {
    let at_48_khz = |(name, speech): (String, Vec<f32>)| {
        let mut meter = SpeechLevel::new();
        meter.push(&speech, recordings::RATE);
        let gain = Db(-20.0 - meter.level().expect("speech").0.0).factor();
        let (bank, mut upsampler) = (Bank::new(), Upsampler::new());
        let mut out = [0.0; BLOCK];
        let mut up = Vec::new();
        for block in speech.chunks_exact(80) {
            upsampler.process(&bank, recordings::RATE, block, &mut out);
            up.extend(out.iter().map(|x| x * gain));
        }
        (name, up)
    };
    recordings::all().into_iter().map(at_48_khz).collect()
}

/// Real speech in the noise and the hum of a line: it opens once, begins before the first sound of the first syllable, and
/// holds through the pauses.
#[test]
fn speech_opens_with_its_first_syllable_and_without_chatter() {
    for (path, speech) in speech() {
        let before = 4.0 + speech.len() as f32 % 7.0 / 1000.0;
        let line = noise(-62.0, before + speech.len() as f32 / RATE as f32 + 4.0);
        let line = mixed(line, &sine(-38.0, 50.0, 60.0), 0);
        let start = (before * RATE as f32) as usize;
        let line = mixed(line, &speech, start);
        // The first and the last 15 ms that clearly stand out of the recording's own noise and belong to a sound.
        let levels: Vec<f32> = speech
            .chunks(BLOCK)
            .map(|x| (x.iter().map(|x| x * x).sum::<f32>() / x.len() as f32).sqrt())
            .collect();
        let mut sorted = levels.clone();
        sorted.sort_by(f32::total_cmp);
        let clear = Dbfs(-46.0).amplitude().max(4.0 * sorted[sorted.len() / 10]);
        let sounds = |w: &[f32]| w.iter().all(|level| *level > clear);
        let first = start + BLOCK * levels.windows(3).position(sounds).expect("a sound");
        let last = start + BLOCK * (2 + levels.windows(3).rposition(sounds).expect("a sound"));
        let heard = run(&mut Vox::new(SETTINGS), &line);
        assert_eq!(heard.spans.len(), 1, "{}: {:?}", path, heard.spans.len());
        let (span, end) = &heard.spans[0];
        let from = *span.first().expect("blocks") as usize * BLOCK;
        let margin = (first as f32 - from as f32) / 48.0;
        // Kept from before, though not for ever: the page's beginning is its speech.
        assert!((20.0..600.0).contains(&margin), "{}: {margin} ms before", path);
        let after = (end.expect("it closes") as f32 - (last / BLOCK) as f32) * 5.0;
        assert!((1600.0..2600.0).contains(&after), "{}: {after} ms after", path);
    }
}

/// As little as 6 dB above the threshold, and in noise that is nearly there.
#[test]
fn soft_speech_in_noise_is_heard_from_its_beginning() {
    for (path, speech) in speech().into_iter().step_by(3) {
        let soft: Vec<f32> = speech.iter().map(|x| x * Db(-14.0).factor()).collect();
        let line = mixed(noise(-52.0, 6.0 + speech.len() as f32 / RATE as f32), &soft, 3 * 48_000);
        let heard = run(&mut Vox::new(SETTINGS), &line);
        assert!(!heard.spans.is_empty(), "{}", path);
        let sounds =
            |x: &[f32]| (x.iter().map(|x| x * x).sum::<f32>() / x.len() as f32).sqrt() > Dbfs(-42.0).amplitude();
        let first = 3 * 200 + soft.chunks(BLOCK).position(sounds).expect("a sound") as u64;
        assert!(heard.spans[0].0[0] + 4 < first, "{}", path);
    }
}

#[test]
fn what_is_no_speech_does_not_open_it() {
    let clicks = |every: usize, length: usize| {
        let mut line = noise(-70.0, 10.0);
        for at in (48_000..line.len()).step_by(every) {
            for (n, x) in line[at..].iter_mut().take(length).enumerate() {
                *x += if n % 2 == 0 { 0.95 } else { -0.95 };
            }
        }
        line
    };
    let steps = || {
        let mut line = noise(-70.0, 10.0);
        for (n, x) in line.iter_mut().enumerate() {
            *x += if n / 30_011 % 2 == 0 { -0.5 } else { 0.5 };
        }
        line
    };
    let buzz = |level: f32, mains: f32| {
        let mut line = vec![0.0; 480_000];
        for harmonic in 1..30 {
            let part = sine(level - 20.0 * (harmonic as f32).log10(), mains * harmonic as f32, 10.0);
            line = mixed(line, &part, 0);
        }
        line
    };
    for (what, line) in [
        ("silence", vec![0.0; 480_000]),
        ("full direct current", vec![0.99; 480_000]),
        ("single samples", clicks(9_001, 1)),
        ("1 ms", clicks(9_001, 48)),
        ("5 ms", clicks(9_001, 240)),
        ("plugs and switches", steps()),
        ("hum of 50 Hz", sine(-15.0, 50.0, 10.0)),
        ("hum of 60 Hz", sine(-18.0, 60.0, 10.0)),
        ("buzz of 50 Hz", buzz(-30.0, 50.0)),
        ("buzz of 60 Hz", buzz(-30.0, 60.0)),
        ("noise below the threshold", noise(-42.0, 10.0)),
        ("noise above the threshold, from the beginning", noise(-32.0, 10.0)),
    ] {
        let heard = run(&mut Vox::new(SETTINGS), &line);
        assert!(heard.spans.is_empty(), "{what}: {:?}", heard.spans[0].0.first());
    }
}

#[test]
fn attack_and_hang_are_kept() {
    for (attack, length, opens) in [
        (20, 15, false),
        (20, 30, true),
        (100, 90, false),
        (100, 110, true),
        (200, 215, true),
    ] {
        let settings = VoxSettings {
            attack: Duration::from_millis(attack),
            hang: Duration::from_millis(500),
            ..SETTINGS
        };
        let tone = sine(-30.0, 800.0, length as f32 / 1000.0);
        let line = mixed(vec![0.0; 4 * 48_000], &tone, 96_000);
        let heard = run(&mut Vox::new(settings), &line);
        assert_eq!(!heard.spans.is_empty(), opens, "{attack} ms, {length} ms of tone");
        if opens {
            let (span, end) = &heard.spans[0];
            assert_eq!(span[0], 400 - BEFORE as u64, "of silence only a little is kept");
            let end = end.expect("it closes");
            let want = 400 + length as u64 / 5 + 100;
            assert!((want - 2..want + 4).contains(&end), "{end}, not {want}");
        }
    }
}

/// A hiss far below the threshold belongs to the syllable that follows it.
#[test]
fn a_soft_consonant_before_the_sound_is_kept() {
    for (length, kept) in [(50, 50), (250, 250), (600, 300)] {
        let hiss = noise(-54.0, length as f32 / 1000.0);
        let line = [noise(-72.0, 3.0), hiss, sine(-20.0, 300.0, 1.0), noise(-72.0, 3.0)].concat();
        let heard = run(&mut Vox::new(SETTINGS), &line);
        let vowel = 600 + length / 5;
        let before = (vowel - heard.spans[0].0[0]) * 5;
        assert!(
            (kept..=kept + 45).contains(&before),
            "{length} ms of hiss: {before} ms before the vowel"
        );
    }
}

/// Below the threshold, but not by more than the hysteresis, it stays open.
#[test]
fn hysteresis_holds_what_has_begun() {
    let line = [
        sine(-36.0, 500.0, 1.0),
        sine(-44.0, 500.0, 6.0),
        sine(-48.0, 500.0, 4.0),
    ]
    .concat();
    let line = [vec![0.0; 48_000], line].concat();
    let heard = run(&mut Vox::new(SETTINGS), &line);
    assert_eq!(heard.spans.len(), 1);
    let end = heard.spans[0].1.expect("it closes");
    assert!((1600 + 395..1600 + 410).contains(&end), "{end}");
}

/// A steady sound opens and holds for as long as it lasts: it may be an alarm. Limits end its page, not the gate.
#[test]
fn a_steady_tone_is_a_source_too() {
    let line = [noise(-70.0, 2.0), sine(-20.0, 970.0, 60.0), noise(-70.0, 5.0)].concat();
    let heard = run(&mut Vox::new(SETTINGS), &line);
    assert_eq!(heard.spans.len(), 1);
    assert!(heard.spans[0].0.len() > 200 * 61);
}

#[test]
fn after_a_hole_only_what_follows_it_is_kept() {
    let mut vox = Vox::new(SETTINGS);
    run(&mut vox, &noise(-80.0, 2.0));
    vox.skip(7);
    let began = Instant::now();
    let mut numbers = Vec::new();
    for block in sine(-20.0, 500.0, 0.5).chunks_exact(BLOCK) {
        vox.block(block.try_into().expect("a block"), began, |passed| {
            if let Passed::Block { number, .. } = passed {
                numbers.push(number);
            }
        });
    }
    assert_eq!(numbers.first(), Some(&407), "400 blocks, and 7 that are missing");
    assert_eq!(numbers.len(), 100);
    assert!(vox.is_open());
    let mut ends = 0;
    vox.reset(|passed| ends += u32::from(passed == Passed::End));
    vox.reset(|passed| ends += u32::from(passed == Passed::End));
    assert_eq!((ends, vox.is_open()), (1, false));
}

#[test]
fn bad_samples_do_no_harm() {
    let mut vox = Vox::new(SETTINGS);
    let began = Instant::now();
    for x in [f32::NAN, f32::INFINITY, 1e30, 0.0] {
        vox.block(&[x; BLOCK], began, |_| {});
    }
    let line = [vec![0.0; 96_000], sine(-20.0, 500.0, 1.0)].concat();
    let mut opened = 0;
    for block in line.chunks_exact(BLOCK) {
        vox.block(block.try_into().expect("a block"), began, |p| {
            opened += u32::from(p == Passed::Begin)
        });
    }
    assert_eq!(opened, 1);
}
