//! Listening addresses: has the gateway got them, or could it have them; and what else it says that it misses.

use std::io::{self, ErrorKind};
use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use super::system::Service;
use super::{Finding, Verdict};
use crate::config::plan::{Plan, Socket};
use crate::device::net;
use crate::report::status::Status;
use crate::sip::agent::Transport;

/// A service that is started again and again has its own addresses for moments.
const TRIES: u32 = 4;
const BETWEEN: Duration = Duration::from_millis(400);

/// Of a gateway that does not run: each address is bound as it would do it, and left at once.
pub fn free(plan: &Plan, service: &Service) -> Vec<Finding> {
    let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else {
        return Vec::new();
    };
    let _inside = runtime.enter();
    let own = net::own_addresses();
    let tries = if service.is_between_starts() { TRIES } else { 1 };
    let wanted = plan.sip.listen.iter().map(|(transport, address)| {
        let subject = format!("listening address {address} ({})", transport.name());
        (subject, *transport, *address)
    });
    let metrics = plan.metrics.as_ref().map(|metrics| {
        let subject = format!("metrics address {} (TCP)", metrics.listen);
        (subject, Transport::Tcp, metrics.listen)
    });
    let wanted = wanted.chain(metrics);
    wanted
        .map(|(subject, transport, address)| {
            let mut bound = bind(transport, address);
            for _ in 1..tries {
                if !matches!(&bound, Err(error) if error.kind() == ErrorKind::AddrInUse) {
                    break;
                }
                std::thread::sleep(BETWEEN);
                bound = bind(transport, address);
            }
            let is_here = address.ip().is_unspecified() || address.ip().is_loopback() || own.contains(&address.ip());
            judge(&subject, address, bound, is_here)
        })
        .collect()
}

fn bind(transport: Transport, address: SocketAddr) -> io::Result<()> {
    match transport {
        Transport::Udp => net::sip_udp(address).map(drop),
        Transport::Tcp | Transport::Tls => net::tcp_listener(address).map(drop),
    }
}

/// `is_here`: this machine has the address.
pub fn judge(subject: &str, address: SocketAddr, bound: io::Result<()>, is_here: bool) -> Finding {
    match bound {
        Ok(()) if is_here => Finding::fine(subject, "is free"),
        Ok(()) => not_here(Verdict::Look, subject),
        Err(error) if error.kind() == ErrorKind::AddrInUse => {
            Finding::new(Verdict::Fault, subject, "another program has it", who_has(address))
        }
        Err(error) if error.kind() == ErrorKind::PermissionDenied => Finding::new(
            Verdict::Unknown,
            subject,
            "this user may not try it: ports below 1024 are for root",
            "the service's user may not have it either: take a higher port",
        ),
        Err(error) => Finding::new(Verdict::Fault, subject, error.to_string(), ""),
    }
}

fn who_has(address: SocketAddr) -> String {
    let port = address.port();
    format!("sudo ss -lntup | grep ':{port} ' shows which; stop it, or take another address")
}

fn not_here(verdict: Verdict, subject: &str) -> Finding {
    Finding::new(
        verdict,
        subject,
        "this machine has no such address now; the gateway waits for it",
        "ip -brief address lists those that there are: is the cable in, has the lease changed?",
    )
}

/// What a running gateway says of itself, where `others` have not found the same. `status`: the answer to `hornwire status`.
pub fn told(plan: &Plan, service: &Service, status: Option<&Status>, others: &[Finding]) -> Vec<Finding> {
    let Some(status) = status else {
        return match (service.runs(), &plan.control.socket) {
            (false, _) | (true, Socket::None) => Vec::new(),
            (true, _) => vec![Finding::new(
                Verdict::Unknown,
                "gateway",
                "runs, and does not tell its status",
                "run the doctor as root; if it is, does the gateway run with this config? sudo systemctl restart hornwire",
            )],
        };
    };
    let mut findings = Vec::new();
    if service.is_installed() && !service.runs() {
        findings.push(Finding::new(
            Verdict::Look,
            "gateway",
            "runs, but not as the service",
            "whoever has started it must start it again after a restart of the machine",
        ));
    }
    let is_known = |missing: &str| {
        let mut faults = others.iter().filter(|finding| finding.verdict == Verdict::Fault);
        faults.any(|finding| finding.subject == missing)
    };
    for missing in &status.missing {
        match missing.strip_prefix("listening address ") {
            Some(address) if address.parse::<IpAddr>().is_ok() => findings.push(not_here(Verdict::Fault, missing)),
            // Its registrars have findings of their own.
            _ if missing.starts_with("registration of ") || is_known(missing) => {}
            _ => findings.push(Finding::new(
                Verdict::Fault,
                missing,
                "the running gateway misses it",
                "sudo journalctl -u hornwire -x says since when, and why",
            )),
        }
    }
    if let Some(metrics) = &plan.metrics {
        let subject = format!("metrics address {}", metrics.listen);
        let told = status.metrics.as_ref();
        let is_served = told
            .filter(|told| told.address == metrics.listen.to_string())
            .map(|told| told.is_served);
        findings.push(match is_served {
            Some(true) => Finding::fine(&subject, "is served"),
            Some(false) => Finding::new(
                Verdict::Look,
                &subject,
                "is not served: probably another program has it",
                who_has(metrics.listen),
            ),
            None => Finding::new(
                Verdict::Look,
                &subject,
                "the running gateway knows nothing of it: the config is newer",
                "sudo systemctl reload hornwire; hornwire status tells what waits",
            ),
        });
    }
    findings
}
