//! Against a name server of our own on the loopback interface.

use std::cell::Cell;
use std::net::Ipv4Addr;

use hickory_resolver::config::{ConnectionConfig, NameServerConfig};
use hickory_resolver::proto::op::{Message, ResponseCode};
use hickory_resolver::proto::rr::Record;
use hickory_resolver::proto::rr::rdata::{A, CNAME, NAPTR, SRV};
use tokio::net::UdpSocket;

use super::*;
use crate::sip::agent::Transport;

/// A name server: records by name and type, an alias for every type; names that it does not know do not exist.
struct Server {
    port: u16,
    asked: Rc<Cell<usize>>,
    /// Answers every question with this instead.
    failing: Rc<Cell<Option<ResponseCode>>>,
}

fn name(text: &str) -> Name {
    Name::from_ascii(text).unwrap()
}

impl Server {
    async fn start(records: Vec<(&'static str, RData)>) -> Server {
        let socket = UdpSocket::bind((Ipv4Addr::LOCALHOST, 0)).await.unwrap();
        let port = socket.local_addr().unwrap().port();
        let (asked, failing) = (Rc::new(Cell::new(0)), Rc::new(Cell::new(None)));
        let (count, fault) = (asked.clone(), failing.clone());
        tokio::task::spawn_local(async move {
            let mut buffer = [0; 1500];
            while let Ok((length, peer)) = socket.recv_from(&mut buffer).await {
                count.set(count.get() + 1);
                let question = Message::from_vec(&buffer[..length]).unwrap();
                let query = question.queries[0].clone();
                let mut answer = Message::response(question.metadata.id, question.metadata.op_code);
                answer.metadata.recursion_available = true;
                answer.add_query(query.clone());
                let known = |r: &&(&str, RData)| name(r.0).to_lowercase() == query.name().to_lowercase();
                for (_, data) in records.iter().filter(known) {
                    let fits = [query.query_type(), RecordType::CNAME].contains(&data.record_type());
                    if fits && fault.get().is_none() {
                        answer.add_answer(Record::from_rdata(query.name().clone(), 0, data.clone()));
                    }
                }
                answer.metadata.response_code = match fault.get() {
                    Some(code) => code,
                    None if records.iter().any(|r| known(&r)) => ResponseCode::NoError,
                    None => ResponseCode::NXDomain,
                };
                socket.send_to(&answer.to_vec().unwrap(), peer).await.unwrap();
            }
        });
        Server { port, asked, failing }
    }

    fn config(&self) -> ResolverConfig {
        let mut udp = ConnectionConfig::udp();
        udp.port = self.port;
        let server = NameServerConfig::new(Ipv4Addr::LOCALHOST.into(), true, vec![udp]);
        ResolverConfig::from_parts(None, vec![name("office.example.")], vec![server])
    }

    fn names(&self, hosts: &std::path::Path) -> Names {
        let mut system = System::of_files("/nonexistent".into(), hosts.into());
        system.fixed = Some(self.config());
        Names::with(system)
    }
}

fn a(last: u8) -> RData {
    RData::A(A(Ipv4Addr::new(192, 0, 2, last)))
}

fn hop(host: &str) -> Hop {
    Hop {
        host: host.into(),
        port: None,
        transport: None,
        secure: false,
    }
}

fn means() -> Vec<Means> {
    let of = |transport| Means {
        transport,
        ipv4: true,
        ipv6: false,
    };
    [Transport::Udp, Transport::Tcp].map(of).to_vec()
}

/// What the registrations that ask together get.
async fn find(names: &mut Names, host: &str, who: &[u16]) -> Vec<(u16, Found)> {
    let (out, mut results) = tokio::sync::mpsc::channel(8);
    for id in who {
        let out = out.clone();
        names.find(
            &World::System,
            RegistrationId(*id),
            hop(host),
            means(),
            move |id, found| {
                let out = out.clone();
                async move {
                    let _ = out.send((id.0, found)).await;
                }
            },
        );
    }
    drop(out);
    let mut list = Vec::new();
    while list.len() < who.len() {
        let limit = Duration::from_secs(30);
        list.push(tokio::time::timeout(limit, results.recv()).await.unwrap().unwrap());
    }
    list
}

fn show(found: &Found) -> Vec<String> {
    let one = |p: &Place| format!("{} {} {}", p.rank, p.transport.name(), p.peer);
    found.as_ref().unwrap().iter().map(one).collect()
}

fn local(test: impl Future<Output = ()>) {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    tokio::task::LocalSet::new().block_on(&runtime, test);
    runtime.shutdown_background();
}

struct Directory(PathBuf);

impl Directory {
    fn new(test: &str) -> Directory {
        let path = std::env::temp_dir().join(format!("hornwire-names-{test}-{}", std::process::id()));
        std::fs::create_dir_all(&path).unwrap();
        Directory(path)
    }
}

impl Drop for Directory {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// RFC 3263 §4.1 by real packets: NAPTR, SRV, A; who asks together shares one search.
#[test]
fn naptr_srv_and_addresses() {
    local(async {
        let naptr = |order, service: &[u8], to| {
            RData::NAPTR(NAPTR::new(
                order,
                1,
                b"s".as_slice().into(),
                service.into(),
                b"".as_slice().into(),
                name(to),
            ))
        };
        let server = Server::start(vec![
            ("quayside.example.", naptr(2, b"SIP+D2U", "_sip._udp.quayside.example.")),
            ("quayside.example.", naptr(1, b"SIP+D2T", "_sip._tcp.quayside.example.")),
            (
                "_sip._tcp.quayside.example.",
                RData::SRV(SRV::new(5, 0, 5062, name("one.quayside.example."))),
            ),
            (
                "_sip._tcp.quayside.example.",
                RData::SRV(SRV::new(9, 0, 5063, name("two.quayside.example."))),
            ),
            ("one.quayside.example.", a(1)),
            ("two.quayside.example.", a(2)),
        ])
        .await;
        let mut names = server.names("/nonexistent".as_ref());
        let found = find(&mut names, "quayside.example", &[0, 1, 2]).await;
        assert_eq!(found.iter().map(|(id, _)| *id).collect::<Vec<_>>(), [0, 1, 2]);
        for (_, found) in &found {
            assert_eq!(show(found), ["0 TCP 192.0.2.1:5062", "1 TCP 192.0.2.2:5063"]);
        }
        let asked = server.asked.get();
        // NAPTR, two SRV, A and AAAA of two hosts, and what the search list adds; not thrice that.
        assert!(asked <= 16, "{asked} questions");
        // Asked again at once the answer is the same one.
        assert_eq!(show(&find(&mut names, "quayside.example", &[7]).await[0].1).len(), 2);
        assert_eq!(server.asked.get(), asked);
    });
}

/// A plain name is completed by the search list of resolv.conf, for SRV too.
#[test]
fn plain_names() {
    local(async {
        let server = Server::start(vec![
            ("pbx.office.example.", a(3)),
            (
                "_sip._udp.exchange.office.example.",
                RData::SRV(SRV::new(0, 0, 5070, name("pbx.office.example."))),
            ),
        ])
        .await;
        let mut names = server.names("/nonexistent".as_ref());
        assert_eq!(
            show(&find(&mut names, "pbx", &[0]).await[0].1),
            ["0 UDP 192.0.2.3:5060"]
        );
        assert_eq!(
            show(&find(&mut names, "exchange", &[0]).await[0].1),
            ["0 UDP 192.0.2.3:5070"]
        );
        let missing = find(&mut names, "nowhere", &[0]).await.remove(0).1;
        assert_eq!(missing, Err(LocateError::NoSuchName));
    });
}

/// The hosts file goes before every record of a name server, and its changes are noticed.
#[test]
fn hosts_file() {
    local(async {
        let directory = Directory::new("hosts");
        let path = directory.0.join("hosts");
        let server = Server::start(vec![
            ("pbx.example.", a(3)),
            (
                "_sip._udp.pbx.example.",
                RData::SRV(SRV::new(0, 0, 5070, name("pbx.example."))),
            ),
        ])
        .await;
        std::fs::write(&path, "192.0.2.77 PBX.example # the new one\n").unwrap();
        let mut names = server.names(&path);
        assert_eq!(
            show(&find(&mut names, "pbx.example", &[0]).await[0].1),
            ["0 UDP 192.0.2.77:5060"]
        );
        assert_eq!(server.asked.get(), 0);
        assert_eq!(
            show(&find(&mut names, "localhost", &[0]).await[0].1),
            ["0 UDP 127.0.0.1:5060"]
        );
        std::fs::write(&path, "").unwrap();
        names.hops.clear();
        assert_eq!(
            show(&find(&mut names, "pbx.example", &[0]).await[0].1),
            ["0 UDP 192.0.2.3:5070"]
        );
    });
}

/// A name server that fails, or is not there, does not undo what it said before; and is told apart from a name that
/// does not exist.
#[test]
fn name_server_down() {
    local(async {
        let server = Server::start(vec![
            (
                "_sip._udp.pbx.example.",
                RData::SRV(SRV::new(0, 0, 5070, name("pbx.example."))),
            ),
            ("pbx.example.", a(3)),
        ])
        .await;
        let mut names = server.names("/nonexistent".as_ref());
        server.failing.set(Some(ResponseCode::ServFail));
        let failed = find(&mut names, "pbx.example", &[0]).await.remove(0).1;
        assert_eq!(failed, Err(LocateError::NoNameService));
        server.failing.set(None);
        let forget = |names: &Names| names.hops.values().for_each(|e| e.borrow_mut().last = None);
        forget(&names);
        assert_eq!(
            show(&find(&mut names, "pbx.example", &[0]).await[0].1),
            ["0 UDP 192.0.2.3:5070"]
        );
        server.failing.set(Some(ResponseCode::Refused));
        forget(&names);
        assert_eq!(
            show(&find(&mut names, "pbx.example", &[0]).await[0].1),
            ["0 UDP 192.0.2.3:5070"]
        );
    });
}

/// No resolv.conf at the start, one later, another one after that.
#[test]
fn late_network() {
    local(async {
        let directory = Directory::new("late");
        let path = directory.0.join("resolv.conf");
        let system = System::of_files(path.clone(), "/nonexistent".into());
        assert!(system.resolver().await.dns.is_none());
        std::fs::write(&path, "nameserver 127.0.0.1\nsearch office.example\n").unwrap();
        let one = system.resolver().await;
        assert!(one.dns.is_some());
        assert!(one.files == system.resolver().await.files);
        std::fs::write(&path, "# by hand\n\x00nonsense\nnameserver 127.0.0.2\n").unwrap();
        let two = system.resolver().await;
        assert!(two.dns.is_some() && two.files != one.files);
        std::fs::remove_file(&path).unwrap();
        assert!(system.resolver().await.dns.is_none());
    });
}

/// Aliases that lead to themselves, in a ring or nowhere, and services that name one another: each search ends, and
/// with few questions (the resolver follows at most eight aliases).
#[test]
fn records_that_loop() {
    local(async {
        let alias = |to| RData::CNAME(CNAME(name(to)));
        let srv = |to| RData::SRV(SRV::new(0, 0, 5060, name(to)));
        let server = Server::start(vec![
            ("self.example.", alias("self.example.")),
            ("one.example.", alias("two.example.")),
            ("two.example.", alias("three.example.")),
            ("three.example.", alias("one.example.")),
            ("gone.example.", alias("nowhere.example.")),
            ("_sip._udp.ring.example.", srv("_sip._udp.ring.example.")),
            ("_sip._tcp.ring.example.", srv("_sip._udp.ring.example.")),
            ("_sip._udp.alias.example.", alias("_sip._udp.alias.example.")),
            ("alias.example.", a(6)),
            ("_sip._udp.deep.example.", srv("one.example.")),
            ("_sip._udp.deep.example.", srv("pbx.example.")),
            ("pbx.example.", alias("real.example.")),
            ("real.example.", a(4)),
        ])
        .await;
        for (host, expected) in [
            ("self.example", None),
            ("one.example", None),
            ("gone.example", None),
            ("ring.example", None),
            ("alias.example", Some("0 UDP 192.0.2.6:5060")),
            ("deep.example", Some("0 UDP 192.0.2.4:5060")),
            ("pbx.example", Some("0 UDP 192.0.2.4:5060")),
        ] {
            let mut names = server.names("/nonexistent".as_ref());
            let before = server.asked.get();
            let found = find(&mut names, host, &[0]).await.remove(0).1;
            let asked = server.asked.get() - before;
            match expected {
                Some(place) => assert_eq!(show(&found), [place], "{host}"),
                None => assert!(found.is_err(), "{host}: {found:?}"),
            }
            assert!(asked <= 48, "{host}: {asked} questions");
        }
    });
}

#[test]
fn owners_of_service_names() {
    for (service, host) in [
        ("_sip._udp.pbx.example", "pbx.example"),
        ("_sips._tcp.pbx", "pbx"),
        ("pbx.example.", "pbx.example."),
        ("_sip", "_sip"),
    ] {
        assert_eq!(owner(service), host);
    }
}
