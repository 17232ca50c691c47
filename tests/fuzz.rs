//! The fuzz targets in `cargo test`: a short run with our own mutator, the same every time. The long runs with coverage
//! feedback are described in tests/fuzz/RESULTS.md.

#[path = "fuzz/targets/agent.rs"]
mod agent;
#[path = "fuzz/targets/digest.rs"]
mod digest;
#[path = "fuzz/targets/headers.rs"]
mod headers;
#[path = "torture/notation.rs"]
#[allow(dead_code)]
mod notation;
#[path = "fuzz/targets/rtp.rs"]
mod rtp;
#[path = "fuzz/targets/sdp.rs"]
mod sdp;
#[path = "fuzz/seeds.rs"]
mod seeds;
#[path = "fuzz/targets/sip.rs"]
mod sip;
#[path = "fuzz/targets/srtp.rs"]
mod srtp;
#[path = "fuzz/targets/stun.rs"]
mod stun;
#[path = "fuzz/targets/telephone_event.rs"]
mod telephone_event;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use rand::seq::IndexedRandom as _;
use rand::{Rng as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;

/// Longest input, octets.
const MAX_LEN: usize = 4096;

/// Pieces that mean something somewhere.
const WORDS: [&[u8]; 28] = [
    b"\r\n",
    b"\r\n\r\n",
    b"\r\n ",
    b"\"",
    b"<",
    b">",
    b";",
    b",",
    b":",
    b"=",
    b"%",
    b"%00",
    b"\\",
    b"\0",
    b"\xff",
    b"\t",
    b"4294967296",
    b"-1",
    b"sip:",
    b"[::1]",
    b"z9hG4bK",
    b"SIP/2.0",
    b"@",
    b"Content-Length: 5\r\n",
    b"m=audio 9 RTP/AVP 0\r\n",
    b"a=",
    b"--",
    b"tag=",
];

/// Up to six changes.
fn mutate(octets: &mut Vec<u8>, corpus: &[Vec<u8>], rng: &mut ChaCha8Rng) {
    for _ in 0..rng.random_range(1..=6u8) {
        let at = rng.random_range(0..=octets.len());
        let end = (at + rng.random_range(1..64)).min(octets.len());
        match rng.random_range(0..9) {
            0 if at < octets.len() => octets[at] = rng.random(),
            1 if at < octets.len() => octets[at] ^= 1 << rng.random_range(0..8),
            2 => drop(octets.drain(at..end)),
            3 => octets.truncate(at),
            4 => {
                let copy = octets[at..end].to_vec();
                octets.splice(at..at, copy);
            }
            5 => {
                let other = corpus.choose(rng).unwrap();
                let from = rng.random_range(0..=other.len());
                let to = (from + rng.random_range(0..200)).min(other.len());
                octets.splice(at..end, other[from..to].iter().copied());
            }
            6 => octets.insert(at, rng.random()),
            _ => {
                let word = WORDS.choose(rng).unwrap();
                octets.splice(at..at, word.iter().copied());
            }
        }
    }
    octets.truncate(MAX_LEN);
}

/// Every seed as it is, then so many mutations of them.
fn fuzz(name: &str, run: fn(&[u8]), corpus: &[Vec<u8>], count: usize) {
    let mut rng = ChaCha8Rng::from_seed([11; 32]);
    let one = |input: &[u8]| {
        if catch_unwind(AssertUnwindSafe(|| run(input))).is_err() {
            let shown: String = input
                .iter()
                .map(|b| std::ascii::escape_default(*b).to_string())
                .collect();
            panic!("{name}: b\"{shown}\"");
        }
    };
    corpus.iter().for_each(|seed| one(seed));
    for _ in 0..count {
        let mut input = corpus.choose(&mut rng).unwrap().clone();
        mutate(&mut input, corpus, &mut rng);
        one(&input);
    }
}

type Target = (&'static str, fn(&[u8]), fn() -> Vec<Vec<u8>>, usize);

const TARGETS: [Target; 9] = [
    ("sip", sip::run, seeds::sip, 30_000),
    ("headers", headers::run, seeds::headers, 100_000),
    ("sdp", sdp::run, seeds::sdp, 20_000),
    ("rtp", rtp::run, seeds::rtp, 50_000),
    ("telephone_event", telephone_event::run, seeds::telephone_event, 20_000),
    ("digest", digest::run, seeds::digest, 20_000),
    ("stun", stun::run, seeds::stun, 100_000),
    ("srtp", srtp::run, seeds::srtp, 5_000),
    ("agent", agent::run, seeds::agent, 15_000),
];

fn short_run(name: &str) {
    let (name, run, seeds, count) = TARGETS.iter().find(|t| t.0 == name).unwrap();
    fuzz(name, *run, &seeds(), *count);
}

#[test]
fn sip_messages() {
    short_run("sip");
}

#[test]
fn header_values() {
    short_run("headers");
}

#[test]
fn session_descriptions() {
    short_run("sdp");
}

#[test]
fn rtp_datagrams() {
    short_run("rtp");
}

#[test]
fn telephone_events() {
    short_run("telephone_event");
}

#[test]
fn digest_headers() {
    short_run("digest");
}

#[test]
fn stun_messages() {
    short_run("stun");
}

#[test]
fn srtp_packets() {
    short_run("srtp");
}

#[test]
fn the_whole_agent() {
    short_run("agent");
}

/// The scripts that the agent's mutations start from reach what they should, or the mutations would not either.
#[test]
fn the_agents_seeds_get_deep() {
    let reached: Vec<agent::Reached> = seeds::agent().iter().map(|seed| agent::reach(seed)).collect();
    let sum = |what: fn(&agent::Reached) -> u32| reached.iter().map(what).sum::<u32>();
    assert!(sum(|r| r.incoming) >= 7, "{reached:#?}");
    assert!(sum(|r| r.confirmed) >= 4, "{reached:#?}");
    assert!(sum(|r| r.changes) >= 1, "{reached:#?}");
    assert!(sum(|r| r.registered) >= 1 && sum(|r| r.failed) >= 1, "{reached:#?}");
    assert!(sum(|r| r.unregistered) >= 1, "{reached:#?}");
    assert_eq!(sum(|r| r.incoming), sum(|r| r.endings));
}

/// Every target has its program and a seed that does not fail; nothing lies about unused.
#[test]
fn every_target_is_listed() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz");
    let manifest = std::fs::read_to_string(root.join("Cargo.toml")).unwrap();
    for (name, _, seeds, _) in TARGETS {
        assert!(
            manifest.contains(&format!("name = \"{name}\"")),
            "{name} is not in Cargo.toml"
        );
        assert!(root.join(format!("bins/{name}.rs")).exists(), "{name} has no program");
        assert!(!seeds().is_empty());
    }
    assert_eq!(std::fs::read_dir(root.join("bins")).unwrap().count(), TARGETS.len());
}

/// Writes the seeds for the long runs (tests/fuzz/run) to the directory in FUZZ_SEEDS; nothing without it.
#[test]
#[ignore = "writes files"]
fn write_seeds() {
    let Some(to) = std::env::var_os("FUZZ_SEEDS") else {
        return;
    };
    for (name, _, seeds, _) in TARGETS {
        let folder = Path::new(&to).join(name);
        std::fs::create_dir_all(&folder).unwrap();
        for (i, seed) in seeds().iter().enumerate() {
            std::fs::write(folder.join(format!("seed-{i:03}")), seed).unwrap();
        }
    }
}
