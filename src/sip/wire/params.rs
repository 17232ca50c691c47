//! Lists and parameters of header values (RFC 3261 §7.3.1, §25.1).

use super::text::trim;
use super::{Fault, MAX_LIST};

/// Splits at commas outside quotes and angle brackets; elements trimmed, empty ones kept.
/// # Errors
/// 400 on an open quote or angle bracket, or on more than [`MAX_LIST`] elements.
pub fn split_list(value: &[u8]) -> Result<Vec<&[u8]>, Fault> {
    split(value, b',', true)
}

/// `angles`: what stands in angle brackets is one piece.
fn split(value: &[u8], at: u8, angles: bool) -> Result<Vec<&[u8]>, Fault> {
    let (mut quoted, mut angle, mut escaped) = (false, false, false);
    let mut out = Vec::new();
    let mut from = 0;
    for (i, b) in value.iter().enumerate() {
        match b {
            _ if escaped => escaped = false,
            b'\\' if quoted => escaped = true,
            b'"' if !angle => quoted = !quoted,
            b'<' if angles && !quoted => angle = true,
            b'>' if angles && !quoted => angle = false,
            _ if *b == at && !quoted && !angle => {
                if out.len() == MAX_LIST {
                    return Err(Fault::syntax("a header's list is too long"));
                }
                out.push(trim(value.get(from..i).unwrap_or_default()));
                from = i + 1;
            }
            _ => {}
        }
    }
    if quoted || angle {
        return Err(Fault::syntax("an open quote or angle bracket"));
    }
    out.push(trim(value.get(from..).unwrap_or_default()));
    Ok(out)
}

/// `;name=value` parameters: names in lower case, quotes taken off values.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Params(Vec<(Vec<u8>, Option<Vec<u8>>)>);

impl Params {
    /// Reads from the first `;` on.
    /// # Errors
    /// 400: something else than a parameter, an empty one, or an open quote.
    pub fn read(octets: &[u8]) -> Result<Params, Fault> {
        let octets = trim(octets);
        if octets.is_empty() {
            return Ok(Params::default());
        }
        let rest = octets
            .strip_prefix(b";")
            .ok_or(Fault::syntax("something that is no parameter"))?;
        let mut out = Vec::new();
        for part in split(rest, b';', false)? {
            let (name, value) = match part.iter().position(|b| *b == b'=') {
                Some(i) => (part.get(..i), part.get(i + 1..).map(trim)),
                None => (Some(part), None),
            };
            let name = trim(name.unwrap_or_default());
            // URI parameters may also hold []/:&+$ unescaped (RFC 3261 §25.1 `param-unreserved`).
            let proper = !name.is_empty()
                && name
                    .iter()
                    .all(|b| b.is_ascii_alphanumeric() || b"-.!%*_+`'~[]/:&$()".contains(b));
            if !proper || value.is_some_and(|v| !is_gen_value(v)) {
                return Err(Fault::syntax("an empty or unreadable parameter"));
            }
            out.push((name.to_ascii_lowercase(), value.map(unquote)));
        }
        Ok(Params(out))
    }

    /// `Some(None)`: there, without a value.
    pub fn find(&self, name: &str) -> Option<Option<&[u8]>> {
        self.0
            .iter()
            .find(|(n, _)| n == name.as_bytes())
            .map(|(_, v)| v.as_deref())
    }

    pub fn value(&self, name: &str) -> Option<&[u8]> {
        self.find(name).flatten()
    }

    pub fn has(&self, name: &str) -> bool {
        self.find(name).is_some()
    }

    /// A parameter that identifies something must not say two things (RFC 3261 §7.3.1).
    pub(super) fn once(&self, name: &str) -> Result<(), Fault> {
        match self.0.iter().filter(|(n, _)| n == name.as_bytes()).count() {
            0 | 1 => Ok(()),
            _ => Err(Fault::syntax("a parameter that may stand once is repeated")),
        }
    }
}

/// A token, host or quoted string (RFC 3261 §25.1 `gen-value`), leniently: anything but white space, angle brackets and
/// stray quotes.
fn is_gen_value(octets: &[u8]) -> bool {
    match octets {
        [] => false,
        [b'"', inside @ .., b'"'] => {
            let mut escaped = false;
            let ends = inside.iter().all(|b| {
                let stray = *b == b'"' && !escaped;
                escaped = *b == b'\\' && !escaped;
                !stray
            });
            ends && !escaped
        }
        plain => !plain.iter().any(|b| b.is_ascii_whitespace() || b"\"<>".contains(b)),
    }
}

/// A quoted string's content, or the octets as they are.
pub(super) fn unquote(octets: &[u8]) -> Vec<u8> {
    let Some(inside) = octets.strip_prefix(b"\"").and_then(|o| o.strip_suffix(b"\"")) else {
        return octets.to_vec();
    };
    let mut out = Vec::with_capacity(inside.len());
    let mut escaped = false;
    for b in inside {
        if *b == b'\\' && !escaped {
            escaped = true;
        } else {
            out.push(*b);
            escaped = false;
        }
    }
    out
}
