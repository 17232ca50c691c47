//! Where a SIP server is (RFC 3263 §4), without a resolver: questions come out one at a time, answers go in.
//!
//! ```text
//! Hop ─▶ NAPTR ─▶ SRV of each service ─▶ A and AAAA of each server ─▶ Places, preferred first
//!         └ none: SRV of each transport ┘    └ no SRV at all: of the name itself
//! ```
//!
//! A numeric host needs no question, an explicit port or transport fewer. CNAME chains are the resolver's to follow.
//! Whatever the answers hold, at most [`MAX_QUESTIONS`] are asked, each once, and at most [`MAX_TARGETS`] places come out.

mod order;

use std::collections::VecDeque;
use std::net::{IpAddr, SocketAddr};

use rand::SeedableRng as _;
use rand_chacha::ChaCha12Rng;

use super::agent::{Hop, MAX_TARGETS, Transport};
pub use order::{by_preference, by_weight};

/// Most questions for one hop.
pub const MAX_QUESTIONS: usize = 24;
/// Most records of one answer that count; the preferred ones.
pub const MAX_RECORDS: usize = 32;
/// Longest domain name, without a closing dot (RFC 1035 §2.3.4).
const MAX_NAME: usize = 253;

/// What to look up. A name with a closing dot is absolute.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Question {
    Naptr(String),
    Srv(String),
    /// A and AAAA.
    Addresses(String),
}

impl Question {
    pub fn name(&self) -> &str {
        match self {
            Question::Naptr(name) | Question::Srv(name) | Question::Addresses(name) => name,
        }
    }
}

/// What came of a [`Question`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    Naptr(Vec<Naptr>),
    Srv(Vec<Srv>),
    Addresses(Vec<IpAddr>),
    /// There is no such name, or no such record.
    Nothing,
    /// The name service gave no answer, or a failure.
    Failed,
}

/// RFC 3403 §4.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Naptr {
    pub order: u16,
    pub preference: u16,
    pub flags: String,
    pub service: String,
    pub regexp: String,
    pub replacement: String,
}

/// RFC 2782.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Srv {
    pub priority: u16,
    pub weight: u16,
    pub port: u16,
    /// `.` or empty: the service is decidedly not there.
    pub target: String,
}

/// A transport that we have, and the families of addresses that it can reach.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Means {
    pub transport: Transport,
    pub ipv4: bool,
    pub ipv6: bool,
}

/// One address of the server.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    pub transport: Transport,
    pub peer: SocketAddr,
    /// From 0. Places of one rank are equally good; the next rank is for when these fail.
    pub rank: u8,
}

/// What to do next.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Step {
    Ask(Question),
    Done(Result<Located, LocateError>),
}

/// The end of a search.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Located {
    /// Preferred first; never empty.
    pub places: Vec<Place>,
    /// Some question got no answer: an earlier result that was whole is to be believed rather.
    pub doubtful: bool,
}

/// Why there is no place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum LocateError {
    #[error("the name service does not answer")]
    NoNameService,
    #[error("its name cannot be resolved")]
    NoSuchName,
    #[error("its domain says that it offers no SIP")]
    NotOffered,
    #[error("none of our transports reaches it")]
    NoTransport,
    #[error("its addresses are of a family for which we have no socket")]
    NoFamily,
}

/// A question that is open or will be, with what its answer is for.
#[derive(Debug, Clone)]
enum Task {
    Naptr,
    Srv {
        name: String,
        transport: Transport,
    },
    Addresses {
        host: String,
        port: u16,
        transport: Transport,
        rank: u8,
    },
}

/// One search.
#[derive(Debug)]
pub struct Locator {
    host: String,
    secure: bool,
    means: Vec<Means>,
    rng: ChaCha12Rng,
    tasks: VecDeque<Task>,
    asked: usize,
    /// SRV names that were asked for.
    names: Vec<String>,
    /// Hosts whose addresses are known.
    known: Vec<(String, Vec<IpAddr>)>,
    places: Vec<Place>,
    next_rank: u8,
    /// Where the name's own addresses would be tried if it has no SRV record.
    bare: Option<(Transport, u16)>,
    any_srv: bool,
    denied: bool,
    foreign: bool,
    failed: bool,
    fault: Option<LocateError>,
}

impl Locator {
    /// `means` are our transports; `seed` feeds the choice by weight.
    pub fn new(hop: &Hop, means: &[Means], seed: u64) -> Self {
        let means: Vec<Means> = means.iter().copied().filter(|m| m.ipv4 || m.ipv6).collect();
        let mut search = Locator {
            host: hop.host.trim_matches(['[', ']']).to_ascii_lowercase(),
            secure: hop.secure,
            means,
            rng: ChaCha12Rng::seed_from_u64(seed),
            tasks: VecDeque::new(),
            asked: 0,
            names: Vec::new(),
            known: Vec::new(),
            places: Vec::new(),
            next_rank: 0,
            bare: None,
            any_srv: false,
            denied: false,
            foreign: false,
            failed: false,
            fault: None,
        };
        search.begin(hop);
        search
    }

    fn has(&self, transport: Transport) -> bool {
        self.means.iter().any(|m| m.transport == transport)
    }

    /// RFC 3263 §4.1: UDP for `sip`, TLS for `sips`; another one of ours where we lack UDP.
    fn usual_transport(&self) -> Option<Transport> {
        let order: &[Transport] = if self.secure {
            &[Transport::Tls]
        } else {
            &[Transport::Udp, Transport::Tcp, Transport::Tls]
        };
        order.iter().copied().find(|t| self.has(*t))
    }

    fn begin(&mut self, hop: &Hop) {
        // `sips` means TLS over whatever is named (RFC 3261 §26.2.2).
        let named = hop.transport.map(|t| if hop.secure { Transport::Tls } else { t });
        let Some(transport) = named.or(self.usual_transport()).filter(|t| self.has(*t)) else {
            self.fault = Some(LocateError::NoTransport);
            return;
        };
        let port = hop.port.unwrap_or(transport.default_port());
        if let Ok(ip) = self.host.parse::<IpAddr>() {
            self.add(transport, &[ip], port, 0);
        } else if hop.port.is_some() {
            self.tasks.push_back(Task::Addresses {
                host: self.host.clone(),
                port,
                transport,
                rank: 0,
            });
        } else {
            self.bare = Some((transport, port));
            match named {
                Some(transport) => self.ask_srv(srv_name(&self.host, transport), transport),
                None => self.tasks.push_back(Task::Naptr),
            }
        }
    }

    fn ask_srv(&mut self, name: String, transport: Transport) {
        if !self.names.contains(&name) && name.len() <= MAX_NAME + 1 {
            self.names.push(name.clone());
            self.tasks.push_back(Task::Srv { name, transport });
        }
    }

    /// What to do now. Asks the same again until [`Locator::answer`] is called.
    pub fn step(&mut self) -> Step {
        loop {
            if self.places.len() >= MAX_TARGETS {
                self.tasks.clear();
            }
            let Some(task) = self.tasks.front() else {
                match self.bare.take().filter(|_| self.places.is_empty() && !self.any_srv) {
                    // RFC 3263 §4.2: no SRV record, so the name's own addresses.
                    Some((transport, port)) => {
                        self.tasks.push_back(Task::Addresses {
                            host: self.host.clone(),
                            port,
                            transport,
                            rank: 0,
                        });
                        continue;
                    }
                    None => return Step::Done(self.result()),
                }
            };
            let question = match task {
                Task::Naptr => Question::Naptr(self.host.clone()),
                Task::Srv { name, .. } => Question::Srv(name.clone()),
                Task::Addresses {
                    host,
                    port,
                    transport,
                    rank,
                } => match self.known.iter().find(|(h, _)| h == host) {
                    Some((_, addresses)) => {
                        let (addresses, port, transport, rank) = (addresses.clone(), *port, *transport, *rank);
                        self.tasks.pop_front();
                        self.add(transport, &addresses, port, rank);
                        continue;
                    }
                    None => Question::Addresses(host.clone()),
                },
            };
            if self.asked >= MAX_QUESTIONS {
                self.tasks.clear();
                self.bare = None;
                continue;
            }
            return Step::Ask(question);
        }
    }

    /// The answer to the question that [`Locator::step`] asked. Records of another kind count as none.
    pub fn answer(&mut self, answer: Answer) {
        let Some(task) = self.tasks.pop_front() else {
            return;
        };
        self.asked += 1;
        self.failed |= answer == Answer::Failed;
        match (task, answer) {
            (Task::Naptr, Answer::Naptr(records)) => self.on_naptr(records),
            (Task::Naptr, _) => self.on_naptr(Vec::new()),
            (Task::Srv { transport, .. }, Answer::Srv(records)) => self.on_srv(transport, records),
            (Task::Srv { .. }, _) => {}
            (
                Task::Addresses {
                    host,
                    port,
                    transport,
                    rank,
                },
                answer,
            ) => {
                let addresses = match answer {
                    Answer::Addresses(list) => by_preference(list.into_iter().take(MAX_RECORDS)),
                    _ => Vec::new(),
                };
                self.add(transport, &addresses, port, rank);
                self.known.push((host, addresses));
            }
        }
    }

    /// RFC 3263 §4.1: services that we have, by order and preference (RFC 3403 §4.1). None: SRV of our transports.
    fn on_naptr(&mut self, mut records: Vec<Naptr>) {
        records.sort_by_key(|r| (r.order, r.preference));
        let services: Vec<(String, Transport)> = records
            .into_iter()
            .filter_map(|r| {
                let transport = self.service(&r.service)?;
                let name = r.replacement.trim_end_matches('.').to_ascii_lowercase();
                let terminal = r.flags.eq_ignore_ascii_case("s") && r.regexp.is_empty() && !name.is_empty();
                terminal.then(|| (format!("{name}."), transport))
            })
            .take(MAX_RECORDS)
            .collect();
        if let Some((_, best)) = services.first() {
            self.bare = Some((*best, best.default_port()));
            for (name, transport) in services {
                self.ask_srv(name, transport);
            }
            return;
        }
        // `_sips` is for `sips` URIs alone: TLS for a `sip` URI needs a NAPTR record (§4.1).
        let transports: &[Transport] = if self.secure {
            &[Transport::Tls]
        } else {
            &[Transport::Udp, Transport::Tcp]
        };
        for transport in transports {
            if self.has(*transport) {
                self.ask_srv(srv_name(&self.host, *transport), *transport);
            }
        }
    }

    /// The transport of a NAPTR service that we have.
    fn service(&self, service: &str) -> Option<Transport> {
        let transport = match service.to_ascii_uppercase().as_str() {
            "SIP+D2U" if !self.secure => Transport::Udp,
            "SIP+D2T" if !self.secure => Transport::Tcp,
            "SIPS+D2T" => Transport::Tls,
            _ => return None,
        };
        self.has(transport).then_some(transport)
    }

    fn on_srv(&mut self, transport: Transport, records: Vec<Srv>) {
        if records.is_empty() {
            return;
        }
        self.any_srv = true;
        let nowhere = |r: &Srv| r.target.trim_end_matches('.').is_empty();
        if records.iter().all(nowhere) {
            self.denied = true;
            return;
        }
        let records = records.into_iter().filter(|r| !nowhere(r) && r.port != 0).collect();
        let mut tasks = Vec::new();
        let mut last = None;
        for record in by_weight(records, &mut self.rng).into_iter().take(MAX_RECORDS) {
            let name = record.target.trim_end_matches('.').to_ascii_lowercase();
            if name.len() > MAX_NAME {
                continue;
            }
            if last.is_some_and(|priority| priority != record.priority) {
                self.next_rank = self.next_rank.saturating_add(1);
            }
            last = Some(record.priority);
            tasks.push(Task::Addresses {
                host: format!("{name}."),
                port: record.port,
                transport,
                rank: self.next_rank,
            });
        }
        self.next_rank = self.next_rank.saturating_add(1);
        // Before the next service's SRV.
        for task in tasks.into_iter().rev() {
            self.tasks.push_front(task);
        }
    }

    fn add(&mut self, transport: Transport, addresses: &[IpAddr], port: u16, rank: u8) {
        for ip in addresses {
            let ip = ip.to_canonical();
            let reaches = |m: &Means| m.transport == transport && if ip.is_ipv4() { m.ipv4 } else { m.ipv6 };
            if !self.means.iter().any(reaches) {
                self.foreign = true;
                continue;
            }
            let peer = SocketAddr::new(ip, port);
            let twice = self.places.iter().any(|p| p.transport == transport && p.peer == peer);
            if !order::is_unicast(ip) || port == 0 || twice || self.places.len() >= MAX_TARGETS {
                continue;
            }
            self.places.push(Place { transport, peer, rank });
        }
    }

    fn result(&mut self) -> Result<Located, LocateError> {
        if !self.places.is_empty() {
            return Ok(Located {
                places: std::mem::take(&mut self.places),
                doubtful: self.failed,
            });
        }
        Err(match self.fault {
            Some(fault) => fault,
            None if self.foreign => LocateError::NoFamily,
            None if self.failed => LocateError::NoNameService,
            None if self.denied => LocateError::NotOffered,
            None => LocateError::NoSuchName,
        })
    }
}

/// RFC 3263 §4.1, §4.2.
fn srv_name(host: &str, transport: Transport) -> String {
    let service = match transport {
        Transport::Udp => "_sip._udp",
        Transport::Tcp => "_sip._tcp",
        Transport::Tls => "_sips._tcp",
    };
    format!("{service}.{host}")
}

#[cfg(test)]
mod tests;
