//! What an answer copies from its request must come back octet for octet (RFC 3261 §8.2.6.2, §12.1.1, §18.2.1).

use hornwire::sip::wire::{Carrier, Message};

use super::notation::Case;
use super::world::{PEER, World};

fn values<'a>(message: &'a Message, name: &'a str) -> Vec<&'a [u8]> {
    message.all(name).collect()
}

/// Without what RFC 3261 §18.2.1 and RFC 3581 §4 let us change: `received` and the value of `rport`.
fn without_received(value: &[u8]) -> Vec<u8> {
    let first = value.iter().position(|b| *b == b',').unwrap_or(value.len());
    let (element, rest) = value.split_at(first);
    let kept: Vec<Vec<u8>> = element
        .split(|b| *b == b';')
        .filter(|p| !p.trim_ascii().to_ascii_lowercase().starts_with(b"received"))
        .map(|p| {
            if p.trim_ascii().to_ascii_lowercase().starts_with(b"rport") {
                b"rport".to_vec()
            } else {
                p.to_vec()
            }
        })
        .collect();
    // White space before a parameter that went is no loss.
    let mut out = kept.join(&b';').trim_ascii_end().to_vec();
    out.extend_from_slice(rest.trim_ascii_start());
    out
}

pub fn compare(request: &Message, status: u16, answer: &Message) -> Vec<String> {
    let mut faults = Vec::new();
    for name in ["From", "Call-ID", "CSeq"] {
        if values(request, name) != values(answer, name) {
            faults.push(format!("{name} changed"));
        }
    }
    let (asked, told) = (values(request, "Via"), values(answer, "Via"));
    if asked.len() != told.len() || asked.iter().skip(1).ne(told.iter().skip(1)) {
        faults.push("another list of Via".into());
    }
    if let (Some(asked), Some(told)) = (asked.first(), told.first())
        && without_received(asked) != without_received(told)
    {
        faults.push(format!(
            "the first Via changed from {} to {}",
            String::from_utf8_lossy(asked),
            String::from_utf8_lossy(told)
        ));
    }
    for (asked, told) in values(request, "To").into_iter().zip(values(answer, "To")) {
        let tail = told.strip_prefix(asked);
        if !tail.is_some_and(|t| t.is_empty() || t.starts_with(b";tag=")) {
            faults.push("To changed".into());
        }
    }
    let routes = values(answer, "Record-Route");
    let makes_a_dialog = (200..300).contains(&status) && values(request, "CSeq")[0].ends_with(b"INVITE");
    if makes_a_dialog && routes != values(request, "Record-Route") {
        faults.push("Record-Route changed".into());
    }
    faults
}

pub fn faults(case: &Case, octets: &[u8], world: &World) -> Vec<String> {
    let request = Message::read(octets, Carrier::Datagram).unwrap();
    let mut faults = Vec::new();
    for (status, answer) in world.answers() {
        let found = compare(&request, status, &answer);
        faults.extend(found.into_iter().map(|f| format!("{}: {f}", case.name)));
    }
    faults
}

/// A random value of a header that is echoed, as RFC 3261 lets it look, and beyond: any octet but line ends.
mod random {
    use super::*;
    use proptest::prelude::*;

    fn junk() -> impl Strategy<Value = Vec<u8>> {
        prop::collection::vec(
            any::<u8>().prop_filter("no line end", |b| !b"\r\n\",<>;\\".contains(b)),
            0..40,
        )
    }

    fn spaces() -> impl Strategy<Value = Vec<u8>> {
        prop::sample::select(vec![&b""[..], b" ", b"\t", b"   "]).prop_map(<[u8]>::to_vec)
    }

    fn name_addr() -> impl Strategy<Value = Vec<u8>> {
        (
            junk(),
            spaces(),
            "[a-zA-Z0-9.;?/%!*'~]{1,20}",
            "[a-z0-9.-]{1,20}",
            spaces(),
        )
            .prop_map(|(name, gap, user, host, end)| {
                let host = host.into_bytes();
                [
                    &b"\""[..],
                    &name,
                    b"\"",
                    &gap,
                    b"<sip:",
                    user.as_bytes(),
                    b"@",
                    &host,
                    b">",
                    &end,
                ]
                .concat()
            })
    }

    fn via() -> impl Strategy<Value = Vec<u8>> {
        (
            spaces(),
            "[A-Z]{3,6}",
            "[a-z0-9.-]{1,20}",
            "(:[1-9][0-9]{0,3})?",
            "[a-zA-Z0-9.!%*_+'~-]{1,30}",
            spaces(),
        )
            .prop_map(|(gap, transport, host, port, branch, end)| {
                let gap = String::from_utf8(gap).unwrap();
                let end = String::from_utf8(end).unwrap();
                format!(
                    "SIP{gap}/{gap}2.0{gap}/{gap}{transport} {host}{port}{gap};{gap}rport{end};branch=z9hG4bK{branch}"
                )
                .into_bytes()
            })
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(2000) })]
        #[test]
        fn what_is_echoed_is_not_touched(
            vias in prop::collection::vec(via(), 1..5),
            from in name_addr(),
            to in name_addr(),
            call_id in "[!-~]{1,60}",
            cseq in 0u32..1 << 31,
            gap in spaces(),
            routes in prop::collection::vec(name_addr(), 0..4),
            invite in any::<bool>(),
        ) {
            let method = if invite { "INVITE" } else { "OPTIONS" };
            let mut octets = format!("{method} sip:600@192.0.2.50 SIP/2.0\r\n").into_bytes();
            let mut header = |name: &str, value: &[u8]| {
                octets.extend_from_slice(name.as_bytes());
                octets.extend_from_slice(&gap);
                octets.extend_from_slice(b": ");
                octets.extend_from_slice(value);
                octets.extend_from_slice(b"\r\n");
            };
            for via in &vias {
                header("Via", via);
            }
            header("From", &[&from[..], b";tag=f"].concat());
            header("To", &to);
            header("Call-ID", call_id.as_bytes());
            header("CSeq", format!("{cseq}  {method}").as_bytes());
            header("Contact", b"<sip:office@192.0.2.10>");
            for route in &routes {
                header("Record-Route", route);
            }
            octets.extend_from_slice(b"Content-Length: 0\r\n\r\n");
            let mut world = World::new();
            world.datagram(PEER, &octets);
            let request = Message::read(&octets, Carrier::Datagram).unwrap();
            prop_assert_eq!(world.finals(), [200]);
            for (status, answer) in world.answers() {
                let faults = compare(&request, status, &answer);
                prop_assert!(faults.is_empty(), "{:?}", faults);
                // What was read is what stood there, white space around it aside.
                prop_assert_eq!(answer.first("Call-ID"), Some(call_id.as_bytes()));
                prop_assert_eq!(answer.first("From").map(<[u8]>::to_vec), Some([from.trim_ascii_start(), b";tag=f"].concat()));
            }
        }
    }
}
