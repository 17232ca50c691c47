//! Floods while a page is on: the page's audio is not touched, others get through, nothing grows. The marks are
//! counts, descriptors and memory, not times.

use std::io::{Read, Write};
use std::net::{SocketAddr, UdpSocket};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use super::lab::*;

/// How much the daemon may grow: its bounded tables full, and what the allocator keeps of it.
const GROWTH: u64 = 24 << 20;

/// Sends in a thread until dropped, about 50,000 a second; `make` gives the n-th datagram.
struct Flood {
    stop: Arc<AtomicBool>,
    sent: Arc<AtomicU64>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Flood {
    fn begin(from: UdpSocket, to: SocketAddr, make: impl Fn(u64) -> Vec<u8> + Send + 'static) -> Self {
        let (stop, sent) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicU64::new(0)));
        let (ends, count) = (stop.clone(), sent.clone());
        let thread = std::thread::spawn(move || {
            let began = Instant::now();
            while !ends.load(Ordering::Relaxed) {
                let due = (began.elapsed().as_micros() / 20) as u64;
                for n in count.load(Ordering::Relaxed)..due {
                    let _ = from.send_to(&make(n), to);
                    count.store(n + 1, Ordering::Relaxed);
                }
                std::thread::sleep(Duration::from_millis(1));
            }
        });
        Flood {
            stop,
            sent,
            thread: Some(thread),
        }
    }

    fn sent(&self) -> u64 {
        self.sent.load(Ordering::Relaxed)
    }
}

impl Drop for Flood {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// A call that holds the zone, and speaks 20 ms packets.
struct Speaker {
    signalling: UdpSocket,
    audio: Arc<UdpSocket>,
    to: SocketAddr,
    call: Caller,
    stop: Arc<AtomicBool>,
    thread: Option<std::thread::JoinHandle<u64>>,
}

const SSRC: u32 = 0x5EED;

fn rtp(ssrc: u32, n: u64) -> Vec<u8> {
    let mut octets = vec![0x80, 0];
    octets.extend_from_slice(&(n as u16).to_be_bytes());
    octets.extend_from_slice(&(n as u32).wrapping_mul(160).to_be_bytes());
    octets.extend_from_slice(&ssrc.to_be_bytes());
    // A tone of sorts: the quiet limit must not end the page.
    octets.extend((0..160u32).map(|i| if i % 16 < 8 { 0x90 } else { 0x10 }));
    octets
}

impl Speaker {
    fn begin(daemon: &Daemon, ip: &str) -> Self {
        let signalling = phone(daemon, ip);
        let audio = Arc::new(UdpSocket::bind((ip, 0)).unwrap());
        let mut call = Caller::new("UDP", signalling.local_addr().unwrap(), "speaker");
        let body = session(ip, audio.local_addr().unwrap().port(), "0");
        signalling.send(call.request("INVITE", 1, &body).as_bytes()).unwrap();
        let answer = expect(&signalling, "SIP/2.0 200");
        call.keep_tag(&answer);
        signalling.send(call.request("ACK", 1, "").as_bytes()).unwrap();
        let host = daemon.address.split(':').next().unwrap();
        let to: SocketAddr = format!("{host}:{}", audio_port(&answer)).parse().unwrap();
        let stop = Arc::new(AtomicBool::new(false));
        let (ends, socket) = (stop.clone(), audio.clone());
        let thread = std::thread::spawn(move || {
            let began = Instant::now();
            let mut n = 0;
            while !ends.load(Ordering::Relaxed) {
                let due = (began.elapsed().as_millis() / 20) as u64;
                while n <= due {
                    socket.send_to(&rtp(SSRC, n), to).unwrap();
                    n += 1;
                }
                std::thread::sleep(Duration::from_millis(2));
            }
            n
        });
        Speaker {
            signalling,
            audio,
            to,
            call,
            stop,
            thread: Some(thread),
        }
    }

    /// Hangs up; packets sent, and the page's record.
    fn end(mut self, daemon: &Daemon) -> (u64, String) {
        self.stop.store(true, Ordering::Relaxed);
        let sent = self.thread.take().unwrap().join().unwrap();
        self.signalling
            .send(self.call.request("BYE", 2, "").as_bytes())
            .unwrap();
        expect(&self.signalling, "SIP/2.0 200");
        (sent, daemon.wait_line("END_REASON=hung-up"))
    }
}

fn figure(record: &str, name: &str) -> u64 {
    let value = record
        .split(&format!(" {name}="))
        .nth(1)
        .unwrap_or_else(|| panic!("no {name}: {record}"));
    value
        .split([' ', ']'])
        .next()
        .unwrap()
        .trim_matches('"')
        .parse()
        .unwrap()
}

/// Every packet of the page was received, none was lost on the way to the sound card. `spared`: parts in a hundred that
/// the kernel may lose because the flood fills the same receive buffer while the machine is busy elsewhere.
fn untouched(sent: u64, record: &str, spared: u64) {
    let got = figure(record, "PACKETS");
    assert!(
        got <= sent && (sent - got) * 100 <= sent * spared,
        "{got} of {sent}: {record}"
    );
    for name in ["OVERFLOWED", "DUPLICATES"] {
        assert_eq!(figure(record, name), 0, "{name}: {record}");
    }
}

/// The answer to OPTIONS, asked again as RFC 3261 §17.1.2 has it until it comes.
fn asks(daemon: &Daemon, ip: &str, id: &str) -> u16 {
    let socket = phone(daemon, ip);
    let request = Caller::new("UDP", socket.local_addr().unwrap(), id).request("OPTIONS", 1, "");
    let mut buffer = [0; 4096];
    for wait in [500, 1000, 2000, 4000, 4000, 4000] {
        socket.send(request.as_bytes()).unwrap();
        socket.set_read_timeout(Some(Duration::from_millis(wait))).unwrap();
        if let Ok(n) = socket.recv(&mut buffer) {
            return String::from_utf8_lossy(&buffer[8..n.min(11)]).parse().unwrap();
        }
    }
    0
}

/// A page is on while the flood goes on; others ask and get their answers.
fn page_under(daemon: &Daemon, begin: impl FnOnce(&Speaker) -> Flood, spared: u64) {
    let speaker = Speaker::begin(daemon, "127.0.72.10");
    std::thread::sleep(Duration::from_millis(500));
    let memory = daemon.resident();
    let (before, began) = (daemon.processor_time(), Instant::now());
    let flood = begin(&speaker);
    for i in 0..10 {
        assert_eq!(
            asks(daemon, "127.0.72.20", &format!("through-{i}")),
            200,
            "others get through"
        );
        std::thread::sleep(OVER / 10);
    }
    let sent = flood.sent();
    let share = (daemon.processor_time() - before).as_secs_f64() / began.elapsed().as_secs_f64();
    let rate = sent as f64 / began.elapsed().as_secs_f64();
    drop(flood);
    println!("{rate:.0} a second: {:.0} % of a processor", share * 100.0);
    assert!(sent > 20_000, "a flood of {sent}");
    let (packets, record) = speaker.end(daemon);
    untouched(packets, &record, spared);
    let grown = daemon.resident().saturating_sub(memory);
    assert!(grown < GROWTH, "grew by {grown} octets");
}

const OVER: Duration = Duration::from_secs(3);

fn to(daemon: &Daemon) -> SocketAddr {
    daemon.address.parse().unwrap()
}

/// A scanner: INVITE, REGISTER and OPTIONS of a stranger.
#[test]
fn a_strangers_flood_touches_no_page() {
    let daemon = Daemon::start(51);
    let from = UdpSocket::bind("127.0.73.1:0").unwrap();
    let (own, to) = (from.local_addr().unwrap(), to(&daemon));
    let make = move |n: u64| {
        let method = ["INVITE", "REGISTER", "OPTIONS"][(n % 3) as usize];
        Caller::new("UDP", own, &format!("scan-{n}"))
            .request(method, 1, "")
            .into_bytes()
    };
    page_under(&daemon, |_| Flood::begin(from, to, make), 0);
    let told = daemon.lines().iter().filter(|l| l.contains("127.0.73.1")).count();
    assert!(told <= 1, "{told} lines about one stranger");
    daemon.stop();
}

/// One compromised phone of a network that is let in.
#[test]
fn a_known_phones_flood_touches_no_page_and_keeps_nobody_out() {
    let daemon = Daemon::start(52);
    let from = UdpSocket::bind("127.0.72.66:0").unwrap();
    let (own, to) = (from.local_addr().unwrap(), to(&daemon));
    let make = move |n: u64| match n % 4 {
        0 => Caller::new("UDP", own, &format!("evil-{n}"))
            .request("INVITE", 1, &session("127.0.72.66", 4000, "0"))
            .into_bytes(),
        1 => Caller::new("UDP", own, &format!("evil-{n}"))
            .request("OPTIONS", 1, "")
            .into_bytes(),
        // A spoofed BYE and CANCEL of the call that is on: not its dialog, not its transaction.
        2 => Caller::new("UDP", own, "speaker")
            .request("BYE", n as u32, "")
            .into_bytes(),
        _ => Caller::new("UDP", own, "speaker").request("CANCEL", 1, "").into_bytes(),
    };
    page_under(&daemon, |_| Flood::begin(from, to, make), 0);
    daemon.stop();
}

/// Binary noise, STUN, empty lines and half messages at the SIP port.
#[test]
fn noise_at_the_signalling_port_touches_no_page() {
    let daemon = Daemon::start(53);
    let from = UdpSocket::bind("127.0.72.67:0").unwrap();
    let to = to(&daemon);
    let make = |n: u64| match n % 6 {
        0 => b"\r\n\r\n".to_vec(),
        1 => Vec::new(),
        2 => vec![0; 20],
        // STUN binding request (RFC 8489 §5).
        3 => [&[0, 1, 0, 0, 0x21, 0x12, 0xA4, 0x42], [n as u8; 12].as_slice()].concat(),
        4 => format!("INVITE sip:850@127.0.0.1 SIP/2.0\r\nVia: SIP/2.0/UDP x;branch={n}\r\nContent-Le").into_bytes(),
        _ => (0..1400).map(|i| ((i as u64 * n) >> 3) as u8).collect(),
    };
    page_under(&daemon, |_| Flood::begin(from, to, make), 0);
    daemon.stop();
}

/// RTP into the call's port from a stranger, and from another phone that is let in.
#[test]
fn rtp_of_others_is_not_heard() {
    for (host, ip) in [(54, "127.0.73.2"), (55, "127.0.72.68")] {
        let daemon = Daemon::start(host);
        let from = UdpSocket::bind((ip, 0)).unwrap();
        page_under(&daemon, |s| Flood::begin(from, s.to, |n| rtp(0xBAD, n)), 0);
        daemon.stop();
    }
}

/// From the very address and port of the speaker (whoever can forge that is on the wire): other SSRCs, RTCP junk and
/// a BYE that is not the stream's, datagrams cut short or too long.
#[test]
fn junk_from_the_speakers_own_port_does_not_hurt() {
    let daemon = Daemon::start(56);
    let begin = |s: &Speaker| {
        let make = |n: u64| match n % 5 {
            0 => rtp(0xBAD + n as u32, n),
            1 => vec![0x80; (n % 12) as usize],
            2 => vec![0x80; 5000],
            // RTCP (RFC 3550 §6): a sender report without its body, a BYE of another source.
            3 => vec![0x80, 200, 0, 6, 0, 0],
            _ => vec![0x81, 203, 0, 1, 0, 0, 0x0B, 0xAD],
        };
        Flood::begin(s.audio.try_clone().unwrap(), s.to, make)
    };
    page_under(&daemon, begin, 2);
    daemon.stop();
}

/// Thousands of connections, made and dropped, left idle, never read from: bounded, and a page goes on.
#[test]
fn connections_without_end_are_bounded() {
    let daemon = Daemon::start(57);
    let speaker = Speaker::begin(&daemon, "127.0.72.10");
    let (memory, descriptors) = (daemon.resident(), daemon.descriptors());
    let mut kept = Vec::new();
    let mut most = 0;
    for i in 0..3000u32 {
        let from = format!("127.0.72.{}", 100 + i % 100);
        let Ok(mut stream) = connect(&from, &daemon.address) else {
            continue;
        };
        match i % 3 {
            0 => kept.push(stream),
            1 => {
                let _ = stream.write_all(b"OPTIONS sip:850@127.0.0.1 SIP/2.0\r\nVia: SIP/2.0/TCP x");
                kept.push(stream);
            }
            _ => drop(stream),
        }
        if kept.len() > 400 {
            kept.drain(..200);
        }
        if i % 50 == 0 {
            most = most.max(daemon.descriptors());
        }
    }
    // The connections, those accepted that wait for the control task, those it has just taken from the queue.
    assert!(most <= descriptors + 3 * 64 + 8, "from {descriptors} to {most}");
    // One that asks without end and reads nothing.
    let mut deaf = connect("127.0.72.30", &daemon.address).unwrap();
    let request = Caller::new("TCP", deaf.local_addr().unwrap(), "deaf").request("OPTIONS", 1, "");
    deaf.set_write_timeout(Some(Duration::from_millis(300))).unwrap();
    for _ in 0..20_000 {
        if deaf.write_all(request.as_bytes()).is_err() {
            break;
        }
    }
    assert_eq!(asks(&daemon, "127.0.72.20", "through"), 200);
    let mut late = connect("127.0.72.40", &daemon.address).unwrap();
    let request = Caller::new("TCP", late.local_addr().unwrap(), "late").request("OPTIONS", 1, "");
    late.write_all(request.as_bytes()).unwrap();
    let mut answer = [0; 4096];
    let got = late.read(&mut answer).unwrap();
    assert!(answer[..got].starts_with(b"SIP/2.0 200"));
    let grown = daemon.resident().saturating_sub(memory);
    assert!(grown < GROWTH, "grew by {grown} octets");
    let (sent, record) = speaker.end(&daemon);
    untouched(sent, &record, 0);
    drop(kept);
    daemon.stop();
}

/// Without a descriptor left it neither spins nor hangs: connections are cut off, and served again afterwards.
#[test]
fn running_out_of_descriptors_is_survived() {
    let daemon = Daemon::start(58);
    // The soft limit of the running program, prlimit(1), to a few more than it has.
    let limit = |n: usize| {
        let done = std::process::Command::new("prlimit")
            .args(["--pid", &daemon.id().to_string(), &format!("--nofile={n}:4096")])
            .status()
            .unwrap();
        assert!(done.success());
    };
    limit(daemon.descriptors() + 3);
    let mut streams: Vec<_> = (0..30)
        .filter_map(|_| connect("127.0.72.1", &daemon.address).ok())
        .collect();
    let before = daemon.processor_time();
    std::thread::sleep(Duration::from_secs(1));
    let used = daemon.processor_time() - before;
    assert!(used < Duration::from_millis(500), "spins: {used:?} in a second");
    // All but a few were cut off, not left to wait.
    let mut cut = 0;
    for stream in &mut streams {
        stream.set_read_timeout(Some(Duration::from_millis(50))).unwrap();
        let end = stream.read(&mut [0; 8]);
        cut += u32::from(match end {
            Ok(n) => n == 0,
            Err(e) => e.kind() == std::io::ErrorKind::ConnectionReset,
        });
    }
    assert!(cut >= 25, "{cut}");
    drop(streams);
    assert_eq!(asks(&daemon, "127.0.72.20", "udp"), 200);
    limit(1024);
    let mut late = connect("127.0.72.2", &daemon.address).unwrap();
    let request = Caller::new("TCP", late.local_addr().unwrap(), "late").request("OPTIONS", 1, "");
    late.write_all(request.as_bytes()).unwrap();
    let mut answer = [0; 4096];
    let got = late.read(&mut answer).unwrap();
    assert!(answer[..got].starts_with(b"SIP/2.0 200"));
    daemon.stop();
}
