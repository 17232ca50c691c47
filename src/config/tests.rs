//! The table of keys against the reader and the builder.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use toml::de::DeValue;

use super::problem::{Problems, nearest};
use super::schema::{Absent, DEFAULTS, Key, SECTIONS, Section};
use super::{Severity, check_text, value};

/// Reads a value of the table; it must be free of problems.
fn fits(section: &Section, key: &'static Key, text: &str) -> value::Value {
    let parsed = DeValue::parse(text).unwrap_or_else(|e| panic!("{}.{}: {e}", section.path, key.name));
    let mut problems = Problems::new("table", text);
    let value = value::read(key, key.name, &parsed, &mut problems);
    let problems = problems.into_list();
    assert!(
        problems.is_empty(),
        "{}.{} = {text}: {}",
        section.path,
        key.name,
        problems[0]
    );
    value.unwrap()
}

#[test]
fn examples_and_defaults_of_the_table_are_fit() {
    for section in SECTIONS {
        for key in section.keys {
            let example = fits(section, key, key.example);
            if let Absent::Default(default) = key.absent {
                let default = fits(section, key, default);
                // Otherwise the next test could not tell whether a key has any effect.
                assert_ne!(
                    default, example,
                    "{}.{}: the example is the default",
                    section.path, key.name
                );
            }
        }
    }
}

/// A file with one table of each section.
fn minimal(section: &str, line: &str) -> String {
    let mut out = String::new();
    for (header, path, lines) in [
        ("[site]", "site", "name = 'Quayside'"),
        ("[secrets]", "", "credential = 'secrets'"),
        ("[codes.gatehouse]", "codes", "secret = 'gatehouse'"),
        ("[codes.kiln]", "", "secret = 'kiln'"),
        ("[cards.usb]", "cards", "output = 'null'"),
        ("[relays.yard-trigger]", "relays", "line = 'simulated'"),
        ("[relays.yard-mute]", "", "line = 'simulated'"),
        ("[zones.yard]", "zones", "card = 'shed'\nchannel = 2"),
        ("[zones.shed]", "", "card = 'shed'\nchannel = 3"),
        ("[zones.sawmill]", "", "card = 'shed'\nchannel = 4"),
        ("[cards.shed]", "", "output = 'null'\nchannels = 4"),
        ("[sip]", "sip", "networks = ['198.51.100.0/24']"),
        ("[extensions.yard-page]", "extensions", "user = '1'\nzones = ['shed']"),
        (
            "[groups.weighbridge]",
            "groups",
            "address = '239.255.10.9:5008'\nzones = ['shed']",
        ),
        ("[inputs.workshop]", "inputs", "input = 'null'\nzones = ['shed']"),
        (
            "[music.yard-music]",
            "music",
            "input = 'wav:/var/lib/music.wav'\nzones = ['shed']",
        ),
        (
            "[contacts.night-bell]",
            "contacts",
            "line = 'gpiochip0:9'\nzones = ['shed']",
        ),
        (
            "[schedules.shift-bell]",
            "schedules",
            "at = ['Mon-Fri 06:00']\nzones = ['shed']",
        ),
        ("[quiet_hours.night]", "quiet_hours", "hours = ['daily 22:00-06:00']"),
        ("[control]", "control", "priority = 40"),
        ("[metrics]", "metrics", "listen = '127.0.0.1:9000'"),
        ("[amplifiers.old]", "amplifiers", "zones = ['shed']"),
        ("[zone_groups.everywhere]", "zone_groups", "zones = ['shed']"),
        ("[zone_groups.drying]", "", "zones = ['sawmill']"),
        ("[codes.foreman]", "", "secret = 'kiln'\nzones = ['everywhere']"),
        ("[vetoes.alarm]", "vetoes", "line = 'gpiochip0:10'\nzones = ['shed']"),
    ] {
        out.push_str(header);
        out.push('\n');
        let key = line.split(' ').next().unwrap();
        for old in lines.lines() {
            if path != section || !old.starts_with(&format!("{key} =")) {
                out.push_str(old);
                out.push('\n');
            }
        }
        if path == section {
            out.push_str(line);
            out.push('\n');
        }
    }
    out
}

/// A directory with the stored codes of [`minimal`]. Made by the reference implementation:
/// `printf 7391 | argon2 quaysidesalt -id -t 3 -k 4096 -p 1 -l 32 -e`.
fn credentials() -> &'static Path {
    static DIRECTORY: OnceLock<PathBuf> = OnceLock::new();
    DIRECTORY.get_or_init(|| {
        let directory = std::env::temp_dir().join(format!("hornwire-keys-{}", std::process::id()));
        std::fs::create_dir_all(&directory).unwrap();
        let stored = "$argon2id$v=19$m=4096,t=3,p=1$cXVheXNpZGVzYWx0$cy6vLh4aZ46lkbd8wdJsKV6McRK4goEBsYx1PD9jII0";
        let lines = format!("gatehouse = '{stored}'\nkiln = '{stored}'\n");
        std::fs::write(directory.join("secrets"), lines).unwrap();
        directory
    })
}

fn plan_text(text: &str) -> String {
    let loaded = check_text(text, Path::new("test.toml"), Some(credentials()));
    let errors: Vec<String> = loaded
        .problems
        .iter()
        .filter(|p| p.severity == Severity::Error)
        .map(ToString::to_string)
        .collect();
    assert!(errors.is_empty(), "{text}\n{}", errors.join("\n"));
    format!("{:?}", loaded.plan.unwrap())
}

/// A key that is read but changes nothing would be a lie to the installer.
#[test]
fn every_key_changes_the_plan() {
    let before = plan_text(&minimal("", ""));
    // Those that name files have their own tests.
    for section in SECTIONS
        .iter()
        .filter(|s| !["secrets", "tls", "messages"].contains(&s.path))
    {
        for key in section.keys {
            // The secret itself has its own tests.
            if ["secret", "srtp_key", "srtp_suite"].contains(&key.name) {
                continue;
            }
            let mut line = format!("{} = {}", key.name, key.example);
            if key.name == "payload_type" {
                line.push_str("\ncodec = 'opus'");
            }
            if section.path == "relays" && ["zones", "blinks"].contains(&key.name) {
                line.push_str("\nshows = 'page'");
            }
            if key.name == "auth_user" || key.name == "outbound_proxy" {
                line.push_str("\nregistrar = 'sip:pbx.quayside.example'");
            }
            let after = plan_text(&minimal(section.path, &line));
            assert_ne!(before, after, "{}.{} has no effect", section.path, key.name);
        }
    }
}

#[test]
fn shared_keys_are_inherited_and_overruled() {
    for (path, of) in DEFAULTS {
        let section = SECTIONS.iter().find(|s| s.path == *of).unwrap();
        assert_eq!(section.defaults, Some(*path));
        for key in section.keys.iter().filter(|k| k.shared) {
            let with = if key.name == "payload_type" {
                "\ncodec = 'opus'"
            } else {
                ""
            };
            let line = format!("{} = {}{with}", key.name, key.example);
            let inherited = plan_text(&format!("{}[{path}]\n{line}\n", minimal("", "")));
            let own = plan_text(&minimal(of, &line));
            assert_eq!(inherited, own, "{path}.{}", key.name);
            if let Absent::Default(default) = key.absent {
                let overruled = format!(
                    "{}[{path}]\n{line}\n",
                    minimal(of, &format!("{} = {default}", key.name))
                );
                assert_eq!(
                    plan_text(&overruled),
                    plan_text(&minimal("", "")),
                    "{path}.{}",
                    key.name
                );
            }
        }
    }
}

#[test]
fn the_reference_names_every_key_and_default() {
    let reference = super::reference();
    assert!(reference.lines().all(|l| l.chars().count() <= 120));
    let flat = reference.split_whitespace().collect::<Vec<_>>().join(" ");
    for section in SECTIONS {
        assert!(reference.contains(&format!("## [{}", section.path)), "{}", section.path);
        let mut names = BTreeSet::new();
        for key in section.keys {
            assert!(names.insert(key.name), "{}.{} is there twice", section.path, key.name);
            assert!(
                key.doc.ends_with('.') || key.doc.ends_with(')'),
                "{}.{}: {}",
                section.path,
                key.name,
                key.doc
            );
            assert!(
                flat.contains(&format!("- `{}`: {}.", key.name, key.kind.describe())),
                "{}",
                key.name
            );
            if let Absent::Default(default) = key.absent {
                assert!(flat.contains(&format!("Default: `{default}`.")));
            }
        }
    }
}

#[test]
fn nearest_names() {
    let zones = ["yard", "sawmill", "drying-shed", "office"];
    assert_eq!(nearest("yrad", zones), Some("yard"));
    assert_eq!(nearest("Yard", zones), Some("yard"));
    assert_eq!(nearest("sawmil", zones), Some("sawmill"));
    assert_eq!(nearest("drying_shed", zones), Some("drying-shed"));
    assert_eq!(nearest("gate", zones), None);
    assert_eq!(nearest("", zones), None);
    assert_eq!(nearest(&"yard".repeat(1000), zones), None);
}
