//! What only shows when the tables of a file are seen together.

use std::collections::BTreeSet;
use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use super::build;
use super::plan::{CardOutput, RelayLine};
use super::problem::{Complaint, Problems};
use super::sheet::{Sheet, Sheets};
use super::text::{SIP_PORT, show_duration};
use crate::media::{Codec, PlayoutSettings};
use crate::sip::agent::Transport;

/// Payload types without signalling (RFC 3551 Table 4).
pub(super) fn static_type(codec: Codec) -> Option<u8> {
    match codec {
        Codec::Pcmu => Some(0),
        Codec::Pcma => Some(8),
        Codec::Opus => None,
    }
}

pub(super) fn check(sheets: &Sheets, problems: &mut Problems) {
    cards(sheets, problems);
    relays(sheets, problems);
    zones(sheets, problems);
    sources(sheets, problems);
    extensions(sheets, problems);
    groups(sheets, problems);
    listen(sheets, problems);
    udp_ports(sheets, problems);
    unused(sheets, problems);
}

fn complaint(key: String, found: impl Into<String>, wanted: &str, hint: impl Into<String>) -> Complaint {
    Complaint {
        key,
        found: found.into(),
        wanted: wanted.to_owned(),
        hint: hint.into(),
    }
}

/// An earlier table of `sheets` that `same` says collides with the `i`th.
fn earlier<'a>(list: &[&'a Sheet], i: usize, same: impl Fn(&Sheet, &Sheet) -> bool) -> Option<&'a Sheet> {
    let (before, rest) = list.split_at_checked(i)?;
    let own = rest.first()?;
    before.iter().find(|s| same(s, own)).copied()
}

fn cards(sheets: &Sheets, problems: &mut Problems) {
    let list: Vec<&Sheet> = sheets.of("cards").collect();
    for (i, sheet) in list.iter().enumerate() {
        let clash = earlier(&list, i, |a, b| {
            let output = b.output("output");
            output.is_some() && output != Some(&CardOutput::Null) && a.output("output") == output
        });
        if let Some(other) = clash {
            problems.error(
                sheet.at("output"),
                complaint(
                    sheet.path("output"),
                    format!("the same output as {}", other.path("")),
                    "an output that no other card has",
                    "one card with several channels feeds several zones",
                ),
            );
        }
    }
}

/// The chip's name without its directory, for comparing.
fn chip(line: &RelayLine) -> Option<(&str, u32)> {
    match line {
        RelayLine::Gpio { chip, offset } => Some((chip.strip_prefix("/dev/").unwrap_or(chip), *offset)),
        RelayLine::Pi { bcm } => Some(("pi", u32::from(*bcm))),
        RelayLine::Simulated => None,
    }
}

fn relays(sheets: &Sheets, problems: &mut Problems) {
    let list: Vec<&Sheet> = sheets.of("relays").collect();
    for (i, sheet) in list.iter().enumerate() {
        let Some(own) = sheet.line("line").and_then(chip) else {
            continue;
        };
        if let Some(other) = earlier(&list, i, |a, _| a.line("line").and_then(chip) == Some(own)) {
            problems.error(
                sheet.at("line"),
                complaint(
                    sheet.path("line"),
                    format!("the same line as {}", other.path("")),
                    "a line that no other relay has",
                    "one relay may serve several zones: name it in each of them",
                ),
            );
            continue;
        }
        // On a Raspberry Pi the header is one of these chips, with BCM numbers for offsets.
        let header = |a: &Sheet| {
            let other = a.line("line").and_then(chip);
            other.is_some_and(|other| {
                let pi = |n: &str| n == "pi";
                let board = |n: &str| n == "gpiochip0" || n == "gpiochip4";
                own.1 == other.1 && (pi(own.0) && board(other.0) || pi(other.0) && board(own.0))
            })
        };
        if let Some(other) = earlier(&list, i, |a, _| header(a)) {
            problems.warning(
                sheet.at("line"),
                complaint(
                    sheet.path("line"),
                    format!("probably the same pin as {}", other.path("")),
                    "a line that no other relay has",
                    "name all lines of a board the same way",
                ),
            );
        }
    }
}

fn zones(sheets: &Sheets, problems: &mut Problems) {
    let list: Vec<&Sheet> = sheets.of("zones").collect();
    if list.is_empty() {
        problems.lack(
            0,
            complaint(
                "zones".to_owned(),
                "no zone",
                "at least one table [zones.NAME]",
                "a zone is one channel of a sound card with its amplifier",
            ),
        );
    }
    for (i, sheet) in list.iter().enumerate() {
        let card = sheet.names("card").first().map(|(name, _)| name);
        let channel = sheet.integer("channel");
        let channels = sheets
            .of("cards")
            .find(|c| Some(&c.name) == card)
            .and_then(|c| c.integer("channels"));
        if let (Some(card), Some(channel), Some(channels)) = (card, channel, channels)
            && channel > channels
        {
            problems.error(
                sheet.at("channel"),
                complaint(
                    sheet.path("channel"),
                    format!("{channel}, but the card \"{card}\" has {channels}"),
                    "a channel that the card has",
                    format!("if the device really has more, write `channels = {channel}` in [cards.{card}]"),
                ),
            );
        }
        let clash = earlier(&list, i, |a, _| {
            channel.is_some()
                && card.is_some()
                && a.integer("channel") == channel
                && a.names("card").first().map(|n| &n.0) == card
        });
        if let (Some(other), Some(card), Some(channel)) = (clash, card, channel) {
            problems.error(
                sheet.at("channel"),
                complaint(
                    sheet.path("channel"),
                    format!("channel {channel} of \"{card}\", which {} has already", other.path("")),
                    "a channel of its own for each zone",
                    "two amplifiers on one channel are one zone",
                ),
            );
        }
    }
}

/// What extensions and groups have in common.
fn sources(sheets: &Sheets, problems: &mut Problems) {
    let hold = PlayoutSettings::default().max_hold;
    for sheet in sheets.of("extensions").chain(sheets.of("groups")) {
        let chime = build::chime(sheet).tone().map_or(Duration::ZERO, |tone| tone.length());
        let lead = |name: &String| {
            sheets
                .of("zones")
                .find(|z| z.name == *name)
                .and_then(|z| z.duration("lead"))
        };
        let slow = sheet
            .names("zones")
            .iter()
            .filter_map(|(name, _)| Some((lead(name)?, name)))
            .max();
        if let Some((lead, zone)) = slow
            && lead + chime > hold
        {
            problems.error(
                sheet.at("zones"),
                complaint(
                    sheet.path("zones"),
                    format!(
                        "a lead of {} in \"{zone}\" and a chime of {}",
                        show_duration(lead),
                        show_duration(chime)
                    ),
                    &format!("at most {} together: longer speech is not kept", show_duration(hold)),
                    "shorten the lead, or take a shorter chime",
                ),
            );
        }
        if let (Some(quiet), Some(page)) = (sheet.duration("quiet_limit"), sheet.duration("page_limit"))
            && quiet >= page
        {
            problems.warning(
                sheet.at("quiet_limit"),
                complaint(
                    sheet.path("quiet_limit"),
                    format!("{}, not shorter than the page limit", show_duration(quiet)),
                    &format!("less than the page limit of {}", show_duration(page)),
                    "as it is, the page limit always comes first",
                ),
            );
        }
    }
}

fn extensions(sheets: &Sheets, problems: &mut Problems) {
    let list: Vec<&Sheet> = sheets.of("extensions").collect();
    let networks = sheets.of("sip").next();
    let nobody = networks.is_some_and(|s| s.networks("networks").is_empty() && !faulty(s, "networks"));
    for (i, sheet) in list.iter().enumerate() {
        let user = sheet.text("user");
        if let (Some(other), Some(user)) = (earlier(&list, i, |a, _| user.is_some() && a.text("user") == user), user) {
            problems.error(
                sheet.at("user"),
                complaint(
                    sheet.path("user"),
                    format!("{}, which {} has already", super::problem::quote(user), other.path("")),
                    "a user of its own for each extension: it tells which one is called",
                    "one extension may page several zones",
                ),
            );
        }
        if !sheet.wrote("registrar") {
            if nobody {
                problems.lack(
                    sheet.at,
                    complaint(
                        sheet.path(""),
                        "neither a registrar nor any network that may call it",
                        "`registrar` here, or `networks` in [sip]",
                        "as it is, nobody can call it",
                    ),
                );
            }
            for key in ["secret", "auth_user"] {
                if sheet.wrote(key) {
                    problems.idle(
                        sheet.at(key),
                        complaint(
                            sheet.path(key),
                            "a log-in without a registrar",
                            "`registrar` beside it",
                            "add `registrar`, or take the line out",
                        ),
                    );
                }
            }
        }
    }
}

/// The key is there but could not be read: more about it would be noise.
fn faulty(sheet: &Sheet, key: &str) -> bool {
    sheet.wrote(key) && !sheet.has(key)
}

fn groups(sheets: &Sheets, problems: &mut Problems) {
    let list: Vec<&Sheet> = sheets.of("groups").collect();
    for (i, sheet) in list.iter().enumerate() {
        let Some(address) = sheet.multicast("address") else {
            continue;
        };
        let interface = sheet.text("interface");
        let clash = earlier(&list, i, |a, _| {
            let (one, two) = (a.text("interface"), interface);
            a.multicast("address") == Some(address) && (one == two || one.is_none() || two.is_none())
        });
        if let Some(other) = clash {
            problems.error(
                sheet.at("address"),
                complaint(
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
    let Some(codec) = sheet.text("codec").and_then(build::codec) else {
        if number.is_some() && !faulty(sheet, "codec") {
            problems.error(
                sheet.at("payload_type"),
                complaint(
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
        None if codec == Codec::Opus && !faulty(sheet, "payload_type") => problems.lack(
            sheet.at("codec"),
            complaint(
                key,
                "nothing",
                "the number that the sender uses for Opus (RFC 7587 has no fixed one)",
                "senders often use 96 or 111; their settings tell",
            ),
        ),
        Some(n) => {
            // RFC 3551 §3: 0 to 34 have fixed meanings or are reserved.
            let dynamic = (35..=63).contains(&n) || n >= 96;
            if !dynamic && static_type(codec) != Some(n) {
                problems.error(
                    sheet.at("payload_type"),
                    complaint(
                        key,
                        format!("{n}, which cannot stand for {}", codec.name()),
                        match codec {
                            Codec::Pcmu => "0 for pcmu, or a dynamic number, 96 to 127",
                            Codec::Pcma => "8 for pcma, or a dynamic number, 96 to 127",
                            Codec::Opus => "a dynamic number, 96 to 127",
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
                    complaint(
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
            if link && !faulty(sheet, "interface") {
                problems.lack(
                    sheet.at("address"),
                    complaint(
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

fn listen(sheets: &Sheets, problems: &mut Problems) {
    let Some(sip) = sheets.of("sip").next() else { return };
    let Some(list) = sip.listen("listen") else { return };
    for (i, (transport, address, at)) in list.iter().enumerate() {
        let before = list.get(..i).unwrap_or_default();
        let clash = before.iter().any(|(t, a, _)| {
            let same_ip = a.ip() == address.ip() || a.ip().is_unspecified() || address.ip().is_unspecified();
            t == transport && a.port() == address.port() && a.is_ipv4() == address.is_ipv4() && same_ip
        });
        if clash {
            problems.error(
                *at,
                complaint(
                    sip.path("listen"),
                    format!("{address}, which an entry before it covers"),
                    "each transport, address and port once",
                    "0.0.0.0 and [::] stand for every address",
                ),
            );
        }
    }
    for sheet in sheets.of("extensions") {
        let Some(registrar) = sheet.registrar("registrar") else {
            continue;
        };
        let name = match registrar.transport {
            Transport::Udp => "udp",
            Transport::Tcp => "tcp",
        };
        let family = registrar.host.parse::<IpAddr>().ok().map(|ip| ip.is_ipv4());
        let fits = |(t, a, _): &(Transport, SocketAddr, usize)| {
            *t == registrar.transport && family.is_none_or(|v4| v4 == a.is_ipv4())
        };
        if !list.iter().any(fits) {
            let address = if family == Some(false) { "[::]" } else { "0.0.0.0" };
            problems.error(
                sheet.at("registrar"),
                complaint(
                    sheet.path("registrar"),
                    format!("a registrar by {name}, but nothing in `sip.listen` that could take its calls"),
                    "a socket with the registrar's transport and family of addresses",
                    format!("add \"{name}:{address}:{SIP_PORT}\" to `listen` in [sip]"),
                ),
            );
        }
    }
}

/// One UDP port, one use.
fn udp_ports(sheets: &Sheets, problems: &mut Problems) {
    let Some(sip) = sheets.of("sip").next() else { return };
    let has_extensions = sheets.of("extensions").next().is_some();
    let mut signalling: BTreeSet<u16> = match sip.listen("listen") {
        Some(list) => list
            .iter()
            .filter(|(t, _, _)| *t == Transport::Udp)
            .map(|(_, a, _)| a.port())
            .collect(),
        None if has_extensions => BTreeSet::from([SIP_PORT]),
        None => BTreeSet::new(),
    };
    let audio = sip.ports("rtp_ports").filter(|_| has_extensions);
    if let Some((first, last)) = audio {
        let inside = |p: &u16| (first..=last).contains(p);
        if let Some(port) = signalling.iter().copied().find(inside) {
            problems.error(
                sip.at("rtp_ports"),
                complaint(
                    sip.path("rtp_ports"),
                    format!("{first}-{last}, with the signalling port {port} among them"),
                    "ports that nothing else uses",
                    "the default, \"16384-16484\", keeps clear of it",
                ),
            );
            signalling.remove(&port);
        }
    }
    for sheet in sheets.of("groups") {
        let Some(address) = sheet.multicast("address") else {
            continue;
        };
        let port = address.port();
        let clash = if signalling.contains(&port) {
            "signalling"
        } else if audio.is_some_and(|(first, last)| (first..=last).contains(&port)) {
            "the audio of calls (`sip.rtp_ports`)"
        } else {
            continue;
        };
        problems.error(
            sheet.at("address"),
            complaint(
                sheet.path("address"),
                format!("port {port}, which is in use for {clash}"),
                "a port that nothing else uses",
                "change the sender's port, or `rtp_ports` in [sip]",
            ),
        );
    }
}

fn unused(sheets: &Sheets, problems: &mut Problems) {
    let used = |sections: &[&'static str], keys: &[&str]| -> BTreeSet<String> {
        let all = sections.iter().flat_map(|s| sheets.of(s));
        all.flat_map(|s| keys.iter().flat_map(|k| s.names(k)))
            .map(|(name, _)| name.clone())
            .collect()
    };
    let cases = [
        ("cards", used(&["zones"], &["card"]), "a zone that plays on it"),
        (
            "relays",
            used(&["zones"], &["trigger", "mute"]),
            "a zone that names it in `trigger` or `mute`",
        ),
        (
            "zones",
            used(&["extensions", "groups"], &["zones"]),
            "an extension or a group that pages it",
        ),
    ];
    for (section, used, wanted) in cases {
        for sheet in sheets.of(section).filter(|s| !used.contains(&s.name)) {
            problems.idle(
                sheet.at,
                complaint(
                    sheet.path(""),
                    "nothing uses it",
                    wanted,
                    "take it out, or name it where it belongs",
                ),
            );
        }
    }
    if sheets.of("extensions").chain(sheets.of("groups")).next().is_none() {
        problems.idle(
            0,
            complaint(
                "extensions".to_owned(),
                "neither an extension nor a group",
                "at least one table [extensions.NAME] or [groups.NAME]",
                "as it is, nobody can page",
            ),
        );
    }
}
