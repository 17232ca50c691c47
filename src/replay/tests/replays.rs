//! Captures made in memory, replayed.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::super::capture::{Capture, Datagram};
use super::super::clock::Step;
use super::super::{ReplayError, Replayed, replay};
use super::{AT, peer};
use crate::config::check_text;
use crate::config::plan::Plan;
use crate::page::EndReason;
use crate::report::record::PageReport;

struct Folder(PathBuf);

impl Folder {
    fn new(name: &str) -> Self {
        let path = std::env::temp_dir().join(format!("hornwire-replay-{name}-{}", std::process::id()));
        std::fs::create_dir_all(&path).unwrap();
        Folder(path)
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

const CONFIG: &str = r#"
    [site]
    name = "Quayside Timber"
    time_zone = "Europe/London"
    [sip]
    networks = ["192.0.2.0/24"]
    [cards.main]
    output = "null"
    [relays.trigger]
    line = "gpiochip0:5"
    [zones.yard]
    card = "main"
    channel = 1
    trigger = ["trigger"]
    lead = "300 ms"
    release = "200 ms"
    [zones.office]
    card = "main"
    channel = 2
    [extensions.yard-page]
    user = "850"
    zones = ["yard"]
    [groups.dispatch]
    address = "239.255.10.1:5004"
    codec = "pcmu"
    zones = ["office"]
    [contacts.bell]
    line = "gpiochip0:6"
    zones = ["yard"]
"#;

/// µ-law of a 1 kHz sine at −10 dBm0 or so: one cycle is eight samples (ITU-T G.711 Table 6, the digital milliwatt, two bits softer).
fn rtp(sequence: u16) -> Vec<u8> {
    let mut out = vec![0x80, 0];
    out.extend(sequence.to_be_bytes());
    out.extend((u32::from(sequence) * 160).to_be_bytes());
    out.extend(7u32.to_be_bytes());
    out.extend(
        [0x2e, 0x1b, 0x1b, 0x2e, 0xae, 0x9b, 0x9b, 0xae]
            .iter()
            .cycle()
            .take(160),
    );
    out
}

fn sip(text: &str) -> Vec<u8> {
    text.lines()
        .map(|line| format!("{}\r\n", line.trim()))
        .collect::<String>()
        .into_bytes()
}

/// A call of 3 s as it was captured at the gateway: its tags and ports were others than those of the replay.
#[derive(Clone, Copy)]
struct Call {
    id: &'static str,
    /// Since the capture's beginning, ms.
    at: u64,
    caller: &'static str,
    phone: &'static str,
    board: &'static str,
    /// Ports of the audio, at the phone's address and at the gateway's.
    audio: (u16, u16),
    /// Payload types of offer and answer.
    types: (&'static str, &'static str),
    /// What the gateway answered; 0: nothing.
    status: u16,
    /// ms.
    length: u64,
}

const CALL: Call = Call {
    id: "call-1",
    at: 0,
    caller: "192.0.2.30:5060",
    phone: "192.0.2.30",
    board: "192.0.2.20:5060",
    audio: (4000, 40_000),
    types: ("0", "0"),
    status: 200,
    length: 3000,
};

fn at(ms: u64) -> Duration {
    Duration::from_nanos(AT) + Duration::from_millis(ms)
}

impl Call {
    fn request(&self, method: &str, number: u32, tag: &str, sdp: &str) -> Vec<u8> {
        let (board, id, caller) = (self.board, self.id, self.caller);
        let content = if sdp.is_empty() {
            ""
        } else {
            "Content-Type: application/sdp\n"
        };
        sip(&format!(
            "{method} sip:850@{board} SIP/2.0\nVia: SIP/2.0/UDP {caller};branch=z9hG4bK{id}{method}\nMax-Forwards: 70\n\
             From: <sip:213@{caller}>;tag=phone\nTo: <sip:850@{board}>{tag}\nCall-ID: {id}\nCSeq: {number} {method}\n\
             Contact: <sip:213@{caller}>\n{content}Content-Length: {}\n\n{sdp}",
            sip(sdp).len()
        ))
    }

    fn answer(&self) -> Vec<u8> {
        let (board, id, caller, status) = (self.board, self.id, self.caller, self.status);
        let ip = peer(board).ip().to_string();
        let sdp = if status == 200 {
            sdp(&ip, self.audio.1, self.types.1)
        } else {
            String::new()
        };
        sip(&format!(
            "SIP/2.0 {status} So\nVia: SIP/2.0/UDP {caller};branch=z9hG4bK{id}INVITE\nFrom: <sip:213@{caller}>;tag=phone\n\
             To: <sip:850@{board}>;tag=then-{id}\nCall-ID: {id}\nCSeq: 1 INVITE\nContact: <sip:850@{board}>\n\
             Content-Type: application/sdp\nContent-Length: {}\n\n{sdp}",
            sip(&sdp).len()
        ))
    }

    fn datagrams(&self) -> Vec<Datagram> {
        let (caller, board) = (peer(self.caller), peer(self.board));
        let mut out = Vec::new();
        let mut add = |ms: u64, from: SocketAddr, to: SocketAddr, octets: Vec<u8>| {
            out.push(Datagram {
                at: at(self.at + ms),
                from,
                to,
                octets,
            });
        };
        let tag = format!(";tag=then-{}", self.id);
        let offer = sdp(self.phone, self.audio.0, self.types.0);
        add(0, caller, board, self.request("INVITE", 1, "", &offer));
        if self.status > 0 {
            add(20, board, caller, self.answer());
            add(40, caller, board, self.request("ACK", 1, &tag, ""));
        }
        if ![0, 200].contains(&self.status) {
            return out;
        }
        let phone = SocketAddr::new(self.phone.parse().unwrap(), self.audio.0);
        let audio = SocketAddr::new(board.ip(), self.audio.1);
        for n in 0..self.length / 20 {
            add(60 + 20 * n, phone, audio, rtp(n as u16));
        }
        add(self.length + 80, caller, board, self.request("BYE", 2, &tag, ""));
        out
    }
}

fn sdp(ip: &str, port: u16, types: &str) -> String {
    format!("v=0\no=- 1 1 IN IP4 {ip}\ns=-\nc=IN IP4 {ip}\nt=0 0\nm=audio {port} RTP/AVP {types}\n")
}

fn capture(datagrams: Vec<Datagram>) -> Capture {
    let mut datagrams = datagrams;
    datagrams.sort_by_key(|one| one.at);
    Capture {
        datagrams,
        ..Capture::default()
    }
}

fn plan(config: &str) -> Plan {
    let loaded = check_text(config, Path::new("quayside.toml"), None);
    loaded.plan.unwrap_or_else(|| panic!("{:#?}", loaded.problems))
}

/// Source, ending and packets of each page.
fn pages(replayed: &Replayed) -> Vec<(&str, EndReason, u64)> {
    let page = |page: &'_ PageReport| (page.record.reason, page.reception.packets);
    let all = replayed.pages.iter();
    all.map(|one| (one.source.as_str(), page(one).0, page(one).1)).collect()
}

fn says(replayed: &Replayed, what: &str) -> bool {
    replayed.notes.iter().any(|note| note.contains(what))
}

fn loudest(folder: &Folder, zone: &str) -> (i16, usize) {
    let mut wav = hound::WavReader::open(folder.0.join(format!("{zone}.wav"))).unwrap();
    let samples: Vec<i16> = wav.samples::<i16>().map(Result::unwrap).collect();
    let loud = samples.iter().filter(|s| s.unsigned_abs() > 300).count();
    (
        samples.iter().map(|s| s.saturating_abs()).max().unwrap_or_default(),
        loud,
    )
}

#[test]
fn a_call_and_a_stream_as_they_were() {
    let folder = Folder::new("call");
    let mut datagrams = CALL.datagrams();
    for n in 0..100 {
        datagrams.push(Datagram {
            at: at(5000 + 20 * u64::from(n)),
            from: peer("192.0.2.40:6000"),
            to: peer("239.255.10.1:5004"),
            octets: rtp(n),
        });
    }
    let replayed = replay(plan(CONFIG), &capture(datagrams), None, &folder.0).unwrap();
    assert_eq!(
        pages(&replayed),
        [
            ("yard-page", EndReason::HungUp, 150),
            ("dispatch", EndReason::StreamEnded, 100),
        ],
        "{:#?}",
        replayed.lines
    );
    let zones: Vec<&str> = replayed.pages.iter().map(|page| page.zones[0].as_str()).collect();
    assert_eq!(zones, ["yard", "office"]);
    let call = &replayed.story.pages[0];
    // The trigger at once, speech after the lead.
    assert_eq!(call.heard_at.unwrap() - call.bid_at, Duration::from_millis(300));
    let moves: Vec<bool> = replayed.story.moves[0].iter().map(|(_, operated)| *operated).collect();
    assert_eq!(moves, [true, false]);
    // 3 s of tone, every sample but those about zero above the mark.
    let (peak, loud) = loudest(&folder, "yard");
    assert!(peak > 3000 && loud > 3 * 48_000 * 7 / 10, "{peak} {loud}");
    assert!(loudest(&folder, "office").1 > 2 * 48_000 * 7 / 10);
    assert!(
        replayed.notes.iter().any(|note| note.contains("1 contact")),
        "{:?}",
        replayed.notes
    );
    assert_eq!(
        replayed.story.clock(call.bid_at),
        "11:06:40.123",
        "by the capture's clock, in London"
    );
}

/// Under another config another thing would have happened: that is what a replay is for.
#[test]
fn another_config_another_ending() {
    let folder = Folder::new("other");
    let capture = capture(CALL.datagrams());
    let replay = |config: &str| replay(plan(config), &capture, None, &folder.0);
    let closed = CONFIG.replace(
        "user = \"850\"",
        "user = \"850\"\n    hours = [\"Mon-Sun 03:00-04:00\"]",
    );
    let replayed = replay(&closed).unwrap();
    assert!(replayed.pages.is_empty(), "{:?}", replayed.pages);
    let told: Vec<&str> = replayed.lines.iter().map(|line| line.text.as_str()).collect();
    assert!(
        told.iter()
            .any(|line| line.contains("yard-page") && line.contains("hours")),
        "{told:#?}"
    );
    assert_eq!(replayed.fed.stray, 150);
    let other = replay(&CONFIG.replace("\"850\"", "\"851\""));
    assert!(
        matches!(other, Err(ReplayError::WhichBoard { ref called }) if called.len() == 1),
        "{other:?}"
    );
    // A limit on the way, and the same again: nothing in it is by chance.
    let limited = CONFIG.replace("user = \"850\"", "user = \"850\"\n    no_packet_limit = \"1 s\"");
    let (one, two) = (replay(&limited).unwrap(), replay(&limited).unwrap());
    assert_eq!(one.lines, two.lines);
    assert_eq!(one.pages.len(), 1);
}

/// Ports come again: the audio is that of the call that has the port at that moment, whatever its Call-ID; what is late goes nowhere else.
#[test]
fn a_port_is_the_latest_calls() {
    let folder = Folder::new("ports");
    for ids in [["a", "b"], ["b", "a"]] {
        let [first, second] = ids.map(|id| Call { id, ..CALL });
        let second = Call { at: 5000, ..second };
        let mut all = [first.datagrams(), second.datagrams()].concat();
        // From another phone, between the calls: of the first one, which is over.
        all.push(Datagram {
            at: at(4990),
            octets: rtp(700),
            ..first.datagrams()[4].clone()
        });
        let replayed = replay(plan(CONFIG), &capture(all), None, &folder.0).unwrap();
        let each = [("yard-page", EndReason::HungUp, 150); 2];
        assert_eq!(pages(&replayed), each, "{ids:?} {:#?}", replayed.lines);
    }
}

const REGISTRAR: &str = "user = \"850\"\n    registrar = \"sip:pbx.quayside.example\"\n    networks = []";

/// Short captures hold no REGISTER: who calls is taken for the registrar, unless the gateway there turned the call away.
#[test]
fn a_registrar_is_who_calls_where_no_registration_is_seen() {
    let folder = Folder::new("registrar");
    let config = CONFIG
        .replace("user = \"850\"", REGISTRAR)
        .replace("192.0.2.0/24", "198.51.100.0/24");
    let assumed = "no registration of yard-page is in the capture: calls to it are taken as its registrar's";
    let replay = |calls: &[Call]| {
        let all = calls.iter().flat_map(Call::datagrams).collect();
        replay(plan(&config), &capture(all), None, &folder.0).unwrap()
    };
    // Two servers of one phone system.
    let other = Call {
        id: "call-2",
        at: 6000,
        caller: "192.0.2.31:5060",
        ..CALL
    };
    let replayed = replay(&[CALL, other]);
    assert_eq!(pages(&replayed), [("yard-page", EndReason::HungUp, 150); 2]);
    assert!(says(&replayed, assumed), "{:?}", replayed.notes);
    let refused = |replayed: &Replayed| replayed.lines.iter().any(|line| line.text.contains("turned away"));
    assert!(!refused(&replayed) && !replayed.lines.iter().any(|line| line.text.contains("cannot register")));
    // A stranger then is a stranger now.
    for status in [403, 0] {
        let stranger = Call {
            id: "call-3",
            at: 6000,
            caller: "192.0.2.66:5060",
            status,
            ..CALL
        };
        let replayed = replay(&[CALL, stranger]);
        assert_eq!(pages(&replayed), [("yard-page", EndReason::HungUp, 150)], "{status}");
        assert!(refused(&replayed));
        let replayed = replay(&[Call { status: 403, ..CALL }]);
        assert!(replayed.pages.is_empty() && refused(&replayed));
        assert!(!says(&replayed, assumed) && !replayed.lines.iter().any(|line| line.text.contains("cannot register")));
    }
    // What the gateway said was not captured.
    let mut all = CALL.datagrams();
    all.retain(|one| one.to.ip() == peer(CALL.board).ip());
    let replayed = super::super::replay(plan(&config), &capture(all), None, &folder.0).unwrap();
    assert_eq!(pages(&replayed), [("yard-page", EndReason::HungUp, 150)]);
}

fn register(board: &str, registrar: &str, statuses: &[u16]) -> Vec<Datagram> {
    let (from, to) = (peer(board), peer(registrar));
    let statuses = statuses.iter().zip(1u64..);
    let each = statuses.flat_map(|(status, n)| {
        let head = format!(
            "Via: SIP/2.0/UDP {board};branch=z9hG4bKr{n}\nFrom: <sip:850@pbx.quayside.example>;tag=r\nTo: <sip:850@pbx.quayside.example>\n\
             Call-ID: reg\nCSeq: {n} REGISTER\n"
        );
        let shown = if n > 1 { "Authorization: Digest x\n" } else { "" };
        let ask = format!(
            "REGISTER sip:pbx.quayside.example SIP/2.0\n{head}{shown}Contact: <sip:850@{board}>\nContent-Length: 0\n\n"
        );
        let answer = format!("SIP/2.0 {status} So\n{head}Content-Length: 0\n\n");
        [
            (at(10 * n), from, to, sip(&ask)),
            (at(10 * n + 5), to, from, sip(&answer)),
        ]
    });
    each.map(|(at, from, to, octets)| Datagram { at, from, to, octets })
        .collect()
}

#[test]
fn a_registration_that_was_refused_is_told() {
    let folder = Folder::new("refused");
    let config = CONFIG.replace("user = \"850\"", REGISTRAR);
    for (statuses, told) in [
        (&[401, 200][..], None),
        (&[401], None),
        (&[401, 403], Some("403")),
        (&[401, 401], Some("401")),
        (&[403], Some("403")),
    ] {
        let mut all = register(CALL.board, "192.0.2.30:5060", statuses);
        all.extend(Call { at: 1000, ..CALL }.datagrams());
        let replayed = replay(plan(&config), &capture(all), None, &folder.0).unwrap();
        assert_eq!(pages(&replayed), [("yard-page", EndReason::HungUp, 150)]);
        let told = told.map(|status| format!("yard-page was refused in the capture: {status}"));
        assert_eq!(says(&replayed, "refused"), told.is_some(), "{statuses:?}");
        assert!(told.is_none_or(|told| says(&replayed, &told)), "{:?}", replayed.notes);
    }
}

/// Phone system and gateway on one address, told apart by their ports, with and without a registration.
#[test]
fn a_phone_system_on_the_gateways_own_address() {
    let folder = Folder::new("one-address");
    let (system, board) = ("127.0.0.1:5060", "127.0.0.1:5070");
    let inner = Call {
        id: "inner",
        at: 1000,
        caller: system,
        phone: "127.0.0.1",
        board,
        audio: (10_000, 40_000),
        ..CALL
    };
    // The phone's own leg, towards the phone system.
    let outer = Call {
        id: "outer",
        at: 990,
        board: system,
        audio: (4000, 12_000),
        ..CALL
    };
    let config = CONFIG.replace("user = \"850\"", REGISTRAR);
    for with in [&[200][..], &[]] {
        let mut all = register(board, system, with);
        all.extend([inner.datagrams(), outer.datagrams()].concat());
        let replayed = replay(plan(&config), &capture(all), None, &folder.0).unwrap();
        assert_eq!(
            pages(&replayed),
            [("yard-page", EndReason::HungUp, 150)],
            "{:#?}",
            replayed.lines
        );
        assert_eq!(replayed.fed.requests, 3);
    }
}

#[test]
fn a_capture_of_something_else() {
    let folder = Folder::new("else");
    let stream = |to: &str| -> Vec<Datagram> {
        let one = |n: u16| Datagram {
            at: at(20 * u64::from(n)),
            from: peer("192.0.2.40:6000"),
            to: peer(to),
            octets: rtp(n),
        };
        (0..100).map(one).collect()
    };
    let replay = |all: Vec<Datagram>, address: Option<&str>| {
        let address = address.map(|ip| ip.parse().unwrap());
        replay(plan(CONFIG), &capture(all), address, &folder.0)
    };
    let nothing = replay(stream("239.255.10.9:5004"), None).unwrap_err().to_string();
    assert!(
        nothing.contains("nothing for this config") && nothing.contains("239.255.10.9:5004 (100 packets)"),
        "{nothing}"
    );
    let wrong = replay(CALL.datagrams(), Some("192.0.2.99")).unwrap_err().to_string();
    assert_eq!(wrong, "no call in it goes to 192.0.2.99, they go to 192.0.2.20");
    // The phone's.
    assert!(replay(CALL.datagrams(), Some("192.0.2.30")).is_err());
    // Groups alone: no address is told.
    let replayed = replay(
        [stream("239.255.10.9:5004"), stream("239.255.10.1:5004")].concat(),
        None,
    )
    .unwrap();
    assert_eq!(pages(&replayed), [("dispatch", EndReason::StreamEnded, 100)]);
    assert!(
        says(&replayed, "own address is not seen") && !says(&replayed, "192.0.0.8"),
        "{:?}",
        replayed.notes
    );
    assert!(says(
        &replayed,
        "multicast to no group of the config: 239.255.10.9:5004 (100 packets)"
    ));
    // The INVITE was before the capture's beginning.
    let late = replay(CALL.datagrams().split_off(2), None).unwrap();
    assert!(says(&late, "the gateway is 192.0.2.20 there"), "{:?}", late.notes);
}

/// Its BYE is the last thing in the capture, and it ends after it; another one has no BYE.
#[test]
fn whose_ending_is_the_sites() {
    let folder = Folder::new("ending");
    let config = CONFIG.replace("release = \"200 ms\"", "release = \"2 s\"");
    let mut all = CALL.datagrams();
    let with = replay(plan(&config), &capture(all.clone()), None, &folder.0).unwrap();
    assert!(!says(&with, "was on when the capture ends"), "{:?}", with.notes);
    all.pop();
    let without = replay(plan(&config), &capture(all), None, &folder.0).unwrap();
    assert!(
        says(&without, "page 1 was on when the capture ends"),
        "{:?}",
        without.notes
    );
}

/// Counted is only what may have been a page's.
#[test]
fn what_belongs_to_no_call() {
    let folder = Folder::new("stray");
    let to_board = |from: &str, to: u16, octets: Vec<u8>| Datagram {
        at: at(100),
        from: peer(from),
        to: SocketAddr::new(peer(CALL.board).ip(), to),
        octets,
    };
    let mut all = CALL.datagrams();
    let dns = [&[0x9a, 0x01, 0x81, 0x80][..], &[0; 40]].concat();
    all.push(to_board("192.0.2.1:53", 39_000, dns));
    all.push(to_board("192.0.2.1:123", 123, vec![0xa4; 48]));
    all.push(to_board(
        "192.0.2.30:4001",
        41_001,
        vec![0x80, 200, 0, 6, 0, 0, 0, 7, 0, 0, 0, 0],
    ));
    all.push(to_board("192.0.2.30:5060", 5060, b"\r\n\r\n".to_vec()));
    let replay = |all: &[Datagram]| replay(plan(CONFIG), &capture(all.to_vec()), None, &folder.0).unwrap();
    assert_eq!(replay(&all).fed.stray, 0);
    all.push(to_board("192.0.2.30:4002", 41_002, rtp(1)));
    let replayed = replay(&all);
    assert!(
        says(&replayed, "1 packet to the gateway belongs to no call"),
        "{:?}",
        replayed.notes
    );
}

/// A stream that goes on by its own count across a pause: the clock jumped. One that had paused shows the time in its stamps.
#[test]
fn a_clock_that_jumps_in_a_stream_is_told() {
    let folder = Folder::new("jump");
    for (ticks, told) in [(0u32, true), (600 * 8000, false)] {
        let mut all = CALL.datagrams();
        for one in &mut all[60..] {
            one.at += Duration::from_secs(600);
            if one.octets[0] == 0x80 {
                let stamp = u32::from_be_bytes(one.octets[4..8].try_into().unwrap()) + ticks;
                one.octets[4..8].copy_from_slice(&stamp.to_be_bytes());
            }
        }
        let replayed = replay(plan(CONFIG), &capture(all), None, &folder.0).unwrap();
        assert_eq!(
            says(&replayed, "the capture's clock jumps by 10 min"),
            told,
            "{:?}",
            replayed.notes
        );
    }
    let mut set = capture(CALL.datagrams());
    set.steps.push(Step {
        at: at(1000),
        by: Duration::from_secs(5),
        is_back: true,
    });
    let replayed = replay(plan(CONFIG), &set, None, &folder.0).unwrap();
    assert!(
        says(&replayed, "clock was set back by 5.0 s at 11:06:41.123"),
        "{:?}",
        replayed.notes
    );
}

/// What was captured is in the codec of the site's answer.
#[test]
fn another_codec_than_the_sites_is_told() {
    let folder = Folder::new("codec");
    let config = CONFIG.replace("user = \"850\"", "user = \"850\"\n    codecs = [\"g722\", \"pcma\"]");
    let call = Call {
        types: ("0 8 9", "0 101"),
        ..CALL
    };
    let replayed = replay(plan(&config), &capture(call.datagrams()), None, &folder.0).unwrap();
    assert!(
        says(
            &replayed,
            "the call from 213 was in PCMU at the site, and this config agrees to G722"
        ),
        "{:?}",
        replayed.notes
    );
    let told = replayed.lines.iter().find(|line| line.text.contains("are not played"));
    let told = &told.unwrap_or_else(|| panic!("{:#?}", replayed.lines)).text;
    let taken = told.split("it takes").nth(1).unwrap();
    assert!(taken.contains("(G722)") && !taken.contains("PCMU"), "{told}");
    let config = config.replace("\"g722\", \"pcma\"", "\"pcmu\"");
    let same = replay(plan(&config), &capture(call.datagrams()), None, &folder.0).unwrap();
    assert!(!says(&same, "at the site"), "{:?}", same.notes);
}

/// Secrets and keys are on the board, not on the desk.
#[test]
fn secrets_may_be_missing() {
    let folder = Folder::new("secrets");
    let config = CONFIG
        .replace("codec = \"pcmu\"", "codec = \"pcmu\"\n    srtp_key = \"dispatch\"")
        .replace(
            "user = \"850\"",
            "user = \"850\"\n    registrar = \"sip:192.0.2.30\"\n    secret = \"yard-page\"",
        )
        + r#"
        [secrets]
        file = "nowhere.toml"
        [tls]
        ca = "nowhere.pem"
        [codes.gate]
        secret = "gate"
        [extensions.gate]
        user = "851"
        zones = ["yard"]
        codes = ["gate"]
    "#;
    let file = folder.0.join("hornwire.toml");
    std::fs::write(&file, config).unwrap();
    assert!(crate::config::load_with(&file, None).unwrap().plan.is_none());
    let (loaded, away) = crate::config::load_away(&file).unwrap();
    let keys: Vec<&str> = away.iter().map(|problem| problem.key.as_str()).collect();
    assert_eq!(keys, ["secrets.file", "tls.ca"], "{away:#?}");
    let plan = loaded.plan.unwrap_or_else(|| panic!("{:#?}", loaded.problems));
    let mut all = CALL.datagrams();
    all.extend((0..50).map(|n| Datagram {
        at: at(5000 + 20 * u64::from(n)),
        from: peer("192.0.2.40:6000"),
        to: peer("239.255.10.1:5004"),
        octets: rtp(n),
    }));
    let replayed = replay(plan, &capture(all), None, &folder.0).unwrap();
    assert_eq!(
        pages(&replayed),
        [("yard-page", EndReason::HungUp, 150)],
        "{:#?}",
        replayed.lines
    );
}
