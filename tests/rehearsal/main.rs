//! `hornwire rehearse`: the scenarios of `config/`, and one with every way to lose, against what was looked through by hand and
//! stored; what it says of a moment; what is wrong with a scenario. `HORNWIRE_BLESS=1` stores anew.

#![allow(clippy::disallowed_methods)]

use std::path::{Path, PathBuf};
use std::process::Command;

mod heap;
mod year;

#[path = "../config/stored.rs"]
mod stored;

fn source(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn rehearse(arguments: &[&str]) -> (Option<i32>, String, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_hornwire"))
        .arg("rehearse")
        .args(arguments)
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .unwrap();
    let text = |octets: &[u8]| String::from_utf8(octets.to_vec()).unwrap();
    (output.status.code(), text(&output.stdout), text(&output.stderr))
}

fn outcome(scenario: &str, name: &str) {
    let (code, out, err) = rehearse(&[scenario]);
    assert_eq!((code, err.as_str()), (Some(0), ""));
    stored::compare(&source(&format!("tests/rehearsal/{name}.txt")), &out);
}

#[test]
fn a_morning() {
    outcome("config/quayside-morning.scenario", "morning");
}

#[test]
fn a_yard() {
    outcome("config/quayside-yard.scenario", "yard");
}

#[test]
fn at_the_gates() {
    outcome("config/quayside-gates.scenario", "gates");
}

#[test]
fn every_way_to_lose() {
    outcome("tests/rehearsal/terms.scenario", "terms");
}

#[test]
fn who_was_heard_and_why() {
    let mut out = String::new();
    for (scenario, time, zone) in [
        ("config/quayside-morning.scenario", "06:00:12", "yard"),
        ("config/quayside-morning.scenario", "06:01:15", "yard"),
        ("config/quayside-morning.scenario", "20:10:05", "yard"),
        ("config/quayside-yard.scenario", "10:00:05.5", "yard"),
        ("config/quayside-yard.scenario", "10:07:12", "sawmill"),
        ("config/quayside-gates.scenario", "17:03:20", "yard"),
        ("config/quayside-gates.scenario", "17:00:40", "yard"),
        ("tests/rehearsal/terms.scenario", "10:01:07", "yard"),
        ("tests/rehearsal/terms.scenario", "10:06:05", "yard"),
        ("tests/rehearsal/terms.scenario", "10:08:04", "office"),
        ("tests/rehearsal/terms.scenario", "10:12:30", "office"),
        ("tests/rehearsal/terms.scenario", "10:17:04", "yard"),
        ("tests/rehearsal/terms.scenario", "10:32:07", "yard"),
        ("tests/rehearsal/terms.scenario", "10:32:30", "yard"),
    ] {
        let (code, said, err) = rehearse(&[scenario, "--explain", time, zone]);
        assert_eq!((code, err.as_str()), (Some(0), ""));
        out.push_str(&said);
        out.push('\n');
    }
    stored::compare(&source("tests/rehearsal/explained.txt"), &out);
}

/// The picture is well-formed, says who spoke where, and holds nothing that could act in a browser.
#[test]
fn the_timeline() {
    let path = std::env::temp_dir().join(format!("hornwire-timeline-{}.svg", std::process::id()));
    let file = path.to_str().unwrap();
    for scenario in ["config/quayside-morning.scenario", "tests/rehearsal/terms.scenario"] {
        let (code, out, _) = rehearse(&[scenario, "--svg", file]);
        assert_eq!(code, Some(0));
        assert!(out.ends_with(&format!("timeline: {file}\n")));
        let text = std::fs::read_to_string(&path).unwrap();
        let picture = roxmltree::Document::parse(&text).unwrap();
        let words: Vec<&str> = picture.descendants().filter_map(|node| node.text()).collect();
        assert!(words.iter().any(|word| word.contains("yard")));
        assert!(words.iter().any(|word| word.contains("page 1 ")));
        let known = [
            "svg", "title", "style", "defs", "pattern", "rect", "path", "circle", "text",
        ];
        for node in picture.descendants().filter(roxmltree::Node::is_element) {
            assert!(known.contains(&node.tag_name().name()), "{}", node.tag_name().name());
            for attribute in node
                .attributes()
                .filter(|a| ["x", "y", "width", "height"].contains(&a.name()))
            {
                let number = attribute.value().trim_end_matches('%').parse::<f64>().unwrap();
                assert!((0.0..20_000.0).contains(&number), "{attribute:?}");
            }
        }
    }
    let _ = std::fs::remove_file(&path);
}

#[test]
fn what_is_wrong_with_a_scenario() {
    let (code, out, err) = rehearse(&["tests/rehearsal/bad.scenario"]);
    assert_eq!((code, out.as_str()), (Some(65), ""));
    stored::compare(&source("tests/rehearsal/bad.txt"), &err);
    for name in ["names", "shapes"] {
        let (code, _, err) = rehearse(&[&format!("tests/rehearsal/{name}.scenario")]);
        assert_eq!(code, Some(65));
        stored::compare(&source(&format!("tests/rehearsal/{name}.txt")), &err);
    }
    assert_eq!(rehearse(&["tests/rehearsal/none.scenario"]).0, Some(66));
    let check = |file: &str| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_hornwire"));
        command.args(["check", file]).current_dir(env!("CARGO_MANIFEST_DIR"));
        command.output().unwrap().status.code()
    };
    assert_eq!(check("config/quayside-morning.scenario"), Some(0));
    assert_eq!(check("tests/rehearsal/names.scenario"), Some(65));
    let morning = "config/quayside-morning.scenario";
    assert_eq!(rehearse(&[morning, "--explain", "06:00", "garden"]).0, Some(64));
    assert_eq!(rehearse(&[morning, "--explain", "05:00", "yard"]).0, Some(64));
    assert_eq!(rehearse(&[morning, "--svg", "/nowhere/x.svg"]).0, Some(73));
}
