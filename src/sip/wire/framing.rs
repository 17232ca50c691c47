//! Messages out of a stream's octets (RFC 3261 §7.5, §18.3; RFC 5626 §3.5.1 for the keep-alive).

use super::{MAX_MESSAGE, stream_length};

/// Cuts a stream into messages. It never holds more than [`MAX_MESSAGE`] octets between two calls.
#[derive(Debug, Default)]
pub struct Framer {
    buffer: Vec<u8>,
    /// So many octets hold no empty line.
    scanned: usize,
    /// The whole length of the message at the front, once its headers are there.
    whole: Option<usize>,
    broken: bool,
}

/// A piece of the stream.
#[derive(Debug, PartialEq, Eq)]
pub enum Frame {
    /// One whole message.
    Message(Vec<u8>),
    /// CRLFCRLF: answer with one CRLF.
    Ping,
    /// Nothing after this can be framed: answer what is there, then close the connection.
    Broken(Vec<u8>),
}

impl Framer {
    /// A message has begun and is not yet whole.
    pub fn is_pending(&self) -> bool {
        self.buffer.iter().any(|b| !b"\r\n".contains(b))
    }

    /// Octets held.
    pub fn held(&self) -> usize {
        self.buffer.len()
    }

    /// Takes more octets; call [`Framer::pull`] until it gives `None`.
    pub fn push(&mut self, octets: &[u8]) {
        if !self.broken {
            self.buffer.extend_from_slice(octets);
        }
    }

    /// Takes away the answer to a ping of ours: one empty line, where two are the far end's own ping.
    pub fn skip_pong(&mut self) {
        if self.buffer.starts_with(b"\r\n") && !self.buffer.starts_with(b"\r\n\r\n") {
            self.drop_front(2);
        }
    }

    pub fn pull(&mut self) -> Option<Frame> {
        if self.broken {
            return None;
        }
        // Empty lines between messages are skipped; two in a row are a ping.
        loop {
            match self.buffer.as_slice() {
                [b'\r', b'\n', b'\r', b'\n', ..] => {
                    self.drop_front(4);
                    return Some(Frame::Ping);
                }
                [b'\r'] | [b'\r', b'\n'] | [b'\r', b'\n', b'\r'] => return None,
                [b'\r', b'\n', ..] => self.drop_front(2),
                [b'\n', ..] => self.drop_front(1),
                _ => break,
            }
        }
        if self.whole.is_none() {
            let Some(head) = self.head_end() else {
                return (self.buffer.len() >= MAX_MESSAGE).then(|| self.give_up());
            };
            self.whole = self
                .buffer
                .get(..head)
                .and_then(stream_length)
                .and_then(|length| head.checked_add(length))
                .filter(|whole| *whole < MAX_MESSAGE);
        }
        match self.whole {
            None => Some(self.give_up()),
            Some(whole) if whole <= self.buffer.len() => {
                let message = self.buffer.get(..whole).unwrap_or_default().to_vec();
                self.drop_front(whole);
                Some(Frame::Message(message))
            }
            Some(_) => None,
        }
    }

    fn give_up(&mut self) -> Frame {
        self.broken = true;
        self.scanned = 0;
        let mut octets = std::mem::take(&mut self.buffer);
        octets.truncate(MAX_MESSAGE);
        Frame::Broken(octets)
    }

    fn drop_front(&mut self, count: usize) {
        self.buffer.drain(..count.min(self.buffer.len()));
        self.scanned = 0;
        self.whole = None;
    }

    /// Where the body begins: after the first empty line.
    fn head_end(&mut self) -> Option<usize> {
        let from = self.scanned.saturating_sub(3);
        let tail = self.buffer.get(from..).unwrap_or_default();
        for (i, b) in tail.iter().enumerate() {
            if *b != b'\n' {
                continue;
            }
            match tail.get(i + 1..) {
                Some([b'\n', ..]) => return Some(from + i + 2),
                Some([b'\r', b'\n', ..]) => return Some(from + i + 3),
                _ => {}
            }
        }
        self.scanned = self.buffer.len();
        None
    }
}
