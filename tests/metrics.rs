//! The figures at the running program, fetched by HTTP. The format is OpenMetrics 1.0; its own reference parser
//! (`prometheus_client.openmetrics` of the Prometheus project, from PyPI) reads the page in the test with peers.
#![allow(clippy::disallowed_methods)]

use std::collections::BTreeMap;
use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use crate::program::Program;

mod program;

const CONFIG: &str = r#"
    [site]
    name = "Quayside Timber"
    [cards.main]
    output = "null"
    [relays.yard-trigger]
    line = "simulated"
    [zones.yard]
    card = "main"
    channel = 1
    trigger = ["yard-trigger"]
    lead = "50 ms"
    release = "50 ms"
    [control]
    socket = "FOLDER/control.sock"
    [groups.dispatch]
    address = "239.255.77.4:5010"
    interface = "lo"
    codec = "pcmu"
    zones = ["yard"]
    [metrics]
    listen = "ADDRESS"
"#;

/// An address of this machine that nobody has just now.
fn free() -> SocketAddr {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap()
}

fn config(program: &Path, address: SocketAddr) -> String {
    CONFIG
        .replace("FOLDER", &program.to_string_lossy())
        .replace("ADDRESS", &address.to_string())
}

fn start(name: &str, address: SocketAddr) -> Program {
    let folder = program::folder(&format!("metrics-{name}"));
    let text = config(&folder, address);
    let program = Program::start(folder, &text);
    program.line("is open");
    program
}

fn exchange(address: SocketAddr, request: &str) -> String {
    let by = Instant::now() + Duration::from_secs(10);
    let mut stream = loop {
        match TcpStream::connect(address) {
            Ok(stream) => break stream,
            Err(error) => assert!(Instant::now() < by, "{error}"),
        }
        std::thread::sleep(Duration::from_millis(20));
    };
    stream.set_read_timeout(Some(Duration::from_secs(10))).unwrap();
    stream.write_all(request.as_bytes()).unwrap();
    let mut answer = String::new();
    let _ = stream.read_to_string(&mut answer);
    answer
}

fn fetch(address: SocketAddr) -> String {
    let answer = exchange(
        address,
        "GET /metrics HTTP/1.1\r\nHost: board\r\nConnection: close\r\n\r\n",
    );
    let (head, body) = answer.split_once("\r\n\r\n").unwrap();
    assert!(head.starts_with("HTTP/1.1 200 OK\r\n"), "{head}");
    let kind = "content-type: application/openmetrics-text; version=1.0.0; charset=utf-8";
    assert!(head.contains(kind), "{head}");
    assert!(body.ends_with("# EOF\n"), "{body}");
    body.to_owned()
}

/// Value by series, its labels in alphabetical order.
fn series(body: &str) -> BTreeMap<String, f64> {
    let samples = body.lines().filter(|line| !line.starts_with('#'));
    samples
        .map(|line| {
            let (name, value) = line.rsplit_once(' ').unwrap();
            let name = match name.split_once('{') {
                Some((name, labels)) => {
                    let mut labels: Vec<&str> = labels.trim_end_matches('}').split(',').collect();
                    labels.sort_unstable();
                    format!("{name}{{{}}}", labels.join(","))
                }
                None => name.to_owned(),
            };
            (name, value.parse().unwrap())
        })
        .collect()
}

/// Fetches until that series has this value: a page just made is given again for a second.
fn wait_for(address: SocketAddr, name: &str, value: f64) -> BTreeMap<String, f64> {
    let by = Instant::now() + Duration::from_secs(20);
    loop {
        let found = series(&fetch(address));
        if found.get(name).is_some_and(|v| (v - value).abs() < 1e-9) {
            return found;
        }
        assert!(Instant::now() < by, "{name}: {:?}", found.get(name));
        std::thread::sleep(Duration::from_millis(100));
    }
}

fn hornwire(program: &Program, arguments: &[&str]) {
    let output = Command::new(env!("CARGO_BIN_EXE_hornwire"))
        .args(arguments)
        .arg("--socket")
        .arg(program.folder.join("control.sock"))
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

#[test]
fn pages_relays_and_zones_are_counted() {
    let address = free();
    let mut program = start("pages", address);
    let before = wait_for(address, "hornwire_card_up{card=\"main\"}", 1.0);
    for (name, value) in [
        (
            "hornwire_pages_total{ending=\"finished\",source=\"local command\"}",
            0.0,
        ),
        ("hornwire_pages_total{ending=\"device-fault\",source=\"dispatch\"}", 0.0),
        ("hornwire_relay_operations_total{relay=\"yard-trigger\"}", 0.0),
        ("hornwire_zone_phase{phase=\"rest\",zone=\"yard\"}", 1.0),
        ("hornwire_zone_available{zone=\"yard\"}", 1.0),
        ("hornwire_group_joined{group=\"dispatch\"}", 1.0),
        ("hornwire_missing", 0.0),
    ] {
        assert_eq!(before.get(name), Some(&value), "{name} in {before:#?}");
    }
    hornwire(
        &program,
        &["announce", "--plays", "bell", "--zone", "yard", "--times", "3"],
    );
    let during = wait_for(address, "hornwire_zone_phase{phase=\"speech\",zone=\"yard\"}", 1.0);
    assert_eq!(during["hornwire_relay_operated{relay=\"yard-trigger\"}"], 1.0);
    assert_eq!(during["hornwire_pages_now{state=\"heard\"}"], 1.0);
    let of = "hornwire_pages_total{ending=\"finished\",source=\"local command\"}";
    let after = wait_for(address, of, 1.0);
    assert_eq!(after["hornwire_relay_operations_total{relay=\"yard-trigger\"}"], 1.0);
    let heard = after["hornwire_page_heard_seconds_total{source=\"local command\"}"];
    assert!((1.0..30.0).contains(&heard), "{heard}");
    assert_eq!(after["hornwire_page_wait_seconds_count{source=\"local command\"}"], 1.0);

    // A reload that takes the address away, and one that gives another one: what is counted stays.
    let elsewhere = free();
    std::fs::write(program.folder.join("quayside.toml"), config(&program.folder, elsewhere)).unwrap();
    program.signal(libc::SIGHUP);
    assert_eq!(wait_for(elsewhere, of, 1.0)[of], 1.0);
    let by = Instant::now() + Duration::from_secs(10);
    while TcpStream::connect(address).is_ok() {
        assert!(Instant::now() < by, "the old address still answers");
        std::thread::sleep(Duration::from_millis(50));
    }
    program.stop();
}

#[test]
fn only_the_figures_are_given_and_only_to_who_may_have_them() {
    let address = free();
    let mut program = start("shut", address);
    wait_for(address, "hornwire_card_up{card=\"main\"}", 1.0);
    let get = |path: &str| {
        exchange(
            address,
            &format!("GET {path} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n"),
        )
    };
    assert!(get("/").starts_with("HTTP/1.1 404"), "{}", get("/"));
    assert!(get("/metrics/../etc/passwd").starts_with("HTTP/1.1 404"));
    let post = exchange(
        address,
        "POST /metrics HTTP/1.1\r\nHost: x\r\nContent-Length: 0\r\nConnection: close\r\n\r\n",
    );
    assert!(
        post.starts_with("HTTP/1.1 405") && post.to_lowercase().contains("allow: get, head"),
        "{post}"
    );
    // Nonsense, and heads without an end, cost nobody the figures.
    assert!(!exchange(address, "INVITE sip:x SIP/2.0\r\n\r\n").contains("hornwire_"));
    let mut open: Vec<TcpStream> = (0..40).map(|_| TcpStream::connect(address).unwrap()).collect();
    for stream in &mut open {
        let _ = stream.write_all(b"GET /metrics HTTP/1.1\r\nX: ");
    }
    // Held open all the while: who holds on makes room.
    fetch(address);
    drop(open);
    let shut = config(&program.folder, address) + "    networks = [\"192.0.2.0/24\"]\n";
    std::fs::write(program.folder.join("quayside.toml"), shut).unwrap();
    program.signal(libc::SIGHUP);
    program.line("taken up: metrics");
    let by = Instant::now() + Duration::from_secs(10);
    while !get("/metrics").is_empty() {
        assert!(Instant::now() < by, "still answered");
        std::thread::sleep(Duration::from_millis(50));
    }
    program.stop();
}

#[test]
fn an_address_that_is_taken_is_told_and_tried_again() {
    let taken = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = taken.local_addr().unwrap();
    let mut program = start("taken", address);
    program.line(&format!("no figures are served at {address}"));
    program.stop();
}

#[test]
#[ignore = "with peers: needs the Python side of the lab"]
fn the_reference_parser_reads_the_page() {
    let address = free();
    let mut program = start("parsed", address);
    hornwire(&program, &["announce", "--plays", "bell", "--zone", "yard"]);
    let of = "hornwire_pages_total{ending=\"finished\",source=\"local command\"}";
    wait_for(address, of, 1.0);
    let target = Path::new(env!("CARGO_TARGET_TMPDIR")).parent().unwrap();
    let read = r"
import sys
from prometheus_client.openmetrics.parser import text_string_to_metric_families as families
found = list(families(sys.stdin.read()))
print(len(found), sum(len(f.samples) for f in found), sorted({f.type for f in found}))
for f in found:
    assert f.documentation, f.name
";
    let mut parser = Command::new(target.join("lab-venv/bin/python"))
        .args(["-c", read])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    parser
        .stdin
        .take()
        .unwrap()
        .write_all(fetch(address).as_bytes())
        .unwrap();
    let output = parser.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    println!("{said}");
    assert!(output.status.success());
    assert!(said.contains("['counter', 'gauge', 'histogram', 'info']"), "{said}");
    program.stop();
}
