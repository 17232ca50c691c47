//! The agent in a simulated world: a far end that writes text, a virtual clock, everything sent kept with its time.
#![allow(clippy::disallowed_methods)]

mod calls;
mod endings;
mod flows;
mod gate;
mod hostile;
mod lossy;
mod register;
mod register_flows;
mod register_servers;
mod reliable;
mod requests;
mod streams;
mod timers;
mod within;

use std::net::SocketAddr;
use std::time::{Duration, Instant};

use super::*;
use crate::sip::secret::Secret;
use crate::sip::wire::{Address, Carrier, Message, Start};

pub(super) const PEER: &str = "192.0.2.10:5060";
pub(super) const LOCAL: &str = "192.0.2.50:5060";
pub(super) const REGISTRAR: &str = "192.0.2.1:5060";
pub(super) const OFFER: &str =
    "v=0\r\no=- 1 1 IN IP4 192.0.2.10\r\ns=-\r\nc=IN IP4 192.0.2.10\r\nt=0 0\r\nm=audio 40000 RTP/AVP 0\r\n";
pub(super) const ANSWER: &str =
    "v=0\r\no=- 2 1 IN IP4 192.0.2.50\r\ns=-\r\nc=IN IP4 192.0.2.50\r\nt=0 0\r\nm=audio 30000 RTP/AVP 0\r\n";

pub(super) fn address(text: &str) -> SocketAddr {
    text.parse().unwrap()
}

pub(super) fn udp(peer: &str) -> Flow {
    Flow {
        transport: Transport::Udp,
        local: address(LOCAL),
        peer: address(peer),
        connection: None,
    }
}

pub(super) fn direct(user: &str) -> Extension {
    Extension {
        user: user.into(),
        registrars: Vec::new(),
        auth_user: None,
        password: None,
        expires: 3600,
        keep_alive: None,
    }
}

pub(super) fn registered(user: &str, host: &str, transport: Transport) -> Extension {
    Extension {
        registrars: vec![Registrar {
            hop: Hop {
                host: host.into(),
                port: None,
                transport: Some(transport),
                secure: false,
            },
            proxies: Vec::new(),
        }],
        password: Some(Secret::new("tide-table")),
        ..direct(user)
    }
}

pub(super) fn settings(extensions: Vec<Extension>) -> Settings {
    Settings {
        extensions,
        networks: vec!["192.0.2.0/28".parse().unwrap()],
        trusted: Vec::new(),
        product: "Hornwire/test".into(),
        instance: None,
        start_spread: Duration::from_millis(500),
    }
}

/// A message that the agent sent.
#[derive(Debug, Clone)]
pub(super) struct Sent {
    pub(super) at: Duration,
    pub(super) flow: Flow,
    pub(super) octets: Vec<u8>,
}

impl Sent {
    pub(super) fn message(&self) -> Message {
        let message = Message::read(&self.octets, Carrier::Datagram).unwrap();
        assert_eq!(message.fault, None, "{}", self.text());
        message
    }

    pub(super) fn status(&self) -> u16 {
        match self.message().start {
            Start::Response { status, .. } => status,
            Start::Request { .. } => 0,
        }
    }

    pub(super) fn method(&self) -> String {
        match self.message().start {
            Start::Request { method, .. } => String::from_utf8(method).unwrap(),
            Start::Response { .. } => String::new(),
        }
    }

    pub(super) fn text(&self) -> String {
        String::from_utf8_lossy(&self.octets).into_owned()
    }

    pub(super) fn header(&self, name: &str) -> String {
        let message = self.message();
        let value = message
            .first(name)
            .unwrap_or_else(|| panic!("no {name} in {}", self.text()));
        String::from_utf8_lossy(value).into_owned()
    }

    pub(super) fn has(&self, name: &str) -> bool {
        self.message().first(name).is_some()
    }

    pub(super) fn to_tag(&self) -> String {
        let to = self.header("To");
        let tag = Address::read(to.as_bytes()).unwrap().tag().unwrap().to_vec();
        String::from_utf8(tag).unwrap()
    }
}

pub(super) struct World {
    pub(super) agent: Agent,
    pub(super) start: Instant,
    pub(super) now: Instant,
    pub(super) sent: Vec<Sent>,
    pub(super) events: Vec<Event>,
    pub(super) resolves: Vec<RegistrationId>,
    /// What each registration asked for last.
    pub(super) hops: std::collections::BTreeMap<RegistrationId, Hop>,
    pub(super) closed: Vec<ConnectionId>,
}

impl World {
    pub(super) fn new(settings: Settings) -> Self {
        Self::seeded(settings, [7; 32])
    }

    pub(super) fn seeded(settings: Settings, seed: [u8; 32]) -> Self {
        let now = Instant::now();
        World {
            agent: Agent::new(settings, seed, now),
            start: now,
            now,
            sent: Vec::new(),
            events: Vec::new(),
            resolves: Vec::new(),
            hops: std::collections::BTreeMap::new(),
            closed: Vec::new(),
        }
    }

    /// One extension, 600, that takes calls straight from [`PEER`]'s network.
    pub(super) fn plain() -> Self {
        Self::new(settings(vec![direct("600")]))
    }

    /// Answers a registration's resolution with these targets, by the transport that it asked for.
    pub(super) fn resolved(&mut self, registration: u16, peers: &[&str]) {
        let id = RegistrationId(registration);
        let transport = self.hops.get(&id).and_then(|h| h.transport).unwrap_or(Transport::Udp);
        let target = |(peer, rank): (&&str, u8)| Target {
            transport,
            peer: address(peer),
            local: address(LOCAL),
            rank,
        };
        let targets = peers.iter().zip(0..).map(target).collect();
        self.agent.resolved(id, targets, self.now);
    }

    pub(super) fn drain(&mut self) {
        while let Some(output) = self.agent.poll_output() {
            match output {
                Output::Transmit { flow, octets } => self.sent.push(Sent {
                    at: self.now - self.start,
                    flow,
                    octets,
                }),
                Output::Resolve { registration, hop } => {
                    self.hops.insert(registration, hop);
                    self.resolves.push(registration);
                }
                Output::Close(id) => self.closed.push(id),
                Output::Event(event) => self.events.push(event),
            }
        }
    }

    /// To the next timer, at most to `until`. False when there is none before it.
    pub(super) fn step(&mut self, until: Instant) -> bool {
        match self.agent.poll_timeout() {
            Some(at) if at <= until => {
                self.now = self.now.max(at);
                self.agent.handle_timeout(self.now);
                self.drain();
                true
            }
            _ => {
                self.now = until;
                false
            }
        }
    }

    pub(super) fn run(&mut self, time: Duration) {
        let until = self.now + time;
        while self.step(until) {}
    }

    pub(super) fn run_ms(&mut self, ms: u64) {
        self.run(Duration::from_millis(ms));
    }

    pub(super) fn datagram(&mut self, peer: &str, text: impl AsRef<[u8]>) {
        self.agent.handle_datagram(udp(peer), text.as_ref(), self.now);
        self.drain();
    }

    /// From [`PEER`]; gives what was sent in answer.
    pub(super) fn ask(&mut self, text: impl AsRef<[u8]>) -> Vec<Sent> {
        let before = self.sent.len();
        self.datagram(PEER, text);
        self.sent[before..].to_vec()
    }

    pub(super) fn last(&self) -> &Sent {
        self.sent.last().unwrap()
    }

    pub(super) fn call(&self) -> CallId {
        self.events
            .iter()
            .rev()
            .find_map(|e| match e {
                Event::Incoming(incoming) => Some(incoming.call),
                _ => None,
            })
            .unwrap()
    }

    pub(super) fn endings(&self) -> Vec<Ending> {
        self.events
            .iter()
            .filter_map(|e| match e {
                Event::Ended { how, .. } => Some(*how),
                _ => None,
            })
            .collect()
    }

    pub(super) fn is_confirmed(&self) -> bool {
        self.events.iter().any(|e| matches!(e, Event::Confirmed { .. }))
    }

    /// An answered and acknowledged call; its To tag.
    pub(super) fn talk(&mut self) -> (CallId, String) {
        self.ask(invite("1"));
        let call = self.call();
        self.agent.accept(call, ANSWER.into(), self.now);
        self.drain();
        let tag = self.last().to_tag();
        self.ask(in_dialog("ACK", 1, "ack1", &tag, ""));
        (call, tag)
    }
}

/// A request to 600 from [`PEER`] with these extra lines.
pub(super) fn request(method: &str, cseq: u32, branch: &str, to_tag: &str, extra: &str, body: &str) -> String {
    let tag = if to_tag.is_empty() {
        String::new()
    } else {
        format!(";tag={to_tag}")
    };
    let kind = if body.is_empty() {
        ""
    } else {
        "Content-Type: application/sdp\r\n"
    };
    format!(
        "{method} sip:600@192.0.2.50 SIP/2.0\r\n\
         Via: SIP/2.0/UDP 192.0.2.10:5060;branch=z9hG4bK{branch}\r\n\
         Max-Forwards: 70\r\n\
         From: \"Saw shed\" <sip:201@quayside.example>;tag=far\r\n\
         To: <sip:600@192.0.2.50>{tag}\r\n\
         Call-ID: one@192.0.2.10\r\n\
         CSeq: {cseq} {method}\r\n\
         Contact: <sip:201@192.0.2.10:5060>\r\n\
         {extra}{kind}Content-Length: {}\r\n\r\n{body}",
        body.len()
    )
}

pub(super) fn invite(branch: &str) -> String {
    request("INVITE", 1, branch, "", "", OFFER)
}

pub(super) fn in_dialog(method: &str, cseq: u32, branch: &str, tag: &str, body: &str) -> String {
    request(method, cseq, branch, tag, "", body)
}

/// An answer to a request of ours, with these extra lines.
pub(super) fn reply(request: &Sent, status: &str, extra: &str) -> String {
    let mut out = format!("SIP/2.0 {status}\r\n");
    for h in request.message().headers() {
        let name = String::from_utf8_lossy(&h.name).into_owned();
        if ["Via", "From", "To", "Call-ID", "CSeq"].contains(&name.as_str()) {
            out += &format!("{name}: {}\r\n", String::from_utf8_lossy(&h.value));
        }
    }
    out + extra + "Content-Length: 0\r\n\r\n"
}
