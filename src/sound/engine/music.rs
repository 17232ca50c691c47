//! Music in the mix: always there, below whatever speaks.

use std::sync::Arc;
use std::sync::atomic::AtomicU64;
use std::time::{Duration, Instant};

use rtrb::Consumer;

use crate::page::ZoneId;
use crate::sound::follow::Follower;
use crate::sound::level::Db;
use crate::sound::tap::MusicBlock;
use crate::sound::{BLOCK, RATE};

/// What becomes of music while a page holds the zone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ducking {
    /// Its gain meanwhile; without end below 0 is silence.
    pub depth: Db,
    pub fade_out: Duration,
    pub fade_in: Duration,
}

/// How a zone's music stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Hold {
    #[default]
    Free,
    /// A page has the zone.
    Page,
    /// Another system has it: silence, however music behaves under pages.
    Silence,
}

impl Hold {
    pub fn name(self) -> &'static str {
        match self {
            Hold::Free => "free",
            Hold::Page => "page",
            Hold::Silence => "silence",
        }
    }
}

/// Blocks until music is silent for another system: 20 ms.
const HUSH: f32 = 4.0;

/// Music that a card plays.
pub struct MusicInput {
    pub blocks: Consumer<MusicBlock>,
    pub zones: Vec<ZoneId>,
    pub gain: Db,
    pub ducking: Ducking,
    /// Counts how often it broke off.
    pub broken: Arc<AtomicU64>,
}

/// Music at work on one card.
pub(super) struct Player {
    follower: Follower,
    gain: f32,
    audio: [f32; BLOCK],
    sounds: bool,
    /// By the card's zones; `None` where the music is not heard.
    ducks: Vec<Option<Duck>>,
}

impl Player {
    pub fn new(input: MusicInput, zones: &[ZoneId]) -> Self {
        let duck = |zone: &ZoneId| input.zones.contains(zone).then(|| Duck::new(input.ducking));
        Player {
            ducks: zones.iter().map(duck).collect(),
            follower: Follower::new(input.blocks, input.broken),
            gain: input.gain.factor(),
            audio: [0.0; BLOCK],
            sounds: false,
        }
    }

    pub fn pull(&mut self, now: Instant) {
        self.sounds = self.follower.fill(&mut self.audio, now);
        if self.sounds {
            self.audio.iter_mut().for_each(|x| *x *= self.gain);
        }
    }

    /// A page or another system has the zone, or none does any more.
    pub fn hold(&mut self, zone: usize, hold: Hold) {
        if let Some(Some(duck)) = self.ducks.get_mut(zone) {
            duck.hold = hold;
        }
    }

    /// Adds this block to a zone's mix.
    pub fn add(&mut self, zone: usize, mix: &mut [f32; BLOCK]) {
        let Some(Some(duck)) = self.ducks.get_mut(zone) else {
            return;
        };
        let (from, to) = duck.step();
        if !self.sounds || (from == 0.0 && to == 0.0) {
            return;
        }
        let step = (to - from) / BLOCK as f32;
        let mut gain = from;
        for (m, x) in mix.iter_mut().zip(&self.audio) {
            gain += step;
            *m += gain * x;
        }
    }
}

/// Where the music stands in one zone.
#[derive(Debug)]
struct Duck {
    depth: f32,
    /// Blocks of each fade.
    out: f32,
    back: f32,
    hold: Hold,
    /// From 0, up, to 1, down, below a page; and for another system.
    at: f32,
    hushed: f32,
    gain: f32,
}

impl Duck {
    fn new(ducking: Ducking) -> Self {
        let blocks = |time: Duration| (time.as_secs_f32() * RATE as f32 / BLOCK as f32).max(1.0);
        Duck {
            depth: ducking.depth.factor(),
            out: blocks(ducking.fade_out),
            back: blocks(ducking.fade_in),
            hold: Hold::Free,
            at: 0.0,
            hushed: 0.0,
            gain: 1.0,
        }
    }

    /// The gain at the beginning and at the end of the next block. A fade runs along a raised cosine and may be turned
    /// round half-way.
    fn step(&mut self) -> (f32, f32) {
        let before = self.gain;
        let towards = |at: f32, down: bool, out: f32| {
            let step = if down { 1.0 / out } else { -1.0 / self.back };
            (at + step).clamp(0.0, 1.0)
        };
        // Under another system a page's fade goes on unheard.
        let (below, silent) = (self.hold != Hold::Free, self.hold == Hold::Silence);
        (self.at, self.hushed) = (towards(self.at, below, self.out), towards(self.hushed, silent, HUSH));
        let down = |at: f32| 0.5 - 0.5 * (std::f32::consts::PI * at).cos();
        let ducked = if below && self.at == 1.0 {
            self.depth
        } else {
            1.0 - down(self.at) * (1.0 - self.depth)
        };
        let hushed = if self.hushed == 1.0 {
            0.0
        } else {
            1.0 - down(self.hushed)
        };
        self.gain = ducked * hushed;
        (before, self.gain)
    }
}
