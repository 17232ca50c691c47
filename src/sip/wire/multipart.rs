//! The session description inside a multipart body (RFC 5621 §3.1, RFC 2046 §5.1): gateways send one beside
//! other parts.

use super::params::Params;
use super::text::trim;
use super::{Carrier, Message, media_type};

/// Most parts looked at, nested ones included.
const MAX_PARTS: usize = 16;
/// Multipart within multipart (RFC 5621 §3.2), how deep.
const MAX_DEPTH: usize = 3;

/// The first part of `wanted` type, plainly encoded. `None` if there is none, or the body cannot be taken apart.
pub fn part<'a>(content_type: &[u8], body: &'a [u8], wanted: &[u8]) -> Option<&'a [u8]> {
    let mut budget = MAX_PARTS;
    search(content_type, body, wanted, MAX_DEPTH, &mut budget)
}

fn search<'a>(
    content_type: &[u8],
    body: &'a [u8],
    wanted: &[u8],
    depth: usize,
    budget: &mut usize,
) -> Option<&'a [u8]> {
    if depth == 0 || !media_type(content_type).starts_with(b"multipart/") {
        return None;
    }
    let semicolon = content_type.iter().position(|b| *b == b';')?;
    let params = Params::read(content_type.get(semicolon..)?).ok()?;
    let boundary = params.value("boundary").filter(|b| !b.is_empty() && b.len() <= 70)?;
    let delimiter = [b"--", boundary].concat();
    // What stands before the first delimiter and after the closing one is nothing.
    let mut from = next_delimiter(body, 0, &delimiter)?;
    while !from.last && *budget > 0 {
        *budget -= 1;
        let to = next_delimiter(body, from.after, &delimiter)?;
        let section = body.get(from.after..to.before)?;
        if let Some(found) = inside(section, wanted, depth, budget) {
            return Some(found);
        }
        from = to;
    }
    None
}

/// What is wanted, if this part is it or holds it.
fn inside<'a>(section: &'a [u8], wanted: &[u8], depth: usize, budget: &mut usize) -> Option<&'a [u8]> {
    let (head, content) = section.split_at(head_end(section)?);
    // A part's headers read like a message's.
    let text = [b"PART sip:part SIP/2.0\r\n", head].concat();
    let headers = Message::read(&text, Carrier::Datagram)?;
    let plain = |name: &str, values: &[&[u8]]| {
        headers
            .first(name)
            .is_none_or(|v| values.iter().any(|w| trim(v).eq_ignore_ascii_case(w)))
    };
    if !plain("Content-Encoding", &[b"identity"]) || !plain("Content-Transfer-Encoding", &[b"binary", b"8bit", b"7bit"])
    {
        return None;
    }
    let content_type = headers.first("Content-Type")?;
    if media_type(content_type) == wanted {
        return Some(content);
    }
    search(content_type, content, wanted, depth - 1, budget)
}

/// A delimiter line.
struct Delimiter {
    /// Where the part before it ends: the line end in front belongs to the delimiter.
    before: usize,
    /// Where the part behind it begins.
    after: usize,
    /// The closing one.
    last: bool,
}

/// The first delimiter from `from` on, which is the beginning of a line. Only white space may follow the boundary
/// (RFC 2046 §5.1.1), so a boundary that begins like another one is not taken for it.
fn next_delimiter(body: &[u8], from: usize, delimiter: &[u8]) -> Option<Delimiter> {
    let mut start = from;
    loop {
        let rest = body.get(start..)?;
        let end = rest.iter().position(|b| *b == b'\n').map_or(rest.len(), |i| i + 1);
        let line = rest.get(..end)?;
        if let Some(tail) = line.strip_prefix(delimiter) {
            let closing = tail.strip_prefix(b"--");
            if trim(closing.unwrap_or(tail)).is_empty() {
                let front = body.get(from..start)?;
                let front = front.strip_suffix(b"\n").unwrap_or(front);
                let front = front.strip_suffix(b"\r").unwrap_or(front);
                return Some(Delimiter {
                    before: from + front.len(),
                    after: start + end,
                    last: closing.is_some(),
                });
            }
        }
        if end == rest.len() {
            return None;
        }
        start += end;
    }
}

/// Behind the empty line; a part may have no headers at all.
fn head_end(section: &[u8]) -> Option<usize> {
    let mut start = 0;
    loop {
        let rest = section.get(start..)?;
        let end = rest.iter().position(|b| *b == b'\n')? + 1;
        start += end;
        if matches!(rest.get(..end), Some([b'\n'] | [b'\r', b'\n'])) {
            return Some(start);
        }
    }
}
