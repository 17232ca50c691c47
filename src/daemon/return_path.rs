//! What the caller hears: the go-ahead beep, the busy tone, and silence that keeps the path open.

use std::net::SocketAddr;
use std::time::Instant;

use crate::media::srtp::Protector;
use crate::media::talker::Talker;
use crate::sip::sdp::Agreed;
use crate::sound::tone::{Tone, ToneGenerator};

/// Packets sent at once after the control task was held up; beyond it the clock starts anew.
const MAX_CATCH_UP: u32 = 5;

/// A tone on its way.
struct Playing {
    tone: Tone,
    repeat: bool,
    generator: ToneGenerator,
}

impl Playing {
    fn new(tone: Tone, repeat: bool, rate: u32) -> Self {
        let generator = if repeat {
            ToneGenerator::repeating(&tone, rate)
        } else {
            ToneGenerator::once(&tone, rate)
        };
        Playing {
            tone,
            repeat,
            generator,
        }
    }
}

/// One call's way back.
pub struct ReturnPath {
    talker: Talker,
    protector: Option<Protector>,
    agreed: Agreed,
    playing: Option<Playing>,
    /// The tone before, which fades out in the next packet.
    leaving: Option<Playing>,
    pcm: Vec<f32>,
    next: Instant,
}

impl ReturnPath {
    /// `None` when nothing audible was agreed.
    pub fn new(agreed: Agreed, seed: u64, now: Instant) -> Option<Self> {
        let (payload_type, codec) = agreed.payloads.audio()?;
        let talker = Talker::new(codec, payload_type, agreed.ptime, seed).ok()?;
        Some(ReturnPath {
            talker,
            protector: agreed.keys.map(|keys| Protector::new(&keys.ours)),
            agreed,
            playing: None,
            leaving: None,
            pcm: Vec::new(),
            next: now,
        })
    }

    /// Takes a new agreement; the stream goes on where codec and key stay the same. A new stream has a new SSRC, so that a
    /// key protects no packet number twice; a tone that has not ended begins anew in it (many phone systems send a new offer
    /// as soon as a call is answered).
    pub fn agree(&mut self, agreed: Agreed, seed: u64, now: Instant) {
        let ours = |agreed: &Agreed| agreed.keys.map(|keys| keys.ours);
        let same = agreed.payloads.audio() == self.agreed.payloads.audio()
            && agreed.ptime == self.agreed.ptime
            && ours(&agreed) == ours(&self.agreed);
        if same {
            self.agreed = agreed;
        } else if let Some(new) = ReturnPath::new(agreed, seed, now) {
            let unfinished = self.playing.take().filter(|p| !p.generator.finished());
            *self = new;
            if let Some(Playing { tone, repeat, .. }) = unfinished {
                self.play(&tone, repeat);
            }
        }
    }

    /// Where RTP goes now; `None` on hold.
    fn remote(&self) -> Option<SocketAddr> {
        self.agreed.remote.filter(|_| self.agreed.direction.sends())
    }

    /// Plays a tone from the next packet on, in place of the one before; from the next but one, where that has to fade out.
    pub fn play(&mut self, tone: &Tone, repeat: bool) {
        // While one fades out, the one that was to follow has not begun.
        let before = self.playing.take().filter(|playing| !playing.generator.finished());
        self.leaving = self.leaving.take().or(before);
        self.playing = Some(Playing::new(*tone, repeat, self.talker.rate()));
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
        let step = self.talker.packet_time();
        let late = now - self.next;
        if late > step * MAX_CATCH_UP {
            // After hold: time has gone by, and the timestamps say so.
            self.talker.pass((late.as_secs_f64() / step.as_secs_f64()) as u32);
            self.next = now;
        }
        self.next += step;
        self.pcm.clear();
        self.pcm.resize(self.talker.samples_per_packet(), 0.0);
        if let Some(mut leaving) = self.leaving.take() {
            leaving.generator.fill(&mut self.pcm);
            let left = self.pcm.len() as f32;
            (0..).zip(&mut self.pcm).for_each(|(n, x)| *x *= 1.0 - n as f32 / left);
        } else if let Some(playing) = &mut self.playing {
            playing.generator.fill(&mut self.pcm);
        }
        let mut packet = self.talker.packet(&self.pcm);
        if let Some(protector) = &mut self.protector {
            // Never in the clear: a key that is used up ends the beeps, not the page.
            protector.rtp(&mut packet).ok()?;
        }
        Some((remote, packet))
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::disallowed_methods)]

    use super::*;
    use std::time::Duration;

    use crate::media::{Codec, Format, PayloadMap, g711};
    use crate::sip::sdp::Direction;
    use rtp_rs::RtpReader;

    const STEP: Duration = Duration::from_millis(20);

    fn agreed(payload_type: u8, codec: Codec, direction: Direction) -> Agreed {
        Agreed {
            remote: Some("127.0.0.9:4000".parse().unwrap()),
            payloads: PayloadMap::new().with(payload_type, Format::Audio(codec)),
            direction,
            ptime: 20,
            keys: None,
        }
    }

    /// Every packet that is due until `end`.
    fn run(path: &mut ReturnPath, now: &mut Instant, end: Instant) -> Vec<Vec<u8>> {
        let mut all = Vec::new();
        while *now < end {
            all.extend(path.packet(*now).map(|(_, octets)| octets));
            *now += STEP;
        }
        all
    }

    fn peak(packets: &[Vec<u8>], law: &[i16; 256]) -> i16 {
        let octets = packets.iter().flat_map(|p| p[12..].iter());
        octets.map(|o| law[usize::from(*o)].saturating_abs()).max().unwrap_or(0)
    }

    /// RFC 3550 §5.1: timestamps are the sampling clock's, through a hold too.
    #[test]
    fn timestamps_go_on_through_a_hold() {
        let start = Instant::now();
        let mut now = start;
        let mut path = ReturnPath::new(agreed(0, Codec::Pcmu, Direction::SendRecv), 7, now).unwrap();
        let before = run(&mut path, &mut now, start + 10 * STEP);
        path.agree(agreed(0, Codec::Pcmu, Direction::RecvOnly), 8, now);
        assert_eq!(path.due(), None);
        assert!(run(&mut path, &mut now, start + 110 * STEP).is_empty(), "on hold");
        path.agree(agreed(0, Codec::Pcmu, Direction::SendRecv), 9, now);
        let after = run(&mut path, &mut now, start + 120 * STEP);
        assert_eq!((before.len(), after.len()), (10, 10));
        let (first, last) = (RtpReader::new(&after[0]).unwrap(), RtpReader::new(&before[9]).unwrap());
        assert_eq!(first.ssrc(), last.ssrc());
        assert_eq!(first.sequence_number(), last.sequence_number().next());
        assert_eq!(first.timestamp().wrapping_sub(last.timestamp()), 101 * 160);
    }

    #[test]
    fn a_new_codec_does_not_swallow_the_tone() {
        let start = Instant::now();
        let mut now = start;
        let mut path = ReturnPath::new(agreed(0, Codec::Pcmu, Direction::SendRecv), 7, now).unwrap();
        path.play(&Tone::go_ahead(), false);
        let before = run(&mut path, &mut now, start + 2 * STEP);
        // −16 dBm0 is a peak of 3605 of 32,768 (G.711: a full sine is +3.17 dBm0). Ten samples a period, the first at 0, come
        // to 0.951 of it: 3429. Either law is exact to 1/32.
        let level = 3320..3540;
        assert!(level.contains(&peak(&before, &g711::ULAW)));
        path.agree(agreed(8, Codec::Pcma, Direction::SendRecv), 8, now);
        let after = run(&mut path, &mut now, start + 30 * STEP);
        assert!(level.contains(&peak(&after, &g711::ALAW)));
        let sounding = after
            .iter()
            .filter(|p| peak(std::slice::from_ref(p), &g711::ALAW) > 3000);
        assert_eq!(sounding.count(), 8, "0.15 s, whole");
        // What has been heard is not heard again.
        path.agree(agreed(0, Codec::Pcmu, Direction::SendRecv), 9, now);
        let quiet = run(&mut path, &mut now, start + 60 * STEP);
        assert_eq!((quiet.len(), peak(&quiet, &g711::ULAW)), (30, 0));
    }
}
