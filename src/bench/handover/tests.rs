//! What is in the documents, and what is not.
#![allow(clippy::disallowed_methods)]

use std::path::Path;

use super::*;
use crate::bench::examples::{SHIPPED, read, shipped};
use crate::bench::logbook::{Kind, Outcome, Standing, Verdict};
use crate::config::plan::Plan;

fn given(plan: &Plan) -> Particulars {
    Particulars {
        date: "2027-03-02".to_owned(),
        version: "0.1.0".to_owned(),
        config: "site.toml".to_owned(),
        changed: Some("2027-03-01".to_owned()),
        customer: None,
        address: None,
        installer: None,
        phone: None,
        board: Board::guessed(plan),
        unread: 0,
    }
}

fn outcome(kind: Kind, name: &str, step: &str, verdict: Verdict) -> Outcome {
    Outcome {
        at: "2027-03-02T10:15:00+01:00".to_owned(),
        by: "R. Alder".to_owned(),
        kind,
        name: name.to_owned(),
        step: step.to_owned(),
        value: None,
        found: String::new(),
        wanted: String::new(),
        verdict,
        note: String::new(),
    }
}

/// The text of an XHTML document, without its style sheets; `<wbr/>` is nothing.
fn text_of(html: &str) -> String {
    let options = roxmltree::ParsingOptions {
        allow_dtd: true,
        ..Default::default()
    };
    let document = roxmltree::Document::parse_with_options(html, options).unwrap_or_else(|error| panic!("{error}"));
    let mut out = String::new();
    for node in document.descendants().filter(roxmltree::Node::is_text) {
        let within = node.parent().map(|parent| parent.tag_name().name());
        if within != Some("style") {
            out += node.text().unwrap_or_default();
        }
    }
    out
}

/// Every element, by its name.
fn elements(html: &str) -> Vec<String> {
    let options = roxmltree::ParsingOptions {
        allow_dtd: true,
        ..Default::default()
    };
    let document = roxmltree::Document::parse_with_options(html, options).unwrap();
    let all = document.descendants().filter(roxmltree::Node::is_element);
    all.map(|node| node.tag_name().name().to_owned()).collect()
}

/// A Markdown text as it reads: a backslash before punctuation is not there (CommonMark §2.4).
fn unescaped(markdown: &str) -> String {
    let mut out = String::new();
    let mut chars = markdown.chars().peekable();
    while let Some(c) = chars.next() {
        if c == '\\' && chars.peek().is_some_and(char::is_ascii_punctuation) {
            continue;
        }
        out.push(c);
    }
    out
}

fn names(plan: &Plan) -> Vec<&str> {
    let mut all: Vec<&str> = plan.zones.iter().map(|zone| zone.name.as_str()).collect();
    all.extend(plan.zone_groups.iter().map(|(name, _)| name.as_str()));
    all.extend(plan.extensions.iter().flat_map(|e| [e.name.as_str(), e.user.as_str()]));
    all.extend(plan.groups.iter().map(|group| group.name.as_str()));
    all.extend(plan.inputs.iter().map(|input| input.name.as_str()));
    all.extend(plan.contacts.iter().map(|contact| contact.name.as_str()));
    all.extend(plan.schedules.iter().map(|schedule| schedule.name.as_str()));
    all.extend(plan.quiet_hours.iter().map(|rule| rule.name.as_str()));
    all.extend(plan.relays.iter().map(|relay| relay.name.as_str()));
    all.extend(plan.music.iter().map(|music| music.name.as_str()));
    all.extend(plan.vetoes.iter().map(|veto| veto.name.as_str()));
    all.extend(plan.codes.iter().map(|code| code.name.as_str()));
    all.extend(plan.amplifiers.iter().map(|amplifier| amplifier.name.as_str()));
    all
}

#[test]
fn every_example_is_told_whole_and_keeps_its_secrets() {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/quayside-secrets.toml");
    let secrets: toml::Table = std::fs::read_to_string(file).unwrap().parse().unwrap();
    let secrets: Vec<&str> = secrets.values().filter_map(toml::Value::as_str).collect();
    assert!(secrets.len() >= 5);
    for name in SHIPPED {
        let plan = shipped(name);
        let record = record(&plan, &[], &given(&plan));
        let wall = wall(&plan, &given(&plan));
        let texts = [
            text_of(&html(&record)),
            unescaped(&markdown(&record)),
            text_of(&html(&wall)),
            unescaped(&markdown(&wall)),
        ];
        for told in &texts[..2] {
            for wanted in names(&plan) {
                assert!(told.contains(wanted), "{name}: {wanted} is missing in\n{told}");
            }
        }
        // On the wall: every number, unless it says that there are more.
        for told in &texts[2..] {
            for extension in &plan.extensions {
                assert!(told.contains(&extension.user), "{name}: {} is missing", extension.user);
            }
        }
        for told in &texts {
            for secret in &secrets {
                assert!(!told.contains(secret), "{name} tells a secret");
            }
            assert!(!told.contains("argon2"), "{name}");
        }
    }
}

/// Nothing is fetched, nothing runs: a file to keep for years.
#[test]
fn the_html_stands_alone() {
    for name in SHIPPED {
        let plan = shipped(name);
        for page in [
            html(&record(&plan, &[], &given(&plan))),
            html(&wall(&plan, &given(&plan))),
        ] {
            for element in elements(&page) {
                assert!(
                    !["script", "img", "link", "iframe", "object", "image", "use", "a", "form"]
                        .contains(&element.as_str()),
                    "{name}: {element}"
                );
            }
            for word in ["url(", "@import", "src=", "href="] {
                assert!(!page.contains(word), "{name}: {word}");
            }
            // Drawings say nothing of the document's own pages.
            assert_eq!(page.matches("size:A4 landscape").count(), 1, "{name}");
        }
    }
}

const HOSTILE: &str = "<script>alert(1)</script> | *bold* `code` _it_ [x](http://evil.example) # & \"q\" \u{202e}gnp";

#[test]
fn hostile_texts_are_harmless() {
    let text = format!(
        "[site]\nname = '{}'\n[cards.a-]\noutput = 'null'\n[zones.z_a_]\ncard = 'a-'\nchannel = 1\n[extensions.e__e__]\nuser = '*9*'\nzones = ['z_a_']\n\
         [sip]\nnetworks = ['192.0.2.1']\n",
        "<b>|*x* `y`"
    );
    let plan = read(&text);
    let mut tried = outcome(Kind::Extension, "e__e__", "page", Verdict::Failed);
    tried.found = HOSTILE.to_owned();
    tried.note = "two\nlines | <img src=x onerror=alert(1)> ```".to_owned();
    tried.step = HOSTILE.to_owned();
    tried.by = HOSTILE.to_owned();
    let mut gone = tried.clone();
    gone.name = HOSTILE.to_owned();
    let given = Particulars {
        customer: Some(HOSTILE.to_owned()),
        installer: Some("# - 1. > ```".to_owned()),
        phone: Some("|||".to_owned()),
        ..given(&plan)
    };
    for document in [record(&plan, &[tried, gone], &given), wall(&plan, &given)] {
        let page = html(&document);
        let all = elements(&page);
        for element in ["script", "img", "b", "a"] {
            assert!(!all.iter().any(|found| found == element), "{element}");
        }
        let told = text_of(&page);
        assert!(told.contains("<b>|*x* `y`") && !told.contains('\u{202e}'));
        let markdown = markdown(&document);
        for (i, line) in markdown.lines().enumerate() {
            let bare: Vec<char> = unguarded(line.trim_start_matches("> **Caution.**"));
            assert!(!bare.contains(&'<') && !bare.contains(&'*'), "{}: {line}", i + 1);
            assert!(!bare.contains(&'[') || line.starts_with("    "), "{}: {line}", i + 1);
            if line.starts_with('|') {
                assert!(line.ends_with('|'), "{}: {line}", i + 1);
            }
        }
        // Each table's rows have as many cells as its head.
        let mut cells = None;
        for line in markdown.lines() {
            let bars = unguarded(line).iter().filter(|c| **c == '|').count();
            match (line.starts_with('|'), cells) {
                (false, _) => cells = None,
                (true, None) => cells = Some(bars),
                (true, Some(before)) => assert_eq!(bars, before, "{line}"),
            }
        }
    }
}

/// The characters that no backslash stands before.
fn unguarded(line: &str) -> Vec<char> {
    let mut out = Vec::new();
    let mut chars = line.chars();
    while let Some(c) = chars.next() {
        if c == '\\' {
            chars.next();
        } else {
            out.push(c);
        }
    }
    out
}

#[test]
fn markdown_escapes_where_a_block_could_begin() {
    // CommonMark §4 and §5: headings, rules, lists, quotes, fences.
    for (text, wanted) in [
        ("# a", r"\# a"),
        ("1. a", r"1\. a"),
        ("12) a", r"12\) a"),
        ("- a", r"\- a"),
        ("+ a", r"\+ a"),
        ("> a", r"\> a"),
        ("```", r"\`\`\`"),
        ("a - b 1.5 #", "a - b 1.5 #"),
        ("a|b", r"a\|b"),
        ("x\n# y", "x # y"),
    ] {
        assert_eq!(markdown::escape(text), wanted);
    }
}

/// A page of A4 by our own reckoning: the proxy for a look at the printed page.
#[test]
fn the_wall_is_one_page() {
    for name in SHIPPED {
        let plan = shipped(name);
        let page = wall(&plan, &given(&plan));
        let Paper::Wall(size) = page.paper else {
            panic!("{:?}", page.paper)
        };
        assert!(height(&page, size) <= MAX_HEIGHT, "{name}: {}", height(&page, size));
        assert!(size >= 11, "{name}: {size} pt");
    }
    for (count, least, note) in [(1, 14, false), (12, 11, false), (60, 10, true)] {
        let plan = read(&many(count));
        let page = wall(&plan, &given(&plan));
        let Paper::Wall(size) = page.paper else {
            panic!("{:?}", page.paper)
        };
        assert!(height(&page, size) <= MAX_HEIGHT, "{count}: {}", height(&page, size));
        assert!(size >= least, "{count}: {size} pt");
        assert_eq!(markdown(&page).contains("more: see the record sheet"), note, "{count}");
    }
}

fn many(extensions: usize) -> String {
    let mut text = String::from(
        "[site]\nname = 'Quayside Timber'\n[cards.a]\noutput = 'null'\nchannels = 2\n[zones.yard]\ncard = 'a'\nchannel = 1\n\
         [zones.drying-shed]\ncard = 'a'\nchannel = 2\n[sip]\nnetworks = ['192.0.2.0/24']\n[relays.lamp]\nline = 'simulated'\nshows = 'healthy'\n",
    );
    for i in 0..extensions {
        text += &format!(
            "[extensions.ext-{i}]\nuser = '{}'\nzones = ['yard', 'drying-shed']\n",
            800 + i
        );
    }
    text
}

#[test]
fn what_was_not_tried_is_said() {
    let plan = shipped("quayside-yard.toml");
    let outcomes = [
        outcome(Kind::Extension, "yard-page", "page", Verdict::Passed),
        outcome(Kind::Extension, "all-page", "page", Verdict::Passed),
        outcome(Kind::Extension, "all-page", "level", Verdict::Failed),
        outcome(Kind::Relay, "page-lamp", "operates", Verdict::Skipped),
        outcome(Kind::Card, "usb", "full-scale", Verdict::Measured),
        outcome(Kind::Zone, "yard", "smell", Verdict::Passed),
        outcome(Kind::Zone, "attic", "heard", Verdict::Passed),
        // The later one counts.
        outcome(Kind::Zone, "sawmill", "heard", Verdict::Failed),
        outcome(Kind::Zone, "sawmill", "heard", Verdict::Passed),
    ];
    let of = |kind, name: &str| {
        let all = things(&plan, &outcomes);
        all.into_iter()
            .find(|thing| thing.kind == kind && thing.name == name)
            .unwrap()
            .standing
    };
    assert_eq!(of(Kind::Extension, "yard-page"), Standing::Passed);
    assert_eq!(of(Kind::Extension, "all-page"), Standing::Failed);
    assert_eq!(of(Kind::Group, "weighbridge"), Standing::NotTried);
    assert_eq!(of(Kind::Relay, "page-lamp"), Standing::Skipped);
    assert_eq!(of(Kind::Card, "usb"), Standing::Measured);
    assert_eq!(of(Kind::Zone, "sawmill"), Standing::Passed);
    let mut given = given(&plan);
    given.unread = 2;
    given.changed = Some("2027-03-05".to_owned());
    let told = markdown(&record(&plan, &outcomes, &given));
    let from = told.find("### Not tried").unwrap() + 3;
    let list = &told[from..from + told[from..].find("###").unwrap()];
    assert!(list.contains("weighbridge") && !list.contains("all-page"), "{list}");
    for wanted in [
        "smell",
        "no longer in the config",
        "attic",
        "2 lines of the logbook",
        "changed on 2027-03-05, after 8 of these 8",
    ] {
        assert!(told.contains(wanted), "{wanted}");
    }
    // Without a logbook nothing is claimed.
    let told = markdown(&record(&plan, &[], &given));
    assert!(told.contains("Nothing of this has been measured or tried"));
}

/// On the same day nothing but the values shows it.
#[test]
fn a_value_that_was_measured_and_set_otherwise_is_told() {
    let told = |full_scale: &str, gain: &str| {
        let plan = read(&format!(
            "[site]\nname = 'Quayside Timber'\n[cards.usb]\noutput = 'null'\n{full_scale}\n\
             [zones.yard]\ncard = 'usb'\nchannel = 1\ngain = '{gain}'\n"
        ));
        let value = |kind, name: &str, step: &str, value: f64, unit: &str| Outcome {
            value: Some((value, unit.to_owned())),
            ..outcome(kind, name, step, Verdict::Measured)
        };
        let outcomes = [
            value(Kind::Card, "usb", "full-scale", 4.149_999, "dBm"),
            value(Kind::Zone, "yard", "gain", -12.0, "dB"),
        ];
        let told = markdown(&record(&plan, &outcomes, &given(&plan)));
        (
            told.contains("full scale of card usb was"),
            told.contains("gain of zone yard was"),
        )
    };
    assert_eq!(told("full_scale = '+4.1 dBm'", "-12 dB"), (false, false));
    assert_eq!(told("full_scale = '+5 dBm'", "-12 dB"), (true, false));
    assert_eq!(told("", "-9 dB"), (true, true));
}

/// What a caller hears, by what the switchboard and the gates do (README, "How a page runs").
#[test]
fn tones_are_those_that_can_come() {
    let heard = |plan: &Plan| tones(plan).into_iter().map(|(tone, _)| tone).collect::<Vec<_>>();
    let simple = heard(&shipped("quayside-simple.toml"));
    assert_eq!(
        simple,
        [
            "One short beep",
            "Two very short beeps",
            "Busy tone at once",
            "Busy tone while you speak"
        ]
    );
    let gates = heard(&shipped("quayside-gates.toml"));
    assert!(gates.starts_with(&[
        "Two notes, rising",
        "The same short note twice",
        "Two long notes, falling"
    ]));
    let base = "[site]\nname = 'a'\n[cards.a]\noutput = 'null'\n[zones.b]\ncard = 'a'\nchannel = 1\n[sip]\nnetworks = ['192.0.2.1']\n\
                [extensions.c]\nuser = '1'\nzones = ['b']\n";
    assert!(heard(&read(&format!("{base}when_busy = 'wait'\n"))).contains(&"A soft note every 3 seconds"));
    assert!(heard(&read(&format!("{base}when_busy = 'record'\n"))).contains(&"One long beep"));
    let first = heard(&read(&format!("{base}record_first = true\n")));
    assert!(first.contains(&"One long beep") && !first.contains(&"One short beep"));
    assert!(!heard(&read(&format!("{base}warning = 'none'\n"))).contains(&"Two very short beeps"));
}

#[test]
fn ways_name_number_code_and_key() {
    let plan = shipped("quayside-gates.toml");
    let ways: Vec<String> = calls(&plan).into_iter().map(|way| way.what).collect();
    assert_eq!(
        ways,
        [
            "Dial 850",
            "Dial 8501",
            "Dial 8502",
            "Dial 851, code, then 1",
            "Dial 851, code, then 2",
            "Dial 851, code, then 9",
            "Dial 851, code, then no key"
        ]
    );
    let plan = shipped("quayside-multi.toml");
    let ways: Vec<String> = calls(&plan).into_iter().map(|way| way.what).collect();
    assert_eq!(ways, ["Dial 851", "Call \"night\""]);
}
