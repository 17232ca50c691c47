//! Writing requests and responses.

use std::net::SocketAddr;

use super::Message;
use super::text::trim;
use super::uri::Host;
use super::{Params, Via, split_list};

/// Builds one message, header by header.
#[derive(Debug)]
pub struct Writer(Vec<u8>);

impl Writer {
    pub fn request(method: &str, uri: &[u8]) -> Self {
        let mut out = Writer(Vec::with_capacity(1024));
        out.0.extend_from_slice(method.as_bytes());
        out.0.push(b' ');
        out.0.extend_from_slice(uri);
        out.0.extend_from_slice(b" SIP/2.0\r\n");
        out
    }

    pub fn response(status: u16) -> Self {
        let mut out = Writer(Vec::with_capacity(1024));
        out.0
            .extend_from_slice(format!("SIP/2.0 {status} {}\r\n", reason(status)).as_bytes());
        out
    }

    pub fn header(&mut self, name: &str, value: impl AsRef<[u8]>) -> &mut Self {
        self.0.extend_from_slice(name.as_bytes());
        self.0.extend_from_slice(b": ");
        self.0.extend_from_slice(value.as_ref());
        self.0.extend_from_slice(b"\r\n");
        self
    }

    /// Content-Length, the empty line and the body.
    pub fn finish(mut self, body: &[u8]) -> Vec<u8> {
        self.header("Content-Length", body.len().to_string());
        self.0.extend_from_slice(b"\r\n");
        self.0.extend_from_slice(body);
        self.0
    }
}

/// A response in the making: what RFC 3261 §8.2.6.2 copies from the request, then more headers and a body.
#[derive(Debug)]
pub struct Reply {
    writer: Writer,
}

impl Reply {
    /// `source`: where the request came from, for `received` and `rport`. `tag`: added to a To without one,
    /// unless the status is 100. Record-Route is copied into answers that make a dialog (§12.1.1).
    pub fn to(message: &Message, source: SocketAddr, status: u16, tag: &str) -> Self {
        let mut writer = Writer::response(status);
        let mut first = true;
        for h in message.headers() {
            let name = h.name.as_slice();
            if name.eq_ignore_ascii_case(b"Via") {
                if first {
                    writer.header("Via", reply_via(&h.value, source));
                } else {
                    writer.header("Via", &h.value);
                }
                first = false;
            } else if name.eq_ignore_ascii_case(b"To") {
                let tagged = super::Address::read(&h.value).is_ok_and(|a| a.params.has("tag"));
                if tagged || status == 100 {
                    writer.header("To", &h.value);
                } else {
                    let mut value = h.value.clone();
                    value.extend_from_slice(b";tag=");
                    value.extend_from_slice(tag.as_bytes());
                    writer.header("To", value);
                }
            } else if name.eq_ignore_ascii_case(b"From") {
                writer.header("From", &h.value);
            } else if name.eq_ignore_ascii_case(b"Call-ID") {
                writer.header("Call-ID", &h.value);
            } else if name.eq_ignore_ascii_case(b"CSeq") {
                writer.header("CSeq", &h.value);
            } else if status == 100 && name.eq_ignore_ascii_case(b"Timestamp") {
                writer.header("Timestamp", &h.value);
            }
        }
        Reply { writer }
    }

    pub fn copy_record_route(&mut self, message: &Message) -> &mut Self {
        for value in message.all("Record-Route") {
            self.writer.header("Record-Route", value);
        }
        self
    }

    pub fn header(&mut self, name: &str, value: impl AsRef<[u8]>) -> &mut Self {
        self.writer.header(name, value);
        self
    }

    pub fn finish(self, body: &[u8]) -> Vec<u8> {
        self.writer.finish(body)
    }
}

/// The first Via of a request as it goes back: `received` and `rport` are filled into its topmost element
/// (RFC 3261 §18.2.1, RFC 3581 §4), once; every other octet stays.
pub fn reply_via(value: &[u8], source: SocketAddr) -> Vec<u8> {
    let Some(element) = split_list(value).ok().and_then(|l| l.first().copied()) else {
        return value.to_vec();
    };
    let Ok(via) = Via::read(element) else {
        return value.to_vec();
    };
    let ip = source.ip().to_canonical();
    let wants_port = via.params.has("rport");
    let same = matches!(&via.host, Host::Ip(host) if host.to_canonical() == ip);
    if same && !wants_port {
        return value.to_vec();
    }
    let head = trim(value);
    let rest = head.get(element.len()..).unwrap_or_default();
    let mut out = Vec::with_capacity(value.len() + 64);
    let mut parts = ParamSpans::of(element);
    out.extend_from_slice(parts.before);
    let mut filled = false;
    for span in parts.by_ref() {
        let name = trim(span.split(|b| *b == b'=').next().unwrap_or_default());
        let is_port = name.eq_ignore_ascii_case(b"rport");
        if name.eq_ignore_ascii_case(b"received") || is_port && filled {
            continue;
        }
        out.push(b';');
        if is_port {
            filled = true;
            out.extend_from_slice(format!("rport={}", source.port()).as_bytes());
        } else {
            out.extend_from_slice(span);
        }
    }
    out.extend_from_slice(format!(";received={ip}").as_bytes());
    out.extend_from_slice(rest);
    out
}

/// The octets between the semicolons outside quotes.
struct ParamSpans<'a> {
    before: &'a [u8],
    rest: Option<&'a [u8]>,
}

impl<'a> ParamSpans<'a> {
    fn of(element: &'a [u8]) -> Self {
        match element.iter().position(|b| *b == b';') {
            Some(i) => ParamSpans {
                before: element.get(..i).unwrap_or_default(),
                rest: element.get(i + 1..),
            },
            None => ParamSpans {
                before: element,
                rest: None,
            },
        }
    }
}

impl<'a> Iterator for ParamSpans<'a> {
    type Item = &'a [u8];

    fn next(&mut self) -> Option<&'a [u8]> {
        let rest = self.rest.take()?;
        let (mut quoted, mut escaped) = (false, false);
        for (i, b) in rest.iter().enumerate() {
            match b {
                _ if escaped => escaped = false,
                b'\\' if quoted => escaped = true,
                b'"' => quoted = !quoted,
                b';' if !quoted => {
                    self.rest = rest.get(i + 1..);
                    return rest.get(..i);
                }
                _ => {}
            }
        }
        Some(rest)
    }
}

/// Reason phrases (RFC 3261 §21 and the registry); the class's own where none is listed.
pub fn reason(status: u16) -> &'static str {
    match status {
        100 => "Trying",
        180 => "Ringing",
        183 => "Session Progress",
        200 => "OK",
        400 => "Bad Request",
        401 => "Unauthorized",
        403 => "Forbidden",
        404 => "Not Found",
        405 => "Method Not Allowed",
        406 => "Not Acceptable",
        407 => "Proxy Authentication Required",
        408 => "Request Timeout",
        415 => "Unsupported Media Type",
        416 => "Unsupported URI Scheme",
        417 => "Unknown Resource-Priority",
        420 => "Bad Extension",
        421 => "Extension Required",
        422 => "Session Interval Too Small",
        423 => "Interval Too Brief",
        469 => "Bad Info Package",
        480 => "Temporarily Unavailable",
        481 => "Call/Transaction Does Not Exist",
        482 => "Loop Detected",
        483 => "Too Many Hops",
        484 => "Address Incomplete",
        486 => "Busy Here",
        487 => "Request Terminated",
        488 => "Not Acceptable Here",
        489 => "Bad Event",
        491 => "Request Pending",
        500 => "Server Internal Error",
        501 => "Not Implemented",
        503 => "Service Unavailable",
        504 => "Server Time-out",
        505 => "Version Not Supported",
        513 => "Message Too Large",
        600 => "Busy Everywhere",
        603 => "Decline",
        606 => "Not Acceptable",
        _ => match status / 100 {
            1 => "Progress",
            2 => "OK",
            3 => "Redirected",
            4 => "Request Failure",
            5 => "Server Failure",
            _ => "Failure",
        },
    }
}

impl Params {
    /// `rport` as the peer filled it in.
    pub fn port(&self, name: &str) -> Option<u16> {
        super::number(self.value(name)?).and_then(|n| u16::try_from(n).ok())
    }
}
