//! Multicast groups at the running program, over the loopback interface, without peers.
#![allow(clippy::disallowed_methods)]

use std::net::{Ipv4Addr, SocketAddrV4, UdpSocket};
use std::time::Duration;

use socket2::{Domain, Socket, Type};

use crate::program::Program;

mod program;

const CONFIG: &str = r#"
    [site]
    name = "Quayside Timber"
    [cards.main]
    output = "wav:FOLDER/out.wav"
    [zones.yard]
    card = "main"
    channel = 1
    lead = "0 s"
    [defaults.groups]
    interface = "lo"
    [groups.dispatch]
    address = "239.255.41.1:5004"
    zones = ["yard"]
    [groups.office]
    address = "239.255.41.2:5006"
    zones = ["yard"]
    codec = "opus"
    payload_type = 111
"#;

fn sender() -> UdpSocket {
    let socket = Socket::new(Domain::IPV4, Type::DGRAM, None).unwrap();
    socket.bind(&SocketAddrV4::new(Ipv4Addr::LOCALHOST, 0).into()).unwrap();
    socket.set_multicast_if_v4(&Ipv4Addr::LOCALHOST).unwrap();
    socket.set_multicast_loop_v4(true).unwrap();
    socket.into()
}

/// RFC 3550 §5.1.
fn rtp(payload_type: u8, number: u16) -> Vec<u8> {
    let mut packet = vec![0x80, payload_type];
    packet.extend(number.to_be_bytes());
    packet.extend((u32::from(number) * 160).to_be_bytes());
    packet.extend([0, 0, 0, payload_type]);
    packet.extend([0xD5; 160]);
    packet
}

/// What cannot be played is told once for each type, by its name where it has one (RFC 3551 Table 4), with what would be
/// taken; comfort noise that nobody asked for (RFC 3389 §4) and known types are not.
#[test]
fn a_payload_type_that_is_not_taken_is_told_once() {
    let folder = program::folder("groups-types");
    let mut program = Program::start(folder.clone(), &CONFIG.replace("FOLDER", &folder.to_string_lossy()));
    program.line("listening to group dispatch");
    program.line("listening to group office");
    let socket = sender();
    for number in 0..20 {
        for (payload_type, to) in [
            (18, "239.255.41.1:5004"),
            (96, "239.255.41.1:5004"),
            (8, "239.255.41.2:5006"),
            (13, "239.255.41.2:5006"),
        ] {
            socket.send_to(&rtp(payload_type, number), to).unwrap();
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    socket.send_to(&rtp(0, 1), "239.255.41.1:5004").unwrap();
    socket.send_to(&rtp(0, 2), "239.255.41.1:5004").unwrap();
    program.line("a stream from");
    program.stop();
    let lines = program.lines();
    let said: Vec<&String> = lines.iter().filter(|l| l.contains("are not played")).collect();
    let from = socket.local_addr().unwrap();
    let any = "it takes 0 (PCMU), 8 (PCMA), 9 (G722), 10 (L16/44100/2), 11 (L16/44100)";
    for text in [
        format!("dispatch: packets of payload type 18 (G729) from {from} are not played; {any}"),
        format!("dispatch: packets of payload type 96 from {from} are not played; {any}"),
        format!("office: packets of payload type 8 (PCMA) from {from} are not played; it takes 111 (opus)"),
    ] {
        assert_eq!(
            said.iter().filter(|l| l.contains(&text)).count(),
            1,
            "{text}\n{lines:#?}"
        );
    }
    assert_eq!(said.len(), 3, "{lines:#?}");
}
