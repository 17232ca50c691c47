//! Long runs: does anything grow? A day of pages through the sound path in simulated time, and the program on the wall with calls, groups'
//! silence, announcements, contacts, reloads and faults. Memory, descriptors and threads are looked at all the time and must stay.
//! The rules have a year of their own in `tests/rehearsal/year.rs`.

use std::net::{Ipv4Addr, UdpSocket};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use hornwire::media::{Codec, PayloadMap, Playout, PlayoutSettings, Received, Receiver, queue};
use hornwire::page::{PageId, ZoneId};
use hornwire::sound::engine::{self, Levelling, Report, Voice, ZoneOutput, engine};
use hornwire::sound::level::{Db, Dbfs};
use hornwire::sound::leveller::SPEECH_LEVEL;

use crate::caller::{Call, Phone};
use crate::chain::payloads;
use crate::program::{Ended, HORNWIRE, Scratch, free_port, log_of, start};
use crate::signal::{PACKET_TIME, rtp};
use crate::{Extent, Failure, Row};

/// What may come on top between the first and the last stretch: the allocator's own ups and downs.
const SLACK: u64 = 1 << 20;
/// A page a minute, in simulated time.
const PAGE_EACH: Duration = Duration::from_secs(60);
const PAGE_LENGTH: Duration = Duration::from_secs(8);
/// Every so manyth packet is lost, and every so manyth twice there.
const LOST: u64 = 33;
const TWICE: u64 = 50;
const PERIOD: Duration = Duration::from_millis(10);
const FRAMES: usize = 480;

pub fn rows(extent: Extent) -> Vec<Row> {
    let hours = extent.soak.0.as_secs_f64() / 3600.0;
    let minutes = extent.soak.1.as_secs_f64() / 60.0;
    vec![
        Row {
            what: format!("{hours:.1} h of pages through the sound path (simulated): memory of this process"),
            figure: day(extent.soak.0),
            goal: "the same at the end".to_owned(),
        },
        Row {
            what: format!("{minutes:.1} min of calls, faults and reloads on the wall: memory, descriptors, threads"),
            figure: wall(extent.soak.1),
            goal: "the same at the end".to_owned(),
        },
    ]
}

fn megabytes(octets: u64) -> String {
    format!("{:.2}", octets as f64 / 1e6)
}

/// Octets of a process in memory.
fn resident(process: &str) -> Result<u64, Failure> {
    let text = std::fs::read_to_string(format!("/proc/{process}/statm")).map_err(Failure::broken)?;
    let pages = text.split_whitespace().nth(1).and_then(|n| n.parse::<u64>().ok());
    Ok(pages.ok_or_else(|| Failure::broken("no statm"))? * 4096)
}

fn day(length: Duration) -> Result<String, Failure> {
    let zones = [0u16, 1].map(|n| ZoneOutput {
        zone: ZoneId(n),
        channel: usize::from(n),
        gain: Db(0.0),
        filters: Vec::new(),
        ceiling: Dbfs(-1.0),
    });
    let (mut card, mut desk) = engine(&zones, 2);
    let map = PayloadMap::static_types();
    let payloads = payloads(Codec::Pcmu).map_err(Failure::broken)?;
    let start = Instant::now();
    let (mut now, mut page, mut sent, mut drained) = (Duration::ZERO, 0u64, 0u64, 0u64);
    let mut out = vec![0.0; FRAMES * 2];
    let mut sizes = Vec::new();
    while now < length {
        page += 1;
        let (id, zone) = (PageId(page), ZoneId((page % 2) as u16));
        let (packets, packets_end) = queue(128, 1 << 18);
        let voice = Voice {
            busy_tone: None,
            direct: false,
            page: id,
            playout: Playout::new(&map, PlayoutSettings::default()).map_err(Failure::broken)?,
            packets: packets_end,
            gain: Db(0.0),
            levelling: Some(Levelling {
                target: SPEECH_LEVEL,
                start: Db(0.0),
            }),
        };
        let mut receiver = Receiver::new(map);
        let mut packets = packets;
        let full = |_| Failure::broken("the command queue is full");
        desk.commands
            .push(engine::Command::Attach(Box::new(voice)))
            .map_err(full)?;
        desk.commands
            .push(engine::Command::Speak {
                zone,
                page: id,
                gain: Db(0.0),
            })
            .map_err(full)?;
        let (began, mut is_back, mut loudest) = (now, false, 0.0f32);
        let mut next = now;
        let mut draining = false;
        while now < began + PAGE_EACH {
            while next <= now && next < began + PAGE_LENGTH {
                let datagram = rtp(sent, 0, 160, &payloads[sent as usize % payloads.len()]);
                let times = u64::from(!sent.is_multiple_of(LOST)) + u64::from(sent.is_multiple_of(TWICE));
                for _ in 0..times {
                    if let Received::Packet { packet, .. } = receiver.handle(&datagram, start + next) {
                        while let Some(kept) = receiver.take_kept() {
                            packets.push(&kept);
                        }
                        packets.push(&packet);
                    }
                }
                sent += 1;
                next += PACKET_TIME;
            }
            if now >= began + PAGE_LENGTH && !draining {
                draining = true;
                desk.commands.push(engine::Command::Drain(id)).map_err(full)?;
            }
            card.render(&mut out, start + now);
            loudest = out.iter().fold(loudest, |most, s| most.max(s.abs()));
            while let Ok(report) = desk.reports.pop() {
                match report {
                    Report::Drained(_) => {
                        drained += 1;
                        desk.commands.push(engine::Command::Detach(id)).map_err(full)?;
                    }
                    Report::Spent(_) => is_back = true,
                    Report::Heard { .. } | Report::Meter { .. } => {}
                }
            }
            now += PERIOD;
        }
        if !is_back || loudest < 0.01 {
            return Err(Failure::Broken(format!(
                "page {page}: voice back: {is_back}, loudest sample {loudest}"
            )));
        }
        // An hour has settled everything that settles.
        if now.as_secs().is_multiple_of(600) {
            sizes.push(resident("self")?);
        }
    }
    if drained != page {
        return Err(Failure::Broken(format!("{page} pages, {drained} came to their end")));
    }
    let (first, last) = (sizes[sizes.len() / 6], sizes[sizes.len() - 1]);
    if last > first + SLACK {
        return Err(Failure::Broken(format!(
            "grew from {} to {} MB",
            megabytes(first),
            megabytes(last)
        )));
    }
    Ok(format!("{page} pages, {} to {} MB", megabytes(first), megabytes(last)))
}

const CONFIG: &str = r#"
[site]
name = "Quayside Timber"
[sip]
listen = ["udp:127.0.0.1:SIP"]
networks = ["127.0.0.0/8"]
[cards.line]
output = "null"
channels = 2
period = "PERIOD ms"
[cards.gone]
output = "alsa:plughw:CARD=NotThere"
channels = 1
[relays.trigger]
line = "simulated"
[relays.ready]
line = "simulated"
shows = "fault"
[zones.yard]
card = "line"
channel = 1
trigger = ["trigger"]
lead = "50 ms"
release = "100 ms"
[zones.office]
card = "line"
channel = 2
lead = "0 s"
[zones.shed]
card = "gone"
channel = 1
[zone_groups.everywhere]
zones = ["yard", "office", "shed"]
[extensions.page]
user = "850"
zones = ["everywhere"]
priority = PRIORITY
no_packet_limit = "2 s"
[extensions.lost]
registrar = "sip:127.0.0.1:DEAF"
user = "851"
zones = ["yard"]
[groups.dispatch]
address = "239.255.77.31:5004"
interface = "lo"
codec = "pcmu"
zones = ["yard"]
idle = "500 ms"
[contacts.night-bell]
line = "file:FOLDER/bell"
zones = ["office"]
priority = 20
[contacts.broken]
line = "gpiochip77:3"
zones = ["office"]
[control]
socket = "FOLDER/control.sock"
[metrics]
listen = "127.0.0.1:METRICS"
"#;

/// One look at the program.
#[derive(Debug, Clone, Copy)]
struct Look {
    memory: u64,
    descriptors: usize,
    threads: usize,
}

fn look(daemon: &Ended) -> Result<Look, Failure> {
    let pid = daemon.0.id().to_string();
    let count = |what: &str| std::fs::read_dir(format!("/proc/{pid}/{what}")).map(Iterator::count);
    Ok(Look {
        memory: resident(&pid)?,
        descriptors: count("fd").map_err(Failure::broken)?,
        threads: count("task").map_err(Failure::broken)?,
    })
}

fn wall(length: Duration) -> Result<String, Failure> {
    let scratch = Scratch::new("soak")?;
    let (sip, deaf, metrics) = (free_port()?, free_port()?, free_port()?);
    let config = |period: u32, priority: u32| {
        CONFIG
            .replace("FOLDER", &scratch.path.to_string_lossy())
            .replace("SIP", &sip.to_string())
            .replace("DEAF", &deaf.to_string())
            .replace("METRICS", &metrics.to_string())
            .replace("PERIOD", &period.to_string())
            .replace("PRIORITY", &priority.to_string())
    };
    let file = scratch.path.join("hornwire.toml");
    let daemon = start(&scratch.path, &config(10, 50), |command| {
        // A service has no terminal: SIGHUP makes it read its config.
        command.stdin(Stdio::null());
    })?;
    let began = Instant::now();
    let (mut cycles, mut reloads, mut refused) = (0u32, 0u32, 0u32);
    let mut looks = Vec::new();
    while began.elapsed() < length || cycles < 3 {
        cycles += 1;
        refused += cycle(&scratch.path, sip, metrics, cycles).map_err(|f| {
            Failure::Broken(format!(
                "cycle {cycles}: {f:?}; last lines: {}",
                last_lines(&scratch.path)
            ))
        })?;
        // One that counts at once, one that begins everything anew, one with a mistake.
        let text = match cycles % 3 {
            0 => config(10, 50).replace("idle =", "idel ="),
            1 => config(10, 50 + cycles % 2),
            _ => config(if cycles.is_multiple_of(2) { 10 } else { 20 }, 50),
        };
        std::fs::write(&file, text).map_err(Failure::broken)?;
        signal(&daemon, "HUP")?;
        reloads += 1;
        std::thread::sleep(Duration::from_millis(1500));
        looks.push(look(&daemon)?);
    }
    daemon.stop()?;
    let said = log_of(&scratch.path);
    for wanted in [
        "was read again and taken up",
        "not taken up",
        "idel",
        "page ",
        "relay trigger operated",
        "does not work",
    ] {
        if !said.contains(wanted) {
            return Err(Failure::Broken(format!("the log has no {wanted:?}")));
        }
    }
    let pages = said.matches(", ended: ").count() + said.matches(" was not heard: ").count();
    let kept = judge(&looks)?;
    let text = format!("{pages} pages, {reloads} reloads, {refused} calls refused in {cycles} cycles; {kept}");
    // On a machine that stands still for a second the sound card has failed, and callers are told so. Not more than that.
    match refused > 2 + cycles / 20 {
        true => Err(Failure::Broken(text)),
        false => Ok(text),
    }
}

fn last_lines(folder: &Path) -> String {
    let log = log_of(folder);
    let lines: Vec<&str> = log.lines().collect();
    lines[lines.len().saturating_sub(12)..].join("\n        ")
}

/// Calls until one is answered; how many were not.
fn answered(phone: &Phone) -> Result<(Call<'_>, u32), Failure> {
    let mut refused = 0;
    loop {
        match phone.call("850") {
            Ok(call) => return Ok((call, refused)),
            Err(_) if refused < 5 => refused += 1,
            Err(cause) => return Err(Failure::Broken(cause)),
        }
        std::thread::sleep(Duration::from_secs(1));
    }
}

/// The second sixth against the last: by then all that settles has settled.
fn judge(looks: &[Look]) -> Result<String, Failure> {
    let sixth = looks.len().div_ceil(6);
    let most = |looks: &[Look]| {
        let of = |value: fn(&Look) -> u64| looks.iter().map(value).max().unwrap_or(0);
        (of(|l| l.memory), of(|l| l.descriptors as u64), of(|l| l.threads as u64))
    };
    let (before, after) = (
        most(&looks[..2 * sixth.min(looks.len() / 2)]),
        most(&looks[looks.len() - sixth..]),
    );
    let text = format!(
        "{} to {} MB, {} to {} descriptors, {} to {} threads",
        megabytes(before.0),
        megabytes(after.0),
        before.1,
        after.1,
        before.2,
        after.2
    );
    match after.0 > before.0 + SLACK || after.1 > before.1 || after.2 > before.2 {
        true => Err(Failure::Broken(format!("it grew: {text}"))),
        false => Ok(text),
    }
}

fn signal(daemon: &Ended, name: &str) -> Result<(), Failure> {
    let sent = Command::new("kill")
        .args(["-s", name, &daemon.0.id().to_string()])
        .status();
    match sent {
        Ok(status) if status.success() => Ok(()),
        other => Err(Failure::Broken(format!("kill: {other:?}"))),
    }
}

/// A few seconds of everything; how many calls were refused.
fn cycle(folder: &Path, sip: u16, metrics: u16, number: u32) -> Result<u32, Failure> {
    let phone = Phone::new(Ipv4Addr::new(127, 0, 77, 31), sip)?;
    let hornwire = |arguments: &[&str]| {
        let socket = folder.join("control.sock");
        Command::new(HORNWIRE)
            .args(arguments)
            .arg("--socket")
            .arg(socket)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .status()
    };
    // A page, a contact that nobody hears because the zone is taken, an announcement below it.
    let (call, refused) = answered(&phone)?;
    std::fs::write(folder.join("bell"), "").map_err(Failure::broken)?;
    call.speak(Duration::from_millis(1500)).map_err(Failure::broken)?;
    let _ = hornwire(&["announce", "--plays", "bell", "--zone", "yard", "--priority", "60"]);
    let _ = hornwire(&["status"]);
    call.hang_up().map_err(Failure::Broken)?;
    let _ = std::fs::remove_file(folder.join("bell"));
    // A stream, with noise of every kind beside it.
    let socket = UdpSocket::bind((Ipv4Addr::LOCALHOST, 0)).map_err(Failure::broken)?;
    let _ = socket2::SockRef::from(&socket).set_multicast_if_v4(&Ipv4Addr::LOCALHOST);
    for n in 0..40u64 {
        let packet = rtp(n + 1000 * u64::from(number), 0, 160, &[0xff; 160]);
        let _ = socket.send_to(&packet, ("239.255.77.31", 5004));
        let _ = socket.send_to(b"INVITE sip:850@x SIP/2.0\r\n\r\n", ("127.0.0.1", sip));
        std::thread::sleep(Duration::from_millis(20));
    }
    // One who calls and says nothing: the limit ends it.
    let silent = Phone::new(Ipv4Addr::new(127, 0, 77, 32), sip)?;
    let answered = silent.call("850");
    std::thread::sleep(Duration::from_millis(2500));
    drop(answered);
    // Figures, and a connection that asks nothing.
    if let Ok(mut stream) = std::net::TcpStream::connect(("127.0.0.1", metrics)) {
        use std::io::{Read as _, Write as _};
        let _ = stream.set_read_timeout(Some(Duration::from_secs(2)));
        let _ = stream.write_all(b"GET /metrics HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n");
        let _ = stream.read_to_end(&mut Vec::new());
    }
    let _idle = std::net::TcpStream::connect(("127.0.0.1", metrics));
    Ok(refused)
}
