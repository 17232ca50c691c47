//! Multicast pages: quality, priorities, relays.

use std::process::Command;

use hornwire::sound::speech_level::SpeechLevel;

use crate::lab::daemon::Site;
use crate::lab::kamailio::Kamailio;
use crate::lab::multicast::{
    Group, Srtp, opus_round_trip, send_opus, send_pcmu, send_pcmu_protected, send_pcmu_twice, send_tone,
};
use crate::lab::process::run;
use crate::lab::sipp::Scenario;
use crate::lab::speech::{Band, Speech, must_be_as_good, score};
use crate::lab::{Lab, free_port, pause, seconds, sound};

const SILENCE: f64 = -70.0;

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_mu_law_group_is_heard_as_well_as_the_line_allows() {
    let lab = Lab::new("groups-pcmu");
    let speech = Speech::long(&lab);
    let group = Group {
        address: "239.255.10.1",
        port: free_port(),
    };
    // Another group on the same port is another matter: it must not be heard.
    let other = Group {
        address: "239.255.10.9",
        ..group
    };
    let site = Site::new(&lab).group("weighbridge", group, "zones = [\"yard\"]\nlevelled = false");
    let mut daemon = site.start(&lab);
    daemon.wait_ready(10.0);
    let mut stray = send_tone(other, 1000);
    pause(0.5);
    send_pcmu(group, &speech.narrow).wait_end(seconds(30.0));
    stray.kill();
    daemon.wait_records(1, 10.0);
    daemon.wait_rest(5.0);
    daemon.stop(10.0);
    let records = daemon.records();
    assert_eq!(records.len(), 1, "{records:#?}");
    assert_eq!(records[0].field("END_REASON"), "stream-ended", "{records:?}");
    assert_eq!(records[0].field("SOURCE"), "weighbridge", "{records:?}");
    let result = score(Band::Narrow, &speech.narrow, &site.wav, 0, &speech.round_trip_mulaw);
    must_be_as_good("PCMU group", result);
    assert!(result.level.abs() < 1.0, "{result:?}");
    assert_eq!(
        sound::read(&site.wav).heard(1, SILENCE),
        None,
        "the sawmill was not meant"
    );
}

/// The same words from senders 20 dB apart: in the yard they are equally loud, from 2 s on.
#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_soft_and_a_loud_talker_are_heard_alike() {
    let lab = Lab::new("groups-levels");
    let speech = Speech::long(&lab);
    let group = |n: u8| Group {
        address: if n == 0 { "239.255.10.1" } else { "239.255.10.2" },
        port: free_port(),
    };
    let (soft, loud) = (group(0), group(1));
    let site = Site::new(&lab)
        .group("kiln", soft, "zones = [\"yard\"]")
        .group("office", loud, "zones = [\"yard\"]");
    let mut daemon = site.start(&lab);
    daemon.wait_ready(10.0);
    for (group, volume, name) in [(soft, "0.15", "soft.wav"), (loud, "1.5", "loud.wav")] {
        let path = lab.path(name);
        run(Command::new("sox")
            .args(["-D", "-v", volume])
            .arg(&speech.narrow)
            .arg(&path));
        send_pcmu(group, &path).wait_end(seconds(30.0));
        pause(2.0);
    }
    daemon.wait_records(2, 10.0);
    daemon.wait_rest(5.0);
    daemon.stop(10.0);
    let heard = sound::read(&site.wav);
    let length = speech.seconds;
    let levels = heard.levels(0, 0.01);
    let begins = |from: usize| from + levels[from..].iter().position(|l| *l > -50.0).expect("a page");
    let first = begins(0);
    let second = begins(first + (length * 100.0) as usize + 50);
    // RMS of the same words: its difference is that of the active speech levels.
    let late = |start: usize| {
        let from = start as f64 / 100.0 + 2.0;
        sound::level(heard.part(0, from, from + length - 3.0))
    };
    let (soft, loud) = (late(first), late(second));
    println!("from 2 s on: soft {soft:.2} dB, loud {loud:.2} dB");
    assert!((soft - loud).abs() < 1.0, "{soft} {loud}");
    let mut meter = SpeechLevel::new();
    let from = first as f64 / 100.0;
    meter.push(heard.part(0, from + 2.0, from + length), 48_000);
    let (active, _) = meter.level().expect("speech");
    println!("active speech level {:.2} dBFS", active.0);
    // The reader's voice falls towards the end, faster than the gain follows.
    assert!((active.0 + 20.0).abs() < 2.0, "{active:?}");
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn an_opus_group_is_heard_in_wide_band() {
    let lab = Lab::new("groups-opus");
    let speech = Speech::long(&lab);
    let group = Group {
        address: "239.255.10.2",
        port: free_port(),
    };
    let site = Site::new(&lab).group(
        "dispatch",
        group,
        "codec = \"opus\"\npayload_type = 111\nzones = [\"yard\", \"sawmill\"]",
    );
    let mut daemon = site.start(&lab);
    daemon.wait_ready(10.0);
    send_opus(group, &speech.wide).wait_end(seconds(30.0));
    daemon.wait_records(1, 10.0);
    daemon.wait_rest(5.0);
    daemon.stop(10.0);
    let ideal = lab.path("opus-ideal.wav");
    opus_round_trip(&speech.wide, &ideal);
    let result = score(Band::Wide, &speech.wide, &site.wav, 1, &ideal);
    must_be_as_good("Opus group", result);
    assert_eq!(daemon.records().len(), 1, "{:#?}", daemon.records());
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_higher_priority_cuts_in_and_a_lower_one_is_told_busy() {
    let lab = Lab::new("groups-priority");
    let speech = Speech::long(&lab);
    let kamailio = Kamailio::start(&lab);
    let group = Group {
        address: "239.255.10.3",
        port: free_port(),
    };
    let site = Site::new(&lab)
        .extension("850", &kamailio.registrar(), "zones = [\"yard\"]\npriority = 50")
        .extension(
            "851",
            &kamailio.registrar(),
            "zones = [\"yard\", \"sawmill\"]\npriority = 50",
        )
        .group("weighbridge", group, "zones = [\"yard\", \"sawmill\"]\npriority = 90");
    let mut daemon = site.start(&lab);
    kamailio.wait_registered("850", true, 10.0);
    kamailio.wait_registered("851", true, 10.0);

    // The first caller is heard, an equal one is refused (486, RFC 3261 §21.4.24), the crane's stop cuts in.
    let mut first = Scenario::new("cut.xml", kamailio.address(), "850", &speech.mulaw).start(&lab);
    daemon.wait_relay("yard-trigger", true, 10.0);
    pause(2.0);
    let mut equal = Scenario::new("refused.xml", kamailio.address(), "850", &speech.mulaw).start(&lab);
    equal.must_pass(15.0);
    let mut crane = send_tone(group, 1000);
    daemon.wait_relay("sawmill-trigger", true, 10.0);
    first.must_pass(15.0);
    pause(1.5);
    let mut late = Scenario::new("refused.xml", kamailio.address(), "851", &speech.mulaw).start(&lab);
    late.must_pass(15.0);
    pause(0.5);
    crane.kill();
    daemon.wait_records(4, 10.0);
    daemon.wait_rest(5.0);
    daemon.stop(10.0);

    let mut reasons: Vec<String> = daemon.records().iter().map(|r| r.field("END_REASON")).collect();
    reasons.sort();
    assert_eq!(
        reasons,
        ["busy", "busy", "preempted", "stream-ended"],
        "{:#?}",
        daemon.records()
    );

    // One long hold of the yard's relays: the music never came up between the two pages.
    for relay in ["yard-trigger", "yard-mute", "sawmill-trigger"] {
        let moves: Vec<bool> = daemon
            .relays()
            .iter()
            .filter(|r| r.name == relay)
            .map(|r| r.operated)
            .collect();
        assert_eq!(moves, [true, false], "{relay}: {:#?}", daemon.relays());
    }

    // After the cut the yard hears the tone and nothing else.
    let heard = sound::read(&site.wav);
    let (from, to) = heard.heard(1, SILENCE).expect("the crane's tone in the sawmill");
    assert!(to - from > 2.5, "{from} to {to}");
    for channel in [0, 1] {
        let middle = heard.part(channel, from + 1.0, to - 0.5);
        let (frequency, share) = sound::tone(middle, heard.rate);
        assert!(
            (995.0..=1005.0).contains(&frequency) && share > 0.98,
            "channel {channel}: {frequency} Hz, {share}"
        );
    }
    let before = sound::level(heard.part(0, from - 1.5, from - 0.5));
    assert!(before > -50.0, "the first caller was heard in the yard: {before} dBFS");
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn relays_close_before_speech_and_open_after_it() {
    let lab = Lab::new("groups-relays");
    let speech = Speech::short(&lab);
    let port = free_port();
    let [to_yard, to_sawmill] = ["239.255.10.4", "239.255.10.5"].map(|address| Group { address, port });
    // Two pages of the same words at the same time; the sawmill has no lead, and so tells when speech came in.
    let site = Site::new(&lab)
        .group("dispatch", to_yard, "zones = [\"yard\"]")
        .group("weighbridge", to_sawmill, "zones = [\"sawmill\"]")
        .sawmill_lead("0 ms");
    let mut daemon = site.start(&lab);
    daemon.wait_ready(10.0);
    assert!(
        daemon.relays().iter().all(|r| !r.operated),
        "at rest before the page: {:?}",
        daemon.relays()
    );
    send_pcmu_twice([to_yard, to_sawmill], &speech.narrow).wait_end(seconds(20.0));
    daemon.wait_records(2, 10.0);
    daemon.wait_rest(5.0);
    daemon.stop(10.0);

    let heard = sound::read(&site.wav);
    let (yard, _) = heard.heard(0, -60.0).expect("speech in the yard");
    let (sawmill, _) = heard.heard(1, -60.0).expect("speech in the sawmill");
    let lead = yard - sawmill;
    // The buffers of the two pages may differ a little.
    assert!(
        (0.25..0.36).contains(&lead),
        "the yard waits its 300 ms longer than the sawmill: {lead}"
    );
    for channel in [0, 1] {
        let result = score(
            Band::Narrow,
            &speech.narrow,
            &site.wav,
            channel,
            &speech.round_trip_mulaw,
        );
        must_be_as_good(&format!("held speech, channel {channel}"), result);
    }

    let moves = daemon.relays();
    for relay in ["yard-trigger", "yard-mute", "sawmill-trigger"] {
        let of: Vec<_> = moves.iter().filter(|r| r.name == relay).collect();
        assert_eq!(
            of.iter().map(|r| r.operated).collect::<Vec<_>>(),
            [true, false],
            "{relay}: {moves:#?}"
        );
        let closed = (of[1].at - of[0].at).as_secs_f64();
        // Speech and release at least; idle time, lead and a slow machine at most.
        assert!(
            (speech.seconds + 0.4..speech.seconds + 4.0).contains(&closed),
            "{relay} closed for {closed} s"
        );
    }
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn groups_with_keys_are_heard_under_them_and_under_no_other() {
    // RFC 3711 by libsrtp. The least and the most that the configuration knows.
    const YARD: Srtp = Srtp {
        key: "e1f97a0d3e018be0d64fa32c06de41390ec675ad498afeebb6960b3aabe6",
        cipher: "aes-128-icm",
        tag: "hmac-sha1-32",
    };
    const SAWMILL: Srtp = Srtp {
        key: "f0f04914b513f2763a1b1fa130f10e2998f6f6e43e4309d1e622a0e332b9f1b6c5e0a34c91d27f88b4e6d03a1f57",
        cipher: "aes-256-icm",
        tag: "hmac-sha1-80",
    };
    /// One digit of the salt is another.
    const WRONG: Srtp = Srtp {
        key: "e1f97a0d3e018be0d64fa32c06de41390ec675ad498afeebb6960b3aabe7",
        ..YARD
    };
    let lab = Lab::new("groups-srtp");
    let speech = Speech::short(&lab);
    let port = free_port();
    let [to_yard, to_sawmill] = ["239.255.10.6", "239.255.10.7"].map(|address| Group { address, port });
    let site = Site::new(&lab)
        .secret("weighbridge-key", YARD.key)
        .secret("dispatch-key", SAWMILL.key)
        .group(
            "weighbridge",
            to_yard,
            "zones = [\"yard\"]\nsrtp_key = \"weighbridge-key\"\nsrtp_suite = \"AES_CM_128_HMAC_SHA1_32\"",
        )
        .group(
            "dispatch",
            to_sawmill,
            "zones = [\"sawmill\"]\nsrtp_key = \"dispatch-key\"\nsrtp_suite = \"AES_256_CM_HMAC_SHA1_80\"",
        );
    let mut daemon = site.start(&lab);
    daemon.wait_ready(10.0);
    // Under another key, and in the clear: not heard, and told once for each group.
    let mut wrong = send_pcmu_protected(to_yard, &speech.narrow, WRONG);
    let mut plain = send_pcmu(to_sawmill, &speech.narrow);
    assert!(wrong.wait_end(seconds(20.0)).success() && plain.wait_end(seconds(20.0)).success());
    pause(0.5);
    for group in ["weighbridge", "dispatch"] {
        let told = ["group", group, "are not heard", "not authentic"];
        assert_eq!(daemon.process.count(&told), 1, "{}", daemon.process.text());
    }
    assert!(daemon.records().is_empty(), "{:#?}", daemon.records());
    assert!(daemon.relays().iter().all(|r| !r.operated), "{:#?}", daemon.relays());
    // Under their own keys, from the same address.
    let mut yard = send_pcmu_protected(to_yard, &speech.narrow, YARD);
    let mut sawmill = send_pcmu_protected(to_sawmill, &speech.narrow, SAWMILL);
    assert!(yard.wait_end(seconds(20.0)).success() && sawmill.wait_end(seconds(20.0)).success());
    daemon.wait_records(2, 10.0);
    daemon.wait_rest(5.0);
    daemon.stop(10.0);
    let records = daemon.records();
    assert_eq!(records.len(), 2, "{records:#?}");
    for record in records {
        assert_eq!(record.field("END_REASON"), "stream-ended", "{record:?}");
        assert_eq!(record.field("LOST"), "0", "{record:?}");
    }
    for (what, channel) in [("AES-128 group", 0), ("AES-256 group", 1)] {
        let result = score(
            Band::Narrow,
            &speech.narrow,
            &site.wav,
            channel,
            &speech.round_trip_mulaw,
        );
        must_be_as_good(what, result);
    }
    // No key in any line.
    for srtp in [YARD, SAWMILL] {
        assert!(!daemon.process.text().contains(srtp.key));
    }
}
