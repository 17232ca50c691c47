//! Who may page, at the running program: callers that are refused, codes on the dial pad, zones chosen. Loopback only.

#![allow(clippy::disallowed_methods)]

use std::net::UdpSocket;
use std::time::{Duration, Instant, SystemTime};

use crate::program::Program;

mod program;

const PATIENCE: Duration = Duration::from_secs(30);

/// 7391 and 480162, made by the reference implementation: `printf 7391 | argon2 quaysidesalt -id -t 3 -k 4096 -p 1 -l 32 -e`.
const SECRETS: &str = "\
gatehouse = '$argon2id$v=19$m=4096,t=3,p=1$cXVheXNpZGVzYWx0$cy6vLh4aZ46lkbd8wdJsKV6McRK4goEBsYx1PD9jII0'
kiln = '$argon2id$v=19$m=4096,t=3,p=1$a2lsbnNhbHRraWxu$rAigKsW3n72a7NrSy9Gt5H5hbrusdgK3PFyUbYlXJlA'
";

struct Daemon {
    program: Program,
    address: String,
}

impl Daemon {
    /// `host` is the last part of 127.0.73.x.
    fn start(host: u8, extensions: &str) -> Self {
        let address = format!("127.0.73.{host}:5060");
        let folder = program::folder(&format!("gates-{host}"));
        std::fs::write(folder.join("secrets.toml"), SECRETS).unwrap();
        let text = format!(
            r#"
            [site]
            name = "Quayside Timber"
            time_zone = "UTC"
            [sip]
            listen = ["udp:{address}"]
            networks = ["127.0.0.0/8"]
            trusted = ["127.0.74.1"]
            [secrets]
            file = "secrets.toml"
            [codes.gatehouse]
            secret = "gatehouse"
            priority = 80
            [codes.kiln]
            secret = "kiln"
            zones = ["sawmill"]
            [cards.main]
            output = "null"
            channels = 2
            [zones.yard]
            card = "main"
            channel = 1
            lead = "50 ms"
            [zones.sawmill]
            card = "main"
            channel = 2
            lead = "50 ms"
            [defaults.extensions]
            codecs = ["pcmu"]
            {extensions}
            "#
        );
        let program = Program::start(folder, &text);
        program.line("is open");
        Daemon { program, address }
    }

    fn lines(&self) -> Vec<String> {
        self.program.lines()
    }

    fn line(&self, text: &str) -> String {
        self.program.line(text)
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        if std::thread::panicking() {
            return;
        }
        self.program.stop();
        // Whatever was dialled, it is in no message.
        let all = self.lines().join("\n");
        for code in ["7391", "7392", "480162"] {
            assert!(!all.contains(code), "{code} in the journal:\n{all}");
        }
    }
}

/// One call.
struct Phone {
    sip: UdpSocket,
    rtp: UdpSocket,
    user: String,
    to: String,
    headers: String,
    tag: u32,
    to_header: String,
    media: Option<String>,
    sequence: u16,
    timestamp: u32,
}

impl Phone {
    fn new(address: &str, user: &str, daemon: &Daemon, dialled: &str) -> Phone {
        let sip = UdpSocket::bind((address, 0)).unwrap();
        sip.connect(&daemon.address).unwrap();
        sip.set_read_timeout(Some(Duration::from_millis(50))).unwrap();
        let rtp = UdpSocket::bind((address, 0)).unwrap();
        rtp.set_read_timeout(Some(Duration::from_millis(5))).unwrap();
        Phone {
            tag: u32::from(sip.local_addr().unwrap().port()),
            sip,
            rtp,
            user: user.to_owned(),
            to: format!("sip:{dialled}@{}", daemon.address),
            headers: String::new(),
            to_header: String::new(),
            media: None,
            sequence: 1,
            timestamp: 1000,
        }
    }

    fn header(mut self, line: &str) -> Phone {
        self.headers += line;
        self.headers += "\r\n";
        self
    }

    fn request(&self, method: &str, cseq: u32, to: &str, body: &str) -> String {
        let own = self.sip.local_addr().unwrap();
        let kind = if body.is_empty() {
            ""
        } else {
            "Content-Type: application/sdp\r\n"
        };
        format!(
            "{method} {uri} SIP/2.0\r\nVia: SIP/2.0/UDP {own};branch=z9hG4bK{method}{tag}\r\nMax-Forwards: 70\r\n\
             From: <sip:{user}@pbx.quayside.example>;tag=f{tag}\r\nTo: {to}\r\nCall-ID: c{tag}@quayside\r\n\
             CSeq: {cseq} {method}\r\nContact: <sip:{user}@{own}>\r\n{more}{kind}Content-Length: {length}\r\n\r\n{body}",
            uri = self.to,
            tag = self.tag,
            user = self.user,
            more = self.headers,
            length = body.len()
        )
        .replace("z9hG4bKACK", if self.media.is_some() { "z9hG4bKACK" } else { "z9hG4bKINVITE" })
    }

    /// Status and text of the final answer; acknowledged.
    fn call(&mut self) -> (u16, String) {
        let own = self.rtp.local_addr().unwrap();
        let body = format!(
            "v=0\r\no=- 1 1 IN IP4 {ip}\r\ns=-\r\nc=IN IP4 {ip}\r\nt=0 0\r\nm=audio {port} RTP/AVP 0 101\r\n\
             a=rtpmap:101 telephone-event/8000\r\n",
            ip = own.ip(),
            port = own.port()
        );
        let invite = self.request("INVITE", 1, &format!("<{}>", self.to), &body);
        self.sip.send(invite.as_bytes()).unwrap();
        let answer = self.receive(|m| m.starts_with("SIP/2.0 ") && !m.starts_with("SIP/2.0 100"));
        let status: u16 = answer[8..11].parse().unwrap();
        self.to_header = field(&answer, "To: ").unwrap();
        if status == 200 {
            let ip = field(&answer, "c=IN IP4 ").unwrap();
            let port = field(&answer, "m=audio ").unwrap();
            self.media = Some(format!("{ip}:{}", port.split(' ').next().unwrap()));
        }
        let ack = self.request("ACK", 1, &self.to_header, "");
        self.sip.send(ack.as_bytes()).unwrap();
        (status, answer)
    }

    fn receive(&self, wanted: impl Fn(&str) -> bool) -> String {
        let by = Instant::now() + PATIENCE;
        let mut octets = [0; 4096];
        loop {
            if let Ok(n) = self.sip.recv(&mut octets) {
                let text = String::from_utf8_lossy(&octets[..n]).into_owned();
                if wanted(&text) {
                    return text;
                }
            }
            assert!(Instant::now() < by, "no such message");
        }
    }

    /// A BYE from the daemon, answered.
    fn bye(&self) -> String {
        let bye = self.receive(|m| m.starts_with("BYE "));
        let copied: String = bye
            .lines()
            .filter(|l| {
                ["Via:", "From:", "To:", "Call-ID:", "CSeq:"]
                    .iter()
                    .any(|h| l.starts_with(h))
            })
            .map(|l| format!("{l}\r\n"))
            .collect();
        let ok = format!("SIP/2.0 200 OK\r\n{copied}Content-Length: 0\r\n\r\n");
        self.sip.send(ok.as_bytes()).unwrap();
        bye
    }

    fn hang_up(&self) {
        let bye = self.request("BYE", 2, &self.to_header, "");
        self.sip.send(bye.as_bytes()).unwrap();
        self.receive(|m| m.starts_with("SIP/2.0 200"));
    }

    fn packet(&mut self, payload_type: u8, marker: bool, timestamp: u32, payload: &[u8]) {
        let mut octets = vec![0x80, payload_type | if marker { 0x80 } else { 0 }];
        octets.extend(self.sequence.to_be_bytes());
        octets.extend(timestamp.to_be_bytes());
        octets.extend(self.tag.to_be_bytes());
        octets.extend(payload);
        self.sequence = self.sequence.wrapping_add(1);
        self.rtp.send_to(&octets, self.media.as_ref().unwrap()).unwrap();
    }

    /// 20 ms of silence.
    fn silence(&mut self, packets: u32) {
        for _ in 0..packets {
            self.packet(0, false, self.timestamp, &[0xff; 160]);
            self.timestamp += 160;
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// RFC 4733 §2.5: one event for each key, its end three times.
    fn dial(&mut self, keys: &str) {
        self.silence(3);
        for key in keys.chars() {
            let code = "0123456789*#".find(key).unwrap() as u8;
            for (n, end) in [(1u16, false), (2, false), (3, true), (3, true), (3, true)] {
                let duration = (n * 160).to_be_bytes();
                let flags = if end { 0x8a } else { 0x0a };
                let payload = [code, flags, duration[0], duration[1]];
                self.packet(101, n == 1, self.timestamp, &payload);
                std::thread::sleep(Duration::from_millis(5));
            }
            self.timestamp += 800;
            self.silence(2);
        }
    }

    /// Whether anything but silence comes within a while.
    fn hears(&mut self) -> bool {
        let by = Instant::now() + Duration::from_secs(10);
        let mut octets = [0; 2048];
        while Instant::now() < by {
            self.silence(1);
            while let Ok(n) = self.rtp.recv(&mut octets) {
                if octets[12..n].iter().any(|o| !matches!(o, 0xff | 0x7f | 0xfe | 0x7e)) {
                    return true;
                }
            }
        }
        false
    }
}

fn field(message: &str, name: &str) -> Option<String> {
    let line = message.lines().find(|l| l.starts_with(name))?;
    Some(line[name.len()..].to_owned())
}

fn reason(message: &str) -> String {
    field(message, "Reason: ").unwrap_or_default()
}

/// A day that is neither today nor a neighbour of it.
fn another_day() -> &'static str {
    let days = SystemTime::UNIX_EPOCH.elapsed().unwrap().as_secs() / 86_400;
    // 1970-01-01 was a Thursday.
    ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"][((days + 3 + 3) % 7) as usize]
}

#[test]
fn callers_networks_and_hours_are_told_apart() {
    let daemon = Daemon::start(
        1,
        &format!(
            r#"
            [extensions.yard]
            user = "850"
            zones = ["yard"]
            allow = ["2*"]
            deny = ["209"]
            dial = {{ "8501" = ["sawmill"], "86*" = {{ zones = ["yard", "sawmill"], priority = 70 }} }}
            urgent = {{ "emergency" = 95 }}
            [extensions.night]
            user = "851"
            zones = ["yard"]
            hours = ["{} 00:00-24:00"]
            [extensions.office]
            user = "852"
            zones = ["yard"]
            networks = ["127.0.74.0/24"]
            asserted_only = true
            "#,
            another_day()
        ),
    );
    let call = |address: &str, user: &str, dialled: &str| Phone::new(address, user, &daemon, dialled).call();
    // RFC 3261 §21.4.4 and §21.6.2; the reason by RFC 3326.
    let (status, answer) = call("127.0.74.9", "301", "850");
    assert_eq!(
        (status, reason(&answer).contains("not allowed")),
        (403, true),
        "{answer}"
    );
    assert_eq!(call("127.0.74.9", "209", "850").0, 403);
    let (status, answer) = call("127.0.74.9", "201", "851");
    assert_eq!((status, reason(&answer).contains("hours")), (603, true), "{answer}");
    assert_eq!(call("127.0.75.9", "201", "852").0, 403);
    daemon.line("403, not from this network");
    assert_eq!(call("127.0.74.9", "201", "852").0, 403, "it asserts itself");
    daemon.line("403, no asserted identity");
    let asserted = "P-Asserted-Identity: <sip:201@pbx.quayside.example>";
    let mut untrusted = Phone::new("127.0.74.9", "201", &daemon, "852").header(asserted);
    assert_eq!(untrusted.call().0, 403, "RFC 3325: not from a trusted peer");
    let mut trusted = Phone::new("127.0.74.1", "anonymous", &daemon, "852").header(asserted);
    assert_eq!(trusted.call().0, 200);
    trusted.hang_up();

    // Who asserts 209 is denied, whatever From says.
    let denied = "P-Asserted-Identity: <sip:209@pbx.quayside.example>";
    assert_eq!(
        Phone::new("127.0.74.1", "201", &daemon, "850").header(denied).call().0,
        403
    );

    let mut alias = Phone::new("127.0.74.9", "201", &daemon, "8501");
    assert_eq!(alias.call().0, 200);
    alias.silence(30);
    daemon.line("heard in zone sawmill");
    // Busy but for urgency, which counts from a trusted peer alone.
    assert_eq!(call("127.0.74.9", "202", "8501").0, 486);
    let urgent = "Priority: emergency";
    assert_eq!(
        Phone::new("127.0.74.9", "202", &daemon, "8501").header(urgent).call().0,
        486
    );
    let mut urgent = Phone::new("127.0.74.1", "202", &daemon, "8501").header(urgent);
    assert_eq!(urgent.call().0, 200);
    assert!(reason(&alias.bye()).contains("preempted"));
    urgent.silence(20);
    urgent.hang_up();
    // In turn: the rest of that page may still play.
    let mut next = Phone::new("127.0.74.1", "203", &daemon, "8501").header("Priority: emergency");
    assert_eq!(next.call().0, 200);
    next.hang_up();
    assert_eq!(call("127.0.74.9", "201", "855").0, 404);
}

#[test]
fn a_code_opens_the_loudspeakers_and_wrong_ones_lock_it() {
    let daemon = Daemon::start(
        2,
        r#"
        [extensions.yard]
        user = "850"
        zones = ["yard"]
        codes = ["gatehouse", "kiln"]
        [extensions.open]
        user = "851"
        zones = ["sawmill"]
        "#,
    );
    let mut phone = Phone::new("127.0.74.9", "201", &daemon, "850");
    assert_eq!(phone.call().0, 200, "answered at once");
    assert!(phone.hears(), "the prompt");
    phone.dial("7392#");
    daemon.line("wrong code, 1 of 3");
    assert!(phone.hears(), "the refusal tone");
    assert!(
        !daemon.lines().iter().any(|l| l.contains("heard in zone")),
        "{:#?}",
        daemon.lines()
    );
    phone.dial("7391#");
    daemon.line("code gatehouse opened yard for 201@pbx.quayside.example");
    phone.silence(30);
    daemon.line("heard in zone yard");
    phone.hang_up();

    // Three wrong ones, and the caller is locked out for a while; others are not.
    let mut guesser = Phone::new("127.0.74.8", "666", &daemon, "850");
    assert_eq!(guesser.call().0, 200);
    for code in ["0001#", "0002#", "0003#"] {
        guesser.dial(code);
    }
    let bye = guesser.bye();
    assert!(
        reason(&bye).contains("cause=403") && reason(&bye).contains("wrong code"),
        "{bye}"
    );
    let mut guesser = Phone::new("127.0.74.8", "666", &daemon, "850");
    assert_eq!(guesser.call().0, 200);
    guesser.dial("0004#");
    assert!(reason(&guesser.bye()).contains("locked"));
    daemon.line("code entry is locked for this caller");
    let (status, answer) = Phone::new("127.0.74.8", "666", &daemon, "850").call();
    assert_eq!((status, reason(&answer).contains("locked")), (480, true), "{answer}");

    // A code with zones of its own, while strangers crowd the dial pad.
    let mut crowd: Vec<Phone> = (0..30)
        .map(|n| Phone::new("127.0.74.7", &format!("9{n}"), &daemon, "850"))
        .collect();
    let answers: Vec<u16> = crowd.iter_mut().map(|p| p.call().0).collect();
    assert!(answers.contains(&200) && answers.contains(&486), "{answers:?}");
    let mut known = Phone::new("127.0.74.9", "201", &daemon, "850");
    assert_eq!(known.call().0, 200, "who has had the right code still gets in");
    known.dial("480162#");
    daemon.line("code kiln opened sawmill");
    known.silence(10);
    known.hang_up();
    let mut other = Phone::new("127.0.74.9", "202", &daemon, "851");
    let by = Instant::now() + PATIENCE;
    // The page before it still plays out.
    while other.call().0 != 200 {
        assert!(Instant::now() < by);
        other = Phone::new("127.0.74.9", "202", &daemon, "851");
        std::thread::sleep(Duration::from_millis(200));
    }
    other.hang_up();
}

#[test]
fn the_dial_pad_chooses_zones() {
    let daemon = Daemon::start(
        3,
        r#"
        [extensions.yard]
        user = "850"
        zones = ["yard"]
        keypad = { "1" = ["yard"], "2" = ["sawmill"] }
        no_choice = "hang up"
        "#,
    );
    let mut phone = Phone::new("127.0.74.9", "201", &daemon, "850");
    assert_eq!(phone.call().0, 200);
    assert!(phone.hears(), "the prompt");
    phone.dial("7#");
    assert!(phone.hears(), "the refusal tone");
    phone.dial("2");
    phone.silence(30);
    daemon.line("heard in zone sawmill");
    phone.hang_up();
    let mut silent = Phone::new("127.0.74.9", "201", &daemon, "850");
    assert_eq!(silent.call().0, 200);
    assert!(reason(&silent.bye()).contains("no zone was chosen"));
    daemon.line("480, no zone was chosen");
}
