//! Access codes on the dial pad of a real phone stack, in the three ways in which phones send their keys.

use std::process::Command;

use crate::lab::phone::{Call, Phone};
use crate::lab::process::run;
use crate::lab::speech::{Band, Speech, must_be_as_good, score};
use crate::lab::yard::{Setup, Yard};
use crate::lab::{pause, seconds, sound};

const CODE: &str = "480162";
const SILENCE: f64 = -70.0;
/// The last key is known before it is let go; nothing of its tone is heard.
const KEY_TAIL: f64 = 0.0;

/// The line of the secrets file, by argon2's reference implementation (Debian's `argon2`), not by ours.
fn stored(code: &str) -> String {
    let command = format!("printf %s {code} | argon2 quaysidesalt -id -t 3 -k 4096 -p 1 -l 32 -e");
    run(Command::new("sh").args(["-c", &command])).trim().to_owned()
}

fn guarded(name: &str, more: &str) -> (Yard, Speech) {
    let setup = Setup::new(name)
        .site(|site, _| {
            site.secret("of-gatehouse", &stored(CODE))
                .table("[codes.gatehouse]\nsecret = \"of-gatehouse\"\n")
        })
        .with("codes = [\"gatehouse\"]\nquiet_limit = \"none\"")
        .with(more);
    let speech = Speech::short(setup.lab());
    (setup.start(), speech)
}

/// A phone whose call is answered by the gate; it says nothing yet.
fn at_the_gate(yard: &Yard, speech: &Speech) -> Phone {
    let phone = yard.phone(&Call {
        waits: true,
        ..Call::to("850", &speech.narrow)
    });
    pause(0.7);
    phone
}

/// Dials a code, waits for the relay, speaks, and is heard as on an ideal line.
fn code_then_speech(way: &str) {
    let (mut yard, speech) = guarded(&format!("keypad-{way}"), "");
    let mut phone = at_the_gate(&yard, &speech);
    // Nothing has happened at the loudspeakers before the code.
    assert!(yard.daemon.relays().is_empty(), "{:#?}", yard.daemon.relays());
    phone.process.say(&format!("dial {way} {CODE}#"));
    yard.daemon.wait_relay("yard-trigger", true, 10.0);
    pause(0.6);
    phone.process.say("speak");
    phone.wait_done(20.0);
    yard.finish(1);
    assert_eq!(yard.reasons(), ["hung-up"], "{:#?}", yard.daemon.records());
    let result = score(
        Band::Narrow,
        &speech.narrow,
        &yard.site.wav,
        0,
        &speech.round_trip_mulaw,
    );
    must_be_as_good(&format!("after a code by {way}"), result);
    // The code is nowhere in the journal, and its tones are not on the loudspeakers.
    assert!(!yard.daemon.process.text().contains(CODE));
    let heard = sound::read(&yard.site.wav);
    let before = heard.levels(0, 0.01);
    let speech_at = (result.at / 0.01) as usize;
    let stray = before[..speech_at].iter().filter(|l| **l > SILENCE).count() as f64 * 0.01;
    assert!(
        stray <= KEY_TAIL,
        "{stray} s of something else were heard before the speech"
    );
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_code_by_telephone_events_opens_the_loudspeakers() {
    code_then_speech("rfc4733");
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_code_by_info_opens_the_loudspeakers() {
    code_then_speech("info");
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_code_by_tones_in_the_audio_opens_the_loudspeakers() {
    code_then_speech("tones"); // Q.23, Q.24
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn wrong_codes_open_nothing_and_lock_the_right_one_out() {
    let (mut yard, speech) = guarded("keypad-wrong", "");
    let mut phone = at_the_gate(&yard, &speech);
    for guess in ["111111#", "222222#", "333333#"] {
        phone.process.say(&format!("dial rfc4733 {guess}"));
        pause(2.2);
    }
    // Three are enough for one call.
    phone.process.wait(&["STATE DISCONNECTED"], seconds(5.0));
    drop(phone);
    // A fourth locks the caller out, and is told in the journal.
    let mut phone = at_the_gate(&yard, &speech);
    phone.process.say("dial rfc4733 444444#");
    phone.process.wait(&["STATE DISCONNECTED"], seconds(10.0));
    yard.daemon.process.wait(&["code entry is locked"], seconds(5.0));
    drop(phone);
    // Whoever calls now cannot even try.
    let again = Call {
        waits: true,
        ..Call::to("850", &speech.narrow)
    }
    .start(&yard.lab, &yard.kamailio);
    again.process.wait(&["STATE DISCONNECTED 480"], seconds(10.0));
    yard.daemon.stop(10.0);
    let operated = yard.daemon.relays().iter().any(|r| r.operated);
    assert!(!operated, "{:#?}", yard.daemon.relays());
    assert_eq!(sound::read(&yard.site.wav).heard(0, SILENCE), None);
    assert!(!yard.daemon.process.text().contains(CODE));
}
