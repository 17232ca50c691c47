//! The whole agent: a far end that does anything in any order, a driver that answers or does not, and time.
#![allow(clippy::disallowed_methods)]

#[path = "agent/messages.rs"]
mod messages;

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::time::{Duration, Instant};

use hornwire::sip::agent::{
    Agent, CallId, Cause, ConnectionId, Event, Extension, Flow, Hop, MAX_CALLS, MAX_CONNECTIONS, MAX_OUTPUTS,
    MAX_TRANSACTION_OCTETS, MAX_TRANSACTIONS, Output, Registrar, RegistrationId, Settings, Target, Transport,
};
use hornwire::sip::secret::Secret;
use hornwire::sip::wire::MAX_MESSAGE;

use messages::{ANSWERS, Asked, BODIES, Learned, REQUESTS, learn};

/// Operations of one run.
const MAX_STEPS: usize = 32;
/// What one message from outside may make the agent send at once, retransmissions of all calls included.
const MAX_AT_ONCE: usize = 4 * MAX_CALLS + 64;
const ANSWER: &str =
    "v=0\r\no=- 2 1 IN IP4 192.0.2.50\r\ns=-\r\nc=IN IP4 192.0.2.50\r\nt=0 0\r\nm=audio 30000 RTP/AVP 0\r\n";

/// Octets that steer.
struct Bytes<'a>(&'a [u8]);

impl Bytes<'_> {
    fn byte(&mut self) -> Option<u8> {
        let (first, rest) = self.0.split_first()?;
        self.0 = rest;
        Some(*first)
    }

    fn below(&mut self, bound: usize) -> Option<usize> {
        Some(usize::from(self.byte()?) % bound)
    }

    fn piece(&mut self) -> Option<Vec<u8>> {
        let length = usize::from(self.byte()?).min(self.0.len());
        let (piece, rest) = self.0.split_at(length);
        self.0 = rest;
        Some(piece.to_vec())
    }
}

#[derive(Default)]
struct Seen {
    asked: Vec<(Flow, Asked)>,
    /// By Call-ID, the newest last.
    tags: Vec<(Vec<u8>, Vec<u8>)>,
    /// Calls that were announced; whether they ended.
    calls: BTreeMap<CallId, bool>,
    resolves: Vec<RegistrationId>,
    /// Of the last reliable provisional answer.
    rseq: Vec<u8>,
    last: Option<(Flow, Vec<u8>)>,
    reached: Reached,
    /// Nobody answers any more.
    resting: bool,
}

struct World {
    agent: Agent,
    now: Instant,
    seen: Seen,
}

fn settings() -> Settings {
    let extension = |user: &str, hosts: &[(&str, Transport)]| Extension {
        user: user.into(),
        registrars: hosts
            .iter()
            .map(|(host, transport)| Registrar {
                hop: Hop {
                    host: (*host).into(),
                    port: None,
                    transport: Some(*transport),
                    secure: false,
                },
                proxies: Vec::new(),
            })
            .collect(),
        auth_user: None,
        password: Some(Secret::new("tide-table")),
        expires: 600,
        keep_alive: Some(Duration::from_secs(25)),
    };
    Settings {
        extensions: vec![
            extension("600", &[]),
            extension(
                "601",
                &[("one.example", Transport::Udp), ("two.example", Transport::Tcp)],
            ),
        ],
        networks: vec!["192.0.2.0/28".parse().unwrap()],
        trusted: Vec::new(),
        product: "Hornwire/fuzz".into(),
        instance: Some("urn:uuid:00000000-0000-4000-8000-000000000001".into()),
        start_spread: Duration::from_millis(500),
    }
}

fn address(last: u8, port: u16) -> SocketAddr {
    ([192, 0, 2, last], port).into()
}

fn flow(choice: u8) -> Flow {
    // Now and then a stranger.
    let peer = if choice >> 4 == 15 {
        address(200, 5060)
    } else {
        address(10 + (choice >> 4) % 3, 5060)
    };
    let transport = match choice % 8 {
        0..=4 => Transport::Udp,
        5 | 6 => Transport::Tcp,
        _ => Transport::Tls,
    };
    Flow {
        transport,
        local: address(50, 5060),
        peer,
        connection: transport
            .is_reliable()
            .then(|| ConnectionId(u64::from(choice >> 3 & 3))),
    }
}

/// How deep a run got: how often each of these happened.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub struct Reached {
    pub incoming: u32,
    pub confirmed: u32,
    pub changes: u32,
    pub reliable: u32,
    pub endings: u32,
    pub registered: u32,
    pub failed: u32,
    pub unregistered: u32,
    pub sent: u32,
    pub closed: u32,
}

pub fn run(data: &[u8]) {
    reach(data);
}

pub fn reach(data: &[u8]) -> Reached {
    let mut bytes = Bytes(data);
    let now = Instant::now();
    let mut world = World {
        agent: Agent::new(settings(), [data.first().copied().unwrap_or(0); 32], now),
        now,
        seen: Seen::default(),
    };
    for _ in 0..MAX_STEPS {
        if world.operation(&mut bytes).is_none() {
            break;
        }
        world.drain();
        world.bounds();
    }
    world.come_to_rest();
    world.seen.reached
}

impl World {
    /// One operation; `None` when the octets are used up.
    fn operation(&mut self, bytes: &mut Bytes<'_>) -> Option<()> {
        match bytes.byte()? % 24 {
            0..=8 => {
                let flow = flow(bytes.byte()?);
                let octets = self.request(bytes)?;
                self.deliver(flow, octets, bytes);
            }
            9..=11 => {
                let (flow, octets) = self.response(bytes)?;
                self.deliver(flow, octets, bytes);
            }
            12 => {
                let flow = flow(bytes.byte()?);
                let octets = bytes.piece()?;
                self.deliver(flow, octets, bytes);
            }
            13 => {
                let (flow, octets) = self.seen.last.clone()?;
                self.deliver(flow, octets, bytes);
            }
            14 | 15 => self.answer(bytes)?,
            16 | 17 => self.time(bytes)?,
            18 | 19 => {
                let choice = bytes.byte()?;
                let id = self
                    .seen
                    .resolves
                    .pop()
                    .unwrap_or(RegistrationId(u16::from(choice % 4)));
                let target = |n: u8| Target {
                    transport: if id.0 == 1 { Transport::Tcp } else { Transport::Udp },
                    peer: address(1 + n, 5060),
                    local: address(50, 5060),
                    rank: n / 2,
                };
                match choice {
                    250.. => self.agent.unresolved(id, "no such name".into(), self.now),
                    _ => self.agent.resolved(id, (0..choice % 5).map(target).collect(), self.now),
                }
            }
            20 => self.agent.handle_closed(flow(bytes.byte()?), self.now),
            21 => {
                // Whatever we asked last, its way is gone.
                let flow = self.seen.asked.last()?.0;
                self.agent.handle_closed(flow, self.now);
            }
            22 => {
                let peer = flow(bytes.byte()?).peer;
                self.agent.handle_strange_connection(peer, self.now);
            }
            _ => {
                if bytes.byte()? == 7 {
                    self.agent.shut_down(self.now);
                }
            }
        }
        Some(())
    }

    /// A request by its template, about a call that there is or a new one, with up to three injuries.
    fn request(&mut self, bytes: &mut Bytes<'_>) -> Option<Vec<u8>> {
        let template = REQUESTS[bytes.below(REQUESTS.len())?];
        let choice = bytes.byte()?;
        let recent = self.seen.tags.len().checked_sub(1 + usize::from(choice & 3));
        let known = recent.and_then(|i| self.seen.tags.get(i).cloned());
        let (call, tag) = match known {
            Some(known) if choice & 4 == 0 => known,
            _ => (format!("call{}", choice >> 3).into_bytes(), b"tag".to_vec()),
        };
        let numbers = bytes.byte()?;
        let body = BODIES[usize::from(choice >> 6)];
        let mut octets = Vec::with_capacity(1024);
        let mut rest = template;
        while let Some(at) = rest.find(|c: char| c.is_ascii_uppercase()) {
            let (before, after) = rest.split_at(at);
            octets.extend_from_slice(before.as_bytes());
            let end = after.find(|c: char| !c.is_ascii_uppercase()).unwrap_or(after.len());
            let (word, after) = after.split_at(end);
            match word {
                "CALL" => octets.extend_from_slice(&call),
                "RSEQ" => octets.extend_from_slice(&self.seen.rseq),
                "TAG" => octets.extend_from_slice(&tag),
                "KBRANCH" => octets.extend_from_slice(format!("K{}", numbers >> 3).as_bytes()),
                "SEQ" => octets.extend_from_slice(format!("{}", numbers & 7).as_bytes()),
                _ => octets.extend_from_slice(word.as_bytes()),
            }
            rest = after;
        }
        octets.extend_from_slice(rest.as_bytes());
        octets.extend_from_slice(format!("Content-Length: {}\r\n\r\n{body}", body.len()).as_bytes());
        injure(&mut octets, bytes);
        Some(octets)
    }

    fn response(&mut self, bytes: &mut Bytes<'_>) -> Option<(Flow, Vec<u8>)> {
        let choice = bytes.byte()?;
        let recent = self.seen.asked.len().checked_sub(1 + usize::from(choice & 3))?;
        let (flow, asked) = self.seen.asked.get(recent)?.clone();
        let (status, extra) = ANSWERS[bytes.below(ANSWERS.len())?];
        let mut octets = asked.answer(status, extra);
        injure(&mut octets, bytes);
        let connection = flow
            .transport
            .is_reliable()
            .then_some(ConnectionId(u64::from(choice >> 2 & 3)));
        Some((Flow { connection, ..flow }, octets))
    }

    fn deliver(&mut self, flow: Flow, octets: Vec<u8>, bytes: &mut Bytes<'_>) {
        if flow.connection.is_some() {
            let piece = usize::from(bytes.byte().unwrap_or(0)) * 4 + 1;
            for piece in octets.chunks(piece) {
                self.agent.handle_stream(flow, piece, self.now);
            }
        } else {
            self.agent.handle_datagram(flow, &octets, self.now);
        }
        self.seen.last = Some((flow, octets));
    }

    /// The driver's side of a call.
    fn answer(&mut self, bytes: &mut Bytes<'_>) -> Option<()> {
        let choice = bytes.byte()?;
        let newest = self.seen.calls.keys().rev().nth(usize::from(choice & 3)).copied();
        let call = newest.unwrap_or(CallId(u64::from(choice)));
        let status = 200 + u16::from(bytes.byte()?) * 2;
        let cause = || {
            Some(Cause {
                status,
                text: "\"\\\r\n".into(),
            })
        };
        match choice >> 2 & 7 {
            0..=2 => self.agent.accept(call, ANSWER.into(), self.now),
            3 => self.agent.refuse(call, status, cause(), self.now),
            4 => self.agent.hang_up(call, cause(), self.now),
            5 => self.agent.hang_up(call, None, self.now),
            6 => self.agent.accept_change(call, ANSWER.into(), self.now),
            _ => self.agent.refuse_change(call, status, self.now),
        }
        Some(())
    }

    fn time(&mut self, bytes: &mut Bytes<'_>) -> Option<()> {
        let step = bytes.byte()?;
        let until = match step {
            0..=127 => self.agent.poll_timeout().unwrap_or(self.now).max(self.now),
            128..=199 => self.now + Duration::from_millis(u64::from(step - 127) * 20),
            200..=249 => self.now + Duration::from_secs(u64::from(step - 199)),
            _ => self.now + Duration::from_secs(3600),
        };
        self.run_to(until);
        Some(())
    }

    fn run_to(&mut self, until: Instant) {
        let mut at_this_instant = 0;
        let mut steps = 0;
        while let Some(at) = self.agent.poll_timeout().filter(|at| *at <= until) {
            if at > self.now {
                self.now = at;
                at_this_instant = 0;
            }
            at_this_instant += 1;
            steps += 1;
            assert!(at_this_instant < 16, "time stands still");
            assert!(steps < 100_000, "no end of timers");
            self.agent.handle_timeout(self.now);
            self.drain();
        }
        self.now = self.now.max(until);
    }

    fn drain(&mut self) {
        let mut sent = 0;
        while let Some(output) = self.agent.poll_output() {
            match output {
                Output::Transmit { flow, octets } => {
                    sent += 1;
                    self.sent(flow, &octets);
                }
                Output::Resolve { registration, .. } => push(&mut self.seen.resolves, registration),
                Output::Close(_) => self.seen.reached.closed += 1,
                Output::Event(event) => self.event(event),
            }
        }
        self.seen.reached.sent += sent;
        assert!(sent as usize <= MAX_AT_ONCE, "{sent} messages at once");
    }

    fn sent(&mut self, flow: Flow, octets: &[u8]) {
        assert!(octets.len() <= 2 * MAX_MESSAGE, "{} octets at once", octets.len());
        // Keep-alives: line ends, STUN.
        if octets == b"\r\n" || octets == b"\r\n\r\n" || octets.first().is_some_and(|b| *b < 4) {
            return;
        }
        if self.seen.resting {
            return;
        }
        match learn(octets) {
            Learned::Asked(asked) => push(&mut self.seen.asked, (flow, asked)),
            Learned::Tag { call, tag, rseq } => {
                push(&mut self.seen.tags, (call, tag));
                if let Some(rseq) = rseq {
                    self.seen.reached.reliable += 1;
                    self.seen.rseq = rseq;
                }
            }
            Learned::Nothing => {}
        }
    }

    fn event(&mut self, event: Event) {
        let Seen { reached, calls, .. } = &mut self.seen;
        let alive = |call| assert_eq!(calls.get(&call), Some(&false), "news of a call that is over");
        match event {
            Event::Incoming(incoming) => {
                reached.incoming += 1;
                assert_eq!(calls.insert(incoming.call, false), None, "a call twice");
            }
            Event::Ended { call, .. } => {
                reached.endings += 1;
                assert_eq!(calls.insert(call, true), Some(false), "an end without a call, or two");
            }
            Event::Confirmed { call, .. } => {
                reached.confirmed += 1;
                alive(call);
            }
            Event::Change { call, .. } | Event::ChangeAnswered { call, .. } => {
                reached.changes += 1;
                alive(call);
            }
            Event::Registered { .. } => reached.registered += 1,
            Event::RegistrationFailed { .. } => reached.failed += 1,
            Event::Unregistered { .. } => reached.unregistered += 1,
            _ => {}
        }
    }

    fn bounds(&self) {
        let load = self.agent.load();
        assert!(load.transactions <= MAX_TRANSACTIONS);
        assert!(load.transaction_octets <= MAX_TRANSACTION_OCTETS + 4 * MAX_MESSAGE);
        assert!(load.requests <= 8 * MAX_CALLS + 16);
        assert!(load.calls <= MAX_CALLS + MAX_TRANSACTIONS);
        assert!(load.connections <= MAX_CONNECTIONS);
        assert!(load.partial_octets <= MAX_CONNECTIONS * MAX_MESSAGE);
        assert!(load.outputs <= MAX_OUTPUTS);
    }

    /// Hung up and shut down, everything ends and nothing is left.
    fn come_to_rest(&mut self) {
        let calls: Vec<CallId> = self.seen.calls.keys().copied().collect();
        for call in calls {
            self.agent.hang_up(call, None, self.now);
        }
        self.agent.shut_down(self.now);
        self.drain();
        self.bounds();
        self.seen.resting = true;
        self.run_to(self.now + Duration::from_secs(300));
        assert!(self.seen.calls.values().all(|ended| *ended), "a call that never ended");
        let load = self.agent.load();
        assert_eq!(
            (load.transactions, load.requests, load.calls),
            (0, 0, 0),
            "something is left: {load:?}"
        );
        assert!(self.agent.is_idle());
    }
}

fn push<T>(list: &mut Vec<T>, item: T) {
    if list.len() >= 16 {
        list.remove(0);
    }
    list.push(item);
}

/// Up to three injuries: an octet changed, a few removed, some put in.
fn injure(octets: &mut Vec<u8>, bytes: &mut Bytes<'_>) {
    let count = bytes.byte().unwrap_or(0);
    // Most messages stay whole, or nothing would get deep.
    for _ in 0..count.saturating_sub(252) {
        let (Some(high), Some(low)) = (bytes.byte(), bytes.byte()) else {
            return;
        };
        let at = usize::from(u16::from_be_bytes([high, low])) % octets.len().max(1);
        let Some(kind) = bytes.byte() else { return };
        match kind % 4 {
            0 => {
                if let Some(octet) = octets.get_mut(at) {
                    *octet = kind;
                }
            }
            1 => {
                let end = (at + usize::from(kind)).min(octets.len());
                octets.drain(at.min(end)..end);
            }
            2 => octets.truncate(at),
            _ => {
                let piece = bytes.piece().unwrap_or_default();
                octets.splice(at..at, piece);
            }
        }
    }
}
