//! The local command at the running program: `status`, `stop`, `announce` over its socket, and who may ask.
#![allow(clippy::disallowed_methods)]

use std::io::{Read as _, Write as _};
use std::os::unix::fs::PermissionsExt as _;
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::program::Program;

mod program;

const RATE: u32 = 48_000;

const CONFIG: &str = r#"
    [site]
    name = "Quayside Timber"
    [cards.main]
    output = "wav:FOLDER/out.wav"
    [relays.yard-trigger]
    line = "simulated"
    [zones.yard]
    card = "main"
    channel = 1
    trigger = ["yard-trigger"]
    lead = "100 ms"
    release = "100 ms"
    [zones.office]
    card = "main"
    channel = 2
    lead = "0 s"
    release = "0 s"
    [zone_groups.everywhere]
    zones = ["yard", "office"]
    [control]
    socket = "FOLDER/control.sock"
    priority = 40
    when_busy = "refuse"
    [contacts.night-bell]
    line = "file:FOLDER/bell"
    zones = ["office"]
    [schedules.shift-bell]
    at = ["daily 06:00"]
    zones = ["yard"]
"#;

fn start(name: &str) -> Program {
    let folder = program::folder(&format!("local-{name}"));
    let program = Program::start(folder.clone(), &CONFIG.replace("FOLDER", &folder.to_string_lossy()));
    program.line("is open");
    program
}

fn ask(program: &Program, arguments: &[&str]) -> (Option<i32>, String, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_hornwire"))
        .args(arguments)
        .arg("--socket")
        .arg(program.folder.join("control.sock"))
        .output()
        .unwrap();
    let text = |octets: &[u8]| String::from_utf8(octets.to_vec()).unwrap();
    (output.status.code(), text(&output.stdout), text(&output.stderr))
}

/// Two seconds of a tone.
fn tone(path: &Path) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for n in 0..2 * RATE {
        let x = 8000.0 * (std::f64::consts::TAU * 1000.0 * f64::from(n) / f64::from(RATE)).sin();
        writer.write_sample(x as i16).unwrap();
    }
    writer.finalize().unwrap();
}

fn status(program: &Program) -> Value {
    let (code, out, _) = ask(program, &["status", "--json"]);
    assert_eq!(code, Some(0));
    serde_json::from_str(&out).unwrap()
}

#[test]
fn an_announcement_is_a_page_that_can_be_seen_and_stopped() {
    let mut program = start("pages");
    let (code, out, _) = ask(&program, &["status"]);
    assert_eq!(code, Some(0));
    for line in [
        "Quayside Timber: at rest",
        "zone yard    rest",
        "relays operated: none",
        "next: shift-bell at 2",
    ] {
        assert!(out.contains(line), "{line} in {out}");
    }
    let file = program.folder.join("closing.wav");
    tone(&file);
    let announced = ask(
        &program,
        &[
            "announce",
            file.to_str().unwrap(),
            "--zone",
            "everywhere",
            "--times",
            "20",
        ],
    );
    assert_eq!(
        (announced.0, announced.1.as_str()),
        (Some(0), "page 1: wakes up amplifiers\n"),
        "{}",
        announced.2
    );
    // Busy: its priority is the same.
    let (code, out, _) = ask(&program, &["announce", "--plays", "bell", "--zone", "yard"]);
    assert_eq!((code, out.as_str()), (Some(75), "page 2: refused: busy\n"));
    program.line("is heard in zone");
    let seen = status(&program);
    assert_eq!(seen["pages"][0]["state"], "is heard");
    assert_eq!(seen["zones"][0]["phase"], "speech");
    assert_eq!(seen["relays"][0]["operated"], true);
    assert!(seen["relays"][0]["moved_ms_ago"].is_u64(), "{seen}");
    assert_eq!(seen["pages"][0]["kind"], "local");
    assert_eq!(seen["missing"], serde_json::json!([]));
    std::thread::sleep(Duration::from_millis(2500));
    let (code, out, _) = ask(&program, &["stop", "1"]);
    assert_eq!((code, out.as_str()), (Some(0), "page 1 from local command stopped\n"));
    assert_eq!(ask(&program, &["stop", "1"]).0, Some(65));
    // A higher one that comes by name, and takes the zone from a bell.
    std::fs::write(program.folder.join("bell"), "").unwrap();
    program.line("from night-bell");
    let urgent = ask(
        &program,
        &[
            "announce",
            "--plays",
            "double",
            "--zone",
            "office",
            "--priority",
            "90",
            "--json",
        ],
    );
    let answer: Value = serde_json::from_str(&urgent.1).unwrap();
    assert_eq!(
        (answer["page"].as_u64(), answer["state"].as_str()),
        (Some(4), Some("is heard")),
        "{urgent:?}"
    );
    program.line("page 4 from local command");
    let seen = status(&program);
    let recent = seen["recent"].as_array().unwrap();
    // Page 3 may have its record a little later.
    let ended: Vec<&Value> = recent.iter().map(|page| &page["page"]).collect();
    assert_eq!(ended[..2], [2, 1]);
    let (refused, stopped) = (&recent[0], &recent[1]);
    assert_eq!(
        (&refused["why"], &refused["end_reason"], &refused["was_heard"]),
        (&"busy".into(), &"busy".into(), &false.into())
    );
    assert_eq!(refused["missed"][0]["cause"], "page 1 from local command has it");
    assert_eq!(stopped["zones"], serde_json::json!(["yard", "office"]));
    assert_eq!(
        (&stopped["kind"], &stopped["page_priority"]),
        (&"local".into(), &40.into())
    );
    assert!(
        stopped["seconds"].as_f64().unwrap() > 2.0 && stopped["wait_seconds"].is_f64(),
        "{stopped}"
    );
    assert!(
        stopped["duration_ms"].is_u64() && stopped["level_dbfs"].is_f64(),
        "{stopped}"
    );
    // RFC 3339: 2026-11-25T14:36:02.431+01:00
    let ended = stopped["ended_at"].as_str().unwrap();
    assert!(ended.len() == 29 && ended.as_bytes()[10] == b'T', "{ended}");
    program.stop();
    let lines = program.lines();
    let uid = own_uid();
    assert!(
        lines
            .iter()
            .any(|l| l.contains(&format!("page 1 is announced by the user with uid {uid}"))),
        "{lines:#?}"
    );
    assert!(
        lines.iter().any(|l| l.contains("page 1 from local command")
            && l.contains("to zones yard, office")
            && l.contains("ended: operator")),
        "{lines:#?}"
    );
    assert!(!program.folder.join("control.sock").exists());
    // The tone is on the line, at the loudness of speech.
    let reader = hound::WavReader::open(program.folder.join("out.wav")).unwrap();
    let samples: Vec<i16> = reader.into_samples::<i16>().step_by(2).map(Result::unwrap).collect();
    let loud = samples.iter().filter(|x| x.unsigned_abs() > 1000).count();
    assert!(loud > RATE as usize, "{loud}");
}

/// Of this process, as its files have it.
fn own_uid() -> u32 {
    use std::os::unix::fs::MetadataExt as _;
    std::fs::metadata("/proc/self").unwrap().uid()
}

#[test]
fn what_cannot_be_asked_has_an_answer() {
    let mut program = start("wrong");
    let socket = program.folder.join("control.sock");
    assert_eq!(std::fs::metadata(&socket).unwrap().permissions().mode() & 0o777, 0o660);
    let (code, _, err) = ask(&program, &["announce", "--plays", "bell", "--zone", "garden"]);
    assert_eq!(code, Some(65));
    assert!(
        err.contains("there is no zone \"garden\"; there are yard, office, everywhere"),
        "{err}"
    );
    let (code, _, err) = ask(&program, &["announce", "--plays", "gong", "--zone", "yard"]);
    assert_eq!(code, Some(65));
    assert!(err.contains("there is no message \"gong\""), "{err}");
    let text = program.folder.join("quayside.toml");
    let (code, _, err) = ask(&program, &["announce", text.to_str().unwrap(), "--zone", "yard"]);
    assert!(
        code == Some(65) && err.contains("wanted a WAV or an Ogg Opus file"),
        "{err}"
    );
    assert_eq!(
        ask(&program, &["announce", "/nowhere.wav", "--zone", "yard"]).0,
        Some(66)
    );
    assert_eq!(ask(&program, &["announce", "--zone", "yard"]).0, Some(64));
    // Not our client: silence, nonsense, too much, too many. Each is answered or closed in time, and the others go on.
    let say = |octets: &[u8]| {
        let mut stream = UnixStream::connect(&socket).unwrap();
        let _ = stream.write_all(octets);
        let mut answer = String::new();
        let _ = stream.read_to_string(&mut answer);
        answer
    };
    let begin = Instant::now();
    assert!(say(b"").contains("no question"), "a silent one is told");
    assert!(begin.elapsed() < Duration::from_secs(10));
    for nonsense in [
        &b"status\n"[..],
        b"{}\n",
        b"[1]\n",
        b"\xff\xfe\n",
        b"{\"command\":\"stop\"}\n",
        &[b'x'; 5000],
    ] {
        assert!(say(nonsense).contains("error"), "{nonsense:?}");
    }
    assert!(say(b"{\"command\":\"announce\",\"zones\":[\"yard\"],\"octets\":99999999999}\n").contains("larger"));
    let crowd: Vec<UnixStream> = (0..20).map(|_| UnixStream::connect(&socket).unwrap()).collect();
    std::thread::sleep(Duration::from_millis(2500));
    drop(crowd);
    assert_eq!(ask(&program, &["status"]).0, Some(0));
    // A second gateway does not take it away.
    let folder = program::folder("local-second");
    let config = CONFIG.replace("FOLDER/control.sock", &socket.to_string_lossy());
    let mut second = Program::start(folder.clone(), &config.replace("FOLDER", &folder.to_string_lossy()));
    second.line("no local command at");
    second.stop();
    assert_eq!(ask(&program, &["status"]).0, Some(0));
    program.stop();
    let (code, _, err) = ask(&program, &["status"]);
    assert!(code == Some(69) && err.contains("nobody is there"), "{err}");
}

#[test]
fn a_config_that_waits_is_told() {
    let mut program = start("waits");
    std::fs::write(program.folder.join("bell"), "").unwrap();
    program.line("page 1 from night-bell is heard");
    let folder = program.folder.to_string_lossy().into_owned();
    let changed = CONFIG.replace("FOLDER", &folder).replace("\"100 ms\"", "\"200 ms\"");
    std::fs::write(program.folder.join("quayside.toml"), changed).unwrap();
    program.signal(libc::SIGHUP);
    program.line("waits until nothing is on");
    let (_, said, _) = ask(&program, &["status"]);
    assert!(
        said.contains("a new config waits until nothing is on; it changes zones.yard\n"),
        "{said}"
    );
    std::fs::remove_file(program.folder.join("bell")).unwrap();
    program.line("read again and taken up: zones.yard");
    let (_, said, _) = ask(&program, &["status", "--json"]);
    let status: Value = serde_json::from_str(&said).unwrap();
    assert_eq!(status["config_waits"], serde_json::json!([]));
    program.stop();
}

/// A phone system that refuses every registration, and says nothing to others.
fn refusing() -> std::net::SocketAddr {
    let socket = std::net::UdpSocket::bind("127.0.0.1:0").unwrap();
    let address = socket.local_addr().unwrap();
    std::thread::spawn(move || {
        let mut buffer = [0; 4096];
        while let Ok((octets, from)) = socket.recv_from(&mut buffer) {
            let text = String::from_utf8_lossy(&buffer[..octets]).into_owned();
            if !text.starts_with("REGISTER ") {
                continue;
            }
            let mut answer = "SIP/2.0 403 Forbidden\r\n".to_owned();
            for line in text.lines() {
                let is_copied = ["Via:", "From:", "Call-ID:", "CSeq:"]
                    .iter()
                    .any(|name| line.starts_with(name));
                if is_copied {
                    answer += &format!("{line}\r\n");
                } else if line.starts_with("To:") {
                    answer += &format!("{line};tag=7\r\n");
                }
            }
            answer += "Content-Length: 0\r\n\r\n";
            let _ = socket.send_to(answer.as_bytes(), from);
        }
    });
    address
}

/// The doctor believes the running program, which got an answer, more than the silence that it meets itself.
#[test]
fn the_doctor_asks_the_running_program() {
    let folder = program::folder("local-doctor");
    let registrar = refusing();
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let metrics = taken.local_addr().unwrap();
    let port = std::net::UdpSocket::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap()
        .port();
    let config = format!(
        "{}\n[sip]\nlisten = ['udp:127.0.0.1:{port}']\nnetworks = ['127.0.0.0/8']\nstart_spread = '0 s'\n[metrics]\nlisten = '{metrics}'\n\
         [extensions.page]\nregistrar = 'sip:{registrar}'\nuser = '850'\nzones = ['yard']\n\
         [extensions.itself]\nregistrar = 'sip:127.0.0.1:{port}'\nuser = '851'\nzones = ['yard']\n",
        CONFIG.replace("FOLDER", &folder.to_string_lossy())
    );
    let program = Program::start(folder, &config);
    program.line("extension page cannot register");
    let told = status(&program);
    let page = &told["registrations"][0];
    assert_eq!(page["refusals"][0]["registrar"], "127.0.0.1", "{told}");
    assert_eq!(page["refusals"][0]["cause"], "403 Forbidden", "{told}");
    assert_eq!(told["metrics"]["is_served"], false, "{told}");
    let output = Command::new(env!("CARGO_BIN_EXE_hornwire"))
        .args(["doctor", "--listen", "0", "--json"])
        .arg(program.folder.join("quayside.toml"))
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(69));
    let findings: Vec<Value> = serde_json::from_slice(&output.stdout).unwrap();
    let find = |subject: String| {
        let mut of = findings.iter().filter(|finding| finding["subject"] == subject.as_str());
        let found = of.next().unwrap_or_else(|| panic!("no {subject} in {findings:#?}"));
        assert!(of.next().is_none(), "{findings:#?}");
        let text = |key: &str| found[key].as_str().unwrap().to_owned();
        (text("verdict"), text("text"), text("todo"))
    };
    let (verdict, text, todo) = find(format!("registrar {registrar}"));
    assert_eq!(
        (verdict.as_str(), text.as_str()),
        ("FAULT", "extension page is not registered: 403 Forbidden")
    );
    assert!(!todo.contains("firewall"), "{todo}");
    let (verdict, text, _) = find(format!("registrar 127.0.0.1:{port}"));
    assert!(verdict == "FAULT" && text.contains("this gateway itself"), "{text}");
    let (verdict, _, todo) = find(format!("metrics address {metrics}"));
    assert!(verdict == "look" && todo.contains("ss -lntup"), "{todo}");
}
