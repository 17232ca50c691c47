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
    /// RFC 7587: clock always 48 kHz; decoded to mono 48 kHz here.
    Opus,
}

impl Codec {
    /// Payload type without signalling (RFC 3551 Table 4).
    pub fn static_type(self) -> Option<u8> {
        match self {
            Codec::Pcmu => Some(0),
            Codec::Pcma => Some(8),
            Codec::G722 => Some(9),
            Codec::Opus => None,
        }
    }

    /// RTP clock rate, Hz.
    pub fn clock_rate(self) -> u32 {
        match self {
            Codec::Pcmu | Codec::Pcma | Codec::G722 => 8000,
            Codec::Opus => 48000,
        }
    }

    /// Sampling rate of the decoded audio, Hz.
    pub fn sample_rate(self) -> u32 {
        match self {
            Codec::Pcmu | Codec::Pcma => 8000,
            Codec::G722 => 16000,
            Codec::Opus => 48000,
        }
    }

    /// Encoding name as registered (RFC 3551 Table 4, RFC 7587 §7).
    pub fn name(self) -> &'static str {
        match self {
            Codec::Pcmu => "PCMU",
            Codec::Pcma => "PCMA",
            Codec::G722 => "G722",
            Codec::Opus => "opus",
        }
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

/// The payload types of one session; small, fixed, no heap.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct PayloadMap {
    entries: [Option<(u8, Format)>; 8],
}

impl PayloadMap {
    pub fn new() -> Self {
        Self::default()
    }

    /// The static assignments that need no signalling: 0 PCMU, 8 PCMA, 9 G722, 13 CN (RFC 3551 Table 4).
    pub fn static_types() -> Self {
        Self::new()
            .with(0, Format::Audio(Codec::Pcmu))
            .with(8, Format::Audio(Codec::Pcma))
            .with(9, Format::Audio(Codec::G722))
            .with(13, Format::ComfortNoise)
    }

    /// Adds or replaces one assignment; a ninth is dropped.
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
        assert_eq!(all.iter().count(), 4);
        // No room: what was there stays.
        let full = (96..104).fold(PayloadMap::new(), |map, pt| map.with(pt, Format::ComfortNoise));
        assert_eq!(full.joined(&all), full);
    }
}
