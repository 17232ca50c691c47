//! `hornwire listen` as a whole, over the loopback interface: what it tells of a stream with a known loss, what it saves, and
//! that it takes nothing from a gateway that runs beside it.
#![allow(clippy::disallowed_methods)]

use std::io::{BufRead as _, BufReader};
use std::net::{Ipv4Addr, SocketAddrV4, UdpSocket};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use hornwire::media::g711::ulaw_encode;
use serde_json::Value;
use socket2::{Domain, Socket, Type};

use crate::program::Program;

mod program;

const HORNWIRE: &str = env!("CARGO_BIN_EXE_hornwire");

const CONFIG: &str = r#"
    [site]
    name = "Quayside Timber"
    [cards.main]
    output = "null"
    [zones.yard]
    card = "main"
    channel = 1
    lead = "0 s"
    [defaults.groups]
    interface = "lo"
    [groups.dispatch]
    address = "239.255.44.1:5004"
    zones = ["yard"]
    priority = 60
"#;

fn sender() -> UdpSocket {
    let socket = Socket::new(Domain::IPV4, Type::DGRAM, None).unwrap();
    socket.bind(&SocketAddrV4::new(Ipv4Addr::LOCALHOST, 0).into()).unwrap();
    socket.set_multicast_if_v4(&Ipv4Addr::LOCALHOST).unwrap();
    socket.set_multicast_loop_v4(true).unwrap();
    socket.into()
}

/// G.711 µ-law of 440 Hz at a tenth of full scale, 20 ms a packet (RFC 3550 §5.1); `None`: it is lost.
fn packet(n: u32) -> Option<Vec<u8>> {
    if n % 20 == 10 {
        return None;
    }
    let mut packet = vec![0x80, 0];
    packet.extend((n as u16).to_be_bytes());
    packet.extend((n * 160).to_be_bytes());
    packet.extend([0, 0, 0, 7]);
    packet.extend((n * 160..(n + 1) * 160).map(|i| {
        let x = 0.1 * (std::f64::consts::TAU * 440.0 * f64::from(i) / 8000.0).sin();
        ulaw_encode((x * 32_767.0) as i16)
    }));
    Some(packet)
}

/// In real time. Returns how many went out.
fn send(socket: &UdpSocket, to: &str, packets: u32) -> u64 {
    let start = Instant::now();
    let mut sent = 0;
    for n in 0..packets {
        if let Some(packet) = packet(n) {
            socket.send_to(&packet, to).unwrap();
            sent += 1;
        }
        std::thread::sleep((start + Duration::from_millis(20) * (n + 1)).saturating_duration_since(Instant::now()));
    }
    sent
}

/// Runs it until it says that it listens: its first look comes after a second.
fn listen(arguments: &[&str]) -> (Child, std::sync::mpsc::Receiver<Value>) {
    let mut child = Command::new(HORNWIRE)
        .arg("listen")
        .args(arguments)
        .arg("--json")
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let (queue, lines) = std::sync::mpsc::channel();
    let stdout = child.stdout.take().unwrap();
    std::thread::spawn(move || {
        for line in BufReader::new(stdout).lines().map_while(Result::ok) {
            let _ = queue.send(serde_json::from_str(&line).unwrap());
        }
    });
    let first: Value = lines.recv_timeout(Duration::from_secs(40)).unwrap();
    assert_eq!(first["what"], "look");
    (child, lines)
}

fn end(mut child: Child, signal: &str) {
    let pid = child.id().to_string();
    assert!(Command::new("kill").args([signal, &pid]).status().unwrap().success());
    assert_eq!(child.wait().unwrap().code(), Some(0));
}

#[test]
fn a_stream_beside_a_running_gateway_is_told_and_saved() {
    let folder = program::folder("listen");
    let mut program = Program::start(folder.clone(), CONFIG);
    program.line("listening to group dispatch");
    let config = folder.join("quayside.toml");
    let heard = folder.join("heard");
    let (child, lines) = listen(&["--save", heard.to_str().unwrap(), config.to_str().unwrap()]);
    let socket = sender();
    let sent = send(&socket, "239.255.44.1:5004", 200);
    std::thread::sleep(Duration::from_millis(500));
    end(child, "-INT");
    let lines: Vec<Value> = lines.iter().collect();
    let of = |what: &str| lines.iter().filter(|line| line["what"] == what).collect::<Vec<_>>();
    assert_eq!(
        (of("began").len(), of("ended").len(), of("totals").len()),
        (1, 1, 1),
        "{lines:#?}"
    );
    let row = of("ended")[0];
    // 10 of 200 are left out, none at an end: 5 % (computed).
    assert_eq!(
        (row["packets"].as_u64(), row["lost"].as_u64()),
        (Some(sent), Some(10)),
        "{row}"
    );
    assert!((row["loss_percent"].as_f64().unwrap() - 5.0).abs() < 0.01);
    assert_eq!(
        (row["codec"].as_str(), row["sample_rate"].as_u64()),
        (Some("PCMU"), Some(8000))
    );
    assert_eq!(row["packet_time_ms"].as_f64(), Some(20.0));
    assert_eq!(row["sender"], socket.local_addr().unwrap().to_string());
    assert_eq!(row["gateway"]["text"], "dispatch: to zone yard, priority 60");
    // A tenth of full scale is -23.01 dBFS RMS (computed); concealment stands in for a twentieth.
    let levels: Vec<f64> = of("stream")
        .iter()
        .filter_map(|row| row["level_dbfs"].as_f64())
        .collect();
    let loudest = row["loudest_dbfs"].as_f64().unwrap();
    assert!((loudest + 23.01).abs() < 0.5, "{loudest} {levels:?}");
    // The file: all of the four seconds, the tone and nothing else.
    let file = row["file"].as_str().unwrap();
    assert!(
        file.contains("239.255.44.1-5004_127.0.0.1-") && file.ends_with("_00000007.wav"),
        "{file}"
    );
    let mut reader = hound::WavReader::open(file).unwrap();
    assert_eq!((reader.spec().sample_rate, reader.spec().channels), (48_000, 1));
    let samples: Vec<f64> = reader
        .samples::<i16>()
        .map(|s| f64::from(s.unwrap()) / 32_768.0)
        .collect();
    let seconds = samples.len() as f64 / 48_000.0;
    assert!((3.8..4.8).contains(&seconds), "{seconds}");
    let rms = |part: &[f64]| 10.0 * (part.iter().map(|x| x * x).sum::<f64>() / part.len() as f64).log10();
    let level = rms(&samples[48_000..144_000]);
    assert!((level + 23.01).abs() < 0.5, "{level}");
    // The gateway had every packet too.
    program.line("ended:");
    program.stop();
    let record = program
        .lines()
        .into_iter()
        .find(|line| line.contains("ended:"))
        .unwrap();
    assert!(record.contains(&format!("PACKETS={sent} LOST=10 ")), "{record}");
}

#[test]
fn groups_by_flag_and_a_limit_of_time() {
    let output = Command::new(HORNWIRE)
        .args([
            "listen",
            "--group",
            "239.255.44.8/30:5004",
            "--interface",
            "lo",
            "--for",
            "1",
        ])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0));
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(said.starts_with("Listening to 4 groups, 1 s: nobody sent"), "{said}");
    for (arguments, code, told) in [
        (
            &["--group", "239.255.0.0/16:5004"][..],
            64,
            "at most 256 can be watched",
        ),
        (&["--group", "192.0.2.1:5004"], 64, "is no multicast address"),
        (&["--seen"], 64, "--interface"),
        (&["--seen", "--interface", "nowhere-0"], 69, "no network interface"),
        (&["/nowhere.toml"], 66, "no such file"),
    ] {
        let output = Command::new(HORNWIRE).arg("listen").args(arguments).output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(code), "{arguments:?} {said}");
        assert!(said.contains(told), "{arguments:?} {said}");
    }
}

/// Two networks without names, joined by a cable. The far one has a member, whose report is what tells of the group, and a
/// sender; nobody names the group to `listen`.
const CABLE: &str = r#"
set -eu
ip link set lo up
ip link add near type veth peer name far
unshare --net sleep 60 &
other=$!
trap 'kill $other' EXIT
sleep 0.5
ip link set far netns $other
there() { nsenter --net=/proc/$other/ns/net "$@"; }
ip addr add 192.0.2.1/24 dev near; ip link set near up
there ip addr add 192.0.2.2/24 dev far; there ip link set far up
there ip route add 224.0.0.0/4 dev far
sleep 1
"$1" listen --seen --interface near --for 8 --json >"$2" &
listen=$!
sleep 1.5
there python3 - <<'PYTHON'
import socket, struct, time
member = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
member.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, socket.inet_aton("239.192.7.7") + socket.inet_aton("192.0.2.2"))
s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
for n in range(100):
    if n != 50:
        s.sendto(struct.pack("!BBHII", 0x80, 0, n, n * 160, 9) + bytes([0xFF - n % 2 * 0x80] * 160), ("239.192.7.9", 5004))
    s.sendto(b"M-SEARCH * HTTP/1.1", ("239.255.255.250", 1900))
    time.sleep(0.02)
PYTHON
grep -i 0707C0EF /proc/net/igmp
wait $listen
"#;

#[test]
#[ignore = "needs root for network namespaces, and python3"]
fn what_passes_an_interface_is_seen_and_what_is_asked_for_is_joined() {
    let folder = program::folder("listen-seen");
    let told = folder.join("told");
    let output = Command::new("unshare")
        .args(["--net", "bash", "-c", CABLE, "bash", HORNWIRE])
        .arg(&told)
        .output()
        .unwrap();
    let lines: Vec<Value> = std::fs::read_to_string(&told)
        .unwrap()
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    std::fs::remove_dir_all(&folder).unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let row = lines.iter().find(|line| line["what"] == "ended").unwrap();
    assert_eq!(row["group"], "239.192.7.9:5004");
    assert_eq!(
        (row["packets"].as_u64(), row["lost"].as_u64()),
        (Some(99), Some(1)),
        "{row}"
    );
    let totals = lines.last().unwrap();
    assert_eq!(totals["what"], "totals");
    // 224.0.0.0/24 is left out; the machines may join others of their own.
    assert!(totals["joined"].as_u64() >= Some(1), "{totals}");
    assert!(totals["not_rtp"].as_u64() >= Some(100), "{totals}");
}
