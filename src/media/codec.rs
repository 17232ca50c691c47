//! What the payload types of one session mean (RFC 3551, RFC 7587, RFC 4733).

/// An audio codec.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Codec {
    /// G.711 µ-law, 8 kHz.
    Pcmu,
    /// G.711 A-law, 8 kHz.
    Pcma,
    /// ITU-T G.722 at 64 kbit/s, 16 kHz; its RTP clock is 8 kHz by an old mistake (RFC 3551 §4.5.2).
    G722,
    /// Samples as they are.
    L16(Linear),
    /// RFC 7587: clock always 48 kHz; decoded to mono 48 kHz here.
    Opus,
}

/// A kind of L16: samples of 16 bits, the more significant octet first, channels in turn (RFC 3551 §4.5.11). Two channels
/// are left and right; a horn plays their mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Linear {
    rate: u32,
    stereo: bool,
}

/// Sampling rates of L16, Hz, and how it is written down for people with one channel and with two.
const LINEAR: [(u32, [&str; 2]); 8] = [
    (8_000, ["L16/8000", "L16/8000/2"]),
    (11_025, ["L16/11025", "L16/11025/2"]),
    (16_000, ["L16/16000", "L16/16000/2"]),
    (22_050, ["L16/22050", "L16/22050/2"]),
    (24_000, ["L16/24000", "L16/24000/2"]),
    (32_000, ["L16/32000", "L16/32000/2"]),
    (44_100, ["L16/44100", "L16/44100/2"]),
    (48_000, ["L16/48000", "L16/48000/2"]),
];

/// Octets of payload that we send at most: what is left of an Ethernet frame by IPv6, UDP, RTP and the tag of SRTP.
pub const MAX_SENT: usize = 1500 - 40 - 8 - 12 - 10;

impl Linear {
    /// `rate` in Hz, one of [`Linear::rates`]; one channel or two. Otherwise `None`.
    pub fn new(rate: u32, channels: u8) -> Option<Self> {
        let known = Self::rates().any(|known| known == rate) && (1..=2).contains(&channels);
        known.then_some(Linear {
            rate,
            stereo: channels == 2,
        })
    }

    /// What there is, Hz.
    pub fn rates() -> impl Iterator<Item = u32> {
        LINEAR.iter().map(|(rate, _)| *rate)
    }

    /// Hz.
    pub fn rate(self) -> u32 {
        self.rate
    }

    /// 1 or 2.
    pub fn channels(self) -> u8 {
        if self.stereo { 2 } else { 1 }
    }

    /// Octets of one sample of all channels.
    pub fn frame(self) -> usize {
        2 * usize::from(self.channels())
    }

    fn name(self) -> &'static str {
        let names = LINEAR.iter().find(|(rate, _)| *rate == self.rate);
        names.map_or("L16", |(_, names)| names[usize::from(self.stereo)])
    }
}

impl Codec {
    /// What a payload type means without signalling (RFC 3551 Table 4).
    pub fn of_static_type(payload_type: u8) -> Option<Codec> {
        match payload_type {
            0 => Some(Codec::Pcmu),
            8 => Some(Codec::Pcma),
            9 => Some(Codec::G722),
            10 => Linear::new(44_100, 2).map(Codec::L16),
            11 => Linear::new(44_100, 1).map(Codec::L16),
            _ => None,
        }
    }

    /// Payload type without signalling (RFC 3551 Table 4).
    pub fn static_type(self) -> Option<u8> {
        [0, 8, 9, 10, 11]
            .into_iter()
            .find(|pt| Codec::of_static_type(*pt) == Some(self))
    }

    /// RTP clock rate, Hz.
    pub fn clock_rate(self) -> u32 {
        match self {
            Codec::Pcmu | Codec::Pcma | Codec::G722 => 8000,
            Codec::L16(linear) => linear.rate,
            Codec::Opus => 48000,
        }
    }

    /// Sampling rate of the coded audio, Hz.
    pub fn sample_rate(self) -> u32 {
        match self {
            Codec::Pcmu | Codec::Pcma => 8000,
            Codec::G722 => 16000,
            Codec::L16(linear) => linear.rate,
            Codec::Opus => 48000,
        }
    }

    /// Sampling rate that the audio is decoded to, Hz: its own where 5 ms of it are whole samples, else 48 kHz.
    pub fn playout_rate(self) -> u32 {
        match self.sample_rate() {
            rate if rate.is_multiple_of(200) => rate,
            _ => 48000,
        }
    }

    /// Encoding name as registered (RFC 3551 Table 4, RFC 7587 §7).
    pub fn encoding(self) -> &'static str {
        match self {
            Codec::Pcmu => "PCMU",
            Codec::Pcma => "PCMA",
            Codec::G722 => "G722",
            Codec::L16(_) => "L16",
            Codec::Opus => "opus",
        }
    }

    /// For people: the encoding name, of L16 with rate and channels.
    pub fn name(self) -> &'static str {
        match self {
            Codec::L16(linear) => linear.name(),
            other => other.encoding(),
        }
    }

    /// Longest packet time up to `wanted` ms that we send, at least 10 ms; of L16 what fits into [`MAX_SENT`], at least 5 ms. Opus
    /// has no frames of 30 and 50 ms (RFC 7587 §3.3).
    pub fn packet_time(self, wanted: u32) -> u32 {
        let times: &[u32] = match self {
            Codec::Opus => &[60, 40, 20, 10],
            _ => &[60, 50, 40, 30, 20, 10],
        };
        let fits = |time: u32| match self {
            Codec::L16(linear) => (linear.rate * time).div_ceil(1000) as usize * linear.frame() <= MAX_SENT,
            _ => true,
        };
        let longest = times.iter().copied().find(|time| *time <= wanted && fits(*time));
        longest.unwrap_or(if matches!(self, Codec::L16(_)) { 5 } else { 10 })
    }
}

/// Meaning of one payload type.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Format {
    Audio(Codec),
    /// RFC 4733 named telephone events.
    TelephoneEvent,
    /// RFC 3389 comfort noise.
    ComfortNoise,
}

/// Encoding name of a static payload type, decoded here or not (RFC 3551 Tables 4 and 5, from memory).
pub fn static_name(payload_type: u8) -> Option<&'static str> {
    Some(match payload_type {
        0 => "PCMU",
        3 => "GSM",
        4 => "G723",
        5 | 6 | 16 | 17 => "DVI4",
        7 => "LPC",
        8 => "PCMA",
        9 => "G722",
        10 | 11 => "L16",
        12 => "QCELP",
        13 => "CN",
        14 => "MPA",
        15 => "G728",
        18 => "G729",
        25 => "CelB",
        26 => "JPEG",
        28 => "nv",
        31 => "H261",
        32 => "MPV",
        33 => "MP2T",
        34 => "H263",
        _ => return None,
    })
}

/// Payload types of one session: the static ones, and what an offer of ours can hold beside them.
pub const MAX_FORMATS: usize = 16;

/// The payload types of one session; small, fixed, no heap.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct PayloadMap {
    entries: [Option<(u8, Format)>; MAX_FORMATS],
}

impl PayloadMap {
    pub fn new() -> Self {
        Self::default()
    }

    /// The static assignments that need no signalling: 0 PCMU, 8 PCMA, 9 G722, 10 and 11 L16, 13 CN (RFC 3551 Table 4).
    pub fn static_types() -> Self {
        let codecs = (0..13).filter_map(|pt| Some((pt, Format::Audio(Codec::of_static_type(pt)?))));
        codecs
            .chain([(13, Format::ComfortNoise)])
            .fold(Self::new(), |map, (pt, format)| map.with(pt, format))
    }

    /// Adds or replaces one assignment; beyond [`MAX_FORMATS`] it is dropped.
    pub fn with(mut self, payload_type: u8, format: Format) -> Self {
        let free = self
            .entries
            .iter()
            .position(|e| e.is_some_and(|(pt, _)| pt == payload_type))
            .or_else(|| self.entries.iter().position(Option::is_none));
        if let Some(i) = free {
            self.entries[i] = Some((payload_type, format));
        }
        self
    }

    /// This and what the other has besides, as far as there is room: the own assignments win.
    pub fn joined(self, other: &PayloadMap) -> Self {
        let besides = other.iter().filter(|(pt, _)| self.format(*pt).is_none());
        besides.fold(self, |map, (pt, format)| map.with(pt, format))
    }

    pub fn format(&self, payload_type: u8) -> Option<Format> {
        self.iter().find(|(pt, _)| *pt == payload_type).map(|(_, f)| f)
    }

    pub fn iter(&self) -> impl Iterator<Item = (u8, Format)> + '_ {
        self.entries.iter().flatten().copied()
    }

    /// The first audio codec, with its payload type: the one that the answerer sends.
    pub fn audio(&self) -> Option<(u8, Codec)> {
        self.iter().find_map(|(pt, f)| match f {
            Format::Audio(codec) => Some((pt, codec)),
            _ => None,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn joined_maps_keep_their_own_assignments_first() {
        let own = PayloadMap::new()
            .with(9, Format::Audio(Codec::G722))
            .with(13, Format::TelephoneEvent);
        let all = own.joined(&PayloadMap::static_types());
        assert_eq!(all.audio(), Some((9, Codec::G722)));
        assert_eq!(all.format(13), Some(Format::TelephoneEvent));
        assert_eq!(all.format(0), Some(Format::Audio(Codec::Pcmu)));
        assert_eq!(all.iter().count(), 6);
        // No room: what was there stays.
        let full = (96..96 + MAX_FORMATS as u8).fold(PayloadMap::new(), |map, pt| map.with(pt, Format::ComfortNoise));
        assert_eq!(full.joined(&all), full);
    }

    /// RFC 3551 Table 4.
    #[test]
    fn static_types_there_and_back() {
        for (pt, name, clock) in [
            (0, "PCMU", 8000),
            (8, "PCMA", 8000),
            (9, "G722", 8000),
            (10, "L16/44100/2", 44_100),
            (11, "L16/44100", 44_100),
        ] {
            let codec = Codec::of_static_type(pt).unwrap();
            assert_eq!((codec.name(), codec.clock_rate()), (name, clock));
            assert_eq!(codec.static_type(), Some(pt));
            assert_eq!(PayloadMap::static_types().format(pt), Some(Format::Audio(codec)));
        }
        assert_eq!(Codec::Opus.static_type(), None);
        assert_eq!(Linear::new(48_000, 2).map(|l| Codec::L16(l).static_type()), Some(None));
        assert!(Linear::new(48_001, 1).is_none() && Linear::new(48_000, 3).is_none() && Linear::new(8000, 0).is_none());
    }

    /// An Ethernet frame holds every packet that we send.
    #[test]
    fn packets_of_l16_fit_a_frame() {
        let time = |rate, channels, wanted| Codec::L16(Linear::new(rate, channels).unwrap()).packet_time(wanted);
        assert_eq!(time(48_000, 2, 20), 5);
        assert_eq!(time(48_000, 1, 20), 10);
        assert_eq!(time(44_100, 2, 60), 5);
        assert_eq!(time(16_000, 1, 20), 20);
        assert_eq!(time(8_000, 1, 200), 60);
        assert_eq!(time(8_000, 1, 3), 5);
        for linear in Linear::rates().flat_map(|rate| [1, 2].map(|n| Linear::new(rate, n).unwrap())) {
            let time = Codec::L16(linear).packet_time(u32::MAX);
            assert!((linear.rate() * time).div_ceil(1000) as usize * linear.frame() <= MAX_SENT);
        }
        assert_eq!((Codec::Opus.packet_time(30), Codec::Pcmu.packet_time(30)), (20, 30));
        assert_eq!((Codec::Opus.packet_time(3), Codec::G722.packet_time(9)), (10, 10));
    }
}
