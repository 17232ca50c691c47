//! The lab without the daemon: what the peers do to speech by themselves. When these fail, the lab is at fault.

use crate::lab::kamailio::{Kamailio, password};
use crate::lab::phone::Call;
use crate::lab::process::Process;
use crate::lab::sipp::Scenario;
use crate::lab::speech::{Band, Speech, must_be_as_good, score};
use crate::lab::{Lab, python, seconds, sources};

fn answering_phone(lab: &Lab, kamailio: &Kamailio, codec: &str) -> (Process, std::path::PathBuf) {
    let recording = lab.path("answered.wav");
    let process = Process::start(
        "answering phone",
        python()
            .arg(sources().join("python/phone.py"))
            .args([
                "--bind",
                "127.0.0.4",
                "--register",
                "--user",
                "202",
                "--password",
                password("202"),
            ])
            .args(["--proxy", &kamailio.address(), "--codec", codec])
            .arg("--record")
            .arg(&recording),
    );
    process.wait(&["REGISTERED"], seconds(10.0));
    (process, recording)
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn phone_to_phone_through_the_phone_system_is_an_ideal_line() {
    let lab = Lab::new("itself-phone");
    let speech = Speech::long(&lab);
    let kamailio = Kamailio::start(&lab);
    let (mut answering, recording) = answering_phone(&lab, &kamailio, "PCMA");
    let mut phone = Call {
        codec: "PCMA",
        ..Call::to("202", &speech.narrow)
    }
    .start(&lab, &kamailio);
    phone.wait_done(25.0);
    answering.wait_end(seconds(10.0));
    must_be_as_good(
        "phone to phone",
        score(Band::Narrow, &speech.narrow, &recording, 0, &speech.round_trip_alaw),
    );
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn sipp_to_phone_through_the_phone_system_is_an_ideal_line() {
    let lab = Lab::new("itself-sipp");
    let speech = Speech::long(&lab);
    let kamailio = Kamailio::start_with(
        &lab,
        &crate::lab::kamailio::Wish {
            algorithm: "SHA-256",
            ..Default::default()
        },
    );
    let (mut answering, recording) = answering_phone(&lab, &kamailio, "PCMU");
    let mut sipp = Scenario {
        length: 12_800,
        ..Scenario::new("call.xml", kamailio.address(), "202", &speech.mulaw)
    }
    .start(&lab);
    sipp.must_pass(30.0);
    answering.wait_end(seconds(10.0));
    must_be_as_good(
        "sipp to phone",
        score(Band::Narrow, &speech.narrow, &recording, 0, &speech.round_trip_mulaw),
    );
}
