//! Registrars: does their name lead somewhere, and does somebody answer there.

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::time::{Duration, Instant};

use tokio::net::{TcpStream, UdpSocket};

use super::{Finding, Verdict};
use crate::config::plan::Plan;
use crate::daemon;
use crate::device::net::own_addresses;
use crate::report::status::Status;
use crate::sip::agent::{Hop, Transport};
use crate::sip::locate::{Means, Place};

/// For a connection, or an answer.
const PATIENCE: Duration = Duration::from_secs(2);
/// The request is sent anew after this long, three times, whatever else comes (RFC 3261 §17.1.2.2 begins so).
const AGAIN: Duration = Duration::from_millis(500);
/// Most servers of one registrar that are asked.
const MOST: usize = 4;

/// How a hop is to those whose way to a registrar it is, by the running program.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Standing {
    Registered,
    /// The last cause.
    Refused(String),
    /// It has not come so far.
    Waits,
    /// Nobody was asked, or who was asked has no such extension.
    Unknown,
}

/// The extensions whose way it is.
type Standings<'a> = Vec<(&'a str, Standing)>;

/// What an answer to a stranger's question shows.
pub struct Probe {
    pub finding: Finding,
    /// The address is one of our own.
    pub is_own: bool,
}

/// Findings for each hop. What the running program knows counts more than an answer to a stranger. `status`: its answer
/// to `hornwire status`.
pub fn registrars(plan: &Plan, status: Option<&Status>) -> Vec<Finding> {
    // By name.
    let mut hops: BTreeMap<String, (&Hop, Standings)> = BTreeMap::new();
    for extension in &plan.extensions {
        for registrar in &extension.registrars {
            let host = &registrar.hop.host;
            // The way to a registrar is by its outbound proxies, where it has any.
            let ways: Vec<(&Hop, String)> = match registrar.proxies.as_slice() {
                [] => vec![(&registrar.hop, host.clone())],
                proxies => proxies
                    .iter()
                    .map(|proxy| (proxy, format!("{host} by {}", proxy.host)))
                    .collect(),
            };
            for (hop, called) in ways {
                let standing = standing(status, &extension.name, &called);
                let (_, standings) = hops.entry(name_of(hop)).or_insert((hop, Vec::new()));
                standings.push((&extension.name, standing));
            }
        }
    }
    let asked = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map(|runtime| {
            let local = tokio::task::LocalSet::new();
            let findings = local.block_on(&runtime, async {
                let mut findings = Vec::new();
                for (name, (hop, standings)) in &hops {
                    findings.extend(judge(look(name, hop, plan).await, standings));
                }
                findings
            });
            runtime.shutdown_background();
            findings
        });
    asked.unwrap_or_else(|error| vec![Finding::new(Verdict::Unknown, "registrars", error.to_string(), "")])
}

/// From the answer to `hornwire status`. `registrar`: as the running program calls it.
pub fn standing(status: Option<&Status>, extension: &str, registrar: &str) -> Standing {
    let mut all = status.into_iter().flat_map(|status| &status.registrations);
    let Some(own) = all.find(|one| one.extension == extension) else {
        return Standing::Unknown;
    };
    if own.registrars.iter().any(|at| at == registrar) {
        return Standing::Registered;
    }
    match own.refusals.iter().find(|(at, _)| at == registrar) {
        Some((_, cause)) => Standing::Refused(cause.clone()),
        None => Standing::Waits,
    }
}

/// Puts together what a stranger and what the running program was told.
pub fn judge(probe: Probe, standings: &[(&str, Standing)]) -> Vec<Finding> {
    let Probe { finding, is_own } = probe;
    if is_own {
        return vec![finding];
    }
    let refused: Vec<Finding> = standings
        .iter()
        .filter_map(|(extension, standing)| match standing {
            Standing::Refused(cause) => Some(refusal(&finding, extension, cause)),
            _ => None,
        })
        .collect();
    if !refused.is_empty() {
        return refused;
    }
    let waits: Vec<&str> = standings
        .iter()
        .filter(|(_, standing)| *standing == Standing::Waits)
        .map(|(extension, _)| *extension)
        .collect();
    if !waits.is_empty() && finding.verdict != Verdict::Fault {
        let text = format!("{}; not yet registered there: {}", finding.text, waits.join(", "));
        let todo = "run the doctor again in a minute: the running gateway has no answer so far";
        return vec![Finding::new(Verdict::Look, &finding.subject, text, todo)];
    }
    let is_registered = |(_, standing): &(&str, Standing)| *standing == Standing::Registered;
    vec![match standings.iter().all(is_registered) {
        true => all_the_same(finding),
        false => finding,
    }]
}

/// An extension that the running program cannot register, by the cause that it has.
fn refusal(probe: &Finding, extension: &str, cause: &str) -> Finding {
    let text = format!("extension {extension} is not registered: {cause}");
    let is_silent = ["does not answer", "cannot be reached"]
        .iter()
        .any(|end| cause.ends_with(end));
    let (text, todo) = match (is_silent, probe.verdict) {
        // Where its name leads nowhere, or nobody answers at all, the look from outside says more.
        (true, Verdict::Fault) => (format!("{text}; {}", probe.text), probe.todo.as_str()),
        (true, _) => (
            format!("{text}; yet it {}", probe.text),
            "it answers others, and not registrations: does it know this board's address, is a transport named that it does not serve?",
        ),
        (false, _) => (text, advice(cause)),
    };
    Finding::new(Verdict::Fault, &probe.subject, text, todo)
}

/// The registrar has answered: no firewall, no address is to blame.
fn advice(cause: &str) -> &'static str {
    if cause.contains("name or password") {
        "compare `user`, `auth_user` and the secret's line with the phone system's account; then: sudo systemctl restart hornwire"
    } else if cause.contains("a password is asked for") {
        "give the extension a `secret`"
    } else if cause.starts_with("403") {
        "it answers, and refuses: may this user register, and from this board's address? The phone system's own log says why"
    } else if cause.starts_with("404") {
        "it answers, and does not know this `user`: is the account made there?"
    } else {
        "the cause is the running gateway's own; the phone system's log may say more"
    }
}

/// A server that answers no stranger may serve those it knows.
fn all_the_same(finding: Finding) -> Finding {
    match finding.verdict {
        Verdict::Fault => Finding::new(
            Verdict::Look,
            &finding.subject,
            format!("{}; the gateway is registered all the same", finding.text),
            "none, if it is by design that it answers no requests but calls and registrations",
        ),
        _ => finding,
    }
}

/// `pbx.quayside.example:5061 by TLS`.
fn name_of(hop: &Hop) -> String {
    let port = hop.port.map(|port| format!(":{port}")).unwrap_or_default();
    let by = if hop.is_encrypted() { " by TLS" } else { "" };
    format!("{}{port}{by}", hop.host)
}

async fn look(name: &str, hop: &Hop, plan: &Plan) -> Probe {
    let subject = format!("registrar {name}");
    let listens = |transport| plan.sip.listen.iter().any(|(own, _)| *own == transport);
    let means = [Transport::Udp, Transport::Tcp, Transport::Tls].map(|transport| Means {
        transport,
        // By TLS we connect without a socket of our own.
        ipv4: transport == Transport::Tls || listens(transport),
        ipv6: transport == Transport::Tls || listens(transport),
    });
    let probe = |finding| Probe { finding, is_own: false };
    let places = match daemon::locate(hop, &means).await {
        Ok(places) if !places.is_empty() => places,
        Ok(_) => {
            return probe(Finding::new(
                Verdict::Fault,
                &subject,
                "its name leads to no server",
                "ask who looks after the name service",
            ));
        }
        Err(error) => {
            return probe(Finding::new(
                Verdict::Fault,
                &subject,
                format!("is not found: {error}"),
                "cat /etc/resolv.conf: is there a name server, and is it reached? Or write the registrar's address",
            ));
        }
    };
    let own = own_addresses();
    if let Some(place) = places.iter().find(|place| is_own(place, plan, &own)) {
        let finding = Finding::new(
            Verdict::Fault,
            &subject,
            format!(
                "leads to {} by {}: that is this gateway itself",
                place.peer,
                place.transport.name()
            ),
            "write the phone system's address. If it runs on this machine too, one of the two needs another port: `listen` in [sip]",
        );
        return Probe { finding, is_own: true };
    }
    probe(ask(&subject, &places).await)
}

/// One of the addresses where the gateway itself listens, or that it goes by behind a translation. `own`: this machine's.
pub fn is_own(place: &Place, plan: &Plan, own: &BTreeSet<IpAddr>) -> bool {
    let ip = place.peer.ip().to_canonical();
    plan.sip.listen.iter().any(|(transport, listen)| {
        let is_heard = match listen.ip().is_unspecified() {
            true => listen.is_ipv4() == ip.is_ipv4() && (ip.is_loopback() || ip.is_unspecified() || own.contains(&ip)),
            false => listen.ip() == ip,
        };
        let is_ours = is_heard || plan.sip.advertise == Some(ip);
        *transport == place.transport && listen.port() == place.peer.port() && is_ours
    })
}

async fn ask(subject: &str, places: &[Place]) -> Finding {
    let mut silent = Vec::new();
    for place in places.iter().take(MOST) {
        let began = Instant::now();
        match answers(place).await {
            Ok(how) => {
                let text = format!(
                    "{how} from {} by {}, after {} ms",
                    place.peer,
                    place.transport.name(),
                    began.elapsed().as_millis()
                );
                return match silent.is_empty() {
                    true => Finding::fine(subject, text),
                    false => Finding::new(
                        Verdict::Look,
                        subject,
                        format!("{text}; not from {}", silent.join(", ")),
                        "it has several servers, and not all answer",
                    ),
                };
            }
            Err(cause) => silent.push(format!("{} by {} ({cause})", place.peer, place.transport.name())),
        }
    }
    Finding::new(
        Verdict::Fault,
        subject,
        format!("nobody answers: {}", silent.join(", ")),
        "is it the right address and port, is there a way to it (ping, ip route), does a firewall or the phone system's own list keep this board out? \
         Some answer registrations only: the doctor knows more while the gateway runs",
    )
}

/// How it answers.
async fn answers(place: &Place) -> io::Result<&'static str> {
    match place.transport {
        Transport::Udp => options(place.peer).await,
        Transport::Tcp | Transport::Tls => {
            tokio::time::timeout(PATIENCE, TcpStream::connect(place.peer))
                .await
                .map_err(|_| late())??;
            Ok("takes connections")
        }
    }
}

fn late() -> io::Error {
    io::Error::new(io::ErrorKind::TimedOut, "no answer")
}

/// Sends OPTIONS; any response is an answer.
async fn options(peer: SocketAddr) -> io::Result<&'static str> {
    let any: SocketAddr = match peer.is_ipv4() {
        true => (Ipv4Addr::UNSPECIFIED, 0).into(),
        false => (Ipv6Addr::UNSPECIFIED, 0).into(),
    };
    let socket = UdpSocket::bind(any).await?;
    socket.connect(peer).await?;
    let own = socket.local_addr()?;
    let mark: u64 = rand::random();
    let request = format!(
        "OPTIONS sip:{peer} SIP/2.0\r\nVia: SIP/2.0/UDP {own};branch=z9hG4bK{mark:016x};rport\r\nMax-Forwards: 70\r\nFrom: <sip:doctor@{own}>;tag={mark:x}\r\n\
         To: <sip:{peer}>\r\nCall-ID: {mark:016x}@{}\r\nCSeq: 1 OPTIONS\r\nContact: <sip:doctor@{own}>\r\nAccept: application/sdp\r\nContent-Length: 0\r\n\r\n",
        own.ip()
    );
    let mut buffer = [0; 2048];
    let by = tokio::time::Instant::now() + PATIENCE;
    let mut next = tokio::time::Instant::now();
    while next < by {
        socket.send(request.as_bytes()).await?;
        next += AGAIN;
        // Whatever else comes meanwhile asks for nothing.
        while let Ok(received) = tokio::time::timeout_at(next, socket.recv(&mut buffer)).await {
            if buffer[..received?].starts_with(b"SIP/2.0 ") {
                return Ok("answers");
            }
        }
    }
    Err(late())
}
