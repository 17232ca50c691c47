//! The running program and its callers.

use std::net::{SocketAddr, TcpStream, UdpSocket};
use std::path::Path;
use std::time::Duration;

use crate::program::{self, Program};

pub const PATIENCE: Duration = Duration::from_secs(10);

/// The running program. It listens at an address of its own, so that tests at one time stay apart.
pub struct Daemon {
    program: Program,
    pub address: String,
}

impl Daemon {
    /// `host` is the last part of 127.0.71.x.
    pub fn start(host: u8) -> Self {
        let address = format!("127.0.71.{host}:5060");
        let listen = format!(r#"listen = ["udp:{address}", "tcp:{address}"]"#);
        Daemon::with(host, |_| (listen, String::new(), String::new()))
    }

    /// With other lines of `[sip]` and of the extension, and other tables; they may name files in the folder given.
    pub fn with(host: u8, lines: impl FnOnce(&Path) -> (String, String, String)) -> Self {
        let address = format!("127.0.71.{host}:5060");
        let folder = program::folder(&format!("attack-{host}"));
        let (sip, extension, tables) = lines(&folder);
        let text = format!(
            r#"
            [site]
            name = "Quayside Timber"
            [sip]
            {sip}
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
            quiet_limit = "none"
            {extension}
            {tables}
            "#
        );
        let program = Program::start(folder, &text);
        program.line("is open");
        Daemon { program, address }
    }

    pub fn lines(&self) -> Vec<String> {
        self.program.lines()
    }

    pub fn wait_line(&self, text: &str) -> String {
        self.program.line(text)
    }

    pub fn signal(&self, signal: libc::c_int) {
        self.program.signal(signal);
    }

    /// Exit code.
    pub fn wait(&mut self) -> Option<i32> {
        self.program.wait()
    }

    pub fn stop(mut self) {
        self.program.stop();
    }

    pub fn id(&self) -> u32 {
        self.program.child.id()
    }

    /// Open descriptors (proc_pid_fd(5)).
    pub fn descriptors(&self) -> usize {
        std::fs::read_dir(format!("/proc/{}/fd", self.program.child.id()))
            .unwrap()
            .count()
    }

    /// Processor time used so far (proc_pid_stat(5): utime and stime, in ticks of 10 ms).
    pub fn processor_time(&self) -> Duration {
        let stat = std::fs::read_to_string(format!("/proc/{}/stat", self.program.child.id())).unwrap();
        let fields: Vec<&str> = stat.rsplit(')').next().unwrap().split_whitespace().collect();
        let ticks: u64 = fields[11].parse::<u64>().unwrap() + fields[12].parse::<u64>().unwrap();
        Duration::from_millis(ticks * 10)
    }

    /// Octets of resident memory (proc_pid_status(5)).
    pub fn resident(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.program.child.id())).unwrap();
        let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:")).unwrap();
        line.trim().trim_end_matches(" kB").parse::<u64>().unwrap() * 1024
    }
}

/// One caller's dialog, as text.
pub struct Caller {
    transport: &'static str,
    own: String,
    call_id: String,
    to_tag: String,
}

impl Caller {
    pub fn new(transport: &'static str, own: std::net::SocketAddr, call_id: &str) -> Self {
        Caller {
            transport,
            own: own.to_string(),
            call_id: call_id.to_owned(),
            to_tag: String::new(),
        }
    }

    pub fn request(&self, method: &str, cseq: u32, body: &str) -> String {
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

    pub fn keep_tag(&mut self, response: &str) {
        let to = response.lines().find(|l| l.starts_with("To:")).unwrap();
        self.to_tag = to.find(";tag=").map(|i| to[i..].to_owned()).unwrap();
    }
}

pub fn session(address: &str, port: u16, format: &str) -> String {
    format!(
        "v=0\r\no=- 1 1 IN IP4 {address}\r\ns=-\r\nc=IN IP4 {address}\r\nt=0 0\r\nm=audio {port} RTP/AVP {format}\r\n\
         a=rtpmap:111 opus/48000/2\r\n"
    )
}

/// A phone over UDP.
pub fn phone(daemon: &Daemon, ip: &str) -> UdpSocket {
    let socket = UdpSocket::bind((ip, 0)).unwrap();
    socket.connect(&daemon.address).unwrap();
    socket.set_read_timeout(Some(PATIENCE)).unwrap();
    socket
}

/// The next message that begins so, others passed over.
pub fn expect(socket: &UdpSocket, begin: &str) -> String {
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
pub fn final_status(socket: &UdpSocket) -> u16 {
    loop {
        let status = expect(socket, "SIP/2.0 ")[8..11].parse().unwrap();
        if status >= 200 {
            return status;
        }
    }
}

pub fn audio_port(message: &str) -> u16 {
    let media = message.split("m=audio ").nth(1).unwrap();
    media.split(' ').next().unwrap().parse().unwrap()
}

/// A connection from an address of ours.
pub fn connect(from: &str, to: &str) -> std::io::Result<TcpStream> {
    let socket = socket2::Socket::new(socket2::Domain::IPV4, socket2::Type::STREAM, None)?;
    let own: SocketAddr = format!("{from}:0").parse().unwrap();
    socket.bind(&own.into())?;
    let to: SocketAddr = to.parse().unwrap();
    socket.connect(&to.into())?;
    let stream: TcpStream = socket.into();
    stream.set_read_timeout(Some(PATIENCE))?;
    Ok(stream)
}
