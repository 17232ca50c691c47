//! The notation of the message files.
//!
//! A case begins with `=== name`. Then come lines `key: value`, up to `---`:
//!
//! | key | meaning |
//! |---|---|
//! | `section` | what the case exercises |
//! | `answer` | acceptable final statuses, or `silence`; for responses `registered`, `failed`, `pending`, `ignored` |
//! | `tcp` | what a stream gets, if it differs: statuses in order joined by `+`, with `close` at the end |
//! | `peer` | where it comes from, 192.0.2.10:5060 if not said |
//! | `why` | why that is the right answer |
//! | `see` | what must have been understood, `key=value` |
//! | `header` | a header that the answer must have, with its value if given |
//!
//! The message follows, each line ended by CRLF. Within guillemets stand octets in hexadecimal, `text*n` for a
//! repetition, or a name: `body` is the length of the body, `lf` ends a line by LF alone, `cut` ends the message, and
//! the names of a response's parts are filled in by the test. A message that lacks an empty line gets one at its end.

use std::collections::HashMap;

#[derive(Debug, Default, Clone)]
pub struct Case {
    pub name: String,
    pub keys: HashMap<String, String>,
    /// Still in notation.
    message: String,
}

impl Case {
    pub fn key(&self, name: &str) -> Option<&str> {
        self.keys.get(name).map(String::as_str)
    }

    pub fn is_response(&self) -> bool {
        self.message.starts_with("SIP/")
    }

    /// The octets; `names` are the parts of a response.
    pub fn octets(&self, names: &HashMap<&str, String>) -> Vec<u8> {
        let with_length = |length: usize| expand(&self.message, length, names);
        // The body is what follows the first empty line behind the place where its length stands.
        let place = self.message.find("«body»").unwrap_or(0);
        let before = expand(&self.message[..place], 0, names).len().saturating_sub(2);
        let body = |octets: &[u8]| {
            let rest = &octets[before..];
            let empty_line = rest.windows(4).position(|w| w == b"\r\n\r\n");
            empty_line.map_or(0, |i| rest.len() - i - 4)
        };
        let length = body(&with_length(0));
        let octets = with_length(length);
        assert_eq!(body(&octets), length, "{}", self.name);
        octets
    }
}

/// All cases of a file.
pub fn cases(text: &str) -> Vec<Case> {
    let mut out = Vec::new();
    for block in text.split("\n=== ").skip(1) {
        let (head, message) = block.split_once("\n---\n").expect("a case without ---");
        let mut lines = head.lines();
        let mut case = Case {
            name: lines.next().unwrap_or_default().to_owned(),
            ..Case::default()
        };
        for line in lines {
            let (key, value) = line.split_once(": ").unwrap_or_else(|| panic!("{}: {line}", case.name));
            case.keys.insert(key.to_owned(), value.to_owned());
        }
        // The empty line before the next case is not the message's, unless it ends the headers.
        let message = message.strip_suffix('\n').unwrap_or(message);
        case.message = message.to_owned();
        if !message.contains("\n\n") {
            case.message.push('\n');
        }
        for needed in ["section", "answer", "why"] {
            assert!(case.key(needed).is_some(), "{} has no {needed}", case.name);
        }
        out.push(case);
    }
    out
}

/// Octets of a piece of notation without lengths and names.
pub fn plain(text: &str) -> Vec<u8> {
    expand_inline(text, 0, &HashMap::new())
}

fn expand(text: &str, body: usize, names: &HashMap<&str, String>) -> Vec<u8> {
    let mut out = Vec::new();
    for line in text.split('\n') {
        if let Some(line) = line.strip_suffix("«cut»") {
            out.extend(expand_inline(line, body, names));
            return out;
        }
        let (line, end) = match line.strip_suffix("«lf»") {
            Some(line) => (line, &b"\n"[..]),
            None => (line, &b"\r\n"[..]),
        };
        out.extend(expand_inline(line, body, names));
        out.extend_from_slice(end);
    }
    out
}

fn expand_inline(text: &str, body: usize, names: &HashMap<&str, String>) -> Vec<u8> {
    let mut out = Vec::new();
    let mut rest = text;
    while let Some((before, after)) = rest.split_once('«') {
        let (inside, after) = after.split_once('»').expect("an open guillemet");
        out.extend_from_slice(before.as_bytes());
        if inside == "body" {
            out.extend_from_slice(body.to_string().as_bytes());
        } else if let Some(value) = names.get(inside) {
            out.extend_from_slice(value.as_bytes());
        } else if let Some((text, count)) = inside.rsplit_once('*') {
            out.extend(text.repeat(count.parse().expect("a count")).into_bytes());
        } else {
            for pair in inside.split(' ') {
                out.push(u8::from_str_radix(pair, 16).unwrap_or_else(|_| panic!("«{inside}»")));
            }
        }
        rest = after;
    }
    out.extend_from_slice(rest.as_bytes());
    out
}
