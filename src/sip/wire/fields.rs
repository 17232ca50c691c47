//! Header values: numbers, tokens, addresses, Via, CSeq (RFC 3261 §20, §25.1).

use super::Fault;
use super::params::{Params, unquote};
use super::text::{self, trim};
use super::uri::{Host, Uri};

/// A non-negative decimal number that fits into 32 bits, leading zeros allowed.
pub fn number(octets: &[u8]) -> Option<u32> {
    let octets = trim(octets);
    if octets.is_empty() {
        return None;
    }
    octets.iter().try_fold(0u32, |sum, b| {
        let digit = b.is_ascii_digit().then(|| u32::from(b - b'0'))?;
        sum.checked_mul(10)?.checked_add(digit)
    })
}

/// The elements of a token list such as Require, lower case.
pub fn tokens(elements: &[&[u8]]) -> Vec<String> {
    elements
        .iter()
        .map(|e| text::display(e, 64).to_ascii_lowercase())
        .collect()
}

/// `application/sdp` of a Content-Type or Accept element: lower case, without white space and parameters.
pub fn media_type(value: &[u8]) -> Vec<u8> {
    value
        .split(|b| *b == b';')
        .next()
        .unwrap_or_default()
        .iter()
        .filter(|b| !b.is_ascii_whitespace())
        .map(u8::to_ascii_lowercase)
        .collect()
}

/// From, To, Contact, Route: an address with parameters (RFC 3261 §20.10).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Address {
    /// Quotes taken off.
    pub display: Vec<u8>,
    /// The URI's own octets.
    pub raw_uri: Vec<u8>,
    pub uri: Uri,
    pub params: Params,
}

impl Address {
    /// Display names that should have been quoted are taken as they are (RFC 4475 §3.1.2.15).
    /// # Errors
    /// 400: quotes or brackets that do not close, a URI or parameters that cannot be read.
    pub fn read(value: &[u8]) -> Result<Address, Fault> {
        let value = trim(value);
        let (display, raw_uri, params) = match open_bracket(value)? {
            Some(i) => {
                let (display, rest) = value.split_at(i);
                let rest = rest.get(1..).unwrap_or_default();
                let close = rest
                    .iter()
                    .position(|b| *b == b'>')
                    .ok_or(Fault::syntax("an open angle bracket"))?;
                let (uri, after) = rest.split_at(close);
                (unquote(trim(display)), uri, after.get(1..).unwrap_or_default())
            }
            None => {
                // Without brackets every parameter is the header's, and there can be no ? or , in the URI.
                let end = value.iter().position(|b| *b == b';').unwrap_or(value.len());
                let (uri, after) = value.split_at(end);
                if uri.iter().any(|b| b"?,".contains(b)) {
                    return Err(Fault::syntax("a URI that needs angle brackets"));
                }
                (Vec::new(), trim(uri), after)
            }
        };
        let params = Params::read(params)?;
        params.once("tag")?;
        Ok(Address {
            display,
            uri: Uri::read(raw_uri)?,
            raw_uri: raw_uri.to_vec(),
            params,
        })
    }

    pub fn tag(&self) -> Option<&[u8]> {
        self.params.value("tag")
    }
}

/// The first `<` outside quotes.
fn open_bracket(value: &[u8]) -> Result<Option<usize>, Fault> {
    let (mut quoted, mut escaped) = (false, false);
    let mut found = None;
    for (i, b) in value.iter().enumerate() {
        match b {
            _ if escaped => escaped = false,
            b'\\' if quoted => escaped = true,
            b'"' => quoted = !quoted,
            b'<' if !quoted => {
                found = Some(i);
                break;
            }
            _ => {}
        }
    }
    if quoted {
        return Err(Fault::syntax("an open quote"));
    }
    Ok(found)
}

/// One Via element (RFC 3261 §20.42).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Via {
    /// Upper case: UDP, TCP, …
    pub transport: Vec<u8>,
    pub host: Host,
    pub port: Option<u16>,
    pub params: Params,
}

impl Via {
    /// # Errors
    /// 400: not `SIP/2.0/transport host[:port][;params]`.
    pub fn read(value: &[u8]) -> Result<Via, Fault> {
        let bad = Fault::syntax("an unreadable Via");
        let end = value.iter().position(|b| *b == b';').unwrap_or(value.len());
        let (before, params) = value.split_at(end);
        let mut parts = before.splitn(3, |b| *b == b'/');
        let (name, version, rest) = match (parts.next(), parts.next(), parts.next()) {
            (Some(n), Some(v), Some(r)) => (trim(n), trim(v), trim(r)),
            _ => return Err(bad),
        };
        if !name.eq_ignore_ascii_case(b"SIP") || !text::is_token(version) {
            return Err(bad);
        }
        let gap = rest.iter().position(u8::is_ascii_whitespace).ok_or(bad)?;
        let (transport, place) = rest.split_at(gap);
        if !text::is_token(transport) {
            return Err(bad);
        }
        let (host, port) = Host::read(place)?;
        let params = Params::read(params)?;
        params.once("branch")?;
        Ok(Via {
            transport: transport.to_ascii_uppercase(),
            host,
            port,
            params,
        })
    }

    /// The branch, if it identifies a transaction (RFC 3261 §8.1.1.7, RFC 4475 §3.2.1).
    pub fn branch(&self) -> Option<&[u8]> {
        self.params
            .value("branch")
            .filter(|b| b.len() > 7 && b.get(..7).is_some_and(|c| c.eq_ignore_ascii_case(b"z9hG4bK")))
    }
}

/// A CSeq (RFC 3261 §20.16); numbers stay below 2^31 (§8.1.1.5).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CSeq {
    pub number: u32,
    pub method: Vec<u8>,
}

impl CSeq {
    /// # Errors
    /// 400: not a number below 2^31 and a method.
    pub fn read(value: &[u8]) -> Result<CSeq, Fault> {
        let bad = Fault::syntax("an unreadable CSeq");
        let value = trim(value);
        let gap = value.iter().position(u8::is_ascii_whitespace).ok_or(bad)?;
        let (digits, method) = value.split_at(gap);
        let number = number(digits).filter(|n| *n < 1 << 31).ok_or(bad)?;
        let method = trim(method);
        if !text::is_token(method) {
            return Err(bad);
        }
        Ok(CSeq {
            number,
            method: method.to_vec(),
        })
    }
}
