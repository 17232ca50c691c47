//! The REGISTER request and the URIs in it (RFC 3261 §10.2, RFC 5626 §4.2, RFC 3327 §5.1).

use std::net::{IpAddr, SocketAddr};
use std::time::Instant;

use super::super::client::Purpose;
use super::super::{ALLOW, Agent, Flow, Hop, Transport};
use super::Phase;
use crate::sip::wire::{Host, Writer};

/// A host for a URI: IPv6 in brackets.
pub(super) fn uri_host(host: &str) -> String {
    match host.trim_matches(['[', ']']).parse::<IpAddr>() {
        Ok(ip) => Host::Ip(ip).to_string(),
        Err(_) => host.to_owned(),
    }
}

/// A user part with everything escaped that needs it (RFC 3261 §25.1 `user`).
pub(super) fn uri_user(user: &str) -> String {
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
pub(in crate::sip::agent) fn contact_uri(user: &str, local: SocketAddr, transport: Transport) -> String {
    let transport = match transport {
        Transport::Udp => "",
        Transport::Tcp => ";transport=tcp",
        Transport::Tls => ";transport=tls",
    };
    format!("sip:{}@{}{transport}", uri_user(user), host_port(local))
}

/// `SIP/2.0/UDP` and so on with our address, asking for `rport` (RFC 3581 §3).
pub(in crate::sip::agent) fn own_via(flow: &Flow, branch: &str) -> String {
    let transport = flow.transport.name();
    format!("SIP/2.0/{transport} {};rport;branch={branch}", host_port(flow.local))
}

pub(super) fn scheme(secure: bool) -> &'static str {
    if secure { "sips" } else { "sip" }
}

/// The URI that leads to a hop.
pub(super) fn hop_uri(hop: &Hop) -> String {
    let transport = match hop.transport {
        None => "",
        Some(Transport::Udp) => ";transport=udp",
        // In a `sips` URI TLS goes without saying (RFC 5630 §3.1.3).
        Some(_) if hop.secure => "",
        Some(Transport::Tcp) => ";transport=tcp",
        Some(Transport::Tls) => ";transport=tls",
    };
    let port = hop.port.map(|p| format!(":{p}")).unwrap_or_default();
    format!("{}:{}{port}{transport}", scheme(hop.secure), uri_host(&hop.host))
}

/// A loose route (RFC 3261 §8.1.2, §16.12.1.1).
pub(super) fn route(hop: &Hop) -> String {
    format!("<{};lr>", hop_uri(hop))
}

impl Agent {
    pub(super) fn send_register(&mut self, index: usize, leaving: bool, now: Instant) {
        let (branch, cnonce) = (self.branch(), self.token());
        let Some(r) = self.registrations.get_mut(index) else {
            return;
        };
        let Some(extension) = self.settings.extension(r.id) else {
            return;
        };
        let Some(mut flow) = r.way().flow(r.flow) else {
            return;
        };
        flow.connection = flow.connection.filter(|id| self.connections.contains_key(id));
        r.phase = if leaving { Phase::Leaving } else { Phase::Trying };
        r.wake = None;
        r.cseq += 1;
        let secure = r.registrar.hop.secure;
        let host = uri_host(&r.registrar.hop.host);
        let (uri, route) = r.request_uri();
        let address = format!("<{}:{}@{host}>", scheme(secure), uri_user(&extension.user));
        let expires = if leaving { 0 } else { r.expires };
        let headers = match r.auth.headers(extension, "REGISTER", &uri, b"", &cnonce) {
            Ok(headers) => headers,
            Err(e) => {
                self.round_failed(index, e.to_string(), None, now);
                return;
            }
        };
        let contact = contact_uri(&extension.user, flow.local, flow.transport);
        let contact = match contact.strip_prefix("sip:").filter(|_| secure) {
            // RFC 3261 §8.1.1.8: to a `sips` URI a `sips` Contact.
            Some(rest) => format!("sips:{}", rest.trim_end_matches(";transport=tls")),
            None => contact,
        };
        let outbound = self.settings.instance.as_ref().filter(|_| !r.plain);
        let instance = match outbound {
            Some(instance) => format!(";+sip.instance=\"<{instance}>\";reg-id={}", r.reg_id),
            None => String::new(),
        };
        let supported = if outbound.is_some() { "outbound, path" } else { "path" };
        let mut out = Writer::request("REGISTER", uri.as_bytes());
        out.header("Via", own_via(&flow, &branch));
        if let Some(route) = route {
            out.header("Route", route);
        }
        out.header("Max-Forwards", "70")
            .header("From", format!("{address};tag={}", r.tag))
            .header("To", &address)
            .header("Call-ID", &r.call_id)
            .header("CSeq", format!("{} REGISTER", r.cseq))
            .header("Contact", format!("<{contact}>{instance};expires={expires}"))
            .header("Expires", expires.to_string())
            .header("Supported", supported)
            .header("Allow", ALLOW)
            .header("User-Agent", &self.settings.product);
        for (name, value) in headers {
            out.header(name, value);
        }
        let octets = out.finish(b"");
        self.send_request(branch, Purpose::Register(index), flow, octets, now);
    }
}
