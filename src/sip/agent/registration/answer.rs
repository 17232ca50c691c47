//! What the registrar says to a REGISTER (RFC 3261 §10.2.4, §8.1.3.4; RFC 5626 §4.2.1, §11.6).

use std::net::SocketAddr;
use std::time::{Duration, Instant};

use rand::Rng as _;

use super::super::{Agent, Event, Flow, Hop, Transport};
use super::timing::{back_off, refresh_after};
use super::{MAX_EXPIRES, Phase, Reach, Registration, Way};
use crate::sip::wire::{Address, Host, Response, number, reason};

/// What counts when an expiry cannot be read (RFC 3261 §10.2.1.1, §20.19).
const DEFAULT_EXPIRES: u32 = 3600;
/// Longest Retry-After that is followed.
const MAX_RETRY_AFTER: u32 = 3600;
/// How often 423 is followed in one round.
const MAX_BRIEF: u8 = 2;
/// Most redirects that are followed in one round, and most places kept of one redirect.
const MAX_REDIRECTS: u8 = 5;

/// Where a redirect leads.
#[derive(Debug)]
pub(super) struct Detour {
    pub(super) hop: Hop,
    /// 305: by this proxy to the registrar itself.
    pub(super) is_proxy: bool,
    pub(super) way: Way,
}

/// Seconds granted: our own Contact's `expires`, then Expires, then what was asked for (RFC 3261 §10.2.4); never more
/// than that (§10.3).
/// A registrar behind a translation may have rewritten the address; the instance and reg-id stay (RFC 5626 §6). All
/// bindings are listed, so that the only one there is ours, whatever became of its address.
fn granted(response: &Response, user: &str, local: SocketAddr, instance: Option<(&str, usize)>, asked: u32) -> u32 {
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
    let is_flow = |a: &&Address| {
        instance.is_some_and(|(urn, reg_id)| {
            let value = a.params.value("+sip.instance");
            let urn_is = |v: &[u8]| v.trim_ascii() == format!("<{urn}>").as_bytes();
            value.is_some_and(urn_is) && a.params.value("reg-id").and_then(number) == u32::try_from(reg_id).ok()
        })
    };
    let sole = match contacts.as_slice() {
        [one] => one.params.value("expires"),
        _ => None,
    };
    contacts
        .iter()
        .find(is_flow)
        .or_else(|| contacts.iter().find(is_own))
        .and_then(|a| a.params.value("expires"))
        .or_else(|| response.message.first("Expires"))
        .or(sole)
        .map_or(asked, read)
        .min(asked)
}

/// The option tag stands in this header.
fn lists(response: &Response, header: &str, tag: &str) -> bool {
    let list = response.message.list(header).unwrap_or_default();
    list.iter().any(|t| t.trim_ascii().eq_ignore_ascii_case(tag.as_bytes()))
}

/// The places of a redirect that we may and can go to, the best last.
fn detours(response: &Response, secure: bool, encrypted: bool) -> Vec<Detour> {
    let mut found: Vec<(u32, Detour)> = Vec::new();
    for contact in response.message.list("Contact").unwrap_or_default() {
        let Ok(address) = Address::read(contact) else { continue };
        let Some(uri) = address.uri.sip() else { continue };
        let transport = match uri.params.value("transport").map(<[u8]>::to_ascii_lowercase).as_deref() {
            None => None,
            Some(b"udp") => Some(Transport::Udp),
            Some(b"tcp") => Some(Transport::Tcp),
            Some(b"tls") => Some(Transport::Tls),
            Some(_) => continue,
        };
        let tls = uri.secure || transport == Some(Transport::Tls);
        // Nobody leads us out of TLS (RFC 3261 §8.1.3.4 for `sips`).
        if (secure && !uri.secure) || (encrypted && !tls) {
            continue;
        }
        let host = match &uri.host {
            Host::Ip(ip) => ip.to_string(),
            Host::Name(name) => name.clone(),
        };
        let hop = Hop {
            host,
            port: uri.port,
            transport,
            secure: uri.secure,
        };
        // q from 0 to 1 in thousandths; 1 if there is none.
        let q = address.params.value("q").and_then(|q| std::str::from_utf8(q).ok());
        let q = q.and_then(|q| q.parse::<f32>().ok()).unwrap_or(1.0).clamp(0.0, 1.0);
        let detour = Detour {
            hop,
            is_proxy: response.status == 305,
            way: Way::default(),
        };
        found.push(((q * 1000.0) as u32, detour));
        if found.len() >= usize::from(MAX_REDIRECTS) {
            break;
        }
    }
    found.reverse();
    found.sort_by_key(|(q, _)| *q);
    found.into_iter().map(|(_, detour)| detour).collect()
}

impl Registration {
    /// The connection that the answer came by is the flow (RFC 5626 §4.2); by UDP the way that the request went.
    fn flow_of(&self, came: Flow) -> Option<Flow> {
        let flow = self.way().flow(None)?;
        Some(Flow {
            connection: came.connection.filter(|_| flow.transport.is_reliable()),
            ..flow
        })
    }
}

impl Agent {
    pub(in crate::sip::agent) fn on_register_answer(
        &mut self,
        index: usize,
        came: Flow,
        response: &Response,
        now: Instant,
    ) {
        let Some(r) = self.registrations.get_mut(index) else {
            return;
        };
        r.reach = Reach::Answered;
        let Some(extension) = self.settings.extension(r.id) else {
            return;
        };
        let leaving = match r.phase {
            Phase::Trying => false,
            Phase::Leaving => true,
            _ => return,
        };
        let status = response.status;
        let cause = || format!("{status} {}", reason(status));
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
            200..300 => self.bound(index, came, response, retry_after, now),
            401 | 407 => match r.auth.challenged(response, extension.password.as_ref()) {
                Ok(()) => self.send_register(index, leaving, now),
                Err(e) => self.round_failed(index, e.to_string(), retry_after, now),
            },
            300 | 301 | 302 | 305 if !leaving => self.redirected(index, response, now),
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
            // RFC 5626 §11.6: the proxy before the registrar knows no outbound; RFC 3261 §21.4.15: the server itself.
            439 | 420 if !r.plain && self.settings.instance.is_some() => {
                r.plain = true;
                r.auth.new_round();
                self.send_register(index, leaving, now);
            }
            // RFC 3263 §4.3: this server is of no use now, another may be.
            408 | 500 | 502 | 503 | 504 => self.next_target(index, cause(), retry_after, now),
            _ => self.round_failed(index, cause(), retry_after, now),
        }
    }

    /// A 2xx: the binding is made.
    fn bound(&mut self, index: usize, came: Flow, response: &Response, retry_after: Option<Duration>, now: Instant) {
        let (random, later): (f64, f64) = (self.rng.random(), self.rng.random());
        let Some(r) = self.registrations.get_mut(index) else {
            return;
        };
        let Some(extension) = self.settings.extension(r.id) else {
            return;
        };
        let Some(flow) = r.flow_of(came) else {
            return;
        };
        let instance = self.settings.instance.as_deref().map(|urn| (urn, r.reg_id));
        let seconds = granted(response, &extension.user, flow.local, instance, r.expires);
        if seconds == 0 {
            self.round_failed(index, "the registrar granted no time".into(), retry_after, now);
            return;
        }
        let expires = Duration::from_secs(u64::from(seconds));
        let moved = r
            .flow
            .is_none_or(|f| f.peer != flow.peer || f.transport != flow.transport);
        let first = !r.up || moved;
        if moved || r.home.take().is_some() {
            r.returns = 0;
        }
        r.home = None;
        r.up = true;
        r.failures = 0;
        r.trouble = None;
        r.bound_until = Some(now + expires);
        r.succeeded = Some(now);
        r.flow = Some(flow);
        r.moved = false;
        if !r.detoured {
            r.detour = None;
        }
        r.pending.clear();
        r.phase = Phase::Waiting;
        r.wake = Some(now + refresh_after(expires, random));
        match r.way.better().filter(|_| !r.detoured) {
            Some(_) if r.return_at.is_none() => {
                r.returns = r.returns.max(1);
                r.return_at = Some(now + back_off(true, r.returns, later));
            }
            Some(_) => {}
            None => {
                r.return_at = None;
                r.returns = 0;
            }
        }
        let (extension, registrar) = (r.id, r.name());
        // RFC 5626 §6: a registrar that keeps flows says so.
        let outbound = instance.is_some() && lists(response, "Require", "outbound");
        let timer = response
            .message
            .first("Flow-Timer")
            .and_then(number)
            .filter(|_| outbound);
        self.keep_alive(extension, flow, outbound, timer, now);
        self.event(Event::Registered {
            extension,
            registrar,
            server: flow.peer,
            transport: flow.transport,
            expires,
            first,
        });
    }

    /// RFC 3261 §8.1.3.4, within bounds. What is learned counts for this round only (§21.3.3).
    fn redirected(&mut self, index: usize, response: &Response, now: Instant) {
        let status = response.status;
        let fail = |why: &str| format!("{status} {}, {why}", reason(status));
        let Some(r) = self.registrations.get_mut(index) else {
            return;
        };
        let encrypted = r.way().target().is_some_and(|t| t.transport == Transport::Tls);
        let mut found = detours(response, r.registrar.hop.secure, encrypted);
        // A look at a better server is no time for detours.
        let best = found.pop().filter(|_| r.home.is_none());
        let Some(best) = best else {
            self.next_target(index, fail("to no place that can be used"), None, now);
            return;
        };
        if r.redirects >= MAX_REDIRECTS {
            r.pending.clear();
            self.round_failed(index, fail("too many times in a row"), None, now);
            return;
        }
        r.redirects += 1;
        // The next round begins anew, with the name that belongs to the place.
        r.way.resolved = None;
        r.pending = found;
        r.detour = Some(best);
        r.detoured = true;
        r.auth.new_round();
        self.resolve(index, now);
    }
}
