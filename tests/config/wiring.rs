//! `hornwire wiring` as an installer runs it.

use std::process::{Command, Output};

use super::{Scratch, compare, read, source};

fn wiring(scratch: &Scratch, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_hornwire"))
        .arg("wiring")
        .args(arguments)
        .current_dir(&scratch.0)
        .env_remove("CREDENTIALS_DIRECTORY")
        .output()
        .unwrap()
}

fn yard() -> Scratch {
    let scratch = Scratch::new();
    let secrets = read(&source("config/quayside-secrets.toml"));
    scratch.file("quayside-secrets.toml", secrets, 0o600);
    scratch.file("yard.toml", read(&source("config/quayside-yard.toml")), 0o644);
    scratch
}

fn text(octets: &[u8]) -> String {
    String::from_utf8(octets.to_vec()).unwrap()
}

#[test]
fn the_terminal_table_fits_a_terminal() {
    let scratch = yard();
    let output = wiring(&scratch, &["yard.toml", "--date", "2027-03-02"]);
    assert_eq!((output.status.code(), text(&output.stderr).as_str()), (Some(0), ""));
    let table = text(&output.stdout);
    for line in table.lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
    compare(&source("tests/config/wiring.txt"), &table);
}

#[test]
fn each_sheet_is_a_file_of_its_own() {
    let scratch = yard();
    let output = wiring(&scratch, &["yard.toml", "-o", "yard.svg"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let listed = text(&output.stdout);
    assert!(listed.lines().count() > 1, "{listed}");
    let of = listed.lines().count();
    for (i, line) in listed.lines().enumerate() {
        assert_eq!(line, format!("yard-{}.svg", i + 1));
        let svg = read(&scratch.0.join(line));
        let document = roxmltree::Document::parse(&svg).unwrap();
        let root = document.root_element();
        assert_eq!(root.tag_name().namespace(), Some("http://www.w3.org/2000/svg"));
        let title = root
            .children()
            .find(|node| node.has_tag_name(("http://www.w3.org/2000/svg", "title")));
        let wanted = format!("Quayside Timber: wiring as built, sheet {} of {of}", i + 1);
        assert_eq!(title.and_then(|node| node.text()), Some(wanted.as_str()));
    }
}

#[test]
fn parts_and_wires_for_programs() {
    let scratch = yard();
    let output = wiring(&scratch, &["yard.toml", "--json"]);
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let wires = json["wires"].as_array().unwrap();
    let trigger = wires
        .iter()
        .find(|wire| wire["from"]["part"] == "K1" && wire["from"]["terminal"] == "NO");
    assert_eq!(trigger.unwrap()["to"]["part"], "A1");
    assert_eq!(json["parts"][0]["part"], "X1");
    assert_eq!(json["date"], serde_json::Value::Null);
}

#[test]
fn what_cannot_be_done_has_its_exit_code() {
    let scratch = yard();
    scratch.file("bad.toml", "[site]\n", 0o644);
    for (arguments, code) in [
        (vec!["nothing.toml"], 66),
        (vec!["bad.toml"], 78),
        (vec!["yard.toml", "-o", "no/such/place.svg"], 73),
        (vec!["yard.toml", "--date", "the second day of March 2027"], 64),
        (vec!["yard.toml", "--header", "26-pin"], 64),
        (vec!["yard.toml", "-o", "yard.pdf"], 64),
        (vec!["yard.toml", "-o", "yard"], 64),
    ] {
        let output = wiring(&scratch, &arguments);
        assert_eq!(output.status.code(), Some(code), "{arguments:?}");
        assert!(!output.stderr.is_empty(), "{arguments:?}");
    }
}
