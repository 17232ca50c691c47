//! Registration (RFC 3261 §10, RFC 3263 §4.3, RFC 5626 §4.5).

use std::net::{IpAddr, SocketAddr};
use std::time::{Duration, Instant};

use rand::Rng as _;
use rand_chacha::ChaCha12Rng;

use super::auth::Auth;
use super::client::{Purpose, Silence};
use super::{
    Agent, Event, Extension, ExtensionId, Flow, Hop, MAX_TARGETS, Output, Registrar, RegistrationId, Settings, Target,
    Transport,
};
use crate::sip::wire::{Address, Host, Response, Writer, number, reason};

/// The first try waits a random part of this, so that a building that gets its power back does not ask all at once.
const FIRST_DELAY: Duration = Duration::from_millis(500);
/// An answer to [`Output::Resolve`] is waited for so long.
const RESOLVE_LIMIT: Duration = Duration::from_secs(30);
/// A refresh resolves again when the addresses are older.
const RESOLVE_AGE: Duration = Duration::from_secs(300);
/// A refresh goes out at most this long before the binding ends; never before half its life.
const MARGIN: Duration = Duration::from_secs(300);
/// Base and maximum of the back-off when no flow is up (RFC 5626 §4.5).
const BACKOFF_BASE: u64 = 30;
const BACKOFF_MAX: u64 = 1800;
/// Longest binding that is believed, and longest Min-Expires that is followed.
const MAX_EXPIRES: u32 = 7 * 86_400;
/// What counts when an expiry cannot be read (RFC 3261 §10.2.1.1, §20.19).
const DEFAULT_EXPIRES: u32 = 3600;
/// Longest Retry-After that is followed.
const MAX_RETRY_AFTER: u32 = 3600;
/// How often 423 is followed in one round.
const MAX_BRIEF: u8 = 2;
/// A lost connection to the registrar is made again at most this often.
const RECONNECT: Duration = Duration::from_secs(30);

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    /// `wake` begins a round: first try, refresh or retry.
    Waiting,
    /// `wake` gives up on the name service.
    Resolving,
    /// A REGISTER is out.
    Trying,
    /// The REGISTER that takes the binding away is out.
    Leaving,
    Gone,
}

/// One extension at one registrar by one way.
pub(super) struct Registration {
    id: ExtensionId,
    registrar: Registrar,
    /// The outbound proxy, or the registrar itself.
    hop: Hop,
    phase: Phase,
    wake: Option<Instant>,
    targets: Vec<Target>,
    at: usize,
    resolved: Option<Instant>,
    /// The same for the life of the process (RFC 3261 §10.2).
    call_id: String,
    tag: String,
    cseq: u32,
    /// Seconds asked for; 423 raises it.
    expires: u32,
    brief: u8,
    auth: Auth,
    /// It worked last time.
    up: bool,
    bound_until: Option<Instant>,
    succeeded: Option<Instant>,
    failures: u32,
    /// The last cause told.
    trouble: Option<String>,
}

/// One for each extension, registrar and way.
pub(super) fn all(settings: &Settings, rng: &mut ChaCha12Rng, now: Instant) -> Vec<Registration> {
    let mut out = Vec::new();
    for (extension, i) in settings.extensions.iter().zip(0u16..) {
        for registrar in &extension.registrars {
            let ways = if registrar.proxies.is_empty() {
                std::slice::from_ref(&registrar.hop)
            } else {
                &registrar.proxies
            };
            for hop in ways {
                out.push(Registration::new(ExtensionId(i), extension, registrar, hop, rng, now));
            }
        }
    }
    out
}

impl Registration {
    fn new(
        id: ExtensionId,
        extension: &Extension,
        registrar: &Registrar,
        hop: &Hop,
        rng: &mut ChaCha12Rng,
        now: Instant,
    ) -> Self {
        Registration {
            id,
            registrar: registrar.clone(),
            hop: hop.clone(),
            phase: Phase::Waiting,
            wake: Some(now + FIRST_DELAY.mul_f64(rng.random())),
            targets: Vec::new(),
            at: 0,
            resolved: None,
            call_id: format!("{:032x}", rng.random::<u128>()),
            tag: format!("{:016x}", rng.random::<u64>()),
            cseq: 0,
            expires: extension.expires.clamp(1, MAX_EXPIRES),
            brief: 0,
            auth: Auth::default(),
            up: false,
            bound_until: None,
            succeeded: None,
            failures: 0,
            trouble: None,
        }
    }

    /// For people: the registrar, and the proxy if there is a choice.
    fn name(&self) -> String {
        if self.registrar.proxies.len() > 1 {
            format!("{} by {}", self.registrar.hop.host, self.hop.host)
        } else {
            self.registrar.hop.host.clone()
        }
    }

    pub(super) fn extension(&self) -> ExtensionId {
        self.id
    }

    pub(super) fn is_gone(&self) -> bool {
        self.phase == Phase::Gone
    }

    pub(super) fn poll_timeout(&self) -> Option<Instant> {
        self.wake
    }

    pub(super) fn addresses(&self) -> impl Iterator<Item = IpAddr> {
        self.targets.iter().map(|t| t.peer.ip().to_canonical())
    }

    pub(super) fn has_address(&self, address: IpAddr) -> bool {
        self.targets.iter().any(|t| t.peer.ip().to_canonical() == address)
    }

    fn flow(&self) -> Option<Flow> {
        let target = self.targets.get(self.at)?;
        Some(Flow {
            transport: target.transport,
            local: target.local,
            peer: target.peer,
            connection: None,
        })
    }
}

/// `Wait` of RFC 5626 §4.5: the upper bound doubles with each failure in a row, and a random point in its upper
/// half is taken.
fn back_off(failures: u32, random: f64) -> Duration {
    let factor = 1u64.checked_shl(failures.min(16)).unwrap_or(u64::MAX);
    let upper = BACKOFF_BASE.saturating_mul(factor).min(BACKOFF_MAX);
    Duration::from_secs(upper).mul_f64(0.5 + random / 2.0)
}

/// When a binding of this length is refreshed: well before its end, at its half at the latest for short ones.
fn refresh_after(expires: Duration, random: f64) -> Duration {
    let latest = expires.saturating_sub(MARGIN).max(expires / 2);
    latest.mul_f64(0.9 + random / 10.0).max(Duration::from_secs(1))
}

/// A host for a URI: IPv6 in brackets.
fn uri_host(host: &str) -> String {
    match host.trim_matches(['[', ']']).parse::<IpAddr>() {
        Ok(ip) => Host::Ip(ip).to_string(),
        Err(_) => host.to_owned(),
    }
}

/// A user part with everything escaped that needs it (RFC 3261 §25.1 `user`).
fn uri_user(user: &str) -> String {
    let mut out = String::with_capacity(user.len());
    for b in user.bytes() {
        if b.is_ascii_alphanumeric() || b"-_.!~*'()&=+$,;?/".contains(&b) {
            out.push(char::from(b));
        } else {
            out.push_str(&format!("%{b:02X}"));
        }
    }
    out
}

/// An IPv6 scope means nothing to the far end and has no place in SIP.
fn host_port(address: SocketAddr) -> String {
    format!("{}:{}", Host::Ip(address.ip()), address.port())
}

/// The Contact URI for an extension at a local address.
pub(super) fn contact_uri(user: &str, local: SocketAddr, transport: Transport) -> String {
    let transport = match transport {
        Transport::Udp => "",
        Transport::Tcp => ";transport=tcp",
        Transport::Tls => ";transport=tls",
    };
    format!("sip:{}@{}{transport}", uri_user(user), host_port(local))
}

/// `SIP/2.0/UDP` and so on with our address, asking for `rport` (RFC 3581 §3).
pub(super) fn own_via(flow: &Flow, branch: &str) -> String {
    let transport = flow.transport.name();
    format!("SIP/2.0/{transport} {};rport;branch={branch}", host_port(flow.local))
}

/// Seconds granted: our own Contact's `expires`, then Expires, then what was asked for (RFC 3261 §10.2.4).
fn granted(response: &Response, user: &str, local: SocketAddr, asked: u32) -> u32 {
    let read = |octets: &[u8]| number(octets).unwrap_or(DEFAULT_EXPIRES);
    let contacts: Vec<Address> = response
        .message
        .list("Contact")
        .unwrap_or_default()
        .into_iter()
        .filter_map(|c| Address::read(c).ok())
        .collect();
    let is_own = |a: &&Address| {
        a.uri.sip().is_some_and(|u| {
            u.user_name().as_deref() == Some(user.as_bytes())
                && u.address()
                    .is_some_and(|at| at.ip().to_canonical() == local.ip().to_canonical() && at.port() == local.port())
        })
    };
    contacts
        .iter()
        .find(is_own)
        .and_then(|a| a.params.value("expires"))
        .or_else(|| response.message.first("Expires"))
        .map_or(asked, read)
        .min(MAX_EXPIRES)
}

impl Agent {
    pub(super) fn registrations_timeout(&mut self, now: Instant) {
        for index in 0..self.registrations.len() {
            let Some(r) = self.registrations.get_mut(index) else {
                continue;
            };
            if r.wake.is_none_or(|at| at > now) {
                continue;
            }
            r.wake = None;
            match r.phase {
                Phase::Waiting => {
                    let fresh = r.failures == 0
                        && !r.targets.is_empty()
                        && r.resolved
                            .is_some_and(|at| now.saturating_duration_since(at) < RESOLVE_AGE);
                    if fresh {
                        self.begin_round(index, now);
                    } else {
                        r.phase = Phase::Resolving;
                        r.wake = Some(now + RESOLVE_LIMIT);
                        let hop = r.hop.clone();
                        let registration = RegistrationId(u16::try_from(index).unwrap_or(u16::MAX));
                        self.outputs.push_back(Output::Resolve { registration, hop });
                    }
                }
                Phase::Resolving => self.resolution(index, Vec::new(), now),
                Phase::Trying | Phase::Leaving | Phase::Gone => {}
            }
        }
    }

    /// The answer to [`Output::Resolve`]: targets in order of preference; empty when the name could not be resolved.
    pub fn resolved(&mut self, registration: RegistrationId, targets: Vec<Target>, now: Instant) {
        self.resolution(usize::from(registration.0), targets, now);
    }

    fn resolution(&mut self, index: usize, mut targets: Vec<Target>, now: Instant) {
        let Some(r) = self.registrations.get_mut(index) else {
            return;
        };
        targets.truncate(MAX_TARGETS);
        if !targets.is_empty() {
            // Stay with the server that works while it is listed.
            let current = r.targets.get(r.at).map(|t| t.peer).filter(|_| r.up);
            r.at = targets.iter().position(|t| Some(t.peer) == current).unwrap_or(0);
            r.targets = targets;
            r.resolved = Some(now);
        }
        if r.phase != Phase::Resolving {
            return;
        }
        r.wake = None;
        if r.targets.is_empty() {
            self.round_failed(index, "the registrar's name cannot be resolved".into(), None, now);
        } else {
            // A name service that is down does not undo what it said before.
            self.begin_round(index, now);
        }
    }

    fn begin_round(&mut self, index: usize, now: Instant) {
        if let Some(r) = self.registrations.get_mut(index) {
            r.brief = 0;
            r.auth.new_round();
            if !r.up {
                r.at = 0;
            }
        }
        self.send_register(index, false, now);
    }

    fn send_register(&mut self, index: usize, leaving: bool, now: Instant) {
        let (branch, cnonce) = (self.branch(), self.token());
        let Some(r) = self.registrations.get_mut(index) else {
            return;
        };
        let Some(extension) = self.settings.extensions.get(usize::from(r.id.0)) else {
            return;
        };
        let Some(flow) = r.flow() else {
            return;
        };
        r.phase = if leaving { Phase::Leaving } else { Phase::Trying };
        r.wake = None;
        r.cseq += 1;
        let host = uri_host(&r.registrar.hop.host);
        let uri = match r.registrar.hop.port {
            None | Some(5060) => format!("sip:{host}"),
            Some(port) => format!("sip:{host}:{port}"),
        };
        let address = format!("<sip:{}@{host}>", uri_user(&extension.user));
        let expires = if leaving { 0 } else { r.expires };
        let headers = match r.auth.headers(extension, "REGISTER", &uri, &cnonce) {
            Ok(headers) => headers,
            Err(e) => {
                self.round_failed(index, e.to_string(), None, now);
                return;
            }
        };
        let mut out = Writer::request("REGISTER", uri.as_bytes());
        out.header("Via", own_via(&flow, &branch))
            .header("Max-Forwards", "70")
            .header("From", format!("{address};tag={}", r.tag))
            .header("To", &address)
            .header("Call-ID", &r.call_id)
            .header("CSeq", format!("{} REGISTER", r.cseq))
            .header(
                "Contact",
                format!(
                    "<{}>;expires={expires}",
                    contact_uri(&extension.user, flow.local, flow.transport)
                ),
            )
            .header("Expires", expires.to_string())
            .header("Allow", super::ALLOW)
            .header("User-Agent", &self.settings.product);
        for (name, value) in headers {
            out.header(name, value);
        }
        let octets = out.finish(b"");
        self.send_request(branch, Purpose::Register(index), flow, octets, now);
    }

    pub(super) fn on_register_answer(&mut self, index: usize, response: &Response, now: Instant) {
        let random: f64 = self.rng.random();
        let Some(r) = self.registrations.get_mut(index) else {
            return;
        };
        let Some(extension) = self.settings.extensions.get(usize::from(r.id.0)) else {
            return;
        };
        let leaving = match r.phase {
            Phase::Trying => false,
            Phase::Leaving => true,
            _ => return,
        };
        let status = response.status;
        let retry_after = response
            .message
            .first("Retry-After")
            .and_then(|v| v.split(|b| b" ;(".contains(b)).next().and_then(number))
            .map(|s| Duration::from_secs(u64::from(s.min(MAX_RETRY_AFTER))));
        match status {
            200..300 if leaving => {
                let (extension, registrar) = (r.id, r.name());
                self.gone(index);
                self.event(Event::Unregistered { extension, registrar });
            }
            200..300 => {
                let local = r.flow().map_or(([0, 0, 0, 0], 0).into(), |f| f.local);
                let seconds = granted(response, &extension.user, local, r.expires);
                if seconds == 0 {
                    self.round_failed(index, "the registrar granted no time".into(), retry_after, now);
                    return;
                }
                let expires = Duration::from_secs(u64::from(seconds));
                let first = !r.up;
                r.up = true;
                r.failures = 0;
                r.trouble = None;
                r.bound_until = Some(now + expires);
                r.succeeded = Some(now);
                r.phase = Phase::Waiting;
                r.wake = Some(now + refresh_after(expires, random));
                let (extension, registrar) = (r.id, r.name());
                self.event(Event::Registered {
                    extension,
                    registrar,
                    expires,
                    first,
                });
            }
            401 | 407 => match r.auth.challenged(response, extension.password.as_ref()) {
                Ok(()) => self.send_register(index, leaving, now),
                Err(e) => self.round_failed(index, e.to_string(), retry_after, now),
            },
            423 if !leaving && r.brief < MAX_BRIEF => {
                let least = response.message.first("Min-Expires").and_then(number);
                match least.filter(|l| *l > r.expires && *l <= MAX_EXPIRES) {
                    Some(least) => {
                        r.expires = least;
                        r.brief += 1;
                        r.auth.new_round();
                        self.send_register(index, false, now);
                    }
                    None => self.round_failed(index, "423 without a usable Min-Expires".into(), None, now),
                }
            }
            // RFC 3263 §4.3: this server is of no use now, another may be.
            408 | 500 | 502 | 503 | 504 => {
                let cause = format!("{status} {}", reason(status));
                self.next_target(index, cause, retry_after, now);
            }
            _ => {
                let cause = format!("{status} {}", reason(status));
                self.round_failed(index, cause, retry_after, now);
            }
        }
    }

    pub(super) fn on_register_silence(&mut self, index: usize, how: Silence, now: Instant) {
        let cause = match how {
            Silence::NoAnswer => "the registrar does not answer",
            Silence::NoWay => "the registrar cannot be reached",
        };
        self.next_target(index, cause.into(), None, now);
    }

    /// Tries the next address of the same round, if there is one.
    fn next_target(&mut self, index: usize, cause: String, retry_after: Option<Duration>, now: Instant) {
        let Some(r) = self.registrations.get_mut(index) else {
            return;
        };
        if r.phase == Phase::Trying && r.at + 1 < r.targets.len() {
            r.at += 1;
            r.up = false;
            r.auth.new_round();
            self.send_register(index, false, now);
        } else {
            self.round_failed(index, cause, retry_after, now);
        }
    }

    fn round_failed(&mut self, index: usize, cause: String, retry_after: Option<Duration>, now: Instant) {
        let random: f64 = self.rng.random();
        let Some(r) = self.registrations.get_mut(index) else {
            return;
        };
        match r.phase {
            Phase::Leaving => return self.gone(index),
            Phase::Gone => return,
            _ => {}
        }
        r.failures = r.failures.saturating_add(1);
        let mut retry_in = back_off(r.failures, random);
        if let Some(least) = retry_after {
            retry_in = retry_in.max(least);
        }
        r.up = false;
        r.phase = Phase::Waiting;
        r.wake = Some(now + retry_in);
        let first = r.trouble.as_ref() != Some(&cause);
        r.trouble = Some(cause.clone());
        let (extension, registrar) = (r.id, r.name());
        self.event(Event::RegistrationFailed {
            extension,
            registrar,
            cause,
            retry_in,
            first,
        });
    }

    /// The registrar's connection broke: it reaches us by it, so the binding is made again soon.
    pub(super) fn connection_to_registrar_lost(&mut self, peer: SocketAddr, told: &[usize], now: Instant) {
        for index in 0..self.registrations.len() {
            if told.contains(&index) {
                continue;
            }
            let delay = Duration::from_secs(1).mul_f64(1.0 + self.rng.random::<f64>());
            let Some(r) = self.registrations.get_mut(index) else {
                continue;
            };
            let ours = r
                .targets
                .get(r.at)
                .is_some_and(|t| t.transport.is_reliable() && t.peer == peer);
            if ours && r.up && r.phase == Phase::Waiting {
                let earliest = r.succeeded.map_or(now, |at| at + RECONNECT).max(now + delay);
                r.wake = r.wake.map(|at| at.min(earliest));
            }
        }
    }

    /// Takes the binding away, if there may be one.
    pub(super) fn leave(&mut self, index: usize, now: Instant) {
        let Some(r) = self.registrations.get_mut(index) else {
            return;
        };
        let bound = r.bound_until.is_some_and(|at| at > now) || r.phase == Phase::Trying;
        r.wake = None;
        if !bound || r.flow().is_none() {
            self.gone(index);
            return;
        }
        r.auth.new_round();
        self.drop_requests(Purpose::Register(index));
        self.send_register(index, true, now);
    }

    pub(super) fn gone(&mut self, index: usize) {
        if let Some(r) = self.registrations.get_mut(index) {
            r.phase = Phase::Gone;
            r.wake = None;
        }
    }

    /// The address is one of this extension's registrar.
    pub(super) fn is_registrar_of(&self, extension: ExtensionId, address: IpAddr) -> bool {
        let address = address.to_canonical();
        self.registrations
            .iter()
            .any(|r| r.extension() == extension && r.has_address(address))
    }

    pub(super) fn is_any_registrar(&self, address: IpAddr) -> bool {
        let address = address.to_canonical();
        self.registrations.iter().any(|r| r.has_address(address))
    }
}

#[cfg(test)]
mod tests;
