//! Captures as the field's own tools write them, tcpdump (pcap) and tshark (pcapng), of a live run in a network of its own: the replay's
//! records must be the live run's. The demonstration is the live run: calls, a stranger, a multicast page.
#![allow(clippy::disallowed_methods)]

use std::path::Path;
use std::process::Command;

const HORNWIRE: &str = env!("CARGO_BIN_EXE_hornwire");

/// A network without a name, gone with its last process.
const LIVE: &str = r#"
set -eu
ip link set lo up
ip route add 224.0.0.0/4 dev lo
tcpdump -q -i any -s 0 -U -w tcpdump.pcap udp 2>tcpdump.log &
one=$!
tshark -q -i lo -f udp -w tshark.pcapng 2>tshark.log &
two=$!
for try in $(seq 100); do
    [ -s tcpdump.pcap ] && [ -s tshark.pcapng ] && break
    sleep 0.1
done
sleep 1
"$1" demo --out live >live.txt
sleep 1
kill -s INT "$one" "$two"
wait "$one" "$two" || true
"#;

/// Records and refusals, without the time of day.
fn records(text: &str) -> Vec<String> {
    let told = [", ended: ", " was not heard: ", "turned away"];
    let lines = text.lines().filter(|line| told.iter().any(|what| line.contains(what)));
    lines
        .map(|line| line.split_once("  ").map_or(line, |(_, rest)| rest).trim().to_owned())
        .collect()
}

/// The demonstration's timeline breaks long lines; what belongs together is together again.
fn journal(timeline: &str) -> String {
    let mut out = String::new();
    for line in timeline.lines() {
        let blank = line.len() - line.trim_start().len();
        if blank > 20 {
            out.push(' ');
            out.push_str(line.trim());
        } else if let Some((_, text)) = line.split_once("  journal ") {
            out.push_str("\n  ");
            out.push_str(text.trim());
        } else {
            out.push('\n');
        }
    }
    out
}

/// A replay breaks long lines too: behind the time of day.
fn unbroken(text: &str) -> String {
    text.replace(&format!("\n{}", " ".repeat("06:00:10.250  ".len())), " ")
}

#[test]
#[ignore = "needs root for a network namespace, tcpdump and tshark"]
fn the_records_are_those_of_the_live_run() {
    let folder = std::env::temp_dir().join(format!("hornwire-replayed-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let live = Command::new("unshare")
        .args(["--net", "bash", "-c", LIVE, "bash", HORNWIRE])
        .current_dir(&folder)
        .status()
        .unwrap();
    let log = |name: &str| std::fs::read_to_string(folder.join(name)).unwrap_or_default();
    assert!(
        live.success(),
        "{} {} {}",
        log("live.txt"),
        log("tcpdump.log"),
        log("tshark.log")
    );
    let told = records(&journal(&log("live.txt")));
    assert!(told.len() >= 5, "{told:#?}");
    for capture in ["tcpdump.pcap", "tshark.pcapng"] {
        let replay = Command::new(HORNWIRE)
            .args([
                "replay",
                capture,
                "--config",
                "live/hornwire-demo.toml",
                "--out",
                "replayed",
            ])
            .current_dir(&folder)
            .output()
            .unwrap();
        let text = String::from_utf8(replay.stdout).unwrap();
        assert!(
            replay.status.success(),
            "{text}{}",
            String::from_utf8_lossy(&replay.stderr)
        );
        same_records(&records(&unbroken(&text)), &told, &format!("{capture}\n{text}"));
        assert!(!text.contains("belong to no call"), "{text}");
        for zone in ["yard", "office"] {
            same_sound(
                &folder.join(format!("live/{zone}-line.wav")),
                &folder.join(format!("replayed/{zone}.wav")),
            );
        }
        assert!(log("replayed/timeline.svg").contains(", replay of "));
    }
    std::fs::remove_dir_all(&folder).unwrap();
}

/// Word for word, and every count. What is measured by the clock may fall to the other side of its rounding: the socket stamps a packet a
/// little after the capture does.
fn same_records(replayed: &[String], live: &[String], shown: &str) {
    const SECONDS: f64 = 0.1;
    const JITTER_MS: f64 = 0.3;
    let (counted, measured): (Vec<_>, Vec<_>) = replayed.iter().map(|record| clocked(record)).unzip();
    let (counted_live, measured_live): (Vec<_>, Vec<_>) = live.iter().map(|record| clocked(record)).unzip();
    assert_eq!(counted, counted_live, "{shown}");
    for ((record, one), other) in live.iter().zip(&measured).zip(&measured_live) {
        for (one, other) in one.iter().zip(other) {
            let most = if one.1 == "s" { SECONDS } else { JITTER_MS };
            assert!(
                (one.0 - other.0).abs() <= most + 1e-9,
                "{record}: {one:?} in the replay\n{shown}"
            );
        }
    }
}

/// A record without the figures that were read from a clock, and these with their units.
fn clocked(record: &str) -> (String, Vec<(f64, String)>) {
    let mut figures = Vec::new();
    let mut rest = Vec::new();
    let mut words = record.split(' ').peekable();
    while let Some(word) = words.next() {
        let unit = words.peek().map_or("", |unit| unit.trim_end_matches([',', ';']));
        match word.parse() {
            Ok(figure) if unit == "s" || unit == "ms" => figures.push((figure, unit.to_owned())),
            _ => rest.push(word),
        }
    }
    (rest.join(" "), figures)
}

/// A capture of something else, on 80 columns.
#[test]
fn what_is_none_of_this_gateway_is_refused() {
    let folder = std::env::temp_dir().join(format!("hornwire-refused-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let config = "[site]\nname = \"Quayside Timber\"\n[cards.main]\noutput = \"null\"\n[zones.yard]\ncard = \"main\"\nchannel = 1\n\
        [sip]\nnetworks = [\"192.0.2.0/24\"]\n[extensions.yard-page]\nuser = \"850\"\nzones = [\"yard\"]\n";
    std::fs::write(folder.join("site.toml"), config).unwrap();
    // pcap, microseconds, link type 101: one datagram without payload between two ports.
    let word = |n: u32| n.to_le_bytes().to_vec();
    let header = [0xa1b2_c3d4, 0x0004_0002, 0, 0, 65_535, 101];
    let packet = [1_795_000_000, 0, 28, 28];
    let mut file: Vec<u8> = header.into_iter().chain(packet).flat_map(word).collect();
    file.extend([0x45, 0, 0, 28, 0, 0, 0, 0, 64, 17, 0, 0, 192, 0, 2, 30, 192, 0, 2, 20]);
    file.extend([0x0f, 0xa0, 0x0f, 0xa2, 0, 8, 0, 0]);
    std::fs::write(folder.join("other.pcap"), &file).unwrap();
    // Beside it a TCP segment that begins as SIP does.
    let mut tcp = vec![0x45, 0, 0, 56, 0, 0, 0, 0, 64, 6, 0, 0, 192, 0, 2, 30, 192, 0, 2, 20];
    tcp.extend([
        0x9c, 0x40, 0x13, 0xd8, 0, 0, 0, 1, 0, 0, 0, 0, 0x50, 0x18, 1, 0, 0, 0, 0, 0,
    ]);
    tcp.extend(b"SIP/2.0 200 OK\r\n");
    file.extend([1_795_000_001, 0, 56, 56].into_iter().flat_map(word));
    file.extend(tcp);
    std::fs::write(folder.join("tcp.pcap"), file).unwrap();
    let replay = |capture: &str, more: &[&str]| {
        let program = Command::new(HORNWIRE)
            .args(["replay", capture, "--config", "site.toml"])
            .args(more)
            .current_dir(&folder)
            .output()
            .unwrap();
        let text = String::from_utf8(program.stderr).unwrap();
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        (program.status.code(), text.replace("\n  ", " "))
    };
    let (code, text) = replay("other.pcap", &[]);
    assert!(
        code == Some(65) && text.contains("nothing for this config in it"),
        "{code:?} {text}"
    );
    let (code, text) = replay("tcp.pcap", &[]);
    assert!(
        code == Some(65) && text.contains("SIP by TCP or TLS is"),
        "{code:?} {text}"
    );
    let (code, text) = replay("other.pcap", &["--address", "192.0.2.99"]);
    assert!(
        code == Some(65) && text.contains("no call in it goes to 192.0.2.99: there are none"),
        "{code:?} {text}"
    );
    std::fs::remove_dir_all(&folder).unwrap();
}

#[test]
fn figures_of_the_clock_are_told_from_counts() {
    let (rest, figures) =
        clocked("page 1 to zone yard: 5.5 s, ended: caller hung up; 328 packets, 0.0 % lost, jitter 0.6 ms");
    assert_eq!(
        rest,
        "page 1 to zone yard: s, ended: caller hung up; 328 packets, 0.0 % lost, jitter ms"
    );
    assert_eq!(figures, [(5.5, "s".to_owned()), (0.6, "ms".to_owned())]);
}

/// Length of what is heard, and its level in each tenth of a second.
fn same_sound(live: &Path, replayed: &Path) {
    let heard = |path: &Path| -> Vec<f32> {
        let mut wav = hound::WavReader::open(path).unwrap();
        let samples: Vec<f32> = wav.samples::<i16>().map(|s| f32::from(s.unwrap()) / 32768.0).collect();
        let first = samples.iter().position(|s| s.abs() > 0.01).unwrap();
        let last = samples.iter().rposition(|s| s.abs() > 0.01).unwrap();
        samples[first..=last].to_vec()
    };
    let (live, replayed) = (heard(live), heard(replayed));
    let apart = live.len().abs_diff(replayed.len());
    assert!(apart <= 4800, "{} and {} samples", live.len(), replayed.len());
    let level = |tenth: &[f32]| 10.0 * (tenth.iter().map(|s| s * s).sum::<f32>() / tenth.len() as f32 + 1e-7).log10();
    let differences = live
        .chunks_exact(4800)
        .zip(replayed.chunks_exact(4800))
        .map(|(a, b)| (level(a) - level(b)).abs());
    let differences: Vec<f32> = differences.collect();
    let mean = differences.iter().sum::<f32>() / differences.len() as f32;
    // Two cards begin their periods at other moments; that moves words against the tenths.
    assert!(mean < 1.5, "{mean} dB on average: {differences:?}");
}
