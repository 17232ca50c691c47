use ratatui::Terminal;
use ratatui::backend::TestBackend;
use serde_json::{Value, json};

use super::*;
use crate::report::status::Status;

/// A busy morning in the yard: eight zones, pages on and waiting, something of everything.
fn busy() -> Value {
    let at_rest = |name: &str| {
        json!({ "zone": name, "phase": "rest", "page": null, "out_of_use": null, "level_dbfs": null, "level_dbm": null,
            "peak_dbfs": null, "reduction_db": null, "hold": "free" })
    };
    let page = |id: u64, source: &str, caller: Value, priority: u64, state: &str, zones: &[&str]| {
        json!({ "page": id, "source": source, "caller": caller, "priority": priority, "state": state, "zones": zones,
            "wanted": ["yard", "dock"], "seconds": 14 })
    };
    let past = |id: u64, heard: bool, why: &str| {
        json!({ "page": id, "source": "page", "caller": "Gate office <201>", "zones": ["yard"], "was_heard": heard, "why": why,
            "seconds": 14.2, "lost_percent": 0.29, "ended_at": "2026-11-25T14:36:02.431+01:00" })
    };
    json!({
        "site": "Quayside Timber",
        "zones": [
            { "zone": "yard", "phase": "speech", "page": 12, "out_of_use": null, "level_dbfs": -20.0, "level_dbm": -12.99,
              "peak_dbfs": -6.0, "reduction_db": 3.12, "hold": "page" },
            { "zone": "office", "phase": "rest", "page": null, "out_of_use": null, "level_dbfs": -40.0, "level_dbm": null,
              "peak_dbfs": -30.0, "reduction_db": 0.0, "hold": "free" },
            { "zone": "kiln", "phase": "rest", "page": null, "out_of_use": "card-missing" },
            at_rest("sawmill"), at_rest("drying-shed"), at_rest("dock"), at_rest("canteen"), at_rest("gate"),
        ],
        "pages": [
            page(13, "dispatch", json!("192.0.2.9:5004"), 30, "waits", &[]),
            page(12, "page", json!("Gate office <201>"), 50, "is heard", &["yard"]),
        ],
        "relays": [
            { "relay": "yard-trigger", "operated": true }, { "relay": "yard-mute", "operated": true },
            { "relay": "office-trigger", "operated": false }, { "relay": "fault-lamp", "operated": false, "blinks": true },
        ],
        "registrations": [
            { "extension": "page", "registrars": ["pbx.quayside.example"], "refusals": [] },
            { "extension": "all", "registrars": [], "refusals": [{ "registrar": "pbx.quayside.example", "cause": "403 Forbidden" }] },
        ],
        "missing": ["sound card second", "registration of extension all"],
        "config_waits": [],
        "config_refused": false,
        "next": { "schedule": "shift-bell", "at": "2026-11-26 06:00" },
        "recent": [past(9, true, "caller hung up"), past(10, true, "length limit"), past(11, false, "busy")],
    })
}

fn screen(status: Option<&Value>, trouble: Option<&str>, look: Look, (width, height): (u16, u16)) -> Vec<String> {
    let view = status.map(Status::of);
    let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
    let screen = Screen {
        view: view.as_ref(),
        clock: "14:36:05",
        trouble,
        look,
    };
    terminal.draw(|frame| _ = draw(frame, &screen)).unwrap();
    let buffer = terminal.backend().buffer();
    let row = |y| {
        let cells = (0..width).map(|x| buffer[(x, y)].symbol());
        cells.collect::<String>().trim_end().to_owned()
    };
    (0..height).map(row).collect()
}

/// Eight zones and all the rest fit an ordinary terminal. The meter: 60 dB in 31 cells; −20 dBFS is cell 21, a peak of −6 dBFS cell 28,
/// −40 dBFS cell 10, −30 dBFS cell 16 (computed).
#[test]
fn all_of_a_busy_site_on_80_columns() {
    let seen = screen(Some(&busy()), None, Look::default(), (80, 24));
    let wanted = [
        "Quayside Timber: 1 page on, 1 waits                      14:36:05  a all  q quit",
        "Zone        phase        page      level -60           -30        0 dBFS limiter",
        "yard        speech         12 -13.0 dBm  #####################......|... -3.1 dB",
        "office      rest, music       -40.0 dBFS ##########.....|...............",
        "kiln        OUT OF USE: its sound card is missing",
        "sawmill     rest                         ...............................",
        "drying-shed rest                         ...............................",
        "dock        rest                         ...............................",
        "canteen     rest                         ...............................",
        "gate        rest                         ...............................",
        " Page   since  prio  state               from, for",
        "   12    14 s    50  is heard            page (Gate office <201>) in yard",
        "   13    14 s    30  waits               dispatch (192.0.2.9:500… for yard, dock",
        "Relays      OPERATED yard-trigger, yard-mute; at rest office-trigger, fault-lamp",
        "Registered  page at pbx.quayside.example",
        "NOT REG.    all at pbx.quayside.example: 403 Forbidden",
        "MISSING     sound card second",
        "Next        shift-bell at 2026-11-26 06:00",
        "Ended       page  from",
        "14:36:02      11  page (Gate office <201>) not heard: busy",
        "14:36:02      10  page (Gate office <… in yard: 14.2 s, length limit; 0.3 % lost",
        "14:36:02       9  page (Gate office… in yard: 14.2 s, caller hung up; 0.3 % lost",
        "",
        "",
    ];
    assert_eq!(seen, wanted, "\n{}\n", seen.join("\n"));
}

fn many(zones: usize) -> Value {
    let mut status = busy();
    let all = status["zones"].as_array_mut().unwrap();
    let speaking = all[0].clone();
    let quiet = all[3].clone();
    all.clear();
    for n in 1..=zones {
        let mut zone = if n == zones { speaking.clone() } else { quiet.clone() };
        zone["zone"] = json!(format!("hall-{n}"));
        all.push(zone);
    }
    status
}

#[test]
fn of_forty_zones_the_busy_ones_come_first() {
    let status = many(40);
    let seen = screen(Some(&status), None, Look::default(), (80, 24));
    assert!(seen[2].starts_with("hall-40 speech"), "{seen:#?}");
    let summed = seen.iter().find(|line| line.starts_with("and ")).unwrap();
    let shown = seen.iter().filter(|line| line.starts_with("hall-")).count();
    assert_eq!(*summed, format!("and {} at rest (a: all)", 40 - shown));
    assert!(
        seen.iter().any(|line| line.contains("is heard")) && seen.iter().any(|line| line.contains("not heard: busy"))
    );
    // All of them, by scrolling.
    let all = Look {
        all: true,
        ..Look::default()
    };
    let seen = screen(Some(&status), None, all, (80, 24));
    assert!(seen[23].ends_with("more lines: arrow keys"), "{seen:#?}");
    let end = Look { scroll: 1000, ..all };
    let seen = screen(Some(&status), None, end, (80, 24));
    assert!(
        seen[23].contains("caller hung up") && seen[0].starts_with("Quayside"),
        "{seen:#?}"
    );
}

#[test]
fn it_is_of_use_on_any_terminal() {
    for size in [(40, 10), (20, 5), (200, 60), (1, 1), (0, 0), (80, 2), (3, 40)] {
        for (all, scroll) in [(false, 0), (true, 7)] {
            let look = Look {
                all,
                scroll,
                colour: true,
            };
            screen(Some(&busy()), Some("/run/x: nobody is there"), look, size);
            screen(None, None, look, size);
        }
    }
    let small = screen(Some(&busy()), None, Look::default(), (40, 12));
    assert!(small[2].starts_with("yard     speech"), "{small:#?}");
    let wide = screen(Some(&busy()), None, Look::default(), (200, 60));
    assert!(
        wide.iter()
            .any(|line| line.ends_with("in yard: 14.2 s, caller hung up; 0.3 % lost"))
    );
}

#[test]
fn a_gateway_that_is_gone_is_told() {
    let trouble = Some("/run/hornwire/control.sock: nobody is there");
    let seen = screen(Some(&busy()), trouble, Look::default(), (80, 24));
    assert_eq!(
        seen[1],
        "NO ANSWER: /run/hornwire/control.sock: nobody is there; it goes on asking"
    );
    assert_eq!(seen[2], "As it was last:");
    assert!(seen[4].starts_with("yard"));
    let seen = screen(None, trouble, Look::default(), (80, 24));
    assert!(seen[0].starts_with("hornwire watch") && seen[1].starts_with("NO ANSWER"));
}

/// Escape sequences and marks that turn a line round do not reach the terminal, nor the lines.
#[test]
fn a_forged_name_draws_nothing_but_itself() {
    let mut status = busy();
    let evil = "x\u{1b}[2J\u{1b}]0;y\u{7}\r\nzone yard: rest\u{202e}\u{9b}1m";
    status["pages"][0]["caller"] = json!(evil);
    status["site"] = json!(evil);
    status["recent"][0]["caller"] = json!(evil);
    status["missing"][0] = json!(evil);
    status["registrations"][1]["refusals"][0]["cause"] = json!(evil);
    let mut seen = screen(Some(&status), None, Look::default(), (200, 60));
    let view = Status::of(&status);
    seen.extend(summary(&view));
    seen.extend(changes(&Status::default(), &view));
    for line in seen {
        let is_clean = |c: char| !c.is_control() && c != '\u{202e}';
        assert!(line.chars().all(is_clean), "{line:?}");
    }
}

/// Without colour there is none; with it the words are the same.
#[test]
fn colour_only_adds() {
    let draws = |colour| {
        let view = Status::of(&busy());
        let mut terminal = Terminal::new(TestBackend::new(80, 24)).unwrap();
        let look = Look {
            colour,
            ..Look::default()
        };
        let screen = Screen {
            view: Some(&view),
            clock: "14:36:05",
            trouble: Some("gone"),
            look,
        };
        terminal.draw(|frame| _ = draw(frame, &screen)).unwrap();
        terminal.backend().buffer().clone()
    };
    let (with, without) = (draws(true), draws(false));
    let reset = ratatui::style::Color::Reset;
    assert!(without.content.iter().all(|cell| (cell.fg, cell.bg) == (reset, reset)));
    assert!(with.content.iter().any(|cell| cell.fg != reset));
    assert!(
        with.content
            .iter()
            .zip(&without.content)
            .all(|(a, b)| a.symbol() == b.symbol())
    );
}

#[test]
fn each_change_is_one_line() {
    let before = Status::of(&busy());
    assert_eq!(changes(&before, &before), Vec::<String>::new());
    let mut status = busy();
    status["zones"][0]["level_dbfs"] = json!(-25.0);
    status["relays"][3]["operated"] = json!(true);
    status["pages"][0]["seconds"] = json!(15);
    assert_eq!(
        changes(&before, &Status::of(&status)),
        Vec::<String>::new(),
        "levels and blinking are no news"
    );
    status["zones"][0]["phase"] = json!("tail");
    status["relays"][0]["operated"] = json!(false);
    status["pages"] = json!([{ "page": 13, "source": "dispatch", "caller": null, "priority": 30, "state": "is heard", "zones": ["dock"] }]);
    status["recent"].as_array_mut().unwrap().push(
        json!({ "page": 12, "source": "page", "caller": "Gate office <201>", "zones": ["yard"],
        "was_heard": true, "why": "caller hung up", "seconds": 15.0 }),
    );
    status["registrations"][0] =
        json!({ "extension": "page", "registrars": [], "refusals": [{ "registrar": "b", "cause": "no answer" }] });
    status["missing"] = json!(["relay yard-mute"]);
    let lines = changes(&before, &Status::of(&status));
    let wanted = [
        "page 13 from dispatch: is heard",
        "zone yard: tail (page 12)",
        "relay yard-trigger: at rest",
        "page 12 from page (Gate office <201>) ended: in yard: 15.0 s, caller hung up",
        "extension page: no longer registered at pbx.quayside.example",
        "extension page: not registered at b: no answer",
        "missing: relay yard-mute",
        "no longer missing: sound card second",
        "no longer missing: registration of extension all",
    ];
    assert_eq!(lines, wanted);
}

#[test]
fn the_first_look_tells_what_is_not_at_rest() {
    let lines = summary(&Status::of(&busy()));
    let wanted = [
        "Quayside Timber: 1 page on, 1 waits",
        "page 13 from dispatch (192.0.2.9:5004) for yard, dock, priority 30: waits",
        "page 12 from page (Gate office <201>) for yard, priority 50: is heard",
        "zone yard: speech (page 12)",
        "zone kiln: out of use: its sound card is missing",
        "relay yard-trigger: operated",
        "relay yard-mute: operated",
        "extension page: registered at pbx.quayside.example",
        "extension all: not registered at pbx.quayside.example: 403 Forbidden",
        "missing: sound card second",
        "missing: registration of extension all",
        "next: shift-bell at 2026-11-26 06:00",
    ];
    assert_eq!(lines, wanted);
}

/// A gateway of another version may say less.
#[test]
fn what_is_not_told_is_left_out() {
    for status in [
        json!({}),
        json!(null),
        json!({ "zones": [{}], "pages": [7], "recent": "x", "next": null }),
    ] {
        screen(Some(&status), None, Look::default(), (80, 24));
        summary(&Status::of(&status));
    }
}
