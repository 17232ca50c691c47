//! What is sent, and where it is found again.

use std::net::{SocketAddr, UdpSocket};
use std::time::{Duration, Instant};

/// Samples of 20 ms at 8 kHz (RFC 3551 §4.2: the default packet).
pub const FRAME: usize = 160;
pub const PACKET_TIME: Duration = Duration::from_millis(20);
/// Packets from one burst to the next: longer than any delay that is measured.
const BURST_EVERY: u64 = 50;

/// G.711 µ-law by the definition: the sign, three bits of segment, four of step, all inverted.
pub fn mulaw(sample: i16) -> u8 {
    let sign = if sample < 0 { 0x80 } else { 0 };
    let magnitude = i32::from(sample).abs().min(32635) + 132;
    let segment = (24 - magnitude.leading_zeros()) as u8;
    let step = ((magnitude >> (segment + 3)) & 0x0F) as u8;
    !(sign | segment << 4 | step)
}

/// Something like speech: a hundred and twenty pulses a second through two resonances, in syllables with pauses. The
/// same every time.
pub fn speech(seconds: u32) -> Vec<i16> {
    let (mut a, mut b) = (Resonance::at(700.0), Resonance::at(1500.0));
    (0..seconds * 8000)
        .map(|i| {
            let time = f64::from(i) / 8000.0;
            let syllable = (time * 4.0 * std::f64::consts::PI).sin().max(0.0);
            let spoken = (time % 3.0) < 2.2;
            let pulse = if spoken && i % 66 == 0 { 6000.0 * syllable } else { 0.0 };
            (a.pass(pulse) + b.pass(pulse)).clamp(-20000.0, 20000.0) as i16
        })
        .collect()
}

struct Resonance {
    k: f64,
    last: [f64; 2],
}

impl Resonance {
    const DAMPING: f64 = 0.97;

    fn at(hertz: f64) -> Self {
        let k = 2.0 * Self::DAMPING * (2.0 * std::f64::consts::PI * hertz / 8000.0).cos();
        Resonance { k, last: [0.0; 2] }
    }

    fn pass(&mut self, x: f64) -> f64 {
        let y = x + self.k * self.last[0] - Self::DAMPING * Self::DAMPING * self.last[1];
        self.last = [y, self.last[0]];
        y
    }
}

/// Packet `number` of a stream whose packets are `ticks` of its clock long (RFC 3550 §5.1).
pub fn rtp(number: u64, payload_type: u8, ticks: u32, payload: &[u8]) -> Vec<u8> {
    let mut packet = vec![0x80, payload_type | if number == 0 { 0x80 } else { 0 }];
    packet.extend((number as u16).to_be_bytes());
    packet.extend((number as u32).wrapping_mul(ticks).to_be_bytes());
    packet.extend(0x51AB_1E00_u32.to_be_bytes());
    packet.extend(payload);
    packet
}

/// Bursts of 1 kHz, one packet long, in digital silence: the payload of packet `number`.
fn burst_or_silence(number: u64) -> Vec<u8> {
    let loud = number.is_multiple_of(BURST_EVERY);
    (0..FRAME)
        .map(|i| {
            let angle = 2.0 * std::f64::consts::PI * i as f64 / 8.0 + std::f64::consts::FRAC_PI_4;
            mulaw(if loud { (10_000.0 * angle.sin()) as i16 } else { 0 })
        })
        .collect()
}

/// Sends bursts in real time until `until`; returns when each burst left.
pub fn send_bursts(socket: &UdpSocket, to: SocketAddr, until: Instant) -> std::io::Result<Vec<Instant>> {
    let start = Instant::now();
    let mut bursts = Vec::new();
    for number in 0u64.. {
        let due = start + PACKET_TIME * number as u32;
        if due >= until {
            break;
        }
        std::thread::sleep(due.saturating_duration_since(Instant::now()));
        if number.is_multiple_of(BURST_EVERY) {
            bursts.push(Instant::now());
        }
        socket.send_to(&rtp(number, 0, FRAME as u32, &burst_or_silence(number)), to)?;
    }
    Ok(bursts)
}

/// Where sound begins after at least 200 ms of quiet, in samples at 48 kHz.
pub fn onsets(samples: &[i16]) -> Vec<usize> {
    const QUIET: usize = 9600;
    let peak = samples.iter().map(|s| s.unsigned_abs()).max().unwrap_or(0);
    if peak < 200 {
        return Vec::new();
    }
    let threshold = peak / 8;
    let mut found = Vec::new();
    let mut last_loud = None;
    for (at, sample) in samples.iter().enumerate() {
        if sample.unsigned_abs() > threshold {
            if last_loud.is_none_or(|last| at - last > QUIET) {
                found.push(at);
            }
            last_loud = Some(at);
        }
    }
    found
}

/// From sent to heard for each burst that was heard, sorted.
pub fn delays(sent: &[Instant], heard: &[Instant]) -> Vec<Duration> {
    let mut all: Vec<Duration> = heard
        .iter()
        .filter_map(|at| sent.iter().rev().find(|s| *s <= at).map(|s| *at - *s))
        .collect();
    all.sort();
    all
}
