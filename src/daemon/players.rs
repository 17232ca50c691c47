//! Sources without a talker: a sound of ours, as packets at the pace of time, so that it is heard as every stream is.

use std::time::Instant;

use super::control::Control;
use crate::media::{Linear, Packet, linear};
use crate::page::{EndReason, Input, PageId};
use crate::sound::RATE;
use crate::sound::repeat::{PACKET, Repeated, SILENT_PACKETS};
use crate::sound::tap::LINE_TYPE;

const SAMPLES: usize = RATE as usize / 50;

/// A sound on its way.
pub struct Player {
    sound: Repeated,
    number: u64,
    next: Instant,
    /// It goes on until it is ended.
    is_endless: bool,
    /// Packets of silence to come.
    silent: u32,
}

impl Player {
    pub fn new(sound: Repeated, now: Instant) -> Self {
        Player {
            is_endless: false,
            silent: SILENT_PACKETS,
            sound,
            number: 65_536,
            next: now,
        }
    }

    /// One that goes on until it is ended.
    pub fn endless(sound: Repeated, now: Instant) -> Self {
        Player {
            is_endless: true,
            ..Self::new(sound, now)
        }
    }

    pub fn is_endless(&self) -> bool {
        self.is_endless
    }

    pub fn due(&self) -> Instant {
        self.next
    }

    pub fn is_over(&self) -> bool {
        self.sound.is_over() && self.silent == 0
    }

    /// Ends with what is under way.
    pub fn end(&mut self) {
        self.sound.end();
    }

    /// A packet that is due.
    fn packet(&mut self, now: Instant) -> Option<Packet<'static>> {
        if self.next > now || self.is_over() {
            return None;
        }
        let (mut pcm, mut payload) = ([0.0; SAMPLES], Vec::with_capacity(2 * SAMPLES));
        if self.sound.is_over() {
            self.silent -= 1;
        } else {
            self.sound.fill(&mut pcm);
        }
        linear::encode(Linear::new(RATE, 1)?, &pcm, &mut payload);
        let timestamp = (self.number as u32).wrapping_mul(SAMPLES as u32);
        let packet = Packet::new(self.number, timestamp, LINE_TYPE, self.next, &payload)?.into_owned();
        self.number += 1;
        self.next += PACKET;
        Some(packet)
    }
}

impl Control {
    /// Plays what is due of every page that plays a sound of ours.
    pub(super) fn play(&mut self, now: Instant) {
        let mut over: Vec<PageId> = Vec::new();
        for (page, entry) in &mut self.pages {
            while let Some(packet) = entry.player.as_mut().and_then(|player| player.packet(now)) {
                // Not kept: such pages wait.
                entry.feed(&packet);
                self.switchboard.handle(Input::Packet(*page), now);
            }
            if entry.player.take_if(|player| player.is_over()).is_some() {
                over.push(*page);
            }
        }
        for page in over {
            self.switchboard
                .handle(Input::SourceEnded(page, EndReason::Finished), now);
            self.settle(now);
        }
    }
}
