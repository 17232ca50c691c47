//! SIP and SIPS URIs (RFC 3261 §19.1, RFC 5118 for IPv6); other schemes by name only.

use std::net::{IpAddr, Ipv6Addr, SocketAddr};

use super::Fault;
use super::params::Params;
use super::text;

/// A URI: ours, or one of a scheme that we do not speak.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Uri {
    Sip(SipUri),
    /// The scheme, lower case.
    Other(Vec<u8>),
}

/// A sip: or sips: URI.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SipUri {
    pub secure: bool,
    /// As it stands, escapes included, without a password.
    pub user: Option<Vec<u8>>,
    pub host: Host,
    pub port: Option<u16>,
    pub params: Params,
    /// There is a `?header=…` part.
    pub headers: bool,
}

/// A host part.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Host {
    Ip(IpAddr),
    Name(String),
}

impl Uri {
    /// # Errors
    /// 400: no scheme, white space, angle brackets, or a sip URI without a proper host or port.
    pub fn read(octets: &[u8]) -> Result<Uri, Fault> {
        let colon = octets
            .iter()
            .position(|b| *b == b':')
            .ok_or(Fault::syntax("a URI without a scheme"))?;
        let (scheme, rest) = octets.split_at(colon);
        let rest = rest.get(1..).unwrap_or_default();
        let proper = scheme.first().is_some_and(u8::is_ascii_alphabetic)
            && scheme.iter().all(|b| b.is_ascii_alphanumeric() || b"+-.".contains(b));
        if !proper || rest.is_empty() {
            return Err(Fault::syntax("a URI without a scheme"));
        }
        if octets.iter().any(|b| b.is_ascii_control() || b" <>\"".contains(b)) {
            return Err(Fault::syntax("a URI with spaces, quotes or angle brackets"));
        }
        let scheme = scheme.to_ascii_lowercase();
        match scheme.as_slice() {
            b"sip" => SipUri::read(rest, false).map(Uri::Sip),
            b"sips" => SipUri::read(rest, true).map(Uri::Sip),
            _ => Ok(Uri::Other(scheme)),
        }
    }

    pub fn sip(&self) -> Option<&SipUri> {
        match self {
            Uri::Sip(uri) => Some(uri),
            Uri::Other(_) => None,
        }
    }
}

impl SipUri {
    /// What follows the scheme's colon. The user part may hold `;` and `?`, so it is cut off first.
    fn read(rest: &[u8], secure: bool) -> Result<SipUri, Fault> {
        let (user, rest) = match rest.iter().position(|b| *b == b'@') {
            Some(at) => {
                let (info, rest) = rest.split_at(at);
                let user = info.split(|b| *b == b':').next().unwrap_or_default();
                if user.is_empty() {
                    return Err(Fault::syntax("a URI with an empty user"));
                }
                (Some(user.to_vec()), rest.get(1..).unwrap_or_default())
            }
            None => (None, rest),
        };
        let end = rest.iter().position(|b| b";?".contains(b)).unwrap_or(rest.len());
        let (place, rest) = rest.split_at(end);
        let (host, port) = Host::read(place)?;
        let question = rest.iter().position(|b| *b == b'?');
        let params = rest.get(..question.unwrap_or(rest.len())).unwrap_or_default();
        Ok(SipUri {
            secure,
            user,
            host,
            port,
            params: Params::read(params)?,
            headers: question.is_some(),
        })
    }

    /// The user part with its escapes undone.
    pub fn user_name(&self) -> Option<Vec<u8>> {
        self.user.as_deref().map(text::unescape)
    }

    /// Where it points, if that needs no name service; 5060 unless said, 5061 by TLS (RFC 3261 §19.1.2).
    pub fn address(&self) -> Option<SocketAddr> {
        let tls = self
            .params
            .value("transport")
            .is_some_and(|t| t.eq_ignore_ascii_case(b"tls"));
        let port = if self.secure || tls { 5061 } else { 5060 };
        match self.host {
            Host::Ip(ip) => Some(SocketAddr::new(ip, self.port.unwrap_or(port))),
            Host::Name(_) => None,
        }
    }
}

impl Host {
    /// `host[:port]`; white space may surround the colon, as in Via (RFC 3261 §25.1 `sent-by`).
    pub(super) fn read(place: &[u8]) -> Result<(Host, Option<u16>), Fault> {
        let bad = Fault::syntax("an unreadable host");
        let text = std::str::from_utf8(text::trim(place)).map_err(|_| bad)?;
        let (host, port) = if let Some(rest) = text.strip_prefix('[') {
            let (inside, after) = rest.split_once(']').ok_or(bad)?;
            // RFC 5118 §4.10: the grammar of RFC 3261 lets a third colon in.
            let ip: Ipv6Addr = inside
                .parse()
                .or_else(|_| inside.replacen(":::", "::", 1).parse())
                .map_err(|_| bad)?;
            (Host::Ip(IpAddr::V6(ip)), after.trim_start())
        } else {
            let end = text.find(':').unwrap_or(text.len());
            let (name, after) = text.split_at(end);
            let name = name.trim_end();
            let proper = !name.is_empty()
                && name
                    .bytes()
                    .all(|b| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'.' | b'_'));
            if !proper {
                return Err(bad);
            }
            match name.parse::<IpAddr>() {
                Ok(ip) => (Host::Ip(ip), after),
                Err(_) => (Host::Name(name.to_ascii_lowercase()), after),
            }
        };
        if after_is_empty(port) {
            return Ok((host, None));
        }
        let digits = port.strip_prefix(':').ok_or(bad)?.trim();
        if digits.is_empty() || !digits.bytes().all(|b| b.is_ascii_digit()) {
            return Err(Fault::syntax("an unreadable port"));
        }
        let port = digits.parse().map_err(|_| Fault::syntax("a port out of range"))?;
        Ok((host, Some(port)))
    }
}

fn after_is_empty(text: &str) -> bool {
    text.trim().is_empty()
}

impl std::fmt::Display for Host {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Host::Ip(IpAddr::V6(ip)) => write!(f, "[{ip}]"),
            Host::Ip(ip) => write!(f, "{ip}"),
            Host::Name(name) => f.write_str(name),
        }
    }
}
