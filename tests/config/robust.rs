//! No input makes the reader panic, and what it says about any input holds together.

use std::path::Path;

use hornwire::config::plan::Plan;
use hornwire::config::{self, Loaded, MAX_PROBLEMS, Severity};
use rand::rngs::StdRng;
use rand::seq::IndexedRandom as _;
use rand::{Rng as _, SeedableRng as _};

use super::{read, source};

fn corpus() -> Vec<String> {
    let names = [
        "config/quayside-simple.toml",
        "config/quayside-yard.toml",
        "config/quayside-multi.toml",
    ];
    let bad = ["values", "keys", "whole", "syntax", "secrets", "shapes", "gate"]
        .map(|n| format!("tests/config/bad/{n}.toml"));
    names
        .iter()
        .map(|n| n.to_string())
        .chain(bad)
        .map(|n| read(&source(&n)))
        .collect()
}

/// Everything that must hold of any file.
fn holds(text: &[u8], loaded: &Loaded) {
    let errors = loaded.problems.iter().filter(|p| p.severity == Severity::Error).count();
    assert_eq!(loaded.plan.is_none(), errors > 0);
    assert!(loaded.problems.len() <= MAX_PROBLEMS + 1);
    let lines: Vec<&[u8]> = text.split(|b| *b == b'\n').collect();
    for problem in &loaded.problems {
        if let Some(place) = problem.place {
            // One beyond the end is where something is missing.
            let line = lines
                .get(place.line - 1)
                .unwrap_or_else(|| panic!("no such line: {problem}"));
            let columns = String::from_utf8_lossy(line).chars().count() + 1;
            assert!((1..=columns).contains(&place.column), "no such column: {problem}");
        }
        let complete = !problem.found.is_empty() && !problem.wanted.is_empty() && !problem.hint.is_empty();
        assert!(complete || problem.found.contains("more problems"), "{problem}");
        let told = problem.to_string();
        assert!(told.lines().count() <= 4, "{told}");
        assert!(told.len() < 1200, "{} octets: {told}", told.len());
        assert!(
            !told.chars().any(|c| c.is_control() && c != '\n'),
            "control character in {told:?}"
        );
    }
    if let Some(plan) = &loaded.plan {
        whole(plan);
    }
}

/// A plan's numbers point at what exists.
fn whole(plan: &Plan) {
    assert!(!plan.site.is_empty() && !plan.zones.is_empty());
    for zone in &plan.zones {
        assert!(zone.channel < plan.cards[zone.card].channels, "{}", zone.name);
        for relay in zone.trigger.iter().chain(&zone.mute) {
            assert!(usize::from(relay.0) < plan.relays.len());
        }
        assert!(zone.ceiling.0 <= 0.0 && zone.gain.0.is_finite());
    }
    let sources = plan
        .extensions
        .iter()
        .map(|e| &e.paging)
        .chain(plan.groups.iter().map(|g| &g.paging));
    for paging in sources {
        assert!(!paging.zones.is_empty());
        assert!(paging.zones.iter().all(|z| usize::from(z.0) < plan.zones.len()));
        assert!(paging.priority.0 <= 100);
    }
    for extension in &plan.extensions {
        assert!(!extension.user.is_empty() && !extension.codecs.is_empty());
        assert!((60..=86_400).contains(&extension.expires));
        assert!(!extension.registrars.is_empty() || !plan.sip.networks.is_empty());
    }
    for group in &plan.groups {
        assert!(group.address.ip().is_multicast());
        assert_eq!(group.codec.is_some(), group.payload_type.is_some());
    }
    for card in &plan.cards {
        assert!((96..=4800).contains(&card.period) && (1..=8).contains(&card.channels));
    }
}

fn check(octets: &[u8]) -> Loaded {
    // The text is given, so nothing on the disk is touched but a secrets file, which is not there.
    let text = String::from_utf8_lossy(octets);
    let loaded = config::check_text(&text, Path::new("/nonexistent/mutant.toml"), None);
    holds(text.as_bytes(), &loaded);
    loaded
}

/// The examples and the bad files, mutated: 20,000 files.
#[test]
fn mutants() {
    let corpus = corpus();
    let lines: Vec<&str> = corpus.iter().flat_map(|t| t.lines()).collect();
    let scraps = [
        "\"",
        "'",
        "\"\"\"",
        "[",
        "]",
        "[[",
        "{",
        "}",
        "=",
        ".",
        "#",
        "\n",
        "\r",
        "\0",
        "\\",
        "\\u0000",
        "\u{feff}",
        "é",
        "🔔",
        "-",
        "−",
        "99999999999999999999",
        "-1",
        "0x",
        "1e999",
        "nan",
        "inf",
        "true",
        "1979-05-27",
        "none",
        "\"none\"",
        "[]",
        "{}",
    ];
    let mut random = StdRng::seed_from_u64(0x51de);
    let mut with_plan = 0;
    for _ in 0..20_000 {
        // Without the secrets file a good example stays good.
        let mut text = corpus
            .choose(&mut random)
            .unwrap()
            .replace("file = \"quayside-secrets.toml\"", "");
        text = text
            .lines()
            .filter(|l| !l.starts_with("secret ="))
            .map(|l| format!("{l}\n"))
            .collect();
        for _ in 0..random.random_range(1..4) {
            let mut at = random.random_range(0..=text.len());
            while !text.is_char_boundary(at) {
                at -= 1;
            }
            match random.random_range(0..6) {
                0 => text.insert_str(at, scraps.choose(&mut random).unwrap()),
                1 => text.truncate(at),
                2 => {
                    let end = text[at..]
                        .char_indices()
                        .nth(random.random_range(0..12))
                        .map_or(text.len(), |(i, _)| at + i);
                    text.replace_range(at..end, "");
                }
                3 => text.insert_str(at, &format!("\n{}\n", lines.choose(&mut random).unwrap())),
                4 => {
                    // One line goes, another doubles.
                    let mut all: Vec<String> = text.lines().map(str::to_owned).collect();
                    if !all.is_empty() {
                        let line = all.remove(random.random_range(0..all.len()));
                        if random.random_bool(0.5) {
                            all.insert(random.random_range(0..=all.len()), line.clone());
                            all.insert(random.random_range(0..=all.len()), line);
                        }
                    }
                    text = all.join("\n");
                }
                _ => {
                    let c = char::from_u32(random.random_range(0..0x300)).unwrap_or('x');
                    text.insert(at, c);
                }
            }
        }
        if check(text.as_bytes()).plan.is_some() {
            with_plan += 1;
        }
    }
    // The mutants are near enough to good files to reach the last checks.
    assert!(with_plan > 500, "only {with_plan} mutants had a plan");
}

/// Files that are not text at all.
#[test]
fn noise() {
    let mut random = StdRng::seed_from_u64(7);
    for _ in 0..2000 {
        let octets: Vec<u8> = (0..random.random_range(0..400)).map(|_| random.random()).collect();
        check(&octets);
    }
}

#[test]
fn deep_and_wide() {
    check(
        "a = "
            .bytes()
            .chain(std::iter::repeat_n(b'[', 100_000))
            .collect::<Vec<u8>>()
            .as_slice(),
    );
    check(
        "a = "
            .bytes()
            .chain("{a=".bytes().cycle().take(300_000))
            .collect::<Vec<u8>>()
            .as_slice(),
    );
    check(format!("[{}]\n", "a.".repeat(50_000)).as_bytes());
    check(format!("{} = 1\n", "a.".repeat(50_000)).as_bytes());
    check("x".repeat(500_000).as_bytes());
    check(format!("[site]\nname = \"{}\"\n", "x".repeat(500_000)).as_bytes());
    let many: String = (0..20_000).map(|i| format!("[zones.z{i}]\nx = 1\n")).collect();
    let loaded = check(many.as_bytes());
    assert_eq!(loaded.problems.len(), MAX_PROBLEMS + 1);
    let list = format!("[sip]\nnetworks = [{}]\n", "\"192.0.2.0/24\", ".repeat(5000));
    assert!(check(list.as_bytes()).problems.iter().any(|p| p.key == "sip.networks"));
    check(&vec![b'\n'; 1_500_000]);
}

/// A file in another encoding is told with its line.
#[test]
fn not_utf8() {
    let scratch = super::Scratch::new();
    let path = scratch.file("latin1.toml", b"[site]\nname = \"S\xe4gewerk\"\n", 0o644);
    let loaded = config::load_with(&path, None).unwrap();
    assert!(loaded.plan.is_none());
    let told = loaded.problems[0].to_string();
    assert!(
        told.contains("latin1.toml:2:10: error\n    found   a byte that is not UTF-8 text"),
        "{told}"
    );
}

/// A byte order mark and the other system's line ends do no harm, nor do they shift the places.
#[test]
fn marks_and_line_ends() {
    let text = read(&source("config/quayside-simple.toml")).replace("lead = \"300 ms\"", "lead = 3");
    let plain = config::check_text(&text, Path::new("x.toml"), None);
    let dressed = format!("\u{feff}{}", text.replace('\n', "\r\n"));
    let dressed = config::check_text(&dressed, Path::new("x.toml"), None);
    assert_eq!(plain.problems, dressed.problems);
    assert!(plain.problems.iter().any(|p| p.key == "zones.yard.lead"));
}
