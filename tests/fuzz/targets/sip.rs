//! Messages, whole and out of a stream in any pieces.

use std::net::SocketAddr;

use hornwire::sip::wire::{Carrier, Frame, Framer, MAX_HEADERS, MAX_MESSAGE, Message, Reply, Request, Response, part};

pub fn run(data: &[u8]) {
    for carrier in [Carrier::Datagram, Carrier::Stream] {
        if let Some(message) = Message::read(data, carrier) {
            one(message);
        }
    }
    let whole = frames(data, &[usize::MAX]);
    let pieces: Vec<usize> = data.iter().take(8).map(|b| usize::from(*b) + 1).collect();
    assert_eq!(whole, frames(data, &pieces), "pieces make a difference");
}

fn one(message: Message) {
    assert!(message.headers().len() <= MAX_HEADERS);
    assert!(message.size() <= 4 * MAX_MESSAGE);
    if let Some(kind) = message.first("Content-Type") {
        let found = part(kind, &message.body, b"application/sdp");
        assert!(found.is_none_or(|f| f.len() <= message.body.len()));
    }
    let _ = message.list("Via");
    let fault = message.fault;
    answered(&message);
    if let Some(response) = Response::read(message.clone()) {
        assert!((100..700).contains(&response.status) && fault.is_none());
        assert!(!response.branch.is_empty());
        let _ = response.texts("WWW-Authenticate");
    }
    match Request::read(message) {
        Ok(request) => {
            assert!(fault.is_none());
            assert!(request.cseq < 1 << 31 && !request.call_id.is_empty() && !request.method_name.is_empty());
            assert!(request.from.raw_uri.len() <= MAX_MESSAGE);
            for route in &request.record_route {
                assert!(!route.is_empty());
            }
        }
        Err(broken) => assert!((400..600).contains(&broken.0.status)),
    }
}

/// An answer to anything can be read again, and gives back what it must.
fn answered(message: &Message) {
    let source: SocketAddr = ([192, 0, 2, 10], 5060).into();
    let octets = Reply::to(message, source, 200, "tag").finish(b"");
    assert!(octets.len() <= 4 * MAX_MESSAGE);
    if octets.len() >= MAX_MESSAGE || message.headers().len() + 1 >= MAX_HEADERS {
        return;
    }
    let answer = Message::read(&octets, Carrier::Datagram).expect("an answer");
    assert_eq!(answer.fault, None);
    for name in ["From", "Call-ID", "CSeq"] {
        assert!(message.all(name).eq(answer.all(name)), "{name} changed");
    }
    assert!(message.all("Via").skip(1).eq(answer.all("Via").skip(1)), "Via changed");
}

fn frames(data: &[u8], pieces: &[usize]) -> Vec<Frame> {
    let mut framer = Framer::default();
    let mut out = Vec::new();
    let mut rest = data;
    let mut pieces = pieces.iter().cycle();
    while !rest.is_empty() {
        let length = pieces.next().copied().unwrap_or(usize::MAX).min(rest.len());
        let (piece, after) = rest.split_at(length);
        rest = after;
        framer.push(piece);
        while let Some(frame) = framer.pull() {
            let broken = matches!(frame, Frame::Broken(_));
            out.push(frame);
            if broken {
                // How much of the rest came along depends on the pieces.
                if let Some(Frame::Broken(octets)) = out.last_mut() {
                    octets.clear();
                }
                return out;
            }
        }
        assert!(framer.held() <= MAX_MESSAGE + data.len());
    }
    out
}
