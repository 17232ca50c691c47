//! The caller's return path: tones and silence as RTP packets, one every 20 ms, paced by the driver.

use std::time::Duration;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rtp_rs::{RtpPacketBuilder, Seq};

use super::Codec;
use super::codec::MAX_SENT;
use super::encoder::Encoder;

/// Longest packet, ms: a G.711 payload of 120 ms still fits an Ethernet frame.
pub const MAX_PTIME_MS: u32 = 120;

/// A sender of one RTP stream. Never pauses: the driver asks for a packet every `ptime` and gives it silence when
/// there is nothing to say, so that address translators keep the path open.
#[derive(Debug)]
pub struct Talker {
    codec: Codec,
    encoder: Encoder,
    payload_type: u8,
    ptime_ms: u32,
    /// Packets' times that have gone by.
    passed: u64,
    ssrc: u32,
    seq: u16,
    timestamp: u32,
    silent: bool,
}

impl Talker {
    /// `ptime_ms` of audio in each packet; `seed` decides SSRC and the first sequence number and timestamp, which
    /// are to be random (RFC 3550 §5.1); the sequence number lies in the lower half, so that one who misses the first packets
    /// of a protected stream knows its roll-over counter (RFC 3711 §3.3.1).
    ///
    /// # Errors
    /// When the payload type is above 127, the codec knows no such packet time, or has no encoder.
    pub fn new(codec: Codec, payload_type: u8, ptime_ms: u32, seed: u64) -> Result<Self, String> {
        if payload_type > 127 {
            return Err(format!("payload type {payload_type}: at most 127"));
        }
        let allowed = match codec {
            Codec::Pcmu | Codec::Pcma | Codec::G722 => (1..=MAX_PTIME_MS).contains(&ptime_ms),
            Codec::L16(linear) => {
                (1..=MAX_PTIME_MS).contains(&ptime_ms)
                    && (linear.rate() * ptime_ms).div_ceil(1000) as usize * linear.frame() <= MAX_SENT
            }
            Codec::Opus => [5, 10, 20, 40, 60].contains(&ptime_ms),
        };
        if !allowed {
            return Err(format!("{} cannot send packets of {ptime_ms} ms", codec.name()));
        }
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        Ok(Talker {
            codec,
            encoder: Encoder::new(codec)?,
            payload_type,
            ptime_ms,
            passed: 0,
            ssrc: random.random(),
            seq: random.random::<u16>() >> 1,
            timestamp: random.random(),
            silent: true,
        })
    }

    /// Sampling rate of the audio that [`Talker::packet`] takes, Hz.
    pub fn rate(&self) -> u32 {
        self.codec.sample_rate()
    }

    /// Samples in the next packet. Where a packet's time is not whole samples (5 ms at 44.1 kHz), they come to it on average.
    pub fn samples_per_packet(&self) -> usize {
        (self.samples_until(self.passed + 1) - self.samples_until(self.passed)) as usize
    }

    /// How long a packet is.
    pub fn packet_time(&self) -> Duration {
        Duration::from_millis(u64::from(self.ptime_ms))
    }

    fn samples_until(&self, packets: u64) -> u64 {
        packets * u64::from(self.codec.sample_rate()) * u64::from(self.ptime_ms) / 1000
    }

    pub fn ssrc(&self) -> u32 {
        self.ssrc
    }

    /// The next datagram: `pcm` (±1.0), filled up with silence or cut to [`Talker::samples_per_packet`]. The marker
    /// is set on the first packet with sound after silence (RFC 3551 §4.1).
    pub fn packet(&mut self, pcm: &[f32]) -> Vec<u8> {
        let mut audio = vec![0.0; self.samples_per_packet()];
        let n = pcm.len().min(audio.len());
        audio[..n].copy_from_slice(&pcm[..n]);
        let mut payload = Vec::with_capacity(audio.len());
        // The length was checked when the talker was made; should the library fail all the same, an empty payload
        // still keeps the path open.
        let _ = self.encoder.encode(&audio, &mut payload);
        let silent = audio.iter().all(|s| *s == 0.0);
        let datagram = RtpPacketBuilder::new()
            .payload_type(self.payload_type)
            .ssrc(self.ssrc)
            .sequence(Seq::from(self.seq))
            .timestamp(self.timestamp)
            .marked(self.silent && !silent)
            .payload(&payload)
            .build()
            .unwrap_or_default();
        self.silent = silent;
        self.seq = self.seq.wrapping_add(1);
        self.pass(1);
        datagram
    }

    /// So many packets' time has gone by: the timestamp counts it, sent or not (RFC 3550 §5.1). Else all that comes after a
    /// break is late for a listener who plays by timestamps.
    pub fn pass(&mut self, packets: u32) {
        let before = self.samples_until(self.passed);
        self.passed += u64::from(packets);
        let samples = self.samples_until(self.passed) - before;
        let ticks = samples * u64::from(self.codec.clock_rate()) / u64::from(self.codec.sample_rate());
        self.timestamp = self.timestamp.wrapping_add(ticks as u32);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rtp_rs::RtpReader;

    #[test]
    fn numbers_run_on_and_the_marker_opens_a_talkspurt() {
        let mut t = Talker::new(Codec::Pcmu, 0, 20, 4).unwrap();
        assert_eq!((t.rate(), t.samples_per_packet()), (8000, 160));
        let tone = [0.5; 160];
        let packets: Vec<Vec<u8>> = [&[][..], &tone, &tone, &[], &tone]
            .into_iter()
            .map(|pcm| t.packet(pcm))
            .collect();
        let read: Vec<_> = packets.iter().map(|p| RtpReader::new(p).unwrap()).collect();
        assert_eq!(
            read.iter().map(|r| r.mark()).collect::<Vec<_>>(),
            [false, true, false, false, true]
        );
        assert_eq!(read[0].payload(), [0xff; 160], "silence is sent too");
        for pair in read.windows(2) {
            assert_eq!(pair[0].sequence_number().next(), pair[1].sequence_number());
            assert_eq!(pair[0].timestamp().wrapping_add(160), pair[1].timestamp());
            assert_eq!(pair[0].ssrc(), t.ssrc());
        }
    }

    /// RFC 3550 §5.1: the timestamp goes on through a break, the sequence number does not.
    #[test]
    fn time_without_packets_is_counted() {
        let mut t = Talker::new(Codec::Pcmu, 0, 20, 4).unwrap();
        let before = t.packet(&[]);
        t.pass(100);
        let after = t.packet(&[]);
        let (before, after) = (RtpReader::new(&before).unwrap(), RtpReader::new(&after).unwrap());
        assert_eq!(after.timestamp().wrapping_sub(before.timestamp()), 101 * 160);
        assert_eq!(before.sequence_number().next(), after.sequence_number());
    }

    /// RFC 7587 §4.1: the Opus clock runs at 48 kHz whatever is inside.
    #[test]
    fn opus_counts_at_48_khz() {
        let mut t = Talker::new(Codec::Opus, 111, 20, 4).unwrap();
        let (a, b) = (t.packet(&[0.1; 960]), t.packet(&[0.1; 960]));
        let (a, b) = (RtpReader::new(&a).unwrap(), RtpReader::new(&b).unwrap());
        assert_eq!(b.timestamp().wrapping_sub(a.timestamp()), 960);
        assert_eq!(a.payload_type(), 111);
    }

    /// RFC 3551 §4.5.2: the G.722 clock runs at 8 kHz, with one octet a tick.
    #[test]
    fn g722_counts_at_8_khz() {
        let mut t = Talker::new(Codec::G722, 9, 20, 4).unwrap();
        assert_eq!((t.rate(), t.samples_per_packet()), (16_000, 320));
        let (a, b) = (t.packet(&[0.1; 320]), t.packet(&[0.1; 320]));
        let (a, b) = (RtpReader::new(&a).unwrap(), RtpReader::new(&b).unwrap());
        assert_eq!(b.timestamp().wrapping_sub(a.timestamp()), 160);
        assert_eq!((a.payload_type(), a.payload().len()), (9, 160));
    }

    /// RFC 3551 §4.5.11, §4.1: the clock counts samples of one channel.
    #[test]
    fn l16_of_44100_hz_keeps_its_pace_in_packets_of_5_ms() {
        let codec = Codec::of_static_type(10).unwrap();
        let mut t = Talker::new(codec, 10, 5, 4).unwrap();
        let mut samples = 0;
        let mut due = None;
        for _ in 0..200 {
            let n = t.samples_per_packet();
            let packet = t.packet(&[0.25; 221]);
            let read = RtpReader::new(&packet).unwrap();
            assert_eq!(read.payload().len(), 4 * n);
            assert_eq!(read.timestamp(), due.unwrap_or(read.timestamp()));
            due = Some(read.timestamp().wrapping_add(n as u32));
            samples += n;
        }
        assert_eq!(samples, 44_100);
        assert!(Talker::new(codec, 10, 20, 4).is_err(), "3528 octets fit no frame");
    }

    #[test]
    fn seeds_differ_and_impossible_packet_times_are_refused() {
        let ssrc = |seed| Talker::new(Codec::Pcma, 8, 20, seed).unwrap().ssrc();
        assert_ne!(ssrc(1), ssrc(2));
        assert_eq!(ssrc(1), ssrc(1));
        assert!(Talker::new(Codec::Opus, 111, 30, 1).unwrap_err().contains("30 ms"));
        assert!(Talker::new(Codec::Pcmu, 0, 0, 1).is_err());
        assert!(Talker::new(Codec::Pcmu, 200, 20, 1).is_err());
    }
}
