//! `hornwire handover`, from outside: its documents, its exit codes, what it writes over.
#![allow(clippy::disallowed_methods)]

#[path = "../config/stored.rs"]
mod stored;

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, SystemTime};

use stored::compare;

/// 2027-03-03, after what stands in the logbook.
const CHANGED: u64 = 1_804_032_000;

fn source(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn read(path: &Path) -> String {
    std::fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// A directory of its own for one test with the yard's config, removed at the end.
struct Scratch(PathBuf);

impl Scratch {
    fn new(name: &str) -> Self {
        let path = std::env::temp_dir().join(format!("hornwire-handover-{}-{name}", std::process::id()));
        std::fs::create_dir_all(&path).unwrap();
        let scratch = Scratch(path);
        for name in ["quayside-yard.toml", "quayside-secrets.toml"] {
            scratch.file(name, &read(&source("config").join(name)));
        }
        let config = std::fs::File::options()
            .write(true)
            .open(scratch.0.join("quayside-yard.toml"))
            .unwrap();
        config
            .set_modified(SystemTime::UNIX_EPOCH + Duration::from_secs(CHANGED))
            .unwrap();
        scratch
    }

    fn file(&self, name: &str, text: &str) {
        use std::os::unix::fs::PermissionsExt as _;
        let path = self.0.join(name);
        std::fs::write(&path, text).unwrap();
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).unwrap();
    }

    /// Exit code, stdout, stderr.
    fn run(&self, arguments: &[&str]) -> (i32, String, String) {
        let output = Command::new(env!("CARGO_BIN_EXE_hornwire"))
            .arg("handover")
            .args(arguments)
            .current_dir(&self.0)
            .env("TZ", "UTC")
            .env_remove("CREDENTIALS_DIRECTORY")
            .output()
            .unwrap();
        let text = |octets: &[u8]| String::from_utf8(octets.to_vec()).unwrap();
        (
            output.status.code().unwrap(),
            text(&output.stdout),
            text(&output.stderr),
        )
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

const LOGBOOK: &str = r#"{"at":"2027-03-02T10:15:00+00:00","by":"R. Alder","kind":"card","name":"usb","step":"full-scale","value":2.5,"unit":"dBm","found":"+2.5 dBm","wanted":"","verdict":"measured","note":""}
{"at":"2027-03-02T10:20:00+00:00","by":"R. Alder","kind":"zone","name":"yard","step":"level","value":-20.2,"unit":"dBm","found":"-20.2 dBm","wanted":"-20 dBm, within 2 dB","verdict":"passed","note":""}
{"at":"2027-03-02T10:25:00+00:00","by":"R. Alder","kind":"extension","name":"yard-page","step":"page","found":"clear","wanted":"heard in yard","verdict":"passed","note":""}
{"at":"2027-03-02T10:28:00+00:00","by":"R. Alder","kind":"extension","name":"all-page","step":"page","found":"not heard in the sawmill","wanted":"heard in yard and sawmill","verdict":"failed","note":"its amplifier was off"}
{"at":"2027-03-02T10:30:00+00:00","by":"R. Alder","kind":"relay","name":"sawmill-trigger","step":"operates","found":"","wanted":"","verdict":"skipped","note":"sawmill locked"}
"#;

#[test]
fn the_documents_of_a_config() {
    let scratch = Scratch::new("documents");
    scratch.file("quayside-yard.logbook", LOGBOOK);
    let (code, out, err) = scratch.run(&[
        "quayside-yard.toml",
        "-o",
        "out/yard",
        "--date",
        "2027-03-04",
        "--customer",
        "Quayside Timber",
        "--phone",
        "01632 960 017",
    ]);
    assert_eq!((code, err.as_str()), (0, ""));
    assert_eq!(
        out,
        "out/yard/handover.html\nout/yard/handover.md\nout/yard/wall.html\nout/yard/wall.md\n"
    );
    for name in ["handover.md", "wall.md", "wall.html"] {
        compare(
            &source("tests/handover").join(name),
            &read(&scratch.0.join("out/yard").join(name)),
        );
    }
    let html = read(&scratch.0.join("out/yard/handover.html"));
    let sheets = html.matches("<figure><svg ").count();
    assert!(sheets > 2, "{sheets} drawings");
}

#[test]
fn its_own_files_are_written_over_and_no_others() {
    let scratch = Scratch::new("over");
    let arguments = ["quayside-yard.toml", "-o", ".", "--date", "2027-03-04"];
    scratch.file("notes.md", "ours");
    scratch.file("wall.md", "old");
    assert_eq!(scratch.run(&arguments).0, 0);
    let first = read(&scratch.0.join("wall.md"));
    assert!(first.starts_with("# Paging"));
    assert_eq!(scratch.run(&arguments).0, 0);
    assert_eq!(read(&scratch.0.join("wall.md")), first);
    assert_eq!(read(&scratch.0.join("notes.md")), "ours");
}

#[test]
fn what_is_known_for_programs() {
    let scratch = Scratch::new("json");
    scratch.file("quayside-yard.logbook", &format!("{LOGBOOK}no outcome\n"));
    let (code, out, err) = scratch.run(&["quayside-yard.toml", "--json"]);
    assert_eq!(code, 0, "{err}");
    assert!(err.contains("line 6"), "{err}");
    let json: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!(json["unread_lines"], 1);
    assert_eq!(json["config_changed"], "2027-03-03");
    assert_eq!(json["ways"][0]["do"], "Dial 850");
    assert_eq!(json["outcomes"].as_array().unwrap().len(), 5);
    let standing = |name: &str| {
        let all = json["tried"].as_array().unwrap();
        all.iter().find(|thing| thing["name"] == name).unwrap()["standing"].clone()
    };
    assert_eq!(standing("all-page"), "failed");
    assert_eq!(standing("weighbridge"), "not tried");
    assert_eq!(json["written"][0], "hornwire-handover/handover.html");
    // Today, where no date is given.
    assert_eq!(json["date"].as_str().unwrap().len(), "2027-03-04".len());
}

#[test]
fn what_cannot_be_done_has_its_exit_code() {
    let scratch = Scratch::new("exit");
    scratch.file("bad.toml", "[site]\n");
    scratch.file("file", "");
    for (arguments, code) in [
        (vec!["nothing.toml"], 66),
        (vec!["bad.toml"], 78),
        (vec!["quayside-yard.toml", "-o", "file/in/it"], 73),
        (vec!["quayside-yard.toml", "--phone", "a\nb"], 64),
        (vec!["quayside-yard.toml", "--customer", " "], 64),
        (vec!["quayside-yard.toml", "--logbook", "none.logbook"], 66),
    ] {
        let (found, _, err) = scratch.run(&arguments);
        assert_eq!(found, code, "{arguments:?}");
        assert!(!err.is_empty(), "{arguments:?}");
    }
}
