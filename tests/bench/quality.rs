//! Speech over bad networks: how it sounds and how late, beside GStreamer's jitter buffer and concealment on the same packets
//! into the same card, and by itself over many traces and voices in simulated time.

use std::fmt::Write as _;
use std::io::Write as _;
use std::net::{SocketAddr, UdpSocket};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use hornwire::media::{Packet, PayloadMap, Playout, PlayoutSettings, g711};

use crate::gstreamer::{self, LAUNCH, Output};
use crate::program::{Scratch, start};
use crate::side_by_side::{config, sender};
use crate::signal::rtp;
use crate::sound_server::{RATE, SoundServer};
use crate::traces::{KINDS, Kind, PACKET, Trace};
use crate::{Extent, Failure, Row};

/// Samples in a packet of 20 ms at 8 kHz.
const FRAME: usize = 160;
/// The card: its period, and four of them as its buffer.
const PERIOD_MS: u32 = 10;
const BUFFER_MS: u32 = 40;
/// Seconds of speech of one voice.
const SPEECH: usize = 12;
/// Latency of the peer's jitter buffer, ms.
const LATENCIES: [u32; 2] = [60, 120];
/// Until both play.
const SETTLING: Duration = Duration::from_secs(2);

/// Beside the peer, in real time.
pub fn beside(extent: Extent) -> Vec<Row> {
    let voices = match extent.listening.as_secs() {
        10.. => 2,
        _ => 1,
    };
    let kinds = if voices > 1 { &KINDS[..] } else { &KINDS[2..3] };
    rows(|folder, all| {
        let chosen: Vec<&PathBuf> = all.iter().step_by(all.len().div_ceil(voices)).collect();
        let each = kinds.iter().flat_map(|kind| LATENCIES.map(|latency| (*kind, latency)));
        each.map(|(kind, latency)| Row {
            what: format!(
                "{}: Hornwire / GStreamer with {latency} ms, PESQ and delay",
                kind.name()
            ),
            figure: beside_gstreamer(kind, latency, &chosen, folder),
            goal: "no worse at equal or lower delay".to_owned(),
        })
        .collect()
    })
}

/// Many voices and traces, in simulated time.
pub fn alone(extent: Extent) -> Vec<Row> {
    let (voices, seeds) = match extent.listening.as_secs() {
        10.. => (usize::MAX, 6),
        _ => (2, 1),
    };
    rows(|folder, all| {
        KINDS
            .map(|kind| Row {
                what: format!("{}, simulated: PESQ mean, worst (ceiling) and delay", kind.name()),
                figure: simulated(kind, &all[..all.len().min(voices)], seeds, folder),
                goal: goal(kind).to_owned(),
            })
            .into()
    })
}

fn rows(measure: impl FnOnce(&Path, &[PathBuf]) -> Vec<Row>) -> Vec<Row> {
    let prepared = Scratch::new("quality").and_then(|scratch| Ok((voices(&scratch.path)?, scratch)));
    match prepared {
        Ok((voices, scratch)) => measure(&scratch.path, &voices),
        Err(failure) => vec![Row {
            what: "speech over bad networks".to_owned(),
            figure: Err(failure),
            goal: String::new(),
        }],
    }
}

fn goal(kind: Kind) -> &'static str {
    match kind {
        Kind::Clean | Kind::Millisecond | Kind::Drifting => "goal: the ceiling",
        Kind::Wireless => "goal: 3.7 within 110 ms",
        Kind::Lossy => "goal: 3.4 within 110 ms",
        Kind::Bursty => "goal: 2.8 within 110 ms",
    }
}

fn tool() -> Result<Command, Failure> {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let target = std::env::var_os("CARGO_TARGET_DIR").map_or(here.join("target"), PathBuf::from);
    let python = target.join("lab-venv/bin/python3");
    if !python.exists() {
        return Err(Failure::NotMeasured(
            "no PESQ here: ./deploy/check installs it".to_owned(),
        ));
    }
    let mut command = Command::new(python);
    command.arg(here.join("tests/bench/quality.py"));
    Ok(command)
}

/// Files of 8 kHz speech.
pub fn voices(folder: &Path) -> Result<Vec<PathBuf>, Failure> {
    let said = tool()?.arg("speech").arg(folder).arg(SPEECH.to_string()).output();
    let said = said.map_err(Failure::broken)?;
    let names = String::from_utf8_lossy(&said.stdout).into_owned();
    if !said.status.success() {
        return Err(Failure::broken(String::from_utf8_lossy(&said.stderr)));
    }
    let files: Vec<PathBuf> = names.lines().map(|n| folder.join(format!("{n}.raw"))).collect();
    match files.is_empty() {
        true => Err(Failure::NotMeasured(
            "neither recordings of speech nor espeak-ng here".to_owned(),
        )),
        false => Ok(files),
    }
}

/// What was heard of a voice.
struct Heard {
    spoken: PathBuf,
    file: PathBuf,
    rate: u32,
    channels: usize,
    channel: usize,
    /// When the first sample was heard, s after the first packet was sent.
    origin: f64,
}

/// PESQ and mean delay in ms of each.
fn score(jobs: &[(Heard, &Trace)]) -> Result<Vec<(f64, f64)>, Failure> {
    let mut text = String::new();
    for (heard, trace) in jobs {
        let stalls: Vec<String> = trace.stalls.iter().map(|(a, b)| format!("{a}-{b}")).collect();
        let stalls = if stalls.is_empty() {
            "-".to_owned()
        } else {
            stalls.join(",")
        };
        let (spoken, file) = (heard.spoken.display(), heard.file.display());
        let ppm = trace.kind.ppm();
        writeln!(
            text,
            "{spoken} {file} {} {} {} {} {ppm} {stalls}",
            heard.rate, heard.channels, heard.channel, heard.origin
        )
        .map_err(Failure::broken)?;
    }
    let mut child = tool()?
        .arg("score")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .map_err(Failure::broken)?;
    if let Some(mut input) = child.stdin.take() {
        std::thread::spawn(move || input.write_all(text.as_bytes()));
    }
    let said = child.wait_with_output().map_err(Failure::broken)?;
    let said = String::from_utf8_lossy(&said.stdout).into_owned();
    let scores: Vec<(f64, f64)> = said
        .lines()
        .filter_map(|line| {
            let (score, delay) = line.split_once(' ')?;
            Some((score.parse().ok()?, delay.parse().ok()?))
        })
        .collect();
    match scores.len() == jobs.len() {
        true => Ok(scores),
        false => Err(Failure::Broken(format!("{} scores of {}", scores.len(), jobs.len()))),
    }
}

pub fn samples(file: &Path) -> Result<Vec<i16>, Failure> {
    let octets = std::fs::read(file).map_err(Failure::broken)?;
    Ok(octets
        .chunks_exact(2)
        .map(|b| i16::from_le_bytes([b[0], b[1]]))
        .collect())
}

fn write(file: &Path, samples: &[i16]) -> Result<(), Failure> {
    let octets: Vec<u8> = samples.iter().flat_map(|s| s.to_le_bytes()).collect();
    std::fs::write(file, octets).map_err(Failure::broken)
}

fn payloads(samples: &[i16]) -> Vec<Vec<u8>> {
    let code = |frame: &[i16]| frame.iter().map(|s| g711::ulaw_encode(*s)).collect();
    samples.chunks_exact(FRAME).map(code).collect()
}

/// Both play the voices over one network each into one card, in real time.
fn beside_gstreamer(kind: Kind, latency: u32, voices: &[&PathBuf], folder: &Path) -> Result<String, Failure> {
    let mut all = Vec::new();
    for (seed, voice) in voices.iter().enumerate() {
        let payloads = payloads(&samples(voice)?);
        let trace = Trace::new(kind, 1000 + seed as u64, payloads.len());
        all.push((play_both(&trace, &payloads, latency, voice, folder)?, trace));
    }
    let mut jobs = Vec::new();
    for ([ours, theirs], trace) in all.iter_mut() {
        let (ours, theirs) = (ours.take(), theirs.take());
        jobs.extend([ours, theirs].into_iter().flatten().map(|heard| (heard, &*trace)));
    }
    let scores = score(&jobs)?;
    let of = |who: usize, what: fn(&(f64, f64)) -> f64| {
        let chosen: Vec<f64> = scores.iter().skip(who).step_by(2).map(what).collect();
        chosen.iter().sum::<f64>() / chosen.len().max(1) as f64
    };
    Ok(format!(
        "{:.2} / {:.2}, {:.0} / {:.0} ms",
        of(0, |s| s.0),
        of(1, |s| s.0),
        of(0, |s| s.1),
        of(1, |s| s.1)
    ))
}

fn play_both(
    trace: &Trace,
    payloads: &[Vec<u8>],
    latency: u32,
    voice: &Path,
    folder: &Path,
) -> Result<[Option<Heard>; 2], Failure> {
    let scratch = Scratch::new("network")?;
    let server = SoundServer::start()?;
    let recording = server.record()?;
    let (socket, group) = sender()?;
    let output = Output::Alsa {
        buffer_ms: BUFFER_MS,
        period_ms: PERIOD_MS,
    };
    let gstreamer = gstreamer::conceal(Command::new(LAUNCH), group, latency, &output, |c| server.environment(c))?;
    let plan = config(group, "alsa:pulse", 2) + "levelled = false\n";
    // The peer has none either.
    let plan = plan.replace("channel = 1", "channel = 1\nlead = \"0 s\"");
    let hornwire = start(&scratch.path, &plan, |c| server.environment(c))?;
    std::thread::sleep(SETTLING);
    let began = send(trace, payloads, &socket, group).map_err(Failure::broken)?;
    std::thread::sleep(Duration::from_secs(1));
    drop(gstreamer);
    hornwire.stop()?;
    let (left, right, origin) = recording.end()?;
    let origin = match origin.checked_duration_since(began) {
        Some(after) => after.as_secs_f64(),
        None => -(began - origin).as_secs_f64(),
    };
    let heard = |channel: usize, samples: &[i16]| {
        let file = folder.join(format!("heard-{:?}-{latency}-{channel}-{}", trace.kind, name(voice)));
        write(&file, samples)?;
        Ok(Some(Heard {
            spoken: voice.to_owned(),
            file,
            rate: RATE,
            channels: 1,
            channel: 0,
            origin,
        }))
    };
    Ok([heard(0, &left)?, heard(1, &right)?])
}

fn name(file: &Path) -> String {
    file.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

/// Sends what arrives when it arrives; the moment at which the first was sent.
fn send(trace: &Trace, payloads: &[Vec<u8>], socket: &UdpSocket, to: SocketAddr) -> std::io::Result<Instant> {
    let began = Instant::now() + Duration::from_millis(50);
    for (number, at) in &trace.arrivals {
        let due = began + Duration::from_secs_f64(*at);
        std::thread::sleep(due.saturating_duration_since(Instant::now()));
        socket.send_to(&rtp(*number as u64, 0, FRAME as u32, &payloads[*number]), to)?;
    }
    Ok(began)
}

/// The playout alone, over every voice and trace.
fn simulated(kind: Kind, voices: &[PathBuf], seeds: usize, folder: &Path) -> Result<String, Failure> {
    let mut traces = Vec::new();
    let mut heard = Vec::new();
    for (v, voice) in voices.iter().enumerate() {
        let spoken = samples(voice)?;
        let payloads = payloads(&spoken);
        for seed in 0..seeds {
            let trace = Trace::new(kind, (v * 100 + seed) as u64, payloads.len());
            let file = folder.join(format!("simulated-{kind:?}-{seed}-{}", name(voice)));
            let (out, origin) = simulate(&trace, &payloads)?;
            write(&file, &out)?;
            heard.push(Heard {
                spoken: voice.clone(),
                file,
                rate: 8000,
                channels: 1,
                channel: 0,
                origin,
            });
            traces.push(trace);
        }
        // The ceiling: µ-law alone.
        let file = folder.join(format!("ceiling-{}", name(voice)));
        let ceiling: Vec<i16> = payloads.iter().flatten().map(|c| g711::ULAW[usize::from(*c)]).collect();
        write(&file, &ceiling)?;
        heard.push(Heard {
            spoken: voice.clone(),
            file,
            rate: 8000,
            channels: 1,
            channel: 0,
            origin: 0.0,
        });
        traces.push(Trace::new(Kind::Clean, 0, payloads.len()));
    }
    let jobs: Vec<(Heard, &Trace)> = heard.into_iter().zip(&traces).collect();
    let scores = score(&jobs)?;
    if let Some(file) = std::env::var_os("HORNWIRE_SCORES") {
        let lines: Vec<String> = jobs
            .iter()
            .zip(&scores)
            .map(|((h, _), s)| format!("{kind:?} {} {:.3} {:.1}", name(&h.file), s.0, s.1))
            .collect();
        let mut all = std::fs::OpenOptions::new()
            .create(true)
            .append(true)
            .open(file)
            .map_err(Failure::broken)?;
        writeln!(all, "{}", lines.join("\n")).map_err(Failure::broken)?;
    }
    let is_ceiling = |i: &usize| i % (seeds + 1) == seeds;
    let ceiling: Vec<f64> = (0..scores.len()).filter(is_ceiling).map(|i| scores[i].0).collect();
    let ours: Vec<(f64, f64)> = (0..scores.len())
        .filter(|i| !is_ceiling(i))
        .map(|i| scores[i])
        .collect();
    let mean = |all: &mut dyn Iterator<Item = f64>, n: usize| all.sum::<f64>() / n.max(1) as f64;
    Ok(format!(
        "{:.2}, {:.2} ({:.2}), {:.0} ms",
        mean(&mut ours.iter().map(|s| s.0), ours.len()),
        ours.iter().map(|s| s.0).fold(f64::INFINITY, f64::min),
        mean(&mut ceiling.iter().copied(), ceiling.len()),
        mean(&mut ours.iter().map(|s| s.1), ours.len())
    ))
}

/// What is heard at 8 kHz, and when its first sample leaves the card.
fn simulate(trace: &Trace, payloads: &[Vec<u8>]) -> Result<(Vec<i16>, f64), Failure> {
    let map = PayloadMap::static_types();
    let mut playout = Playout::new(&map, PlayoutSettings::default()).map_err(Failure::Broken)?;
    let start = Instant::now();
    let (mut out, mut next) = (Vec::new(), 0);
    let length = payloads.len() as f64 * PACKET + 1.5;
    let period = f64::from(PERIOD_MS) / 1000.0;
    for k in 0..(length / period) as usize {
        let now = k as f64 * period;
        while let Some((number, at)) = trace.arrivals.get(next).filter(|(_, at)| *at <= now) {
            let arrival = start + Duration::from_secs_f64(*at);
            let timestamp = (*number * FRAME) as u32;
            let packet = Packet::new(65_536 + *number as u64, timestamp, 0, arrival, &payloads[*number]);
            playout.push(&packet.ok_or_else(|| Failure::Broken("too large a packet".to_owned()))?);
            next += 1;
        }
        for _ in 0..PERIOD_MS / 5 {
            let block = playout.next_block(start + Duration::from_secs_f64(now));
            // Before the first packet there is no stream, and no rate.
            out.extend(
                block
                    .samples
                    .iter()
                    .map(|s| (s * 32_768.0).clamp(-32_768.0, 32_767.0) as i16),
            );
        }
    }
    Ok((out, f64::from(BUFFER_MS) / 1000.0))
}
