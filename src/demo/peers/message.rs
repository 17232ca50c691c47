//! SIP messages as lines of text: as much as the peers need.

use std::net::{IpAddr, SocketAddr};

/// A request or response.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    pub start: String,
    /// In order; compact names are written out.
    headers: Vec<(String, String)>,
    pub body: String,
}

const COMPACT: [(&str, &str); 8] = [
    ("c", "Content-Type"),
    ("f", "From"),
    ("i", "Call-ID"),
    ("k", "Supported"),
    ("l", "Content-Length"),
    ("m", "Contact"),
    ("t", "To"),
    ("v", "Via"),
];

impl Message {
    pub fn request(method: &str, uri: &str) -> Self {
        Message {
            start: format!("{method} {uri} SIP/2.0"),
            headers: Vec::new(),
            body: String::new(),
        }
    }

    /// A response with what RFC 3261 §8.2.6.2 copies. `tag` is added to a To without one.
    pub fn response(request: &Message, status: u16, reason: &str, tag: &str) -> Self {
        let mut out = Message {
            start: format!("SIP/2.0 {status} {reason}"),
            headers: Vec::new(),
            body: String::new(),
        };
        for name in ["Via", "Record-Route", "From", "To", "Call-ID", "CSeq"] {
            for value in request.all(name) {
                let untagged = name == "To" && status > 100 && !value.contains(";tag=");
                let value = if untagged {
                    format!("{value};tag={tag}")
                } else {
                    value.to_owned()
                };
                out.push(name, value);
            }
        }
        out
    }

    pub fn read(octets: &[u8]) -> Option<Message> {
        let text = String::from_utf8_lossy(octets);
        let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
        let mut lines = head.trim_start().split("\r\n");
        let start = lines.next()?.to_owned();
        if !start.starts_with("SIP/2.0 ") && !start.ends_with(" SIP/2.0") {
            return None;
        }
        let mut message = Message {
            start,
            headers: Vec::new(),
            body: body.to_owned(),
        };
        for line in lines {
            if let (true, Some((_, last))) = (line.starts_with([' ', '\t']), message.headers.last_mut()) {
                last.push(' ');
                last.push_str(line.trim());
                continue;
            }
            let (name, value) = line.split_once(':')?;
            let name = name.trim();
            let full = COMPACT.iter().find(|(short, _)| name.eq_ignore_ascii_case(short));
            message.push(full.map_or(name, |(_, full)| full), value.trim());
        }
        Some(message)
    }

    pub fn push(&mut self, name: &str, value: impl Into<String>) -> &mut Self {
        self.headers.push((name.to_owned(), value.into()));
        self
    }

    /// Puts a header above all others.
    pub fn push_front(&mut self, name: &str, value: impl Into<String>) {
        self.headers.insert(0, (name.to_owned(), value.into()));
    }

    pub fn all<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a str> {
        self.headers
            .iter()
            .filter(move |(n, _)| n.eq_ignore_ascii_case(name))
            .map(|(_, value)| value.as_str())
    }

    pub fn get(&self, name: &str) -> Option<&str> {
        self.headers
            .iter()
            .find(|(n, _)| n.eq_ignore_ascii_case(name))
            .map(|(_, value)| value.as_str())
    }

    /// Replaces the first value; adds it when there is none.
    pub fn set(&mut self, name: &str, value: impl Into<String>) {
        match self.headers.iter_mut().find(|(n, _)| n.eq_ignore_ascii_case(name)) {
            Some((_, old)) => *old = value.into(),
            None => drop(self.push(name, value)),
        }
    }

    /// Takes the topmost element of a list header away, whether elements share a line or not.
    pub fn pop(&mut self, name: &str) -> Option<String> {
        let at = self.headers.iter().position(|(n, _)| n.eq_ignore_ascii_case(name))?;
        let (_, value) = self.headers.get_mut(at)?;
        let (first, rest) = match split_list(value).as_slice() {
            [first, rest @ ..] => ((*first).to_owned(), rest.join(", ")),
            [] => return None,
        };
        if rest.is_empty() {
            self.headers.remove(at);
        } else {
            *value = rest;
        }
        Some(first)
    }

    /// All elements of a list header.
    pub fn list(&self, name: &str) -> Vec<String> {
        self.all(name).flat_map(split_list).map(str::to_owned).collect()
    }

    /// The method of a request.
    pub fn method(&self) -> Option<&str> {
        if self.status().is_some() {
            return None;
        }
        self.start.split(' ').next()
    }

    pub fn uri(&self) -> Option<&str> {
        self.start.split(' ').nth(1)
    }

    /// The status of a response.
    pub fn status(&self) -> Option<u16> {
        self.start.strip_prefix("SIP/2.0 ")?.split(' ').next()?.parse().ok()
    }

    pub fn octets(&self) -> Vec<u8> {
        let mut out = format!("{}\r\n", self.start);
        for (name, value) in &self.headers {
            if !name.eq_ignore_ascii_case("Content-Length") {
                out.push_str(&format!("{name}: {value}\r\n"));
            }
        }
        out.push_str(&format!("Content-Length: {}\r\n\r\n{}", self.body.len(), self.body));
        out.into_bytes()
    }
}

/// Elements of a list, split at the commas outside quotes and angle brackets.
fn split_list(value: &str) -> Vec<&str> {
    let (mut quoted, mut angle) = (false, false);
    value
        .split(move |c| {
            match c {
                '"' => quoted = !quoted,
                '<' if !quoted => angle = true,
                '>' if !quoted => angle = false,
                ',' => return !quoted && !angle,
                _ => {}
            }
            false
        })
        .map(str::trim)
        .filter(|element| !element.is_empty())
        .collect()
}

/// `<uri>;params` or `uri;params`: the URI, and the parameters after it.
pub fn address(value: &str) -> (&str, &str) {
    if let Some((_, rest)) = value.split_once('<') {
        return rest.split_once('>').unwrap_or((rest, ""));
    }
    match value.find(';') {
        Some(at) => value.split_at(at),
        None => (value, ""),
    }
}

/// A `;name=value` parameter.
pub fn param<'a>(params: &'a str, name: &str) -> Option<&'a str> {
    params.split(';').skip(1).find_map(|p| {
        let (n, v) = p.split_once('=').unwrap_or((p, ""));
        n.trim().eq_ignore_ascii_case(name).then(|| v.trim())
    })
}

/// The user part of a SIP URI.
pub fn user(uri: &str) -> Option<&str> {
    uri.strip_prefix("sip:")?.split_once('@').map(|(user, _)| user)
}

/// Where a SIP URI with a numeric host leads; port 5060 unless said.
pub fn destination(uri: &str) -> Option<SocketAddr> {
    let rest = uri.strip_prefix("sip:")?;
    let host = rest.split_once('@').map_or(rest, |(_, host)| host);
    endpoint(host.split([';', '?']).next()?)
}

/// `address[:port]`, IPv6 in brackets.
pub fn endpoint(text: &str) -> Option<SocketAddr> {
    let text = text.trim();
    if let Ok(full) = text.parse() {
        return Some(full);
    }
    let bare = text.strip_prefix('[').and_then(|t| t.strip_suffix(']')).unwrap_or(text);
    bare.parse::<IpAddr>().ok().map(|ip| SocketAddr::new(ip, 5060))
}
