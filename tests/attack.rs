//! What a hostile or broken peer on the network can do to the running program. Loopback only.

#![allow(clippy::disallowed_methods)]

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpStream, UdpSocket};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

const PATIENCE: Duration = Duration::from_secs(10);

/// The running program. It listens at an address of its own, so that tests at one time stay apart.
struct Daemon {
    child: Child,
    address: String,
    lines: Arc<Mutex<Vec<String>>>,
    folder: PathBuf,
}

impl Daemon {
    /// `host` is the last part of 127.0.71.x.
    fn start(host: u8) -> Self {
        let address = format!("127.0.71.{host}:5060");
        let folder = std::env::temp_dir().join(format!("hornwire-attack-{}-{host}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let config = folder.join("quayside.toml");
        let text = format!(
            r#"
            [site]
            name = "Quayside Timber"
            [sip]
            listen = ["udp:{address}", "tcp:{address}"]
            networks = ["127.0.0.1/32", "127.0.72.0/24"]
            [cards.main]
            output = "null"
            channels = 1
            [relays.trigger]
            line = "simulated"
            [zones.yard]
            card = "main"
            channel = 1
            trigger = ["trigger"]
            [extensions.page]
            user = "850"
            zones = ["yard"]
            codecs = ["opus", "pcmu"]
            "#
        );
        std::fs::write(&config, text).unwrap();
        // Whoever runs the tests may ignore SIGHUP (nohup), which children inherit and the daemon respects.
        let mut child = Command::new("env")
            .args(["--default-signal=HUP", env!("CARGO_BIN_EXE_hornwire"), "run"])
            .arg(&config)
            .env_remove("INVOCATION_ID")
            .env_remove("NOTIFY_SOCKET")
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let lines = Arc::new(Mutex::new(Vec::new()));
        let (stderr, sink) = (child.stderr.take().unwrap(), lines.clone());
        std::thread::spawn(move || {
            for line in BufReader::new(stderr).lines().map_while(Result::ok) {
                sink.lock().unwrap().push(line);
            }
        });
        let daemon = Daemon {
            child,
            address,
            lines,
            folder,
        };
        daemon.wait_line("is open");
        daemon
    }

    fn lines(&self) -> Vec<String> {
        self.lines.lock().unwrap().clone()
    }

    fn wait_line(&self, text: &str) -> String {
        let by = Instant::now() + PATIENCE;
        loop {
            if let Some(line) = self.lines().into_iter().find(|l| l.contains(text)) {
                return line;
            }
            assert!(Instant::now() < by, "no {text:?} in {:#?}", self.lines());
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    fn signal(&self, signal: libc::c_int) {
        let pid = self.child.id().to_string();
        let done = Command::new("kill")
            .args([&format!("-{signal}"), &pid])
            .status()
            .unwrap();
        assert!(done.success());
    }

    /// Exit code.
    fn wait(&mut self) -> Option<i32> {
        let by = Instant::now() + PATIENCE;
        while Instant::now() < by {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status.code();
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        panic!("still running: {:#?}", self.lines());
    }

    fn stop(mut self) {
        self.signal(libc::SIGTERM);
        assert_eq!(self.wait(), Some(0));
        assert!(self.lines().iter().any(|l| l.contains("all relays at rest")));
    }

    /// Octets of resident memory (proc_pid_status(5)).
    fn resident(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).unwrap();
        let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:")).unwrap();
        line.trim().trim_end_matches(" kB").parse::<u64>().unwrap() * 1024
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

/// One caller's dialog, as text.
struct Caller {
    transport: &'static str,
    own: String,
    call_id: String,
    to_tag: String,
}

impl Caller {
    fn new(transport: &'static str, own: std::net::SocketAddr, call_id: &str) -> Self {
        Caller {
            transport,
            own: own.to_string(),
            call_id: call_id.to_owned(),
            to_tag: String::new(),
        }
    }

    fn request(&self, method: &str, cseq: u32, body: &str) -> String {
        let Caller {
            transport,
            own,
            call_id,
            to_tag,
        } = self;
        format!(
            "{method} sip:850@127.0.0.1 SIP/2.0\r\n\
             Via: SIP/2.0/{transport} {own};rport;branch=z9hG4bK-{call_id}-{method}-{cseq}\r\n\
             Max-Forwards: 70\r\n\
             From: <sip:201@quayside.example>;tag=f\r\n\
             To: <sip:850@quayside.example>{to_tag}\r\n\
             Call-ID: {call_id}\r\n\
             CSeq: {cseq} {method}\r\n\
             Contact: <sip:201@{own}>\r\n\
             Content-Type: application/sdp\r\n\
             Content-Length: {}\r\n\r\n{body}",
            body.len()
        )
    }

    fn keep_tag(&mut self, response: &str) {
        let to = response.lines().find(|l| l.starts_with("To:")).unwrap();
        self.to_tag = to.find(";tag=").map(|i| to[i..].to_owned()).unwrap();
    }
}

fn session(address: &str, port: u16, format: &str) -> String {
    format!(
        "v=0\r\no=- 1 1 IN IP4 {address}\r\ns=-\r\nc=IN IP4 {address}\r\nt=0 0\r\nm=audio {port} RTP/AVP {format}\r\n\
         a=rtpmap:111 opus/48000/2\r\n"
    )
}

/// A phone over UDP.
fn phone(daemon: &Daemon, ip: &str) -> UdpSocket {
    let socket = UdpSocket::bind((ip, 0)).unwrap();
    socket.connect(&daemon.address).unwrap();
    socket.set_read_timeout(Some(PATIENCE)).unwrap();
    socket
}

/// The next message that begins so, others passed over.
fn expect(socket: &UdpSocket, begin: &str) -> String {
    let mut buffer = [0; 4096];
    loop {
        let length = socket.recv(&mut buffer).unwrap_or_else(|e| panic!("no {begin}: {e}"));
        let text = String::from_utf8_lossy(&buffer[..length]).into_owned();
        if text.starts_with(begin) {
            return text;
        }
    }
}

/// A final answer: its status.
fn final_status(socket: &UdpSocket) -> u16 {
    loop {
        let status = expect(socket, "SIP/2.0 ")[8..11].parse().unwrap();
        if status >= 200 {
            return status;
        }
    }
}

fn audio_port(message: &str) -> u16 {
    let media = message.split("m=audio ").nth(1).unwrap();
    media.split(' ').next().unwrap().parse().unwrap()
}

/// RFC 3261 §18.3: a stream may carry any number of messages in a row.
#[test]
fn pipelined_requests_all_get_their_answers() {
    let daemon = Daemon::start(1);
    let mut stream = TcpStream::connect(&daemon.address).unwrap();
    let own = stream.local_addr().unwrap();
    const COUNT: usize = 400;
    let all: String = (0..COUNT)
        .map(|i| Caller::new("TCP", own, &format!("many-{i}")).request("OPTIONS", 1, ""))
        .collect();
    stream.write_all(all.as_bytes()).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    let (mut answers, mut buffer) = (String::new(), [0; 65536]);
    while answers.matches("SIP/2.0 200 OK").count() < COUNT {
        let got = stream.read(&mut buffer).unwrap();
        assert!(
            got > 0,
            "closed after {} answers",
            answers.matches("SIP/2.0 200 OK").count()
        );
        answers.push_str(&String::from_utf8_lossy(&buffer[..got]));
    }
    daemon.stop();
}

/// A stream that cannot be framed any more is answered before it is closed.
#[test]
fn a_broken_stream_gets_its_answer_and_its_end() {
    let daemon = Daemon::start(2);
    let mut stream = TcpStream::connect(&daemon.address).unwrap();
    let own = stream.local_addr().unwrap();
    let request = Caller::new("TCP", own, "huge").request("OPTIONS", 1, "");
    let huge = request.replace("Content-Length: 0", "Content-Length: 4000000000");
    stream.write_all(huge.as_bytes()).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    assert!(answer.starts_with("SIP/2.0 4"), "{answer:?}");
    daemon.stop();
}

#[test]
fn idle_connections_keep_nobody_out() {
    let daemon = Daemon::start(3);
    let connect = |ip: &str| {
        let socket = socket2::Socket::new(socket2::Domain::IPV4, socket2::Type::STREAM, None).unwrap();
        let own: std::net::SocketAddr = format!("{ip}:0").parse().unwrap();
        socket.bind(&own.into()).unwrap();
        let to: std::net::SocketAddr = daemon.address.parse().unwrap();
        socket.connect(&to.into()).unwrap();
        let stream: TcpStream = socket.into();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        stream
    };
    let ask = |stream: &mut TcpStream, id: &str| {
        let own = stream.local_addr().unwrap();
        let request = Caller::new("TCP", own, id).request("OPTIONS", 1, "");
        stream.write_all(request.as_bytes()).unwrap();
        let mut buffer = [0; 4096];
        let got = stream.read(&mut buffer).unwrap();
        assert!(buffer[..got].starts_with(b"SIP/2.0 200"), "{id}: {got} octets");
    };
    let mut early = connect("127.0.72.1");
    ask(&mut early, "early");
    // More than there is room for, all from one place, none says a word.
    let idle: Vec<TcpStream> = (0..150).map(|_| connect("127.0.72.2")).collect();
    ask(&mut connect("127.0.72.3"), "late");
    ask(&mut early, "early-again");
    drop(idle);
    daemon.stop();
}

#[test]
fn a_flood_of_calls_fills_no_journal_and_hinders_no_other_caller() {
    let daemon = Daemon::start(4);
    let flood = phone(&daemon, "127.0.72.4");
    let own = flood.local_addr().unwrap();
    let before = daemon.lines().len();
    const COUNT: usize = 2000;
    for i in 0..COUNT {
        let call = Caller::new("UDP", own, &format!("flood-{i}"));
        flood
            .send(call.request("INVITE", 1, &session("127.0.72.4", 4000, "0")).as_bytes())
            .unwrap();
        if i % 20 == 0 {
            std::thread::sleep(Duration::from_millis(10));
        }
    }
    daemon.wait_line("overload");
    let other = phone(&daemon, "127.0.72.5");
    let call = Caller::new("UDP", other.local_addr().unwrap(), "other");
    other
        .send(call.request("INVITE", 1, &session("127.0.72.5", 4000, "0")).as_bytes())
        .unwrap();
    // The flood's first call holds the zone.
    assert_eq!(final_status(&other), 486);
    let told = daemon.lines().len() - before;
    assert!(told < COUNT / 4, "{told} lines for {COUNT} calls");
    daemon.stop();
}

/// A session description that names our own port makes us our own far end: our tones must not keep the page on.
#[test]
fn our_own_tones_are_nobodys_speech() {
    let daemon = Daemon::start(5);
    let socket = phone(&daemon, "127.0.72.6");
    let mut call = Caller::new("UDP", socket.local_addr().unwrap(), "mirror");
    socket.send(call.request("INVITE", 1, "").as_bytes()).unwrap();
    let offer = expect(&socket, "SIP/2.0 200");
    call.keep_tag(&offer);
    let mirror = session("127.0.71.5", audio_port(&offer), "0");
    socket.send(call.request("ACK", 1, &mirror).as_bytes()).unwrap();
    expect(&socket, "BYE ");
    let record = daemon.wait_line("END_REASON");
    assert!(record.contains("END_REASON=no-packets"), "{record}");
    daemon.stop();
}

#[test]
fn codec_changes_without_end_take_no_memory_without_end() {
    let daemon = Daemon::start(6);
    let socket = phone(&daemon, "127.0.72.7");
    let mut call = Caller::new("UDP", socket.local_addr().unwrap(), "changes");
    let body = |format| session("127.0.72.7", 4000, format);
    socket.send(call.request("INVITE", 1, &body("111")).as_bytes()).unwrap();
    let answer = expect(&socket, "SIP/2.0 200");
    call.keep_tag(&answer);
    socket.send(call.request("ACK", 1, "").as_bytes()).unwrap();
    let before = daemon.resident();
    let mut most = before;
    for i in 0..800u32 {
        let format = if i % 2 == 0 { "0" } else { "111" };
        socket
            .send(call.request("INVITE", i + 2, &body(format)).as_bytes())
            .unwrap();
        if i % 10 == 0 {
            std::thread::sleep(Duration::from_millis(5));
            most = most.max(daemon.resident());
        }
    }
    assert!(
        most < before + (32 << 20),
        "resident memory grew from {before} to {most} octets"
    );
    daemon.stop();
}

/// The terminal that it was started in is closed.
#[test]
fn a_hang_up_signal_ends_calls_and_leaves_relays_at_rest() {
    let mut daemon = Daemon::start(7);
    let socket = phone(&daemon, "127.0.72.8");
    let mut call = Caller::new("UDP", socket.local_addr().unwrap(), "cut");
    socket
        .send(call.request("INVITE", 1, &session("127.0.72.8", 4000, "0")).as_bytes())
        .unwrap();
    call.keep_tag(&expect(&socket, "SIP/2.0 200"));
    socket.send(call.request("ACK", 1, "").as_bytes()).unwrap();
    daemon.signal(libc::SIGHUP);
    expect(&socket, "BYE ");
    assert_eq!(daemon.wait(), Some(0));
    daemon.wait_line("all relays at rest");
}

/// The installer wants to know why a gateway that calls over TCP gets nowhere: one line, however often it tries.
#[test]
fn a_strangers_connections_are_told_once() {
    let daemon = Daemon::start(8);
    let to: std::net::SocketAddr = daemon.address.parse().unwrap();
    for _ in 0..50 {
        let socket = socket2::Socket::new(socket2::Domain::IPV4, socket2::Type::STREAM, None).unwrap();
        let own: std::net::SocketAddr = "127.0.73.9:0".parse().unwrap();
        socket.bind(&own.into()).unwrap();
        socket.connect(&to.into()).unwrap();
        let mut stream: TcpStream = socket.into();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        let _ = stream.write_all(b"INVITE ");
        // The end, or a reset where our octets were not read.
        assert_eq!(stream.read(&mut [0; 16]).unwrap_or(0), 0);
    }
    let line = daemon.wait_line("turned away");
    assert!(line.contains("PEER=127.0.73.9:"), "{line}");
    let told = daemon.lines().iter().filter(|l| l.contains("turned away")).count();
    assert_eq!(told, 1);
    daemon.stop();
}
