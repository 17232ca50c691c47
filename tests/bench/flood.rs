//! Fifty thousand SIP messages a second, from strangers and from a network that is let in, over a page in progress and
//! other people's calls: what they cost, who still gets through, and what of it is heard.

use std::net::{Ipv4Addr, UdpSocket};
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use crate::caller::Phone;
use crate::calls::processor_time;
use crate::program::{Scratch, free_port, log_of, start};
use crate::{Extent, Failure, Row, thousands};

/// Messages a second.
const RATE: u32 = 50_000;
/// Between two calls of other people: one address may begin 20 a second.
const CALL_EVERY: Duration = Duration::from_millis(200);
const STRANGER: Ipv4Addr = Ipv4Addr::new(127, 0, 9, 1);
const LET_IN: Ipv4Addr = Ipv4Addr::new(127, 0, 1, 250);
const SPEAKER: Ipv4Addr = Ipv4Addr::new(127, 0, 1, 1);
const CALLER: Ipv4Addr = Ipv4Addr::new(127, 0, 1, 2);

pub fn rows(extent: Extent) -> Vec<Row> {
    let length = extent.listening.min(Duration::from_secs(10));
    let calm = Stand::measure(length, None);
    let row = |who: &str, from| Row {
        what: format!(
            "{} messages/s from {who}: processor, calls answered, speech spoilt",
            thousands(u64::from(RATE))
        ),
        figure: calm
            .as_ref()
            .map_err(Failure::clone)
            .and_then(|calm| Stand::measure(length, Some(from))?.against(calm)),
        goal: "goal: all answered, none spoilt".to_owned(),
    };
    vec![row("strangers", STRANGER), row("a network that is let in", LET_IN)]
}

/// What was measured of one run.
struct Stand {
    /// Messages sent in a second.
    flood: f64,
    /// Share of one processor.
    processor: f64,
    calls: usize,
    answered: Vec<Duration>,
    /// The loudspeakers, 8 kHz.
    heard: Vec<f32>,
    /// Of the page's packets, as its record says.
    lost: String,
}

impl Stand {
    fn measure(length: Duration, from: Option<Ipv4Addr>) -> Result<Stand, Failure> {
        let scratch = Scratch::new("flood")?;
        let port = free_port()?;
        let wav = scratch.path.join("yard.wav");
        let config = format!(
            "[site]\nname = \"Quayside Timber\"\n[sip]\nlisten = [\"udp:127.0.0.1:{port}\"]\nnetworks = \
             [\"127.0.1.0/24\"]\n[cards.yard]\noutput = \"wav:{}\"\nchannels = 1\n[cards.office]\noutput = \"null\"\n\
             channels = 1\n[zones.yard]\ncard = \"yard\"\nchannel = 1\n[zones.office]\ncard = \"office\"\nchannel = 1\n\
             lead = \"0 s\"\nrelease = \"0 s\"\n[extensions.yard]\nuser = \"850\"\nzones = [\"yard\"]\nquiet_limit = \
             \"none\"\n[extensions.office]\nuser = \"851\"\nzones = [\"office\"]\n",
            wav.display()
        );
        let daemon = start(&scratch.path, &config, |_| {})?;
        let (speaker, caller) = (Phone::new(SPEAKER, port)?, Phone::new(CALLER, port)?);
        let over = AtomicBool::new(false);
        let (mut answered, mut calls, mut hung_up) = (Vec::new(), 0, 0);
        let (before, began) = (processor_time(&daemon.0)?, Instant::now());
        let (spoken, sent) = std::thread::scope(|threads| {
            let speaking = threads.spawn(move || -> Result<(), String> {
                let call = speaker.call("850")?;
                call.speak(length).map_err(|e| e.to_string())?;
                call.hang_up()
            });
            let flooding = threads.spawn(|| from.map_or(Ok(0), |from| flood(from, port, &over)));
            while began.elapsed() < length {
                calls += 1;
                if let Ok(call) = caller.call("851") {
                    answered.push(call.answered_after);
                    hung_up += usize::from(call.hang_up().is_ok());
                }
                std::thread::sleep(CALL_EVERY);
            }
            over.store(true, Ordering::Relaxed);
            (speaking.join(), flooding.join())
        });
        let span = began.elapsed().as_secs_f64();
        let processor = (processor_time(&daemon.0)? - before).as_secs_f64() / span;
        let broken = |_| Failure::Broken("a thread panicked".to_owned());
        spoken.map_err(broken)?.map_err(Failure::Broken)?;
        let sent = sent.map_err(broken)?.map_err(Failure::broken)?;
        // What is held is played out.
        std::thread::sleep(Duration::from_secs(1));
        daemon.stop()?;
        let log = log_of(&scratch.path);
        let lost = log
            .split(" | ")
            .find(|l| l.contains("SOURCE=yard ") && l.contains("END_REASON=hung-up"))
            .and_then(|l| l.split(" LOST=").nth(1)?.split([' ', ']']).next())
            .ok_or_else(|| Failure::Broken(format!("no record of the page: {log}")))?;
        if hung_up < answered.len() {
            let open = answered.len() - hung_up;
            return Err(Failure::Broken(format!("{open} of {calls} calls could not be hung up")));
        }
        answered.sort_unstable();
        Ok(Stand {
            flood: f64::from(sent) / span,
            processor,
            calls,
            answered,
            heard: read(&wav)?,
            lost: lost.to_owned(),
        })
    }

    fn against(&self, calm: &Stand) -> Result<String, Failure> {
        if self.flood < 0.9 * f64::from(RATE) {
            return Err(Failure::NotMeasured(format!(
                "only {:.0} messages a second were sent",
                self.flood
            )));
        }
        let (spoilt, of) = spoilt(&calm.heard, &self.heard)?;
        let median = self
            .answered
            .get(self.answered.len() / 2)
            .map_or(f64::NAN, Duration::as_secs_f64);
        Ok(format!(
            "{:.0} % (calm {:.0} %), {} of {} in {:.1} ms, {spoilt} of {of} tenths, {} packets lost",
            self.processor * 100.0,
            calm.processor * 100.0,
            self.answered.len(),
            self.calls,
            median * 1e3,
            self.lost
        ))
    }
}

/// Sends until it is over; how many were sent. Requests of several kinds, each of a transaction of its own, and noise.
fn flood(from: Ipv4Addr, port: u16, over: &AtomicBool) -> std::io::Result<u32> {
    const NUMBER: &str = "0000000000";
    let sockets: Vec<UdpSocket> = (0..8)
        .map(|_| {
            let socket = UdpSocket::bind((from, 0))?;
            socket.connect(("127.0.0.1", port))?;
            socket.set_nonblocking(true)?;
            Ok(socket)
        })
        .collect::<std::io::Result<_>>()?;
    let mut messages: Vec<Vec<u8>> = ["INVITE", "OPTIONS", "REGISTER", "BYE"]
        .iter()
        .map(|method| {
            format!(
                "{method} sip:100@127.0.0.1 SIP/2.0\r\nVia: SIP/2.0/UDP {from}:5060;branch=z9hG4bK{NUMBER};rport\r\n\
                 Max-Forwards: 70\r\nFrom: <sip:100@{from}>;tag={NUMBER}\r\nTo: <sip:100@127.0.0.1>\r\n\
                 Call-ID: {NUMBER}\r\nCSeq: 1 {method}\r\nContact: <sip:100@{from}>\r\nContent-Length: 0\r\n\r\n"
            )
            .into_bytes()
        })
        .collect();
    messages.push(
        (0..300u32)
            .map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8)
            .collect(),
    );
    let places: Vec<Vec<usize>> = messages
        .iter()
        .map(|m| {
            m.windows(NUMBER.len())
                .enumerate()
                .filter(|(_, w)| *w == NUMBER.as_bytes())
                .map(|(at, _)| at)
                .collect()
        })
        .collect();
    let start = Instant::now();
    let mut sent = 0u32;
    while !over.load(Ordering::Relaxed) {
        let due = (start.elapsed().as_secs_f64() * f64::from(RATE)) as u32;
        while sent < due {
            let kind = sent as usize % messages.len();
            let number = format!("{sent:010}");
            for &at in &places[kind] {
                messages[kind][at..at + number.len()].copy_from_slice(number.as_bytes());
            }
            // A full receive buffer is the receiver's matter; it has been sent.
            let _ = sockets[sent as usize % sockets.len()].send(&messages[kind]);
            sent += 1;
        }
        // Its own answers are not read.
        std::thread::sleep(Duration::from_millis(1));
    }
    Ok(sent)
}

/// A WAV file's only channel at a sixth of its 48 kHz, by means of six.
fn read(wav: &Path) -> Result<Vec<f32>, Failure> {
    let mut reader = hound::WavReader::open(wav).map_err(Failure::broken)?;
    let full = 2f32.powi(i32::from(reader.spec().bits_per_sample) - 1);
    let samples: Vec<f32> = reader
        .samples::<i32>()
        .map(|s| s.map(|s| s as f32 / full))
        .collect::<Result<_, _>>()
        .map_err(Failure::broken)?;
    Ok(samples
        .chunks(6)
        .map(|c| c.iter().sum::<f32>() / c.len() as f32)
        .collect())
}

/// Tenths of a second of speech that are not found in the other run, near where they belong; and how many there are. The
/// jitter buffer may lengthen a pause, so that places differ by some hundredths of a second.
fn spoilt(calm: &[f32], other: &[f32]) -> Result<(usize, usize), Failure> {
    const TENTH: usize = 800;
    const NEAR: usize = 640;
    /// Likeness of the two, 1 = the same. Concealed packets of 20 ms or a slip within the tenth are below it.
    const ALIKE: f64 = 0.9;
    let begin = |s: &[f32]| s.iter().position(|v| v.abs() > 0.01);
    let (Some(here), Some(there)) = (begin(calm), begin(other)) else {
        return Err(Failure::Broken("the page was not heard".to_owned()));
    };
    let power = |s: &[f32]| s.iter().map(|v| f64::from(v * v)).sum::<f64>();
    let (mut bad, mut all, mut slip) = (0, 0, 0i64);
    for (n, tenth) in calm[here..].chunks_exact(TENTH).enumerate() {
        let own = power(tenth);
        // Pauses and the fall of a syllable say nothing.
        if own < 1e-4 * TENTH as f64 {
            continue;
        }
        all += 1;
        let home = (there + n * TENTH) as i64 + slip;
        let mut best = (0.0, 0);
        for lag in -(NEAR as i64)..=NEAR as i64 {
            let Some(part) = usize::try_from(home + lag)
                .ok()
                .and_then(|at| other.get(at..at + TENTH))
            else {
                continue;
            };
            let common: f64 = tenth.iter().zip(part).map(|(a, b)| f64::from(a * b)).sum();
            let alike = common / (own * power(part)).sqrt().max(1e-12);
            if alike > best.0 {
                best = (alike, lag);
            }
        }
        if best.0 < ALIKE {
            bad += 1;
        } else {
            slip += best.1;
        }
    }
    if all == 0 {
        return Err(Failure::Broken("there is no speech in the page".to_owned()));
    }
    Ok((bad, all))
}
