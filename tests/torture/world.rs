//! The whole agent, with a far end that takes every call that can be taken.

use std::net::SocketAddr;
use std::time::{Duration, Instant};

use hornwire::media::Codec;
use hornwire::sip::agent::{
    Agent, ConnectionId, Event, Extension, Flow, Hop, Incoming, Output, Registrar, RegistrationId, Settings, Target,
    Transport,
};
use hornwire::sip::sdp::{self, Local, SdpError};
use hornwire::sip::wire::{Carrier, Message, Start};

pub const PEER: &str = "192.0.2.10:5060";
pub const REGISTRAR: &str = "192.0.2.1:5060";

pub fn extension(user: &str) -> Extension {
    Extension {
        user: user.into(),
        registrars: Vec::new(),
        auth_user: None,
        password: None,
        expires: 3600,
        keep_alive: None,
    }
}

/// Extensions that take calls straight from the documentation networks, and 601, which registers.
pub fn settings() -> Settings {
    let registered = Extension {
        registrars: vec![Registrar {
            hop: Hop {
                host: "registrar.quayside.example".into(),
                port: None,
                transport: Some(Transport::Udp),
                secure: false,
            },
            proxies: Vec::new(),
        }],
        ..extension("601")
    };
    Settings {
        extensions: vec![extension("600"), extension("gate;north"), registered],
        networks: ["192.0.2.0/24", "2001:db8::/32"].map(|n| n.parse().unwrap()).into(),
        trusted: Vec::new(),
        product: "Hornwire/torture".into(),
        instance: None,
        start_spread: Duration::ZERO,
    }
}

pub fn local(peer: SocketAddr) -> SocketAddr {
    if peer.is_ipv4() {
        ([192, 0, 2, 50], 5060).into()
    } else if peer.ip().to_canonical().is_ipv4() {
        "[::ffff:192.0.2.50]:5060".parse().unwrap()
    } else {
        "[2001:db8::50]:5060".parse().unwrap()
    }
}

pub fn udp(peer: &str) -> Flow {
    let peer = peer.parse().unwrap();
    Flow {
        transport: Transport::Udp,
        local: local(peer),
        peer,
        connection: None,
    }
}

pub fn tcp(peer: &str) -> Flow {
    Flow {
        transport: Transport::Tcp,
        connection: Some(ConnectionId(1)),
        ..udp(peer)
    }
}

pub struct World {
    pub agent: Agent,
    pub now: Instant,
    pub sent: Vec<(Flow, Vec<u8>)>,
    pub incoming: Vec<Incoming>,
    pub registered: usize,
    pub failed: usize,
    pub closed: usize,
    pub resolves: Vec<RegistrationId>,
}

impl World {
    pub fn new() -> World {
        let now = Instant::now();
        World {
            agent: Agent::new(settings(), [5; 32], now),
            now,
            sent: Vec::new(),
            incoming: Vec::new(),
            registered: 0,
            failed: 0,
            closed: 0,
            resolves: Vec::new(),
        }
    }

    pub fn drain(&mut self) {
        while let Some(output) = self.agent.poll_output() {
            match output {
                Output::Transmit { flow, octets } => self.sent.push((flow, octets)),
                Output::Resolve { registration, .. } => self.resolves.push(registration),
                Output::Close(_) => self.closed += 1,
                Output::Event(Event::Incoming(incoming)) => {
                    self.take(&incoming);
                    self.incoming.push(*incoming);
                }
                Output::Event(Event::Registered { .. }) => self.registered += 1,
                Output::Event(Event::RegistrationFailed { .. }) => self.failed += 1,
                Output::Event(_) => {}
            }
        }
    }

    /// As the daemon does it: 400 and 488 for descriptions that cannot be taken.
    fn take(&mut self, incoming: &Incoming) {
        let local = Local {
            address: incoming.local.ip().to_canonical(),
            rtp_port: 30_000,
            codecs: vec![Codec::Pcma, Codec::Pcmu],
            session_id: 1,
            version: 1,
            srtp: hornwire::sip::sdp::Policy::Off,
            keys: hornwire::sip::sdp::KeySeed([0; 32]),
        };
        let body = match &incoming.offer {
            Some(offer) => sdp::answer(offer, &local).map(|(body, _)| body),
            None => Ok(sdp::offer(&local)),
        };
        match body {
            Ok(body) => self.agent.accept(incoming.call, body, self.now),
            Err(SdpError::Unreadable(_)) => self.agent.refuse(incoming.call, 400, None, self.now),
            Err(_) => self.agent.refuse(incoming.call, 488, None, self.now),
        }
    }

    pub fn datagram(&mut self, peer: &str, octets: &[u8]) {
        self.agent.handle_datagram(udp(peer), octets, self.now);
        self.drain();
    }

    /// Over one connection, in pieces of this many octets.
    pub fn stream(&mut self, peer: &str, octets: &[u8], piece: usize) {
        for piece in octets.chunks(piece) {
            self.agent.handle_stream(tcp(peer), piece, self.now);
            self.drain();
        }
    }

    pub fn run(&mut self, time: Duration) {
        let until = self.now + time;
        while let Some(at) = self.agent.poll_timeout().filter(|at| *at <= until) {
            self.now = self.now.max(at);
            self.agent.handle_timeout(self.now);
            self.drain();
        }
        self.now = until;
    }

    /// Lets 601 register; gives its REGISTER.
    pub fn register(&mut self) -> Message {
        self.run(Duration::from_secs(2));
        let peer: SocketAddr = REGISTRAR.parse().unwrap();
        for registration in std::mem::take(&mut self.resolves) {
            let target = Target {
                transport: Transport::Udp,
                peer,
                local: local(peer),
                rank: 0,
            };
            self.agent.resolved(registration, vec![target], self.now);
        }
        self.drain();
        let (_, octets) = self.sent.pop().expect("a REGISTER");
        let message = Message::read(&octets, Carrier::Datagram).unwrap();
        assert!(matches!(&message.start, Start::Request { method, .. } if method == b"REGISTER"));
        self.sent.clear();
        message
    }

    /// What was sent, read again: the agent writes nothing that it would not read itself.
    pub fn answers(&self) -> Vec<(u16, Message)> {
        self.sent
            .iter()
            .filter(|(_, octets)| octets != b"\r\n")
            .filter_map(|(_, octets)| {
                let message = Message::read(octets, Carrier::Stream).expect("an answer");
                assert_eq!(message.fault, None, "{}", String::from_utf8_lossy(octets));
                match message.start {
                    Start::Response { status, .. } => Some((status, message)),
                    Start::Request { .. } => None,
                }
            })
            .collect()
    }

    pub fn finals(&self) -> Vec<u16> {
        let answers = self.answers().into_iter();
        answers.map(|(status, _)| status).filter(|s| *s >= 200).collect()
    }
}
