//! Named telephone events (RFC 4733): a reader that gives each event once, and a writer.

use std::time::{Duration, Instant};

/// Longest duration one packet can state, timestamp units; a longer event goes on in a new segment (§2.5.1.3).
pub const MAX_SEGMENT: u16 = u16::MAX;
/// Times the last packet of an event is sent (§2.5.1.4).
pub const END_REPEATS: usize = 3;
/// Silence of the sender after which an event whose end was lost is taken to have ended: three updates of the
/// recommended 50 ms and some (§2.5.2.2).
pub const END_LOST: Duration = Duration::from_millis(200);
/// Events looked at in one packet.
const MAX_IN_PACKET: usize = 16;

/// One event as it stands in a packet (§2.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Event {
    /// 0 to 9 digits, 10 `*`, 11 `#`, 12 to 15 A to D (§3.2); others are passed through.
    pub code: u8,
    pub end: bool,
    /// Power level, −dBm0, 0 to 63.
    pub volume: u8,
    /// Timestamp units since the start of the segment.
    pub duration: u16,
}

impl Event {
    /// Reads one event; the reserved bit is ignored (§2.3.3).
    pub fn read(octets: [u8; 4]) -> Self {
        Event {
            code: octets[0],
            end: octets[1] & 0x80 != 0,
            volume: octets[1] & 0x3f,
            duration: u16::from_be_bytes([octets[2], octets[3]]),
        }
    }

    pub fn write(self) -> [u8; 4] {
        let [high, low] = self.duration.to_be_bytes();
        [self.code, u8::from(self.end) << 7 | self.volume.min(63), high, low]
    }
}

/// Character of a DTMF event code (§3.2 Table 3).
pub fn digit(code: u8) -> Option<char> {
    b"0123456789*#ABCD".get(usize::from(code)).map(|c| char::from(*c))
}

/// Event code of a DTMF character.
pub fn code(digit: char) -> Option<u8> {
    let digit = u8::try_from(digit.to_ascii_uppercase()).ok()?;
    b"0123456789*#ABCD"
        .iter()
        .position(|c| *c == digit)
        .and_then(|i| u8::try_from(i).ok())
}

/// What the reader heard. Every event begins once and ends once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Heard {
    Begin {
        code: u8,
    },
    /// `duration` in timestamp units over all segments; the longest that was stated if the end was lost.
    End {
        code: u8,
        duration: u32,
    },
}

/// The event that is going on.
#[derive(Debug, Clone, Copy)]
struct Current {
    code: u8,
    /// RTP timestamp of the present segment, and what earlier segments amount to.
    timestamp: u32,
    before: u32,
    longest: u16,
    updated: Instant,
}

/// Reads the telephone events of one stream. Bounded memory, never panics.
#[derive(Debug, Default)]
pub struct EventReader {
    current: Option<Current>,
    /// Timestamp and code of the last event that ended, and of the newest one: what comes again or older is old.
    ended: Option<(u32, u8)>,
}

impl EventReader {
    pub fn new() -> Self {
        Self::default()
    }

    /// Reads one packet's payload; appends what is new to `heard`.
    ///
    /// Several events in one packet follow each other without a pause (§2.5.1.5). Repeated, misordered and lost
    /// packets change nothing: an event is known by its timestamp.
    pub fn packet(&mut self, timestamp: u32, payload: &[u8], at: Instant, heard: &mut Vec<Heard>) {
        let mut start = timestamp;
        for octets in payload.chunks_exact(4).take(MAX_IN_PACKET) {
            let event = Event::read([octets[0], octets[1], octets[2], octets[3]]);
            self.event(start, event, at, heard);
            start = start.wrapping_add(u32::from(event.duration));
        }
    }

    /// When [`EventReader::timeout`] is to be called next.
    pub fn poll_timeout(&self) -> Option<Instant> {
        self.current.map(|c| c.updated + END_LOST)
    }

    /// Ends an event whose end packets were lost.
    pub fn timeout(&mut self, now: Instant, heard: &mut Vec<Heard>) {
        if self.poll_timeout().is_some_and(|t| now >= t) {
            self.end(heard);
        }
    }

    fn end(&mut self, heard: &mut Vec<Heard>) {
        if let Some(c) = self.current.take() {
            self.ended = Some((c.timestamp, c.code));
            heard.push(Heard::End {
                code: c.code,
                duration: c.before + u32::from(c.longest),
            });
        }
    }

    fn event(&mut self, timestamp: u32, event: Event, at: Instant, heard: &mut Vec<Heard>) {
        if event.duration == 0 && !event.end {
            // Zero duration says nothing yet, except of states (§2.3.5), which are none of these.
            return;
        }
        if let Some(c) = &mut self.current {
            let ahead = timestamp.wrapping_sub(c.timestamp) as i32;
            if ahead == 0 {
                if event.code != c.code {
                    return;
                }
                c.longest = c.longest.max(event.duration);
                c.updated = at;
                if event.end {
                    self.end(heard);
                }
                return;
            }
            if ahead < 0 {
                return; // misordered
            }
            if event.code == c.code && ahead == i32::from(MAX_SEGMENT) {
                // The next segment of the same event (§2.5.1.3), even if the end of the last one was not seen.
                *c = Current {
                    timestamp,
                    before: c.before + u32::from(MAX_SEGMENT),
                    longest: event.duration,
                    updated: at,
                    ..*c
                };
                if event.end {
                    self.end(heard);
                }
                return;
            }
            // A new event is the end of the old one.
            self.end(heard);
        }
        if self.ended.is_some_and(|(t, _)| timestamp.wrapping_sub(t) as i32 <= 0) {
            return; // a repeated end packet, or a misordered one of an event that is over
        }
        heard.push(Heard::Begin { code: event.code });
        self.current = Some(Current {
            code: event.code,
            timestamp,
            before: 0,
            longest: event.duration,
            updated: at,
        });
        if event.end {
            self.end(heard);
        }
    }
}

/// One packet that the writer wants sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct EventPacket {
    /// First packet of the event (RTP marker bit, §2.5.1.2).
    pub marker: bool,
    /// RTP timestamp, to be added to the event's first timestamp.
    pub offset: u32,
    /// When to send it, timestamp units after the start of the event.
    pub due: u32,
    pub payload: [u8; 4],
}

/// All packets of one event of `duration` timestamp units, one every `interval` (400 is 50 ms at 8 kHz), the last
/// one [`END_REPEATS`] times.
pub fn write(code: u8, volume: u8, duration: u32, interval: u16) -> impl Iterator<Item = EventPacket> {
    let interval = u32::from(interval.max(1));
    let duration = duration.max(1);
    let steps = duration.div_ceil(interval);
    let segment = u32::from(MAX_SEGMENT);
    let (mut step, mut segment_start, mut repeats) = (0u32, 0u32, 0usize);
    std::iter::from_fn(move || {
        let event = |end: bool, due: u32, start: u32| EventPacket {
            marker: due <= interval && !end && start == 0,
            offset: start,
            due,
            payload: Event {
                code,
                end,
                volume,
                duration: (due - start).min(segment) as u16,
            }
            .write(),
        };
        if step < steps {
            let due = ((step + 1).saturating_mul(interval)).min(duration);
            if due - segment_start > segment {
                // The segment is full: state that, then go on in the next (§2.5.1.3).
                let full = event(false, segment_start + segment, segment_start);
                segment_start += segment;
                return Some(full);
            }
            step += 1;
            return Some(event(false, due, segment_start));
        }
        if repeats < END_REPEATS {
            repeats += 1;
            return Some(event(true, duration, segment_start));
        }
        None
    })
}

#[cfg(test)]
mod tests;
