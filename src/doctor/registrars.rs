//! Registrars: does their name lead somewhere, and does somebody answer there.

use std::collections::BTreeMap;
use std::io;
use std::net::{Ipv4Addr, Ipv6Addr, SocketAddr};
use std::time::{Duration, Instant};

use serde_json::Value;
use tokio::net::{TcpStream, UdpSocket};

use super::{Finding, Verdict};
use crate::config::plan::{Plan, Socket};
use crate::daemon;
use crate::sip::agent::{Hop, Transport};
use crate::sip::locate::{Means, Place};

/// For a connection, or an answer.
const PATIENCE: Duration = Duration::from_secs(2);
/// The request is sent anew after this long, three times, whatever else comes (RFC 3261 §17.1.2.2 begins so).
const AGAIN: Duration = Duration::from_millis(500);
/// Most servers of one registrar that are asked.
const MOST: usize = 4;

/// One finding for each hop. What the running program knows counts more than an answer to a stranger.
pub fn registrars(plan: &Plan, status: &dyn Fn(&Socket) -> Option<Value>) -> Vec<Finding> {
    // By name: the hop, and whether all whose way it is are registered.
    let mut hops: BTreeMap<String, (&Hop, bool)> = BTreeMap::new();
    let status = match plan.extensions.iter().all(|extension| extension.registrars.is_empty()) {
        true => return Vec::new(),
        false => status(&plan.control.socket).unwrap_or_default(),
    };
    for extension in &plan.extensions {
        let is_registered = is_registered(&status, &extension.name, extension.registrars.len());
        for registrar in &extension.registrars {
            // The way to a registrar is by its outbound proxies, where it has any.
            let ways = match registrar.proxies.as_slice() {
                [] => std::slice::from_ref(&registrar.hop),
                proxies => proxies,
            };
            for hop in ways {
                hops.entry(name_of(hop)).or_insert((hop, true)).1 &= is_registered;
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
                for (name, (hop, is_registered)) in &hops {
                    let finding = look(name, hop, plan).await;
                    findings.push(match *is_registered {
                        true => all_the_same(finding),
                        false => finding,
                    });
                }
                findings
            });
            runtime.shutdown_background();
            findings
        });
    asked.unwrap_or_else(|error| vec![Finding::new(Verdict::Unknown, "registrars", error.to_string(), "")])
}

/// From the answer to `hornwire status`: at all of its registrars.
pub fn is_registered(status: &Value, extension: &str, registrars: usize) -> bool {
    let all = status
        .get("registrations")
        .and_then(Value::as_array)
        .into_iter()
        .flatten();
    all.filter(|one| one.get("extension").and_then(Value::as_str) == Some(extension))
        .filter_map(|one| one.get("registrars").and_then(Value::as_array))
        .any(|at| at.len() >= registrars)
}

/// A server that answers no stranger may serve those it knows.
pub fn all_the_same(finding: Finding) -> Finding {
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

async fn look(name: &str, hop: &Hop, plan: &Plan) -> Finding {
    let subject = format!("registrar {name}");
    let listens = |transport| plan.sip.listen.iter().any(|(own, _)| *own == transport);
    let means = [Transport::Udp, Transport::Tcp, Transport::Tls].map(|transport| Means {
        transport,
        // By TLS we connect without a socket of our own.
        ipv4: transport == Transport::Tls || listens(transport),
        ipv6: transport == Transport::Tls || listens(transport),
    });
    let places = match daemon::locate(hop, &means).await {
        Ok(places) if !places.is_empty() => places,
        Ok(_) => {
            return Finding::new(
                Verdict::Fault,
                &subject,
                "its name leads to no server",
                "ask who looks after the name service",
            );
        }
        Err(error) => {
            return Finding::new(
                Verdict::Fault,
                &subject,
                format!("is not found: {error}"),
                "cat /etc/resolv.conf: is there a name server, and is it reached? Or write the registrar's address",
            );
        }
    };
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
                    true => Finding::fine(&subject, text),
                    false => Finding::new(
                        Verdict::Look,
                        &subject,
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
        &subject,
        format!("nobody answers: {}", silent.join(", ")),
        "is it the right address and port, is there a way to it (ping, ip route), does a firewall or the phone system's own list keep this board out?",
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
