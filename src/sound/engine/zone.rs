//! One zone's mix: the voices that are open in it, its chimes, music, its gain, its limiter.

use super::fade::{Curve, Fade};
use super::meter::{Meter, Reading};
use super::music::Player;
use super::speaker::Seat;
use super::{Pull, Sound, ZoneOutput};
use crate::page::{PageId, ZoneId};
use crate::sound::filter::Filter;
use crate::sound::level::Db;
use crate::sound::limiter::Limiter;
use crate::sound::recording;
use crate::sound::tone::ToneGenerator;
use crate::sound::{BLOCK, RATE};

/// Chimes that may sound at once in one zone: one plays, others fade out below it.
const CHIMES: usize = 4;

/// Blocks after the last sound until the limiter is empty and has let go (2 s): a zone at rest costs nothing.
const RINGING: u32 = 400;

#[derive(Debug)]
struct Chime {
    page: PageId,
    sounding: Sounding,
    fade: Fade,
}

#[derive(Debug)]
#[allow(clippy::large_enum_variant)] // the places are there from the start
enum Sounding {
    Tone(ToneGenerator),
    Message(recording::Player),
}

impl Sounding {
    fn fill(&mut self, out: &mut [f32]) {
        match self {
            Sounding::Tone(generator) => generator.fill(out),
            Sounding::Message(player) => player.fill(out),
        }
    }

    fn is_over(&self) -> bool {
        match self {
            Sounding::Tone(generator) => generator.finished(),
            Sounding::Message(player) => player.is_over(),
        }
    }
}

/// Samples that a change of the zone's gain takes: 50 ms.
const GLIDE: f32 = RATE as f32 * 0.05;

#[derive(Debug)]
pub struct Zone {
    id: ZoneId,
    channel: usize,
    gain: f32,
    /// Where the gain glides to, and by how much with each sample.
    wanted: f32,
    step: f32,
    filters: Vec<Filter>,
    limiter: Limiter,
    meter: Meter,
    ringing: u32,
    chimes: [Option<Chime>; CHIMES],
    mix: [f32; BLOCK],
    tone: [f32; BLOCK],
    /// What comes past gain and filters.
    direct: [f32; BLOCK],
}

impl Zone {
    pub fn new(output: &ZoneOutput) -> Self {
        Zone {
            id: output.zone,
            channel: output.channel,
            gain: output.gain.factor(),
            wanted: output.gain.factor(),
            step: 0.0,
            filters: output.filters.iter().map(|shape| Filter::new(*shape, RATE)).collect(),
            limiter: Limiter::new(output.ceiling),
            meter: Meter::default(),
            ringing: 0,
            chimes: [const { None }; CHIMES],
            mix: [0.0; BLOCK],
            tone: [0.0; BLOCK],
            direct: [0.0; BLOCK],
        }
    }

    pub fn id(&self) -> ZoneId {
        self.id
    }

    pub fn channel(&self) -> usize {
        self.channel
    }

    /// The gain from now on, without a click.
    pub fn glide(&mut self, gain: Db) {
        self.wanted = gain.factor();
        self.step = (self.wanted - self.gain) / GLIDE;
    }

    pub fn chime(&mut self, page: PageId, sound: Sound, gain: Db) {
        self.silence(page);
        // A fifth chime within 5 ms cuts off one that fades.
        let slot = self.chimes.iter().position(Option::is_none).or_else(|| self.fading());
        self.chimes[slot.unwrap_or(0)] = Some(Chime {
            page,
            sounding: match sound {
                Sound::Tone(tone) => Sounding::Tone(ToneGenerator::once(&tone, RATE)),
                Sound::Message(player) => Sounding::Message(player),
            },
            fade: Fade::opened(gain.factor()),
        });
    }

    fn fading(&self) -> Option<usize> {
        self.chimes
            .iter()
            .position(|c| c.as_ref().is_some_and(|c| !c.fade.is_open()))
    }

    /// Fades the page's chime.
    pub fn silence(&mut self, page: PageId) {
        self.chimes
            .iter_mut()
            .flatten()
            .filter(|c| c.page == page)
            .for_each(|c| c.fade.close());
    }

    /// A chime of the page is still to be heard.
    pub fn chimes(&self, page: PageId) -> bool {
        self.chimes.iter().flatten().any(|c| c.page == page)
    }

    /// The zone's next block, limited.
    pub fn mix<P: Pull>(
        &mut self,
        index: usize,
        seats: &mut [Seat<P>],
        music: &mut [Player],
        curve: &Curve,
    ) -> &[f32; BLOCK] {
        self.mix.fill(0.0);
        let mut is_direct = false;
        for speaker in seats.iter_mut().filter_map(Seat::speaker_mut) {
            if !speaker.is_direct() {
                speaker.add(index, curve, &mut self.mix);
                continue;
            }
            if !std::mem::replace(&mut is_direct, true) {
                self.direct.fill(0.0);
            }
            speaker.add(index, curve, &mut self.direct);
        }
        for slot in &mut self.chimes {
            let Some(chime) = slot else { continue };
            chime.sounding.fill(&mut self.tone);
            chime.fade.add(curve, &self.tone, &mut self.mix);
            if chime.sounding.is_over() || !chime.fade.is_active() {
                *slot = None;
            }
        }
        music.iter_mut().for_each(|player| player.add(index, &mut self.mix));
        if self.mix.iter().any(|x| *x != 0.0) || is_direct && self.direct.iter().any(|x| *x != 0.0) {
            if self.ringing == 0 {
                self.meter.begin();
            }
            self.ringing = RINGING;
        } else if self.ringing == 0 && self.filters.iter().all(Filter::is_silent) {
            self.gain = self.wanted;
            return &self.mix;
        }
        self.ringing = self.ringing.saturating_sub(1);
        for x in &mut self.mix {
            if self.gain != self.wanted {
                let next = self.gain + self.step;
                // The last step lands, whatever rounding has left.
                let is_there = (self.wanted - next) * self.step <= 0.0;
                self.gain = if is_there { self.wanted } else { next };
            }
            *x *= self.gain;
        }
        self.filters.iter_mut().for_each(|f| f.process(&mut self.mix));
        if is_direct {
            self.mix
                .iter_mut()
                .zip(&self.direct)
                .for_each(|(x, direct)| *x += direct);
        }
        self.limiter.process(&mut self.mix);
        self.meter.add(&self.mix);
        &self.mix
    }

    /// How it was lately, when that is due.
    pub fn reading(&mut self) -> Option<Reading> {
        self.meter.reading(|| self.limiter.take_reduction())
    }
}
