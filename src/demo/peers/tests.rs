//! The peers among themselves, with a small gateway made of the library's parts in their middle.

use std::time::{Duration, Instant};

use rand::Rng as _;
use tokio::net::UdpSocket;

use super::message::{Message, address, destination};
use super::*;
use crate::demo::voice::{DELIVERY, Speaker};
use crate::media::Codec;
use crate::media::g711::{ULAW, ulaw_encode};
use crate::sip::digest::{Credentials, NonceState, respond};
use crate::sip::sdp;
use crate::sip::secret::Secret;

const LOOPBACK: &str = "127.0.0.1";
const ELSEWHERE: &str = "127.0.0.2";

fn run<F: Future>(test: F) -> F::Output {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    runtime.block_on(async {
        tokio::time::timeout(Duration::from_secs(30), test)
            .await
            .expect("in time")
    })
}

async fn registrar(log: &Log, algorithms: &[&'static str]) -> Registrar {
    let settings = RegistrarSettings {
        address: ELSEWHERE.parse().unwrap(),
        realm: "quayside.example".to_owned(),
        accounts: vec![Account {
            user: "850".to_owned(),
            password: Secret::new("plank"),
        }],
        algorithms: algorithms.to_vec(),
    };
    Registrar::start(settings, log.clone()).await.unwrap()
}

/// A user agent in a few lines.
struct Agent {
    socket: UdpSocket,
    registrar: SocketAddr,
    nonce: NonceState,
    challenges: Vec<String>,
    cseq: u32,
}

impl Agent {
    async fn new(registrar: SocketAddr) -> Self {
        Agent {
            socket: UdpSocket::bind((LOOPBACK, 0)).await.unwrap(),
            registrar,
            nonce: NonceState::default(),
            challenges: Vec::new(),
            cseq: 0,
        }
    }

    fn contact(&self) -> String {
        format!("sip:850@{}", self.socket.local_addr().unwrap())
    }

    fn via(&self) -> String {
        let branch: u64 = rand::rng().random();
        format!(
            "SIP/2.0/UDP {};branch=z9hG4bK{branch};rport",
            self.socket.local_addr().unwrap()
        )
    }

    async fn send(&self, message: &Message, to: SocketAddr) {
        self.socket.send_to(&message.octets(), to).await.unwrap();
    }

    async fn next(&self) -> (Message, SocketAddr) {
        let mut buffer = vec![0; MAX_DATAGRAM];
        loop {
            let (n, from) = self.socket.recv_from(&mut buffer).await.unwrap();
            if let Some(message) = Message::read(&buffer[..n]) {
                return (message, from);
            }
        }
    }

    /// One REGISTER with the challenges of the last answer.
    async fn register(&mut self, password: &str, expires: u32) -> u16 {
        let uri = format!("sip:{}", self.registrar);
        let mut request = Message::request("REGISTER", &uri);
        self.cseq += 1;
        request
            .push("Via", self.via())
            .push("From", "<sip:850@quayside.example>;tag=1")
            .push("To", "<sip:850@quayside.example>")
            .push("Call-ID", "reg")
            .push("CSeq", format!("{} REGISTER", self.cseq))
            .push("Contact", format!("<{}>", self.contact()))
            .push("Expires", expires.to_string());
        if !self.challenges.is_empty() {
            let challenges: Vec<&str> = self.challenges.iter().map(String::as_str).collect();
            let credentials = Credentials {
                user: "850".to_owned(),
                password: Secret::new(password),
            };
            let header = respond(
                &challenges,
                &credentials,
                "REGISTER",
                &uri,
                b"",
                &mut self.nonce,
                "c0ffee",
            )
            .unwrap();
            request.push("Authorization", header);
        }
        // Repeated, as over a network that lost the answer: the second one must not be taken for a replay.
        self.send(&request, self.registrar).await;
        self.send(&request, self.registrar).await;
        let (answer, _) = self.next().await;
        assert_eq!(self.next().await.0, answer);
        let status = answer.status().unwrap();
        if status == 401 {
            self.challenges = answer.all("WWW-Authenticate").map(str::to_owned).collect();
        }
        status
    }
}

fn said(log: &Log, part: &str) -> bool {
    log.notes().iter().any(|n| n.what.contains(part))
}

#[test]
fn registers_only_with_the_right_password() {
    run(async {
        for algorithms in [&["MD5"][..], &["SHA-256", "MD5"], &["SHA-512-256"]] {
            let log = Log::new();
            let registrar = registrar(&log, algorithms).await;
            let mut agent = Agent::new(registrar.address()).await;
            assert_eq!(agent.register("plank", 60).await, 401);
            assert_eq!(agent.challenges.len(), algorithms.len());
            assert_eq!(agent.register("wrong", 60).await, 401);
            assert!(said(&log, "does not believe 850's password"));
            assert_eq!(registrar.contact("850"), None);
            assert_eq!(agent.register("plank", 60).await, 200);
            assert_eq!(registrar.contact("850"), Some(agent.contact()));
            // The same nonce again with a higher count, then a replay of that count.
            assert_eq!(agent.register("plank", 60).await, 200);
            let mut replay = agent.nonce.clone();
            std::mem::swap(&mut replay, &mut agent.nonce);
            agent.nonce = NonceState::default();
            assert_eq!(
                agent.register("plank", 60).await,
                401,
                "a replayed count (RFC 7616 §3.4)"
            );
            assert_eq!(agent.register("plank", 0).await, 200);
            assert!(registrar.wait_for("850", false, Duration::from_secs(1)).await);
        }
    });
}

#[test]
fn an_old_nonce_is_stale_not_wrong() {
    run(async {
        let log = Log::new();
        let registrar = registrar(&log, &["MD5"]).await;
        let mut agent = Agent::new(registrar.address()).await;
        agent.challenges = vec!["Digest realm=\"quayside.example\", nonce=\"of yesterday\", qop=\"auth\"".to_owned()];
        assert_eq!(agent.register("plank", 60).await, 401);
        let challenges: Vec<&str> = agent.challenges.iter().map(String::as_str).collect();
        assert!(crate::sip::digest::stale(&challenges));
        assert_eq!(agent.register("plank", 60).await, 200);
    });
}

fn call(registrar: &Registrar, speech: Vec<i16>, opening: Opening) -> CallSettings {
    CallSettings {
        name: "Office".to_owned(),
        user: "211".to_owned(),
        address: "127.0.0.3".parse().unwrap(),
        proxy: registrar.address(),
        target: format!("sip:850@{}", registrar.address()),
        codec: Codec::Pcmu,
        speech,
        opening,
        linger: Duration::from_millis(100),
        patience: Duration::from_secs(10),
    }
}

#[test]
fn nobody_there() {
    run(async {
        let log = Log::new();
        let registrar = registrar(&log, &["MD5"]).await;
        let caller = Caller::new(call(&registrar, vec![], Opening::AtOnce), log.clone())
            .await
            .unwrap();
        let report = caller.run().await.unwrap();
        assert_eq!((report.status, report.end), (404, CallEnd::Refused));
        // It does not carry traffic away from this machine.
        let away = CallSettings {
            target: "sip:850@192.0.2.1:5060".to_owned(),
            ..call(&registrar, vec![], Opening::AtOnce)
        };
        let report = Caller::new(away, log).await.unwrap().run().await.unwrap();
        assert_eq!(report.status, 403);
    });
}

/// The called side up to the established call: its RTP socket, the INVITE and the 200.
async fn answered(agent: &Agent) -> (UdpSocket, Message, Message, sdp::Agreed) {
    let (invite, from) = agent.next().await;
    assert_eq!(invite.method(), Some("INVITE"));
    assert_eq!(
        from, agent.registrar,
        "through the phone system, so that the gate lets it in"
    );
    assert_eq!(invite.uri(), Some(agent.contact().as_str()));
    assert_eq!(invite.list("Via").len(), 2);
    let rtp = UdpSocket::bind((LOOPBACK, 0)).await.unwrap();
    let local = sdp::Local {
        address: LOOPBACK.parse().unwrap(),
        rtp_port: rtp.local_addr().unwrap().port(),
        codecs: vec![Codec::Pcmu],
        session_id: 1,
        version: 1,
        srtp: crate::sip::sdp::Policy::Off,
        keys: crate::sip::sdp::KeySeed([0; 32]),
    };
    let (body, agreed) = sdp::answer(invite.body.as_bytes(), &local).unwrap();
    let mut ok = Message::response(&invite, 200, "OK", "gw");
    ok.push("Contact", format!("<{}>", agent.contact()));
    ok.push("Content-Type", "application/sdp");
    ok.body = String::from_utf8(body).unwrap();
    agent.send(&ok, from).await;
    // Twice: the caller must acknowledge both.
    agent.send(&ok, from).await;
    for _ in 0..2 {
        let (ack, from) = agent.next().await;
        assert_eq!((ack.method(), from), (Some("ACK"), agent.registrar));
        assert_eq!(ack.get("CSeq"), Some("1 ACK"));
        assert!(ack.list("Route").is_empty(), "the phone system took its own Route away");
    }
    (rtp, invite, ok, agreed)
}

#[test]
fn a_whole_call() {
    run(async {
        let log = Log::new();
        let registrar = registrar(&log, &["SHA-256", "MD5"]).await;
        let mut agent = Agent::new(registrar.address()).await;
        agent.register("plank", 60).await;
        agent.register("plank", 60).await;
        let speech: Vec<i16> = Speaker::caller().say(DELIVERY)[..8000].to_vec();
        let waits = Opening::AfterBeep(Duration::from_secs(5));
        let caller = Caller::new(call(&registrar, speech.clone(), waits), log.clone())
            .await
            .unwrap();
        let call = tokio::spawn(caller.run());
        let (rtp, _, _, agreed) = answered(&agent).await;
        let to = agreed.remote.unwrap();
        // A beep of 150 ms and 800 Hz after 200 ms of silence.
        let beep: Vec<u8> = (0..160 * 20)
            .map(|n| {
                let on = (1600..2800).contains(&n);
                let sample = (n as f32 * 800.0 / 8000.0 * std::f32::consts::TAU).sin() * 4000.0;
                ulaw_encode(if on { sample as i16 } else { 0 })
            })
            .collect();
        let mut heard = Vec::new();
        let mut buffer = [0; 2000];
        let mut bye = None;
        for (seq, payload) in beep.chunks(160).enumerate() {
            let packet = rtp_rs::RtpPacketBuilder::new()
                .payload_type(0)
                .sequence((seq as u16).into())
                .payload(payload)
                .build()
                .unwrap();
            rtp.send_to(&packet, to).await.unwrap();
            let (n, _) = rtp.recv_from(&mut buffer).await.unwrap();
            heard.push(buffer[..n].to_vec());
        }
        while bye.is_none() {
            tokio::select! {
                Ok((n, from)) = rtp.recv_from(&mut buffer) => {
                    assert_eq!(from, to, "symmetric");
                    heard.push(buffer[..n].to_vec());
                }
                (message, from) = agent.next() => {
                    assert_eq!(message.method(), Some("BYE"));
                    agent.send(&Message::response(&message, 200, "OK", ""), from).await;
                    bye = Some(message);
                }
            }
        }
        let report = call.await.unwrap().unwrap();
        assert_eq!(report.status, 200);
        assert_eq!(report.end, CallEnd::HungUp { answered: true });
        assert_eq!(report.packets_heard, 20);
        let [beep] = report.beeps[..] else {
            panic!("{:?}", report.beeps)
        };
        assert!((beep.pitch - 800.0).abs() < 4.0, "{beep:?}");
        assert!((145..=155).contains(&beep.length.as_millis()), "{beep:?}");
        // 4000 of 32768 is −18.3 dB.
        assert!((beep.level + 18.3).abs() < 0.5, "{beep:?}");
        // Sent speech arrives whole and in order, after silence, in well-formed RTP.
        let mut samples = Vec::new();
        for (i, datagram) in heard.iter().enumerate() {
            let packet = rtp_rs::RtpReader::new(datagram).unwrap();
            assert_eq!((packet.payload_type(), packet.payload().len()), (0, 160));
            assert_eq!(packet.mark(), i == 0);
            samples.extend(packet.payload().iter().map(|c| ULAW[usize::from(*c)]));
        }
        let first = samples.iter().position(|s| s.abs() > 500).unwrap();
        assert!(first > 1600, "the caller waited for the beep");
        let decoded: Vec<i16> = speech.iter().map(|s| ULAW[usize::from(ulaw_encode(*s))]).collect();
        assert!(samples.windows(decoded.len()).step_by(160).any(|w| w == decoded));
        assert_eq!(report.packets_sent as usize, heard.len());
        for line in [
            "dials sip:850@",
            "is answered after",
            "hears a tone: 800 Hz",
            "speaks",
            "hangs up",
        ] {
            assert!(said(&log, line), "{line}: {:?}", log.notes());
        }
    });
}

#[test]
fn cut_off_with_a_reason() {
    run(async {
        let log = Log::new();
        let registrar = registrar(&log, &["MD5"]).await;
        let mut agent = Agent::new(registrar.address()).await;
        agent.register("plank", 60).await;
        agent.register("plank", 60).await;
        let caller = Caller::new(call(&registrar, vec![1000; 80_000], Opening::AtOnce), log.clone())
            .await
            .unwrap();
        let call = tokio::spawn(caller.run());
        let (_rtp, invite, ok, _) = answered(&agent).await;
        let began = Instant::now();
        // The called side's BYE goes back along the recorded route.
        let route = invite.list("Record-Route");
        let mut bye = Message::request("BYE", address(invite.get("Contact").unwrap()).0);
        bye.push("Via", agent.via())
            .push("Max-Forwards", "70")
            .push("Route", route.join(", "))
            .push("From", ok.get("To").unwrap())
            .push("To", invite.get("From").unwrap())
            .push("Call-ID", invite.get("Call-ID").unwrap())
            .push("CSeq", "1 BYE")
            .push("Reason", "SIP;cause=486;text=\"a higher priority speaks\"");
        agent.send(&bye, destination(address(&route[0]).0).unwrap()).await;
        let (answer, _) = agent.next().await;
        assert_eq!((answer.status(), answer.list("Via").len()), (Some(200), 1));
        let report = call.await.unwrap().unwrap();
        let reason = Some("SIP;cause=486;text=\"a higher priority speaks\"".to_owned());
        assert_eq!(report.end, CallEnd::CutOff { reason });
        assert!(began.elapsed() < Duration::from_secs(5));
    });
}

#[test]
fn refused_as_busy() {
    run(async {
        let log = Log::new();
        let registrar = registrar(&log, &["MD5"]).await;
        let mut agent = Agent::new(registrar.address()).await;
        agent.register("plank", 60).await;
        agent.register("plank", 60).await;
        let caller = Caller::new(call(&registrar, vec![0; 8000], Opening::AtOnce), log.clone())
            .await
            .unwrap();
        let call = tokio::spawn(caller.run());
        let (invite, from) = agent.next().await;
        agent.send(&Message::response(&invite, 100, "Trying", ""), from).await;
        agent
            .send(&Message::response(&invite, 486, "Busy Here", "gw"), from)
            .await;
        // The ACK belongs to the INVITE's transaction at every hop (RFC 3261 §17.1.1.3).
        let (ack, _) = agent.next().await;
        assert_eq!(ack.method(), Some("ACK"));
        assert_eq!(ack.list("Via")[0], invite.list("Via")[0]);
        let report = call.await.unwrap().unwrap();
        assert_eq!((report.status, report.end), (486, CallEnd::Refused));
        assert!(said(&log, "is refused: 486 Busy Here"));
    });
}

#[test]
fn multicast_reaches_its_group_on_loopback() {
    run(async {
        let log = Log::new();
        let group = "239.255.76.1".parse().unwrap();
        let ear = UdpSocket::bind((group, 0)).await.unwrap();
        let port = ear.local_addr().unwrap().port();
        ear.join_multicast_v4(group, LOOPBACK.parse().unwrap()).unwrap();
        let settings = SenderSettings {
            name: "Dispatch".to_owned(),
            group: std::net::SocketAddrV4::new(group, port),
            interface: LOOPBACK.parse().unwrap(),
            speech: vec![3000; 160 * 10 + 1],
        };
        let sender = MulticastSender::new(settings, log.clone()).unwrap();
        let began = Instant::now();
        let sent = tokio::spawn(sender.run());
        let mut buffer = [0; 2000];
        let mut last = None;
        for _ in 0..11 {
            let (n, _) = ear.recv_from(&mut buffer).await.unwrap();
            let packet = rtp_rs::RtpReader::new(&buffer[..n]).unwrap();
            assert_eq!((packet.payload_type(), packet.payload().len()), (0, 160));
            let at = (packet.sequence_number(), packet.timestamp());
            if let Some((seq, timestamp)) = last {
                assert_eq!(at, (rtp_rs::Seq::from(seq).next(), u32::wrapping_add(timestamp, 160)));
            }
            last = Some((packet.sequence_number().into(), at.1)).map(|(s, t): (u16, u32)| (s, t));
        }
        assert_eq!(sent.await.unwrap().unwrap(), 11);
        assert!(began.elapsed() >= Duration::from_millis(195), "in real time");
    });
}

#[test]
fn beeps_are_measured() {
    for (pitch, length) in [(425.0, 500), (800.0, 150), (1400.0, 60)] {
        let mut meter = BeepMeter::new(8000);
        let samples: Vec<i16> = (0..8000 * length / 1000)
            .map(|n| ((n as f32 / 8000.0 * pitch * std::f32::consts::TAU).sin() * 8192.0) as i16)
            .collect();
        meter.feed(&[0; 800]);
        meter.feed(&samples);
        meter.feed(&[0; 800]);
        let [beep] = meter.beeps() else {
            panic!("{:?}", meter.beeps())
        };
        assert!((beep.pitch - pitch).abs() < pitch * 0.005, "{beep:?}");
        assert_eq!(beep.at, Duration::from_millis(100));
        assert!(
            beep.length.abs_diff(Duration::from_millis(length as u64)) < Duration::from_millis(6),
            "{beep:?}"
        );
        assert!((beep.level + 12.0).abs() < 0.3, "8192 of 32768 is −12.0 dB: {beep:?}");
    }
    let mut meter = BeepMeter::new(8000);
    meter.feed(&[20; 4000]);
    meter.feed(&[9000; 80]);
    meter.feed(&[0; 4000]);
    assert!(meter.beeps().is_empty(), "neither noise nor a click");
}
