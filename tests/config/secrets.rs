//! Secrets: where they come from, and that nothing ever shows them.

use std::path::Path;

use hornwire::config::{self, Loaded, Severity};

use super::{Scratch, compare, read, source};

const MAIN: &str = r#"
[site]
name = "Quayside Timber"
[cards.usb]
output = "null"
[zones.yard]
card = "usb"
channel = 1
[secrets]
SECRETS
[extensions.yard-page]
registrar = "sip:pbx.quayside.example"
user = "850"
secret = "yard-page"
zones = ["yard"]
"#;

fn told(loaded: &Loaded) -> String {
    loaded.problems.iter().map(|p| format!("{p}\n\n")).collect()
}

/// Loads [`MAIN`] with this [secrets] line; `secrets` is written to `s.toml` with `mode`.
fn load(line: &str, secrets: &[u8], mode: u32, credentials: bool) -> (Loaded, String) {
    let scratch = Scratch::new();
    let path = scratch.file("main.toml", MAIN.replace("SECRETS", line), 0o644);
    scratch.file("s.toml", secrets, mode);
    let loaded = config::load_with(&path, credentials.then_some(scratch.0.as_path())).unwrap();
    let told = told(&loaded).replace(&format!("{}/", scratch.0.display()), "");
    (loaded, told)
}

fn password(loaded: &Loaded) -> Option<&str> {
    Some(loaded.plan.as_ref()?.extensions[0].password.as_ref()?.reveal())
}

const GOOD: &[u8] = b"yard-page = \"plank-otter-42\"\n";

#[test]
fn from_a_file_beside_the_config() {
    let (loaded, told) = load("file = 's.toml'", GOOD, 0o600, false);
    assert_eq!((password(&loaded), told.as_str()), (Some("plank-otter-42"), ""));
    let debug = format!("{:?} {:#?}", loaded.plan, loaded);
    assert!(
        debug.contains("Secret(…)") && !debug.contains("plank-otter-42"),
        "{debug}"
    );
}

#[test]
fn from_a_credential() {
    let (loaded, told) = load("credential = 's.toml'", GOOD, 0o644, true);
    // The service manager keeps credentials; their mode is its affair.
    assert_eq!((password(&loaded), told.as_str()), (Some("plank-otter-42"), ""));
    let (loaded, told) = load("credential = 's.toml'", GOOD, 0o600, false);
    assert!(loaded.plan.is_none());
    assert!(told.contains("main.toml:10:14: error: secrets.credential"), "{told}");
    assert!(told.contains("CREDENTIALS_DIRECTORY"), "{told}");
    let (_, told) = load("credential = '../s.toml'", GOOD, 0o600, true);
    assert!(told.contains("secrets.credential"), "{told}");
}

/// By hand what the unit would hand over is found beside the config, and it is root's alone.
#[test]
fn what_lies_beside_in_place_of_a_credential() {
    for (mode, is_open) in [(0o600, false), (0o640, false), (0o644, true), (0o606, true)] {
        let (loaded, told) = load("credential = 's'", GOOD, mode, false);
        assert_eq!(password(&loaded), Some("plank-otter-42"));
        assert_eq!(told.is_empty(), !is_open, "{mode:o}: {told}");
        if is_open {
            assert!(
                told.starts_with(&format!("s.toml: warning\n    found   mode {mode:03o}")),
                "{told}"
            );
            assert!(
                told.contains("hint    chown root:root s.toml && chmod 600 s.toml\n"),
                "{told}"
            );
        }
    }
}

#[test]
fn a_placeholder_is_warned_about() {
    for (value, is_one) in [
        ("EDIT: the extension's password", true),
        (" EDIT", true),
        ("edition-42", false),
        ("knot-EDIT", false),
    ] {
        let text = format!("# none\nyard-page = \"{value}\"\n");
        let (loaded, told) = load("file = 's.toml'", text.as_bytes(), 0o600, false);
        assert_eq!(password(&loaded), Some(value), "{told}");
        assert_eq!(told.starts_with("s.toml:2:13: warning: yard-page\n"), is_one, "{told}");
        assert_eq!(told.is_empty(), !is_one, "{told}");
        assert!(!told.contains("the extension's password"), "{told}");
    }
}

#[test]
fn both_or_none() {
    let (loaded, told) = load("file = 's.toml'\ncredential = 's.toml'", GOOD, 0o600, true);
    assert!(
        loaded.plan.is_none() && told.contains("both `file` and `credential`"),
        "{told}"
    );
    let (loaded, told) = load("", GOOD, 0o600, true);
    assert!(
        loaded.plan.is_none() && told.contains("a secret, but no secrets file"),
        "{told}"
    );
    assert!(
        told.starts_with("main.toml:14:10: error: extensions.yard-page.secret"),
        "{told}"
    );
}

#[test]
fn a_file_that_others_can_read_is_warned_about() {
    for mode in [0o644, 0o604, 0o602, 0o666] {
        let (loaded, told) = load("file = 's.toml'", GOOD, mode, false);
        assert!(loaded.plan.is_some());
        assert!(
            told.starts_with(&format!("s.toml: warning\n    found   mode {mode:03o}")),
            "{told}"
        );
        assert!(
            told.contains("hint    chgrp hornwire s.toml && chmod 640 s.toml"),
            "{told}"
        );
    }
    for mode in [0o600, 0o400, 0o640] {
        assert_eq!(load("file = 's.toml'", GOOD, mode, false).1, "");
    }
}

#[test]
fn a_line_that_replaces_another_and_left_it_there() {
    let text = b"yard-page = 'plank-otter-42'\nyard-page = 'plank-otter-43'\n";
    let (loaded, told) = load("file = 's.toml'", text, 0o600, false);
    assert!(loaded.plan.is_none());
    assert!(
        told.starts_with("s.toml:2:1: error\n    found   a name for the second time"),
        "{told}"
    );
    assert!(
        told.contains("take the old line out") && !told.contains("otter"),
        "{told}"
    );
}

#[test]
fn a_file_that_is_not_there() {
    let (loaded, told) = load("file = 'other.toml'", GOOD, 0o600, false);
    assert!(loaded.plan.is_none());
    assert!(
        told.starts_with("main.toml:10:8: error: secrets.file\n    found   other.toml: no such file"),
        "{told}"
    );
    // Only the cause is told, not that every secret is missing too.
    assert_eq!(loaded.problems.len(), 1);
    let (_, told) = load("file = '.'", GOOD, 0o600, false);
    assert!(told.contains("a directory, not a file"), "{told}");
    let (_, told) = load("file = '/dev/zero'", GOOD, 0o600, false);
    assert!(told.contains("not a regular file"), "{told}");
}

#[test]
fn a_missing_secret_gets_the_nearest_name() {
    let (loaded, told) = load("file = 's.toml'", b"yard_page = 'plank-otter-42'\n", 0o600, false);
    assert!(loaded.plan.is_none());
    assert!(
        told.contains("did you mean \"yard_page\"?") && !told.contains("otter"),
        "{told}"
    );
}

/// All that the messages about secrets may say, and that no value of either file is in them.
#[test]
fn no_message_shows_a_secret() {
    let scratch = Scratch::new();
    let directory = source("tests/config/bad");
    let path = scratch.file("secrets.toml", read(&directory.join("secrets.toml")), 0o644);
    scratch.file("secrets.faulty", read(&directory.join("secrets.faulty")), 0o644);
    let loaded = config::load_with(&path, None).unwrap();
    let told = told(&loaded).replace(&format!("{}/", scratch.0.display()), "");
    for secret in ["hunter2", "22334455", "12345678", "bell"] {
        assert!(!told.contains(secret), "{secret} is told:\n{told}");
        assert!(!format!("{loaded:?}").contains(secret), "{secret} is in the debug text");
    }
    compare(&directory.join("secrets.txt"), &told);
}

/// Lines that cannot be read, with a password on them, in both files.
#[test]
fn no_syntax_error_shows_a_secret() {
    for line in [
        "yard-page = hunter2",
        "yard-page = \"hunter2",
        "yard-page = 'hunter2",
        "yard-page = \"hunter2\\x\"",
        "yard-page = \"\\hunter2\"",
        "yard-page: hunter2",
        "hunter2",
        "\"hunter2\" = hunter2",
        "[hunter2",
        "yard-page = \"a\" hunter2",
        "yard-page = 07hunter2",
        "yard-page = \"\\uhunter2\"",
        "x = \"hunter2\"\nx = \"hunter2\"",
        "yard-page = {hunter2",
        "yard-page = \"\"\"hunter2",
        "yard-page.hunter2 = \"x\"",
        "yard-page = ['hunter2']",
    ] {
        let (loaded, told) = load("file = 's.toml'", line.as_bytes(), 0o600, false);
        assert!(loaded.plan.is_none(), "{line}");
        assert!(!told.contains("hunter2"), "{line}:\n{told}");
        assert!(told.contains("s.toml"), "{line}:\n{told}");
    }
    for line in [
        "secret = hunter2",
        "secret = \"hunter2",
        "secret: hunter2",
        "secret = 'hunter2' x",
        "password hunter2",
    ] {
        let text = MAIN.replace("secret = \"yard-page\"", line).replace("SECRETS", "");
        let loaded = config::check_text(&text, Path::new("main.toml"), None);
        let told = told(&loaded);
        assert!(loaded.problems.iter().any(|p| p.severity == Severity::Error), "{line}");
        assert!(!told.contains("hunter2"), "{line}:\n{told}");
    }
}

#[test]
fn a_secrets_file_that_is_no_text() {
    for octets in [&b"\xff\xfeyard"[..], &vec![b'#'; 70_000], b"yard-page = \"a\xe4b\"\n"] {
        let (loaded, told) = load("file = 's.toml'", octets, 0o600, false);
        assert!(loaded.plan.is_none());
        assert!(told.starts_with("main.toml:10:8: error: secrets.file"), "{told}");
    }
}

/// A group's key: base64 or hexadecimal, of the suite's length (RFC 4568 §6.2, RFC 6188 §4).
#[test]
fn keys_of_groups() {
    const KEY: &str = "PS1uQCVeeCFCanVmcjkpPywjNWhcYD0mXXtxaVBR";
    const HEX: &str = "3d2d6e40255e7821426a75667239293f2c2335685c603d265d7b71695051";
    let long = "00ff".repeat(23);
    let load = |key: &str, suite: &str| {
        let scratch = Scratch::new();
        let group = format!(
            "{}\n[groups.dispatch]\naddress = '239.255.10.1:5004'\nsrtp_key = 'dispatch'\nsrtp_suite = '{suite}'\nzones = ['yard']\n",
            MAIN.replace("SECRETS", "file = 's.toml'")
        );
        let path = scratch.file("main.toml", group, 0o644);
        scratch.file("s.toml", format!("yard-page = 'x'\ndispatch = '{key}'\n"), 0o600);
        let loaded = config::load_with(&path, None).unwrap();
        let told = told(&loaded);
        assert!(
            !told.contains(key) && !format!("{:?}", loaded.plan).contains(&key[..8]),
            "{told}"
        );
        (loaded.plan.and_then(|plan| plan.groups[0].srtp), told)
    };
    let (short, told) = load(KEY, "AES_CM_128_HMAC_SHA1_80");
    assert_eq!(told, "");
    let octets: String = short.unwrap().reveal().iter().map(|o| format!("{o:02x}")).collect();
    assert_eq!(octets, HEX, "as Python's base64 decodes it");
    assert_eq!(load(HEX, "AES_CM_128_HMAC_SHA1_80").0, short);
    let (master, _) = load(&long, "AES_256_CM_HMAC_SHA1_32");
    assert_eq!(master.unwrap().suite().name(), "AES_256_CM_HMAC_SHA1_32");
    for (key, suite) in [
        (KEY, "AES_256_CM_HMAC_SHA1_80"),
        (&*long, "AES_CM_128_HMAC_SHA1_80"),
        ("plank-otter-42", "AES_CM_128_HMAC_SHA1_80"),
    ] {
        let (master, told) = load(key, suite);
        assert_eq!(master, None);
        assert!(
            told.contains("groups.dispatch.srtp_key") && told.contains("openssl rand -base64"),
            "{told}"
        );
    }
}
