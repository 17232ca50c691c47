//! The session description inside a multipart body (RFC 5621 §3.1, RFC 2046 §5.1): gateways send one beside
//! other parts.

use super::fields::Params;
use super::text::trim;
use super::{Carrier, Message, media_type};

/// Most parts looked at.
const MAX_PARTS: usize = 16;

/// The first part of `wanted` type, plainly encoded. `None` if there is none, or the body cannot be taken apart.
pub fn part<'a>(content_type: &[u8], body: &'a [u8], wanted: &[u8]) -> Option<&'a [u8]> {
    if !media_type(content_type).starts_with(b"multipart/") {
        return None;
    }
    let semicolon = content_type.iter().position(|b| *b == b';')?;
    let params = Params::read(content_type.get(semicolon..)?).ok()?;
    let boundary = params.value("boundary").filter(|b| !b.is_empty() && b.len() <= 70)?;
    let delimiter = [b"--", boundary].concat();
    // Text before the first delimiter and after the closing one is nothing.
    let mut rest = after(body, &delimiter)?;
    for _ in 0..MAX_PARTS {
        if rest.starts_with(b"--") {
            return None;
        }
        let end = find(rest, &delimiter)?;
        let section = rest.get(..end)?;
        let (head, content) = section.split_at(head_end(section)?);
        // A part's headers read like a message's.
        let mut text = b"PART sip:part SIP/2.0".to_vec();
        text.extend_from_slice(head.get(head.iter().position(|b| *b == b'\n')?..)?);
        let headers = Message::read(&text, Carrier::Datagram)?;
        let plain = |name: &str, values: &[&[u8]]| {
            headers
                .first(name)
                .is_none_or(|v| values.iter().any(|w| trim(v).eq_ignore_ascii_case(w)))
        };
        if headers.first("Content-Type").is_some_and(|t| media_type(t) == wanted)
            && plain("Content-Encoding", &[b"identity"])
            && plain("Content-Transfer-Encoding", &[b"binary", b"8bit", b"7bit"])
        {
            // The line end before a delimiter belongs to the delimiter.
            return Some(content.strip_suffix(b"\r\n").unwrap_or(content));
        }
        rest = rest.get(end + delimiter.len()..)?;
    }
    None
}

fn find(octets: &[u8], wanted: &[u8]) -> Option<usize> {
    octets.windows(wanted.len()).position(|w| w == wanted)
}

fn after<'a>(octets: &'a [u8], wanted: &[u8]) -> Option<&'a [u8]> {
    octets.get(find(octets, wanted)? + wanted.len()..)
}

/// Behind the empty line; a part may have no headers at all.
fn head_end(section: &[u8]) -> Option<usize> {
    find(section, b"\r\n\r\n").map(|i| i + 4)
}
