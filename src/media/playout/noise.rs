//! Comfort noise as a sender describes it (RFC 3389): a level, and the shape of its spectrum.
//!
//! The shape is an all-pole model, given by reflection coefficients. They turn white noise through a normalised lattice
//! (Gray and Markel, 1975): each section is a rotation, so that the level out is the level in whatever the coefficients,
//! no set of them can grow, and a change of them makes no step.

/// Coefficients used; those of a higher order are left out, as §3 allows. G.711 Appendix II has 10.
pub const MAX_ORDER: usize = 16;
/// Index of a coefficient that is 0, and the one that is reserved (§3.2, from memory).
const ZERO: u8 = 127;
const RESERVED: u8 = 255;
/// Never louder than this, −dBov, whatever a sender asks for.
const LOUDEST: u8 = 30;
/// Time constant of a change of level, samples at 8 kHz: 5 ms.
const SETTLING: f32 = 40.0;

#[derive(Debug, Clone)]
pub struct ComfortNoise {
    on: bool,
    /// RMS that is asked for, and now.
    target: f32,
    level: f32,
    order: usize,
    /// Sine and cosine of each section's rotation: the coefficient, and what is left of 1.
    turns: [(f32, f32); MAX_ORDER],
    /// What each section gave to the next one a sample ago. Of power 1.
    backward: [f32; MAX_ORDER],
    state: u32,
}

impl ComfortNoise {
    pub fn new() -> Self {
        let mut new = ComfortNoise {
            on: false,
            target: 0.0,
            level: 0.0,
            order: 0,
            turns: [(0.0, 1.0); MAX_ORDER],
            backward: [0.0; MAX_ORDER],
            state: 1,
        };
        for i in 0..MAX_ORDER {
            new.backward[i] = new.white();
        }
        new
    }

    pub fn is_on(&self) -> bool {
        self.on
    }

    /// Goes on as the payload of a packet says: an octet of level, −dBov, then one for each coefficient.
    pub fn begin(&mut self, payload: &[u8]) {
        let level = payload.first().map_or(127, |octet| octet & 0x7F).max(LOUDEST);
        self.target = 10f32.powf(-f32::from(level) / 20.0);
        let coefficients = payload.iter().skip(1).take(MAX_ORDER).take_while(|n| **n != RESERVED);
        self.order = 0;
        for (turn, index) in self.turns.iter_mut().zip(coefficients) {
            let k = 258.0 * (f32::from(*index) - f32::from(ZERO)) / 32_768.0;
            *turn = (k, (1.0 - k * k).sqrt());
            self.order += 1;
        }
        if !self.on {
            (self.on, self.level) = (true, 0.0);
        }
    }

    pub fn end(&mut self) {
        self.on = false;
    }

    /// Adds what comes next, if it is on.
    pub fn add(&mut self, out: &mut [f32]) {
        if !self.on {
            return;
        }
        for s in out {
            self.level += (self.target - self.level) / SETTLING;
            let mut forward = self.white();
            for m in (0..self.order).rev() {
                let (k, rest) = self.turns[m];
                let backward = self.backward[m];
                if let Some(next) = self.backward.get_mut(m + 1) {
                    *next = k * forward + rest * backward;
                }
                forward = rest * forward - k * backward;
            }
            self.backward[0] = forward;
            *s += self.level * forward;
        }
    }

    /// Of power 1: uniform from −√3 to √3.
    fn white(&mut self) -> f32 {
        self.state = self.state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        3f32.sqrt() * (self.state as i32 as f32 / 2_147_483_648.0)
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;
    use std::path::Path;
    use std::process::Command;

    use super::*;

    fn play(payload: &[u8], samples: usize) -> Vec<f32> {
        let mut noise = ComfortNoise::new();
        noise.begin(payload);
        let mut out = vec![0.0; samples];
        noise.add(&mut out);
        out.split_off(800)
    }

    fn level(samples: &[f32]) -> f64 {
        let power: f64 = samples.iter().map(|x| f64::from(*x).powi(2)).sum();
        10.0 * (power / samples.len() as f64).log10()
    }

    /// Power near each of these pitches, dB, at 8 kHz: mean over Hann-weighted stretches of 256 samples.
    fn spectrum(samples: &[f32]) -> Vec<f64> {
        const SIZE: usize = 256;
        let bins: Vec<usize> = (2..126).step_by(4).collect();
        bins.iter()
            .map(|bin| {
                let stretches = samples.windows(SIZE).step_by(SIZE / 2);
                let count = stretches.len() as f64;
                let power: f64 = stretches
                    .map(|part| {
                        let (mut re, mut im) = (0.0, 0.0);
                        for (n, x) in part.iter().enumerate() {
                            let weight = 0.5 - 0.5 * (TAU * n as f64 / SIZE as f64).cos();
                            let (sin, cos) = (TAU * (*bin * n) as f64 / SIZE as f64).sin_cos();
                            re += f64::from(*x) * weight * cos;
                            im += f64::from(*x) * weight * sin;
                        }
                        re * re + im * im
                    })
                    .sum();
                // Σ weight² = 3/8 of the size.
                10.0 * (power / count / (0.375 * SIZE as f64)).log10()
            })
            .collect()
    }

    /// What the model says of the same pitches, dB: the step-up recursion to A(z), then power/|A|².
    fn theory(payload: &[u8]) -> Vec<f64> {
        let ks: Vec<f64> = payload[1..]
            .iter()
            .map(|n| 258.0 * (f64::from(*n) - 127.0) / 32_768.0)
            .collect();
        let mut a = vec![1.0];
        for k in &ks {
            let longer: Vec<f64> = a.iter().copied().chain([0.0]).collect();
            let turned = longer.iter().rev();
            a = longer.iter().zip(turned).map(|(x, y)| x + k * y).collect();
        }
        let gain: f64 = ks.iter().map(|k| 1.0 - k * k).product();
        let power = 10f64.powf(-f64::from(payload[0]) / 10.0) * gain;
        (2..126)
            .step_by(4)
            .map(|bin| {
                let (mut re, mut im) = (0.0, 0.0);
                for (n, x) in a.iter().enumerate() {
                    let (sin, cos) = (TAU * (bin * n) as f64 / 256.0).sin_cos();
                    re += x * cos;
                    im += x * sin;
                }
                10.0 * (power / (re * re + im * im)).log10()
            })
            .collect()
    }

    /// RFC 3389 §3.1: the level is the octet's, with any shape.
    #[test]
    fn the_level_is_the_octets_whatever_the_shape() {
        for (what, payload) in [
            ("none", &[50][..]),
            ("white", &[50, 127, 127]),
            ("low", &[50, 40, 150, 120]),
            ("high", &[50, 220, 100]),
            ("ten", &[60, 30, 180, 110, 140, 120, 130, 125, 127, 129, 124]),
        ] {
            let found = level(&play(payload, 80_000)) + f64::from(payload[0]);
            assert!(found.abs() < 0.5, "{what}: {found} dB off");
        }
        assert!(level(&play(&[127], 8000)) < -120.0, "silence");
        assert!((level(&play(&[0], 80_000)) + 30.0).abs() < 0.5, "never that loud");
        assert!(
            (level(&play(&[0xB2, 127], 80_000)) + 50.0).abs() < 0.5,
            "the first bit is unused"
        );
    }

    /// RFC 3389 §3.2, the model's own response worked out apart.
    #[test]
    fn the_spectrum_is_the_models() {
        for payload in [
            &[50, 40, 150, 120][..],
            &[40, 220, 100],
            &[55, 30, 180, 110, 140, 120, 130, 125, 127, 129, 124],
        ] {
            let found = spectrum(&play(payload, 400_000));
            for (bin, (found, model)) in found.iter().zip(theory(payload)).enumerate() {
                assert!((found - model).abs() < 1.5, "{payload:?}, {bin}: {found}, not {model}");
            }
        }
        let flat = spectrum(&play(&[50], 400_000));
        assert!(flat.iter().all(|x| (x + 50.0).abs() < 1.0), "{flat:?}");
    }

    /// No octets make it louder than they say, and a change makes no click.
    #[test]
    fn whatever_is_asked_for_stays_bounded() {
        let mut noise = ComfortNoise::new();
        let mut octet = 1u32;
        for _ in 0..2000 {
            let payload: Vec<u8> = (0..octet % 40)
                .map(|_| {
                    octet = octet.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    (octet >> 24) as u8
                })
                .collect();
            noise.begin(&payload);
            octet = octet.wrapping_add(7);
            let mut out = [0.0; 160];
            noise.add(&mut out);
            // Seventeen uniform noises of power 1, rotated: √3·√17 at the very most.
            let most = out.iter().fold(0.0f32, |most, x| most.max(x.abs()));
            assert!(most <= 0.0317 * 7.2, "{most} of {payload:?}");
        }
        for payload in [
            &[30, 254, 254, 254, 254][..],
            &[30, 0, 0, 0, 0, 0, 0],
            &[30, 254, 0, 254, 0],
        ] {
            let out = play(payload, 80_000);
            assert!(level(&out) < -26.0, "{payload:?}: {}", level(&out));
        }
        noise.begin(&[60, 255, 3, 3, 3]);
        assert_eq!(noise.order, 0, "a reserved index ends what is known");
        noise.begin(&[&[60][..], &[140; 40]].concat());
        assert_eq!(noise.order, MAX_ORDER);
    }

    /// FFmpeg's encoder (libavcodec, independent) hears coloured noise; what we make of its packets has the level and spectrum
    /// of that noise, as its own decoder's has.
    #[test]
    #[ignore = "needs ffmpeg"]
    fn noise_that_ffmpeg_describes_sounds_like_it() {
        let folder = std::env::temp_dir().join(format!("hornwire-noise-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        for colour in ["white", "brown", "pink", "violet"] {
            let source = format!("anoisesrc=r=8000:color={colour}:d=60:a=0.05:seed=7");
            let ffmpeg = |arguments: &[&str], to: &Path| {
                let mut command = Command::new("ffmpeg");
                command.args(["-nostdin", "-v", "error", "-y", "-f", "lavfi", "-i", &source]);
                assert!(command.args(arguments).arg(to).status().unwrap().success());
                std::fs::read(to).unwrap()
            };
            let spoken: Vec<f32> = ffmpeg(&["-f", "s16le"], &folder.join("spoken"))
                .chunks_exact(2)
                .map(|b| f32::from(i16::from_le_bytes([b[0], b[1]])) / 32_768.0)
                .collect();
            let packets = ffmpeg(
                &["-map", "0:a", "-c:a", "comfortnoise", "-f", "data"],
                &folder.join("cn"),
            );
            let mut noise = ComfortNoise::new();
            let mut heard = Vec::new();
            // A level and ten coefficients for every 640 samples.
            for payload in packets.chunks_exact(11) {
                noise.begin(payload);
                let from = heard.len();
                heard.resize(from + 640, 0.0);
                noise.add(&mut heard[from..]);
            }
            let off = level(&heard) - level(&spoken);
            assert!(off.abs() < 1.5, "{colour}: {off} dB");
            let (a, b) = (spectrum(&heard), spectrum(&spoken));
            let mean = a.iter().zip(&b).map(|(x, y)| (x - y).abs()).sum::<f64>() / a.len() as f64;
            assert!(mean < 2.0, "{colour}: {mean} dB\n{a:.1?}\n{b:.1?}");
        }
        std::fs::remove_dir_all(folder).unwrap();
    }
}
