//! From sheets to the plan: names become indices, then the whole is checked.

use std::path::Path;
use std::time::Duration;

use super::checks;
use super::messages;
use super::plan::{
    AudioDevice, Card, Chime, Control, Extension, Group, Metrics, Paging, Plan, Relay, RelayLine, Sip, Socket, Srtp,
    Zone,
};
use super::problem::{Complaint, Problem, Problems, alternatives, nearest, quote};
use super::schema::{CHIMES, Kind};
use super::secrets::Secrets;
use super::sheet::{Sheet, Sheets};
use super::text::SIP_PORT;
use super::tls;
use super::value::Named;
use crate::media::{Codec, PlayoutSettings};
use crate::page::{Begin, Limits, Loss, Priority, RelayId, RelayRules, Shown, Shows, Terms, ZoneId};
use crate::sip::agent::{Hop, Registrar, Transport};
use crate::sound::busy;
use crate::sound::level::{Db, Dbfs, Dbm};
use crate::sound::probe;

mod amplifiers;
mod calendar;
mod contacts;
mod gates;
mod lines;
mod secret;

pub(super) use calendar::timetable;
use secret::{master, secret, secrets_of};

/// Output rate of every card, Hz.
const CARD_RATE: u64 = 48_000;

/// Makes the plan. `None`, or a plan with gaps, only when `problems` holds an error.
/// `away`: see [`super::load_away`].
pub(super) fn plan(
    sheets: &Sheets,
    path: &Path,
    credentials: Option<&Path>,
    problems: &mut Problems,
    away: Option<&mut Vec<Problem>>,
) -> Option<Plan> {
    let read = |problems: &mut Problems| {
        (
            secrets_of(sheets, path, credentials, problems),
            tls::files(sheets, path, credentials, problems),
        )
    };
    let (secrets, tls) = match away {
        None => read(problems),
        Some(away) => {
            let ((mut secrets, tls), wrong) = problems.aside(read);
            secrets.is_away = !secrets.loaded;
            away.extend(wrong);
            (secrets, tls)
        }
    };
    let messages = messages::read(sheets, path, problems);
    checks::check(sheets, &messages, problems);
    let cards = sheets.of("cards").map(|s| card(s, problems)).collect();
    let relays = sheets.of("relays").map(|s| relay(s, sheets, problems)).collect();
    let zones = sheets.of("zones").map(|s| zone(s, sheets, problems)).collect();
    let amplifiers = sheets.of("amplifiers");
    let amplifiers = amplifiers.map(|s| amplifiers::amplifier(s, sheets, problems)).collect();
    let extensions: Vec<Extension> = sheets
        .of("extensions")
        .map(|s| extension(s, sheets, &secrets, problems))
        .collect();
    let groups = sheets
        .of("groups")
        .map(|s| group(s, sheets, &secrets, problems))
        .collect::<Option<Vec<_>>>();
    let captures = lines::captures(sheets);
    let inputs = sheets.of("inputs");
    let inputs = inputs.map(|s| lines::input(s, sheets, &captures, problems)).collect();
    let music = sheets.of("music");
    let music = music.map(|s| lines::music(s, sheets, &captures, problems)).collect();
    let contacts = sheets.of("contacts");
    let contacts = contacts
        .map(|s| contacts::contact(s, sheets, problems))
        .collect::<Option<_>>();
    let vetoes = sheets.of("vetoes");
    let vetoes = vetoes
        .map(|s| contacts::veto(s, sheets, problems))
        .collect::<Option<_>>();
    let schedules = sheets.of("schedules");
    let schedules = schedules.map(|s| calendar::schedule(s, sheets, problems)).collect();
    let quiet_hours = sheets.of("quiet_hours");
    let quiet_hours = quiet_hours
        .map(|s| calendar::quiet_hours(s, sheets, problems))
        .collect();
    let zone_groups = sheets.of("zone_groups").map(|group| {
        let zones = resolve(sheets, "zones", group, "zones", problems);
        (group.name.clone(), zone_ids(zones))
    });
    let zone_groups = zone_groups.collect();
    let control = control(sheets.of("control").next()?, sheets, problems);
    let metrics = metrics(sheets.of("metrics").next()?);
    // Absent only when of the wrong shape, which is an error.
    let codes = gates::codes(sheets, &secrets, problems);
    let sip = sip(sheets.of("sip").next()?, !extensions.is_empty());
    Some(Plan {
        site: sheets.of("site").next()?.text("name").unwrap_or_default().to_owned(),
        cards,
        relays,
        zones,
        amplifiers,
        extensions,
        groups: groups?,
        messages: messages.into_iter().collect::<Option<_>>()?,
        captures,
        inputs,
        music,
        contacts: contacts?,
        vetoes: vetoes?,
        schedules,
        quiet_hours,
        zone_groups,
        control,
        metrics,
        sip,
        tls,
        secrets_file: secrets.file,
        codes,
        time_zone: sheets
            .of("site")
            .next()
            .and_then(|s| s.text("time_zone"))
            .map(str::to_owned),
    })
}

/// Resolves names that stand in a key; tells of each that no table has.
fn resolve_names(sheets: &Sheets, section: &str, names: &[Named], key: &str, problems: &mut Problems) -> Vec<usize> {
    let mut out = Vec::new();
    for (name, at) in names {
        if let Some(index) = sheets.index(section, name) {
            out.push(index);
            continue;
        }
        // Where zones are listed, zone groups may be; among the zones of a group they may not.
        let also = match section {
            "zones" if !key.starts_with("zone_groups.") => "zone_groups",
            _ => "",
        };
        let more = || sheets.of(also).filter(|s| sheets.index(section, &s.name).is_none());
        let known = || sheets.of(section).chain(more()).map(|s| s.name.as_str());
        let hint = match nearest(name, known()) {
            _ if section == "zones" && also.is_empty() && sheets.index("zone_groups", name).is_some() => {
                "a group does not stand in a group: list its zones".to_owned()
            }
            Some(near) => format!("did you mean \"{near}\"?"),
            // Perhaps the code itself, where everybody can read it.
            None if section == "codes" && !name.is_empty() && name.bytes().all(|b| b.is_ascii_digit()) => {
                "write a name, such as gatehouse, with a table [codes.gatehouse]; no code stands in this file: \
                 `hornwire code gatehouse` makes the line for the secrets file"
                    .to_owned()
            }
            None if !also.is_empty() => {
                let name = super::problem::step(name);
                format!("add a table [{section}.{name}], or [{also}.{name}] for several")
            }
            None => format!("add a table [{section}.{}]", super::problem::step(name)),
        };
        let wanted = match known().count() {
            0 => format!("the name of a table in [{section}.NAME]; there is none yet"),
            1..=12 => alternatives(known()),
            n => format!("the name of one of the {n} tables in [{section}.NAME]"),
        };
        problems.lack(
            *at,
            Complaint {
                key: key.to_owned(),
                found: quote(name),
                wanted,
                hint,
            },
        );
    }
    out
}

/// Resolves a name; tells when there is no such table.
fn resolve(sheets: &Sheets, section: &str, sheet: &Sheet, key: &str, problems: &mut Problems) -> Vec<usize> {
    resolve_names(sheets, section, sheet.names(key), &sheet.path(key), problems)
}

fn card(sheet: &Sheet, problems: &mut Problems) -> Card {
    let period = sheet.duration("period").unwrap_or(Duration::from_millis(10));
    let frames = period.as_micros() as u64 * CARD_RATE;
    if !frames.is_multiple_of(1_000_000) {
        problems.error(
            sheet.at("period"),
            Complaint {
                key: sheet.path("period"),
                found: format!("{} frames at {CARD_RATE} Hz", frames as f64 / 1e6),
                wanted: "a time that is a whole number of frames".to_owned(),
                hint: "take whole milliseconds".to_owned(),
            },
        );
    }
    Card {
        name: sheet.name.clone(),
        output: sheet.device("output").cloned().unwrap_or(AudioDevice::Null),
        channels: usize::try_from(sheet.integer("channels").unwrap_or(2)).unwrap_or(2),
        period: usize::try_from(frames / 1_000_000).unwrap_or(480),
        full_scale: sheet.decibel("full_scale").map(Dbm),
        impedance: sheet.ohms("impedance"),
    }
}

/// The relays without an error of their own.
pub(super) fn sound_relays(sheets: &Sheets, problems: &Problems) -> Vec<Relay> {
    let sound = |sheet: &&Sheet| sheet.has("line") && !problems.has_errors_in(&sheet.path(""));
    let mut ignored = Problems::new("", "");
    let relays = sheets.of("relays").filter(sound);
    relays.map(|sheet| relay(sheet, sheets, &mut ignored)).collect()
}

fn relay(sheet: &Sheet, sheets: &Sheets, problems: &mut Problems) -> Relay {
    let shown = match sheet.text("shows") {
        Some("page") => Some(Shown::Page(match sheet.has("zones") {
            true => zone_ids(resolve(sheets, "zones", sheet, "zones", problems)),
            false => zone_ids((0..sheets.of("zones").count()).collect()),
        })),
        Some("healthy") => Some(Shown::Healthy),
        Some("fault") => Some(Shown::Fault),
        _ => None,
    };
    Relay {
        name: sheet.name.clone(),
        line: sheet.line("line").cloned().unwrap_or(RelayLine::Simulated),
        active_low: sheet.text("active") == Some("low"),
        optional: sheet.flag("optional").unwrap_or(false),
        rules: RelayRules {
            lead: sheet.duration("lead"),
            release: sheet.duration("release"),
            min_on: sheet.duration("min_on").unwrap_or_default(),
            min_off: sheet.duration("min_off").unwrap_or_default(),
            shows: shown.map(|what| Shows {
                what,
                blinks: sheet.duration("blinks"),
            }),
        },
    }
}

fn zone(sheet: &Sheet, sheets: &Sheets, problems: &mut Problems) -> Zone {
    let mut relays = |key| {
        let list = resolve(sheets, "relays", sheet, key, problems);
        list.into_iter()
            .filter_map(|i| u16::try_from(i).ok().map(RelayId))
            .collect()
    };
    let (trigger, mute) = (relays("trigger"), relays("mute"));
    let card = resolve(sheets, "cards", sheet, "card", problems).first().copied();
    let channel = sheet.integer("channel").and_then(|n| usize::try_from(n - 1).ok());
    Zone {
        name: sheet.name.clone(),
        card: card.unwrap_or_default(),
        channel: channel.unwrap_or_default(),
        trigger,
        mute,
        lead: sheet.duration("lead").unwrap_or_default(),
        release: sheet.duration("release").unwrap_or_default(),
        gain: Db(sheet.decibel("gain").unwrap_or_default()),
        equaliser: sheet.filters("equaliser").to_vec(),
        ceiling: Dbfs(sheet.decibel("ceiling").unwrap_or_default()),
    }
}

fn zone_ids(indices: Vec<usize>) -> Vec<ZoneId> {
    let ids = indices.into_iter().filter_map(|i| u16::try_from(i).ok());
    ids.map(ZoneId).collect()
}

fn paging(sheet: &Sheet, sheets: &Sheets, problems: &mut Problems) -> Paging {
    let zones = resolve(sheets, "zones", sheet, "zones", problems);
    let playout = PlayoutSettings::default();
    Paging {
        zones: zone_ids(zones),
        priority: Priority(
            sheet
                .integer("priority")
                .and_then(|n| u8::try_from(n).ok())
                .unwrap_or_default(),
        ),
        chime: chime(sheet, sheets, problems),
        limits: Limits {
            page: sheet.duration("page_limit"),
            quiet: sheet.duration("quiet_limit"),
            no_packet: sheet.duration("no_packet_limit"),
            warning: sheet.duration("warning").unwrap_or_default(),
            wait: sheet.duration("wait_limit"),
            cool_down: sheet.duration("cool_down"),
            per_hour: sheet.integer("pages_per_hour").and_then(|n| u32::try_from(n).ok()),
        },
        terms: terms(sheet),
        under: Db(sheet.decibel("under").unwrap_or_default()),
        playout: PlayoutSettings {
            min_delay: sheet.duration("min_delay").unwrap_or(playout.min_delay),
            max_delay: sheet.duration("max_delay").unwrap_or(playout.max_delay),
            ..playout
        },
        levelled: sheet.flag("levelled").unwrap_or(true),
        busy_tone: sheet.text("busy_tone").and_then(busy::Plan::named),
        gain: Db(sheet.decibel("gain").unwrap_or_default()),
    }
}

fn chime(sheet: &Sheet, sheets: &Sheets, problems: &mut Problems) -> Chime {
    chime_of(sheet, "chime", CHIMES, sheets, problems)
}

/// A key that is one of these words, or names a message.
fn chime_of(
    sheet: &Sheet,
    key: &str,
    words: &'static [&'static str],
    sheets: &Sheets,
    problems: &mut Problems,
) -> Chime {
    if let Some(word) = sheet.text(key) {
        return Chime::of(word).unwrap_or(Chime::None);
    }
    let Some((name, at)) = sheet.names(key).first() else {
        return Chime::None;
    };
    if let Some(index) = sheets.index("messages", name) {
        return Chime::Message(index);
    }
    let messages = || sheets.of("messages").map(|s| s.name.as_str());
    let hint = match nearest(name, words.iter().copied().chain(messages())) {
        Some(near) => format!("did you mean \"{near}\"?"),
        None if name.contains(['.', '/']) => {
            "write the name of a message, such as gong, with a table [messages.gong] and its `file`".to_owned()
        }
        None => format!("add a table [messages.{}]", super::problem::step(name)),
    };
    let complaint = Complaint {
        key: sheet.path(key),
        found: quote(name),
        wanted: Kind::ChoiceOrName(words, "messages").describe(),
        hint,
    };
    problems.lack(*at, complaint);
    Chime::None
}

fn extension(sheet: &Sheet, sheets: &Sheets, secrets: &Secrets, problems: &mut Problems) -> Extension {
    let paging = paging(sheet, sheets, problems);
    let expires = sheet.duration("expires").unwrap_or_default().as_secs();
    Extension {
        name: sheet.name.clone(),
        user: sheet.text("user").unwrap_or_default().to_owned(),
        registrars: registrars(sheet),
        auth_user: sheet.text("auth_user").map(str::to_owned),
        password: secret(sheet, "secret", secrets, problems).cloned(),
        expires: u32::try_from(expires).unwrap_or(3600),
        keep_alive: sheet.duration("keep_alive"),
        codecs: sheet.codecs("codecs").to_vec(),
        srtp: match sheet.text("srtp") {
            Some("off") => Srtp::Off,
            Some("require") => Srtp::Require,
            _ => Srtp::Prefer,
        },
        gate: gates::rules(sheet, sheets, &paging, problems),
        paging,
    }
}

/// Each with all proxies before it.
fn registrars(sheet: &Sheet) -> Vec<Registrar> {
    let proxies = sheet.registrars("outbound_proxy");
    let proxies: Vec<Hop> = proxies.iter().map(|(proxy, _)| proxy.hop.clone()).collect();
    let with_proxies = |(registrar, _): &(Registrar, usize)| Registrar {
        hop: registrar.hop.clone(),
        proxies: proxies.clone(),
    };
    sheet.registrars("registrar").iter().map(with_proxies).collect()
}

/// On what terms a source is heard. One that cannot be told that its zones are taken waits by itself.
fn terms(sheet: &Sheet) -> Terms {
    let busy = match sheet.text("when_busy") {
        Some("wait") => Loss::Wait,
        Some("under") => Loss::Under,
        Some("record") => Loss::Keep,
        _ => Loss::End,
    };
    Terms {
        busy,
        cut: match sheet.text("when_cut") {
            Some("resume") => Loss::Wait,
            Some("under") => Loss::Under,
            Some("record") => Loss::Keep,
            Some(_) => Loss::End,
            None => busy,
        },
        afterwards: sheet.flag("record_first").unwrap_or(false),
        begin: match sheet.text("begin") {
            Some("together") => Begin::Together,
            _ => Begin::Each,
        },
    }
}

fn group(sheet: &Sheet, sheets: &Sheets, secrets: &Secrets, problems: &mut Problems) -> Option<Group> {
    let codec = sheet.codec("codec");
    let static_type = codec.and_then(Codec::static_type);
    let payload_type = sheet
        .integer("payload_type")
        .and_then(|n| u8::try_from(n).ok())
        .or(static_type);
    let paging = paging(sheet, sheets, problems);
    Some(Group {
        name: sheet.name.clone(),
        address: sheet.socket_address("address")?,
        interface: sheet.text("interface").map(str::to_owned),
        codec,
        payload_type,
        srtp: master(sheet, secrets, problems),
        idle: sheet.duration("idle").unwrap_or_default(),
        networks: sheet.has("networks").then(|| sheet.networks("networks").to_vec()),
        hours: sheet.hours("hours"),
        paging,
    })
}

fn control(sheet: &Sheet, sheets: &Sheets, problems: &mut Problems) -> Control {
    let mut paging = paging(sheet, sheets, problems);
    // What it plays has its own loudness.
    paging.levelled = false;
    Control {
        socket: match sheet.text("socket") {
            None => Socket::Usual,
            Some("none") => Socket::None,
            Some(path) => Socket::At(path.into()),
        },
        testing: Paging {
            zones: Vec::new(),
            priority: Priority(0),
            chime: Chime::None,
            limits: Limits {
                page: Some(probe::MAX_LENGTH + Duration::from_secs(10)),
                ..Limits::default()
            },
            terms: Terms::default(),
            gain: Db(0.0),
            ..paging.clone()
        },
        paging,
    }
}

fn metrics(sheet: &Sheet) -> Option<Metrics> {
    Some(Metrics {
        listen: sheet.socket_address("listen")?,
        networks: sheet.has("networks").then(|| sheet.networks("networks").to_vec()),
    })
}

fn sip(sheet: &Sheet, has_extensions: bool) -> Sip {
    let listen = match sheet.listen("listen") {
        Some(list) => list
            .iter()
            .map(|(transport, address, _)| (*transport, *address))
            .collect(),
        None if has_extensions => {
            let every = std::net::SocketAddr::from(([0, 0, 0, 0], SIP_PORT));
            vec![(Transport::Udp, every), (Transport::Tcp, every)]
        }
        None => Vec::new(),
    };
    Sip {
        listen,
        rtp_ports: sheet.ports("rtp_ports").unwrap_or_default(),
        networks: sheet.networks("networks").to_vec(),
        trusted: sheet.networks("trusted").to_vec(),
        advertise: sheet.address("advertise"),
        start_spread: sheet.duration("start_spread").unwrap_or_default(),
    }
}
