//! What strangers and broken senders throw at the daemon.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::Duration;

use crate::lab::daemon::Site;
use crate::lab::kamailio::Kamailio;
use crate::lab::multicast::{Group, send_pcmu};
use crate::lab::packets::{Dice, invite, listen, rtp, socket};
use crate::lab::phone::Call;
use crate::lab::speech::{Band, Speech, must_be_as_good, score};
use crate::lab::{CALLER, DAEMON, Lab, PHONE_SYSTEM, free_port, seconds};

/// How many malformed datagrams the project promises to bear during a page.
const DATAGRAMS: usize = 10_000;

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn ten_thousand_malformed_datagrams_leave_a_page_unharmed() {
    let lab = Lab::new("hostile-flood");
    let speech = Speech::long(&lab);
    let kamailio = Kamailio::start(&lab);
    let dispatch = Group {
        address: "239.255.13.1",
        port: free_port(),
    };
    let site = Site::new(&lab)
        .network("127.0.0.1") // where sipsak sends from
        .extension("850", &kamailio.registrar(), "zones = [\"yard\"]")
        .group("dispatch", dispatch, "zones = [\"sawmill\"]");
    let mut daemon = site.start(&lab);
    kamailio.wait_registered("850", true, 10.0);
    // One page by a phone in the yard, one by multicast in the sawmill, and the noise over both.
    let mut phone = Call::to("850", &speech.narrow).start(&lab, &kamailio);
    phone.wait_answer(5.0);
    let mut sender = send_pcmu(dispatch, &speech.narrow);
    daemon.wait_relay("sawmill-trigger", true, 10.0);
    let before = daemon.resident();

    let mut dice = Dice(0x1D1C_E5EE_D000_0001);
    let sip: SocketAddr = daemon.address().parse().unwrap();
    // From the registrar's own address, from a caller's, and from nowhere that is known.
    let sockets = [socket(PHONE_SYSTEM), socket(CALLER), socket("127.0.0.9")];
    let rtp_ports: Vec<u16> = (site.rtp.0..=site.rtp.1).collect();
    let group: SocketAddr = format!("{}:{}", dispatch.address, dispatch.port).parse().unwrap();
    for socket in &sockets {
        socket2::SockRef::from(socket)
            .set_multicast_if_v4(&DAEMON.parse().unwrap())
            .expect("multicast on loopback");
    }
    let mut sent = 0;
    while sent < DATAGRAMS {
        for _ in 0..20 {
            let socket = &sockets[dice.below(sockets.len())];
            let own = socket.local_addr().unwrap();
            let id = format!("{:x}", dice.next());
            let (datagram, to) = match dice.below(5) {
                0 => (noise(&mut dice), sip),
                1 => {
                    let message = invite(own, &daemon.address(), "850", &id, 9);
                    (dice.spoil(message.as_bytes()), sip)
                }
                2 => {
                    let port = rtp_ports[dice.below(rtp_ports.len())];
                    (noise(&mut dice), SocketAddr::new(sip.ip(), port))
                }
                3 => {
                    let port = rtp_ports[dice.below(rtp_ports.len())];
                    (spoiled_rtp(&mut dice), SocketAddr::new(sip.ip(), port))
                }
                _ => {
                    let datagram = if dice.below(2) == 0 {
                        noise(&mut dice)
                    } else {
                        spoiled_rtp(&mut dice)
                    };
                    (datagram, group)
                }
            };
            // A port that nobody holds answers with an error on the next send; that is no matter.
            let _ = socket.send_to(&datagram, to);
            sent += 1;
        }
        std::thread::sleep(Duration::from_millis(18));
    }
    sender.wait_end(seconds(30.0));
    phone.wait_done(30.0);
    daemon.wait_rest(10.0);
    let after = daemon.resident();
    assert!(
        after < before + 8 * 1024 * 1024,
        "resident memory grew from {before} to {after} octets"
    );
    // It still serves.
    let options = std::process::Command::new("sipsak")
        .args([
            "-s",
            &format!("sip:850@{}", daemon.address()),
            "-l",
            &free_port().to_string(),
        ])
        .output()
        .expect("sipsak");
    assert!(options.status.success(), "{}", String::from_utf8_lossy(&options.stdout));
    daemon.stop(10.0);

    let heard: Vec<_> = daemon
        .records()
        .into_iter()
        .filter(|r| !r.field("ZONE").is_empty())
        .collect();
    assert_eq!(heard.len(), 2, "{:#?}", daemon.records());
    // A line per datagram would be a fault of its own.
    assert!(
        daemon.process.lines().len() < 200,
        "{} lines in the journal",
        daemon.process.lines().len()
    );
    for (what, channel) in [("call under noise", 0), ("group under noise", 1)] {
        let result = score(
            Band::Narrow,
            &speech.narrow,
            &site.wav,
            channel,
            &speech.round_trip_mulaw,
        );
        must_be_as_good(what, result);
    }
}

fn noise(dice: &mut Dice) -> Vec<u8> {
    let count = dice.below(1400);
    dice.octets(count)
}

/// RTP and RTCP that went wrong: cut, lying about its lengths, of another stream.
fn spoiled_rtp(dice: &mut Dice) -> Vec<u8> {
    let ssrc = dice.next() as u32;
    let payload = dice.octets(160);
    let packet = rtp(
        [0, 8, 13, 101, 111, 127][dice.below(6)],
        dice.below(2) == 0,
        dice.next() as u16,
        dice.next() as u32,
        ssrc,
        &payload,
    );
    let mut packet = dice.spoil(&packet);
    if let Some(first) = packet.first_mut() {
        // Mostly the right version, so that the deeper checks are reached; padding, extension, sources as they fall.
        if dice.below(4) > 0 {
            *first = 0x80 | (dice.next() as u8 & 0x3f);
        }
    }
    packet
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn strangers_get_no_answer() {
    let lab = Lab::new("hostile-strangers");
    let kamailio = Kamailio::start(&lab);
    let site = Site::new(&lab)
        .network("127.0.0.3")
        .extension("850", &kamailio.registrar(), "zones = [\"yard\"]")
        .table("[extensions.gate]\nuser = \"gate\"\nzones = [\"yard\"]");
    let mut daemon = site.start(&lab);
    kamailio.wait_registered("850", true, 10.0);
    let stranger = socket("127.0.0.9");
    let own = stranger.local_addr().unwrap();
    let to = daemon.address();
    for (n, method) in [
        "INVITE",
        "OPTIONS",
        "REGISTER",
        "BYE",
        "CANCEL",
        "MESSAGE",
        "SUBSCRIBE",
        "FOO",
    ]
    .iter()
    .enumerate()
    {
        for number in ["850", "gate", "999"] {
            let message = invite(own, &to, number, &format!("s{n}{number}"), 9).replace("INVITE", method);
            stranger.send_to(message.as_bytes(), &to).unwrap();
        }
    }
    stranger.send_to(b"\r\n\r\n", &to).unwrap();
    let answers = listen(&stranger, seconds(3.0));
    assert!(answers.is_empty(), "{}", String::from_utf8_lossy(&answers[0].0));

    // The same words from a listed network are answered: the silence above was meant for the stranger.
    let listed = socket(CALLER);
    let message = invite(listed.local_addr().unwrap(), &to, "999", "known", 9);
    listed.send_to(message.as_bytes(), &to).unwrap();
    let answers = listen(&listed, seconds(1.0));
    assert!(
        answers.iter().any(|(a, _)| a.starts_with(b"SIP/2.0 404")),
        "{} answers",
        answers.len()
    );

    // Over TCP the stranger is told nothing either.
    let tcp = socket2::Socket::new(socket2::Domain::IPV4, socket2::Type::STREAM, None).unwrap();
    tcp.bind(&SocketAddr::from(([127, 0, 0, 9], 0)).into()).unwrap();
    if tcp.connect(&to.parse::<SocketAddr>().unwrap().into()).is_ok() {
        let mut stream = TcpStream::from(tcp);
        stream.set_read_timeout(Some(seconds(2.0))).unwrap();
        let _ = stream.write_all(
            invite(own, &to, "850", "tcp", 9)
                .replace("SIP/2.0/UDP", "SIP/2.0/TCP")
                .as_bytes(),
        );
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        assert!(answer.is_empty(), "{}", String::from_utf8_lossy(&answer));
    }
    daemon.stop(10.0);
    assert!(daemon.relays().iter().all(|r| !r.operated), "{:#?}", daemon.relays());
    assert!(daemon.records().is_empty(), "{:#?}", daemon.records());
    assert!(daemon.process.lines().len() < 60, "{}", daemon.process.text());
}
