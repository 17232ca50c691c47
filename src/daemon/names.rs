//! Name resolution for [`crate::sip::locate`]: the system's name servers, `/etc/hosts`, and the system's own resolver
//! behind them.
//!
//! The files are read again before each search, off the control task, so a network that comes late or changes is
//! noticed. One search serves all who ask for the same hop, few run at once, and each ends in bounded time.

use std::cell::RefCell;
use std::collections::HashMap;
use std::net::{IpAddr, SocketAddr, ToSocketAddrs as _};
use std::path::PathBuf;
use std::rc::Rc;
use std::sync::Arc;
use std::time::{Duration, Instant};

use hickory_resolver::config::{LookupIpStrategy, ResolveHosts, ResolverConfig, ResolverOpts};
use hickory_resolver::net::NetError;
use hickory_resolver::net::runtime::TokioRuntimeProvider;
use hickory_resolver::proto::op::Query;
use hickory_resolver::proto::rr::{Name, RData, RecordType};
use hickory_resolver::{Hosts, TokioResolver, system_conf};
use tokio::sync::Semaphore;

use crate::device::net::{SimulatedNetwork, World};
use crate::sip::agent::{Hop, RegistrationId, Transport};
use crate::sip::locate::{Answer, LocateError, Located, Locator, Means, Naptr, Place, Question, Srv, Step};

/// Searches at once.
const MAX_SEARCHES: usize = 4;
/// Calls of the system's resolver at once; each may keep its thread for as long as the system likes.
const MAX_SYSTEM: usize = 2;
/// One search, then what is there counts.
const SEARCH_LIMIT: Duration = Duration::from_secs(20);
/// One question, by one resolver.
const QUESTION_LIMIT: Duration = Duration::from_secs(4);
/// One packet to one name server.
const PACKET_LIMIT: Duration = Duration::from_millis(1500);
const ATTEMPTS: usize = 2;
/// Another who asks so soon gets the same answer.
const SHARE_FOR: Duration = Duration::from_secs(5);
/// Largest resolv.conf or hosts file that is read.
const MAX_FILE: u64 = 1 << 20;

/// What one search gives to each who asked.
pub type Found = Result<Vec<Place>, LocateError>;

/// The name service.
pub struct Names {
    system: Rc<System>,
    searches: Rc<Semaphore>,
    hops: HashMap<Hop, Rc<RefCell<Entry>>>,
}

/// One hop; there are as many as the configuration and redirects of the last minute name.
#[derive(Default)]
struct Entry {
    waiting: Vec<RegistrationId>,
    last: Option<(Instant, Found)>,
    /// The last answer that was whole.
    sure: Option<Vec<Place>>,
}

/// Hops remembered; beyond it those that nobody waits for are forgotten.
const MAX_HOPS: usize = 64;

impl Names {
    pub fn new() -> Self {
        Self::with(System::of_files("/etc/resolv.conf".into(), "/etc/hosts".into()))
    }

    fn with(system: System) -> Self {
        Names {
            system: Rc::new(system),
            searches: Rc::new(Semaphore::new(MAX_SEARCHES)),
            hops: HashMap::new(),
        }
    }

    /// Finds where a hop is, by these transports of ours; `done` gets the result for each registration that asked
    /// meanwhile. Must be called inside a `LocalSet`.
    pub fn find<F, D>(&mut self, world: &World, registration: RegistrationId, hop: Hop, means: Vec<Means>, done: D)
    where
        F: Future<Output = ()>,
        D: Fn(RegistrationId, Found) -> F + 'static,
    {
        if self.hops.len() >= MAX_HOPS && !self.hops.contains_key(&hop) {
            self.hops.retain(|_, entry| !entry.borrow().waiting.is_empty());
        }
        let entry = self.hops.entry(hop.clone()).or_default().clone();
        let mut open = entry.borrow_mut();
        let is_searching = !open.waiting.is_empty();
        if !open.waiting.contains(&registration) {
            open.waiting.push(registration);
        }
        if is_searching {
            return;
        }
        let recent = open.last.as_ref().filter(|(at, _)| at.elapsed() < SHARE_FOR);
        let recent = recent.map(|(_, found)| found.clone());
        let (system, searches, shared) = (self.system.clone(), self.searches.clone(), entry.clone());
        let simulated = match world {
            World::System => None,
            World::Simulated(network) => Some(place(network, &hop)),
        };
        tokio::task::spawn_local(async move {
            let found = match recent.or(simulated) {
                Some(found) => found,
                None => {
                    let _permit = searches.acquire().await;
                    let result = search(&system, &hop, &means).await;
                    shared.borrow_mut().take(result)
                }
            };
            let waiting = std::mem::take(&mut shared.borrow_mut().waiting);
            for registration in waiting {
                done(registration, found.clone()).await;
            }
        });
    }
}

/// Finds where a hop is, once, by these transports.
///
/// # Errors
/// When it is nowhere, or the name service cannot be had.
pub async fn locate(hop: &Hop, means: &[Means]) -> Found {
    let system = System::of_files("/etc/resolv.conf".into(), "/etc/hosts".into());
    search(&system, hop, means).await.map(|located| located.places)
}

/// What the name service of a simulated network knows.
fn place(network: &SimulatedNetwork, hop: &Hop) -> Found {
    let port = hop.port.unwrap_or(5060);
    let written = hop.host.parse().ok().map(|ip: IpAddr| SocketAddr::new(ip, port));
    let peers = match &written {
        Some(written) => std::slice::from_ref(written),
        None => network.places(&hop.host),
    };
    if peers.is_empty() {
        return Err(LocateError::NoSuchName);
    }
    let place = |peer: &SocketAddr| Place {
        transport: Transport::Udp,
        peer: *peer,
        rank: 0,
    };
    Ok(peers.iter().map(place).collect())
}

impl Entry {
    /// A doubtful result does not take the place of a sure one.
    fn take(&mut self, result: Result<Located, LocateError>) -> Found {
        let found = match (result, &self.sure) {
            (Ok(located), Some(sure)) if located.doubtful => Ok(sure.clone()),
            (Err(LocateError::NoNameService), Some(sure)) => Ok(sure.clone()),
            (Ok(located), _) => {
                if !located.doubtful {
                    self.sure = Some(located.places.clone());
                }
                Ok(located.places)
            }
            (Err(e), _) => Err(e),
        };
        self.last = Some((Instant::now(), found.clone()));
        found
    }
}

async fn search(system: &System, hop: &Hop, means: &[Means]) -> Result<Located, LocateError> {
    let deadline = tokio::time::Instant::now() + SEARCH_LIMIT;
    let mut locator = Locator::new(hop, means, rand::random());
    let mut resolver = None;
    loop {
        match locator.step() {
            Step::Done(result) => return result,
            Step::Ask(question) => {
                let ask = async {
                    if resolver.is_none() {
                        resolver = Some(system.resolver().await);
                    }
                    match &resolver {
                        Some(current) => system.ask(current, &question).await,
                        None => Answer::Failed,
                    }
                };
                // After the deadline every question fails at once, and the search ends with what it has.
                let answer = tokio::time::timeout_at(deadline, ask).await;
                locator.answer(answer.unwrap_or(Answer::Failed));
            }
        }
    }
}

/// The files that say how names are resolved, as they were last read.
#[derive(Default, PartialEq, Clone)]
struct Files {
    resolv: Vec<u8>,
    hosts: Vec<u8>,
}

/// What the files make.
#[derive(Clone, Default)]
struct Current {
    files: Files,
    hosts: Arc<Hosts>,
    /// `None`: no name server is named.
    dns: Option<TokioResolver>,
}

struct System {
    resolv: PathBuf,
    hosts: PathBuf,
    /// In the place of what the file says.
    fixed: Option<ResolverConfig>,
    current: RefCell<Option<Current>>,
    threads: Arc<Semaphore>,
}

impl System {
    fn of_files(resolv: PathBuf, hosts: PathBuf) -> Self {
        System {
            resolv,
            hosts,
            fixed: None,
            current: RefCell::new(None),
            threads: Arc::new(Semaphore::new(MAX_SYSTEM)),
        }
    }

    /// Made anew when the files have changed.
    async fn resolver(&self) -> Current {
        let (resolv, hosts) = (self.resolv.clone(), self.hosts.clone());
        let read = tokio::task::spawn_blocking(move || Files {
            resolv: read(&resolv),
            hosts: read(&hosts),
        });
        let files = read.await.unwrap_or_default();
        if let Some(current) = self.current.borrow().as_ref().filter(|c| c.files == files) {
            return current.clone();
        }
        let mut hosts = Hosts::default();
        // What can be read of it counts.
        let _ = hosts.read_hosts_conf(files.hosts.as_slice());
        let dns = match &self.fixed {
            Some(config) => build(config.clone(), ResolverOpts::default()),
            None => system_conf::parse_resolv_conf(&files.resolv)
                .ok()
                .and_then(|(config, options)| build(config, options)),
        };
        let current = Current {
            files,
            hosts: Arc::new(hosts),
            dns,
        };
        *self.current.borrow_mut() = Some(current.clone());
        current
    }

    async fn ask(&self, current: &Current, question: &Question) -> Answer {
        let host = match question {
            Question::Srv(name) => owner(name),
            Question::Naptr(name) | Question::Addresses(name) => name,
        };
        let listed = listed(&current.hosts, host);
        if !listed.is_empty() {
            // The hosts file says where it is: no record of a name server counts beside it.
            return match question {
                Question::Addresses(_) => Answer::Addresses(listed),
                Question::Naptr(_) | Question::Srv(_) => Answer::Nothing,
            };
        }
        let limited = tokio::time::timeout(QUESTION_LIMIT, by_dns(current.dns.as_ref(), question));
        let answer = limited.await.unwrap_or(Answer::Failed);
        match (question, &answer) {
            (Question::Addresses(name), Answer::Nothing | Answer::Failed) if self.fixed.is_none() => {
                self.by_system(name).await.unwrap_or(answer)
            }
            _ => answer,
        }
    }

    /// Whatever else the system knows, multicast DNS for one. `None`: it knows no more.
    async fn by_system(&self, name: &str) -> Option<Answer> {
        let permit = self.threads.clone().try_acquire_owned().ok()?;
        let name = name.to_owned();
        let asked = tokio::task::spawn_blocking(move || {
            let found = (name.as_str(), 0).to_socket_addrs();
            drop(permit);
            found.map(|list| list.map(|a| a.ip()).collect::<Vec<IpAddr>>())
        });
        let found = tokio::time::timeout(QUESTION_LIMIT, asked).await.ok()?.ok()?.ok()?;
        (!found.is_empty()).then_some(Answer::Addresses(found))
    }
}

fn read(path: &std::path::Path) -> Vec<u8> {
    use std::io::Read as _;
    let mut out = Vec::new();
    if let Ok(file) = std::fs::File::open(path) {
        // What can be read counts.
        let _ = file.take(MAX_FILE).read_to_end(&mut out);
    }
    out
}

fn build(config: ResolverConfig, mut options: ResolverOpts) -> Option<TokioResolver> {
    options.timeout = options.timeout.min(PACKET_LIMIT);
    options.attempts = options.attempts.min(ATTEMPTS);
    options.ip_strategy = LookupIpStrategy::Ipv4AndIpv6;
    // The hosts file is looked at before.
    options.use_hosts_file = ResolveHosts::Never;
    let mut builder = TokioResolver::builder_with_config(config, TokioRuntimeProvider::default());
    *builder.options_mut() = options;
    builder.build().ok()
}

/// The domain that `_sip._udp.domain` belongs to.
fn owner(name: &str) -> &str {
    let mut rest = name;
    while let Some((label, behind)) = rest.split_once('.')
        && label.starts_with('_')
    {
        rest = behind;
    }
    rest
}

/// What the hosts file, or RFC 6761 §6.3 for localhost, says.
fn listed(hosts: &Hosts, host: &str) -> Vec<IpAddr> {
    let plain = host.trim_end_matches('.').to_ascii_lowercase();
    let Ok(name) = Name::from_ascii(&plain) else {
        return Vec::new();
    };
    let mut out = Vec::new();
    for kind in [RecordType::AAAA, RecordType::A] {
        let lookup = hosts.lookup_static_host(&Query::query(name.clone(), kind));
        out.extend(lookup.iter().flat_map(|l| l.answers()).filter_map(|r| r.data.ip_addr()));
    }
    if out.is_empty() && (plain == "localhost" || plain.ends_with(".localhost")) {
        out.extend([
            IpAddr::from([127, 0, 0, 1]),
            IpAddr::from(std::net::Ipv6Addr::LOCALHOST),
        ]);
    }
    out
}

async fn by_dns(dns: Option<&TokioResolver>, question: &Question) -> Answer {
    let Some(dns) = dns else {
        return Answer::Failed;
    };
    let Ok(name) = Name::from_ascii(question.name()) else {
        return Answer::Nothing;
    };
    let none = |e: NetError| {
        if e.is_no_records_found() {
            Answer::Nothing
        } else {
            Answer::Failed
        }
    };
    let text = |octets: &[u8]| String::from_utf8_lossy(octets).into_owned();
    match question {
        Question::Addresses(_) => match dns.lookup_ip(name).await {
            Ok(found) => Answer::Addresses(found.iter().collect()),
            Err(e) => none(e),
        },
        Question::Naptr(_) => match dns.lookup(name, RecordType::NAPTR).await {
            Ok(found) => Answer::Naptr(
                found
                    .answers()
                    .iter()
                    .filter_map(|r| match &r.data {
                        RData::NAPTR(n) => Some(Naptr {
                            order: n.order,
                            preference: n.preference,
                            flags: text(&n.flags),
                            service: text(&n.services),
                            regexp: text(&n.regexp),
                            replacement: n.replacement.to_ascii(),
                        }),
                        _ => None,
                    })
                    .collect(),
            ),
            Err(e) => none(e),
        },
        Question::Srv(_) => match dns.lookup(name, RecordType::SRV).await {
            Ok(found) => Answer::Srv(
                found
                    .answers()
                    .iter()
                    .filter_map(|r| match &r.data {
                        RData::SRV(s) => Some(Srv {
                            priority: s.priority,
                            weight: s.weight,
                            port: s.port,
                            target: s.target.to_ascii(),
                        }),
                        _ => None,
                    })
                    .collect(),
            ),
            Err(e) => none(e),
        },
    }
}

#[cfg(test)]
mod tests;
