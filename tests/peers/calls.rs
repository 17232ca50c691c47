//! Calls through the phone system: registration, answer, both hang-ups, quality, the caller's own ear.

use crate::lab::daemon::Site;
use crate::lab::kamailio::{Kamailio, Wish};
use crate::lab::phone::Call;
use crate::lab::sipp::Scenario;
use crate::lab::speech::{Band, Speech, g722_round_trip, must_be_as_good, score};
use crate::lab::yard::Setup;
use crate::lab::{Lab, PHONE_SYSTEM, pause, seconds, sound};

/// Quieter than this is silence: far below the smallest step of a telephone codec after 0 dB of gain.
const SILENCE: f64 = -70.0;

fn registered_call(name: &str, algorithm: &'static str) {
    let lab = Lab::new(name);
    let speech = Speech::short(&lab);
    let kamailio = Kamailio::start_with(
        &lab,
        &Wish {
            algorithm,
            ..Wish::default()
        },
    );
    let site = Site::new(&lab).extension("850", &kamailio.registrar(), "zones = [\"yard\"]");
    let mut daemon = site.start(&lab);
    kamailio.wait_registered("850", true, 10.0);

    let mut sipp = Scenario {
        length: 3200,
        ..Scenario::new("call.xml", kamailio.address(), "850", &speech.mulaw)
    }
    .start(&lab);
    sipp.must_pass(20.0);
    daemon.wait_records(1, 10.0);
    daemon.wait_rest(5.0);
    daemon.stop(10.0);

    // Graceful end: the registrar has been told (RFC 3261 §10.2.2).
    kamailio.wait_registered("850", false, 2.0);

    let records = daemon.records();
    assert_eq!(records.len(), 1, "{records:#?}");
    let record = &records[0];
    assert_eq!(record.field("END_REASON"), "hung-up", "{record:?}");
    assert_eq!(record.field("ZONE"), "yard", "{record:?}");
    assert!(record.field("CALLER").contains("203"), "{record:?}");
    // 3.2 s of 20 ms packets, the last ones perhaps after the BYE.
    let packets: u32 = record.field("PACKETS").parse().expect("a count");
    assert!((130..=165).contains(&packets), "{record:?}");
    assert_eq!(record.field("LOST"), "0", "{record:?}");

    let heard = sound::read(&site.wav);
    let (from, to) = heard.heard(0, SILENCE).expect("speech in the yard");
    assert!((2.0..4.5).contains(&(to - from)), "heard from {from} to {to} s");
    assert_eq!(heard.heard(1, SILENCE), None, "the sawmill was not called");
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_call_through_an_md5_registrar_is_a_page() {
    registered_call("calls-md5", "MD5"); // RFC 2617, RFC 3261 §22
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_call_through_a_sha256_registrar_is_a_page() {
    registered_call("calls-sha256", "SHA-256"); // RFC 8760
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_nonce_that_grew_stale_is_answered_with_the_new_one() {
    // RFC 3261 §22.4, RFC 7616 §3.3: `stale` asks for the same password with a new nonce. The refreshes of a 10 s
    // registration meet nonces that live 3 s.
    let mut yard = Setup::new("calls-stale")
        .wish(Wish {
            max_expires: 10,
            nonce_expire: 3,
            ..Wish::default()
        })
        .start();
    let log = || yard.kamailio.log().text();
    for _ in 0..25 {
        pause(1.0);
        let registered = !yard.kamailio.contacts("850").is_empty();
        assert!(registered, "the registration ran out:\n{}", log());
    }
    let refreshes = yard.kamailio.log().count(&["request REGISTER", "by 850"]);
    assert!(
        (4..=24).contains(&refreshes),
        "{refreshes} REGISTERs in 25 s:\n{}",
        log()
    );
    assert!(yard.daemon.troubles().is_empty(), "{:#?}", yard.daemon.troubles());
    yard.daemon.stop(10.0);
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_page_over_its_limit_is_hung_up_on() {
    let setup = Setup::new("calls-limit").with("page_limit = \"5 s\"");
    let speech = Speech::long(setup.lab());
    let mut yard = setup.start();
    // BYE with a Reason (RFC 3326), along the route set (RFC 3261 §12.2.1.1): SIPp's scenario asks for both.
    yard.sipp("cut.xml", "850", &speech.mulaw).must_pass(20.0);
    let log = yard.kamailio.log();
    assert_eq!(log.count(&["request BYE", "from udp:127.0.0.1:"]), 1, "{}", log.text());
    yard.finish(1);
    assert_eq!(yard.reasons(), ["page-limit"], "{:#?}", yard.daemon.records());
    let (from, to) = sound::read(&yard.site.wav)
        .heard(0, SILENCE)
        .expect("speech in the yard");
    assert!((4.5..5.6).contains(&(to - from)), "heard from {from} to {to} s");
}

/// A desk phone with a real recording, through the phone system, to the loudspeaker line.
fn quality(codec: &str) {
    let lab = Lab::new(&format!("calls-{codec}"));
    let speech = Speech::long(&lab);
    let kamailio = Kamailio::start(&lab);
    let site = Site::new(&lab).extension(
        "850",
        &kamailio.registrar(),
        "zones = [\"yard\", \"sawmill\"]\nlevelled = false",
    );
    let mut daemon = site.start(&lab);
    kamailio.wait_registered("850", true, 10.0);
    let call = Call {
        codec,
        ..Call::to("850", &speech.narrow)
    };
    let mut phone = call.start(&lab, &kamailio);
    phone.wait_answer(5.0);
    assert!(phone.process.count(&["CODEC", codec]) > 0, "{}", phone.process.text());
    phone.wait_done(30.0);
    daemon.wait_records(1, 10.0);
    daemon.wait_rest(5.0);
    daemon.stop(10.0);

    let ideal = match codec {
        "PCMA" => &speech.round_trip_alaw,
        _ => &speech.round_trip_mulaw,
    };
    for channel in [0, 1] {
        let result = score(Band::Narrow, &speech.narrow, &site.wav, channel, ideal);
        must_be_as_good(&format!("{codec} call, channel {channel}"), result);
        // Every gain is 0 dB.
        assert!(result.level.abs() < 1.0, "{result:?}");
        // The zone's ceiling is -3 dBFS unless said.
        let peak = sound::read(&site.wav).peak(usize::from(channel));
        assert!(peak <= 0.708, "channel {channel}: peak {peak}");
    }

    // The go-ahead beep in the caller's ear: 800 Hz, 150 ms (common practice, no published source), then silence.
    let ear = sound::read(&phone.recording);
    let (from, to) = ear.heard(0, -50.0).expect("the caller hears the go-ahead beep");
    assert!(
        (0.10..=0.25).contains(&(to - from)),
        "something else than a beep from {from} to {to} s"
    );
    assert!(from < 1.5, "the beep comes late, {from} s after the call was up");
    let (frequency, share) = sound::tone(ear.part(0, from + 0.02, to - 0.02), ear.rate);
    assert!(
        (780.0..=820.0).contains(&frequency) && share > 0.9,
        "{frequency} Hz with {share:.2} of the power"
    );
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_desk_phone_with_mu_law_is_heard_as_well_as_the_line_allows() {
    quality("PCMU");
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_desk_phone_with_a_law_is_heard_as_well_as_the_line_allows() {
    quality("PCMA");
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_desk_phone_with_g722_is_heard_in_wide_band_and_hears_us() {
    let setup = Setup::new("calls-g722");
    let speech = Speech::long(setup.lab());
    let ideal = setup.lab().path("g722-ideal.wav");
    g722_round_trip(&speech.wide, &ideal);
    let mut yard = setup.start();
    let mut phone = yard.phone(&Call {
        codec: "G722",
        ..Call::to("850", &speech.wide)
    });
    phone.wait_done(30.0);
    yard.finish(1);
    assert_eq!(yard.reasons(), ["hung-up"], "{:#?}", yard.daemon.records());
    let result = score(Band::Wide, &speech.wide, &yard.site.wav, 0, &ideal);
    must_be_as_good("G.722 call", result);
    // The other way: our go-ahead beep through our encoder and the phone's decoder.
    let ear = sound::read(&phone.recording);
    let (from, to) = ear.heard(0, -50.0).expect("the caller hears the go-ahead beep");
    let (frequency, share) = sound::tone(ear.part(0, from + 0.03, to - 0.03), ear.rate);
    assert!(
        (780.0..=820.0).contains(&frequency) && share > 0.9,
        "{frequency} Hz with {share:.2} of the power, from {from} to {to} s"
    );
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_call_that_is_put_on_hold_and_taken_back_goes_on() {
    // RFC 3264 §8.4: hold is a re-INVITE with `sendonly`, resumed with another one.
    let setup = Setup::new("calls-hold").with("no_packet_limit = \"15 s\"");
    let speech = Speech::long(setup.lab());
    let mut yard = setup.start();
    let mut phone = yard.phone(&Call {
        hang_up_after: None,
        ..Call::to("850", &speech.narrow)
    });
    pause(3.0);
    phone.say_and_wait("hold");
    pause(2.0);
    phone.say_and_wait("resume");
    pause(4.0);
    phone.process.say("hangup");
    phone.wait_done(10.0);
    yard.finish(1);
    assert_eq!(yard.reasons(), ["hung-up"], "{:#?}", yard.daemon.records());
    let heard = sound::read(&yard.site.wav);
    let (from, to) = heard.heard(0, SILENCE).expect("speech");
    assert!(to - from > 7.0, "heard from {from} to {to} s only");
    let last = sound::level(heard.part(0, to - 2.0, to));
    assert!(last > -45.0, "nothing was heard after the hold: {last} dBFS");
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn what_cannot_be_served_is_refused_with_the_right_status() {
    let lab = Lab::new("calls-refused");
    let speech = Speech::short(&lab);
    let kamailio = Kamailio::start(&lab);
    let site = Site::new(&lab)
        .network("127.0.0.3")
        .network("127.0.0.1") // where sipsak sends from
        .extension("850", &kamailio.registrar(), "zones = [\"yard\"]")
        .table("[extensions.gate]\nuser = \"gate\"\nzones = [\"yard\"]");
    let mut daemon = site.start(&lab);
    kamailio.wait_registered("850", true, 10.0);
    // A number that nobody has: 404 (RFC 3261 §21.4.5).
    let mut sipp = Scenario {
        status: 404,
        ..Scenario::new("refused.xml", daemon.address(), "999", &speech.mulaw)
    }
    .start(&lab);
    sipp.must_pass(20.0);
    // Codecs that we do not speak: 488 (RFC 3261 §21.4.26), here from a real phone that offers Speex alone.
    let call = Call {
        codec: "speex/8000",
        ..Call::to("850", &speech.narrow)
    };
    let phone = call.start(&lab, &kamailio);
    phone.process.wait(&["STATE DISCONNECTED 488"], seconds(10.0));
    // A call straight from a listed network, without the phone system: heard.
    let mut sipp = Scenario {
        length: 1500,
        ..Scenario::new("call.xml", daemon.address(), "gate", &speech.mulaw)
    }
    .start(&lab);
    sipp.must_pass(20.0);
    daemon.wait_records(1, 10.0);
    // OPTIONS is answered (RFC 3261 §11.2), by a tool of its own kind.
    let options = std::process::Command::new("sipsak")
        .args([
            "-s",
            &format!("sip:850@{}", daemon.address()),
            "-l",
            &crate::lab::free_port().to_string(),
        ])
        .output()
        .expect("sipsak");
    assert!(options.status.success(), "{}", String::from_utf8_lossy(&options.stdout));
    daemon.stop(10.0);
    let pages = daemon
        .records()
        .into_iter()
        .filter(|r| r.field("END_REASON") == "hung-up")
        .count();
    assert_eq!(pages, 1, "{:#?}", daemon.records());
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_stop_in_the_middle_of_a_page_says_good_bye() {
    let lab = Lab::new("calls-stop");
    let speech = Speech::long(&lab);
    let kamailio = Kamailio::start(&lab);
    let site = Site::new(&lab).extension("850", &kamailio.registrar(), "zones = [\"yard\"]");
    let mut daemon = site.start(&lab);
    kamailio.wait_registered("850", true, 10.0);
    let mut sipp = Scenario::new("cut.xml", kamailio.address(), "850", &speech.mulaw).start(&lab);
    daemon.wait_relay("yard-trigger", true, 10.0);
    pause(2.0);
    daemon.stop(10.0);
    sipp.must_pass(10.0);
    kamailio.wait_registered("850", false, 2.0);
    assert!(
        kamailio.log().count(&["request REGISTER", "by 850", "expires=0"]) >= 1,
        "{}",
        kamailio.log().text()
    );
    assert_eq!(
        kamailio
            .log()
            .count(&["request BYE", &format!("from udp:{}", daemon.address())]),
        1
    );
    assert!(kamailio.address().starts_with(PHONE_SYSTEM));
    daemon.must_be_at_rest();
    let records = daemon.records();
    assert_eq!(records.len(), 1, "{records:#?}");
    assert_eq!(records[0].field("END_REASON"), "shutdown", "{records:?}");
}
