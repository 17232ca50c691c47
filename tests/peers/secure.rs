//! Encrypted calls of a real phone stack: TLS all the way, mandatory SRTP.

use crate::lab::Lab;
use crate::lab::certificates::Authority;
use crate::lab::daemon::Site;
use crate::lab::kamailio::{Kamailio, Wish};
use crate::lab::phone::Call;
use crate::lab::sipp::Scenario;
use crate::lab::speech::{Band, Speech, must_be_as_good, score};

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_phone_with_tls_and_mandatory_srtp_is_heard_and_plain_calls_are_refused() {
    // RFC 4568 through Kamailio with TLS on both sides; the phone stack's own libsrtp encrypts.
    let lab = Lab::new("secure-srtp");
    let speech = Speech::long(&lab);
    let authority = Authority::of(&lab);
    let kamailio = Kamailio::start_with(
        &lab,
        &Wish {
            tls: true,
            ..Wish::default()
        },
    );
    let registrar = format!("sip:{};transport=tls", kamailio.tls_address());
    let site = Site::new(&lab)
        .table(&format!("[tls]\nca = \"{}\"", authority.certificate().display()))
        .extension("850", &registrar, "zones = [\"yard\"]\nsrtp = \"require\"");
    let mut daemon = site.start(&lab);
    kamailio.wait_registered("850", true, 10.0);
    let call = Call {
        transport: "tls",
        proxy: Some(kamailio.tls_address()),
        authority: Some(authority.certificate()),
        srtp: true,
        ..Call::to("850", &speech.narrow)
    };
    let mut phone = call.start(&lab, &kamailio);
    phone.wait_answer(5.0);
    // Without SRTP there is no page: 488 (RFC 3261 §21.4.26).
    let mut plain = Scenario {
        status: 488,
        ..Scenario::new("refused.xml", kamailio.address(), "850", &speech.mulaw)
    }
    .start(&lab);
    plain.must_pass(15.0);
    phone.wait_done(30.0);
    daemon.wait_rest(10.0);
    daemon.stop(10.0);
    let reasons: Vec<_> = daemon.records().iter().map(|r| r.field("END_REASON")).collect();
    assert!(reasons.contains(&"hung-up".to_owned()), "{:#?}", daemon.records());
    let result = score(Band::Narrow, &speech.narrow, &site.wav, 0, &speech.round_trip_mulaw);
    must_be_as_good("TLS and SRTP", result);
}
