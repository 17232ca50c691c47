//! What breaks in the field: registrars, callers, passwords.

use crate::lab::daemon::Site;
use crate::lab::kamailio::{Kamailio, SUBSCRIBERS, Wish};
use crate::lab::multicast::{Group, send_pcmu};
use crate::lab::phone::Call;
use crate::lab::process::run;
use crate::lab::sipp::Scenario;
use crate::lab::speech::{Band, Speech, must_be_as_good, score};
use crate::lab::yard::Setup;
use crate::lab::{Lab, free_port, pause, seconds};

/// A refresh that meets a dead registrar is given up after 64·T1 = 32 s (RFC 3261 table 4, timer F); the first try after
/// that comes 30 to 60 s later (RFC 5626 §4.5: base 30 s, doubled once, halved at most); some seconds for a slow machine.
const RECOVERY: f64 = 32.0 + 60.0 + 15.0;

fn group(last: &'static str) -> Group {
    Group {
        address: last,
        port: free_port(),
    }
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_registrar_that_is_late_is_waited_for() {
    let lab = Lab::new("faults-late");
    let speech = Speech::short(&lab);
    let mut kamailio = Kamailio::start(&lab);
    kamailio.kill();
    let dispatch = group("239.255.11.1");
    let site = Site::new(&lab)
        .extension("850", &kamailio.registrar(), "zones = [\"yard\"]")
        .group("dispatch", dispatch, "zones = [\"yard\"]");
    let mut daemon = site.start(&lab);
    daemon.wait_ready(10.0);
    // Multicast does not wait for the phone system.
    send_pcmu(dispatch, &speech.narrow).wait_end(seconds(20.0));
    daemon.wait_records(1, 10.0);
    // Until the first try has been given up (timer F).
    daemon.process.wait(&["cannot register"], seconds(40.0));
    kamailio.restart();
    kamailio.wait_registered("850", true, RECOVERY);
    let mut sipp = Scenario {
        length: 1500,
        ..Scenario::new("call.xml", kamailio.address(), "850", &speech.mulaw)
    }
    .start(&lab);
    sipp.must_pass(20.0);
    daemon.wait_records(2, 10.0);
    // Once per change of state, not per try: one line of trouble, one of success.
    assert_eq!(daemon.registration_failures(), 1, "{}", daemon.process.text());
    assert_eq!(daemon.registrations(), 1, "{}", daemon.process.text());
    daemon.stop(10.0);
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_registrar_that_dies_in_a_call_costs_neither_the_page_nor_the_next_one() {
    let setup = Setup::new("faults-registrar")
        .wish(Wish {
            max_expires: 20,
            ..Wish::default()
        })
        .with("no_packet_limit = \"2 s\"");
    let speech = Speech::long(setup.lab());
    let short = Speech::short(setup.lab());
    let mut yard = setup.start();
    let mut phone = yard.phone(&Call::to("850", &speech.narrow));
    pause(2.0);
    yard.kamailio.kill();
    // The audio goes straight from the phone and does not stop. Its BYE is lost with the phone system, so the page ends
    // by itself, when no more packets come.
    pause(speech.seconds - 2.0 + 1.0);
    phone.process.kill();
    yard.daemon.wait_records(1, 15.0);
    yard.daemon.wait_rest(5.0);
    // Some refreshes fail.
    pause(20.0);
    yard.kamailio.restart();
    yard.kamailio.wait_registered("850", true, RECOVERY);
    yard.whole_call(&short.mulaw, 3200);
    yard.finish(2);
    assert_eq!(
        yard.reasons(),
        ["no-packets", "hung-up"],
        "{:#?}",
        yard.daemon.records()
    );
    let failures = yard.daemon.registration_failures();
    assert!(failures <= 2, "{}", yard.daemon.process.text());
    let result = score(
        Band::Narrow,
        &speech.narrow,
        &yard.site.wav,
        0,
        &speech.round_trip_mulaw,
    );
    must_be_as_good("page without its registrar", result);
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_caller_that_vanishes_frees_the_loudspeakers() {
    let setup = Setup::new("faults-vanished").with("no_packet_limit = \"2 s\"");
    let speech = Speech::long(setup.lab());
    let mut yard = setup.start();
    let mut phone = yard.phone(&Call::to("850", &speech.narrow));
    yard.daemon.wait_relay("yard-trigger", true, 5.0);
    pause(3.0);
    let died = std::time::Instant::now();
    phone.process.kill();
    yard.daemon.wait_rest(10.0);
    let freed = died.elapsed().as_secs_f64();
    assert!(
        (2.0..5.0).contains(&freed),
        "freed after {freed} s, with a limit of 2 s and a release of 0.4 s"
    );
    yard.daemon.wait_records(1, 5.0);
    // Nobody answers its BYE; the next caller does not wait for that.
    yard.whole_call(&speech.mulaw, 1500);
    yard.finish(2);
    assert_eq!(
        yard.reasons(),
        ["no-packets", "hung-up"],
        "{:#?}",
        yard.daemon.records()
    );
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_caller_that_falls_silent_without_hanging_up_is_hung_up_on() {
    let setup = Setup::new("faults-left").with("no_packet_limit = \"2 s\"");
    let speech = Speech::long(setup.lab());
    let mut yard = setup.start();
    yard.sipp("left.xml", "850", &speech.mulaw).must_pass(20.0);
    yard.finish(1);
    assert_eq!(yard.reasons(), ["no-packets"], "{:#?}", yard.daemon.records());
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_wrong_password_is_told_once_and_stops_nothing_else() {
    let lab = Lab::new("faults-password");
    let speech = Speech::short(&lab);
    let kamailio = Kamailio::start(&lab);
    let dispatch = group("239.255.11.2");
    let site = Site::new(&lab)
        .extension("850", &kamailio.registrar(), "zones = [\"yard\"]")
        .extension("851", &kamailio.registrar(), "zones = [\"yard\"]")
        .group("dispatch", dispatch, "zones = [\"yard\"]");
    let mut secrets = SUBSCRIBERS.to_vec();
    secrets[0].1 = "not-the-password";
    let mut daemon = site.start_with_secrets(&lab, &secrets);
    kamailio.wait_registered("851", true, 10.0);
    pause(20.0);
    // Back-off: 30 to 60 s after the first failure (RFC 5626 §4.5), and never the same wrong answer to a fresh
    // challenge at once (RFC 3261 §22.2).
    let tries = kamailio.log().count(&["request REGISTER", "by 850", "credentials=0"])
        + kamailio.log().count(&["request REGISTER", "by 850", "credentials= "]);
    assert!(
        (1..=2).contains(&tries),
        "{tries} tries in 20 s:\n{}",
        kamailio.log().text()
    );
    assert!(
        kamailio.log().count(&["request REGISTER", "by 850"]) <= 5,
        "{}",
        kamailio.log().text()
    );
    send_pcmu(dispatch, &speech.narrow).wait_end(seconds(20.0));
    daemon.wait_records(1, 10.0);
    assert!(kamailio.contacts("850").is_empty());
    assert_eq!(daemon.registration_failures(), 1, "{}", daemon.process.text());
    daemon.stop(10.0);
    // Passwords are in no line.
    for (_, secret) in secrets {
        assert!(
            !daemon.process.text().contains(secret),
            "a password was told:\n{}",
            daemon.process.text()
        );
    }
}

/// A new lease: the board's address goes, and another comes. Nobody tells the phone system but the board (RFC 3261
/// §10.2.1). In a network of its own, whose routes say which address the board speaks from.
#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_board_whose_address_changes_is_reached_again() {
    let lab = Lab::new("faults-lease").with_names(&[]);
    let ip = |words: &str| run(lab.command("ip").args(words.split(' ')));
    let speak_from = |address: &str| {
        ip(&format!("addr add {address}/32 dev lo"));
        ip(&format!(
            "route replace table local local 10.77.0.1 dev lo src {address}"
        ));
    };
    ip("addr add 10.77.0.1/32 dev lo");
    speak_from("10.78.0.5");
    let kamailio = Kamailio::start_with(
        &lab,
        &Wish {
            host: "10.77.0.1",
            ..Wish::default()
        },
    );
    let speech = Speech::short(&lab);
    let site = Site::new(&lab)
        .listen_everywhere()
        .extension("850", &kamailio.registrar(), "zones = [\"yard\"]");
    let mut daemon = site.start(&lab);
    kamailio.wait_registered("850", true, 10.0);
    assert!(kamailio.contacts("850").contains("10.78.0.5"));
    speak_from("10.78.0.6");
    ip("addr del 10.78.0.5/32 dev lo");
    // Looked at every 10 s; a binding is made anew 30 s after the last at the earliest.
    daemon.process.wait(&["registering anew"], seconds(20.0));
    let by = std::time::Instant::now() + seconds(45.0);
    while !kamailio.contacts("850").contains("10.78.0.6") {
        assert!(std::time::Instant::now() < by, "{}", daemon.process.text());
        pause(0.2);
    }
    let scenario = Scenario {
        length: 1500,
        ..Scenario::new("call.xml", kamailio.address(), "850", &speech.mulaw)
    };
    scenario.start(&lab).must_pass(20.0);
    daemon.wait_records(1, 10.0);
    daemon.stop(10.0);
}
