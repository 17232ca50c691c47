//! What one board has of its own beside a config that many share: `quayside.toml.d/*.toml`.

use std::path::{Path, PathBuf};

use hornwire::config::{self, Loaded, MAX_SITE_FILES};

use crate::Scratch;

const SHARED: &str = r#"
[site]
name = "Quayside Timber"
[cards.line]
output = "null"
[zones.yard]
card = "line"
channel = 1
gain = "-6 dB"
[sip]
networks = ["192.0.2.0/24"]
[extensions.page]
registrar = "none"
user = "850"
zones = ["yard"]
[defaults.extensions]
priority = 30
"#;

fn with(scratch: &Scratch, files: &[(&str, &str)]) -> PathBuf {
    let config = scratch.file("quayside.toml", SHARED, 0o644);
    std::fs::create_dir_all(config::site_folder(&config)).unwrap();
    for (name, text) in files {
        scratch.file(&format!("quayside.toml.d/{name}"), text, 0o644);
    }
    config
}

fn load(config: &Path) -> Loaded {
    config::load_with(config, None).unwrap()
}

/// File name, line and key of each problem.
fn problems(loaded: &Loaded) -> Vec<(String, usize, String)> {
    let told = loaded.problems.iter().map(|p| {
        let file = Path::new(&p.file).file_name().unwrap().to_string_lossy().into_owned();
        (file, p.place.map_or(0, |place| place.line), p.key.clone())
    });
    told.collect()
}

#[test]
fn a_board_s_own_keys_take_the_place_of_the_shared_ones() {
    let scratch = Scratch::new();
    let config = with(
        &scratch,
        &[
            // By their names, whatever the order of making.
            (
                "50-shed.toml",
                "[extensions.page]\nuser = \"852\"\nzones = [\"yard\", \"shed\"]\n[zones.shed]\ncard = \"line\"\nchannel = 2\n",
            ),
            (
                "10-site.toml",
                "[site]\nname = \"Quayside Timber, sawmill\"\n[extensions.page]\nuser = \"851\"\n[defaults.extensions]\npriority = 40\n",
            ),
            ("notes.txt", "not read"),
            (".hidden.toml", "nor this"),
        ],
    );
    let loaded = load(&config);
    assert_eq!(problems(&loaded), []);
    let plan = loaded.plan.unwrap();
    assert_eq!(plan.site, "Quayside Timber, sawmill");
    assert_eq!(plan.extensions[0].paging.priority.0, 40);
    assert_eq!(plan.extensions.len(), 1);
    let zones: Vec<&str> = plan.zones.iter().map(|zone| zone.name.as_str()).collect();
    assert_eq!(zones, ["yard", "shed"]);
    // What is not written there stays.
    assert!((plan.zones[0].gain.0 + 6.0).abs() < 1e-6);
    let names: Vec<_> = loaded
        .site
        .iter()
        .map(|file| file.file_name().unwrap().to_str().unwrap())
        .collect();
    assert_eq!(names, ["10-site.toml", "50-shed.toml"]);
}

#[test]
fn each_problem_names_its_own_file_and_line() {
    let scratch = Scratch::new();
    let config = with(
        &scratch,
        &[
            ("a.toml", "# the board's own\n[zones.yard]\nchanel = 2\n"),
            ("b.toml", "\n\n[extensions.page]\nzones = [\"yrad\"]"),
            ("c.toml", "[cards.line]\noutput = \"alsa:\"\n"),
        ],
    );
    let loaded = load(&config);
    assert!(loaded.plan.is_none());
    let expected = [
        // What comes of it: a warning.
        ("quayside.toml", 6, "zones.yard"),
        ("a.toml", 3, "zones.yard.chanel"),
        ("b.toml", 4, "extensions.page.zones"),
        ("c.toml", 2, "cards.line.output"),
    ];
    let expected: Vec<_> = expected
        .map(|(file, line, key)| (file.to_owned(), line, key.to_owned()))
        .into();
    assert_eq!(problems(&loaded), expected);
    let text = loaded.problems[1].to_string();
    assert!(
        text.contains("quayside.toml.d/a.toml:3:1: error") && text.contains("`channel`"),
        "{text}"
    );
}

/// A mistake in the shared file that a board's own file mends is none.
#[test]
fn a_key_that_is_replaced_is_not_looked_at() {
    let scratch = Scratch::new();
    let config = with(&scratch, &[("own.toml", "[zones.yard]\nchannel = 2\n")]);
    let shared = SHARED.replace("channel = 1", "channel = 77");
    scratch.file("quayside.toml", shared, 0o644);
    let loaded = load(&config);
    assert_eq!(problems(&loaded), []);
}

#[test]
fn what_is_no_toml_and_what_cannot_be_read() {
    let scratch = Scratch::new();
    let config = with(
        &scratch,
        &[
            ("a.toml", "[site]\nname = \"x\n"),
            ("b.toml", "[zones.yard]\nlead = \"9 h\"\n"),
        ],
    );
    let loaded = load(&config);
    assert!(loaded.plan.is_none());
    assert!(
        problems(&loaded).contains(&("a.toml".to_owned(), 2, String::new())),
        "{:?}",
        problems(&loaded)
    );
    assert!(problems(&loaded).contains(&("b.toml".to_owned(), 2, "zones.yard.lead".to_owned())));
    scratch.file("quayside.toml.d/a.toml", [0xff, 0xfe, b'x'], 0o644);
    assert!(problems(&load(&config)).iter().any(|(file, ..)| file == "a.toml"));
    // A folder in place of a file.
    std::fs::remove_file(config::site_folder(&config).join("a.toml")).unwrap();
    std::fs::create_dir(config::site_folder(&config).join("a.toml")).unwrap();
    let loaded = load(&config);
    assert!(
        loaded.plan.is_none() && loaded.problems.iter().any(|p| p.found.contains("a directory")),
        "{:?}",
        loaded.problems
    );
}

#[test]
fn there_are_not_endlessly_many() {
    let scratch = Scratch::new();
    let names: Vec<String> = (0..=MAX_SITE_FILES).map(|n| format!("{n:03}.toml")).collect();
    let files: Vec<(&str, &str)> = names.iter().map(|name| (name.as_str(), "")).collect();
    let config = with(&scratch, &files);
    let loaded = load(&config);
    assert!(loaded.plan.is_none());
    assert!(loaded.problems[0].found.contains("33 files"), "{:?}", loaded.problems);
    std::fs::remove_dir_all(config::site_folder(&config)).unwrap();
    let large = "#".repeat(150 * 1024);
    let config = with(&scratch, &[("a.toml", &large), ("b.toml", &large)]);
    assert!(load(&config).problems[0].found.contains("too much"));
}

/// Relays of the board's own file go to rest, whatever is wrong elsewhere.
#[test]
fn relays_of_a_board_s_own_file_go_to_rest() {
    let scratch = Scratch::new();
    let config = with(
        &scratch,
        &[(
            "own.toml",
            "[relays.trigger]\nline = \"simulated\"\n[zones.yard]\ntrigger = [\"trigger\"]\nchannel = 99\n",
        )],
    );
    let loaded = load(&config);
    assert!(loaded.plan.is_none());
    assert_eq!(loaded.relays.len(), 1);
}

/// What cannot be read may be about a relay: none is driven by half of a config.
#[test]
fn no_relay_is_driven_while_a_file_is_not_read() {
    let scratch = Scratch::new();
    let config = with(&scratch, &[("own.toml", "")]);
    let shared = format!("{SHARED}[relays.trigger]\nline = \"simulated\"\nactive = \"low\"\n");
    scratch.file("quayside.toml", shared, 0o644);
    assert_eq!(load(&config).relays.len(), 1);
    scratch.file("quayside.toml.d/own.toml", [0xff, b'x'], 0o644);
    assert!(load(&config).relays.is_empty());
    std::fs::remove_file(config::site_folder(&config).join("own.toml")).unwrap();
    std::fs::create_dir(config::site_folder(&config).join("own.toml")).unwrap();
    assert!(load(&config).relays.is_empty());
}

/// Long files, and mistakes at their ends, are told of the right one.
#[test]
fn long_files_and_open_ends() {
    let scratch = Scratch::new();
    let config = with(
        &scratch,
        &[
            ("a.toml", "[site]\nname = \"\"\"\n"),
            ("b.toml", "[zones.yard]\ngain = \"-3 dB\"\n"),
        ],
    );
    let long = format!("{SHARED}\n{}", "# a remark\n".repeat(9000));
    assert!(long.len() > 70_000);
    scratch.file("quayside.toml", long, 0o644);
    let told = problems(&load(&config));
    assert!(told.iter().all(|(file, ..)| file == "a.toml"), "{told:?}");
    scratch.file("quayside.toml.d/a.toml", "", 0o644);
    let loaded = load(&config);
    assert_eq!(problems(&loaded), []);
    assert!((loaded.plan.unwrap().zones[0].gain.0 + 3.0).abs() < 1e-6);
}
