//! Reading and writing SIP messages, byte-safe (RFC 3261 §7, §25).
//!
//! A message keeps its header values as octets: any byte survives, and what has to be echoed is echoed as it
//! came. Reading never fails half-way: a message that breaks a rule is still returned as far as it could be
//! read, with a [`Fault`], so that it can be answered (RFC 4475 §3.1.2).

mod fields;
mod framing;
mod multipart;
mod params;
mod request;
mod text;
mod uri;
mod write;

pub use fields::{Address, CSeq, Via, media_type, number, tokens};
pub use framing::{Frame, Framer};
pub use multipart::part;
pub use params::{Params, split_list};
pub use request::{Request, RequestLine, Response};
pub use text::{display, trim, unescape};
pub use uri::{Host, SipUri, Uri};
pub use write::{Reply, Writer, reason, reply_via};

/// Longest message that is read, headers and body: what a UDP datagram can carry.
pub const MAX_MESSAGE: usize = 65_535;
/// Most header fields in one message.
pub const MAX_HEADERS: usize = 256;
/// Most elements taken from one header's list.
pub const MAX_LIST: usize = 128;

/// A message as it stands on the wire.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    pub start: Start,
    headers: Vec<Header>,
    pub body: Vec<u8>,
    /// The first rule that the message breaks.
    pub fault: Option<Fault>,
}

/// A start line (RFC 3261 §7.1, §7.2).
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Start {
    Request { method: Vec<u8>, uri: Vec<u8> },
    Response { status: u16, reason: Vec<u8> },
}

/// A header field: full name (compact forms are expanded), value unfolded and trimmed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Header {
    pub name: Vec<u8>,
    pub value: Vec<u8>,
}

/// What is wrong with a message, and the status that a request with it deserves.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("{status}: {what}")]
pub struct Fault {
    pub status: u16,
    pub what: &'static str,
}

impl Fault {
    /// A syntax error: 400 Bad Request.
    pub const fn syntax(what: &'static str) -> Self {
        Fault { status: 400, what }
    }
}

/// Where a message's end is known from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Carrier {
    /// The datagram's end; octets beyond Content-Length are cut (RFC 3261 §18.3).
    Datagram,
    /// Content-Length alone.
    Stream,
}

/// Compact forms: RFC 3261 §7.3.3 and the IANA registry (from memory for those outside RFC 3261).
const COMPACT: [(u8, &str); 19] = [
    (b'a', "Accept-Contact"),
    (b'b', "Referred-By"),
    (b'c', "Content-Type"),
    (b'd', "Request-Disposition"),
    (b'e', "Content-Encoding"),
    (b'f', "From"),
    (b'i', "Call-ID"),
    (b'j', "Reject-Contact"),
    (b'k', "Supported"),
    (b'l', "Content-Length"),
    (b'm', "Contact"),
    (b'n', "Identity-Info"),
    (b'o', "Event"),
    (b'r', "Refer-To"),
    (b's', "Subject"),
    (b't', "To"),
    (b'u', "Allow-Events"),
    (b'v', "Via"),
    (b'x', "Session-Expires"),
];

impl Message {
    /// Reads one message. `None` when the octets are no SIP message at all: there is nothing to answer.
    pub fn read(octets: &[u8], carrier: Carrier) -> Option<Message> {
        let octets = octets.get(..MAX_MESSAGE).unwrap_or(octets);
        let mut fault = None;
        if carrier == Carrier::Stream && octets.len() >= MAX_MESSAGE {
            // Before all other faults: they may be those of the cut.
            note(
                &mut fault,
                Fault {
                    status: 513,
                    what: "the message is too large",
                },
            );
        }
        let mut lines = Lines::new(octets);
        let first = loop {
            let line = lines.next()?;
            if !line.is_empty() {
                break line;
            }
        };
        let start = Start::read(first, &mut fault)?;
        let headers = read_headers(&mut lines, &mut fault);
        let mut body = lines.rest;
        match content_length(&headers) {
            Ok(None) => {}
            Ok(Some(length)) => match body.get(..length) {
                Some(cut) => body = cut,
                None => note(
                    &mut fault,
                    Fault::syntax("Content-Length is beyond the end of the message"),
                ),
            },
            Err(e) => note(&mut fault, e),
        }
        if carrier == Carrier::Stream && body_of_unknown_length(&headers) {
            note(&mut fault, Fault::syntax("a body on a stream without Content-Length"));
        }
        Some(Message {
            start,
            headers,
            body: body.to_vec(),
            fault,
        })
    }

    /// All values of a header, in order; the name in any case.
    pub fn all<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a [u8]> + 'a {
        self.headers
            .iter()
            .filter(move |h| h.name.eq_ignore_ascii_case(name.as_bytes()))
            .map(|h| h.value.as_slice())
    }

    /// The first value of a header.
    pub fn first(&self, name: &str) -> Option<&[u8]> {
        self.headers
            .iter()
            .find(|h| h.name.eq_ignore_ascii_case(name.as_bytes()))
            .map(|h| h.value.as_slice())
    }

    /// Octets of headers and body.
    pub fn size(&self) -> usize {
        let headers: usize = self.headers.iter().map(|h| h.name.len() + h.value.len()).sum();
        headers + self.body.len()
    }

    pub fn headers(&self) -> &[Header] {
        &self.headers
    }

    /// The value of a header that may stand only once (RFC 4475 §3.3.8).
    /// # Errors
    /// 400 when it is missing or repeated.
    pub fn single(&self, name: &str) -> Result<&[u8], Fault> {
        let mut all = self
            .headers
            .iter()
            .filter(|h| h.name.eq_ignore_ascii_case(name.as_bytes()));
        match (all.next(), all.next()) {
            (Some(h), None) => Ok(&h.value),
            (None, _) => Err(Fault::syntax("a required header is missing")),
            _ => Err(Fault::syntax("a header that may stand once is repeated")),
        }
    }

    /// The elements of a list header over all its fields, empty ones left out.
    /// # Errors
    /// 400 on an open quote or angle bracket, or on more than [`MAX_LIST`] elements.
    pub fn list(&self, name: &str) -> Result<Vec<&[u8]>, Fault> {
        let mut out = Vec::new();
        for h in &self.headers {
            if h.name.eq_ignore_ascii_case(name.as_bytes()) {
                out.extend(split_list(&h.value)?.into_iter().filter(|e| !e.is_empty()));
                if out.len() > MAX_LIST {
                    return Err(Fault::syntax("a header's list is too long"));
                }
            }
        }
        Ok(out)
    }
}

fn note(slot: &mut Option<Fault>, fault: Fault) {
    slot.get_or_insert(fault);
}

/// Lines ended by CRLF; a bare LF is taken too.
struct Lines<'a> {
    rest: &'a [u8],
    /// The last line had no end.
    cut: bool,
}

impl<'a> Lines<'a> {
    fn new(octets: &'a [u8]) -> Self {
        Lines {
            rest: octets,
            cut: false,
        }
    }

    fn next(&mut self) -> Option<&'a [u8]> {
        if self.rest.is_empty() {
            return None;
        }
        let (line, rest) = match self.rest.iter().position(|b| *b == b'\n') {
            Some(i) => (&self.rest[..i], self.rest.get(i + 1..).unwrap_or_default()),
            None => {
                self.cut = true;
                (self.rest, &[][..])
            }
        };
        self.rest = rest;
        Some(line.strip_suffix(b"\r").unwrap_or(line))
    }
}

impl Start {
    /// `None`: the line names neither the SIP version nor a SIP URI, so this is no SIP message.
    fn read(line: &[u8], fault: &mut Option<Fault>) -> Option<Start> {
        if line.get(..4)?.eq_ignore_ascii_case(b"SIP/") {
            let mut parts = line.splitn(3, |b| *b == b' ');
            let version = parts.next()?;
            if !version.eq_ignore_ascii_case(b"SIP/2.0") {
                return None;
            }
            let code = parts.next()?;
            let status = (code.len() == 3)
                .then(|| number(code))
                .flatten()
                .filter(|s| (100..700).contains(s))?;
            return Some(Start::Response {
                status: u16::try_from(status).ok()?,
                reason: parts.next().unwrap_or_default().to_vec(),
            });
        }
        // The version is the last word; look for it from the right so that a broken line is still recognised. Without
        // one, a SIP URI shows what was meant.
        let shown = text::trim(line);
        let words = || shown.split(|b| b" \t".contains(b)).filter(|w| !w.is_empty());
        let last = words().next_back()?;
        let versioned = last.get(..4).is_some_and(|l| l.eq_ignore_ascii_case(b"SIP/"));
        let is_sip = |uri: &[u8]| {
            let scheme = uri.split(|b| *b == b':').next().unwrap_or_default();
            scheme.len() < uri.len() && (scheme.eq_ignore_ascii_case(b"sip") || scheme.eq_ignore_ascii_case(b"sips"))
        };
        let meant = versioned || words().next().is_some_and(text::is_token) && words().nth(1).is_some_and(is_sip);
        if !meant {
            return None;
        }
        if !versioned {
            note(fault, Fault::syntax("a request line without the SIP version"));
        } else if !last.eq_ignore_ascii_case(b"SIP/2.0") {
            let number = last.get(4..)?;
            let dotted = number.split(|b| *b == b'.').count() == 2
                && number.split(|b| *b == b'.').all(|p| fields::number(p).is_some());
            note(
                fault,
                if dotted {
                    Fault {
                        status: 505,
                        what: "another SIP version",
                    }
                } else {
                    Fault::syntax("unreadable SIP version")
                },
            );
        }
        let mut parts = line.split(|b| *b == b' ');
        let method = parts.next().unwrap_or_default();
        let uri = parts.next().unwrap_or_default();
        let version = parts.next().unwrap_or_default();
        // RFC 3261 §25.1: single spaces, none at the end (RFC 4475 §3.1.2.8 to §3.1.2.10).
        if version != last || parts.next().is_some() {
            note(
                fault,
                Fault::syntax("request line is not method, URI and version with single spaces"),
            );
        }
        if !text::is_token(method) {
            note(fault, Fault::syntax("the method is not a token"));
        }
        Some(Start::Request {
            method: method.to_vec(),
            uri: uri.to_vec(),
        })
    }
}

fn read_headers(lines: &mut Lines<'_>, fault: &mut Option<Fault>) -> Vec<Header> {
    let mut headers: Vec<Header> = Vec::new();
    loop {
        let line = match lines.next() {
            Some([]) if !lines.cut => break,
            Some(line) if !lines.cut => line,
            _ => {
                note(fault, Fault::syntax("no empty line ends the headers"));
                break;
            }
        };
        if matches!(line.first(), Some(b' ' | b'\t')) {
            match headers.last_mut() {
                // Folding means one space (RFC 3261 §7.3.1).
                Some(h) => {
                    let more = text::one_line(text::trim(line));
                    if !h.value.is_empty() && !more.is_empty() {
                        h.value.push(b' ');
                    }
                    h.value.extend_from_slice(&more);
                }
                None => note(fault, Fault::syntax("a continuation without a header")),
            }
            continue;
        }
        let Some(colon) = line.iter().position(|b| *b == b':') else {
            note(fault, Fault::syntax("a header line without a colon"));
            continue;
        };
        let (name, value) = line.split_at(colon);
        let name = text::trim(name);
        if !text::is_token(name) {
            note(fault, Fault::syntax("a header name is not a token"));
            continue;
        }
        if headers.len() == MAX_HEADERS {
            note(fault, Fault::syntax("too many headers"));
            continue;
        }
        headers.push(Header {
            name: full_name(name),
            value: text::one_line(text::trim(value.get(1..).unwrap_or_default())),
        });
    }
    headers
}

fn full_name(name: &[u8]) -> Vec<u8> {
    if let [letter] = name {
        let letter = letter.to_ascii_lowercase();
        if let Some((_, full)) = COMPACT.iter().find(|(c, _)| *c == letter) {
            return full.as_bytes().to_vec();
        }
    }
    name.to_vec()
}

/// How many octets of body follow a header section on a stream; `None` when nobody can tell. Without
/// Content-Length there is no body, unless Content-Type announces one (RFC 3261 §20.14 wants the length on streams,
/// and many leave it out of messages without a body).
fn stream_length(head: &[u8]) -> Option<usize> {
    let mut lines = Lines::new(head);
    // Empty lines before the start line, and that line.
    while lines.next()?.is_empty() {}
    let headers = read_headers(&mut lines, &mut None);
    if body_of_unknown_length(&headers) {
        return None;
    }
    Some(content_length(&headers).ok()?.unwrap_or(0))
}

fn body_of_unknown_length(headers: &[Header]) -> bool {
    let has = |name: &[u8]| headers.iter().any(|h| h.name.eq_ignore_ascii_case(name));
    has(b"Content-Type") && !has(b"Content-Length")
}

/// The one Content-Length that the headers agree on.
fn content_length(headers: &[Header]) -> Result<Option<usize>, Fault> {
    let mut length = None;
    for h in headers
        .iter()
        .filter(|h| h.name.eq_ignore_ascii_case(b"Content-Length"))
    {
        let n = number(&h.value)
            .and_then(|n| usize::try_from(n).ok())
            .ok_or(Fault::syntax("Content-Length is not a number"))?;
        if length.is_some_and(|l| l != n) {
            return Err(Fault::syntax("two Content-Lengths that differ"));
        }
        length = Some(n);
    }
    Ok(length)
}

#[cfg(test)]
mod tests;
