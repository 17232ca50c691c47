//! Error text is product: every message is stored in `bad/*.txt` and compared.

use std::path::Path;

use hornwire::config::{self, Severity};

use super::{compare, read, source};

fn messages(name: &str) -> String {
    let path = source("tests/config/bad").join(format!("{name}.toml"));
    let text = read(&path);
    // A bare name, so that the stored text does not depend on where the source tree is.
    let loaded = config::check_text(&text, Path::new(&format!("{name}.toml")), None);
    let mut out = String::new();
    for problem in &loaded.problems {
        assert!(
            !problem.found.is_empty() && !problem.wanted.is_empty() && !problem.hint.is_empty(),
            "{problem}"
        );
    }
    for problem in &loaded.problems {
        out.push_str(&format!("{problem}\n\n"));
    }
    let errors = loaded.problems.iter().any(|p| p.severity == Severity::Error);
    assert_eq!(
        loaded.plan.is_none(),
        errors,
        "{name}: a plan exists when there is no error, and only then"
    );
    out
}

fn stored(name: &str) {
    compare(&source("tests/config/bad").join(format!("{name}.txt")), &messages(name));
}

#[test]
fn wrong_values() {
    stored("values");
}

#[test]
fn wrong_keys() {
    stored("keys");
}

#[test]
fn wrong_levels_and_filters() {
    stored("sound");
}

#[test]
fn wrong_amplifiers() {
    stored("amplifiers");
}

#[test]
fn wrong_stored_messages() {
    stored("messages");
}

#[test]
fn wrong_line_inputs_and_music() {
    stored("lines");
}

#[test]
fn wrong_relays() {
    stored("relays");
}

#[test]
fn wrong_times_and_zone_groups() {
    stored("calendar");
}

#[test]
fn wrong_registrars() {
    stored("registrars");
}

#[test]
fn wrong_together() {
    stored("whole");
}

#[test]
fn not_toml() {
    stored("syntax");
}

#[test]
fn empty_file() {
    stored("nothing");
}

#[test]
fn wrong_shapes() {
    stored("shapes");
}

#[test]
fn too_wide_a_gate() {
    stored("gate");
}

#[test]
fn tls_files_that_do_not_go_together() {
    stored("tls");
}

#[test]
fn gates_that_cannot_open() {
    stored("gates");
}

#[test]
fn encrypted_audio() {
    stored("srtp");
}

#[test]
fn slips_of_the_first_time() {
    stored("slips");
}

#[test]
fn warnings_only() {
    stored("quiet");
}
