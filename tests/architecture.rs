//! The house rules that a compiler does not know (DEVELOPERS.md, "Three layers"): what the pure core may use, and how
//! long a file may be. `clippy.toml` forbids the core clocks, sleep and randomness; here it is checked that nobody
//! waives that.
#![allow(clippy::disallowed_methods)]

#[path = "architecture/reader.rs"]
mod reader;

use std::collections::{BTreeSet, HashSet};
use std::fs;
use std::path::{Path, PathBuf};

use reader::{Finding, Source};

/// The rooms of the pure core. They may use each other and nothing else of this crate.
const CORE: [&str; 6] = ["calendar", "gate", "media", "page", "sip", "sound"];

/// What the installer's bench may use beside the core: it reckons and draws, and its commands (`src/cli`) play, ask and write.
const BESIDE_BENCH: [&str; 3] = ["bench", "config", "report"];
const PURE_FOR_BENCH: [&str; 3] = ["etherparse", "ratatui", "serde_json"];

/// Dependencies without sockets, threads, files or clocks of their own. Every other one is shut out of the core, a new
/// one too until it is named here.
const PURE: [&str; 18] = [
    "aes",
    "argon2",
    "audiopus",
    "ctr",
    "hmac",
    "jiff",
    "md-5",
    "ogg",
    "rand",
    "rand_chacha",
    "rsip",
    "rtp-rs",
    "rtrb",
    "sdp-types",
    "sha1",
    "sha2",
    "subtle",
    "thiserror",
];

/// Parts of the standard library that touch the world.
const WORLDLY: [&str; 7] = ["env", "fs", "net", "os", "process", "thread", "io"];

/// Of [`WORLDLY`], what is only data.
const DATA: [&str; 14] = [
    "std::net::IpAddr",
    "std::net::Ipv4Addr",
    "std::net::Ipv6Addr",
    "std::net::SocketAddr",
    "std::net::SocketAddrV4",
    "std::net::SocketAddrV6",
    "std::net::AddrParseError",
    "std::io::Error",
    "std::io::ErrorKind",
    "std::io::Result",
    "std::io::Read",
    "std::io::Write",
    "std::io::BufRead",
    "std::io::Cursor",
];

/// Names that are out of place in the core however they are reached.
const NAMES: [&str; 13] = [
    "SystemTime",
    "UdpSocket",
    "TcpStream",
    "TcpListener",
    "UnixDatagram",
    "JoinHandle",
    "println",
    "eprintln",
    "print",
    "eprint",
    "dbg",
    "unsafe",
    "todo",
];

/// The lints that keep the core pure.
const LINTS: [&str; 3] = ["disallowed_methods", "disallowed_types", "disallowed_macros"];

/// Longest file, and longest test module, in lines.
const MAX_LINES: usize = 600;
const MAX_TEST_LINES: usize = 700;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn rust_files(under: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    let Ok(entries) = fs::read_dir(under) else { return files };
    for entry in entries {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files.extend(rust_files(&path));
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            files.push(path);
        }
    }
    files.sort();
    files
}

/// Names under which the core would reach the dependencies that it must not use.
fn shut_out() -> HashSet<String> {
    let text = fs::read_to_string(root().join("Cargo.toml")).unwrap();
    let manifest: toml::Table = text.parse().unwrap();
    let dependencies = manifest["dependencies"].as_table().unwrap();
    dependencies
        .keys()
        .filter(|name| !PURE.contains(&name.as_str()))
        .map(|name| name.replace('-', "_"))
        .collect()
}

/// What is wrong with one piece of core code; empty if nothing.
fn faults(source: &Source, shut_out: &HashSet<String>, beside: &[&str]) -> Vec<String> {
    let mut faults = Vec::new();
    let mut fault = |line: usize, what: String| faults.push(format!("{}:{line}: {what}", source.name));
    for Finding { line, path } in &source.paths {
        let joined = path.join("::");
        let segments: Vec<&str> = path.iter().map(String::as_str).collect();
        match segments.as_slice() {
            ["crate"] => fault(*line, "the whole crate under another name".into()),
            ["crate", room, ..] if !CORE.contains(room) && !beside.contains(room) => {
                fault(*line, format!("{joined}: not a room of the core"))
            }
            ["std"] => fault(*line, "the whole standard library under another name".into()),
            ["std", "*"] => fault(*line, format!("{joined}: everything at once")),
            ["std", part, ..] if WORLDLY.contains(part) => {
                let is_data = DATA
                    .iter()
                    .any(|data| joined == *data || joined.starts_with(&format!("{data}::")));
                if !is_data {
                    fault(*line, format!("{joined}: touches the world"));
                }
            }
            [first, ..] if shut_out.contains(*first) && path.len() > 1 => {
                fault(*line, format!("{joined}: this dependency is not for the core"));
            }
            _ => {}
        }
        if let Some(name) = segments.iter().find(|segment| NAMES.contains(segment)) {
            fault(*line, format!("{joined}: no {name} in the core"));
        }
    }
    for Finding { line, path } in &source.attributes {
        if let Some(lint) = path.iter().find(|word| LINTS.contains(&word.as_str())) {
            fault(*line, format!("waives clippy::{lint} outside tests"));
        }
        if path
            .windows(2)
            .any(|words| words == ["clippy", "all"] || words == ["clippy", "style"])
        {
            fault(*line, "waives a whole group of lints".into());
        }
    }
    faults
}

fn snippet(text: &str) -> Vec<String> {
    let source = reader::read("src/page/switchboard.rs", text).unwrap();
    faults(&source, &shut_out(), &[])
}

#[test]
fn the_core_uses_nothing_of_the_outer_rooms_or_the_world() {
    let shut_out = shut_out();
    assert!(shut_out.contains("tokio") && shut_out.contains("libc"), "{shut_out:?}");
    let all: Vec<String> = CORE.iter().flat_map(|room| faults_in(room, &shut_out, &[])).collect();
    assert!(all.is_empty(), "\n{}\n", all.join("\n"));
}

#[test]
fn the_bench_touches_no_world() {
    let mut shut_out = shut_out();
    shut_out.retain(|name| !PURE_FOR_BENCH.contains(&name.as_str()));
    let all = faults_in("bench", &shut_out, &BESIDE_BENCH);
    assert!(all.is_empty(), "\n{}\n", all.join("\n"));
}

/// Of all files of a room, tests left out.
fn faults_in(room: &str, shut_out: &HashSet<String>, beside: &[&str]) -> Vec<String> {
    let src = root().join("src");
    let mut all = Vec::new();
    let mut files = rust_files(&src.join(room));
    files.extend(Some(src.join(format!("{room}.rs"))).filter(|file| file.exists()));
    assert!(!files.is_empty(), "no room {room}");
    let sources: Vec<(PathBuf, Source)> = files
        .into_iter()
        .map(|file| {
            let text = fs::read_to_string(&file).unwrap();
            let name = file.strip_prefix(root()).unwrap().display().to_string();
            let source = reader::read(&name, &text).unwrap_or_else(|error| panic!("{name}: {error}"));
            (file, source)
        })
        .collect();
    let tests: BTreeSet<PathBuf> = sources
        .iter()
        .flat_map(|(file, source)| test_modules(file, source))
        .collect();
    for (file, source) in &sources {
        if !tests
            .iter()
            .any(|test| file.starts_with(test) || *file == test.with_extension("rs"))
        {
            all.extend(faults(source, shut_out, beside));
        }
    }
    all
}

/// Where the modules lie that a file declares for tests only, without `.rs`.
fn test_modules(file: &Path, source: &Source) -> Vec<PathBuf> {
    let stem = file.with_extension("");
    let home = if stem.ends_with("mod") || stem.ends_with("lib") {
        file.parent().unwrap()
    } else {
        &stem
    };
    source.test_modules.iter().map(|module| home.join(module)).collect()
}

#[test]
fn nobody_waives_the_lints_for_the_whole_crate() {
    for file in ["src/lib.rs", "src/main.rs"] {
        let text = fs::read_to_string(root().join(file)).unwrap();
        let source = reader::read(file, &text).unwrap();
        for attribute in &source.attributes {
            assert!(
                !attribute.path.iter().any(|word| LINTS.contains(&word.as_str())),
                "{file}:{}",
                attribute.line
            );
        }
    }
    let manifest = fs::read_to_string(root().join("Cargo.toml")).unwrap();
    for lint in LINTS {
        assert!(
            !manifest.contains(&format!("{lint} = \"allow\"")),
            "Cargo.toml waives {lint}"
        );
    }
}

#[test]
fn clippy_forbids_clocks_and_sleep() {
    let text = fs::read_to_string(root().join(".clippy.toml")).unwrap();
    let settings: toml::Table = text.parse().unwrap();
    let forbidden: Vec<&str> = settings["disallowed-methods"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(|entry| entry.get("path").unwrap_or(entry).as_str())
        .collect();
    for method in [
        "std::time::Instant::now",
        "std::time::Instant::elapsed",
        "std::time::SystemTime::now",
        "std::thread::sleep",
    ] {
        assert!(forbidden.contains(&method), "{method}");
    }
}

#[test]
fn files_stay_short() {
    let mut long = Vec::new();
    for folder in ["src", "tests", "benches"] {
        for file in rust_files(&root().join(folder)) {
            let lines = fs::read_to_string(&file).unwrap().lines().count();
            let for_tests =
                folder != "src" || file.ends_with("tests.rs") || file.components().any(|c| c.as_os_str() == "tests");
            if lines > if for_tests { MAX_TEST_LINES } else { MAX_LINES } {
                long.push(format!("{}: {lines} lines", file.display()));
            }
        }
    }
    assert!(long.is_empty(), "split these:\n{}", long.join("\n"));
}

#[test]
fn the_checker_finds_what_is_forbidden() {
    for bad in [
        "use crate::daemon::Control;",
        "use crate::{page::PageId, report::{entry, journal}};",
        "use super::super::config::Plan;",
        "mod inner { use super::super::super::device::relay; }",
        "fn f() { crate::demo::run(); }",
        "fn f() -> super::super::config::plan::Plan { todo }",
        "macro_rules! m { () => { $crate::daemon::run() } }",
        "fn f() { vec![crate::config::Plan::default()]; }",
        "use crate as house;",
        "use std as s;",
        "use std::*;",
        "use tokio::net::UdpSocket;",
        "async fn f() { tokio::task::yield_now().await }",
        "use libc::c_int;",
        "use ::libc::c_int;",
        "use std::fs;",
        "use std::{fmt, fs::File};",
        "use std::net::UdpSocket;",
        "use std::net::{IpAddr, UdpSocket};",
        "use std::net;",
        "use std::net::*;",
        "use std::thread;",
        "fn f() { std::thread::spawn(|| ()); }",
        "fn f() { std::io::stdin(); }",
        "use std::time::SystemTime;",
        "fn f(t: std::time::SystemTime) {}",
        "fn f() { println!(\"x\") }",
        "fn f() { unsafe { g() } }",
        "fn f() { todo!() }",
        "#![allow(clippy::disallowed_methods)]",
        "#[allow(clippy::disallowed_methods)] fn f() {}",
        "#[expect(dead_code, clippy::disallowed_methods)] fn f() {}",
        "#[cfg_attr(not(test), allow(clippy::disallowed_methods))] fn f() {}",
        "#![allow(clippy::all)]",
        // What follows a test is no test.
        "#[cfg(test)] mod tests; use std::fs;",
        "#[cfg(test)] use std::fs; use std::thread;",
        "#[cfg(not(test))] use std::fs;",
        "/* */ use std::fs; // std::net",
    ] {
        assert!(!snippet(bad).is_empty(), "not found: {bad}");
    }
}

#[test]
fn the_checker_lets_pass_what_is_allowed() {
    for good in [
        "use crate::page::{PageId, ZoneId}; use super::Input; use crate::media::Codec;",
        "use std::net::{IpAddr, SocketAddr}; use std::time::{Duration, Instant};",
        "use std::io::Cursor; use rtrb::Producer; use thiserror::Error;",
        "fn f(now: std::time::Instant) -> std::fmt::Result { Ok(()) }",
        "// use std::fs;\n/* use tokio::net; */ /// crate::daemon\nfn f() {}",
        "/// See [`crate::daemon`], and std::fs.\nfn f() -> &'static str { \"use std::fs; crate::daemon\" }",
        "#[cfg(test)] mod tests { #![allow(clippy::disallowed_methods)] use std::fs; use crate::daemon; }",
        "#[cfg(test)] #[allow(clippy::disallowed_methods)] fn now() -> std::time::SystemTime { x }",
        "#[cfg(test)] use std::{fs, thread};",
        "#[cfg_attr(test, allow(clippy::disallowed_methods))] fn f() {}",
        "#[test] fn f() { std::fs::read(\"x\"); println!() }",
        "#[allow(clippy::too_many_lines)] fn f() {}",
        // A name of our own that a dependency has too.
        "fn f(alsa: u8, libc: u8) -> u8 { alsa + libc }",
    ] {
        assert_eq!(snippet(good), Vec::<String>::new(), "{good}");
    }
}

#[test]
fn a_finding_names_file_and_line() {
    assert_eq!(
        snippet("use std::fmt;\n\nuse std::fs;\n"),
        ["src/page/switchboard.rs:3: std::fs: touches the world"]
    );
}
