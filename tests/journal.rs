//! Entries through a real journald: written natively, read back by journalctl, explained by the catalog.
//!
//! Needs root and systemd's journald, so it is ignored by default: `cargo test --test journal -- --ignored`. Everything
//! happens in a mount namespace of its own; the machine's journal and catalog are not touched.
#![allow(clippy::disallowed_methods)]

use std::process::Command;
use std::time::{Duration, Instant, UNIX_EPOCH};

use hornwire::media::{PlayoutFigures, ReceiverFigures};
use hornwire::page::{EndReason, PageId, PageRecord, Priority, SourceId, ZoneId};
use hornwire::report::journal::choose;
use hornwire::report::message::Message;
use hornwire::report::record::PageReport;

/// Set for the copy of this test that writes, inside the namespace.
const WRITER: &str = "HORNWIRE_TEST_WRITES_ENTRIES";

/// $1: this program, $2: the catalog.
const STAGE: &str = r#"
set -eu
mount --make-rprivate /
mount -t tmpfs tmpfs /run
mount -t tmpfs tmpfs /var/log
mkdir -p /var/lib/systemd/catalog
mount -t tmpfs tmpfs /var/lib/systemd/catalog
cp "$2" /run/hornwire.catalog
mount -t tmpfs tmpfs /usr/lib/systemd/catalog
cp /run/hornwire.catalog /usr/lib/systemd/catalog/
journalctl --update-catalog
mkdir -p /run/systemd/journal /run/log/journal
/lib/systemd/systemd-journald >/run/journald.log 2>&1 &
journald=$!
trap 'kill $journald' EXIT
for _ in $(seq 100); do [ -S /run/systemd/journal/socket ] && break; sleep 0.05; done
INVOCATION_ID=0123456789abcdef0123456789abcdef HORNWIRE_TEST_WRITES_ENTRIES=1 \
    "$1" --ignored --exact entries_survive_a_real_journald >&2
journalctl --sync
echo JSON
journalctl --no-pager --all -o json -t hornwire
echo ONE
journalctl --no-pager -o cat PAGE_ID=12 ZONE=shed END_REASON=hung-up
echo EXPLAINED
journalctl --no-pager -x -t hornwire
"#;

fn write_entries() {
    let bid_at = Instant::now();
    let report = PageReport {
        record: PageRecord {
            page: PageId(12),
            source: SourceId(0),
            zones: vec![ZoneId(0), ZoneId(1)],
            wanted: vec![ZoneId(0), ZoneId(1)],
            priority: Priority(50),
            bid_at,
            admitted_at: Some(bid_at),
            waited_for: None,
            missed: Vec::new(),
            heard_at: Some(bid_at + Duration::from_millis(1300)),
            heard_for: Duration::from_millis(14_200),
            kept: false,
            ended_at: bid_at + Duration::from_millis(15_500),
            reason: EndReason::HungUp,
            by: None,
        },
        source: "yard".into(),
        caller: "Gate\nPRIORITY=0\nMESSAGE=forged \u{1b}[31m<201> Büro".into(),
        peer: Some("[2001:db8::7]:5060".parse().unwrap()),
        zones: vec!["yard".into(), "shed".into()],
        missed: Vec::new(),
        waited_for: None,
        by: None,
        began: UNIX_EPOCH + Duration::from_secs(1_795_617_362),
        codec: Some("PCMU"),
        reception: ReceiverFigures {
            packets: 698,
            lost: 2,
            jitter_ms: 2.1,
            ..ReceiverFigures::default()
        },
        protection: "none".into(),
        not_authentic: 0,
        replayed: 0,
        playout: PlayoutFigures::default(),
        level: None,
        keys: 0,
    };
    let mut journal = choose();
    journal.write(
        &Message::CardLost {
            card: "left".into(),
            cause: "No such device".into(),
        }
        .entry(),
    );
    journal.write(&report.entry());
    assert_eq!(journal.dropped(), 0);
}

#[test]
#[ignore = "needs root and systemd-journald"]
fn entries_survive_a_real_journald() {
    if std::env::var_os(WRITER).is_some() {
        write_entries();
        return;
    }
    let catalog = concat!(env!("CARGO_MANIFEST_DIR"), "/systemd/hornwire.catalog");
    let output = Command::new("unshare")
        .args(["--mount", "--fork", "sh", "-c", STAGE, "sh"])
        .arg(std::env::current_exe().unwrap())
        .arg(catalog)
        .env_remove("JOURNAL_STREAM")
        .output()
        .expect("unshare (util-linux)");
    let stdout = String::from_utf8_lossy(&output.stdout);
    let stderr = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{stdout}\n{stderr}");
    let (json, rest) = stdout.split_once("JSON\n").unwrap().1.split_once("ONE\n").unwrap();
    let (one, explained) = rest.split_once("EXPLAINED\n").unwrap();

    let lines: Vec<&str> = json.lines().collect();
    assert_eq!(lines.len(), 2, "{stdout}\n{stderr}");
    let has = |line: &str, pairs: &[(&str, &str)]| {
        for (name, value) in pairs {
            assert!(line.contains(&format!("\"{name}\":{value}")), "{name} {value}\n{line}");
        }
    };
    has(
        lines[0],
        &[
            ("PRIORITY", "\"3\""),
            ("MESSAGE_ID", "\"397e49b2cd194f9a9c09bd0c009680ce\""),
            ("CARD", "\"left\""),
            ("_TRANSPORT", "\"journal\""),
        ],
    );
    has(
        lines[1],
        &[
            ("PRIORITY", "\"6\""),
            ("PAGE_ID", "\"12\""),
            ("SOURCE", "\"yard\""),
            ("ZONE", "[\"yard\",\"shed\"]"),
            ("CALLER", "\"Gate PRIORITY=0 MESSAGE=forged \u{fffd}[31m<201> Büro\""),
            ("PEER", "\"[2001:db8::7]:5060\""),
            ("END_REASON", "\"hung-up\""),
            ("BEGAN", "\"2026-11-25T14:36:02.000Z\""),
            ("DURATION_MS", "\"14200\""),
            ("PACKETS", "\"698\""),
            ("LOST", "\"2\""),
            ("JITTER_MS", "\"2.10\""),
            ("CODEC", "\"PCMU\""),
        ],
    );
    // Found by its fields, as an installer would look for it.
    assert!(one.starts_with("page 12 from yard (Gate PRIORITY=0"), "{one}");
    assert!(one.contains("to zones yard, shed: 14.2 s, ended: caller hung up; 698 packets, 0.3 % lost, jitter 2.1 ms"));
    // The catalog's placeholders are filled in.
    for text in [
        "Sound card left does not work",
        "The card cannot be opened, or takes no audio any more: No such device",
        "Page 12 is over",
    ] {
        assert!(explained.contains(text), "{text}\n{explained}");
    }
}
