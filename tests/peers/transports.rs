//! TCP and IPv6, registration and calls.

use crate::lab::Lab;
use crate::lab::daemon::Site;
use crate::lab::kamailio::Kamailio;
use crate::lab::phone::Call;
use crate::lab::sipp::Scenario;
use crate::lab::speech::{Band, Speech, must_be_as_good, score};

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn an_extension_registered_over_tcp_takes_calls_over_tcp() {
    let lab = Lab::new("transports-tcp");
    let speech = Speech::short(&lab);
    let kamailio = Kamailio::start(&lab);
    let registrar = format!("{};transport=tcp", kamailio.registrar());
    let site = Site::new(&lab).extension("850", &registrar, "zones = [\"yard\"]");
    let mut daemon = site.start(&lab);
    kamailio.wait_registered("850", true, 10.0);
    assert!(
        kamailio.log().count(&["request REGISTER", "from tcp:127.0.0.1:"]) > 0,
        "{}",
        kamailio.log().text()
    );
    assert!(
        kamailio.contacts("850").contains("transport=tcp"),
        "{}",
        kamailio.contacts("850")
    );
    let call = Call {
        transport: "tcp",
        ..Call::to("850", &speech.narrow)
    };
    let mut phone = call.start(&lab, &kamailio);
    phone.wait_answer(5.0);
    phone.wait_done(20.0);
    assert!(
        kamailio.log().count(&["reply 200", "to INVITE", "from tcp:127.0.0.1:"]) > 0,
        "{}",
        kamailio.log().text()
    );
    daemon.wait_records(1, 10.0);
    daemon.wait_rest(5.0);
    daemon.stop(10.0);
    kamailio.wait_registered("850", false, 2.0);
    must_be_as_good(
        "call over TCP",
        score(Band::Narrow, &speech.narrow, &site.wav, 0, &speech.round_trip_mulaw),
    );
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
// SIPp, because the phone stack's package is built without IPv6.
fn an_extension_registered_over_ipv6_takes_calls_over_ipv6() {
    let lab = Lab::new("transports-ipv6");
    let speech = Speech::short(&lab);
    let kamailio = Kamailio::start(&lab);
    let site = Site::new(&lab);
    let listen = format!("udp:[::1]:{}", site.port);
    let site = site
        .listen(listen)
        .extension("850", &format!("sip:[::1]:{}", kamailio.port), "zones = [\"yard\"]");
    let mut daemon = site.start(&lab);
    kamailio.wait_registered("850", true, 10.0);
    assert!(
        kamailio.contacts("850").contains("[::1]"),
        "{}",
        kamailio.contacts("850")
    );
    let mut sipp = Scenario {
        bind: "::1",
        length: 3200,
        ..Scenario::new("call.xml", format!("[::1]:{}", kamailio.port), "850", &speech.mulaw)
    }
    .start(&lab);
    sipp.must_pass(20.0);
    // The answer names an IPv6 address (RFC 4566 §5.7).
    assert!(sipp.messages().contains("c=IN IP6 ::1"), "{}", sipp.messages());
    daemon.wait_records(1, 10.0);
    daemon.wait_rest(5.0);
    daemon.stop(10.0);
    kamailio.wait_registered("850", false, 2.0);
    must_be_as_good(
        "call over IPv6",
        score(Band::Narrow, &speech.narrow, &site.wav, 0, &speech.round_trip_mulaw),
    );
}
