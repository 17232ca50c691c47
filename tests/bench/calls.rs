//! Calls one after another: how long an answer takes, and that a long day of them costs no memory and no descriptors.
//! Then calls as fast as they go, beside a SIP proxy that relays the same ones.
//!
//! One address may begin 200 calls at once and 20 a second (`daemon::pace`), which is policy, not speed. So the calls
//! come from 32 addresses, each within its allowance; nothing in the program is another than in service.

use std::fmt::Write as _;
use std::net::Ipv4Addr;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use crate::caller::Phone;
use crate::program::{Ended, HORNWIRE, Scratch, free_port, log_of, resident, spawn, start_as};
use crate::{Extent, Failure, Row, thousands};

/// Addresses that call, and as many zones and extensions, so that no call finds another one's page. One address has
/// 200 calls at once.
const CALLERS: u32 = 32;
/// Calls at one time in the race.
const AT_ONCE: u32 = 8;

pub fn rows(extent: Extent) -> Vec<Row> {
    let mut rows = in_a_row(extent.calls_in_a_row);
    rows.extend(race(extent.calls_in_the_race));
    rows
}

fn caller(n: u32) -> Ipv4Addr {
    Ipv4Addr::from_bits(0x7F00_0100 + 1 + n % CALLERS)
}

fn number(n: u32) -> u32 {
    900 + n % CALLERS
}

/// Four cards of eight channels, a zone and an extension for each.
fn config(port: u16) -> String {
    let mut text = format!(
        "[site]\nname = \"Quayside Timber\"\n[sip]\nlisten = [\"udp:127.0.0.1:{port}\"]\nnetworks = [\"127.0.0.0/8\"]\n\
         rtp_ports = \"30000-30999\"\n[relays.trigger]\nline = \"simulated\"\n"
    );
    for card in 0..CALLERS / 8 {
        let _ = write!(
            text,
            "[cards.c{card}]\noutput = \"null\"\nchannels = 8\nperiod = \"10 ms\"\n"
        );
    }
    for n in 0..CALLERS {
        let _ = write!(
            text,
            "[zones.z{n}]\ncard = \"c{}\"\nchannel = {}\ntrigger = [\"trigger\"]\nlead = \"0 s\"\nrelease = \"0 s\"\n\
             [extensions.e{n}]\nuser = \"{}\"\nzones = [\"z{n}\"]\n",
            n / 8,
            n % 8 + 1,
            number(n)
        );
    }
    text
}

/// The program with this config, ready.
fn hornwire(scratch: &Scratch, port: u16) -> Result<Ended, Failure> {
    let daemon = start_as(on_core(0, HORNWIRE), &scratch.path, &config(port), |_| {})?;
    let until = Instant::now() + Duration::from_secs(10);
    while log_of(&scratch.path).matches("is open").count() < (CALLERS / 8) as usize {
        if Instant::now() > until {
            return Err(Failure::Broken(format!("not ready: {}", log_of(&scratch.path))));
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    Ok(daemon)
}

/// A command kept on one core, where there are several: what is measured and what measures share none.
fn on_core(core: usize, program: &str) -> Command {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    if cores < 2 {
        return Command::new(program);
    }
    let mut command = Command::new("taskset");
    command.args(["-c", &core.to_string(), program]);
    command
}

fn in_a_row(count: u32) -> Vec<Row> {
    let (times, room) = match measure_row(count) {
        Ok((times, room)) => (Ok(times), Ok(room)),
        Err(failure) => (Err(failure.clone()), Err(failure)),
    };
    vec![
        Row {
            what: "INVITE to 200 over loopback, median / 99 of 100".to_owned(),
            figure: times,
            goal: String::new(),
        },
        Row {
            what: format!(
                "{} calls in a row: memory (descriptors) at start / half / end",
                thousands(u64::from(count))
            ),
            figure: room,
            goal: "goal: flat".to_owned(),
        },
    ]
}

/// Calls before the first look: they fill the tables, to their bounds, and the allocator's pools.
const WARM_UP: u32 = 1000;
/// Not faster than the allowances of all addresses fill up again.
const SPACING: Duration = Duration::from_millis(1);
/// Most that the resident memory may grow from there on before it counts as a leak: how many voices wait for a card's
/// next period differs. A leak of 1,000 octets a call would be more, in 10,000 calls.
const SLACK: u64 = 8 << 20;

fn measure_row(count: u32) -> Result<(String, String), Failure> {
    let scratch = Scratch::new("row")?;
    let port = free_port()?;
    let daemon = hornwire(&scratch, port)?;
    let phones: Vec<Phone> = (0..CALLERS)
        .map(|n| Phone::new(caller(n), port))
        .collect::<Result<_, _>>()?;
    let mut times = Vec::with_capacity(count as usize);
    let mut room = Vec::new();
    let turns = [WARM_UP, WARM_UP + count / 2, WARM_UP + count - 1];
    let count = WARM_UP + count;
    let start = Instant::now();
    for n in 0..count {
        std::thread::sleep((start + SPACING * n).saturating_duration_since(Instant::now()));
        let call = phones[(n % CALLERS) as usize]
            .call(&number(n).to_string())
            .map_err(|cause| Failure::Broken(format!("call {n}: {cause}: {}", tail(&scratch))))?;
        times.push(call.answered_after);
        call.hang_up().map_err(Failure::broken)?;
        if turns.contains(&n) {
            room.push((resident(&daemon.0)?.0, descriptors(&daemon.0)?));
        }
    }
    daemon.stop()?;
    // A record for every page.
    let records = log_of(&scratch.path).matches("END_REASON=hung-up").count();
    if records != count as usize {
        return Err(Failure::Broken(format!("{records} records of {count} pages")));
    }
    times.sort_unstable();
    let at = |share: f64| times[((times.len() as f64 * share) as usize).min(times.len() - 1)].as_secs_f64() * 1e3;
    let megabytes = |octets: u64| format!("{:.2}", octets as f64 / 1e6);
    let room_text: Vec<String> = room.iter().map(|(m, d)| format!("{} ({d})", megabytes(*m))).collect();
    let room_text = format!("{} MB", room_text.join(" / "));
    let (first, last) = (room[0], room[room.len() - 1]);
    if last.0 > first.0 + SLACK || last.1 > first.1 + CALLERS as usize {
        return Err(Failure::Broken(format!("not flat: {room_text}")));
    }
    Ok((format!("{:.2} / {:.2} ms", at(0.5), at(0.99)), room_text))
}

fn tail(scratch: &Scratch) -> String {
    let log = log_of(&scratch.path);
    let from = log.len().saturating_sub(1500);
    log.chars().skip(from).collect()
}

fn descriptors(child: &Child) -> Result<usize, Failure> {
    Ok(std::fs::read_dir(format!("/proc/{}/fd", child.id()))
        .map_err(Failure::broken)?
        .count())
}

/// What one runner did.
struct Lap {
    /// Calls set up and torn down in a second.
    rate: f64,
    /// Processor time of the server for a call.
    cost: Duration,
}

/// The same calls by SIPp to Hornwire, and through Kamailio to SIPp's own answering scenario.
fn race(count: u32) -> Vec<Row> {
    let both = hornwire_lap(count).and_then(|ours| Ok((ours, kamailio_lap(count)?)));
    let (rate, cost) = match both {
        Ok((ours, theirs)) => (
            Ok(format!(
                "{:.0} / {:.0} ({:.2} of it)",
                ours.rate,
                theirs.rate,
                ours.rate / theirs.rate
            )),
            Ok(format!(
                "{:.0} / {:.0} µs ({:.2} of it)",
                ours.cost.as_secs_f64() * 1e6,
                theirs.cost.as_secs_f64() * 1e6,
                ours.cost.as_secs_f64() / theirs.cost.as_secs_f64()
            )),
        ),
        Err(failure) => (Err(failure.clone()), Err(failure)),
    };
    vec![
        Row {
            what: "calls a second, set up and torn down by SIPp: Hornwire / Kamailio relaying".to_owned(),
            figure: rate,
            goal: "one core for the server, one for SIPp".to_owned(),
        },
        Row {
            what: "processor time for such a call: Hornwire / Kamailio relaying".to_owned(),
            figure: cost,
            goal: "Hornwire's with relays, page and record".to_owned(),
        },
    ]
}

fn hornwire_lap(count: u32) -> Result<Lap, Failure> {
    let scratch = Scratch::new("race")?;
    let port = free_port()?;
    let daemon = hornwire(&scratch, port)?;
    let before = processor_time(&daemon.0)?;
    let rate = sipp(&scratch.path, port, count).map_err(|cause| match cause {
        Failure::Broken(cause) => Failure::Broken(format!("{cause}: {}", tail(&scratch))),
        other => other,
    })?;
    let cost = (processor_time(&daemon.0)? - before) / count;
    daemon.stop()?;
    Ok(Lap { rate, cost })
}

/// A stateful, record-routing proxy, as a phone system's core is one.
fn kamailio_lap(count: u32) -> Result<Lap, Failure> {
    let scratch = Scratch::new("proxy")?;
    let (port, answering) = (free_port()?, free_port()?);
    let modules = Command::new("dpkg")
        .args(["-L", "kamailio"])
        .output()
        .map_err(|e| Failure::NotMeasured(format!("kamailio is not found: {e}")))?;
    let modules = String::from_utf8_lossy(&modules.stdout);
    let modules = modules
        .lines()
        .find_map(|l| l.strip_suffix("registrar.so"))
        .ok_or_else(|| Failure::NotMeasured("kamailio is not installed".to_owned()))?;
    let file = scratch.path.join("kamailio.cfg");
    let text = format!(
        r#"#!KAMAILIO
debug=0
log_stderror=yes
children=1
disable_tcp=yes
disable_core_dump=yes
auto_aliases=no
listen=udp:127.0.0.1:{port}
mpath="{modules}"
loadmodule "tm.so"
loadmodule "sl.so"
loadmodule "rr.so"
loadmodule "pv.so"
loadmodule "maxfwd.so"
loadmodule "siputils.so"
loadmodule "textops.so"
request_route {{
    if (!mf_process_maxfwd_header("10")) {{ sl_send_reply("483", "Too Many Hops"); exit; }}
    if (has_totag()) {{
        loose_route();
        $du = "sip:127.0.0.1:{answering}";
        t_relay();
        exit;
    }}
    t_check_trans();
    record_route();
    $du = "sip:127.0.0.1:{answering}";
    t_relay();
}}
"#
    );
    std::fs::write(&file, text).map_err(Failure::broken)?;
    let _answering = spawn(
        on_core(1, "sipp")
            .args([
                "-sn",
                "uas",
                "-i",
                "127.0.0.1",
                "-p",
                &answering.to_string(),
                "-nostdin",
            ])
            .env("TERM", "dumb")
            .current_dir(&scratch.path)
            .stdout(Stdio::null())
            .stderr(Stdio::null()),
    )?;
    let log = std::fs::File::create(scratch.path.join("log")).map_err(Failure::broken)?;
    let proxy = spawn(
        on_core(0, "kamailio")
            .args(["-DD", "-E", "-m", "64", "-M", "8", "-Y"])
            .arg(&scratch.path)
            .arg("-f")
            .arg(&file)
            .stdout(Stdio::null())
            .stderr(log),
    )?;
    std::thread::sleep(Duration::from_millis(1500));
    let before = processor_time(&proxy.0)?;
    let rate = sipp(&scratch.path, port, count).map_err(|cause| match cause {
        Failure::Broken(cause) => Failure::Broken(format!("{cause}: {}", tail(&scratch))),
        other => other,
    })?;
    let cost = (processor_time(&proxy.0)? - before) / count;
    proxy.stop()?;
    Ok(Lap { rate, cost })
}

/// `count` calls, [`AT_ONCE`] at one time; calls a second, all of them answered and ended well.
fn sipp(directory: &Path, port: u16, count: u32) -> Result<f64, Failure> {
    let (scenario, who) = (directory.join("call.xml"), directory.join("callers.csv"));
    std::fs::write(&scenario, include_str!("call.xml")).map_err(Failure::broken)?;
    let mut rows = "SEQUENTIAL\n".to_owned();
    for n in 0..CALLERS {
        let _ = writeln!(rows, "{};{}", caller(n), number(n));
    }
    std::fs::write(&who, rows).map_err(Failure::broken)?;
    let from = Instant::now();
    let mut run = spawn(
        on_core(1, "sipp")
            .arg(format!("127.0.0.1:{port}"))
            .arg("-sf")
            .arg(&scenario)
            .arg("-inf")
            .arg(&who)
            .args(["-t", "ui", "-ip_field", "0", "-i", "127.0.1.1", "-nostdin"])
            .args(["-p", &free_port()?.to_string()])
            .args(["-m", &count.to_string(), "-l", &AT_ONCE.to_string(), "-r", "8000"])
            .args([
                "-max_socket",
                "1000",
                "-timeout",
                "120s",
                "-timeout_error",
                "-trace_err",
                "-error_file",
            ])
            .arg(directory.join("errors.log"))
            .env("TERM", "dumb")
            .current_dir(directory)
            .stdout(Stdio::null())
            .stderr(Stdio::null()),
    )?;
    let status = run.0.wait().map_err(Failure::broken)?;
    let span = from.elapsed();
    if !status.success() {
        let said = std::fs::read_to_string(directory.join("errors.log")).unwrap_or_default();
        let said: String = said.chars().take(2000).collect();
        return Err(Failure::Broken(format!("sipp: {status}: {said}")));
    }
    Ok(f64::from(count) / span.as_secs_f64())
}

/// Of a process and all that it has started: nanoseconds on a processor, from the kernel's scheduler.
pub fn processor_time(child: &Child) -> Result<Duration, Failure> {
    let mut family = vec![child.id()];
    let mut total = Duration::ZERO;
    while let Some(pid) = family.pop() {
        let Ok(tasks) = std::fs::read_dir(format!("/proc/{pid}/task")) else {
            continue;
        };
        for task in tasks {
            let task = task.map_err(Failure::broken)?.path();
            let read = |name: &str| std::fs::read_to_string(task.join(name)).unwrap_or_default();
            let nanoseconds = read("schedstat").split_whitespace().next().and_then(|n| n.parse().ok());
            total += Duration::from_nanos(nanoseconds.unwrap_or(0));
            family.extend(
                read("children")
                    .split_whitespace()
                    .filter_map(|n| n.parse::<u32>().ok()),
            );
        }
    }
    Ok(total)
}
