//! Registrations over time: changed passwords, restarts, overload, several phone systems.

use crate::lab::certificates::Authority;
use crate::lab::daemon::Site;
use crate::lab::kamailio::{Kamailio, Wish, password};
use crate::lab::packets::{listen, socket};
use crate::lab::phone::Call;
use crate::lab::sipp::Scenario;
use crate::lab::speech::{Band, Speech, must_be_as_good, score};
use crate::lab::translation::Translation;
use crate::lab::yard::Setup;
use crate::lab::{Lab, PHONE_SYSTEM, SECOND_PHONE_SYSTEM, free_port, pause, seconds};

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_password_that_is_changed_and_changed_back_is_told_once_each_way() {
    // Meanwhile a call with session timers goes on across its refresh (RFC 4028: 90 s at least, refreshed at half).
    let setup = Setup::new("registrar-password")
        .wish(Wish {
            max_expires: 10,
            ..Wish::default()
        })
        .with("quiet_limit = \"none\"");
    let speech = Speech::short(setup.lab());
    let mut yard = setup.start();
    let mut phone = yard.phone(&Call {
        timers: true,
        hang_up_after: None,
        ..Call::to("850", &speech.narrow)
    });
    let called = std::time::Instant::now();
    yard.kamailio.set_password("850", "larch-and-spruce");
    // The next refresh is refused.
    yard.daemon.process.wait(&["cannot register"], seconds(15.0));
    let mark = yard.daemon.process.mark();
    yard.kamailio.set_password("850", password("850"));
    // The next try comes 30 to 60 s after the first failure (RFC 5626 §4.5: base 30 s, doubled once, halved at most).
    yard.daemon
        .process
        .wait_from(mark, &["is registered at"], seconds(70.0));
    yard.kamailio.wait_registered("850", true, 2.0);
    let text = yard.daemon.process.text();
    assert_eq!(yard.daemon.registration_failures(), 1, "{text}");
    assert_eq!(yard.daemon.registrations(), 2, "{text}");

    // Whoever the refresher is, it has been heard by 50 s, and the other end said 200.
    pause((50.0 - called.elapsed().as_secs_f64()).max(0.0));
    let log = yard.kamailio.log();
    let refreshes = log.count(&["request UPDATE"]) + log.count(&["request INVITE", "session-expires=90"]) - 1;
    assert!(refreshes >= 1, "no refresh within 50 s:\n{}", log.text());
    assert!(log.count(&["reply 200", "session-expires=90"]) >= 2, "{}", log.text());
    phone.process.say("hangup");
    phone.wait_done(10.0);
    yard.finish(1);
    assert_eq!(yard.reasons(), ["hung-up"], "{:#?}", yard.daemon.records());
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_phone_system_that_restarts_within_a_page_gets_its_registration_back() {
    let setup = Setup::new("registrar-restart").wish(Wish {
        max_expires: 10,
        ..Wish::default()
    });
    let speech = Speech::long(setup.lab());
    let mut yard = setup.start();
    let mut phone = yard.phone(&Call::to("850", &speech.narrow));
    pause(2.0);
    // It has forgotten everything but the call: the dialog lives in its ends, and BYE is routed by its Route headers.
    yard.kamailio.restart();
    phone.wait_done(30.0);
    yard.kamailio.wait_registered("850", true, 12.0);
    yard.finish(1);
    assert_eq!(yard.reasons(), ["hung-up"], "{:#?}", yard.daemon.records());
    assert_eq!(yard.daemon.registration_failures(), 0, "{}", yard.daemon.process.text());
    let result = score(
        Band::Narrow,
        &speech.narrow,
        &yard.site.wav,
        0,
        &speech.round_trip_mulaw,
    );
    must_be_as_good("page across a restart of the phone system", result);
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_domain_is_found_by_its_records_and_its_second_server_takes_over() {
    // RFC 3263 §4.1 and §4.3: NAPTR chooses UDP, SRV names two servers in order, and a 503 means the next one.
    let (first_port, second_port) = (free_port(), free_port());
    let service = "_sip._udp.quayside.test";
    let lab = Lab::new("registrar-names").with_names(&[
        format!("--naptr-record=quayside.test,10,50,S,SIP+D2U,,{service}"),
        format!("--srv-host={service},first.quayside.test,{first_port},10,0"),
        format!("--srv-host={service},second.quayside.test,{second_port},20,0"),
        format!("--host-record=first.quayside.test,{PHONE_SYSTEM}"),
        format!("--host-record=second.quayside.test,{SECOND_PHONE_SYSTEM}"),
    ]);
    let speech = Speech::short(&lab);
    // The way back is tried while the second one's binding lasts for a while yet.
    let system = |host, port, max_expires| {
        Kamailio::start_with(
            &lab,
            &Wish {
                host,
                port: Some(port),
                max_expires,
                ..Wish::default()
            },
        )
    };
    let first = system(PHONE_SYSTEM, first_port, 10);
    let second = system(SECOND_PHONE_SYSTEM, second_port, 120);
    let site = Site::new(&lab).extension("850", "sip:quayside.test", "zones = [\"yard\"]");
    let mut daemon = site.start(&lab);
    first.wait_registered("850", true, 10.0);
    assert!(second.contacts("850").is_empty(), "not at both of them");

    first.close(true);
    second.wait_registered("850", true, 15.0);
    // A call by way of the second one is a page.
    let scenario = Scenario {
        length: 1500,
        ..Scenario::new("call.xml", second.address(), "850", &speech.mulaw)
    };
    scenario.start(&lab).must_pass(20.0);
    daemon.wait_records(1, 10.0);

    // And back, when the first one takes registrations again.
    first.close(false);
    first.wait_registered("850", true, 60.0);
    let records = daemon.records();
    assert_eq!(records[0].field("END_REASON"), "hung-up", "{records:#?}");
    daemon.stop(10.0);
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn two_phone_systems_at_once_both_reach_the_loudspeakers() {
    let lab = Lab::new("registrar-two");
    let speech = Speech::short(&lab);
    let mut first = Kamailio::start(&lab);
    let second = Kamailio::start_with(
        &lab,
        &Wish {
            host: SECOND_PHONE_SYSTEM,
            ..Wish::default()
        },
    );
    let both = format!("{} {}", first.registrar(), second.registrar());
    let site = Site::new(&lab).extension("850", &both, "zones = [\"yard\"]");
    let mut daemon = site.start(&lab);
    first.wait_registered("850", true, 10.0);
    second.wait_registered("850", true, 10.0);
    let call = |to: String| {
        let scenario = Scenario {
            length: 1500,
            ..Scenario::new("call.xml", to, "850", &speech.mulaw)
        };
        scenario.start(&lab).must_pass(20.0);
    };
    call(first.address());
    daemon.wait_rest(5.0);
    // One of them dies; the other one is none the worse.
    first.kill();
    call(second.address());
    daemon.wait_records(2, 10.0);
    daemon.wait_rest(5.0);
    let reasons: Vec<_> = daemon.records().iter().map(|r| r.field("END_REASON")).collect();
    assert_eq!(reasons, ["hung-up", "hung-up"], "{:#?}", daemon.records());
    daemon.stop(20.0);
    second.wait_registered("850", false, 2.0);
}

/// The extension by TLS, believing the lab's own authority.
fn tls_yard(name: &str, wish: Wish, host: &str) -> (Lab, Kamailio, Site) {
    let lab = Lab::new(name);
    let kamailio = Kamailio::start_with(&lab, &Wish { tls: true, ..wish });
    let authority = Authority::of(&lab);
    let registrar = format!("sip:{host}:{};transport=tls", kamailio.tls_port);
    let site = Site::new(&lab)
        .table(&format!("[tls]\nca = \"{}\"", authority.certificate().display()))
        .extension("850", &registrar, "zones = [\"yard\"]");
    (lab, kamailio, site)
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn an_extension_registered_over_tls_takes_calls_over_tls() {
    let (lab, mut kamailio, site) = tls_yard("registrar-tls", Wish::default(), PHONE_SYSTEM);
    let speech = Speech::short(&lab);
    let mut daemon = site.start(&lab);
    kamailio.wait_registered("850", true, 10.0);
    let log = kamailio.log();
    assert!(
        log.count(&["request REGISTER", "from tls:127.0.0.1:"]) > 0,
        "{}",
        log.text()
    );
    // The caller speaks UDP to the phone system, the phone system TLS to us.
    let call = |to: String| {
        let scenario = Scenario {
            length: 3000,
            ..Scenario::new("call.xml", to, "850", &speech.mulaw)
        };
        scenario.start(&lab).must_pass(20.0);
    };
    call(kamailio.address());
    assert!(
        log.count(&["reply 200", "to INVITE", "from tls:127.0.0.1:"]) > 0,
        "{}",
        log.text()
    );
    // The connection is gone: a new one, with a new registration, without waiting for the next refresh.
    kamailio.restart();
    kamailio.wait_registered("850", true, 75.0);
    call(kamailio.address());
    daemon.wait_records(2, 10.0);
    daemon.stop(10.0);
    kamailio.wait_registered("850", false, 2.0);
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_phone_system_with_a_certificate_for_another_name_is_not_believed() {
    // RFC 5922 §7: the certificate must be for the name in the URI. Loopback has many addresses, the certificate one.
    let lab = Lab::new("registrar-tls-name");
    let wish = Wish {
        tls: true,
        host: SECOND_PHONE_SYSTEM,
        ..Wish::default()
    };
    let mut kamailio = Kamailio::start_with(&lab, &wish);
    // Its certificate is made anew for another name than the one that we call it.
    kamailio.certify(&lab, &["another.quayside.test"]);
    let authority = Authority::of(&lab);
    let registrar = format!("sip:{SECOND_PHONE_SYSTEM}:{};transport=tls", kamailio.tls_port);
    let site = Site::new(&lab)
        .table(&format!("[tls]\nca = \"{}\"", authority.certificate().display()))
        .extension("850", &registrar, "zones = [\"yard\"]");
    let mut daemon = site.start(&lab);
    let line = daemon.process.wait(&["its certificate is for"], seconds(10.0));
    assert!(line.text.contains("another.quayside.test"), "{}", line.text);
    daemon.process.wait(&["cannot register"], seconds(40.0));
    assert_eq!(kamailio.log().count(&["request REGISTER"]), 0, "no password was sent");
    daemon.stop(10.0);
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn an_outbound_flow_over_tcp_is_kept_alive_and_comes_back() {
    // RFC 5626: instance id and reg-id in the Contact, Flow-Timer honoured by double CRLF (§4.4.1), and a lost flow is
    // registered again (§4.5).
    let lab = Lab::new("registrar-outbound");
    let speech = Speech::short(&lab);
    let mut kamailio = Kamailio::start_with(
        &lab,
        &Wish {
            outbound: Some(10),
            ..Wish::default()
        },
    );
    let registrar = format!("{};transport=tcp", kamailio.registrar());
    let site = Site::new(&lab).extension("850", &registrar, "zones = [\"yard\"]");
    let mut daemon = site.start(&lab);
    kamailio.wait_registered("850", true, 10.0);
    let log = kamailio.log();
    assert!(
        log.count(&["request REGISTER", "reg-id=1", "+sip.instance=\"<urn:uuid:"]) > 0,
        "{}",
        log.text()
    );
    // Longer than the flow may be silent: the binding and the connection are still there, without another REGISTER.
    let before = log.count(&["request REGISTER"]);
    pause(14.0);
    assert_eq!(log.count(&["request REGISTER"]), before, "{}", log.text());
    let call = |to: String| {
        let scenario = Scenario {
            length: 1500,
            ..Scenario::new("call.xml", to, "850", &speech.mulaw)
        };
        scenario.start(&lab).must_pass(20.0);
    };
    call(kamailio.address());
    kamailio.restart();
    kamailio.wait_registered("850", true, 75.0);
    call(kamailio.address());
    daemon.wait_records(2, 10.0);
    daemon.stop(10.0);
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn stun_keeps_a_translation_open_and_notices_a_new_one() {
    // RFC 5626 §4.4.2: Binding requests to the SIP port itself, here answered by Kamailio's stun module. Flow-Timer asks
    // for one within 10 s, the translation forgets after 12 s, and the registration is not due for minutes.
    let lab = Lab::new("registrar-stun");
    let speech = Speech::short(&lab);
    let kamailio = Kamailio::start_with(
        &lab,
        &Wish {
            outbound: Some(10),
            translation: true,
            ..Wish::default()
        },
    );
    let system = kamailio.address().parse().unwrap();
    let translation = Translation::new(SECOND_PHONE_SYSTEM, "127.0.0.6", system, 12.0);
    let registrar = format!("sip:{}", translation.front());
    let site = Site::new(&lab).extension("850", &registrar, "zones = [\"yard\"]");
    let mut daemon = site.start(&lab);
    kamailio.wait_registered("850", true, 10.0);
    let log = kamailio.log();
    let registers = || log.count(&["request REGISTER", "by 850"]);
    let call = || {
        let scenario = Scenario {
            length: 1500,
            ..Scenario::new("call.xml", kamailio.address(), "850", &speech.mulaw)
        };
        scenario.start(&lab).must_pass(20.0);
    };
    let before = registers();
    pause(26.0);
    let passed = translation.passed();
    assert!((2..=4).contains(&passed.binding_requests), "{passed:?}");
    assert_eq!(passed.binding_answers, passed.binding_requests, "{passed:?}");
    assert_eq!(passed.mappings, 1, "the translation forgot us");
    assert_eq!(registers(), before, "{}", log.text());
    // What the phone system sends still comes in: by way of the translation, there is no other.
    call();
    daemon.wait_rest(5.0);
    // Another port: the next answer shows it, and the registration is made anew.
    translation.forget();
    let deadline = std::time::Instant::now() + seconds(12.0);
    while registers() == before && std::time::Instant::now() < deadline {
        pause(0.1);
    }
    pause(0.5);
    assert!(registers() > before, "{}", log.text());
    assert_eq!(translation.passed().mappings, 2);
    call();
    daemon.wait_records(2, 10.0);
    daemon.wait_rest(5.0);
    let reasons: Vec<_> = daemon.records().iter().map(|r| r.field("END_REASON")).collect();
    assert_eq!(reasons, ["hung-up", "hung-up"], "{:#?}", daemon.records());
    assert_eq!(daemon.registration_failures(), 0, "{}", daemon.process.text());
    daemon.stop(10.0);
    kamailio.wait_registered("850", false, 2.0);
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn an_edge_proxy_is_the_way_in_and_the_way_out() {
    // The outbound proxy puts itself into the Path (RFC 3327); calls come by way of it, and so does what we send.
    let lab = Lab::new("registrar-edge");
    let speech = Speech::short(&lab);
    // A service route (RFC 3608 §6.1, from memory) is for the initial requests of a caller, which we are not: refreshes
    // go by the outbound proxy alone, BYE by the call's own route set (RFC 3261 §12.2.1.1).
    let service = socket("127.0.0.9");
    let service_route = service.local_addr().unwrap().to_string();
    let kamailio = Kamailio::start_with(
        &lab,
        &Wish {
            max_expires: 10,
            service_route: Some(service_route.clone()),
            ..Wish::default()
        },
    );
    let edge = Kamailio::start_with(
        &lab,
        &Wish {
            host: SECOND_PHONE_SYSTEM,
            edge_to: Some(kamailio.address()),
            ..Wish::default()
        },
    );
    let proxy = format!("outbound_proxy = \"{}\"", edge.registrar());
    let site = Site::new(&lab).extension("850", &kamailio.registrar(), &format!("zones = [\"yard\"]\n{proxy}"));
    let mut daemon = site.start(&lab);
    kamailio.wait_registered("850", true, 10.0);
    // Nothing of ours goes past the edge.
    let direct = kamailio.log().count(&["request REGISTER", "from udp:127.0.0.1:"]);
    assert_eq!(direct, 0, "{}", kamailio.log().text());
    // A caller at the phone system; the far end hangs up, then we do.
    let scenario = Scenario {
        length: 1500,
        ..Scenario::new("call.xml", kamailio.address(), "850", &speech.mulaw)
    };
    scenario.start(&lab).must_pass(20.0);
    assert!(
        edge.log().count(&["request INVITE", "from udp:127.0.0.2:"]) > 0,
        "the call did not come by the Path:\n{}",
        edge.log().text()
    );
    daemon.wait_rest(5.0);
    edge.log().wait(&["request REGISTER", "cseq=3 "], seconds(12.0));
    let mut cut = Scenario::new("cut.xml", kamailio.address(), "850", &speech.mulaw).start(&lab);
    daemon.wait_relay("yard-trigger", true, 10.0);
    pause(1.0);
    daemon.stop(10.0);
    cut.must_pass(10.0);
    assert_eq!(
        edge.log().count(&["request BYE", "from udp:127.0.0.1:"]),
        1,
        "{}",
        edge.log().text()
    );
    kamailio.wait_registered("850", false, 2.0);
    // Each REGISTER came by the edge with one Route, its own, which it took off; refreshes among them.
    let own_route = format!("route=<sip:{};lr> cseq", edge.address());
    let (all, right) = (&["request REGISTER"][..], &["request REGISTER", own_route.as_str()][..]);
    assert!(edge.log().count(all) >= 4, "{}", edge.log().text());
    assert_eq!(edge.log().count(all), edge.log().count(right), "{}", edge.log().text());
    for log in [kamailio.log(), edge.log()] {
        let astray = ["request", service_route.as_str()];
        assert_eq!(log.count(&astray), 0, "{}", log.text());
    }
    let astray = listen(&service, seconds(0.2));
    assert!(astray.is_empty(), "{}", String::from_utf8_lossy(&astray[0].0));
}
