//! Multicast groups at the running program, over the loopback interface, without peers.
#![allow(clippy::disallowed_methods)]

use std::net::{Ipv4Addr, SocketAddrV4, UdpSocket};
use std::time::{Duration, Instant};

use hornwire::media::g711::ulaw_encode;
use socket2::{Domain, Socket, Type};

use crate::program::Program;

mod program;

const CONFIG: &str = r#"
    [site]
    name = "Quayside Timber"
    [cards.main]
    output = "wav:FOLDER/out.wav"
    [zones.yard]
    card = "main"
    channel = 1
    lead = "0 s"
    [defaults.groups]
    interface = "lo"
    [groups.dispatch]
    address = "239.255.41.1:5004"
    zones = ["yard"]
    [groups.office]
    address = "239.255.41.2:5006"
    zones = ["yard"]
    codec = "opus"
    payload_type = 111
"#;

fn sender() -> UdpSocket {
    let socket = Socket::new(Domain::IPV4, Type::DGRAM, None).unwrap();
    socket.bind(&SocketAddrV4::new(Ipv4Addr::LOCALHOST, 0).into()).unwrap();
    socket.set_multicast_if_v4(&Ipv4Addr::LOCALHOST).unwrap();
    socket.set_multicast_loop_v4(true).unwrap();
    socket.into()
}

/// RFC 3550 §5.1.
fn rtp(payload_type: u8, number: u16) -> Vec<u8> {
    let mut packet = vec![0x80, payload_type];
    packet.extend(number.to_be_bytes());
    packet.extend((u32::from(number) * 160).to_be_bytes());
    packet.extend([0, 0, 0, payload_type]);
    packet.extend([0xD5; 160]);
    packet
}

/// G.711 µ-law of a tone at the level of speech, packet by packet of 20 ms.
struct Talker {
    socket: UdpSocket,
    to: &'static str,
    pitch: f64,
    number: u16,
}

impl Talker {
    fn new(to: &'static str, pitch: f64) -> Self {
        Talker {
            socket: sender(),
            to,
            pitch,
            number: 0,
        }
    }

    fn say(&mut self) {
        let from = usize::from(self.number) * 160;
        let mut packet = rtp(0, self.number);
        packet.truncate(12);
        packet.extend((from..from + 160).map(|n| {
            // Louder and softer four times a second, as syllables are.
            let swell = (std::f64::consts::TAU * 2.0 * n as f64 / 8000.0).sin().abs();
            let x = 0.3 * swell * (std::f64::consts::TAU * self.pitch * n as f64 / 8000.0).sin();
            ulaw_encode((x * 32_767.0) as i16)
        }));
        self.number += 1;
        self.socket.send_to(&packet, self.to).unwrap();
    }
}

/// Everybody for so many packets of 20 ms, in real time.
fn say(talkers: &mut [&mut Talker], packets: u32) {
    let start = Instant::now();
    for n in 1..=packets {
        talkers.iter_mut().for_each(|talker| talker.say());
        std::thread::sleep((start + Duration::from_millis(20) * n).saturating_duration_since(Instant::now()));
    }
}

/// Where a pitch is heard: seconds from and to, and the share of the stretches of 50 ms between that have it.
fn heard(samples: &[f32], pitch: f64) -> Option<(f64, f64, f64)> {
    const STRETCH: usize = 2400;
    let has: Vec<bool> = samples
        .chunks_exact(STRETCH)
        .map(|part| {
            let (mut re, mut im) = (0.0, 0.0);
            for (n, x) in part.iter().enumerate() {
                let (sin, cos) = (std::f64::consts::TAU * pitch * n as f64 / 48_000.0).sin_cos();
                re += f64::from(*x) * cos;
                im += f64::from(*x) * sin;
            }
            re.hypot(im) / STRETCH as f64 > 0.01
        })
        .collect();
    let (first, last) = (has.iter().position(|h| *h)?, has.iter().rposition(|h| *h)?);
    let share = has[first..=last].iter().filter(|h| **h).count() as f64 / (last - first + 1) as f64;
    Some((first as f64 * 0.05, (last + 1) as f64 * 0.05, share))
}

fn recording(program: &Program) -> Vec<f32> {
    let mut reader = hound::WavReader::open(program.folder.join("out.wav")).unwrap();
    let channels = usize::from(reader.spec().channels);
    let samples = reader.samples::<i16>().step_by(channels);
    samples.map(|s| f32::from(s.unwrap()) / 32_768.0).collect()
}

const KEPT: &str = r#"
    [site]
    name = "Quayside Timber"
    [cards.main]
    output = "wav:FOLDER/out.wav"
    [zones.yard]
    card = "main"
    channel = 1
    lead = "100 ms"
    release = "100 ms"
    [defaults.groups]
    interface = "lo"
    levelled = false
    idle = "300 ms"
    [groups.gate]
    zones = ["yard"]
    address = "239.255.42.1:5004"
    [groups.saw]
    zones = ["yard"]
    address = "239.255.42.2:5006"
    when_busy = "record"
    [groups.kiln]
    zones = ["yard"]
    address = "239.255.42.3:5008"
    record_first = true
    [groups.crane]
    zones = ["yard"]
    address = "239.255.42.4:5010"
    when_busy = "refuse"
    [groups.horn]
    zones = ["yard"]
    address = "239.255.42.5:5012"
    priority = 80
"#;

/// While the gate speaks, the saw is recorded, the kiln always is; both are played afterwards, whole, one behind the other;
/// a higher page that cuts into the replay is heard at once, and the replay goes on after it.
#[test]
fn what_was_recorded_is_played_once_the_zone_is_free() {
    let folder = program::folder("groups-kept");
    let mut program = Program::start(folder.clone(), &KEPT.replace("FOLDER", &folder.to_string_lossy()));
    program.line("listening to group horn");
    let mut gate = Talker::new("239.255.42.1:5004", 400.0);
    let mut saw = Talker::new("239.255.42.2:5006", 900.0);
    let mut kiln = Talker::new("239.255.42.3:5008", 1400.0);
    let mut crane = Talker::new("239.255.42.4:5010", 1900.0);
    let mut horn = Talker::new("239.255.42.5:5012", 2400.0);
    say(&mut [&mut gate], 25);
    say(&mut [&mut gate, &mut saw, &mut kiln, &mut crane], 75);
    say(&mut [&mut gate], 50);
    // The gate ends after 3 s; the saw plays for 1.5 s from about 3.5 s on.
    say(&mut [], 50);
    say(&mut [&mut horn], 25);
    // Its source has ended before the gate has.
    let waits = program.line("from kiln (127.0.0.1");
    assert!(waits.contains("waits for a zone: page 1 from gate has it"), "{waits}");
    program.line("to zone yard, recorded");
    std::thread::sleep(Duration::from_secs(4));
    program.stop();
    let lines = program.lines();
    let record = |name: &str| {
        let found: Vec<&String> = lines
            .iter()
            .filter(|l| l.contains(&format!(" from {name} ")) && l.contains("ended:"))
            .collect();
        assert_eq!(found.len(), 1, "{name}\n{lines:#?}");
        found[0].clone()
    };
    assert!(!record("gate").contains("recorded"));
    assert!(record("saw").contains("to zone yard, recorded: "), "{}", record("saw"));
    assert!(
        record("kiln").contains("to zone yard, recorded: "),
        "{}",
        record("kiln")
    );
    assert!(
        lines
            .iter()
            .any(|l| l.contains("from crane") && l.contains("was not heard: busy")),
        "{lines:#?}"
    );
    let sound = recording(&program);
    let gate = heard(&sound, 400.0).unwrap();
    let saw = heard(&sound, 900.0).unwrap();
    let kiln = heard(&sound, 1400.0).unwrap();
    let horn = heard(&sound, 2400.0).unwrap();
    assert!(
        saw.0 > gate.1 - 0.1 && kiln.0 > saw.1 - 0.1,
        "{gate:?} {saw:?} {kiln:?}"
    );
    assert!(horn.0 > saw.0, "{horn:?} {saw:?}");
    // The horn cuts into one of the two, which then goes on half a second before where it was.
    for (name, (from, to, share)) in [("saw", saw), ("kiln", kiln)] {
        let cut = horn.0 < to && horn.1 > from;
        let length = if cut { (to - from) * share } else { to - from };
        assert!((1.35..=2.3).contains(&length), "{name}: {from} to {to}, {share}");
    }
    assert!(heard(&sound, 1900.0).is_none());
}

/// What cannot be played is told once for each type, by its name where it has one (RFC 3551 Table 4), with what would be
/// taken; comfort noise that nobody asked for (RFC 3389 §4) and known types are not.
#[test]
fn a_payload_type_that_is_not_taken_is_told_once() {
    let folder = program::folder("groups-types");
    let mut program = Program::start(folder.clone(), &CONFIG.replace("FOLDER", &folder.to_string_lossy()));
    program.line("listening to group dispatch");
    program.line("listening to group office");
    let socket = sender();
    for number in 0..20 {
        for (payload_type, to) in [
            (18, "239.255.41.1:5004"),
            (96, "239.255.41.1:5004"),
            (8, "239.255.41.2:5006"),
            (13, "239.255.41.2:5006"),
        ] {
            socket.send_to(&rtp(payload_type, number), to).unwrap();
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    socket.send_to(&rtp(0, 1), "239.255.41.1:5004").unwrap();
    socket.send_to(&rtp(0, 2), "239.255.41.1:5004").unwrap();
    program.line("a stream from");
    program.stop();
    let lines = program.lines();
    let said: Vec<&String> = lines.iter().filter(|l| l.contains("are not played")).collect();
    let from = socket.local_addr().unwrap();
    let any = "it takes 0 (PCMU), 8 (PCMA), 9 (G722), 10 (L16/44100/2), 11 (L16/44100)";
    for text in [
        format!("dispatch: packets of payload type 18 (G729) from {from} are not played; {any}"),
        format!("dispatch: packets of payload type 96 from {from} are not played; {any}"),
        format!("office: packets of payload type 8 (PCMA) from {from} are not played; it takes 111 (opus)"),
    ] {
        assert_eq!(
            said.iter().filter(|l| l.contains(&text)).count(),
            1,
            "{text}\n{lines:#?}"
        );
    }
    assert_eq!(said.len(), 3, "{lines:#?}");
}
