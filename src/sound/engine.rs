//! One card's mixer: voices and tones into zones, zones into channels. Runs on the audio thread.
//!
//! Commands and packets come in, figures and spent voices go out through bounded lock-free queues; after
//! [`engine`] nothing here allocates, frees, locks, logs or asks the clock.
//!
//! ```text
//! packets → playout → upsampler → leveller → voice gain ─┬─ fade ─▶ zone: sum → gain → filters → limiter → channel
//!                                                        └─ fade ─▶ another zone
//! chime ───────────────────────────────────────────────────────────▶ zone
//! music → follower → music gain ──────────────────────── duck ─▶ zone
//! ```

mod fade;
mod meter;
mod music;
mod speaker;
mod zone;

use std::time::{Duration, Instant};

use rtrb::{Consumer, Producer};

use self::fade::Curve;
pub use self::meter::Reading;
use self::music::Player;
pub use self::music::{Ducking, Hold, MusicInput};
use self::speaker::{Seat, Speaker};
use self::zone::Zone;
use super::filter::Shape;
use super::level::{Db, Dbfs};
use super::resample::Bank;
use super::tone::Tone;
use super::{BLOCK, RATE};
use super::{busy, recording};
use crate::media::{Block, Packet, PacketReceiver, Playout, PlayoutFigures};
use crate::page::{PageId, ZoneId};

/// One zone on this card.
#[derive(Debug, Clone)]
pub struct ZoneOutput {
    pub zone: ZoneId,
    /// Channel of the card, from 0.
    pub channel: usize,
    pub gain: Db,
    /// Between the gain and the limiter.
    pub filters: Vec<Shape>,
    /// The limiter lets no sample exceed this.
    pub ceiling: Dbfs,
}

/// What the mixer asks of a stream's playout; [`Playout`] is the one that serves, tests bring their own.
pub trait Pull {
    fn push(&mut self, packet: &Packet);
    fn next_block(&mut self, now: Instant) -> Block<'_>;
    fn drain(&mut self);
    fn is_drained(&self) -> bool;
    fn figures(&self) -> PlayoutFigures;
}

impl Pull for Playout {
    fn push(&mut self, packet: &Packet) {
        Playout::push(self, packet);
    }
    fn next_block(&mut self, now: Instant) -> Block<'_> {
        Playout::next_block(self, now)
    }
    fn drain(&mut self) {
        Playout::drain(self);
    }
    fn is_drained(&self) -> bool {
        Playout::is_drained(self)
    }
    fn figures(&self) -> PlayoutFigures {
        Playout::figures(self)
    }
}

/// One page's audio on one card: its packets, its playout, its gain.
pub struct Voice<P = Playout> {
    pub page: PageId,
    pub playout: P,
    pub packets: PacketReceiver,
    pub gain: Db,
    /// Brings its talkers to one level, before the gain.
    pub levelling: Option<Levelling>,
    /// Goes straight to the zone's limiter, past its gain and its filters.
    pub direct: bool,
    /// The country whose busy tone means that nobody is on the line any more.
    pub busy_tone: Option<busy::Plan>,
}

/// How a voice is levelled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Levelling {
    /// Active speech level.
    pub target: Dbfs,
    /// The gain to begin with: as the talker's last page ended.
    pub start: Db,
}

/// A chime as it is to be played once.
#[derive(Debug, Clone)]
pub enum Sound {
    Tone(Tone),
    /// Whoever sends it keeps the recording, so that it is not freed here.
    Message(recording::Player),
}

impl Sound {
    pub fn length(&self) -> Duration {
        match self {
            Sound::Tone(tone) => tone.length(),
            Sound::Message(player) => player.length(),
        }
    }
}

/// From the control task.
pub enum Command<P = Playout> {
    /// Take the voice; it is silent and keeps its audio until the first [`Command::Speak`]. A second voice for the
    /// same page takes over the zones of the first, which is sent back. A voice beyond [`MAX_VOICES`] is sent back
    /// at once.
    Attach(Box<Voice<P>>),
    /// Play the chime once; one that the page already plays in the zone fades.
    Chime {
        zone: ZoneId,
        page: PageId,
        sound: Sound,
        gain: Db,
    },
    /// Open the page's voice into the zone. A zone of another card lets the voice run unheard, so that it is in step
    /// when it is opened here. One that is open glides to the new gain, which is on top of the voice's own.
    Speak { zone: ZoneId, page: PageId, gain: Db },
    /// The zone's own gain from now on; it glides there.
    Gain { zone: ZoneId, gain: Db },
    /// A page holds the zone, or none does any more: music gives way.
    Hold { zone: ZoneId, hold: Hold },
    /// Fade the page's voice and chime out of the zone.
    Silence { zone: ZoneId, page: PageId },
    /// Play out what is held, then report [`Report::Drained`]; at once for a voice that was never opened or is
    /// not here.
    Drain(PageId),
    /// Fade, then send the voice back by [`Report::Spent`].
    Detach(PageId),
}

/// To the control task.
pub enum Report<P = Playout> {
    /// About every 50 ms for each voice that has been opened. The level is the RMS of the decoded audio over that
    /// time, before any gain. Left out while the control task does not keep up.
    Heard {
        page: PageId,
        speech: bool,
        level: Dbfs,
        /// The leveller's gain, once it has heard speech.
        levelled: Option<Db>,
        /// A busy tone has been heard, now or before.
        busy: bool,
        figures: PlayoutFigures,
    },
    /// About every 100 ms for each zone with sound, and once when it has none any more. Left out likewise.
    Meter { zone: ZoneId, reading: Reading },
    /// The voice's last sample has been rendered and, by the delay last told to [`Engine::set_output_delay`], has
    /// left the card.
    Drained(PageId),
    /// To be dropped outside the audio thread.
    Spent(Box<Voice<P>>),
}

/// The control task's ends of the queues.
pub struct EngineHandle<P = Playout> {
    pub commands: Producer<Command<P>>,
    pub reports: Consumer<Report<P>>,
}

/// Most voices that one card plays at once.
pub const MAX_VOICES: usize = 64;
const COMMANDS: usize = 256;
const REPORTS: usize = 1024;
/// Room in the report queue that figures leave to what must not be lost.
const RESERVED: usize = 256;
const MAX_OUTPUT_DELAY: Duration = Duration::from_secs(2);

/// One card's mixer.
pub struct Engine<P = Playout> {
    commands: Consumer<Command<P>>,
    reports: Producer<Report<P>>,
    seats: Vec<Seat<P>>,
    zones: Vec<Zone>,
    music: Vec<Player>,
    channels: usize,
    bank: Bank,
    curve: Curve,
    /// The block under way, interleaved, and how many of its frames are handed out.
    block: Vec<f32>,
    taken: usize,
    /// Blocks that the card itself holds.
    held: u32,
    /// Reports that found the queue full. While there is one, no further command is taken.
    unsent: Vec<Report<P>>,
}

/// Builds the mixer of a card with `channels` channels. Zones beyond the channels are not heard.
pub fn engine(zones: &[ZoneOutput], channels: usize) -> (Engine, EngineHandle) {
    Engine::build(zones, channels)
}

impl<P: Pull> Engine<P> {
    /// As [`engine`], for any playout.
    pub fn build(zones: &[ZoneOutput], channels: usize) -> (Self, EngineHandle<P>) {
        let (commands, command_end) = rtrb::RingBuffer::new(COMMANDS);
        let (report_end, reports) = rtrb::RingBuffer::new(REPORTS);
        let new = Engine {
            commands: command_end,
            reports: report_end,
            seats: (0..MAX_VOICES).map(|_| Seat::empty(zones.len())).collect(),
            zones: zones.iter().map(Zone::new).collect(),
            music: Vec::new(),
            channels,
            bank: Bank::new(),
            curve: Curve::new(),
            block: vec![0.0; BLOCK * channels],
            taken: BLOCK,
            held: 0,
            unsent: Vec::with_capacity(2),
        };
        (new, EngineHandle { commands, reports })
    }

    /// Adds music; before the engine goes to its audio thread.
    #[must_use]
    pub fn with_music(mut self, inputs: Vec<MusicInput>) -> Self {
        let zones: Vec<ZoneId> = self.zones.iter().map(Zone::id).collect();
        self.music
            .extend(inputs.into_iter().map(|input| Player::new(input, &zones)));
        self
    }

    /// Channels of the card.
    pub fn channels(&self) -> usize {
        self.channels
    }

    /// How long what is rendered now waits in the card. [`Report::Drained`] comes that much later, so that no relay
    /// falls before the last word is out. At most 2 s count.
    pub fn set_output_delay(&mut self, delay: Duration) {
        let frames = delay.min(MAX_OUTPUT_DELAY).as_micros() as u64 * u64::from(RATE) / 1_000_000;
        self.held = frames.div_ceil(BLOCK as u64) as u32;
    }

    /// Fills `out` (interleaved frames, ±1.0) with what the card plays next, beginning at `now`. Any whole number
    /// of frames.
    pub fn render(&mut self, out: &mut [f32], now: Instant) {
        if self.channels == 0 {
            out.fill(0.0);
            return;
        }
        let mut done = 0;
        while done < out.len() {
            if self.taken == BLOCK {
                let ahead = Duration::from_secs(done as u64 / self.channels as u64) / RATE;
                self.next_block(now + ahead);
                self.taken = 0;
            }
            let rest = &self.block[self.taken * self.channels..];
            let n = rest.len().min(out.len() - done);
            out[done..done + n].copy_from_slice(&rest[..n]);
            done += n;
            self.taken += n / self.channels;
        }
    }

    fn next_block(&mut self, now: Instant) {
        self.resend();
        self.take_commands();
        self.finish_voices();
        let figures_fit = self.reports.slots() > RESERVED;
        for speaker in self.seats.iter_mut().filter_map(Seat::speaker_mut) {
            speaker.pull(&self.bank, self.held, now);
            if let Some(heard) = speaker.heard()
                && figures_fit
            {
                // Figures may be lost: the next ones are cumulative.
                let _ = self.reports.push(heard);
            }
        }
        self.music.iter_mut().for_each(|player| player.pull(now));
        self.block.fill(0.0);
        for (i, zone) in self.zones.iter_mut().enumerate() {
            let channel = zone.channel();
            let mix = zone.mix(i, &mut self.seats, &mut self.music, &self.curve);
            if channel < self.channels {
                // Two zones may share a channel.
                for (out, x) in self.block[channel..].iter_mut().step_by(self.channels).zip(mix) {
                    *out += x;
                }
            }
            if let Some(reading) = zone.reading()
                && self.reports.slots() > RESERVED
            {
                let _ = self.reports.push(Report::Meter {
                    zone: zone.id(),
                    reading,
                });
            }
        }
    }

    fn resend(&mut self) {
        while let Some(report) = self.unsent.pop() {
            if let Err(rtrb::PushError::Full(report)) = self.reports.push(report) {
                self.unsent.push(report);
                return;
            }
        }
    }

    /// Sends what became of the blocks handed out so far: drained voices, spent voices.
    fn finish_voices(&mut self) {
        for seat in &mut self.seats {
            let Some(speaker) = seat.speaker_mut() else { continue };
            let page = speaker.page();
            if speaker.is_drained() && self.reports.push(Report::Drained(page)).is_ok() {
                speaker.drained_is_told();
            }
            let fading = speaker.is_fading() || self.zones.iter().any(|z| z.chimes(page));
            if speaker.leaving()
                && !fading
                && !self.reports.is_full()
                && let Some(voice) = seat.vacate()
            {
                let _ = self.reports.push(Report::Spent(voice));
            }
        }
    }

    fn take_commands(&mut self) {
        for _ in 0..COMMANDS {
            if !self.unsent.is_empty() {
                return;
            }
            let Ok(command) = self.commands.pop() else { return };
            self.obey(command);
        }
    }

    fn obey(&mut self, command: Command<P>) {
        match command {
            Command::Attach(voice) => self.attach(voice),
            Command::Chime {
                zone,
                page,
                sound,
                gain,
            } => {
                if let Some((_, zone)) = find_zone(&mut self.zones, zone) {
                    zone.chime(page, sound, gain);
                }
            }
            Command::Speak { zone, page, gain } => {
                if let Some(speaker) = find(&mut self.seats, page) {
                    match find_zone(&mut self.zones, zone) {
                        Some((i, _)) => speaker.open(i, gain),
                        None => speaker.begin(),
                    }
                }
            }
            Command::Gain { zone, gain } => {
                if let Some((_, zone)) = find_zone(&mut self.zones, zone) {
                    zone.glide(gain);
                }
            }
            Command::Hold { zone, hold } => {
                if let Some((i, _)) = find_zone(&mut self.zones, zone) {
                    self.music.iter_mut().for_each(|player| player.hold(i, hold));
                }
            }
            Command::Silence { zone, page } => {
                if let Some((i, zone)) = find_zone(&mut self.zones, zone) {
                    zone.silence(page);
                    if let Some(speaker) = find(&mut self.seats, page) {
                        speaker.close(i);
                    }
                }
            }
            Command::Drain(page) => {
                let known = find(&mut self.seats, page).map(Speaker::drain);
                if known.is_none() {
                    self.send(Report::Drained(page));
                }
            }
            Command::Detach(page) => {
                self.zones.iter_mut().for_each(|z| z.silence(page));
                if let Some(speaker) = find(&mut self.seats, page) {
                    speaker.leave();
                }
            }
        }
    }

    fn attach(&mut self, voice: Box<Voice<P>>) {
        let Some(free) = self.seats.iter().position(Seat::is_free) else {
            self.send(Report::Spent(voice));
            return;
        };
        let former = self.seats.iter().position(|s| s.holds(voice.page));
        self.seats[free].take(voice);
        if let Some(former) = former
            && let Ok([old, new]) = self.seats.get_disjoint_mut([former, free])
            && let (Some(old), Some(new)) = (old.speaker_mut(), new.speaker_mut())
        {
            new.take_over(old);
        }
    }

    /// Sends what must arrive.
    fn send(&mut self, report: Report<P>) {
        if let Err(rtrb::PushError::Full(report)) = self.reports.push(report) {
            self.unsent.push(report);
        }
    }
}

fn find<P: Pull>(seats: &mut [Seat<P>], page: PageId) -> Option<&mut Speaker<P>> {
    seats.iter_mut().find(|s| s.holds(page)).and_then(Seat::speaker_mut)
}

fn find_zone(zones: &mut [Zone], id: ZoneId) -> Option<(usize, &mut Zone)> {
    zones.iter_mut().enumerate().find(|(_, z)| z.id() == id)
}

#[cfg(test)]
mod tests;
