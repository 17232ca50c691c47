//! Session descriptions as offers, answers, and what was sent before.

use hornwire::media::Codec;
use hornwire::sip::sdp::{self, KeySeed, Local, Policy, SdpError};

/// Longest body that may come of 64 streams.
const MAX_OUT: usize = 64 * 1024;

pub fn run(data: &[u8]) {
    let (choice, body) = data.split_first().map_or((0, data), |(c, b)| (*c, b));
    let codecs = match choice % 4 {
        0 => vec![Codec::Pcmu],
        1 => vec![Codec::Pcma, Codec::Pcmu],
        _ => vec![Codec::Opus, Codec::Pcma, Codec::Pcmu],
    };
    let local = Local {
        address: if choice & 16 == 0 {
            [192, 0, 2, 50].into()
        } else {
            "2001:db8::50".parse().unwrap()
        },
        rtp_port: 30_000,
        codecs,
        session_id: 7,
        version: u64::from(choice),
        srtp: match choice & 0x60 {
            0 => Policy::Off,
            0x20 => Policy::Prefer { offer: false },
            0x40 => Policy::Prefer { offer: true },
            _ => Policy::Require,
        },
        keys: KeySeed([choice; 32]),
    };
    match sdp::answer(body, &local) {
        Ok((answer, agreed)) => {
            well_formed(&answer);
            assert!(
                agreed.payloads.iter().next().is_some(),
                "an answer without a payload type"
            );
            assert!((10..=60).contains(&agreed.ptime));
            // Who has the same codecs can take it.
            assert!(
                local.srtp != Policy::Off || sdp::accept(&answer, &local).is_ok(),
                "{}",
                String::from_utf8_lossy(&answer)
            );
            well_formed(&sdp::offer_again(&local, &answer));
        }
        Err(SdpError::Unreadable(why) | SdpError::NothingFits(why)) => assert!(why.len() < MAX_OUT),
    }
    if let Ok(agreed) = sdp::accept(body, &local) {
        assert!((10..=60).contains(&agreed.ptime));
    }
    well_formed(&sdp::offer_again(&local, body));
}

fn well_formed(body: &[u8]) {
    assert!(body.len() <= MAX_OUT && body.starts_with(b"v=0\r\n") && body.ends_with(b"\r\n"));
    for line in body.split(|b| *b == b'\n') {
        assert!(
            line.is_empty() || line.get(1) == Some(&b'=') && line.ends_with(b"\r"),
            "{line:?}"
        );
    }
}
