//! What a call agrees on anew: reliable answers, UPDATE, a re-INVITE to another codec and another place. SIPp through the
//! phone system.

use std::net::SocketAddr;

use crate::lab::dialog::audio_port;
use crate::lab::multicast::send_pcma;
use crate::lab::packets::{listen, socket};
use crate::lab::sipp::Scenario;
use crate::lab::speech::{Band, Speech, must_be_as_good, score};
use crate::lab::yard::Setup;
use crate::lab::{CALLER, DAEMON, seconds};

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_caller_that_requires_reliable_answers_may_change_its_codec_by_update() {
    let setup = Setup::new("changes-reliable");
    let speech = Speech::short(setup.lab());
    let mut yard = setup.start();
    let scenario = Scenario {
        length: (speech.seconds * 1000.0) as u32 + 300,
        ..Scenario::new("reliable.xml", yard.kamailio.address(), "850", &speech.alaw)
    };
    scenario.start(&yard.lab).must_pass(20.0);
    yard.finish(1);
    assert_eq!(yard.reasons(), ["hung-up"], "{:#?}", yard.daemon.records());
    // Unacknowledged for 800 ms, the 180 came at least twice: T1 is 500 ms (RFC 3262 §3).
    let log = yard.kamailio.log();
    assert!(log.count(&["reply 180", "to INVITE"]) >= 2, "{}", log.text());
    let result = score(Band::Narrow, &speech.narrow, &yard.site.wav, 0, &speech.round_trip_alaw);
    must_be_as_good("A-law after UPDATE", result);
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_caller_that_never_acknowledges_a_reliable_answer_is_given_up() {
    // It sends nothing either, and would be refused for that sooner.
    let setup = Setup::new("changes-unacknowledged")
        .site(|site, _| site.network(CALLER))
        .with("no_packet_limit = \"1 min\"\nquiet_limit = \"none\"");
    let speech = Speech::short(setup.lab());
    let mut yard = setup.start();
    // Straight to the daemon: the phone system would lose patience first.
    let began = std::time::Instant::now();
    let mut sipp = Scenario::new("unacknowledged.xml", yard.daemon.address(), "850", &speech.mulaw).start(&yard.lab);
    sipp.must_pass(40.0);
    let ended = began.elapsed().as_secs_f64();
    // RFC 3262 §3: T1, doubled each time, so after 0.5, 1.5, 3.5, 7.5, 15.5 and 31.5 s; a 5xx after 64*T1.
    let messages = sipp.messages();
    assert_eq!(messages.matches("SIP/2.0 180 ").count(), 7, "{messages}");
    assert!((32.0..36.0).contains(&ended), "{ended} s");
    yard.finish(1);
    assert_eq!(yard.reasons(), ["call-lost"], "{:#?}", yard.daemon.records());
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn audio_that_moves_to_another_codec_and_place_is_followed_at_once() {
    let setup = Setup::new("changes-moved");
    let (before, after) = (Speech::long(setup.lab()), Speech::short(setup.lab()));
    let mut yard = setup.start();
    let ear = socket("127.0.0.4");
    let new_place = ear.local_addr().unwrap();
    let scenario = Scenario {
        length: 2500,
        words: vec![
            ("ADDRESS", new_place.ip().to_string()),
            ("PORT", new_place.port().to_string()),
            ("REST", "5000".to_owned()),
        ],
        ..Scenario::new("moved.xml", yard.kamailio.address(), "850", &before.mulaw)
    };
    let mut sipp = scenario.start(&yard.lab);
    yard.kamailio.log().wait(&["request ACK", "cseq=2 "], seconds(15.0));
    // SIPp goes on speaking from the old place. It is heard no more: neither mixed in, nor instead.
    let to: SocketAddr = format!("{DAEMON}:{}", audio_port(&sipp.answer())).parse().unwrap();
    // What we send goes to the new place, in the new codec, 50 packets a second.
    let heard = listen(&ear, seconds(0.4));
    let is_ours = |(packet, from): &(Vec<u8>, SocketAddr)| *from == to && packet.get(1).is_some_and(|o| o & 0x7F == 8);
    assert!(
        heard.len() >= 10 && heard.iter().all(is_ours),
        "{} packets",
        heard.len()
    );
    drop(ear);
    send_pcma(new_place, to, &after.narrow).wait_end(seconds(10.0));
    sipp.must_pass(15.0);
    yard.finish(1);
    assert_eq!(yard.reasons(), ["hung-up"], "{:#?}", yard.daemon.records());
    let result = score(Band::Narrow, &after.narrow, &yard.site.wav, 0, &after.round_trip_alaw);
    must_be_as_good("A-law from the new place", result);
}
