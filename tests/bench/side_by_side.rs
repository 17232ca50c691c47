//! Hornwire and the GStreamer pipeline, at once: one sender, one multicast group, both play it. Processor time of
//! both, and the time from a packet to its sound.

use std::net::{Ipv4Addr, SocketAddr, UdpSocket};
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use socket2::SockRef;

use crate::callgrind;
use crate::gstreamer::{self, LAUNCH, Output};
use crate::program::{Ended, HORNWIRE, Scratch, free_port, log_of, start, start_as};
use crate::signal::{PACKET_TIME, delays, onsets, send_bursts};
use crate::sound_server::{SoundServer, cpu_time, moment};
use crate::{Extent, Failure, Row};

/// Until both have filled their buffers.
const SETTLING: Duration = Duration::from_secs(3);
/// Until both have started under valgrind.
const VALGRIND_STARTS: Duration = Duration::from_secs(8);
/// Hornwire's card has this period and four of them; the tuned pipeline gets the same.
const PERIOD_MS: u32 = 10;
const BUFFER_MS: u32 = 40;

pub fn rows(extent: Extent) -> Vec<Row> {
    let mut rows = Vec::new();
    rows.push(Row {
        what: "instructions of the whole process, into a file: Hornwire / GStreamer".to_owned(),
        figure: instructions(extent.counting),
        goal: "goal: at most a third of it".to_owned(),
    });
    let files = into_files(extent.listening);
    rows.push(Row {
        what: "processor time, into a file: Hornwire / GStreamer".to_owned(),
        figure: files.map(|both| both.text()),
        goal: "goal: at most a third of it".to_owned(),
    });
    // As it comes: 200 ms of jitter buffer, 200 ms of card buffer. Tuned: what a careful integrator would set.
    for (name, jitter_ms, buffer_ms, period_ms) in [
        ("as it comes", 200, 200, 10),
        ("tuned to 40 ms", 40, BUFFER_MS, PERIOD_MS),
    ] {
        let (cpu, delay) = match into_a_card(extent.listening, jitter_ms, buffer_ms, period_ms) {
            Ok((cpu, delay)) => (Ok(cpu.text()), Ok(delay)),
            Err(failure) => (Err(failure.clone()), Err(failure)),
        };
        rows.push(Row {
            what: format!("processor time, into a card: Hornwire / GStreamer {name}"),
            figure: cpu,
            goal: "goal: at most a third of it".to_owned(),
        });
        rows.push(Row {
            what: format!("packet to sound, median: Hornwire / GStreamer {name}"),
            figure: delay,
            goal: "goal: not above it".to_owned(),
        });
    }
    rows
}

/// Processor time of both over the same span.
struct Cpu {
    hornwire: Duration,
    gstreamer: Duration,
    span: Duration,
}

impl Cpu {
    fn text(&self) -> String {
        let per_second = |time: Duration| time.as_secs_f64() / self.span.as_secs_f64() * 1000.0;
        format!(
            "{:.2} / {:.2} ms per s ({:.2} of it)",
            per_second(self.hornwire),
            per_second(self.gstreamer),
            self.hornwire.as_secs_f64() / self.gstreamer.as_secs_f64().max(1e-9)
        )
    }
}

pub fn config(group: SocketAddr, output: &str, channels: usize) -> String {
    format!(
        r#"
[site]
name = "Quayside Timber"

[cards.desk]
output = "{output}"
channels = {channels}
period = "{PERIOD_MS} ms"

[zones.yard]
card = "desk"
channel = 1

[groups.weighbridge]
address = "{group}"
interface = "lo"
codec = "pcmu"
zones = ["yard"]
"#
    )
}

pub fn sender() -> Result<(UdpSocket, SocketAddr), Failure> {
    let socket = UdpSocket::bind("127.0.0.1:0").map_err(Failure::broken)?;
    SockRef::from(&socket)
        .set_multicast_if_v4(&Ipv4Addr::LOCALHOST)
        .map_err(Failure::broken)?;
    // 233.252.0.0/24: for documentation (RFC 6676 §2).
    let group = SocketAddr::new(Ipv4Addr::new(233, 252, 0, 77).into(), free_port()?);
    Ok((socket, group))
}

/// Sends for the whole time, and takes processor times from the end of the settling on.
fn measure(
    hornwire: &Ended,
    gstreamer: &Ended,
    (socket, group): &(UdpSocket, SocketAddr),
    listening: Duration,
) -> Result<(Cpu, Vec<Instant>), Failure> {
    let begin = Instant::now() + SETTLING;
    let end = begin + listening;
    std::thread::scope(|scope| {
        let sending = scope.spawn(|| send_bursts(socket, *group, end));
        let both = || Ok::<_, Failure>((cpu_time(&hornwire.0)?, cpu_time(&gstreamer.0)?));
        std::thread::sleep(begin.saturating_duration_since(Instant::now()));
        let (before, from) = (both()?, Instant::now());
        std::thread::sleep(end.saturating_duration_since(Instant::now()));
        let after = both()?;
        let cpu = Cpu {
            hornwire: after.0.saturating_sub(before.0),
            gstreamer: after.1.saturating_sub(before.1),
            span: from.elapsed(),
        };
        let bursts = sending
            .join()
            .map_err(|_| Failure::Broken("the sender panicked".to_owned()))?
            .map_err(Failure::broken)?;
        Ok((cpu, bursts.into_iter().filter(|at| *at >= begin).collect()))
    })
}

/// Instructions of both programs for a second of audio, outside the kernel. What a wake-up costs differs from machine
/// to machine, and most on a virtual one; this does not.
fn instructions((short, long): (Duration, Duration)) -> Result<String, Failure> {
    let (few, many) = (count(short)?, count(long)?);
    let per_second = |few: u64, many: u64| many.saturating_sub(few) as f64 / (long - short).as_secs_f64() / 1e6;
    let (ours, theirs) = (per_second(few.0, many.0), per_second(few.1, many.1));
    Ok(format!(
        "{ours:.1} / {theirs:.1} million per s ({:.2} of it)",
        ours / theirs.max(1e-9)
    ))
}

/// Runs both, each under callgrind, and sends for `length`.
fn count(length: Duration) -> Result<(u64, u64), Failure> {
    let scratch = Scratch::new("count")?;
    let (socket, group) = sender()?;
    let (ours, theirs) = (
        scratch.path.join("hornwire.callgrind"),
        scratch.path.join("gstreamer.callgrind"),
    );
    let wav = scratch.path.join("hornwire.wav");
    let raw = scratch.path.join("gstreamer.raw");
    let gstreamer = gstreamer::play(
        callgrind::command(&theirs, LAUNCH),
        group,
        200,
        &Output::File(&raw),
        |_| {},
    )?;
    let hornwire = start_as(
        callgrind::command(&ours, HORNWIRE),
        &scratch.path,
        &config(group, &format!("wav:{}", wav.display()), 1),
        |_| {},
    )?;
    std::thread::sleep(VALGRIND_STARTS);
    send_bursts(&socket, group, Instant::now() + length).map_err(Failure::broken)?;
    hornwire.stop()?;
    gstreamer.stop_with("INT")?;
    // A busy machine does not keep pace under valgrind, and then does not do the work either.
    let said = log_of(&scratch.path);
    let ours_played: f64 = said
        .split("PACKETS=")
        .skip(1)
        .filter_map(|rest| rest.split(' ').next()?.parse::<f64>().ok())
        .sum();
    let theirs_played = std::fs::metadata(&raw).map_err(Failure::broken)?.len() as f64 / (48_000.0 * 2.0);
    let least = length.as_secs_f64() * 0.95 - 0.5;
    if ours_played * PACKET_TIME.as_secs_f64() < least || theirs_played < least {
        return Err(Failure::NotMeasured(format!(
            "this machine is too slow: under valgrind Hornwire played {ours_played} packets and GStreamer \
             {theirs_played:.1} s of {} s",
            length.as_secs()
        )));
    }
    Ok((callgrind::total(&ours)?, callgrind::total(&theirs)?))
}

fn into_files(listening: Duration) -> Result<Cpu, Failure> {
    let scratch = Scratch::new("files")?;
    let send = sender()?;
    let ours = scratch.path.join("hornwire.wav");
    let theirs = scratch.path.join("gstreamer.raw");
    let gstreamer = gstreamer::play(Command::new(LAUNCH), send.1, 200, &Output::File(&theirs), |_| {})?;
    let hornwire = start(
        &scratch.path,
        &config(send.1, &format!("wav:{}", ours.display()), 1),
        |_| {},
    )?;
    let (cpu, _) = measure(&hornwire, &gstreamer, &send, listening)?;
    drop(gstreamer);
    hornwire.stop()?;
    // Who played nothing has saved his time for nothing. 48 kHz, two octets a sample.
    let least = listening.as_secs() * 48_000 * 2;
    for file in [&ours, &theirs] {
        played(file, least, &scratch)?;
    }
    Ok(cpu)
}

fn played(file: &Path, least: u64, scratch: &Scratch) -> Result<(), Failure> {
    let size = std::fs::metadata(file).map_err(Failure::broken)?.len();
    if size >= least {
        return Ok(());
    }
    Err(Failure::Broken(format!(
        "{} holds {size} octets only: {}",
        name(file),
        log_of(&scratch.path)
    )))
}

fn name(file: &Path) -> String {
    file.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

fn into_a_card(listening: Duration, jitter_ms: u32, buffer_ms: u32, period_ms: u32) -> Result<(Cpu, String), Failure> {
    let scratch = Scratch::new("card")?;
    let server = SoundServer::start()?;
    let recording = server.record()?;
    let send = sender()?;
    let output = Output::Alsa { buffer_ms, period_ms };
    let gstreamer = gstreamer::play(Command::new(LAUNCH), send.1, jitter_ms, &output, |c| {
        server.environment(c)
    })?;
    let hornwire = start(&scratch.path, &config(send.1, "alsa:pulse", 2), |c| {
        server.environment(c)
    })?;
    let (cpu, bursts) = measure(&hornwire, &gstreamer, &send, listening)?;
    // The last burst may still be on its way.
    std::thread::sleep(Duration::from_secs(1));
    drop(gstreamer);
    hornwire.stop()?;
    let (left, right, origin) = recording.end()?;
    let median = |samples: &[i16], who: &str| {
        let heard: Vec<Instant> = onsets(samples).into_iter().map(|at| moment(origin, at)).collect();
        let all = delays(&bursts, &heard);
        if all.len() * 2 < bursts.len() {
            let played = format!("{who} played {} of {} bursts", all.len(), bursts.len());
            // The peer's own trouble, on a busy machine, is no fault of ours.
            return Err(match who {
                "GStreamer" => Failure::NotMeasured(played),
                _ => Failure::Broken(format!("{played}: {}", log_of(&scratch.path))),
            });
        }
        Ok(all[all.len() / 2].as_secs_f64() * 1000.0)
    };
    let (ours, theirs) = (median(&left, "Hornwire")?, median(&right, "GStreamer")?);
    Ok((cpu, format!("{ours:.0} / {theirs:.0} ms")))
}
