#![allow(clippy::disallowed_methods)]

use std::f64::consts::TAU;

use super::*;

/// Pushes captured blocks and renders output in simulated time, each by its own clock.
struct Bench {
    input: rtrb::Producer<MusicBlock>,
    follower: Follower,
    broken: Arc<AtomicU64>,
    began: Instant,
    /// Seconds between input blocks, and between output blocks, by the true clock.
    every: [f64; 2],
    /// Blocks that came, and that went.
    came: u64,
    went: u64,
    /// Blocks of the device's and of the card's period.
    periods: [u64; 2],
    gap: bool,
    /// What it plays at each sample of its own.
    wave: fn(f64) -> f64,
    noise: u32,
}

impl Bench {
    /// `ppm`: how much faster the captured clock is than the card's.
    fn new(ppm: f64, periods: [u64; 2], wave: fn(f64) -> f64) -> Self {
        let (input, blocks) = rtrb::RingBuffer::new(MUSIC_QUEUE);
        let broken = Arc::new(AtomicU64::new(0));
        Bench {
            input,
            follower: Follower::new(blocks, Arc::clone(&broken)),
            broken,
            began: Instant::now() + Duration::from_secs(1000),
            every: [BLOCK_SECONDS / (1.0 + ppm * 1e-6), BLOCK_SECONDS],
            came: 0,
            went: 0,
            periods,
            gap: true,
            wave,
            noise: 1,
        }
    }

    /// Lateness of a thread, s: mostly little, now and then 4 ms.
    fn late(&mut self) -> f64 {
        self.noise = self.noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let x = f64::from(self.noise >> 8) / f64::from(1 << 24);
        if x > 0.98 { 0.004 } else { x * 0.0005 }
    }

    fn capture(&mut self) {
        for _ in 0..self.periods[0] {
            let samples = std::array::from_fn(|n| {
                let sample = self.came * BLOCK as u64 + n as u64;
                (self.wave)(sample as f64) as f32
            });
            self.came += 1;
            let at = self.began + Duration::from_secs_f64(self.came as f64 * self.every[0]);
            let block = MusicBlock {
                samples,
                at,
                gap: std::mem::take(&mut self.gap),
            };
            self.gap |= self.input.push(block).is_err();
        }
    }

    /// Runs until `seconds` more have gone out.
    fn run(&mut self, seconds: f64) -> Vec<f32> {
        let mut out = Vec::new();
        let last = self.went + (seconds / BLOCK_SECONDS) as u64;
        while self.went < last {
            let due = self.went as f64 * self.every[1] + self.late();
            while (self.came + self.periods[0]) as f64 * self.every[0] <= due {
                self.capture();
            }
            let now = self.began + Duration::from_secs_f64(due);
            for n in 0..self.periods[1] {
                let mut block = [0.0; BLOCK];
                let ahead = Duration::from_secs_f64(n as f64 * self.every[1]);
                self.follower.fill(&mut block, now + ahead);
                out.extend(block);
                self.went += 1;
            }
        }
        out
    }

    fn broken(&self) -> u64 {
        self.broken.load(Ordering::Relaxed)
    }
}

/// 1 kHz at half scale, by sample number.
fn tone(n: f64) -> f64 {
    0.5 * (TAU * n / 48.0).sin()
}

/// Level of everything but the best-fitting sine near `pitch`, against it, dB; and that sine's amplitude and pitch.
fn beside(signal: &[f32], near: f64) -> (f64, f64, f64) {
    let window = |n: usize| 0.5 - 0.5 * (TAU * n as f64 / signal.len() as f64).cos();
    let bin = |pitch: f64| {
        let (mut re, mut im) = (0.0, 0.0);
        for (n, x) in signal.iter().enumerate() {
            let (s, c) = (TAU * pitch * n as f64 / 48_000.0).sin_cos();
            re += window(n) * f64::from(*x) * c;
            im += window(n) * f64::from(*x) * s;
        }
        re.hypot(im)
    };
    let (mut low, mut high) = (near * 0.998, near * 1.002);
    for _ in 0..50 {
        let (a, b) = (low + (high - low) / 3.0, high - (high - low) / 3.0);
        if bin(a) < bin(b) { low = a } else { high = b }
    }
    let pitch = (low + high) / 2.0;
    let (mut ss, mut sc, mut cc, mut xs, mut xc) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (n, x) in signal.iter().enumerate() {
        let (s, c) = (TAU * pitch * n as f64 / 48_000.0).sin_cos();
        ss += s * s;
        sc += s * c;
        cc += c * c;
        xs += f64::from(*x) * s;
        xc += f64::from(*x) * c;
    }
    let det = ss * cc - sc * sc;
    let (a, b) = ((xs * cc - xc * sc) / det, (xc * ss - xs * sc) / det);
    let rest: f64 = signal
        .iter()
        .enumerate()
        .map(|(n, x)| {
            let (s, c) = (TAU * pitch * n as f64 / 48_000.0).sin_cos();
            (f64::from(*x) - a * s - b * c).powi(2)
        })
        .sum();
    let power = (a * a + b * b) / 2.0;
    (10.0 * (rest / signal.len() as f64 / power).log10(), a.hypot(b), pitch)
}

/// Third difference: a lost, doubled or bent sample stands out of it.
fn roughness(signal: &[f32]) -> f32 {
    let third = |w: &[f32]| (w[3] - 3.0 * w[2] + 3.0 * w[1] - w[0]).abs();
    signal.windows(4).map(third).fold(0.0, f32::max)
}

/// The interpolation by itself, at a ratio that passes every phase: flat to 18 kHz, everything beside the sine 80 dB down.
#[test]
fn interpolation_is_flat_and_clean() {
    let kernel = Kernel::new();
    for pitch in [20.0, 100.0, 1000.0, 5000.0, 10_000.0, 15_000.0, 18_000.0] {
        for ratio in [1.000_5, 0.999_5, 1.000_017] {
            let mut signal = Vec::new();
            let mut position = 0f64;
            while signal.len() < 48_000 {
                let from = position as usize;
                let line: [f32; LINE] = std::array::from_fn(|n| {
                    let t = (from + n) as f64;
                    (0.5 * (TAU * pitch * t / 48_000.0).sin()) as f32
                });
                let mut at = position - from as f64;
                let mut out = [0.0; BLOCK];
                kernel.interpolate(&line, &mut at, ratio, &mut out);
                position = from as f64 + at;
                signal.extend(out);
            }
            let (rest, amplitude, got) = beside(&signal, pitch * ratio);
            let gain = 20.0 * (amplitude / 0.5).log10();
            assert!((got / (pitch * ratio) - 1.0).abs() < 1e-4 || pitch < 100.0);
            assert!(gain.abs() < 0.01, "{pitch} Hz: {gain} dB");
            assert!(rest < -80.0, "{pitch} Hz at {ratio}: {rest} dB beside it");
        }
    }
}

#[test]
fn clocks_apart_stay_in_step_without_a_click_or_a_wobble() {
    for (ppm, periods) in [
        (-500.0, [1, 1]),
        (-80.0, [2, 4]),
        (0.0, [4, 5]),
        (500.0, [2, 2]),
        (500.0, [5, 2]),
    ] {
        let mut bench = Bench::new(ppm, periods, tone);
        let start = bench.run(130.0);
        let first = start.iter().position(|x| *x != 0.0).expect("it begins");
        assert!(first < 7_200, "after {first} frames");
        let settled = bench.run(10.0);
        let (rest, amplitude, pitch) = beside(&settled[..48_000], 1000.0);
        let want = 1000.0 * (1.0 + ppm * 1e-6);
        assert!((amplitude - 0.5).abs() < 0.001, "{amplitude}");
        // Less than a thousandth of a semitone from where the clocks put it.
        assert!((pitch / want - 1.0).abs() < 50e-6, "{ppm} ppm: {pitch} Hz");
        assert!(rest < -40.0, "{ppm} ppm, {periods:?}: {rest} dB of wobble");
        let third = 0.5 * (TAU / 48.0).powi(3);
        let rough = f64::from(roughness(&settled).max(roughness(&start[first + 4_800..]))) / third;
        assert!(rough < 1.1, "{ppm} ppm: {rough}");
        assert_eq!(bench.broken(), 0, "{ppm} ppm, {periods:?}");
    }
}

/// 72 h of the loop alone, at 500 ppm and with clocks that warm up and cool down: the age stays within 10 ms.
#[test]
fn days_pass_and_the_age_stays() {
    let mut pace = Pace::new();
    let mut age = AGE;
    let mut noise = 1u32;
    let mut worst = 0f64;
    for block in 0..72u64 * 3600 * 200 {
        noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let jitter = f64::from(noise >> 8) / f64::from(1 << 24) * 0.002;
        let hours = block as f64 / 720_000.0;
        let ppm = 450.0 + 50.0 * (TAU * hours / 24.0).sin();
        let ratio = pace.follow(age + jitter);
        // The input brings its pace, the output takes `ratio` of it.
        age += BLOCK_SECONDS * (ppm * 1e-6 - (ratio - 1.0));
        assert!((ratio - 1.0).abs() <= MOST_TURN);
        if block > 100_000 {
            worst = worst.max((age - AGE).abs());
        }
    }
    assert!(worst < 0.010, "{worst} s");
}

#[test]
fn it_fades_out_when_it_runs_dry_and_in_again() {
    let mut bench = Bench::new(0.0, [1, 2], tone);
    bench.run(10.0);
    // Nothing comes for a second.
    bench.every[0] = 1e9;
    let dry = bench.run(1.0);
    let last = dry.iter().rposition(|x| *x != 0.0).expect("what was there");
    assert!((2_000..6_000).contains(&last), "{last} frames were left");
    assert_eq!(bench.broken(), 1);
    // It goes on where it is by then, told as a break by the tap.
    bench.every[0] = BLOCK_SECONDS;
    bench.came = bench.went;
    bench.gap = true;
    let back = bench.run(10.0);
    let first = back.iter().position(|x| *x != 0.0).expect("it comes back");
    assert!((3_000..8_000).contains(&first), "after {first} frames");
    let all = [dry, back].concat();
    let third = 0.5 * (TAU / 48.0).powi(3);
    let rough = f64::from(roughness(&all)) / third;
    // A fade over one block is a little rougher than the tone; a cut would give hundreds.
    assert!(rough < 4.0, "{rough}");
    assert_eq!(bench.broken(), 1);
    assert!(bench.follower.pace.wanted > AGE, "it keeps more from now on");
}

#[test]
fn a_hole_in_what_was_captured_is_faded_over_and_is_not_its_own_fault() {
    let mut bench = Bench::new(100.0, [1, 2], tone);
    bench.run(10.0);
    // 7.3 ms are missing, which would be a click.
    bench.wave = |n| tone(n + 350.0);
    bench.gap = true;
    let over = bench.run(2.0);
    let silent = over.iter().filter(|x| **x == 0.0).count();
    assert!(silent < 9_600, "{silent} frames");
    let rough = f64::from(roughness(&over)) / (0.5 * (TAU / 48.0).powi(3));
    assert!(rough < 4.0, "{rough}");
    assert_eq!(bench.broken(), 0);
}

#[test]
fn a_card_that_stood_still_is_not_behind_for_ever() {
    let mut bench = Bench::new(0.0, [1, 2], tone);
    bench.run(10.0);
    // Nobody asks for 3 s: the queue runs over, and what is in it is old.
    let before = bench.went;
    bench.went += 600;
    let after = bench.run(3.0);
    assert_eq!(bench.went - before, 1200);
    let rough = f64::from(roughness(&after)) / (0.5 * (TAU / 48.0).powi(3));
    assert!(rough < 4.0, "{rough}");
    let now = bench.began + Duration::from_secs_f64(bench.went as f64 * BLOCK_SECONDS);
    let age = bench.follower.age(now);
    assert!((0.05..0.15).contains(&age), "{age} s");
    assert!(after[48_000..].iter().any(|x| *x != 0.0), "it plays");
}

/// A sound server that gives 2 s at once, and later 20 ms: silence and not scraps at first, then all is well.
#[test]
fn what_comes_too_coarse_is_silent_until_it_is_finer() {
    let mut bench = Bench::new(0.0, [400, 2], tone);
    let coarse = bench.run(20.0);
    let third = 0.5 * (TAU / 48.0).powi(3);
    assert!(f64::from(roughness(&coarse)) / third < 4.0);
    // Scraps of less than a tenth of a second would be worse than nothing.
    let sounds: Vec<bool> = coarse.chunks(BLOCK).map(|b| b.iter().any(|x| *x != 0.0)).collect();
    for run in sounds.chunk_by(|a, b| a == b).filter(|run| run[0]) {
        assert!(run.len() >= 16, "{} blocks of sound", run.len());
    }
    bench.periods[0] = 4;
    let fine = bench.run(10.0);
    assert!(
        fine[96_000..].chunks(BLOCK).all(|b| b.iter().any(|x| *x != 0.0)),
        "it plays on"
    );
}

/// Nothing comes in order, nothing comes at all, and time jumps: no panic, and never louder than what came.
#[test]
fn whatever_comes() {
    let (mut input, blocks) = rtrb::RingBuffer::new(MUSIC_QUEUE);
    let mut follower = Follower::new(blocks, Arc::default());
    let began = Instant::now() + Duration::from_secs(10_000);
    let mut noise = 7u32;
    let mut random = move |below: u32| {
        noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (noise >> 8) % below
    };
    for _ in 0..20_000 {
        for _ in 0..random(4) {
            let _ = input.push(MusicBlock {
                samples: [if random(2) == 0 { 1.0 } else { -1.0 }; BLOCK],
                at: began + Duration::from_micros(random(20_000_000).into()),
                gap: random(10) == 0,
            });
        }
        let mut out = [9.0; BLOCK];
        follower.fill(&mut out, began + Duration::from_micros(random(20_000_000).into()));
        assert!(out.iter().all(|x| x.abs() < 2.0));
    }
}
