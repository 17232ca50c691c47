//! Datagrams on an RTP port: a sequence of them with the time between.
#![allow(clippy::disallowed_methods)]

use std::time::{Duration, Instant};

use hornwire::media::receiver::{MAX_CANDIDATES, MAX_KEPT};
use hornwire::media::{Codec, Format, MAX_PAYLOAD, PayloadMap, Received, Receiver, rtcp};

pub fn run(data: &[u8]) {
    let map = PayloadMap::new()
        .with(0, Format::Audio(Codec::Pcmu))
        .with(8, Format::Audio(Codec::Pcma))
        .with(96, Format::Audio(Codec::Opus))
        .with(101, Format::TelephoneEvent);
    let mut receiver = Receiver::new(map);
    let mut now = Instant::now();
    let mut rest = data;
    let mut before = receiver.figures();
    let mut last = None;
    // Two octets of time and length, then the datagram.
    while let [time, length, tail @ ..] = rest {
        now += Duration::from_millis(u64::from(*time) * u64::from(*time) / 16);
        let (datagram, after) = tail.split_at(usize::from(*length).min(tail.len()));
        rest = after;
        let _ = rtcp::read(datagram, |ssrc| ssrc & 1 == 0);
        match receiver.handle(datagram, now) {
            Received::Packet { packet, .. } => {
                let mut kept = 0;
                let mut order = Vec::new();
                while let Some(k) = receiver.take_kept() {
                    kept += 1;
                    assert!(k.payload().len() <= MAX_PAYLOAD);
                    order.push(k.seq);
                }
                assert!(kept <= MAX_KEPT * MAX_CANDIDATES);
                assert!(order.windows(2).all(|w| w[0] < w[1]), "kept packets out of order");
                assert!(
                    order.last().is_none_or(|l| *l < packet.seq),
                    "kept behind the packet that made it valid"
                );
                if packet.restart {
                    last = None;
                }
                assert_ne!(last, Some(packet.seq), "the same packet twice");
                last = Some(packet.seq);
                assert!(receiver.ssrc().is_some() && receiver.last_packet() == Some(now));
            }
            Received::Rtcp { .. } => assert!(rtcp::is_rtcp(datagram)),
            Received::Events(packet) => assert!(packet.payload().len() <= datagram.len()),
            Received::Probation | Received::Unknown(_) | Received::Dropped(_) => {}
        }
        let figures = receiver.figures();
        assert!(figures.packets >= before.packets && figures.malformed >= before.malformed);
        assert!(figures.jitter_ms.is_finite() && figures.jitter_ms >= 0.0);
        before = figures;
    }
}
