//! What the caller hears: the go-ahead beep, the busy tone, and silence that keeps the path open.

use std::net::SocketAddr;
use std::time::{Duration, Instant};

use crate::media::srtp::Protector;
use crate::media::talker::Talker;
use crate::sip::sdp::Agreed;
use crate::sound::tone::{Tone, ToneGenerator};

/// Packets sent at once after the control task was held up; beyond it the clock starts anew.
const MAX_CATCH_UP: u32 = 5;

/// One call's way back.
pub struct ReturnPath {
    talker: Talker,
    protector: Option<Protector>,
    agreed: Agreed,
    tone: Option<ToneGenerator>,
    pcm: Vec<f32>,
    next: Instant,
}

impl ReturnPath {
    /// `None` when nothing audible was agreed.
    pub fn new(agreed: Agreed, seed: u64, now: Instant) -> Option<Self> {
        let (payload_type, codec) = agreed.payloads.audio()?;
        let talker = Talker::new(codec, payload_type, agreed.ptime, seed).ok()?;
        let pcm = vec![0.0; talker.samples_per_packet()];
        Some(ReturnPath {
            talker,
            protector: agreed.keys.map(|keys| Protector::new(&keys.ours)),
            agreed,
            tone: None,
            pcm,
            next: now,
        })
    }

    /// Takes a new agreement; the stream goes on where codec and key stay the same. A new stream has a new SSRC, so that a
    /// key protects no packet number twice.
    pub fn agree(&mut self, agreed: Agreed, seed: u64, now: Instant) {
        let ours = |agreed: &Agreed| agreed.keys.map(|keys| keys.ours);
        let same = agreed.payloads.audio() == self.agreed.payloads.audio()
            && agreed.ptime == self.agreed.ptime
            && ours(&agreed) == ours(&self.agreed);
        if same {
            self.agreed = agreed;
        } else if let Some(new) = ReturnPath::new(agreed, seed, now) {
            *self = new;
        }
    }

    /// Where RTP goes now; `None` on hold.
    fn remote(&self) -> Option<SocketAddr> {
        self.agreed.remote.filter(|_| self.agreed.direction.sends())
    }

    /// Plays a tone from the next packet on, in place of the one before.
    pub fn play(&mut self, tone: &Tone, repeat: bool) {
        let make = if repeat {
            ToneGenerator::repeating
        } else {
            ToneGenerator::once
        };
        self.tone = Some(make(tone, self.talker.rate()));
    }

    /// When the next packet is due.
    pub fn due(&self) -> Option<Instant> {
        self.remote().map(|_| self.next)
    }

    /// The packets that are due by `now`, one call each.
    pub fn packet(&mut self, now: Instant) -> Option<(SocketAddr, Vec<u8>)> {
        let remote = self.remote()?;
        if self.next > now {
            return None;
        }
        let step = Duration::from_secs_f64(self.pcm.len() as f64 / f64::from(self.talker.rate()));
        if now - self.next > step * MAX_CATCH_UP {
            self.next = now;
        }
        self.next += step;
        self.pcm.fill(0.0);
        if let Some(tone) = &mut self.tone {
            tone.fill(&mut self.pcm);
        }
        let mut packet = self.talker.packet(&self.pcm);
        if let Some(protector) = &mut self.protector {
            // Never in the clear: a key that is used up ends the beeps, not the page.
            protector.rtp(&mut packet).ok()?;
        }
        Some((remote, packet))
    }
}
