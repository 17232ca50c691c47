use std::collections::{BTreeMap, HashSet};

use super::*;
use crate::page::PageId;
use crate::sound::hum::Hum;
use crate::sound::level::Dbfs;

/// One of each, with values that the catalog's placeholders can take.
fn samples() -> Vec<Message> {
    let text = || "x".to_owned();
    let peer: SocketAddr = "192.0.2.7:5060".parse().unwrap();
    let (page, second) = (PageId(12), Duration::from_secs(1));
    vec![
        Message::Started {
            site: "Quayside Timber".into(),
        },
        Message::Stopping,
        Message::Stopped,
        Message::ConfigFault { problem: text() },
        Message::Registered {
            extension: "yard".into(),
            registrar: "pbx.quayside.example".into(),
            server: "192.0.2.5:5060".parse().unwrap(),
            transport: "UDP",
            expires: Duration::from_secs(3600),
        },
        Message::RegistrationFailed {
            extension: "yard".into(),
            registrar: "pbx.quayside.example".into(),
            cause: "401 Unauthorized".into(),
            retry_in: second * 30,
        },
        Message::Unregistered {
            extension: text(),
            registrar: text(),
        },
        Message::TurnedAway {
            peer,
            caller: String::new(),
            dialled: "8599".into(),
            why: "no such extension",
        },
        Message::ConnectionFailed {
            name: "pbx.quayside.example (192.0.2.7:5061)".into(),
            peer,
            transport: "TLS",
            cause: text(),
        },
        Message::AddressMoved {
            before: "192.0.2.7".parse().expect("an address"),
            now: "198.51.100.7".parse().expect("an address"),
            peer,
        },
        Message::ConfigDoubt { problem: text() },
        Message::CannotStart { cause: text() },
        Message::TlsFilesTaken,
        Message::TlsFilesRefused { cause: text() },
        Message::CertificateEnds { cause: text() },
        Message::CallNotTaken {
            extension: "yard-page".into(),
            caller: "Kiln <213@192.0.2.5>".into(),
            peer: "192.0.2.5:5060".parse().unwrap(),
            status: 488,
            why: "nothing in the offer fits: no codec that is spoken here".into(),
        },
        Message::Gate(GateMessage::Refused {
            extension: "yard-page".into(),
            caller: "Kiln <213@192.0.2.5>".into(),
            place: peer.ip(),
            status: 403,
            why: "caller is not allowed".into(),
            untold: 3,
        }),
        Message::Gate(GateMessage::WrongCode {
            extension: "yard-page".into(),
            caller: text(),
            place: peer.ip(),
            why: "wrong code".into(),
            untold: 0,
        }),
        Message::Gate(GateMessage::Locked {
            extension: "yard-page".into(),
            caller: text(),
            place: peer.ip(),
            whose: "this caller".into(),
            left: second * 30,
            untold: 0,
        }),
        Message::Gate(GateMessage::Left {
            extension: "yard-page".into(),
            caller: text(),
            place: peer.ip(),
            before: "a zone was chosen".into(),
            untold: 0,
        }),
        Message::Gate(GateMessage::Opened {
            extension: "yard-page".into(),
            caller: text(),
            place: peer.ip(),
            code: "gatehouse".into(),
            zones: "yard".into(),
        }),
        Message::Gate(GateMessage::SenderRefused {
            group: text(),
            peer,
            why: text(),
            untold: 0,
        }),
        Message::Reload(ReloadMessage::Kept { cause: text() }),
        Message::Reload(ReloadMessage::TakenUp { what: vec![text()] }),
        Message::Reload(ReloadMessage::Waits { what: vec![text()] }),
        Message::AddressMissing {
            address: "192.0.2.20".parse().unwrap(),
        },
        Message::AddressCame {
            address: "192.0.2.20".parse().unwrap(),
        },
        Message::Local(LocalMessage::NoMetrics {
            address: "127.0.0.1:9745".parse().unwrap(),
            cause: "Address already in use".into(),
        }),
        Message::Local(LocalMessage::NoSocket {
            path: text(),
            cause: text(),
        }),
        Message::Local(LocalMessage::Announces { page, uid: 1000 }),
        Message::Local(LocalMessage::Tests {
            page,
            signal: "tone of 1000 Hz".into(),
            uid: 1000,
        }),
        Message::Local(LocalMessage::Operates {
            relay: "amp-trigger".into(),
            length: second * 3,
            uid: 1000,
        }),
        Message::Local(LocalMessage::Stopped {
            page,
            source: "yard-page".into(),
            uid: 1000,
        }),
        Message::Clock(ClockMessage::NotSet),
        Message::Clock(ClockMessage::Jumped {
            by: Duration::from_secs(7200),
            forward: true,
        }),
        Message::Clock(ClockMessage::Jumped {
            by: second * 3600,
            forward: false,
        }),
        Message::Clock(ClockMessage::Due {
            schedule: "shift-bell".into(),
        }),
        Message::GroupJoined {
            group: text(),
            address: "239.0.0.1:5004".parse().unwrap(),
        },
        Message::GroupNotJoined {
            group: text(),
            cause: text(),
        },
        Message::GroupNotAuthentic {
            group: text(),
            peer,
            cause: text(),
        },
        Message::Contact(ContactMessage::Read { contact: text() }),
        Message::Contact(ContactMessage::Lost {
            contact: text(),
            cause: text(),
        }),
        Message::Contact(ContactMessage::Closed {
            contact: text(),
            is_open: false,
        }),
        Message::Contact(ContactMessage::TookOver {
            veto: text(),
            zones: vec![text(), text()],
        }),
        Message::Contact(ContactMessage::GaveBack {
            veto: text(),
            zones: vec![text()],
        }),
        Message::NotDecoded {
            source: text(),
            zones: vec![text()],
            peer,
            payload_type: text(),
            taken: text(),
        },
        Message::StreamHeard {
            group: text(),
            peer,
            codec: "PCMU",
        },
        Message::StreamEnded { group: text(), peer },
        Message::Page(PageMessage::Began {
            page,
            source: "yard".into(),
            caller: "Gate office <201>".into(),
            zone: "shed".into(),
        }),
        Message::Page(PageMessage::Waits {
            page,
            source: text(),
            caller: text(),
            zones: vec![text()],
            behind: None,
        }),
        Message::Page(PageMessage::Recorded { page, source: text() }),
        Message::Page(PageMessage::Lost {
            page,
            source: text(),
            caller: text(),
            since: text(),
            recorded: true,
        }),
        Message::Page(PageMessage::Lost {
            page,
            source: text(),
            caller: text(),
            since: text(),
            recorded: false,
        }),
        Message::Page(PageMessage::NoDecoder { page, cause: text() }),
        Message::CardOpened {
            card: text(),
            real_time: true,
        },
        Message::CardLost {
            card: text(),
            cause: text(),
        },
        Message::Xruns { card: text(), count: 3 },
        Message::Line(LineMessage::Opened {
            device: "alsa:plughw:CARD=Device".into(),
            serves: "line input workshop, music yard-music".into(),
            real_time: true,
        }),
        Message::Line(LineMessage::Lost {
            device: "alsa:plughw:CARD=Device".into(),
            serves: "line input workshop".into(),
            cause: text(),
        }),
        Message::Line(LineMessage::Xruns {
            device: text(),
            count: 3,
        }),
        Message::Line(LineMessage::NotHeard {
            input: "workshop".into(),
        }),
        Message::Line(LineMessage::Hums {
            input: "workshop".into(),
            hum: Hum {
                mains: 50,
                level: Dbfs(-48.2),
                noise: Dbfs(-70.0),
                strongest: 3,
            },
        }),
        Message::Line(LineMessage::HumGone {
            input: "workshop".into(),
        }),
        Message::Line(LineMessage::MusicBroken {
            music: text(),
            card: text(),
            count: 3,
        }),
        Message::RelayMoved {
            relay: "yard-mute".into(),
            operated: true,
        },
        Message::RelayFault {
            relay: text(),
            cause: text(),
        },
        Message::RelayMissing {
            relay: text(),
            cause: text(),
        },
        Message::Overload {
            what: text(),
            dropped: 3,
        },
        Message::MessagesLost { count: 3 },
    ]
}

#[test]
fn ids_are_unique_and_well_formed() {
    let ids: HashSet<&str> = KINDS.iter().map(|(_, kind)| kind.id).collect();
    assert_eq!(ids.len(), KINDS.len());
    for id in ids {
        assert_eq!(id.len(), 32);
        assert!(id.chars().all(|c| matches!(c, '0'..='9' | 'a'..='f')), "{id}");
    }
}

#[test]
fn every_kind_is_said_by_a_message_or_a_record() {
    let mut said: HashSet<&str> = samples().iter().map(|message| message.entry().kind().id).collect();
    said.extend([kind::PAGE_ENDED.id, kind::PAGE_NOT_HEARD.id]);
    for (name, kind) in KINDS {
        assert!(said.contains(kind.id), "{name}");
    }
    assert_eq!(said.len(), KINDS.len());
}

#[test]
fn texts_read_well() {
    let texts: Vec<String> = samples()
        .iter()
        .map(|message| message.entry().text().to_owned())
        .collect();
    for expected in [
        "alsa:plughw:CARD=Device captures for line input workshop, music yard-music, with real-time scheduling",
        "line input workshop speaks outside its hours and is not heard",
        "line input workshop hums: 50 Hz mains at -48 dBFS, strongest at 150 Hz",
        "ready to page at Quayside Timber, version 0.1.0",
        "extension yard is registered at pbx.quayside.example (192.0.2.5:5060, UDP) for 60 min",
        "extension yard cannot register at pbx.quayside.example: 401 Unauthorized; next try in 30 s",
        "turned away a caller (unknown) from 192.0.2.7:5060: no such extension as 8599",
        "page 12 from yard (Gate office <201>) is heard in zone shed",
    ] {
        assert!(texts.iter().any(|text| text == expected), "{expected}\n{texts:#?}");
    }
}

#[test]
fn durations_in_words() {
    assert_eq!(seconds(Duration::from_millis(500)), "0.5 s");
    assert_eq!(seconds(Duration::from_secs(32)), "32 s");
    // What is left of 30 s, a moment later.
    assert_eq!(seconds(Duration::from_millis(29_998)), "30 s");
    assert_eq!(seconds(Duration::from_secs(3600)), "60 min");
    assert_eq!(seconds(Duration::from_secs(3599)), "3599 s");
}

/// One entry of a catalog file.
#[derive(Debug, Default)]
struct Explained {
    headers: Vec<String>,
    prose: Vec<String>,
}

/// Reads a catalog (systemd's CATALOG.md): `-- id`, headers, an empty line, prose.
fn catalog() -> BTreeMap<String, Explained> {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/systemd/hornwire.catalog");
    let mut entries = BTreeMap::new();
    let mut current: Option<(String, Explained, bool)> = None;
    let text = std::fs::read_to_string(path).unwrap();
    for line in text.lines().filter(|line| !line.starts_with('#')).chain(["-- end"]) {
        assert!(line.chars().count() <= 76, "longer than 76: {line}");
        if let Some(id) = line.strip_prefix("-- ") {
            if let Some((id, entry, _)) = current.take() {
                assert!(entries.insert(id.clone(), entry).is_none(), "{id} twice");
            }
            current = Some((id.to_owned(), Explained::default(), true));
        } else if let Some((_, entry, in_headers)) = &mut current {
            match (line.is_empty(), *in_headers) {
                (true, true) => *in_headers = false,
                (false, true) => entry.headers.push(line.to_owned()),
                (_, false) => entry.prose.push(line.to_owned()),
            }
        } else {
            assert!(line.is_empty(), "before the first entry: {line}");
        }
    }
    entries
}

#[test]
fn the_catalog_explains_every_kind_and_no_other() {
    let catalog = catalog();
    for (name, kind) in KINDS {
        let entry = catalog
            .get(kind.id)
            .unwrap_or_else(|| panic!("{name} {} is not explained", kind.id));
        assert!(entry.headers.iter().any(|line| line.starts_with("Subject: ")), "{name}");
        assert!(
            entry.headers.iter().any(|line| line == "Defined-By: Hornwire"),
            "{name}"
        );
        assert!(
            entry.prose.iter().filter(|line| !line.is_empty()).count() >= 2,
            "{name}: what does it mean?"
        );
    }
    let ids: HashSet<&str> = KINDS.iter().map(|(_, kind)| kind.id).collect();
    for id in catalog.keys() {
        assert!(ids.contains(id.as_str()), "{id} is explained but never said");
    }
}

/// `@FIELD@` in a catalog entry is replaced by the entry's field, so the field must be there.
#[test]
fn the_catalog_names_fields_that_exist() {
    let catalog = catalog();
    for message in samples() {
        let entry = message.entry();
        let explained = &catalog[entry.kind().id];
        for line in explained.headers.iter().chain(&explained.prose) {
            for name in line.split('@').skip(1).step_by(2) {
                let optional = ["CALLER"].contains(&name);
                assert!(optional || entry.field(name).is_some(), "{name} in: {line}");
            }
        }
    }
}
