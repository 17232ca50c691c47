//! Calls, groups and ports: what does not go together on the network.

use std::collections::BTreeMap;
use std::net::{IpAddr, SocketAddr};

use super::super::problem::{Complaint, Problems, quote};
use super::super::sheet::{Sheet, Sheets};
use super::super::text::SIP_PORT;
use super::earlier;
use crate::sip::agent::{Registrar, Transport};

pub(super) fn extensions(sheets: &Sheets, problems: &mut Problems) {
    let list: Vec<&Sheet> = sheets.of("extensions").collect();
    let networks = sheets.of("sip").next();
    let nobody = networks.is_some_and(|s| s.networks("networks").is_empty() && !s.faulty("networks"));
    for (i, sheet) in list.iter().enumerate() {
        let user = sheet.text("user");
        if let (Some(other), Some(user)) = (earlier(&list, i, |a, _| user.is_some() && a.text("user") == user), user) {
            problems.error(
                sheet.at("user"),
                Complaint::new(
                    sheet.path("user"),
                    format!("{}, which {} has already", quote(user), other.path("")),
                    "a user of its own for each extension: it tells which one is called",
                    "one extension may page several zones",
                ),
            );
        }
        twice(sheet, "registrar", problems);
        twice(sheet, "outbound_proxy", problems);
        clear_keys(sheet, sheets, problems);
        if sheet.registrars("registrar").is_empty() && !sheet.faulty("registrar") {
            if nobody && sheet.networks("networks").is_empty() {
                problems.lack(
                    sheet.at,
                    Complaint::new(
                        sheet.path(""),
                        "neither a registrar nor any network that may call it",
                        "`registrar` here, or `networks` in [sip]",
                        "as it is, nobody can call it",
                    ),
                );
            }
            let unused = [
                ("secret", "a log-in without a registrar"),
                ("auth_user", "a log-in without a registrar"),
                ("outbound_proxy", "a proxy without a registrar behind it"),
            ];
            for (key, found) in unused {
                if sheet.wrote(key) {
                    problems.idle(
                        sheet.at(key),
                        Complaint::new(
                            sheet.path(key),
                            found,
                            "`registrar` beside it",
                            "add `registrar`, or take the line out",
                        ),
                    );
                }
            }
        }
    }
}

/// A server that stands in the list twice would be registered at twice, and ring twice.
fn twice(sheet: &Sheet, key: &str, problems: &mut Problems) {
    let list = sheet.registrars(key);
    for (i, (one, at)) in list.iter().enumerate() {
        let is_same =
            |(other, _): &(Registrar, usize)| other.hop.host == one.hop.host && other.hop.port == one.hop.port;
        if list.iter().take(i).any(is_same) {
            problems.error(
                *at,
                Complaint::new(
                    sheet.path(key),
                    format!("{} for the second time", quote(&one.hop.host)),
                    "each server once, by one transport",
                    "several ways to one registrar are `outbound_proxy`; its own servers are found by name",
                ),
            );
        }
    }
}

/// SRTP's keys travel in the signalling.
fn clear_keys(sheet: &Sheet, sheets: &Sheets, problems: &mut Problems) {
    if sheet.text("srtp") != Some("require") || sheet.faulty("registrar") {
        return;
    }
    let hears_tls = || {
        let listen = sheets.of("sip").next().and_then(|s| s.listen("listen"));
        listen.is_some_and(|list| list.iter().any(|(transport, ..)| *transport == Transport::Tls))
    };
    // The next hop brings the calls: a proxy where there is one.
    let (proxies, registrars) = (sheet.registrars("outbound_proxy"), sheet.registrars("registrar"));
    let hops = if proxies.is_empty() { registrars } else { proxies };
    let by_tls = |(r, _): &(Registrar, usize)| r.hop.secure || r.hop.transport == Some(Transport::Tls);
    let (found, hint) = match hops.iter().find(|hop| !by_tls(hop)) {
        Some((clear, _)) => (
            format!("{}, which may be reached without TLS", quote(&clear.hop.host)),
            "write \"sips:HOST\" or add ;transport=tls there",
        ),
        None if !hops.is_empty() || hears_tls() => return,
        None => (
            "no registrar and no TLS socket".to_owned(),
            "add \"tls:0.0.0.0:5061\" to `listen` in [sip], and a certificate",
        ),
    };
    problems.idle(
        sheet.at("srtp"),
        Complaint::new(
            sheet.path("srtp"),
            format!("\"require\", with {found}"),
            "signalling by TLS: calls that come otherwise are refused, since their keys can be read on the way",
            hint,
        ),
    );
}

/// A suite without a key means nothing.
fn suite(sheet: &Sheet, problems: &mut Problems) {
    if sheet.wrote("srtp_suite") && !sheet.has("srtp_key") && !sheet.wrote("srtp_key") {
        problems.idle(
            sheet.at("srtp_suite"),
            Complaint::new(
                sheet.path("srtp_suite"),
                "a suite without a key",
                "`srtp_key` beside it",
                "as it is, the stream is not encrypted: add `srtp_key`, or take the line out",
            ),
        );
    }
}

pub(super) fn groups(sheets: &Sheets, problems: &mut Problems) {
    let list: Vec<&Sheet> = sheets.of("groups").collect();
    for (i, sheet) in list.iter().enumerate() {
        suite(sheet, problems);
        let Some(address) = sheet.socket_address("address") else {
            continue;
        };
        let interface = sheet.text("interface");
        let clash = earlier(&list, i, |a, _| {
            let (one, two) = (a.text("interface"), interface);
            a.socket_address("address") == Some(address) && (one == two || one.is_none() || two.is_none())
        });
        if let Some(other) = clash {
            problems.error(
                sheet.at("address"),
                Complaint::new(
                    sheet.path("address"),
                    format!("{address}, which {} joins already", other.path("")),
                    "an address and port of its own for each group",
                    "one group may page several zones; on two networks, give each its `interface`",
                ),
            );
        }
        payload_type(sheet, problems);
        interface_of(sheet, address, problems);
    }
}

fn payload_type(sheet: &Sheet, problems: &mut Problems) {
    let key = sheet.path("payload_type");
    let number = sheet.integer("payload_type").and_then(|n| u8::try_from(n).ok());
    let Some(codec) = sheet.codec("codec") else {
        if number.is_some() && !sheet.faulty("codec") {
            problems.error(
                sheet.at("payload_type"),
                Complaint::new(
                    key,
                    "a payload type without a codec",
                    "`codec` beside it",
                    "say which codec the number stands for",
                ),
            );
        }
        return;
    };
    match number {
        None if codec.static_type().is_none() && !sheet.faulty("payload_type") => problems.lack(
            sheet.at("codec"),
            Complaint::new(
                key,
                "nothing",
                &format!(
                    "the number that the sender uses for {} (it has no fixed one)",
                    codec.name()
                ),
                "senders often use 96 to 98 or 111; their settings tell",
            ),
        ),
        Some(n) => {
            // RFC 3551 §3: 0 to 34 have fixed meanings or are reserved.
            let dynamic = (35..=63).contains(&n) || n >= 96;
            if !dynamic && codec.static_type() != Some(n) {
                problems.error(
                    sheet.at("payload_type"),
                    Complaint::new(
                        key,
                        format!("{n}, which cannot stand for {}", codec.name()),
                        &match codec.static_type() {
                            Some(own) => format!(
                                "{own} for {}, or a dynamic number, 96 to 127",
                                codec.name().to_lowercase()
                            ),
                            None => "a dynamic number, 96 to 127".to_owned(),
                        },
                        "below 35 the numbers have fixed meanings (RFC 3551 Table 4)",
                    ),
                );
            }
        }
        None => {}
    }
}

fn interface_of(sheet: &Sheet, address: SocketAddr, problems: &mut Problems) {
    match sheet.text("interface") {
        Some(text) => {
            if let Ok(ip) = text.parse::<IpAddr>()
                && ip.is_ipv4() != address.is_ipv4()
            {
                let family = if address.is_ipv4() { "IPv4" } else { "IPv6" };
                problems.error(
                    sheet.at("interface"),
                    Complaint::new(
                        sheet.path("interface"),
                        format!("an address of the other family for an {family} group"),
                        &format!("the interface's name or its {family} address"),
                        "the name is the safer choice",
                    ),
                );
            }
        }
        None => {
            let link = matches!(address.ip(), IpAddr::V6(a) if a.segments().first().is_some_and(|s| s & 0xf == 2));
            if link && !sheet.faulty("interface") {
                problems.lack(
                    sheet.at("address"),
                    Complaint::new(
                        sheet.path("interface"),
                        "nothing, for an address that is valid on one link only",
                        "the name of the network interface",
                        "add `interface = \"eth0\"`, with your own name",
                    ),
                );
            }
        }
    }
}

pub(super) fn listen(sheets: &Sheets, problems: &mut Problems) {
    let Some(sip) = sheets.of("sip").next() else { return };
    let Some(list) = sip.listen("listen") else { return };
    for (i, (transport, address, at)) in list.iter().enumerate() {
        if matches!(address.ip(), IpAddr::V6(ip) if ip.segments()[0] & 0xffc0 == 0xfe80) {
            problems.error(
                *at,
                Complaint::new(
                    sip.path("listen"),
                    format!("{address}, which is valid on one link only"),
                    "an address that callers can write down, or [::] for every one",
                    "addresses that begin with fe80 mean nothing without their interface (RFC 4007)",
                ),
            );
        }
        let before = list.get(..i).unwrap_or_default();
        let clash = before.iter().any(|(t, a, _)| {
            let same_ip = a.ip() == address.ip() || a.ip().is_unspecified() || address.ip().is_unspecified();
            t.is_reliable() == transport.is_reliable()
                && a.port() == address.port()
                && a.is_ipv4() == address.is_ipv4()
                && same_ip
        });
        if clash {
            problems.error(
                *at,
                Complaint::new(
                    sip.path("listen"),
                    format!("{address}, which an entry before it covers"),
                    "each transport, address and port once",
                    "0.0.0.0 and [::] stand for every address",
                ),
            );
        }
    }
    for sheet in sheets.of("extensions") {
        let proxies = sheet.registrars("outbound_proxy");
        let key = if proxies.is_empty() {
            "registrar"
        } else {
            "outbound_proxy"
        };
        for (server, at) in sheet.registrars(key) {
            callable(sheet, key, server, *at, list, problems);
        }
    }
}

/// Calls from a server that we reach by UDP or TCP come to a socket of ours.
fn callable(
    sheet: &Sheet,
    key: &str,
    server: &Registrar,
    at: usize,
    list: &[(Transport, SocketAddr, usize)],
    problems: &mut Problems,
) {
    let wanted: &[Transport] = match server.hop.transport {
        // They come by the connection that we keep open.
        _ if server.hop.is_encrypted() => return,
        Some(Transport::Udp) => &[Transport::Udp],
        Some(Transport::Tcp) => &[Transport::Tcp],
        _ => &[Transport::Udp, Transport::Tcp],
    };
    let family = server.hop.host.parse::<IpAddr>().ok().map(|ip| ip.is_ipv4());
    let fits =
        |(t, a, _): &(Transport, SocketAddr, usize)| wanted.contains(t) && family.is_none_or(|v4| v4 == a.is_ipv4());
    if list.iter().any(fits) {
        return;
    }
    let names: Vec<String> = wanted.iter().map(|t| t.name().to_ascii_lowercase()).collect();
    let address = if family == Some(false) { "[::]" } else { "0.0.0.0" };
    let what = if key == "registrar" { "registrar" } else { "proxy" };
    problems.error(
        at,
        Complaint::new(
            sheet.path(key),
            format!(
                "a {what} by {}, but nothing in `sip.listen` that could take its calls",
                names.join(" or ")
            ),
            &format!("a socket with the {what}'s transport and family of addresses"),
            format!(
                "add \"{}:{address}:{SIP_PORT}\" to `listen` in [sip]",
                names.first().map_or("udp", String::as_str)
            ),
        ),
    );
}

/// One UDP port, one use.
pub(super) fn udp_ports(sheets: &Sheets, problems: &mut Problems) {
    let Some(sip) = sheets.of("sip").next() else { return };
    let has_extensions = sheets.of("extensions").next().is_some();
    // Ports with the place where each is written.
    let signalling: BTreeMap<u16, usize> = match sip.listen("listen") {
        Some(list) => list
            .iter()
            .filter(|(t, _, _)| *t == Transport::Udp)
            .map(|(_, a, at)| (a.port(), *at))
            .collect(),
        None if has_extensions => BTreeMap::from([(SIP_PORT, sip.at)]),
        None => BTreeMap::new(),
    };
    let audio = sip.ports("rtp_ports").filter(|_| has_extensions);
    if let Some((first, last)) = audio
        && let Some((port, at)) = signalling.range(first..=last).next()
    {
        let (key, at) = if sip.wrote("rtp_ports") {
            ("rtp_ports", sip.at("rtp_ports"))
        } else {
            ("listen", *at)
        };
        problems.error(
            at,
            Complaint::new(
                sip.path(key),
                format!("port {port}, which is among the ports for audio, {first}-{last}"),
                "different ports for signalling and audio",
                "keep `listen` clear of `rtp_ports`",
            ),
        );
    }
    for sheet in sheets.of("groups") {
        let Some(address) = sheet.socket_address("address") else {
            continue;
        };
        let port = address.port();
        let clash = if signalling.contains_key(&port) {
            "signalling"
        } else if audio.is_some_and(|(first, last)| (first..=last).contains(&port)) {
            "the audio of calls (`sip.rtp_ports`)"
        } else {
            continue;
        };
        problems.error(
            sheet.at("address"),
            Complaint::new(
                sheet.path("address"),
                format!("port {port}, which is in use for {clash}"),
                "a port that nothing else uses",
                "change the sender's port, or `rtp_ports` in [sip]",
            ),
        );
    }
}
