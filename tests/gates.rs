//! Who may page, at the running program: callers that are refused, codes on the dial pad, zones chosen. Loopback only.

#![allow(clippy::disallowed_methods)]

use std::time::{Duration, Instant, SystemTime};

use crate::phone::{Phone, reason};
use crate::program::Program;

#[path = "program/phone.rs"]
mod phone;
mod program;

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
    let call = |address: &str, user: &str, dialled: &str| Phone::new(address, user, &daemon.address, dialled).call();
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
    let mut untrusted = Phone::new("127.0.74.9", "201", &daemon.address, "852").header(asserted);
    assert_eq!(untrusted.call().0, 403, "RFC 3325: not from a trusted peer");
    let mut trusted = Phone::new("127.0.74.1", "anonymous", &daemon.address, "852").header(asserted);
    assert_eq!(trusted.call().0, 200);
    trusted.hang_up();

    // Who asserts 209 is denied, whatever From says.
    let denied = "P-Asserted-Identity: <sip:209@pbx.quayside.example>";
    assert_eq!(
        Phone::new("127.0.74.1", "201", &daemon.address, "850")
            .header(denied)
            .call()
            .0,
        403
    );

    let mut alias = Phone::new("127.0.74.9", "201", &daemon.address, "8501");
    assert_eq!(alias.call().0, 200);
    alias.silence(30);
    daemon.line("heard in zone sawmill");
    // Busy but for urgency, which counts from a trusted peer alone.
    assert_eq!(call("127.0.74.9", "202", "8501").0, 486);
    let urgent = "Priority: emergency";
    assert_eq!(
        Phone::new("127.0.74.9", "202", &daemon.address, "8501")
            .header(urgent)
            .call()
            .0,
        486
    );
    let mut urgent = Phone::new("127.0.74.1", "202", &daemon.address, "8501").header(urgent);
    assert_eq!(urgent.call().0, 200);
    assert!(reason(&alias.bye()).contains("preempted"));
    urgent.silence(20);
    urgent.hang_up();
    // In turn: the rest of that page may still play.
    let mut next = Phone::new("127.0.74.1", "203", &daemon.address, "8501").header("Priority: emergency");
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
    let mut phone = Phone::new("127.0.74.9", "201", &daemon.address, "850");
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
    let mut guesser = Phone::new("127.0.74.8", "666", &daemon.address, "850");
    assert_eq!(guesser.call().0, 200);
    for code in ["0001#", "0002#", "0003#"] {
        guesser.dial(code);
    }
    let bye = guesser.bye();
    assert!(
        reason(&bye).contains("cause=403") && reason(&bye).contains("wrong code"),
        "{bye}"
    );
    let mut guesser = Phone::new("127.0.74.8", "666", &daemon.address, "850");
    assert_eq!(guesser.call().0, 200);
    guesser.dial("0004#");
    assert!(reason(&guesser.bye()).contains("locked"));
    daemon.line("code entry is locked for this caller");
    let (status, answer) = Phone::new("127.0.74.8", "666", &daemon.address, "850").call();
    assert_eq!((status, reason(&answer).contains("locked")), (480, true), "{answer}");

    // A code with zones of its own, while strangers crowd the dial pad.
    let mut crowd: Vec<Phone> = (0..30)
        .map(|n| Phone::new("127.0.74.7", &format!("9{n}"), &daemon.address, "850"))
        .collect();
    let answers: Vec<u16> = crowd.iter_mut().map(|p| p.call().0).collect();
    assert!(answers.contains(&200) && answers.contains(&486), "{answers:?}");
    let mut known = Phone::new("127.0.74.9", "201", &daemon.address, "850");
    assert_eq!(known.call().0, 200, "who has had the right code still gets in");
    known.dial("480162#");
    daemon.line("code kiln opened sawmill");
    known.silence(10);
    known.hang_up();
    let mut other = Phone::new("127.0.74.9", "202", &daemon.address, "851");
    let by = Instant::now() + Duration::from_secs(30);
    // The page before it still plays out.
    while other.call().0 != 200 {
        assert!(Instant::now() < by);
        other = Phone::new("127.0.74.9", "202", &daemon.address, "851");
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
    let mut phone = Phone::new("127.0.74.9", "201", &daemon.address, "850");
    assert_eq!(phone.call().0, 200);
    assert!(phone.hears(), "the prompt");
    phone.dial("7#");
    assert!(phone.hears(), "the refusal tone");
    phone.dial("2");
    phone.silence(30);
    daemon.line("heard in zone sawmill");
    phone.hang_up();
    let mut silent = Phone::new("127.0.74.9", "201", &daemon.address, "850");
    assert_eq!(silent.call().0, 200);
    assert!(reason(&silent.bye()).contains("no zone was chosen"));
    daemon.line("480, no zone was chosen");
}
