//! What the body of a request is, and whether we can read it (RFC 3261 §8.2.3).

use std::time::Instant;

use super::Agent;
use super::server::ServerKey;
use crate::sip::wire::{Params, Request, media_type, part};

/// The one body that we read.
pub(super) const SDP: &str = "application/sdp";

/// What a request's body holds.
enum Body {
    Session(Option<Vec<u8>>),
    /// 415 with these headers.
    Foreign(&'static [(&'static str, &'static str)]),
}

impl Agent {
    /// The offer, if the body is one; `None` when the request has been answered already.
    pub(super) fn session_body(&mut self, own: &ServerKey, request: &Request, now: Instant) -> Option<Option<Vec<u8>>> {
        match body(request) {
            Body::Foreign(headers) => {
                self.reject(own, 415, headers, now);
                None
            }
            Body::Session(offer) => {
                if accepts_sdp(request) {
                    Some(offer)
                } else {
                    // RFC 4475 §3.3.15: our answer would be one that the caller cannot read.
                    self.reject(own, 406, &[], now);
                    None
                }
            }
        }
    }
}

/// Reads what a body is (RFC 3261 §8.2.3).
fn body(request: &Request) -> Body {
    let message = &request.message;
    if message.body.is_empty() {
        return Body::Session(None);
    }
    let optional = message.first("Content-Disposition").is_some_and(|d| {
        String::from_utf8_lossy(d)
            .to_ascii_lowercase()
            .replace(' ', "")
            .contains("handling=optional")
    });
    let foreign = |headers| {
        if optional {
            Body::Session(None)
        } else {
            Body::Foreign(headers)
        }
    };
    let encoded = message
        .list("Content-Encoding")
        .is_ok_and(|l| l.iter().any(|e| !e.eq_ignore_ascii_case(b"identity")));
    if encoded {
        return foreign(&[("Accept-Encoding", "identity")]);
    }
    match message.first("Content-Type") {
        Some(value) if media_type(value) == SDP.as_bytes() => Body::Session(Some(message.body.clone())),
        None if message.body.starts_with(b"v=") => Body::Session(Some(message.body.clone())),
        Some(value) => match part(value, &message.body, SDP.as_bytes()) {
            Some(inside) => Body::Session(Some(inside.to_vec())),
            None => foreign(&[("Accept", SDP)]),
        },
        None => foreign(&[("Accept", SDP)]),
    }
}

/// `q=0` (RFC 2616 §3.9).
fn is_refused(element: &[u8]) -> bool {
    let params = element.iter().position(|b| *b == b';').and_then(|at| element.get(at..));
    params
        .and_then(|p| Params::read(p).ok())
        .and_then(|p| p.value("q").map(|q| q.iter().all(|b| b"0.".contains(b))))
        .unwrap_or(false)
}

/// No Accept means application/sdp (RFC 3261 §20.1).
fn accepts_sdp(request: &Request) -> bool {
    if request.message.first("Accept").is_none() {
        return true;
    }
    request.message.list("Accept").is_ok_and(|l| {
        l.iter().any(|e| {
            let wanted = media_type(e);
            if is_refused(e) {
                return false;
            }
            wanted == SDP.as_bytes() || wanted == b"application/*" || wanted == b"*/*"
        })
    })
}
