//! Header values: URIs, addresses, Via, CSeq, lists, parameters; what is sent back of a Via; text for people.

use std::net::SocketAddr;

use hornwire::sip::network::Network;
use hornwire::sip::wire::{
    Address, CSeq, MAX_LIST, Params, Uri, Via, display, media_type, number, part, reply_via, split_list, tokens,
};

pub fn run(data: &[u8]) {
    if let Ok(Uri::Sip(uri)) = Uri::read(data) {
        let _ = (uri.user_name(), uri.address());
        // A host is written so that it reads the same.
        let again = format!("sip:{}", uri.host);
        match Uri::read(again.as_bytes()) {
            Ok(Uri::Sip(second)) => assert_eq!(second.host, uri.host),
            other => panic!("{again}: {other:?}"),
        }
    }
    if let Ok(address) = Address::read(data) {
        assert_eq!(Uri::read(&address.raw_uri), Ok(address.uri.clone()));
        let _ = address.tag();
    }
    if let Ok(cseq) = CSeq::read(data) {
        assert!(cseq.number < 1 << 31);
    }
    if let Ok(elements) = split_list(data) {
        assert!(elements.len() <= MAX_LIST + 1);
        let joined = elements.join(&b", "[..]);
        assert_eq!(
            split_list(&joined),
            Ok(elements.clone()),
            "a list reads the same when it is written again"
        );
        let _ = tokens(&elements);
    }
    let _ = Params::read(data);
    via(data);
    let shown = display(data, 64);
    assert!(shown.chars().count() <= 64 && !shown.chars().any(char::is_control));
    if let Some(n) = number(data) {
        assert_eq!(number(n.to_string().as_bytes()), Some(n));
    }
    assert!(!media_type(data).iter().any(u8::is_ascii_whitespace));
    if let Ok(text) = std::str::from_utf8(data) {
        let _ = text.parse::<Network>();
    }
    // Half of it a content type, half a body.
    let (kind, body) = data.split_at(data.len() / 2);
    let _ = part(kind, body, b"application/sdp");
}

fn via(data: &[u8]) {
    for source in ["192.0.2.10:5062", "[2001:db8::9]:5060", "[::ffff:192.0.2.10]:1"] {
        let source: SocketAddr = source.parse().unwrap();
        let back = reply_via(data, source);
        assert!(back.len() <= data.len() + 64);
        let first = |value: &[u8]| {
            let elements = split_list(value).ok()?;
            Via::read(elements.first()?).ok()
        };
        if let Some(asked) = first(data) {
            let told = first(&back).expect("a Via that reads as before");
            assert_eq!((&told.host, told.port), (&asked.host, asked.port));
            assert_eq!(told.branch(), asked.branch());
            assert_eq!(told.params.has("rport"), asked.params.has("rport"));
            if asked.params.has("rport") {
                assert_eq!(told.params.port("rport"), Some(source.port()));
            }
        }
    }
}
