//! A tone or a message again and again, with pauses: what a bell plays.

use std::time::Duration;

use super::RATE;
use super::engine::Sound;
use super::probe::Probe;
use super::recording::{Player, Repeats};
use super::tone::{Tone, ToneGenerator};

/// Sounds of ours go to the cards as packets of this length.
pub const PACKET: Duration = Duration::from_millis(20);
/// So many of silence follow the last one: what the cards make up at the end of a stream is made of what came before.
pub const SILENT_PACKETS: u32 = 2;
/// For ever, or nearly: 4 billion times.
pub const FOR_EVER: u32 = u32::MAX;

/// A sound at 48 kHz, `times` times.
#[derive(Debug, Clone)]
pub enum Repeated {
    Tone(Box<Tones>),
    Message(Player),
    /// Once, whatever is asked for.
    Probe(Box<Probe>),
}

#[derive(Debug, Clone)]
pub struct Tones {
    tone: Tone,
    generator: ToneGenerator,
    /// Runs to come, this one counted.
    runs: u32,
    pause: usize,
    /// Frames left of the pause that goes on.
    left: usize,
}

impl Repeated {
    pub fn new(sound: Sound, times: u32, pause: Duration) -> Self {
        match sound {
            Sound::Tone(tone) => Repeated::Tone(Box::new(Tones {
                tone,
                generator: ToneGenerator::once(&tone, RATE),
                runs: times,
                pause: (pause.as_secs_f64() * f64::from(RATE)) as usize,
                left: 0,
            })),
            Sound::Message(player) => Repeated::Message(player.repeated(Repeats { times, gap: pause })),
        }
    }

    /// Replaces what is in `out` with what comes next; silence at the end.
    pub fn fill(&mut self, out: &mut [f32]) {
        match self {
            Repeated::Tone(tones) => tones.fill(out),
            Repeated::Message(player) => player.fill(out),
            Repeated::Probe(probe) => probe.fill(out),
        }
    }

    /// Nothing more will sound.
    pub fn is_over(&self) -> bool {
        match self {
            Repeated::Tone(tones) => tones.runs == 0,
            Repeated::Message(player) => player.is_over(),
            Repeated::Probe(probe) => probe.is_over(),
        }
    }

    /// Ends it with the run under way, or in the pause between two.
    pub fn end(&mut self) {
        match self {
            Repeated::Tone(tones) => tones.runs = if tones.left > 0 { 0 } else { tones.runs.min(1) },
            Repeated::Message(player) => player.end_run(),
            Repeated::Probe(probe) => probe.end(),
        }
    }
}

impl Tones {
    fn fill(&mut self, out: &mut [f32]) {
        out.fill(0.0);
        let mut rest = out;
        while !rest.is_empty() && self.runs > 0 {
            let n = if self.left > 0 {
                let n = self.left.min(rest.len());
                self.left -= n;
                n
            } else {
                let n = self.generator.left().min(rest.len() as u64) as usize;
                self.generator.fill(&mut rest[..n]);
                if self.generator.finished() {
                    self.runs = if self.runs == FOR_EVER { FOR_EVER } else { self.runs - 1 };
                    self.generator = ToneGenerator::once(&self.tone, RATE);
                    self.left = if self.runs > 0 { self.pause } else { 0 };
                }
                n
            };
            rest = &mut rest[n..];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(sound: &mut Repeated, seconds: usize) -> Vec<f32> {
        let mut out = vec![0.0; seconds * RATE as usize];
        out.chunks_mut(480).for_each(|block| sound.fill(block));
        out
    }

    /// As often as asked for, so far apart, each run the same.
    #[test]
    fn a_tone_sounds_so_often_with_pauses() {
        let tone = Tone::chime_single();
        let once = tone.length().as_secs_f64();
        let mut sound = Repeated::new(Sound::Tone(tone), 3, Duration::from_millis(700));
        let out = all(&mut sound, 8);
        assert!(sound.is_over());
        let every = ((once + 0.7) * f64::from(RATE)).round() as usize;
        let first = &out[..(once * f64::from(RATE)) as usize];
        for run in 0..3 {
            assert_eq!(&out[run * every..run * every + first.len()], first, "{run}");
        }
        assert!(out[3 * every..].iter().all(|x| *x == 0.0));
        assert!(out[first.len()..every].iter().all(|x| *x == 0.0));
        let mut bell = Repeated::new(Sound::Tone(Tone::bell()), FOR_EVER, Duration::ZERO);
        assert!(
            all(&mut bell, 60)
                .chunks(RATE as usize * 2)
                .all(|s| s.iter().any(|x| x.abs() > 0.05))
        );
        assert!(!bell.is_over());
        all(&mut bell, 1);
        bell.end();
        assert!(!bell.is_over(), "the run under way");
        all(&mut bell, 2);
        assert!(bell.is_over() && all(&mut bell, 1).iter().all(|x| *x == 0.0));
    }
}
