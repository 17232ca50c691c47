//! One voice at work: its stream pulled, brought to 48 kHz, measured.

use std::time::Instant;

use super::fade::Fade;
use super::{Pull, Report, Voice};
use crate::media::Block;
use crate::page::PageId;
use crate::sound::busy::BusyDetector;
use crate::sound::detect::SpeechDetector;
use crate::sound::level::{Db, Dbfs};
use crate::sound::leveller::{Leveller, Sounding};
use crate::sound::limiter::LOOK_AHEAD;
use crate::sound::resample::{Bank, TAIL, Upsampler};
use crate::sound::{BLOCK, RATE};

/// Most packets taken in one block; a sender that floods must not hold up the card. At 1.5 packets per
/// millisecond this outruns every real stream.
const PACKETS: usize = 128;
/// Blocks between figures: 50 ms.
const HEARD: u32 = 10;
/// Blocks from the stream's last sample until the upsampler and the limiters have let go of it.
const AFTER: u32 = (TAIL + LOOK_AHEAD).div_ceil(BLOCK) as u32;

/// A place for one voice. All that it needs is there before the voice is.
pub struct Seat<P> {
    speaker: Speaker<P>,
}

/// A voice with its state; without a voice, an empty seat.
pub struct Speaker<P> {
    voice: Option<Box<Voice<P>>>,
    gain: f32,
    leveller: Option<Leveller>,
    upsampler: Upsampler,
    /// This block, 48 kHz, with the voice's gain.
    audio: [f32; BLOCK],
    /// One for each zone.
    fades: Vec<Fade>,
    /// Pulled from the first opening on.
    opened: bool,
    /// Frames until the stream's first sound leaves the upsampler; `None` while there was only digital silence.
    /// The fades wait for it: a stream that sets in at full level sets in softly, however late.
    onset: Option<usize>,
    /// Frames of this block before that first sound.
    before: usize,
    drain: Drain,
    leaving: bool,
    detector: SpeechDetector,
    speech: bool,
    busy_detector: Option<BusyDetector>,
    busy: bool,
    energy: f64,
    samples: u64,
    blocks: u32,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Drain {
    No,
    /// The playout has been told.
    Asked,
    /// The playout is empty; blocks left until its sound has left the mixer.
    Ringing(u32),
    Told,
}

impl<P: Pull> Seat<P> {
    pub fn empty(zones: usize) -> Self {
        let speaker = Speaker {
            voice: None,
            gain: 0.0,
            leveller: None,
            upsampler: Upsampler::new(),
            audio: [0.0; BLOCK],
            fades: vec![Fade::default(); zones],
            opened: false,
            onset: None,
            before: BLOCK,
            drain: Drain::No,
            leaving: false,
            detector: SpeechDetector::new(),
            speech: false,
            busy_detector: None,
            busy: false,
            energy: 0.0,
            samples: 0,
            blocks: 0,
        };
        Seat { speaker }
    }

    pub fn is_free(&self) -> bool {
        self.speaker.voice.is_none()
    }

    /// The page's present voice is here (one that leaves is not present any more).
    pub fn holds(&self, page: PageId) -> bool {
        !self.speaker.leaving && self.speaker.voice.as_ref().is_some_and(|v| v.page == page)
    }

    pub fn speaker_mut(&mut self) -> Option<&mut Speaker<P>> {
        self.speaker.voice.is_some().then_some(&mut self.speaker)
    }

    pub fn take(&mut self, voice: Box<Voice<P>>) {
        let s = &mut self.speaker;
        s.gain = voice.gain.factor();
        s.leveller = voice.levelling.map(|l| Leveller::new(l.target, l.start));
        s.upsampler.reset();
        s.fades.fill(Fade::default());
        s.opened = false;
        s.onset = None;
        s.before = BLOCK;
        s.drain = Drain::No;
        s.leaving = false;
        s.detector = SpeechDetector::new();
        s.speech = false;
        s.busy_detector = voice.busy_tone.map(BusyDetector::new);
        s.busy = false;
        (s.energy, s.samples, s.blocks) = (0.0, 0, 0);
        s.voice = Some(voice);
    }

    pub fn vacate(&mut self) -> Option<Box<Voice<P>>> {
        self.speaker.voice.take()
    }
}

impl<P: Pull> Speaker<P> {
    pub fn page(&self) -> PageId {
        self.voice.as_ref().map_or(PageId(0), |v| v.page)
    }

    /// Pulled from now on.
    pub fn begin(&mut self) {
        if self.drain == Drain::Told {
            // Opened after all: what is held still plays, and draining counts again.
            self.drain = Drain::Asked;
        }
        self.opened = true;
    }

    pub fn is_direct(&self) -> bool {
        self.voice.as_ref().is_some_and(|voice| voice.direct)
    }

    pub fn open(&mut self, zone: usize, gain: Db) {
        self.begin();
        self.fades[zone].open(gain.factor());
    }

    pub fn close(&mut self, zone: usize) {
        self.fades[zone].close();
    }

    pub fn drain(&mut self) {
        let Some(voice) = &mut self.voice else { return };
        if self.drain == Drain::No {
            // What came before the command belongs to the stream.
            take_packets(voice);
            voice.playout.drain();
            self.drain = if self.opened { Drain::Asked } else { Drain::Ringing(0) };
        }
    }

    pub fn leave(&mut self) {
        self.leaving = true;
        self.fades.iter_mut().for_each(Fade::close);
    }

    pub fn leaving(&self) -> bool {
        self.leaving
    }

    pub fn take_over(&mut self, former: &mut Self) {
        for (fade, old) in self.fades.iter_mut().zip(&former.fades) {
            fade.follow(old);
        }
        self.opened = former.opened;
        former.leave();
    }

    pub fn is_fading(&self) -> bool {
        self.fades.iter().any(Fade::is_active)
    }

    /// Everything has left the mixer and nobody has been told.
    pub fn is_drained(&self) -> bool {
        self.drain == Drain::Ringing(0)
    }

    pub fn drained_is_told(&mut self) {
        self.drain = Drain::Told;
    }

    /// Takes the packets that have come and, once opened, the next 5 ms. `held` blocks wait in the card.
    pub fn pull(&mut self, bank: &Bank, held: u32, now: Instant) {
        let Some(voice) = &mut self.voice else { return };
        take_packets(voice);
        if !self.opened {
            return;
        }
        let block = voice.playout.next_block(now);
        self.upsampler.process(bank, block.rate, block.samples, &mut self.audio);
        self.onset = match self.onset {
            None => first_sound(&block),
            Some(left) => Some(left.saturating_sub(BLOCK)),
        };
        self.before = self.onset.map_or(BLOCK, |n| n.min(BLOCK));
        let speech = self.detector.block(block.samples, block.rate);
        self.speech |= speech;
        if let Some(detector) = &mut self.busy_detector {
            self.busy |= detector.hear(block.samples, block.rate);
        }
        match &mut self.leveller {
            Some(leveller) => {
                let before = leveller.gain().factor();
                leveller.block(block.samples, block.rate, Sounding::of(&self.detector));
                ramp(
                    &mut self.audio,
                    before * self.gain,
                    leveller.gain().factor() * self.gain,
                );
            }
            None => self.audio.iter_mut().for_each(|x| *x *= self.gain),
        }
        self.energy += block.samples.iter().map(|x| f64::from(x * x)).sum::<f64>();
        self.samples += block.samples.len() as u64;
        self.blocks += 1;
        match self.drain {
            Drain::Asked if voice.playout.is_drained() => self.drain = Drain::Ringing(AFTER + held),
            Drain::Ringing(left) => self.drain = Drain::Ringing(left.saturating_sub(1)),
            _ => {}
        }
    }

    /// Figures, when they are due.
    pub fn heard(&mut self) -> Option<Report<P>> {
        if self.blocks < HEARD {
            return None;
        }
        let voice = self.voice.as_ref()?;
        let report = Report::Heard {
            page: voice.page,
            speech: self.speech,
            level: Dbfs::of((self.energy / self.samples.max(1) as f64).sqrt() as f32),
            levelled: self.leveller.as_ref().and_then(|l| l.level().map(|_| l.gain())),
            busy: self.busy,
            figures: voice.playout.figures(),
        };
        self.speech = false;
        (self.energy, self.samples, self.blocks) = (0.0, 0, 0);
        Some(report)
    }

    /// Adds this block to a zone's mix.
    pub fn add(&mut self, zone: usize, curve: &super::Curve, mix: &mut [f32; BLOCK]) {
        if let Some(fade) = self.fades.get_mut(zone)
            && fade.is_active()
        {
            fade.add(curve, &self.audio[self.before..], &mut mix[self.before..]);
        }
    }
}

/// From one gain to another over a block.
fn ramp(audio: &mut [f32; BLOCK], from: f32, to: f32) {
    if from == to {
        return audio.iter_mut().for_each(|x| *x *= to);
    }
    let step = (to - from) / BLOCK as f32;
    let mut gain = from;
    for x in audio {
        gain += step;
        *x *= gain;
    }
}

/// When the first sample that is not digital silence leaves the upsampler, frames from the block's beginning.
fn first_sound(block: &Block) -> Option<usize> {
    let at = block.samples.iter().position(|x| *x != 0.0)?;
    let frame = at * RATE as usize / block.rate.max(1) as usize;
    Some(frame + Upsampler::delay(block.rate) as usize)
}

fn take_packets<P: Pull>(voice: &mut Voice<P>) {
    for _ in 0..PACKETS {
        let Some(packet) = voice.packets.pop() else { return };
        voice.playout.push(&packet);
    }
}
