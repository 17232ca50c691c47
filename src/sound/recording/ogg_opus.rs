//! Ogg Opus files (RFC 3533, RFC 7845).
//!
//! Pages are found here, one behind the other and each in its turn, since a message with a hole is no message; the `ogg`
//! crate checks their sums and puts packets together.

use ogg::reading::{BasePacketReader, OggReadError, PageParser};

use super::fault::Fault;
use super::intake::Intake;
use super::packets::{Head, Streams};
use super::{MAX_LENGTH, Recording};
use crate::sound::RATE;
use crate::sound::level::Db;

const WHAT: &str = "an Ogg Opus file";
const HEADER: usize = 27;
/// Page flags (RFC 3533 §6).
const FIRST: u8 = 2;
const LAST: u8 = 4;
/// Frames held back until it is known whether the end cuts them off: a page of an ordinary encoder.
const HELD: usize = RATE as usize;
/// Decoded samples at or beyond this are at full scale: what was cut off before it was encoded comes back wavy.
const FULL: f32 = 0.98;

/// One page, as its header tells of it.
struct Page<'a> {
    flags: u8,
    /// `None`: no packet ends here.
    granule: Option<i64>,
    serial: u32,
    sequence: u32,
    header: [u8; HEADER],
    segments: &'a [u8],
    body: &'a [u8],
}

impl<'a> Page<'a> {
    /// The page at the front of `octets`, and what follows; `None` if it is cut off.
    fn read(octets: &'a [u8]) -> Option<(Self, &'a [u8])> {
        let header: [u8; HEADER] = octets.get(..HEADER)?.try_into().ok()?;
        let [
            _,
            _,
            _,
            _,
            _,
            flags,
            g0,
            g1,
            g2,
            g3,
            g4,
            g5,
            g6,
            g7,
            s0,
            s1,
            s2,
            s3,
            n0,
            n1,
            n2,
            n3,
            _,
            _,
            _,
            _,
            count,
        ] = header;
        let rest = octets.get(HEADER..)?;
        let (segments, rest) = rest.split_at_checked(usize::from(count))?;
        let (body, rest) = rest.split_at_checked(segments.iter().map(|s| usize::from(*s)).sum())?;
        let granule = i64::from_le_bytes([g0, g1, g2, g3, g4, g5, g6, g7]);
        let page = Page {
            flags,
            granule: (granule != -1).then_some(granule),
            serial: u32::from_le_bytes([s0, s1, s2, s3]),
            sequence: u32::from_le_bytes([n0, n1, n2, n3]),
            header,
            segments,
            body,
        };
        Some((page, rest))
    }
}

/// Reads the whole file.
pub fn read(octets: &[u8]) -> Result<Recording, Fault> {
    let mut rest = octets;
    let mut reader: Option<Reader> = None;
    let mut other = None;
    let mut beginning = true;
    while !rest.is_empty() {
        let ended = reader.as_ref().is_some_and(|r| r.ended);
        if !rest.starts_with(b"OggS") {
            match &reader {
                // A tag that some program put behind the stream.
                Some(_) if ended => break,
                Some(reader) if b"OggS".starts_with(rest) => return Err(reader.cut_off()),
                Some(reader) => return Err(reader.damaged("what should be a page is none")),
                None => return Err(Fault::damaged(WHAT, "what should be a page is none", None)),
            }
        }
        let Some((page, more)) = Page::read(rest) else {
            return Err(match &reader {
                Some(reader) => reader.cut_off(),
                None => Fault::cut_off("an Ogg file"),
            });
        };
        rest = more;
        if page.flags & FIRST != 0 {
            if ended || !beginning {
                return Err(Fault::chained());
            }
            if page.body.starts_with(b"OpusHead") {
                if reader.is_some() {
                    return Err(Fault::other_ogg("several Opus streams at once"));
                }
                let mut new = Reader::new(page.serial, page.sequence);
                new.page(&page)?;
                reader = Some(new);
            } else {
                other = other.or(Some(kind(page.body)));
            }
            continue;
        }
        beginning = false;
        match &mut reader {
            Some(reader) if reader.serial == page.serial => reader.page(&page)?,
            Some(_) => {}
            None => break,
        }
    }
    match reader {
        Some(reader) => reader.finish(),
        None => Err(Fault::other_ogg(other.unwrap_or("nothing that is known"))),
    }
}

/// What the first packet of another stream says that it is.
fn kind(packet: &[u8]) -> &'static str {
    match packet {
        [1, b'v', b'o', b'r', b'b', b'i', b's', ..] => "Vorbis instead of Opus",
        [0x7f, b'F', b'L', b'A', b'C', ..] => "FLAC instead of Opus",
        [b'S', b'p', b'e', b'e', b'x', ..] => "Speex instead of Opus",
        [0x80, b't', b'h', b'e', b'o', b'r', b'a', ..] => "a video",
        _ => "nothing that is known",
    }
}

struct Reader {
    serial: u32,
    /// Of the page to come.
    sequence: u32,
    packets: BasePacketReader,
    /// Header packets seen.
    headers: usize,
    stream: Option<Stream>,
    /// The page that ends the stream has been seen.
    ended: bool,
}

/// What sounds.
struct Stream {
    streams: Streams,
    intake: Intake,
    channels: usize,
    gain: f32,
    /// Frames still to be thrown away.
    skip: usize,
    /// Frames decoded, and how many the header throws away.
    decoded: i64,
    pre_skip: i64,
    /// Granule position of the first sample decoded (RFC 7845 §4.3: a stream may have lost its beginning).
    start: Option<i64>,
    /// Decoded and not yet taken.
    waiting: Vec<f32>,
}

impl Reader {
    fn new(serial: u32, sequence: u32) -> Self {
        Reader {
            serial,
            sequence,
            packets: BasePacketReader::new(),
            headers: 0,
            stream: None,
            ended: false,
        }
    }

    fn seconds(&self) -> f64 {
        let heard = |s: &Stream| (s.decoded - s.pre_skip).max(0) as f64 / f64::from(RATE);
        self.stream.as_ref().map_or(0.0, heard)
    }

    fn damaged(&self, how: &str) -> Fault {
        Fault::damaged(WHAT, how, self.stream.is_some().then(|| self.seconds()))
    }

    fn cut_off(&self) -> Fault {
        Fault::ends_early(WHAT, None, self.seconds())
    }

    fn page(&mut self, page: &Page<'_>) -> Result<(), Fault> {
        if self.ended {
            return Err(self.damaged("it goes on behind its end"));
        }
        if page.sequence != self.sequence {
            return Err(self.damaged("a page is missing"));
        }
        self.sequence = self.sequence.wrapping_add(1);
        self.push(page).map_err(|error| match error {
            OggReadError::HashMismatch(..) => self.damaged("the checksum of a page is wrong"),
            OggReadError::InvalidStreamStructVer(_) => self.damaged("a page is of a later version"),
            _ => self.damaged("a page does not follow on the one before"),
        })?;
        while let Some(packet) = self.packets.read_packet() {
            match self.headers {
                0 => {
                    let head = Head::read(&packet.data)?;
                    self.stream = Some(Stream::new(head)?);
                    self.headers = 1;
                }
                1 => {
                    if !packet.data.starts_with(b"OpusTags") {
                        return Err(self.damaged("its second header is missing"));
                    }
                    self.headers = 2;
                }
                _ => {
                    let decoded = self.stream.as_mut().map(|s| s.packet(&packet.data));
                    match decoded {
                        Some(true) => {}
                        _ => return Err(self.damaged("a packet cannot be decoded")),
                    }
                }
            }
        }
        self.ended = page.flags & LAST != 0;
        if let Some(stream) = self.stream.as_mut().filter(|_| self.headers == 2) {
            stream.page_over(page.granule, self.ended)?;
        }
        Ok(())
    }

    fn push(&mut self, page: &Page<'_>) -> Result<(), OggReadError> {
        let (mut parser, _) = PageParser::new(page.header)?;
        parser.parse_segments(page.segments.to_vec());
        let page = parser.parse_packet_data(page.body.to_vec())?;
        self.packets.push_page(page)
    }

    fn finish(self) -> Result<Recording, Fault> {
        match self.stream {
            Some(mut stream) if self.headers == 2 => {
                stream.take(0)?;
                stream.intake.finish(WHAT, self.ended)
            }
            _ => Err(self.cut_off()),
        }
    }
}

impl Stream {
    fn new(head: Head) -> Result<Self, Fault> {
        Ok(Stream {
            intake: Intake::new(head.channels, RATE, FULL),
            channels: head.channels,
            gain: Db(head.gain).factor(),
            skip: head.pre_skip,
            decoded: 0,
            pre_skip: head.pre_skip as i64,
            start: None,
            waiting: Vec::new(),
            streams: Streams::new(head)?,
        })
    }

    fn packet(&mut self, packet: &[u8]) -> bool {
        let Some(frames) = self.streams.decode(packet) else {
            return false;
        };
        self.decoded += (frames.len() / self.channels) as i64;
        self.waiting.extend(frames.iter().map(|x| x * self.gain));
        true
    }

    /// A page is over: what it brought is taken, but for what its granule position cuts off (RFC 7845 §4.4).
    fn page_over(&mut self, granule: Option<i64>, last: bool) -> Result<(), Fault> {
        if let Some(granule) = granule.filter(|_| self.decoded > 0) {
            // §4.3: before its first page no sample may be missing, but a stream that begins and ends on one page.
            let start = *self
                .start
                .get_or_insert_with(|| granule.saturating_sub(self.decoded).max(0));
            let surplus = self.decoded.saturating_sub(granule.saturating_sub(start));
            if last && surplus > 0 {
                let surplus = usize::try_from(surplus).unwrap_or(usize::MAX);
                let keep = self.waiting.len().saturating_sub(surplus.saturating_mul(self.channels));
                self.waiting.truncate(keep);
            }
        }
        self.take(if last { 0 } else { HELD })?;
        // What is cut off at the end may go beyond it; the intake counts to the frame.
        let most = self.pre_skip + (MAX_LENGTH.as_secs() + 1) as i64 * i64::from(RATE);
        if self.decoded > most {
            return Err(Fault::too_long(None));
        }
        Ok(())
    }

    /// Takes all frames but the last `held`.
    fn take(&mut self, held: usize) -> Result<(), Fault> {
        let ready = (self.waiting.len() / self.channels).saturating_sub(held);
        let skipped = self.skip.min(ready);
        self.skip -= skipped;
        let ready = self.waiting.get(skipped * self.channels..ready * self.channels);
        self.intake.push(ready.unwrap_or_default())?;
        let done = self.waiting.len() - held.saturating_mul(self.channels).min(self.waiting.len());
        self.waiting.drain(..done);
        Ok(())
    }
}
