//! The ALSA path, on a sound server's null sink that is clocked in real time.

use crate::lab::daemon::Site;
use crate::lab::kamailio::Kamailio;
use crate::lab::multicast::{Group, send_pcmu};
use crate::lab::pulse::Pulse;
use crate::lab::sipp::Scenario;
use crate::lab::speech::{Band, Speech, must_be_as_good, score};
use crate::lab::{Lab, free_port, pause, seconds};

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_page_leaves_an_alsa_card_as_it_was_spoken() {
    let lab = Lab::new("card-page");
    let speech = Speech::long(&lab);
    let pulse = Pulse::start(&lab);
    let dispatch = Group {
        address: "239.255.12.1",
        port: free_port(),
    };
    let site = Site::new(&lab).alsa("pulse", pulse.environment()).group(
        "dispatch",
        dispatch,
        "zones = [\"yard\", \"sawmill\"]",
    );
    let mut daemon = site.start(&lab);
    daemon.wait_ready(10.0);
    let recorder = pulse.record(&lab, "monitor.wav");
    send_pcmu(dispatch, &speech.narrow).wait_end(seconds(30.0));
    daemon.wait_records(1, 10.0);
    daemon.wait_rest(5.0);
    let recording = recorder.stop();
    daemon.stop(10.0);
    for channel in [0, 1] {
        let result = score(
            Band::Narrow,
            &speech.narrow,
            &recording,
            channel,
            &speech.round_trip_mulaw,
        );
        must_be_as_good(&format!("ALSA card, channel {channel}"), result);
    }
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_card_that_goes_and_comes_back_is_opened_again() {
    let lab = Lab::new("card-gone");
    let speech = Speech::long(&lab);
    let mut pulse = Pulse::start(&lab);
    let kamailio = Kamailio::start(&lab);
    let dispatch = Group {
        address: "239.255.12.2",
        port: free_port(),
    };
    let site = Site::new(&lab)
        .alsa("pulse", pulse.environment())
        .extension("850", &kamailio.registrar(), "zones = [\"yard\"]")
        .group("dispatch", dispatch, "zones = [\"yard\"]");
    let mut daemon = site.start(&lab);
    kamailio.wait_registered("850", true, 10.0);

    // The card goes in the middle of a page: the caller is told, the relays go to rest.
    let mut caller = Scenario::new("cut.xml", kamailio.address(), "850", &speech.mulaw).start(&lab);
    daemon.wait_relay("yard-trigger", true, 10.0);
    pause(2.0);
    pulse.kill();
    caller.must_pass(15.0);
    daemon.wait_rest(5.0);
    daemon.wait_records(1, 5.0);

    // Meanwhile callers get 480 (RFC 3261 §21.4.18).
    let mut refused = Scenario {
        status: 480,
        ..Scenario::new("refused.xml", kamailio.address(), "850", &speech.mulaw)
    }
    .start(&lab);
    refused.must_pass(15.0);
    pause(3.0);

    // It is back: so are we, and the next page is whole.
    let mark = daemon.process.mark();
    pulse.restart();
    daemon.wait_card_back(mark, 30.0);
    let recorder = pulse.record(&lab, "monitor.wav");
    send_pcmu(dispatch, &speech.narrow).wait_end(seconds(30.0));
    daemon.wait_records(3, 10.0);
    daemon.wait_rest(5.0);
    let recording = recorder.stop();
    daemon.stop(10.0);
    let records = daemon.records();
    let reasons: Vec<_> = records.iter().map(|r| r.field("END_REASON")).collect();
    assert_eq!(
        reasons,
        ["device-fault", "device-fault", "stream-ended"],
        "{records:#?}"
    );
    let result = score(Band::Narrow, &speech.narrow, &recording, 0, &speech.round_trip_mulaw);
    must_be_as_good("after the card came back", result);
}
