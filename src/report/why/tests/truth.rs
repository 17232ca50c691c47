//! What it says is so, and the cause is not left out.

use super::*;
use crate::gate::{Failure, Refusal, Whose};
use crate::report::message::GateMessage;

const EXITED: &str = "98e322203f7a4ed290d09fe03c09fe15";

fn waits(page: u64, zones: &[&str], behind: Option<Barrier>) -> Message {
    Message::Page(PageMessage::Waits {
        page: PageId(page),
        source: "yard-page".into(),
        caller: "Gate office <201>".into(),
        zones: zones.iter().map(|zone| (*zone).to_owned()).collect(),
        behind,
    })
}

fn behind(page: u64) -> Option<Barrier> {
    Some(Barrier::Page(PageId(page), Some("dispatch".into())))
}

fn card_lost() -> Message {
    Message::CardLost {
        card: "line".into(),
        cause: "No such device".into(),
    }
}

fn last(journal: &Journal) -> String {
    journal.told(&question("", "", ""))
}

/// It waited `wait` ms for a zone and was heard 400 ms later.
fn waited(page: u64, wait: u64, why: Barrier) -> PageReport {
    let mut report = report(page);
    let after = |ms| Some(report.record.bid_at + Duration::from_millis(ms));
    (report.record.admitted_at, report.record.heard_at) = (after(wait), after(wait + 400));
    report.waited_for = Some(why);
    report
}

#[test]
fn a_page_that_waited_says_what_for() {
    for (why, told) in [
        (Barrier::Page(PageId(5), None), "(page 5 from dispatch had it)"),
        (Barrier::Page(PageId(4), None), "(page 4 had it)"),
        (
            Barrier::Veto,
            "(another system had taken over the amplifier ([vetoes]))",
        ),
        (Barrier::Card, "(the sound card did not work)"),
    ] {
        let mut journal = Journal::new();
        journal.began("10:31:50", 5, "dispatch", "yard");
        let mut other = report(5);
        other.source = "dispatch".into();
        journal.page("10:31:49", "10:32:01.5", &other);
        journal.page("10:32:00", "10:32:09", &waited(6, 1500, why));
        let text = last(&journal);
        let expected = format!("1.9 s after it came: it waited 1.5 s for the zone {told}, then the amplifier woke up");
        assert!(text.contains(&expected), "{text}");
    }
    // What is long without a wait is not put down to another page.
    let mut journal = Journal::new();
    let mut slow = report(7);
    slow.record.heard_at = Some(slow.record.bid_at + Duration::from_secs(8));
    journal.page("10:40:00", "10:40:20", &slow);
    let text = last(&journal);
    assert!(
        text.contains("its lead and chime are long") && !text.contains("taken"),
        "{text}"
    );
    // Recorded, and played when the zone was free.
    let mut journal = Journal::new();
    let mut kept = waited(8, 6000, Barrier::Page(PageId(5), None));
    kept.record.kept = true;
    journal.page("10:50:00", "10:50:20", &kept);
    assert!(
        last(&journal).contains("it was recorded before (page 5 had it)"),
        "{}",
        last(&journal)
    );
}

#[test]
fn a_missing_card_is_not_another_page() {
    let mut journal = Journal::new();
    journal.say("09:00:00", &card_lost());
    let mut page = refused(3, EndReason::WaitLimit);
    page.waited_for = Some(Barrier::Card);
    page.missed = vec![missed("yard", Some(Barrier::Card))];
    journal.page("09:30:00", "09:31:00", &page);
    let told = last(&journal);
    assert!(
        told.contains("as long as it may (wait_limit): the sound card did not work."),
        "{told}"
    );
    assert!(
        told.contains("Since Mon 2026-11-30 09:00:00: sound card line does not work: No such device"),
        "{told}"
    );
    assert!(!told.contains("page had"), "{told}");
    page.waited_for = Some(Barrier::Veto);
    journal.page("09:40:00", "09:41:00", &page);
    assert!(last(&journal).contains("(wait_limit): another system had taken over the amplifier"));
    // Nothing is known: nothing is made up.
    page.waited_for = None;
    journal.page("09:50:00", "09:51:00", &page);
    assert!(last(&journal).contains("(wait_limit): its zones were taken, or did not work."));
}

#[test]
fn a_call_without_audio_was_not_heard() {
    let told = |change: &dyn Fn(&mut PageReport)| {
        let mut journal = Journal::new();
        let mut page = report(1);
        page.reception = ReceiverFigures::default();
        page.level = Some(Dbfs(-120.0));
        change(&mut page);
        journal.page("11:00:00", "11:00:06", &page);
        last(&journal)
    };
    let nothing = told(&|_| {});
    assert!(
        nothing.contains("The loudspeakers were open for it in zone yard for 4.7 s"),
        "{nothing}"
    );
    for part in [
        "because no audio came in",
        "No audio came in at all",
        "rtp_ports",
        "UDP",
        "NAT",
    ] {
        assert!(nothing.contains(part), "{part}: {nothing}");
    }
    assert!(
        !nothing.contains("It was heard") && !nothing.contains("microphone"),
        "{nothing}"
    );
    let ended = told(&|page| page.record.reason = EndReason::NoPackets);
    assert_eq!(ended.matches("rtp_ports").count(), 1, "{ended}");
    assert!(!ended.contains("any more"), "{ended}");
    let locked = told(&|page| page.not_authentic = 90);
    assert!(
        locked.contains("none could be opened") && !locked.contains("rtp_ports"),
        "{locked}"
    );
    let foreign = told(&|page| page.reception.foreign = 7);
    assert!(
        foreign.contains("7 packets came in that were no audio of this call"),
        "{foreign}"
    );
    let muted = told(&|page| page.reception.packets = 300);
    assert!(
        muted.contains("It was heard") && muted.contains("a muted microphone?"),
        "{muted}"
    );
    // A file of ours has no packets, and no microphone.
    for (level, advice) in [
        (-120.0, "is silent: look at the file"),
        (-60.0, "Look at the file that was played"),
    ] {
        let file = told(&|page| {
            (page.peer, page.codec) = (None, None);
            page.record.reason = EndReason::Finished;
            page.level = Some(Dbfs(level));
        });
        assert!(file.contains(advice), "{file}");
        assert!(!file.contains("microphone") && !file.contains("rtp_ports"), "{file}");
    }
}

#[test]
fn each_missed_zone_is_told_with_its_reason() {
    let mut journal = Journal::new();
    journal.say("10:00:00", &card_lost());
    journal.began("10:32:00", 5, "dispatch", "kiln");
    let mut page = report(6);
    page.zones = vec!["main".into()];
    page.missed = vec![
        missed("yard", Some(Barrier::QuietHours(Some("night".into())))),
        missed("dock", Some(Barrier::QuietHours(Some("night".into())))),
        missed("kiln", Some(Barrier::Page(PageId(5), None))),
        missed("shed", Some(Barrier::Card)),
    ];
    journal.page("10:32:10", "10:32:20", &page);
    let told = last(&journal);
    for part in [
        "It was not heard in zones yard and dock: quiet hours bar pages of its priority there ([quiet_hours.night]).",
        "It was not heard in zone kiln: page 5 from dispatch had it.",
        "It was not heard in zone shed: the sound card did not work.",
        "Since Mon 2026-11-30 10:00:00: sound card line does not work",
    ] {
        assert!(told.contains(part), "{part}: {told}");
    }
    let mut none = refused(7, EndReason::QuietHours);
    none.missed = vec![missed("yard", Some(Barrier::QuietHours(Some("night".into()))))];
    journal.page("10:40:00", "10:40:00", &none);
    let told = journal.told(&question("10:40:00", "", ""));
    assert!(
        told.contains("It was not heard in zone yard. It was refused by quiet hours ([quiet_hours.night])"),
        "{told}"
    );
}

/// A stream in another codec counts for the zones of its group, also where an older page is known.
#[test]
fn packets_that_are_not_played_count_for_their_zone() {
    let mut journal = Journal::new();
    journal.page("08:00:00", "08:00:09", &report(1));
    journal.say(
        "09:00:00",
        &Message::NotDecoded {
            source: "crane".into(),
            zones: vec!["yard".into()],
            peer: "192.0.2.30:40000".parse().unwrap(),
            payload_type: "18 (G729)".into(),
            taken: "0 (PCMU)".into(),
        },
    );
    assert!(
        journal
            .told(&question("", "yard", ""))
            .contains("crane: packets of payload type 18 (G729)")
    );
    assert!(!journal.told(&question("", "shed", "")).contains("crane"));
    // It is told seldom.
    assert!(
        journal
            .told(&question("11:00:00", "yard", ""))
            .contains("crane: packets of payload type")
    );
    assert!(!journal.told(&question("08:00:00", "yard", "")).contains("crane"));
    // What has no zone of its own counts for those that its source was heard in.
    let mut journal = Journal::new();
    journal.page("08:00:00", "08:00:09", &report(1));
    journal.say(
        "09:00:00",
        &Message::Gate(GateMessage::SenderRefused {
            group: "yard-page".into(),
            peer: "192.0.2.30:40000".parse().unwrap(),
            why: "outside its hours".into(),
            untold: 0,
        }),
    );
    let told = journal.told(&question("", "yard", ""));
    assert!(
        told.contains("does not hear") && told.contains("hours of the group"),
        "{told}"
    );
    assert!(!journal.told(&question("", "shed", "")).contains("does not hear"));
}

#[test]
fn a_gateway_that_does_not_run_is_told_first() {
    let plain = |when: &str, run: &str, text: &str| {
        json!({ "__REALTIME_TIMESTAMP": at(when).as_microsecond().to_string(), "MESSAGE": text, "PRIORITY": "6",
                "_SYSTEMD_INVOCATION_ID": run })
        .to_string()
    };
    let main = "hornwire.service: Main process exited, code=exited, status=69/UNAVAILABLE";
    let mut journal = Journal::new();
    journal.page("10:00:00", "10:00:09", &report(1));
    assert!(last(&journal).starts_with("Page 1,"), "it runs");
    journal.0.push(manager(
        "10:30:00",
        EXITED,
        "hornwire.service: Main process exited, code=killed, status=9/KILL",
    ));
    let told = last(&journal);
    assert!(
        told.starts_with("The gateway does not run now: at Mon 2026-11-30 10:30:00 hornwire.service: Main process exited, code=killed"),
        "{told}"
    );
    assert!(told.contains("Page 1,"), "{told}");
    for (second, run) in [("02", "a"), ("04", "b"), ("06", "c")] {
        let when = format!("10:30:{second}");
        journal.0.push(plain(
            &when,
            run,
            "hornwire: cannot start: relay yard-trigger: no such chip",
        ));
        journal.0.push(manager(&when, EXITED, main));
    }
    let told = last(&journal);
    assert!(
        told.contains("It could not start (3 times, the last time at Mon 2026-11-30 10:30:06): cannot start: relay yard-trigger: no such chip."),
        "{told}"
    );
    journal.0.push(manager(
        "10:30:07",
        "",
        "hornwire.service: Start request repeated too quickly.",
    ));
    assert!(last(&journal).contains("systemctl reset-failed hornwire"));
    // A config that is wrong names its problem.
    journal.say(
        "10:31:00",
        &Message::ConfigFault {
            problem: "hornwire.toml:7: zones.yard.lead: 3 is no time".into(),
        },
    );
    journal.0.push(plain(
        "10:31:00",
        "0123456789abcdef0123456789abcdef",
        "hornwire: /etc/hornwire/hornwire.toml: not started, 1 error in the config",
    ));
    let told = last(&journal);
    assert!(
        told.contains("not started, 1 error in the config. hornwire.toml:7: zones.yard.lead: 3 is no time."),
        "{told}"
    );
    // It runs again.
    journal.say(
        "10:40:00",
        &Message::Started {
            site: "Quayside Timber".into(),
        },
    );
    assert!(last(&journal).starts_with("Page 1,"), "{}", last(&journal));
    // It starts, and dies, and so on.
    for minute in 54..60 {
        journal.0.push(manager(&format!("17:{minute}:00"), EXITED, main));
        journal.say(
            &format!("17:{minute}:02"),
            &Message::Started {
                site: "Quayside Timber".into(),
            },
        );
    }
    let told = last(&journal);
    assert!(
        told.starts_with("The gateway dies again and again: 6 times within 10 min"),
        "{told}"
    );
    // That is over once it has run for a while.
    let mut mended = Journal::new();
    for second in [10, 20, 30] {
        mended.0.push(manager(&format!("17:55:{second}"), EXITED, main));
    }
    mended.say(
        "17:56:00",
        &Message::Started {
            site: "Quayside Timber".into(),
        },
    );
    mended.page("17:57:00", "17:57:09", &report(1));
    assert!(last(&mended).starts_with("Page 1,"), "{}", last(&mended));
    // A caller is no cause.
    let mut journal = Journal::new();
    let mut page = report(2);
    page.caller = "cannot start <201>".into();
    journal.page("10:00:00", "10:00:09", &page);
    assert!(last(&journal).starts_with("Page 2,"), "{}", last(&journal));
}

/// A gateway that was started before the journal's stretch ran all the same.
#[test]
fn a_gateway_that_runs_for_long_was_started() {
    let mut journal = Journal(Vec::new());
    journal.page("10:00:00", "10:00:09", &report(1));
    let told = journal.told(&question("12:00:00", "", ""));
    assert!(!told.contains("had not been started"), "{told}");
}

#[test]
fn a_page_that_is_not_over_is_told() {
    let mut journal = Journal::new();
    journal.began("10:30:00", 5, "dispatch", "yard");
    journal.say("10:31:00", &waits(6, &["yard", "shed"], behind(5)));
    // A later one that was refused has its record already.
    journal.page("10:32:00", "10:32:00", &refused(7, EndReason::Busy));
    let told = last(&journal);
    assert!(
        told.contains("Page 5, Mon 2026-11-30 10:30:00: dispatch, heard in zone yard from then on. It has no record yet: it is on."),
        "{told}"
    );
    assert!(
        told.contains("Page 6, Mon 2026-11-30 10:31:00: yard-page, \"Gate office <201>\", waited from then on for zones yard and shed (page 5 from dispatch had it). It has no record yet: it waits."),
        "{told}"
    );
    assert!(journal.told(&question("", "shed", "")).contains("Page 6,"));
    assert!(!journal.told(&question("", "shed", "")).contains("Page 5,"));
    journal.began("10:33:00", 6, "yard-page", "shed");
    assert!(last(&journal).contains("It was heard in zone shed from 10:33:00.0 on. It has no record yet: it is on."));
    let recorded = Message::Page(PageMessage::Recorded {
        page: PageId(8),
        source: "kiln".into(),
    });
    journal.say("10:34:00", &recorded);
    assert!(last(&journal).contains("Page 8, Mon 2026-11-30 10:34:00: kiln, recorded from then on"));
}

#[test]
fn who_hung_up_while_waiting_knows_for_whom() {
    let mut journal = Journal::new();
    journal.began("10:30:00", 5, "dispatch", "yard");
    let mut page = refused(6, EndReason::HungUp);
    page.waited_for = Some(Barrier::Page(PageId(5), None));
    page.missed = vec![missed("yard", Some(Barrier::Page(PageId(5), None)))];
    journal.say("10:31:00", &waits(6, &["yard"], behind(5)));
    journal.page("10:31:00", "10:31:20", &page);
    let told = journal.told(&question("10:31:00", "", ""));
    assert!(
        told.contains("It was not heard in zone yard. The caller hung up while it waited for its zone: page 5 from dispatch had it."),
        "{told}"
    );
    page.record.reason = EndReason::Cancelled;
    page.record.page = PageId(7);
    journal.page("10:35:00", "10:35:01", &page);
    let told = journal.told(&question("10:35:00", "", ""));
    assert!(
        told.contains("before the call was answered: page 5 from dispatch had it."),
        "{told}"
    );
    page.record.reason = EndReason::StreamEnded;
    page.record.page = PageId(8);
    journal.page("10:37:00", "10:37:09", &page);
    let told = journal.told(&question("10:37:00", "", ""));
    assert!(
        told.contains("It had waited for its zone until then: page 5 from dispatch had it."),
        "{told}"
    );
}

/// Every reason of the gates is told with its keys.
#[test]
fn what_a_gate_refuses_names_its_key() {
    let reference = crate::config::reference();
    let refusals = [
        (Refusal::Network.text(), &["networks"][..]),
        (Refusal::NotRegistrar.text(), &["registrar_only"]),
        (Refusal::NotAsserted.text(), &["asserted_only", "trusted"]),
        (Refusal::Denied.text(), &["deny"]),
        (Refusal::NotAllowed.text(), &["allow"]),
        (Refusal::Closed.text(), &["hours"]),
        (Refusal::Locked(Whose::Caller).text(), &["codes"]),
        (Refusal::Crowd.text(), &["codes", "keypad"]),
        (Failure::WrongCode.text(), &["codes"]),
        (Failure::NoCode.text(), &["codes"]),
        (Failure::Locked(Whose::Site).text(), &["codes"]),
        (Failure::WrongChoice.text(), &["keypad"]),
        (Failure::NoChoice.text(), &["keypad"]),
        (Failure::TooLong.text(), &["codes", "keypad"]),
        (Failure::Changed.text(), &[]),
    ];
    for (why, keys) in refusals {
        let mut journal = Journal::new();
        journal.say(
            "09:15:20",
            &Message::Gate(GateMessage::Refused {
                extension: "yard-page".into(),
                caller: "203".into(),
                place: "192.0.2.5".parse().unwrap(),
                status: 403,
                why: why.into(),
                untold: 0,
            }),
        );
        let told = last(&journal);
        assert!(
            told.contains(why) && !told.contains("A rule of the extension"),
            "{told}"
        );
        let sentence = told.split(why).nth(1).unwrap();
        for key in keys {
            assert!(sentence.contains(key), "{key}: {told}");
            assert!(reference.contains(&format!("`{key}`")), "{key}");
        }
    }
}

#[test]
fn what_did_not_matter_to_a_page_is_not_told_with_it() {
    let mut journal = Journal::new();
    let opened = |real_time| Message::CardOpened {
        card: "line".into(),
        real_time,
    };
    let xruns = Message::Xruns {
        card: "line".into(),
        count: 3,
    };
    journal.say("10:00:00", &card_lost());
    journal.say("10:31:58", &xruns);
    journal.say("10:31:59", &opened(false));
    journal.say(
        "10:32:03",
        &Message::ConfigFault {
            problem: "hornwire.toml:7: wrong".into(),
        },
    );
    journal.say("10:32:04", &opened(false));
    journal.say(
        "10:32:05",
        &Message::NotDecoded {
            source: "crane".into(),
            zones: vec!["shed".into()],
            peer: "192.0.2.30:40000".parse().unwrap(),
            payload_type: "18".into(),
            taken: "0 (PCMU)".into(),
        },
    );
    journal.page("10:32:00", "10:32:18", &report(12));
    let told = journal.told(&question("10:32:00", "", "201"));
    for noise in ["sound card", "hornwire.toml", "crane"] {
        assert!(!told.contains(noise), "{noise}: {told}");
    }
    journal.say("10:32:06", &xruns);
    let told = journal.told(&question("10:32:00", "", "201"));
    assert!(
        told.contains("At 10:32:06.0: sound card line ran dry 3 times: audio had gaps. Its thread runs without real-time scheduling."),
        "{told}"
    );
    // A relay that did not obey before may not obey now.
    journal.say(
        "10:20:00",
        &Message::RelayFault {
            relay: "yard-trigger".into(),
            cause: "busy".into(),
        },
    );
    assert!(
        journal
            .told(&question("10:32:00", "", "201"))
            .contains("Since Mon 2026-11-30 10:20:00: relay yard-trigger")
    );
}
