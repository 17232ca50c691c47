//! INFO: keys of the dial pad the old way, and no packages (RFC 6086).

use std::time::Instant;

use crate::sip::agent::abilities::{ACCEPT_INFO, DTMF, DTMF_RELAY};
use crate::sip::agent::call::Phase;
use crate::sip::agent::server::ServerKey;
use crate::sip::agent::{Agent, CallId, Event};
use crate::sip::wire::{Request, media_type, part, trim};

/// Most keys taken from one request.
const MAX_KEYS: usize = 32;

/// What an INFO holds.
#[derive(Debug, PartialEq, Eq)]
enum Info {
    /// A keep-alive, or keys; none for a flash.
    Keys(String),
    Unreadable,
    Foreign,
}

/// The character of a telephone event from 0 to 15 (RFC 4733 §3.2).
fn key_of(event: u8) -> Option<char> {
    "0123456789*#ABCD".chars().nth(event.into())
}

/// One key, `*` and `#` also by their event number, as some phones write them; 16 is flash.
fn signal(value: &[u8]) -> Option<String> {
    if let [one] = value {
        let c = char::from(one.to_ascii_uppercase());
        return "0123456789*#ABCD".contains(c).then(|| c.to_string());
    }
    let number: u8 = std::str::from_utf8(value).ok()?.parse().ok()?;
    match number {
        10..=15 => key_of(number).map(String::from),
        16 => Some(String::new()),
        _ => None,
    }
}

/// `Signal=5`, `Duration=160`, a line each, in any order and case.
fn relay(body: &[u8]) -> Option<String> {
    body.split(|b| matches!(b, b'\r' | b'\n')).find_map(|line| {
        let at = line.iter().position(|b| *b == b'=')?;
        let (name, value) = line.split_at(at);
        trim(name)
            .eq_ignore_ascii_case(b"signal")
            .then(|| signal(trim(value.get(1..)?)))?
    })
}

/// The keys themselves, one after the other.
fn plain(body: &[u8]) -> Option<String> {
    let body = trim(body);
    if let Some(one) = signal(body) {
        return Some(one);
    }
    if body.len() > MAX_KEYS {
        return None;
    }
    body.iter()
        .filter(|b| !b.is_ascii_whitespace())
        .map(|b| signal(std::slice::from_ref(b)))
        .collect()
}

fn read(request: &Request) -> Info {
    let message = &request.message;
    if trim(&message.body).is_empty() {
        return Info::Keys(String::new());
    }
    let Some(kind) = message.first("Content-Type") else {
        return Info::Foreign;
    };
    for (wanted, reader) in [(DTMF_RELAY, relay as fn(&[u8]) -> Option<String>), (DTMF, plain)] {
        let body = if media_type(kind) == wanted.as_bytes() {
            Some(message.body.as_slice())
        } else {
            part(kind, &message.body, wanted.as_bytes())
        };
        if let Some(body) = body {
            return reader(body).map_or(Info::Unreadable, Info::Keys);
        }
    }
    Info::Foreign
}

impl Agent {
    pub(super) fn on_info(&mut self, own: &ServerKey, id: CallId, request: &Request, now: Instant) {
        if self.calls.get(&id).is_none_or(|c| c.phase == Phase::Closing) {
            return self.reject(own, 481, &[], now);
        }
        if request.message.first("Info-Package").is_some() {
            // RFC 6086 §4.2.2: none is taken, which an empty Recv-Info says.
            return self.reject(own, 469, &[("Recv-Info", "")], now);
        }
        match read(request) {
            Info::Keys(keys) => {
                self.reject(own, 200, &[], now);
                if !keys.is_empty() {
                    self.event(Event::Dialled { call: id, keys });
                }
            }
            Info::Unreadable => self.reject(own, 400, &[], now),
            Info::Foreign => self.reject(own, 415, &[("Accept", ACCEPT_INFO)], now),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Common practice, no published source: how phones write keys into INFO.
    #[test]
    fn keys() {
        for (body, keys) in [
            ("Signal=5\r\nDuration=160\r\n", Some("5")),
            ("Signal= *\r\nDuration= 250", Some("*")),
            ("duration=100\nsignal = #\n", Some("#")),
            ("Signal=10\r\n", Some("*")),
            ("Signal=11", Some("#")),
            ("Signal=d\r\n", Some("D")),
            ("Signal=16\r\n", Some("")),
            ("Signal=\r\n", None),
            ("Signal=55\r\n", None),
            ("Signal=hello\r\n", None),
            ("5", None),
            ("\u{0}=\u{0}", None),
        ] {
            assert_eq!(relay(body.as_bytes()).as_deref(), keys, "{body:?}");
        }
        for (body, keys) in [
            ("5", Some("5")),
            ("#\r\n", Some("#")),
            ("1234", Some("1234")),
            ("1 2 b", Some("12B")),
            ("11", Some("#")),
            ("x", None),
            ("Signal=5", None),
        ] {
            assert_eq!(plain(body.as_bytes()).as_deref(), keys, "{body:?}");
        }
        assert_eq!(plain(&[b'1'; MAX_KEYS + 1]), None);
        assert_eq!((0..16).filter_map(key_of).collect::<String>(), "0123456789*#ABCD");
        assert_eq!(key_of(16), None);
    }
}
