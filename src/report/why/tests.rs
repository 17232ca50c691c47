use std::net::SocketAddr;
use std::time::{Duration, Instant, SystemTime};

use serde_json::{Value, json};

use super::*;
use crate::media::{PlayoutFigures, ReceiverFigures};
use crate::page::{EndReason, PageId, PageRecord, Priority, SourceId};
use crate::report::entry::Entry;
use crate::report::message::{LineMessage, Message, PageMessage};
use crate::report::record::{Barrier, Missed, PageReport};
use crate::sound::level::Dbfs;

mod truth;

const NOW: &str = "2026-11-30T18:00:00Z";

fn at(text: &str) -> Timestamp {
    format!("2026-11-30T{text}Z").parse().unwrap()
}

/// As `journalctl -o json` prints it: values are texts, or lists where a field comes several times.
fn line(when: Timestamp, entry: &Entry) -> String {
    let mut object = serde_json::Map::new();
    for (name, value) in [
        ("__REALTIME_TIMESTAMP", when.as_microsecond().to_string()),
        ("MESSAGE", entry.text().to_owned()),
        ("MESSAGE_ID", entry.kind().id.to_owned()),
        ("PRIORITY", entry.severity().level().to_string()),
        ("_SYSTEMD_INVOCATION_ID", "0123456789abcdef0123456789abcdef".to_owned()),
    ] {
        object.insert(name.to_owned(), Value::String(value));
    }
    for (name, _) in entry.fields() {
        let mut values: Vec<Value> = entry
            .fields()
            .filter(|(n, _)| *n == name)
            .map(|(_, v)| json!(v))
            .collect();
        let value = if values.len() == 1 {
            values.remove(0)
        } else {
            Value::Array(values)
        };
        object.insert(name.to_owned(), value);
    }
    Value::Object(object).to_string()
}

struct Journal(Vec<String>);

impl Journal {
    fn new() -> Self {
        let mut journal = Journal(Vec::new());
        journal.say(
            "05:00:00",
            &Message::Started {
                site: "Quayside Timber".into(),
            },
        );
        journal
    }

    fn say(&mut self, when: &str, message: &Message) {
        self.0.push(line(at(when), &message.entry()));
    }

    fn began(&mut self, when: &str, page: u64, source: &str, zone: &str) {
        self.say(
            when,
            &Message::Page(PageMessage::Began {
                page: PageId(page),
                source: source.into(),
                caller: String::new(),
                zone: zone.into(),
            }),
        );
    }

    fn page(&mut self, began: &str, ended: &str, report: &PageReport) {
        let mut report = report.clone();
        let began = at(began);
        let lasts = Duration::try_from(at(ended).duration_since(began)).unwrap();
        let wait = report.wait();
        report.began = SystemTime::try_from(began).unwrap();
        report.record.ended_at = report.record.bid_at + lasts;
        report.record.heard_at = report.record.heard_at.map(|_| report.record.bid_at + wait);
        report.record.heard_for = report
            .record
            .heard_at
            .map_or(Duration::ZERO, |at| report.record.ended_at - at);
        self.0.push(line(at(ended), &report.entry()));
    }

    fn ask(&self, question: &Question) -> String {
        let said = Said::read(&self.0.join("\n")).unwrap();
        tell(&said, question, &TimeZone::UTC, NOW.parse().unwrap())
    }

    fn told(&self, question: &Question) -> String {
        self.ask(question).split_whitespace().collect::<Vec<_>>().join(" ")
    }
}

/// A page from the gate office to the yard that was heard, 1.3 s after it came.
fn report(page: u64) -> PageReport {
    #[allow(clippy::disallowed_methods)]
    let bid_at = Instant::now();
    PageReport {
        record: PageRecord {
            page: PageId(page),
            source: SourceId(0),
            zones: Vec::new(),
            wanted: Vec::new(),
            priority: Priority(50),
            bid_at,
            admitted_at: Some(bid_at),
            waited_for: None,
            missed: Vec::new(),
            heard_at: Some(bid_at + Duration::from_millis(1300)),
            heard_for: Duration::ZERO,
            kept: false,
            ended_at: bid_at + Duration::from_secs(10),
            reason: EndReason::HungUp,
            by: None,
        },
        source: "yard-page".into(),
        caller: "Gate office <201>".into(),
        peer: Some("192.0.2.7:5060".parse::<SocketAddr>().unwrap()),
        zones: vec!["yard".into()],
        missed: Vec::new(),
        waited_for: None,
        by: None,
        began: SystemTime::UNIX_EPOCH,
        codec: Some("PCMU"),
        reception: ReceiverFigures {
            packets: 500,
            jitter_ms: 2.0,
            ..ReceiverFigures::default()
        },
        protection: "none".into(),
        not_authentic: 0,
        replayed: 0,
        playout: PlayoutFigures::default(),
        level: Some(Dbfs(-22.0)),
        keys: 0,
    }
}

fn refused(page: u64, reason: EndReason) -> PageReport {
    let mut report = report(page);
    (report.zones, report.missed) = (Vec::new(), vec![missed("yard", None)]);
    (report.record.heard_at, report.record.admitted_at) = (None, None);
    report.record.reason = reason;
    report.reception = ReceiverFigures::default();
    report.level = None;
    report
}

fn missed(zone: &str, why: Option<Barrier>) -> Missed {
    Missed { zone: zone.into(), why }
}

fn question(time: &str, zone: &str, caller: &str) -> Question {
    let some = |text: &str| (!text.is_empty()).then(|| text.to_owned());
    Question {
        at: some(time).map(|time| at(&time)),
        zone: some(zone),
        caller: some(caller),
    }
}

#[test]
fn a_page_that_was_heard() {
    let mut journal = Journal::new();
    let relay = |operated| Message::RelayMoved {
        relay: "yard-trigger".into(),
        operated,
    };
    journal.say("10:32:04.100", &relay(true));
    journal.page("10:32:04", "10:32:18", &report(12));
    journal.say("10:32:20.5", &relay(false));
    let expected = "\
Page 12, Mon 2026-11-30 10:32:04: yard-page, \"Gate office <201>\" at
      192.0.2.7:5060, priority 50
  It was heard in zone yard for 12.7 s, from 10:32:05.3 on, 1.3 s after it came:
  the amplifier woke up, and the chime played if there is one.
  It ended when the caller hung up.
  It came as PCMU in 500 packets, 0.0 % lost, 0.0 % too late, jitter 2.0 ms:
  good.
  Its loudest sound came in at -22 dBFS: a usual level.
  Relays that operated meanwhile: yard-trigger operated at 10:32:04.1, at rest
  again at 10:32:20.5.

";
    for asked in [
        question("", "", ""),
        question("10:32:00", "yard", "gate OFFICE"),
        question("10:32:00", "", "201"),
        // Watches differ.
        question("10:25:00", "yard", ""),
    ] {
        assert_eq!(journal.ask(&asked), expected, "{asked:?}");
    }
    for (asked, answer) in [
        (
            question("10:20:00", "", ""),
            "knows of no page within 10 min of Mon 2026-11-30 10:20:00. Nothing was missing then",
        ),
        (
            question("", "shed", ""),
            "knows of no page for zone shed since Mon 2026-11-30 05:00:00. Nothing was missing then",
        ),
        (
            question("04:00:00", "", ""),
            "The gateway had not been started then, as far as the journal tells: it begins at Mon 2026-11-30 05:00:00.",
        ),
    ] {
        let told = journal.told(&asked);
        assert!(told.contains(answer), "{asked:?}: {told}");
    }
}

/// Every ending has its sentence, and each names the key that rules it, where there is one.
#[test]
fn every_ending_is_told() {
    let mut seen = std::collections::BTreeSet::new();
    for reason in EndReason::ALL {
        for heard in [true, false] {
            let mut journal = Journal::new();
            let mut page = if heard { report(3) } else { refused(3, reason) };
            page.record.reason = reason;
            page.by = Some((PageId(2), "dispatch".into()));
            journal.page("11:00:00", "11:00:09", &page);
            let told = journal.told(&question("", "", ""));
            let sentence = told
                .split(if heard { "there is one. " } else { "zone yard. " })
                .nth(1)
                .unwrap();
            assert!(
                sentence.len() > 20 && !sentence.contains("ended: "),
                "{reason:?}: {told}"
            );
            if !heard {
                assert!(seen.insert(sentence.to_owned()), "{reason:?} is told as another one is");
            }
            let key = match reason {
                EndReason::Quiet => "quiet_limit",
                EndReason::BusyTone => "busy_tone",
                EndReason::PageLimit => "page_limit",
                EndReason::WaitLimit => "wait_limit",
                EndReason::CoolDown => "cool_down",
                EndReason::TooMany => "pages_per_hour",
                EndReason::QuietHours => "quiet_hours",
                EndReason::Preempted => "page 2 from dispatch",
                EndReason::Busy => "when_busy",
                EndReason::Vetoed => "vetoes",
                _ => "",
            };
            assert!(sentence.contains(key), "{reason:?}: {sentence}");
        }
    }
    // What the sentences say of keys is so.
    let reference = crate::config::reference();
    for key in [
        "quiet_limit",
        "busy_tone",
        "page_limit",
        "wait_limit",
        "cool_down",
        "pages_per_hour",
        "when_busy",
        "when_cut",
        "rtp_ports",
        "min_delay",
    ] {
        assert!(reference.contains(&format!("- `{key}`:")), "{key}");
    }
}

#[test]
fn what_the_network_did_is_judged() {
    let quality = |change: &dyn Fn(&mut PageReport)| {
        let mut journal = Journal::new();
        let mut page = report(1);
        change(&mut page);
        journal.page("11:00:00", "11:00:09", &page);
        journal.told(&question("", "", ""))
    };
    let lossy = quality(&|page| {
        page.reception.lost = 25;
        page.playout.concealed_ms = 480;
    });
    assert!(
        lossy.contains("4.8 % lost")
            && lossy.contains("breaks speech up")
            && lossy.contains("0.5 s of it were made up"),
        "{lossy}"
    );
    let late = quality(&|page| page.playout.late = 40);
    assert!(late.contains("8.0 % too late") && late.contains("min_delay"), "{late}");
    let uneven = quality(&|page| page.reception.jitter_ms = 44.0);
    assert!(uneven.contains("jitter 44.0 ms: uneven"), "{uneven}");
    assert!(quality(&|page| page.level = Some(Dbfs(-55.0))).contains("-55 dBFS: very soft"));
    assert!(quality(&|page| page.level = Some(Dbfs(-3.0))).contains("-3 dBFS: so loud"));
    assert!(quality(&|page| page.not_authentic = 7).contains("7 packets were not authentic"));
}

#[test]
fn who_was_heard_in_its_place_and_what_was_broken() {
    let mut journal = Journal::new();
    let card = |cause: &str| Message::CardLost {
        card: "line".into(),
        cause: cause.into(),
    };
    journal.began("12:00:01", 7, "yard-page", "yard");
    journal.began("12:00:04", 8, "dispatch", "yard");
    journal.began("12:00:05", 9, "shift-bell", "canteen");
    journal.say(
        "12:00:06",
        &Message::Xruns {
            card: "line".into(),
            count: 3,
        },
    );
    let mut cut = report(7);
    cut.record.reason = EndReason::Preempted;
    cut.by = Some((PageId(8), "dispatch".into()));
    journal.page("12:00:00", "12:00:04.1", &cut);
    journal.page("12:00:02", "12:00:02", &refused(10, EndReason::Busy));
    journal.say("13:00:00", &card("No such device"));
    journal.say(
        "13:05:00",
        &Message::CardOpened {
            card: "line".into(),
            real_time: true,
        },
    );
    journal.say("13:30:00", &card("unplugged"));
    journal.say(
        "13:31:00",
        &Message::Line(LineMessage::Lost {
            device: "mixer".into(),
            serves: "workshop".into(),
            cause: "gone".into(),
        }),
    );
    journal.say("13:40:00", &Message::Stopped);
    let mut bell = report(9);
    (bell.source, bell.zones) = ("shift-bell".into(), vec!["canteen".into()]);
    journal.page("12:00:05", "12:02:00", &bell);
    journal.page("12:00:04", "12:02:01", &report(8));
    let told = journal.told(&question("12:00:00", "yard", ""));
    assert!(
        told.contains(
            "In zone yard page 8 from dispatch was heard from 12:00:04.0 on. It was cut by page 8 from dispatch"
        ),
        "{told}"
    );
    assert!(!told.contains("shift-bell"), "another zone: {told}");
    assert!(
        told.contains("At 12:00:06.0: sound card line ran dry 3 times: audio had gaps."),
        "{told}"
    );
    let (seventh, tenth) = (told.find("Page 7,").unwrap(), told.find("Page 10,").unwrap());
    assert!(seventh < tenth, "in the order of time");
    assert!(
        told[tenth..].contains("It was not heard in zone yard. It was refused as busy"),
        "{told}"
    );
    // Mended at five past, broken again at half past.
    let told = |time| journal.told(&question(time, "", ""));
    assert!(
        told("13:02:00")
            .contains("Missing since Mon 2026-11-30 13:00:00: sound card line does not work: No such device")
    );
    assert!(
        told("13:10:00").contains("Nothing was missing then"),
        "{}",
        told("13:10:00")
    );
    let late = told("13:35:00");
    assert!(
        late.contains("13:30:00: sound card line") && late.contains("13:31:00: mixer does not work"),
        "{late}"
    );
    assert!(told("13:50:00").contains("The gateway did not run: at Mon 2026-11-30 13:40:00 stopped"));
}

#[test]
fn a_call_that_never_became_a_page() {
    let mut journal = Journal::new();
    journal.say(
        "09:15:20",
        &Message::TurnedAway {
            peer: "203.0.113.9:5060".parse().unwrap(),
            caller: "sip:900@203.0.113.9".into(),
            dialled: "9000".into(),
            why: "no extension has this number",
        },
    );
    for asked in [question("09:15:00", "", ""), question("", "", "203.0.113.9")] {
        let told = journal.told(&asked);
        assert!(
            told.starts_with("Mon 2026-11-30 09:15:20: turned away a caller") && told.contains("It was not let in"),
            "{told}"
        );
    }
    assert!(!journal.told(&question("09:16:00", "", "")).contains("turned away"));
}

#[test]
fn what_is_no_journal_is_refused_and_any_journal_is_read() {
    assert_eq!(Said::read("").unwrap(), []);
    let nothing = tell(&[], &Question::default(), &TimeZone::UTC, NOW.parse().unwrap());
    assert!(
        nothing.starts_with("The journal has nothing of the gateway"),
        "{nothing}"
    );
    let good = r#"{"__REALTIME_TIMESTAMP":"1795617362000000","MESSAGE":[104,105,27,255],"PRIORITY":"x","ZONE":["a",["b"],null,3]}"#;
    let said = Said::read(&format!("\n{good}\n")).unwrap();
    assert_eq!(
        (said[0].text.as_str(), said[0].severity, said[0].all("ZONE")),
        ("hi\u{fffd}\u{fffd}", 6, vec!["a", "b", "3"])
    );
    for (text, line) in [
        ("Nov 30 10:32:04 board hornwire[1]: x", 1),
        (&format!("{good}\n{{}}"), 2),
        ("[1]", 1),
    ] {
        assert_eq!(Said::read(text).unwrap_err().line, line, "{text}");
    }
    // Times at the edge of what can be told.
    for micros in ["0", "-1", "253402207200000000", "9223372036854775807"] {
        let text = good.replace("1795617362000000", micros);
        if let Ok(said) = Said::read(&text) {
            tell(
                &said,
                &question("10:00:00", "", ""),
                &TimeZone::UTC,
                NOW.parse().unwrap(),
            );
        }
    }
}

/// Pages close to each other, on one relay: each has its own movements; the second one takes the relay over.
#[test]
fn relays_of_pages_in_a_row() {
    let mut journal = Journal::new();
    let relay = |operated| Message::RelayMoved {
        relay: "trigger".into(),
        operated,
    };
    journal.say("18:03:10.1", &relay(true));
    journal.page("18:03:10", "18:03:15", &report(1));
    journal.page("18:03:14", "18:03:20", &report(2));
    journal.say("18:03:20.5", &relay(false));
    journal.say("18:03:30.1", &relay(true));
    journal.page("18:03:30", "18:03:35", &report(3));
    let told = journal.told(&question("18:03:00", "", ""));
    let of = |page: u32| {
        told.split("Page ")
            .find(|part| part.starts_with(&format!("{page},")))
            .unwrap()
    };
    assert!(
        of(1).contains("trigger operated at 18:03:10.1, at rest again at 18:03:20.5"),
        "{told}"
    );
    assert!(!of(2).contains("Relays"), "operated before it came: {told}");
    assert!(
        of(3).contains("trigger operated at 18:03:30.1, and not at rest since"),
        "{told}"
    );
}

/// A fault of an earlier start is none of this one; of two registrars each has its own word; a loss of power leaves no last word.
#[test]
fn what_was_missing_before_the_last_start_is_not_missing_now() {
    let mut journal = Journal::new();
    let gone = Message::AddressMissing {
        address: "192.0.2.20".parse().unwrap(),
    };
    journal.say("06:00:00", &gone);
    journal.began("06:30:00", 4, "dispatch", "yard");
    journal.say(
        "07:00:00",
        &Message::Started {
            site: "Quayside Timber".into(),
        },
    );
    let registration = |registrar: &str| Message::RegistrationFailed {
        extension: "page".into(),
        registrar: registrar.into(),
        cause: "it does not answer".into(),
        retry_in: Duration::from_secs(30),
    };
    journal.say("07:00:01", &registration("one.quayside.example"));
    journal.say("07:00:02", &registration("two.quayside.example"));
    journal.say(
        "07:00:03",
        &Message::Registered {
            extension: "page".into(),
            registrar: "two.quayside.example".into(),
            server: "192.0.2.9:5060".parse().unwrap(),
            transport: "UDP",
            expires: Duration::from_secs(600),
        },
    );
    let told = journal.told(&question("08:00:00", "", ""));
    assert!(!told.contains("192.0.2.20") && !told.contains("two.quayside"), "{told}");
    assert!(
        told.contains("Missing since Mon 2026-11-30 07:00:01: extension page cannot register at one.quayside.example"),
        "{told}"
    );
    let cut = journal.told(&question("06:30:00", "", ""));
    assert!(
        cut.contains("the gateway died before it was started again at 07:00:00.0."),
        "{cut}"
    );
}

/// As systemd 252 says it: of a process beside the gateway, of the gateway itself, of its watchdog.
fn manager(when: &str, id: &str, text: &str) -> String {
    json!({ "__REALTIME_TIMESTAMP": at(when).as_microsecond().to_string(), "MESSAGE": text, "MESSAGE_ID": id, "PRIORITY": "4", "UNIT": "hornwire.service" })
        .to_string()
}

#[test]
fn a_page_without_a_record_is_on_or_was_cut_off_by_the_end_of_the_gateway() {
    const EXITED: &str = "98e322203f7a4ed290d09fe03c09fe15";
    let mut journal = Journal::new();
    journal.page("17:59:00", "17:59:04", &report(3));
    journal.began("18:10:02", 4, "yard-page", "yard");
    journal.0.push(manager(
        "18:10:03",
        EXITED,
        "hornwire.service: Control process exited, code=exited, status=78/CONFIG",
    ));
    let on = journal.told(&question("", "", ""));
    assert!(on.contains("Page 4, Mon 2026-11-30 18:10:02: yard-page, heard in zone yard from then on. It has no record yet: it is on."), "{on}");
    assert!(
        !journal.told(&question("18:30:00", "", "")).contains("did not run"),
        "a process beside it"
    );
    // Another zone's page, later.
    journal.began("18:10:04", 5, "dispatch", "office");
    let mut other = report(5);
    other.zones = vec!["office".into()];
    journal.page("18:10:04", "18:10:06", &other);
    assert!(
        journal.told(&question("", "yard", "")).contains("Page 4,"),
        "of this zone it is the last"
    );
    journal.0.push(manager(
        "18:10:09",
        "",
        "hornwire.service: Watchdog timeout (limit 10s)!",
    ));
    journal.0.push(manager(
        "18:10:10",
        EXITED,
        "hornwire.service: Main process exited, code=killed, status=6/ABRT",
    ));
    let dead = journal.told(&question("18:10:00", "yard", ""));
    assert!(
        dead.contains("It has no record: the gateway died at 18:10:10.0."),
        "{dead}"
    );
    let since = journal.told(&question("18:20:00", "", ""));
    assert!(
        since.contains("The gateway did not run: at Mon 2026-11-30 18:10:10 hornwire.service: Main process exited"),
        "{since}"
    );
}

/// A caller chooses its own name: it cannot look like a sentence of ours.
#[test]
fn a_name_is_no_sentence() {
    let mut journal = Journal::new();
    let mut page = refused(9, EndReason::Busy);
    page.caller = format!("201\" {} It was heard in zone yard for 9.0 s, at once.", "-".repeat(40));
    journal.page("11:00:00", "11:00:00", &page);
    let told = journal.ask(&question("", "", ""));
    assert!(told.contains("yard-page, \"201'"), "{told}");
    for line in told.lines().filter(|line| line.contains("It was heard")) {
        assert!(line.starts_with("      "), "{told}");
    }
}
