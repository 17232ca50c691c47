//! How what is heard is shown: a table that is painted anew, lines, or JSON.
#![allow(clippy::disallowed_methods)]

use std::io::{self, Write as _};
use std::time::{Duration, Instant};

use hornwire::bench::listen::{Counts, Event, Row, text};
use hornwire::device::terminal;
use hornwire::report::text::plural;
use serde_json::{Value, json};

/// Between two looks.
const EVERY: Duration = Duration::from_secs(1);
/// Between two lines about a stream, in looks.
const LINES_EVERY: u32 = 10;

/// Beginnings and ends told between two looks: who forges senders fills no disk. The others are counted.
const MAX_TOLD: u32 = 64;

/// Where it goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    Table,
    Lines,
    Json,
}

pub struct Show {
    way: Way,
    began: Instant,
    next: Instant,
    looks: u32,
    /// Lines of the table that is on the terminal now.
    painted: usize,
    /// What the table's first line begins with.
    title: String,
    /// Groups that were joined because others asked for them, or because they were named.
    pub joined: usize,
    /// Beginnings and ends told since the last look, and those that were too many.
    told: u32,
    untold: u64,
}

/// Round to what is worth telling.
fn round(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0
}

impl Show {
    pub fn new(way: Way, title: String, now: Instant) -> Show {
        Show {
            way,
            began: now,
            next: now + EVERY,
            looks: 0,
            painted: 0,
            title,
            joined: 0,
            told: 0,
            untold: 0,
        }
    }

    /// Whether it is time to look.
    pub fn is_due(&mut self, now: Instant) -> bool {
        if now < self.next {
            return false;
        }
        // A standstill is not made up for.
        self.next = (self.next + EVERY).max(now);
        self.looks += 1;
        self.told = 0;
        true
    }

    /// What is told from now on comes at the end, all of it.
    pub fn ends(&mut self) {
        self.told = 0;
    }

    /// # Errors
    /// Nobody reads any more.
    pub fn event(&mut self, event: &Event, file: Option<&str>) -> io::Result<()> {
        if self.told >= MAX_TOLD {
            self.untold += 1;
            return Ok(());
        }
        self.told += 1;
        let clock = clock();
        match (self.way, event) {
            // The table shows them.
            (Way::Table, _) => Ok(()),
            (Way::Lines, Event::Began(row)) => put(&text::began(&clock, row)),
            (Way::Lines, Event::Ended(row)) => put(&text::ended(&clock, row, file)),
            (Way::Json, Event::Began(row)) => put_json(&machine("began", row, None)),
            (Way::Json, Event::Ended(row)) => put_json(&machine("ended", row, file)),
        }
    }

    /// # Errors
    /// Nobody reads any more.
    pub fn look(&mut self, now: Instant, rows: &[Row], counts: &Counts) -> io::Result<()> {
        match self.way {
            Way::Table => self.paint(now, rows, counts),
            Way::Lines if self.looks.is_multiple_of(LINES_EVERY) => {
                let clock = clock();
                let live = rows.iter().filter(|row| row.state.word() != "ended");
                live.map(|row| text::goes_on(&clock, row))
                    .try_for_each(|line| put(&line))
            }
            Way::Lines => Ok(()),
            Way::Json => {
                let live = rows.iter().filter(|row| row.state.word() != "ended");
                live.map(|row| machine("stream", row, None))
                    .try_for_each(|line| put_json(&line))?;
                put_json(&self.numbers("look", now, counts))
            }
        }
    }

    fn paint(&mut self, now: Instant, rows: &[Row], counts: &Counts) -> io::Result<()> {
        let (columns, height) = terminal::size().unwrap_or((text::WIDTH, 24));
        let mut all = format!("{}, {}; Ctrl-C ends it\n", self.title, text::time(now - self.began));
        if rows.is_empty() {
            all.push_str("nobody sends\n");
        } else {
            all.push_str(&text::table(rows));
        }
        let besides = text::besides(counts);
        if !besides.is_empty() {
            hornwire::report::text::fill(&mut all, &besides, "besides: ", "  ", text::WIDTH);
        }
        // One column is left free: a line that fills the last one may take two.
        let columns = columns.saturating_sub(usize::from(columns < text::WIDTH + 1)).max(1);
        let mut lines: Vec<String> = all.lines().map(|line| fit(line, columns)).collect();
        let room = height.saturating_sub(1).max(1);
        if lines.len() > room {
            let hidden = lines.len() - room + 1;
            lines.truncate(room - 1);
            lines.push(fit(&format!("... and {}", plural(hidden, "more line")), columns));
        }
        let wipe = self.wipe();
        let mut out = String::new();
        for line in &lines {
            out.push_str(line);
            out.push('\n');
        }
        self.painted = lines.len();
        put_after(&wipe, &out)
    }

    /// Takes the table off the terminal (ECMA-48: cursor up, erase to the end of the screen).
    fn wipe(&mut self) -> String {
        match std::mem::take(&mut self.painted) {
            0 => String::new(),
            lines => format!("\r\x1b[{lines}A\x1b[J"),
        }
    }

    /// The end: what every stream came to.
    ///
    /// # Errors
    /// Nobody reads any more.
    pub fn end(
        &mut self,
        now: Instant,
        rows: &[Row],
        counts: &Counts,
        file: &dyn Fn(u64) -> Option<String>,
    ) -> io::Result<()> {
        if self.way == Way::Json {
            return put_json(&self.numbers("totals", now, counts));
        }
        let wipe = self.wipe();
        let mut out = String::new();
        let heard = match rows.len() + usize::try_from(counts.forgotten).unwrap_or(usize::MAX) {
            0 => "nobody sent".to_owned(),
            n => plural(n, "stream"),
        };
        let mut line = format!("{}, {}: {heard}", self.title, text::time(now - self.began));
        let besides = text::besides(counts);
        if !besides.is_empty() {
            line = format!("{line}; besides: {besides}");
        }
        let untold = counts.untold + self.untold;
        if self.way == Way::Lines && untold > 0 {
            line = format!("{line}; {untold} beginnings and ends were too many to tell");
        }
        hornwire::report::text::fill(&mut out, &line, "", "  ", text::WIDTH);
        if self.way == Way::Table && !rows.is_empty() {
            out.push_str(&text::totals(rows, file));
        }
        put_after(&wipe, &out)
    }
}

impl Show {
    fn numbers(&self, what: &str, now: Instant, counts: &Counts) -> Value {
        json!({
            "what": what,
            "seconds": round((now - self.began).as_secs_f64()),
            "joined": self.joined,
            "datagrams": counts.datagrams,
            "not_rtp": counts.not_rtp,
            "rtcp": counts.rtcp,
            "unproven": counts.unproven,
            "not_authentic": counts.not_authentic,
            "evicted": counts.evicted,
            "turned_away": counts.turned_away,
            "forgotten": counts.forgotten,
            "untold": counts.untold + self.untold,
        })
    }
}

fn fit(line: &str, columns: usize) -> String {
    line.chars().take(columns).collect()
}

/// On the wall.
fn clock() -> String {
    let zone = jiff::tz::TimeZone::system();
    zone.to_datetime(jiff::Timestamp::now())
        .strftime("%H:%M:%S")
        .to_string()
}

fn put(text: &str) -> io::Result<()> {
    put_after("", text)
}

/// `ours` steers the terminal, and nothing in the text does, whoever wrote the names in it.
fn put_after(ours: &str, text: &str) -> io::Result<()> {
    let mut out = io::stdout().lock();
    out.write_all(format!("{ours}{}", harmless(text)).as_bytes())?;
    out.flush()
}

fn harmless(text: &str) -> String {
    let kept = |c: char| if c.is_control() && c != '\n' { '?' } else { c };
    text.chars().map(kept).collect()
}

fn put_json(value: &Value) -> io::Result<()> {
    put(&format!("{value}\n"))
}

fn machine(what: &str, row: &Row, file: Option<&str>) -> Value {
    let gateway = &row.gateway;
    json!({
        "what": what,
        "stream": row.number,
        "group": row.id.group.to_string(),
        "sender": row.id.sender.to_string(),
        "ssrc": format!("{:08x}", row.id.ssrc),
        "payload_type": row.payload_type,
        "codec": row.codec.map(|codec| codec.name()),
        "sample_rate": row.codec.map(|codec| codec.sample_rate()),
        "encrypted": row.is_closed,
        "state": row.state.word(),
        "seconds": round(row.length.as_secs_f64()),
        "packets": row.packets,
        "lost": row.lost,
        "loss_percent": round(row.loss_percent()),
        "duplicates": row.duplicates,
        "late": row.late,
        "packets_per_second": row.packets_a_second.map(round),
        "packet_time_ms": row.packet_time_ms.map(round),
        "jitter_ms": row.jitter_ms.map(round),
        "level_dbfs": row.level.map(|level| round(f64::from(level.0))),
        "loudest_dbfs": row.loudest.map(|level| round(f64::from(level.0))),
        "gateway": {
            "verdict": gateway.code(),
            "text": text::verdict(gateway, row.id.sender.ip()),
            "group": (!gateway.group.is_empty()).then_some(&gateway.group),
            "zones": gateway.zones,
            "priority": gateway.priority,
        },
        "file": file,
    })
}

#[cfg(test)]
mod tests {
    #[test]
    fn no_name_steers_the_terminal() {
        assert_eq!(super::harmless("yard\x1b[2J\u{9b}1m\r\n"), "yard?[2J?1m?\n");
    }
}
