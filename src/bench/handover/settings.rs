//! The config in figures, for the next technician.

use std::net::SocketAddr;

use super::document::{Section, Table};
use super::premises::{contact_line, relay_line};
use super::words::{self, and, gain, or_none, time, yes};
use crate::config::plan::{Paging, Plan, Socket, Srtp};
use crate::media::{Codec, PlayoutSettings};
use crate::sound::filter::Shape;

/// Things beside each other in one table.
const BESIDE: usize = 3;

/// A thing and its settings, by label.
type Column = (String, Vec<(&'static str, String)>);

pub fn section(plan: &Plan) -> Section {
    let mut out = Section::new("Settings");
    out.text("For the technician. Names are those of the config file; its reference lists every key. Passwords, keys and access codes are not in this document.");
    matrix(&mut out, "Sound cards", cards(plan));
    matrix(&mut out, "Zones", zones(plan));
    matrix(&mut out, "Relays", relays(plan));
    matrix(&mut out, "Amplifiers", amplifiers(plan));
    matrix(&mut out, "Telephone extensions", extensions(plan));
    matrix(&mut out, "Page key groups (multicast)", groups(plan));
    matrix(&mut out, "Line inputs", inputs(plan));
    matrix(&mut out, "Contacts", contacts(plan));
    matrix(&mut out, "Contacts of systems that take over", vetoes(plan));
    matrix(&mut out, "Schedules", schedules(plan));
    matrix(&mut out, "Music", music(plan));
    matrix(&mut out, "Recordings", recordings(plan));
    matrix(
        &mut out,
        "Network and control",
        vec![("this board".to_owned(), network(plan))],
    );
    out
}

/// Settings below each other, things beside each other; what none of them has is left out.
fn matrix(out: &mut Section, title: &str, columns: Vec<Column>) {
    if columns.is_empty() {
        return;
    }
    out.heading(title);
    for columns in columns.chunks(BESIDE) {
        let head: Vec<&str> = std::iter::once("")
            .chain(columns.iter().map(|(name, _)| name.as_str()))
            .collect();
        let mut table = Table::new(&head);
        let mut labels: Vec<&str> = Vec::new();
        for (label, _) in columns.iter().flat_map(|(_, settings)| settings) {
            if !labels.contains(label) {
                labels.push(label);
            }
        }
        for label in labels {
            let cell = |(_, settings): &Column| {
                let found = settings.iter().find(|(other, _)| *other == label);
                found.map_or_else(|| "\u{2013}".to_owned(), |(_, value)| value.clone())
            };
            let cells: Vec<String> = columns.iter().map(cell).collect();
            table.row(std::iter::once(label.to_owned()).chain(cells));
        }
        out.table(table);
    }
}

fn cards(plan: &Plan) -> Vec<Column> {
    let all = plan.cards.iter().map(|card| {
        let mut settings = vec![
            ("Device", card.output.to_string()),
            ("Channels", card.channels.to_string()),
            ("Period", format!("{} ms", card.period as f64 / 48.0)),
            (
                "Full scale (strongest sine, across 600 ohm)",
                card.full_scale
                    .map_or_else(|| "not measured".to_owned(), |level| format!("{:+.1} dBm", level.0)),
            ),
        ];
        if let Some(impedance) = card.impedance {
            settings.push(("Output impedance", impedance.to_string()));
        }
        (card.name.clone(), settings)
    });
    all.collect()
}

fn zones(plan: &Plan) -> Vec<Column> {
    let all = plan.zones.iter().map(|zone| {
        let shapes: Vec<String> = zone.equaliser.iter().map(shape).collect();
        let mut settings = vec![
            (
                "Card, channel",
                format!("{}, {}", plan.cards[zone.card].name, zone.channel + 1),
            ),
            ("Gain", gain(zone.gain)),
            ("Ceiling for peaks", format!("{} dBFS", zone.ceiling.0)),
            (
                "Equaliser",
                if shapes.is_empty() {
                    "none".to_owned()
                } else {
                    shapes.join(", ")
                },
            ),
            ("Trigger relays", words::relays(plan, &zone.trigger)),
            ("Mute relays", words::relays(plan, &zone.mute)),
            ("Lead", time(zone.lead)),
            ("Release", time(zone.release)),
        ];
        if let Some(level) = plan.line_level(zone) {
            settings.push(("Speech on the line", format!("{:+.1} dBm", level.speech.0)));
            settings.push(("Loudest on the line", format!("{:+.1} dBm", level.most.0)));
        }
        (zone.name.clone(), settings)
    });
    all.collect()
}

fn shape(shape: &Shape) -> String {
    match shape {
        Shape::HighPass { frequency, q } => format!("high-pass {frequency} Hz, q {q:.2}"),
        Shape::Bell { frequency, gain, q } => format!("bell {frequency} Hz {gain:+} dB, q {q:.2}"),
        Shape::LowShelf { frequency, gain } => format!("low-shelf {frequency} Hz {gain:+} dB"),
        Shape::HighShelf { frequency, gain } => format!("high-shelf {frequency} Hz {gain:+} dB"),
    }
}

fn relays(plan: &Plan) -> Vec<Column> {
    let all = plan.relays.iter().map(|relay| {
        let rules = &relay.rules;
        let operated = if relay.active_low { "low" } else { "high" };
        let mut settings = vec![
            ("Line", relay_line(&relay.line)),
            ("Operated while the line is", operated.to_owned()),
            ("Starts without it", yes(relay.optional)),
        ];
        if let Some(lead) = rules.lead {
            settings.push(("Own lead", time(lead)));
        }
        if let Some(release) = rules.release {
            settings.push(("Own release", time(release)));
        }
        if !rules.min_on.is_zero() {
            settings.push(("Least time operated", time(rules.min_on)));
        }
        if !rules.min_off.is_zero() {
            settings.push(("Least time at rest", time(rules.min_off)));
        }
        if let Some(blinks) = rules.shows.as_ref().and_then(|shows| shows.blinks) {
            settings.push(("Blinks once in", time(blinks)));
        }
        (relay.name.clone(), settings)
    });
    all.collect()
}

fn amplifiers(plan: &Plan) -> Vec<Column> {
    let all = plan.amplifiers.iter().map(|amplifier| {
        let taps: Vec<String> = amplifier.taps.iter().map(ToString::to_string).collect();
        let mut settings = vec![
            ("Zones", words::zones(plan, &amplifier.zones)),
            ("Wants at its input", amplifier.level.to_string()),
            ("Input impedance", amplifier.impedance.to_string()),
            ("Isolation transformer", yes(amplifier.transformer)),
            (
                "Pad",
                amplifier.pad.map_or_else(|| "none".to_owned(), |pad| pad.to_string()),
            ),
            ("Music muted by", amplifier.music.name().to_owned()),
        ];
        if let Some(cable) = &amplifier.cable {
            settings.push(("Cable", cable.to_string()));
        }
        if let Some(line) = amplifier.line {
            settings.push(("Loudspeaker line", line.name().to_owned()));
        }
        if let Some(power) = amplifier.power {
            settings.push(("Rated power", power.to_string()));
        }
        if !taps.is_empty() {
            settings.push(("Loudspeakers", and(&taps)));
        }
        (amplifier.name.clone(), settings)
    });
    all.collect()
}

fn extensions(plan: &Plan) -> Vec<Column> {
    let all = plan.extensions.iter().map(|extension| {
        let registrars: Vec<String> = extension.registrars.iter().map(|r| words::hop(&r.hop)).collect();
        let proxies = extension.registrars.iter().flat_map(|r| &r.proxies);
        let mut ways: Vec<String> = proxies.map(words::hop).collect();
        ways.dedup();
        let codecs: Vec<String> = extension.codecs.iter().map(codec).collect();
        let srtp = match extension.srtp {
            Srtp::Off => "never",
            Srtp::Prefer => "where the telephone offers it",
            Srtp::Require => "always",
        };
        let mut settings = vec![
            ("User (number)", extension.user.clone()),
            (
                "Registers at",
                if registrars.is_empty() {
                    "nothing; called straight".to_owned()
                } else {
                    and(&registrars)
                },
            ),
        ];
        if !ways.is_empty() {
            settings.push(("By way of", and(&ways)));
        }
        if !registrars.is_empty() {
            settings.push((
                "Logs in as",
                extension.auth_user.clone().unwrap_or_else(|| extension.user.clone()),
            ));
            settings.push((
                "Password",
                if extension.password.is_some() {
                    "yes, in the secrets file"
                } else {
                    "none"
                }
                .to_owned(),
            ));
            settings.push((
                "Registration lasts",
                time(std::time::Duration::from_secs(extension.expires.into())),
            ));
            settings.push(("Keep-alive", or_none(extension.keep_alive)));
        }
        settings.push(("Codecs", codecs.join(", ")));
        settings.push(("Encrypted audio", srtp.to_owned()));
        settings.extend(paging(plan, &extension.paging, Sort::Call));
        (extension.name.clone(), settings)
    });
    all.collect()
}

fn groups(plan: &Plan) -> Vec<Column> {
    let all = plan.groups.iter().map(|group| {
        let kind = match (&group.codec, group.payload_type) {
            (Some(of), Some(number)) => format!("{}, payload type {number}", codec(of)),
            (Some(of), None) => codec(of),
            (None, _) => "by its payload type".to_owned(),
        };
        let mut settings = vec![
            ("Address", group.address.to_string()),
            (
                "Interface",
                group
                    .interface
                    .clone()
                    .unwrap_or_else(|| "chosen by the system".to_owned()),
            ),
            ("Codec", kind),
            ("Encrypted", yes(group.srtp.is_some())),
            ("Ends without packets after", time(group.idle)),
        ];
        settings.extend(paging(plan, &group.paging, Sort::Stream));
        (group.name.clone(), settings)
    });
    all.collect()
}

fn inputs(plan: &Plan) -> Vec<Column> {
    let all = plan.inputs.iter().map(|input| {
        let mut settings = vec![
            (
                "Device, channel",
                format!("{}, {}", plan.captures[input.capture].input, input.channel + 1),
            ),
            ("Threshold", format!("{} dBFS", input.vox.threshold.0)),
            ("Attack", time(input.vox.attack)),
            ("Hang", time(input.vox.hang)),
        ];
        settings.extend(paging(plan, &input.paging, Sort::Line));
        (input.name.clone(), settings)
    });
    all.collect()
}

fn contacts(plan: &Plan) -> Vec<Column> {
    let all = plan.contacts.iter().map(|contact| {
        let mut settings = contact_settings(&contact.input);
        settings.push(("Plays", words::played(plan, contact.plays)));
        settings.push((
            "Times",
            contact
                .times
                .map_or_else(|| "while it is closed".to_owned(), |n| n.to_string()),
        ));
        settings.push(("Pause between", time(contact.pause)));
        settings.extend(paging(plan, &contact.paging, Sort::Sound));
        (contact.name.clone(), settings)
    });
    all.collect()
}

fn contact_settings(input: &crate::config::plan::InputLine) -> Vec<(&'static str, String)> {
    vec![
        ("Line", contact_line(input)),
        (
            "Closed while the line is",
            if input.closed_low { "low" } else { "high" }.to_owned(),
        ),
        ("Steady for", time(input.debounce)),
    ]
}

fn vetoes(plan: &Plan) -> Vec<Column> {
    let all = plan.vetoes.iter().map(|veto| {
        let mut settings = contact_settings(&veto.input);
        settings.push(("Zones", words::zones(plan, &veto.zones)));
        (veto.name.clone(), settings)
    });
    all.collect()
}

fn schedules(plan: &Plan) -> Vec<Column> {
    let all = plan.schedules.iter().map(|schedule| {
        let mut settings = vec![
            ("Plays", words::played(plan, schedule.plays)),
            ("Times", schedule.times.to_string()),
            ("Pause between", time(schedule.pause)),
        ];
        settings.extend(paging(plan, &schedule.paging, Sort::Sound));
        (schedule.name.clone(), settings)
    });
    all.collect()
}

fn music(plan: &Plan) -> Vec<Column> {
    let all = plan.music.iter().map(|music| {
        let channels: Vec<String> = music.channels.iter().map(|channel| (channel + 1).to_string()).collect();
        let depth = music.ducking.depth;
        let settings = vec![
            ("Device", plan.captures[music.capture].input.to_string()),
            ("Channels", and(&channels)),
            ("Zones", words::zones(plan, &music.zones)),
            ("Gain", gain(music.gain)),
            (
                "During a page",
                if depth.0.is_finite() {
                    gain(depth)
                } else {
                    "silent".to_owned()
                },
            ),
            (
                "Fades out, in",
                format!("{}, {}", time(music.ducking.fade_out), time(music.ducking.fade_in)),
            ),
        ];
        (music.name.clone(), settings)
    });
    all.collect()
}

fn recordings(plan: &Plan) -> Vec<Column> {
    let all = plan.messages.iter().map(|message| {
        let settings = vec![
            ("File", message.file.display().to_string()),
            ("Gain", gain(message.gain)),
        ];
        (message.name.clone(), settings)
    });
    all.collect()
}

fn network(plan: &Plan) -> Vec<(&'static str, String)> {
    let sip = &plan.sip;
    let listens: Vec<String> = sip
        .listen
        .iter()
        .map(|(transport, address)| format!("{} {address}", transport.name()))
        .collect();
    let list = |networks: &[crate::sip::network::Network]| match networks {
        [] => "none".to_owned(),
        some => words::networks(some),
    };
    let file = |path: &Option<std::path::PathBuf>| path.as_ref().map(|path| path.display().to_string());
    let mut all = vec![
        (
            "Listens for calls at",
            if listens.is_empty() {
                "nothing".to_owned()
            } else {
                and(&listens)
            },
        ),
        (
            "Ports for the audio of calls",
            format!("UDP {} to {}", sip.rtp_ports.0, sip.rtp_ports.1),
        ),
        ("May call beside the telephone systems", list(&sip.networks)),
        ("Trusted about who calls", list(&sip.trusted)),
        ("First registrations spread over", time(sip.start_spread)),
        (
            "Local command's socket",
            match &plan.control.socket {
                Socket::Usual => "the service's usual place".to_owned(),
                Socket::At(path) => path.display().to_string(),
                Socket::None => "none".to_owned(),
            },
        ),
        (
            "Figures for monitoring",
            plan.metrics
                .as_ref()
                .map_or_else(|| "none".to_owned(), |metrics| served(metrics.listen)),
        ),
        (
            "Passwords are in",
            file(&plan.secrets_file).unwrap_or_else(|| "a credential of the service, or there are none".to_owned()),
        ),
    ];
    if let Some(address) = sip.advertise {
        all.push(("Address told to callers", address.to_string()));
    }
    for (label, path) in [
        ("Authorities that are believed", &plan.tls.ca),
        ("Own certificate", &plan.tls.certificate),
        ("Authorities of those who connect", &plan.tls.client_ca),
    ] {
        if let Some(path) = file(path) {
            all.push((label, path));
        }
    }
    all
}

fn served(at: SocketAddr) -> String {
    format!("http://{at}/metrics")
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Sort {
    Call,
    Stream,
    Line,
    /// Played by the board itself.
    Sound,
}

fn paging(plan: &Plan, paging: &Paging, sort: Sort) -> Vec<(&'static str, String)> {
    let limits = &paging.limits;
    let mut all = vec![
        ("Zones", words::zones(plan, &paging.zones)),
        ("Priority", paging.priority.0.to_string()),
        ("Chime before speech", words::chime(plan, paging.chime)),
        ("Longest page", or_none(limits.page)),
        ("Longest wait", or_none(limits.wait)),
        ("Gain", gain(paging.gain)),
    ];
    if sort == Sort::Call {
        all.push(("Warning before the end", or_none(super::ways::warning(paging))));
        all.push(("Longest without packets", or_none(limits.no_packet)));
    }
    if sort != Sort::Sound {
        let PlayoutSettings {
            min_delay, max_delay, ..
        } = paging.playout;
        all.push(("Longest silence", or_none(limits.quiet)));
        all.push(("Levelled", yes(paging.levelled)));
        all.push((
            "Busy tone that ends it",
            paging
                .busy_tone
                .map_or_else(|| "none".to_owned(), |tone| tone.name().to_owned()),
        ));
        if sort != Sort::Line {
            all.push(("Jitter buffer", format!("{} to {}", time(min_delay), time(max_delay))));
        }
    }
    all
}

fn codec(codec: &Codec) -> String {
    codec.name().to_owned()
}
