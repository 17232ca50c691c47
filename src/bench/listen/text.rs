//! Rows as text, in 80 columns.

use std::fmt::Write as _;
use std::net::IpAddr;
use std::time::Duration;

use super::gateway::{Gateway, Verdict};
use super::station::Counts;
use super::stream::{Row, State};
use crate::report::text::{fill, plural};
use crate::sound::level::Dbfs;

/// Widest line.
pub const WIDTH: usize = 80;
/// Widest group that leaves the other columns in their places: every IPv4 address and port.
const GROUP: usize = 22;

/// What the gateway would do, in a sentence without an end.
pub fn verdict(gateway: &Gateway, sender: IpAddr) -> String {
    let group = &gateway.group;
    match &gateway.verdict {
        Verdict::NotInConfig => "not in the config".to_owned(),
        Verdict::Pages => {
            let zones = match gateway.zones.as_slice() {
                [] => "to no zone".to_owned(),
                [one] => format!("to zone {one}"),
                more => format!("to zones {}", more.join(", ")),
            };
            let priority = gateway.priority.map(|p| format!(", priority {p}")).unwrap_or_default();
            let hours = if gateway.has_hours { ", within its hours" } else { "" };
            format!("{group}: {zones}{priority}{hours}")
        }
        Verdict::Network => format!("{group}: refused, its networks do not hold {sender}"),
        Verdict::PayloadType(takes) => format!("{group}: not played, it takes {takes}"),
        Verdict::NotProtected => format!("{group}: refused, the packets do not fit its SRTP key"),
        Verdict::Waits(other) => format!("{group}: not heard while {other} sends"),
    }
}

fn ssrc(row: &Row) -> String {
    format!("{:08x}", row.id.ssrc)
}

fn ms(ms: Option<f64>) -> String {
    ms.map_or_else(|| "-".to_owned(), |ms| format!("{ms:.1} ms"))
}

fn level(level: Option<Dbfs>) -> String {
    match level {
        None => "-".to_owned(),
        // The least that [`Dbfs::of`] tells: digital silence.
        Some(level) if level.0 <= -119.0 => "none".to_owned(),
        Some(level) => format!("{:.1}", level.0),
    }
}

/// Two digits where they say something.
fn percent(row: &Row) -> String {
    let percent = row.loss_percent();
    match percent {
        _ if row.lost == 0 => "0%".to_owned(),
        p if p < 1.0 => format!("{p:.2}%"),
        p => format!("{p:.1}%"),
    }
}

fn short(value: Option<f64>) -> String {
    value.map_or_else(|| "-".to_owned(), |value| format!("{value:.1}"))
}

fn packet_time(row: &Row) -> String {
    row.packet_time_ms.map_or_else(
        || "-".to_owned(),
        |ms| {
            if ms.fract() == 0.0 {
                format!("{ms:.0}")
            } else {
                format!("{ms:.1}")
            }
        },
    )
}

/// "239.192.0.10:5004" in its column; a longer one on a line of its own.
fn group_cell(out: &mut String, row: &Row) {
    let group = row.id.group.to_string();
    if group.len() < GROUP {
        let _ = write!(out, "{group:GROUP$}");
    } else {
        let _ = write!(out, "{group}\n{:GROUP$}", "");
    }
}

/// On one line where they fit, else each on its own.
fn below(out: &mut String, row: &Row, more: &str) {
    let from = format!("from {} ssrc {}", row.id.sender, ssrc(row));
    let made = format!("{}{more}", verdict(&row.gateway, row.id.sender.ip()));
    if from.len() + 2 + made.chars().count() < WIDTH - 2 {
        fill(out, &format!("{from}; {made}"), "  ", "    ", WIDTH);
    } else {
        fill(out, &from, "  ", "    ", WIDTH);
        fill(out, &made, "  ", "    ", WIDTH);
    }
}

/// The table of those who are there.
pub fn table(rows: &[Row]) -> String {
    let mut out = format!(
        "{:GROUP$}{:<12}{:>5}{:>8}{:>7}{:>9}{:>8} {}\n",
        "group", "codec", "ms", "pkt/s", "loss", "jitter", "dBFS", "state"
    );
    for row in rows {
        group_cell(&mut out, row);
        let line = format!(
            "{:<12}{:>5}{:>8}{:>7}{:>9}{:>8} {}",
            row.codec_name,
            packet_time(row),
            short(row.packets_a_second),
            percent(row),
            ms(row.jitter_ms),
            level(row.level),
            row.state.word()
        );
        out.push_str(line.trim_end());
        out.push('\n');
        below(&mut out, row, unheard(row));
    }
    out
}

/// Why no level is told.
fn unheard(row: &Row) -> &'static str {
    match row.state {
        State::Unheard if row.is_closed => "; encrypted",
        State::Unheard => "; its sound is not known here",
        _ => "",
    }
}

/// The table of what was there. `saved` is the file of a stream, by the number of its row.
pub fn totals(rows: &[Row], saved: &dyn Fn(u64) -> Option<String>) -> String {
    let mut out = format!(
        "{:GROUP$}{:<13}{:>8}{:>9}{:>7}{:>7}{:>9}\n",
        "group", "codec", "seconds", "packets", "lost", "loss", "jitter"
    );
    for row in rows {
        group_cell(&mut out, row);
        let _ = writeln!(
            out,
            "{:<13}{:>8.1}{:>9}{:>7}{:>7}{:>9}",
            row.codec_name,
            row.length.as_secs_f64(),
            row.packets,
            row.lost,
            percent(row),
            ms(row.jitter_ms)
        );
        let mut more = more(row);
        if let Some(file) = saved(row.number) {
            let _ = write!(more, "; saved {file}");
        }
        below(&mut out, row, &more);
    }
    out
}

/// What only some have.
fn more(row: &Row) -> String {
    let mut more = String::new();
    if let Some(loudest) = row.loudest {
        let _ = match loudest.0 <= -119.0 {
            true => write!(more, "; silence"),
            false => write!(more, "; loudest second {:.1} dBFS", loudest.0),
        };
    }
    if row.is_closed {
        more.push_str("; encrypted");
    }
    for (count, what) in [(row.duplicates, "twice"), (row.late, "too late")] {
        if count > 0 {
            let _ = write!(more, "; {count} came {what}");
        }
    }
    more
}

/// A stream begins.
pub fn began(clock: &str, row: &Row) -> String {
    let text = format!(
        "{} begins: {} from {} ssrc {}; {}",
        row.id.group,
        row.codec_name,
        row.id.sender,
        ssrc(row),
        verdict(&row.gateway, row.id.sender.ip())
    );
    event(clock, &text)
}

/// A stream has ended.
pub fn ended(clock: &str, row: &Row, saved: Option<&str>) -> String {
    let mut text = format!(
        "{} ended: {} from {} ssrc {}, {:.1} s, {}, {} lost ({}), jitter {}{}",
        row.id.group,
        row.codec_name,
        row.id.sender,
        ssrc(row),
        row.length.as_secs_f64(),
        plural(usize::try_from(row.packets).unwrap_or(usize::MAX), "packet"),
        row.lost,
        percent(row),
        ms(row.jitter_ms),
        more(row)
    );
    if let Some(file) = saved {
        let _ = write!(text, "; saved {file}");
    }
    event(clock, &text)
}

/// How a stream goes on.
pub fn goes_on(clock: &str, row: &Row) -> String {
    let dbfs = match level(row.level) {
        number if row.level.is_some() && number != "none" => format!("{number} dBFS"),
        other => format!("level {other}"),
    };
    let text = format!(
        "{} {} {}/s loss {} jitter {} {}{}",
        row.id.group,
        ssrc(row),
        short(row.packets_a_second),
        percent(row),
        ms(row.jitter_ms),
        dbfs,
        unheard(row)
    );
    event(clock, &text)
}

fn event(clock: &str, text: &str) -> String {
    let mut out = String::new();
    fill(
        &mut out,
        text,
        &format!("{clock} "),
        &" ".repeat(clock.len() + 3),
        WIDTH,
    );
    out
}

/// What else came; nothing if nothing did.
pub fn besides(counts: &Counts) -> String {
    let told = [
        (counts.not_rtp, "packet that is no RTP", "packets that are no RTP"),
        (counts.rtcp, "of RTCP", "of RTCP"),
        (
            counts.unproven,
            "single packet like RTP that nothing followed",
            "single packets like RTP that nothing followed",
        ),
        (counts.not_authentic, "not authentic", "not authentic"),
        (counts.turned_away, "stream without room", "streams without room"),
        (counts.evicted, "stream that gave way", "streams that gave way"),
    ];
    let told = told.iter().filter(|(count, ..)| *count > 0);
    let told: Vec<String> = told
        .map(|(count, one, more)| format!("{count} {}", if *count == 1 { one } else { more }))
        .collect();
    told.join(", ")
}

/// "1 min 5 s".
pub fn time(length: Duration) -> String {
    let seconds = length.as_secs();
    match seconds / 60 {
        0 => format!("{seconds} s"),
        minutes if minutes < 60 => format!("{minutes} min {} s", seconds % 60),
        minutes => format!("{} h {} min", minutes / 60, minutes % 60),
    }
}
