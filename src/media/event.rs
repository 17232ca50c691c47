//! Named telephone events (RFC 4733): a reader that gives each event once, and a writer.

use std::time::{Duration, Instant};

/// Longest duration one packet can state, timestamp units; a longer event goes on in a new segment (§2.5.1.3).
pub const MAX_SEGMENT: u16 = u16::MAX;
/// Times the last packet of an event is sent (§2.5.1.4).
pub const END_REPEATS: usize = 3;
/// Silence of the sender after which an event whose end was lost is taken to have ended: three updates of the
/// recommended 50 ms and some (§2.5.2.2).
pub const END_LOST: Duration = Duration::from_millis(200);
/// Further back than this is no packet that was overtaken but a sender whose time line began anew, timestamp units: 2 s
/// at 48 kHz.
const MISORDERED: i32 = 96_000;
/// Share of a full segment by which the next one may begin too early or too late.
const SEGMENT_SLACK: u32 = MAX_SEGMENT as u32 / 32;
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

/// An event that is over.
#[derive(Debug, Clone, Copy)]
struct Ended {
    code: u8,
    timestamp: u32,
    duration: u16,
    /// Its end packets did not come: it may go on after all.
    lost: bool,
}

/// Reads the telephone events of one stream. Bounded memory, never panics.
#[derive(Debug, Default)]
pub struct EventReader {
    current: Option<Current>,
    /// The newest event that ended: what comes again or older is old.
    ended: Option<Ended>,
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
        self.marked_packet(timestamp, false, payload, at, heard);
    }

    /// The same; `marker`: the RTP marker is set on a packet that none has overtaken. It begins an event (§2.5.1.2)
    /// even where the sender's timestamps stand still.
    pub fn marked_packet(&mut self, timestamp: u32, marker: bool, payload: &[u8], at: Instant, heard: &mut Vec<Heard>) {
        if let (Some(ended), [code, flags, high, low, ..]) = (self.ended, payload) {
            let event = Event::read([*code, *flags, *high, *low]);
            // Not the end once more, from a sender that marks every packet.
            if marker && self.current.is_none() && !event.end && event.duration < ended.duration {
                self.ended = None;
            }
        }
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
            self.end(true, heard);
        }
    }

    fn end(&mut self, lost: bool, heard: &mut Vec<Heard>) {
        if let Some(c) = self.current.take() {
            self.ended = Some(Ended {
                code: c.code,
                timestamp: c.timestamp,
                duration: c.longest,
                lost,
            });
            heard.push(Heard::End {
                code: c.code,
                duration: c.before.saturating_add(c.longest.into()),
            });
        }
    }

    fn event(&mut self, timestamp: u32, event: Event, at: Instant, heard: &mut Vec<Heard>) {
        if let Some(c) = &mut self.current {
            let ahead = timestamp.wrapping_sub(c.timestamp) as i32;
            if ahead == 0 && event.code == c.code {
                c.longest = c.longest.max(event.duration);
                c.updated = at;
                if event.end {
                    self.end(false, heard);
                }
                return;
            }
            if ahead == 0 || event.duration == 0 || (-MISORDERED..0).contains(&ahead) {
                return;
            }
            if event.code == c.code && is_next_segment(ahead) {
                // Even if the end of the last one was not seen.
                *c = Current {
                    timestamp,
                    before: c.before.saturating_add(ahead as u32),
                    longest: event.duration,
                    updated: at,
                    ..*c
                };
                if event.end {
                    self.end(false, heard);
                }
                return;
            }
            // A new event is the end of the old one.
            self.end(true, heard);
        }
        // Zero duration says nothing yet, except of states (§2.3.5), which are none of these.
        if event.duration == 0 || self.is_old(timestamp, &event) {
            return;
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
            self.end(false, heard);
        }
    }

    /// Whether an event belongs to one that is over: its end once more, a packet that was overtaken, or the rest of a
    /// long one of which nothing came for a while.
    fn is_old(&mut self, timestamp: u32, event: &Event) -> bool {
        let Some(ended) = &mut self.ended else { return false };
        let ahead = timestamp.wrapping_sub(ended.timestamp) as i32;
        if ended.lost && event.code == ended.code && is_next_segment(ahead) {
            ended.timestamp = timestamp;
            ended.lost = !event.end;
            return true;
        }
        match ahead {
            // A sender whose timestamps stand still, with another key.
            0 => event.code == ended.code || event.end,
            _ => (-MISORDERED..0).contains(&ahead),
        }
    }
}

/// Whether a segment that begins this far after another is full in between (§2.5.1.3).
fn is_next_segment(ahead: i32) -> bool {
    u32::try_from(ahead).is_ok_and(|a| a.abs_diff(MAX_SEGMENT.into()) <= SEGMENT_SLACK)
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
