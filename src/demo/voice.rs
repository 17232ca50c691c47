//! Voices for the demo, made up on the spot: a small formant synthesiser in the cascade form that speech research
//! has used since the 1980s. It has the rhythm, pitch and spectrum of speech; it does not claim to be understood
//! word by word. Nothing is recorded, so nothing has to be shipped.
//!
//! Formants of the vowels: Peterson and Barney (1952), from memory; everything else was set by ear and eye.

use rand::{Rng as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;

/// Samples per second of everything here.
pub const RATE: u32 = 8000;
/// Samples of one control step: 5 ms.
const STEP: usize = 40;
/// Loudness of the speech, RMS over the steps that sound, relative to full scale: −22 dB.
const LEVEL: f32 = 0.08;
/// Steps below this part of the loudest one are pauses.
const PAUSE: f32 = 0.1;
const PEAK: f32 = 0.9;

/// "Good morning. A timber delivery is at gate two. Please send a forklift."
pub const DELIVERY: &str = "G UH1 D M AO1 R N IH NG . AH T IH1 M B ER D AH L IH1 V ER IY IH Z AE T G EY1 T T UW1 , \
     P L IY1 Z S EH1 N D AH F AO1 R K L IH F T .";
/// "The saw mill closes at five today. Please return all the keys to the office. Thank you. The north gate stays
/// open until six. Mind the wet planks by the kiln."
pub const CLOSING: &str = "DH AH S AO1 M IH1 L K L OW1 Z AH Z AE T F AY1 V T AH D EY1 . P L IY1 Z R IH T ER1 N AO1 L \
     DH AH K IY1 Z , T UH DH IY AO1 F IH S . TH AE1 NG K Y UW . DH AH N AO1 R TH G EY1 T S T EY1 Z OW1 P AH N AH N T \
     IH1 L S IH1 K S . M AY1 N D DH AH W EH1 T P L AE1 NG K S B AY DH AH K IH1 L N .";
/// "Attention please. The crane is moving in the yard. Stand clear."
pub const CRANE: &str = "AH T EH1 N SH AH N P L IY1 Z . DH AH K R EY1 N IH Z M UW1 V IH NG , IH N DH AH Y AA1 R D . \
     S T AE1 N D K L IH1 R .";

/// Somebody with a voice.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Speaker {
    /// Hz, at the middle of a sentence.
    pub pitch: f32,
    /// Formants relative to a large vocal tract.
    pub tract: f32,
    /// Length of sounds, 1.0 for an ordinary pace.
    pub pace: f32,
    /// Seed of the breath noise and the unsteadiness.
    pub seed: u64,
}

impl Speaker {
    /// A deep, unhurried voice: the one on the telephone.
    pub fn caller() -> Self {
        Speaker {
            pitch: 108.0,
            tract: 1.0,
            pace: 1.1,
            seed: 1,
        }
    }

    /// A high, brisk voice: the one on the multicast group.
    pub fn dispatcher() -> Self {
        Speaker {
            pitch: 205.0,
            tract: 1.16,
            pace: 0.95,
            seed: 2,
        }
    }

    /// Speaks sounds written in the ARPABET, stressed vowels marked with `1`, pauses as `,` and `.`; what it does not
    /// know it leaves out. Mono at [`RATE`].
    pub fn say(&self, sounds: &str) -> Vec<i16> {
        let mut samples = Vec::new();
        let mut voice = Throat::new(self);
        for sentence in sounds.split_inclusive('.') {
            let segments: Vec<Segment> = sentence.split_whitespace().flat_map(segments).collect();
            let total: f32 = segments.iter().map(|s| s.ms).sum();
            let mut spent = 0.0;
            for segment in &segments {
                let steps = (segment.ms * self.pace / 5.0).round().max(1.0) as usize;
                for i in 0..steps {
                    let along = (spent + segment.ms * i as f32 / steps as f32) / total.max(1.0);
                    voice.step(segment, along, &mut samples);
                }
                spent += segment.ms;
            }
        }
        levelled(&samples)
    }
}

/// A stretch with constant targets.
#[derive(Debug, Clone, Copy)]
struct Segment {
    ms: f32,
    formants: [f32; 3],
    voice: f32,
    breath: f32,
    hiss: f32,
    /// Centre and width of the hiss, Hz.
    hiss_at: [f32; 2],
    stress: f32,
}

const REST: Segment = Segment {
    ms: 0.0,
    formants: [500.0, 1500.0, 2500.0],
    voice: 0.0,
    breath: 0.0,
    hiss: 0.0,
    hiss_at: [2500.0, 1000.0],
    stress: 0.0,
};

fn segments(sound: &str) -> Vec<Segment> {
    let (name, stressed) = match sound.strip_suffix('1') {
        Some(name) => (name, true),
        None => (sound, false),
    };
    let vowel = |formants: [f32; 3], part: f32| Segment {
        ms: part * if stressed { 150.0 } else { 80.0 },
        formants,
        voice: if stressed { 1.0 } else { 0.75 },
        stress: if stressed { 1.0 } else { 0.0 },
        ..REST
    };
    let glide = |formants| Segment {
        ms: 60.0,
        formants,
        voice: 0.6,
        ..REST
    };
    let nasal = |second| Segment {
        ms: 75.0,
        formants: [250.0, second, 2300.0],
        voice: 0.4,
        ..REST
    };
    // Voicing, loudness of the hiss, its centre and width.
    let fricative = |formants, voice, hiss, hiss_at| Segment {
        ms: if voice > 0.0 { 75.0 } else { 100.0 },
        formants,
        voice,
        hiss,
        hiss_at,
        ..REST
    };
    // A stop: closure, burst, breath. The formants lean towards the place where the mouth closes.
    let stop = |formants, voiced: bool, hiss_at| {
        let closure = Segment {
            ms: 60.0,
            formants,
            voice: if voiced { 0.12 } else { 0.0 },
            ..REST
        };
        let burst = Segment {
            ms: 15.0,
            voice: 0.0,
            hiss: 0.35,
            hiss_at,
            ..closure
        };
        let breath = Segment {
            ms: if voiced { 5.0 } else { 35.0 },
            voice: if voiced { 0.4 } else { 0.0 },
            breath: if voiced { 0.0 } else { 0.25 },
            ..closure
        };
        vec![closure, burst, breath]
    };
    const LIPS: [f32; 3] = [220.0, 800.0, 2200.0];
    const TEETH: [f32; 3] = [220.0, 1750.0, 2600.0];
    const PALATE: [f32; 3] = [220.0, 2000.0, 2300.0];
    let pause = |ms| vec![Segment { ms, ..REST }];
    match name {
        "IY" => vec![vowel([270.0, 2290.0, 3010.0], 1.0)],
        "IH" => vec![vowel([390.0, 1990.0, 2550.0], 0.9)],
        "EH" => vec![vowel([530.0, 1840.0, 2480.0], 1.0)],
        "AE" => vec![vowel([660.0, 1720.0, 2410.0], 1.1)],
        "AA" => vec![vowel([730.0, 1090.0, 2440.0], 1.1)],
        "AO" => vec![vowel([570.0, 840.0, 2410.0], 1.1)],
        "UH" => vec![vowel([440.0, 1020.0, 2240.0], 0.9)],
        "UW" => vec![vowel([300.0, 870.0, 2240.0], 1.0)],
        "AH" => vec![vowel([640.0, 1190.0, 2390.0], 0.8)],
        "ER" => vec![vowel([490.0, 1350.0, 1690.0], 1.0)],
        "EY" => vec![vowel([480.0, 1900.0, 2500.0], 0.6), vowel([300.0, 2200.0, 2800.0], 0.6)],
        "AY" => vec![vowel([730.0, 1150.0, 2440.0], 0.7), vowel([350.0, 2050.0, 2600.0], 0.6)],
        "OW" => vec![vowel([540.0, 950.0, 2400.0], 0.6), vowel([350.0, 850.0, 2300.0], 0.6)],
        "AW" => vec![vowel([730.0, 1200.0, 2440.0], 0.7), vowel([400.0, 900.0, 2300.0], 0.6)],
        "W" => vec![glide([290.0, 610.0, 2150.0])],
        "Y" => vec![glide([260.0, 2070.0, 3020.0])],
        "R" => vec![glide([310.0, 1060.0, 1380.0])],
        "L" => vec![glide([330.0, 1050.0, 2880.0])],
        "M" => vec![nasal(1000.0)],
        "N" => vec![nasal(1450.0)],
        "NG" => vec![nasal(2000.0)],
        "F" => vec![fricative(LIPS, 0.0, 0.08, [1800.0, 2500.0])],
        "V" => vec![fricative(LIPS, 0.35, 0.04, [1800.0, 2500.0])],
        "TH" => vec![fricative(TEETH, 0.0, 0.07, [2800.0, 2000.0])],
        "DH" => vec![fricative(TEETH, 0.35, 0.03, [2800.0, 2000.0])],
        "S" => vec![fricative(TEETH, 0.0, 0.18, [3600.0, 700.0])],
        "Z" => vec![fricative(TEETH, 0.3, 0.09, [3600.0, 700.0])],
        "SH" => vec![fricative(PALATE, 0.0, 0.32, [2500.0, 800.0])],
        "P" => stop(LIPS, false, [700.0, 800.0]),
        "B" => stop(LIPS, true, [700.0, 800.0]),
        "T" => stop(TEETH, false, [3300.0, 1200.0]),
        "D" => stop(TEETH, true, [3300.0, 1200.0]),
        "K" => stop(PALATE, false, [1900.0, 700.0]),
        "G" => stop(PALATE, true, [1900.0, 700.0]),
        "," => pause(180.0),
        "." => pause(420.0),
        _ => Vec::new(),
    }
}

/// Second-order resonator.
#[derive(Debug, Clone, Copy, Default)]
struct Resonator {
    a: f32,
    b: f32,
    c: f32,
    past: [f32; 2],
}

impl Resonator {
    /// Unity gain at 0 Hz, as a formant of a cascade.
    fn tune(&mut self, centre: f32, width: f32) {
        use std::f32::consts::{PI, TAU};
        let t = 1.0 / RATE as f32;
        self.c = -(-TAU * width * t).exp();
        self.b = 2.0 * (-PI * width * t).exp() * (TAU * centre.min(3900.0) * t).cos();
        self.a = 1.0 - self.b - self.c;
    }

    fn next(&mut self, x: f32) -> f32 {
        let y = self.a * x + self.b * self.past[0] + self.c * self.past[1];
        self.past = [y, self.past[0]];
        y
    }
}

/// Source and filters with their momentary settings, which glide towards a segment's targets.
struct Throat {
    speaker: Speaker,
    noise: ChaCha8Rng,
    now: Segment,
    phase: f32,
    formants: [Resonator; 4],
    hiss: Resonator,
    unsteady: f32,
}

impl Throat {
    fn new(speaker: &Speaker) -> Self {
        Throat {
            speaker: *speaker,
            noise: ChaCha8Rng::seed_from_u64(speaker.seed),
            now: REST,
            phase: 0.0,
            formants: [Resonator::default(); 4],
            hiss: Resonator::default(),
            unsteady: 0.0,
        }
    }

    /// 5 ms. `along`: how far the sentence has come, 0 to 1.
    fn step(&mut self, to: &Segment, along: f32, out: &mut Vec<f32>) {
        const BREADTH: [f32; 3] = [70.0, 100.0, 160.0];
        let glide = |now: &mut f32, to: f32, share: f32| *now += (to - *now) * share;
        for (now, target) in self.now.formants.iter_mut().zip(to.formants) {
            glide(now, target, 0.22);
        }
        glide(&mut self.now.voice, to.voice, 0.5);
        glide(&mut self.now.breath, to.breath, 0.5);
        glide(&mut self.now.hiss, to.hiss, 0.6);
        glide(&mut self.now.stress, to.stress, 0.1);
        self.now.hiss_at = to.hiss_at;
        for ((filter, centre), width) in self.formants.iter_mut().zip(self.now.formants).zip(BREADTH) {
            filter.tune(centre * self.speaker.tract, width);
        }
        if let Some(fourth) = self.formants.last_mut() {
            fourth.tune(3400.0 * self.speaker.tract.min(1.1), 300.0);
        }
        let [centre, width] = self.now.hiss_at;
        self.hiss.tune(centre, width);
        // The hiss filter has unity gain at 0 Hz, so a high centre is brought down to about unity at its peak.
        let peak = self.hiss.a / ((1.0 + self.hiss.c) * 2.0).max(1e-3);
        // Falls through a sentence, rises on stressed vowels.
        glide(&mut self.unsteady, self.noise.random_range(-0.02..0.02), 0.3);
        let pitch = self.speaker.pitch * (1.12 - 0.26 * along + 0.12 * self.now.stress + self.unsteady);
        let harmonics = (3700.0 / pitch) as u32;
        for _ in 0..STEP {
            self.phase = (self.phase + pitch / RATE as f32).fract();
            let angle = self.phase * std::f32::consts::TAU;
            // Glottal flow falls 12 dB an octave, the lips give 6 back.
            let pulse: f32 = (1..=harmonics).map(|k| (angle * k as f32).cos() / k as f32).sum();
            let noise = self.noise.random_range(-1.0f32..1.0);
            let source = self.now.voice * pulse * 0.3 + self.now.breath * noise * 0.5;
            let mouth = self.formants.iter_mut().fold(source, |x, filter| filter.next(x));
            let hiss = self.hiss.next(noise) * self.now.hiss / peak.max(0.05);
            out.push(mouth + hiss);
        }
    }
}

fn levelled(samples: &[f32]) -> Vec<i16> {
    let powers: Vec<f32> = samples
        .chunks(STEP)
        .map(|step| step.iter().map(|x| x * x).sum::<f32>() / step.len() as f32)
        .collect();
    let loudest = powers.iter().copied().fold(0.0, f32::max);
    let sounding: Vec<f32> = powers.into_iter().filter(|p| *p > loudest * PAUSE * PAUSE).collect();
    let rms = (sounding.iter().sum::<f32>() / sounding.len().max(1) as f32).sqrt();
    let gain = if rms > 0.0 { LEVEL / rms } else { 0.0 };
    samples
        .iter()
        .map(|x| ((x * gain).clamp(-PEAK, PEAK) * 32767.0) as i16)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sound::detect::SpeechDetector;

    fn power(samples: &[i16]) -> f32 {
        samples.iter().map(|s| (f32::from(*s) / 32768.0).powi(2)).sum::<f32>() / samples.len() as f32
    }

    /// The pitch of a voiced stretch by its autocorrelation, Hz.
    fn pitch(samples: &[i16]) -> f32 {
        let at = |lag: usize| -> f64 {
            samples
                .iter()
                .zip(&samples[lag..])
                .map(|(a, b)| f64::from(*a) * f64::from(*b))
                .sum()
        };
        let lag = (30..90).max_by(|a, b| at(*a).total_cmp(&at(*b))).unwrap();
        RATE as f32 / lag as f32
    }

    #[test]
    fn sounds_like_speech_to_the_detector() {
        for (speaker, sounds) in [
            (Speaker::caller(), DELIVERY),
            (Speaker::caller(), CLOSING),
            (Speaker::dispatcher(), CRANE),
        ] {
            let said = speaker.say(sounds);
            let samples: Vec<f32> = said.iter().map(|s| f32::from(*s) / 32768.0).collect();
            let mut detector = SpeechDetector::new();
            let blocks: Vec<bool> = samples
                .chunks_exact(STEP)
                .map(|block| detector.block(block, RATE))
                .collect();
            let heard = blocks.iter().filter(|b| **b).count();
            assert!(heard * 2 > blocks.len(), "{heard} of {}", blocks.len());
            // Sentences are apart, and nothing is clipped.
            assert!(said.chunks(800).any(|c| power(c) < 1e-5) && said.chunks(800).any(|c| power(c) > 4e-3));
            assert!(said.iter().all(|s| s.unsigned_abs() < 30_000));
            assert_eq!(said, speaker.say(sounds), "the same every time");
        }
    }

    /// Told apart at once: nearly an octave.
    #[test]
    fn two_voices() {
        let vowel = "AA1 AA1 AA1 AA1";
        let (low, high) = (Speaker::caller().say(vowel), Speaker::dispatcher().say(vowel));
        let (low, high) = (pitch(&low[1600..3200]), pitch(&high[1600..3200]));
        assert!(
            (95.0..135.0).contains(&low) && (190.0..250.0).contains(&high),
            "{low} {high}"
        );
    }

    #[test]
    fn formants_are_where_they_should_be() {
        // Peterson and Barney: the second formant of IY lies far above that of AO.
        let near = |samples: &[i16], hz: f32| -> f32 {
            let (mut re, mut im) = (0.0, 0.0);
            for probe in 0..40 {
                let f = hz - 200.0 + 10.0 * probe as f32;
                let (mut r, mut i) = (0.0f32, 0.0f32);
                for (n, s) in samples.iter().enumerate() {
                    let angle = std::f32::consts::TAU * f * n as f32 / RATE as f32;
                    r += f32::from(*s) * angle.cos();
                    i += f32::from(*s) * angle.sin();
                }
                re += r * r;
                im += i * i;
            }
            re + im
        };
        let (front, back) = (
            Speaker::caller().say("IY1 IY1 IY1"),
            Speaker::caller().say("AO1 AO1 AO1"),
        );
        let (front, back) = (&front[1200..2800], &back[1200..2800]);
        assert!(near(front, 2290.0) > 10.0 * near(front, 1200.0));
        assert!(near(back, 840.0) > 10.0 * near(back, 2290.0));
    }

    #[test]
    fn unknown_sounds_are_left_out() {
        assert!(Speaker::caller().say("QQ 1 é").is_empty());
        assert!(Speaker::caller().say(". .").iter().all(|s| *s == 0));
    }
}
