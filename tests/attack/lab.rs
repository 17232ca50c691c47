//! The running program and its callers.

use std::io::{BufRead, BufReader};
use std::net::{SocketAddr, TcpStream, UdpSocket};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

pub const PATIENCE: Duration = Duration::from_secs(10);

/// The running program. It listens at an address of its own, so that tests at one time stay apart.
pub struct Daemon {
    child: Child,
    pub address: String,
    lines: Arc<Mutex<Vec<String>>>,
    pub folder: PathBuf,
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
        let folder = std::env::temp_dir().join(format!("hornwire-attack-{}-{host}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let config = folder.join("quayside.toml");
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

    pub fn lines(&self) -> Vec<String> {
        self.lines.lock().unwrap().clone()
    }

    pub fn wait_line(&self, text: &str) -> String {
        let by = Instant::now() + PATIENCE;
        loop {
            if let Some(line) = self.lines().into_iter().find(|l| l.contains(text)) {
                return line;
            }
            assert!(Instant::now() < by, "no {text:?} in {:#?}", self.lines());
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    pub fn signal(&self, signal: libc::c_int) {
        let pid = self.child.id().to_string();
        let done = Command::new("kill")
            .args([&format!("-{signal}"), &pid])
            .status()
            .unwrap();
        assert!(done.success());
    }

    /// Exit code.
    pub fn wait(&mut self) -> Option<i32> {
        let by = Instant::now() + PATIENCE;
        while Instant::now() < by {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status.code();
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        panic!("still running: {:#?}", self.lines());
    }

    pub fn stop(mut self) {
        self.signal(libc::SIGTERM);
        assert_eq!(self.wait(), Some(0));
        assert!(self.lines().iter().any(|l| l.contains("all relays at rest")));
    }

    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Open descriptors (proc_pid_fd(5)).
    pub fn descriptors(&self) -> usize {
        std::fs::read_dir(format!("/proc/{}/fd", self.child.id()))
            .unwrap()
            .count()
    }

    /// Processor time used so far (proc_pid_stat(5): utime and stime, in ticks of 10 ms).
    pub fn processor_time(&self) -> Duration {
        let stat = std::fs::read_to_string(format!("/proc/{}/stat", self.child.id())).unwrap();
        let fields: Vec<&str> = stat.rsplit(')').next().unwrap().split_whitespace().collect();
        let ticks: u64 = fields[11].parse::<u64>().unwrap() + fields[12].parse::<u64>().unwrap();
        Duration::from_millis(ticks * 10)
    }

    /// Octets of resident memory (proc_pid_status(5)).
    pub fn resident(&self) -> u64 {
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
