//! A view on a terminal. Words and signs say everything; colour only adds.

use ratatui::Frame;
use ratatui::style::{Color, Modifier, Style};
use ratatui::text::{Line, Span};

use crate::report::status::{Level, OutOfUse, Page, Status, Zone};
use crate::report::text::{fill, plural};

/// The meter's lower end, dBFS; its upper end is full scale.
const FLOOR: f64 = -60.0;
/// Columns of a zone's line beside its name and its meter.
const PHASE: usize = 11;
const PAGE: usize = 5;
const LEVEL: usize = 10;
const LIMITER: usize = 7;
/// Lines of the last pages that are kept free, if there are any.
const PAST: usize = 4;
/// Lines of zones and of pages that are shown however little room there is.
const LEAST: usize = 3;

/// Columns that a caller's name has however little room there is.
const LEAST_FROM: usize = 16;

/// How somebody looks at it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Look {
    /// Everything is listed, on more than a screen if need be.
    pub all: bool,
    /// Lines above the screen.
    pub scroll: usize,
    pub colour: bool,
}

/// What is drawn.
#[derive(Debug, Clone, Copy)]
pub struct Screen<'a> {
    /// The last answer.
    pub view: Option<&'a Status>,
    /// Time of the day.
    pub clock: &'a str,
    /// Why there is no answer now; one clean line.
    pub trouble: Option<&'a str>,
    pub look: Look,
}

/// Draws it, and says how many lines are above the screen in fact.
pub fn draw(frame: &mut Frame, screen: &Screen) -> usize {
    let area = frame.area();
    let (width, height) = (usize::from(area.width), usize::from(area.height));
    let mut top = vec![header(screen, width)];
    if let Some(trouble) = screen.trouble {
        let mut text = String::new();
        fill(
            &mut text,
            &format!("NO ANSWER: {trouble}; it goes on asking"),
            "",
            "  ",
            width,
        );
        let alarm = screen.look.style(Color::Red).add_modifier(Modifier::BOLD);
        top.extend(text.lines().map(|line| Line::styled(line.to_owned(), alarm)));
        if screen.view.is_some() {
            top.push(Line::raw("As it was last:"));
        }
    }
    let room = height.saturating_sub(top.len());
    let body = screen.view.map(|view| body(view, screen.look, width, room));
    let body = body.unwrap_or_default();
    let scroll = screen.look.scroll.min(body.len().saturating_sub(room));
    let is_cut = body.len() > room;
    let lines = top.iter().chain(body.iter().skip(scroll)).take(height);
    let buffer = frame.buffer_mut();
    for (y, line) in (area.y..).zip(lines) {
        buffer.set_line(area.x, y, line, area.width);
    }
    if is_cut && scroll + room < body.len() && height > 1 {
        let more = format!(" {}: arrow keys ", plural(body.len() - scroll - room, "more line"));
        let x = area.x + area.width.saturating_sub(more.len() as u16);
        let reversed = Style::new().add_modifier(Modifier::REVERSED);
        buffer.set_stringn(x, area.y + area.height - 1, &more, width, reversed);
    }
    scroll
}

impl Look {
    fn style(self, colour: Color) -> Style {
        if self.colour {
            Style::new().fg(colour)
        } else {
            Style::new()
        }
    }
}

fn bold(text: impl Into<String>) -> Line<'static> {
    Line::styled(text.into(), Style::new().add_modifier(Modifier::BOLD))
}

fn header(screen: &Screen, width: usize) -> Line<'static> {
    let left = match (screen.view, screen.trouble) {
        (Some(view), None) => format!("{}: {}", view.site, view.state()),
        (Some(view), Some(_)) => view.site.clone(),
        (None, _) => "hornwire watch".to_owned(),
    };
    let right = format!("{}  a all  q quit", screen.clock);
    let left = fit(&left, width.saturating_sub(right.len() + 1));
    let style = Style::new().add_modifier(Modifier::BOLD | Modifier::REVERSED);
    Line::styled(format!("{left} {right}"), style)
}

/// Everything below the header; in so many lines, if that is possible and not all is wanted.
fn body(view: &Status, look: Look, width: usize, room: usize) -> Vec<Line<'static>> {
    let around = around(view, look, width);
    let past = view.recent.len().min(PAST) + usize::from(!view.recent.is_empty());
    let pages = view.pages.len() + 1;
    // Pages give way before zones do: who waits stands at their end.
    let left = room.saturating_sub(around.len() + past);
    let (zones, pages) = if look.all {
        (usize::MAX, usize::MAX)
    } else {
        let zones = (view.zones.len() + 1).min(left.saturating_sub(pages.min(LEAST + 1)));
        let zones = zones.max(LEAST + 1);
        (zones, left.saturating_sub(zones).max(LEAST + 1))
    };
    let mut lines = of_zones(view, look, width, zones);
    lines.extend(of_pages(view, look, width, pages));
    lines.extend(around);
    let rest = if look.all {
        usize::MAX
    } else {
        room.saturating_sub(lines.len())
    };
    lines.extend(of_past(view, width, rest));
    lines
}

fn of_zones(view: &Status, look: Look, width: usize, room: usize) -> Vec<Line<'static>> {
    let longest = view.zones.iter().map(|zone| span(&zone.name)).max().unwrap_or(0);
    let beside = PHASE + PAGE + LEVEL + LIMITER + 5;
    let name = longest.clamp(4, width.saturating_sub(beside + 10).max(8));
    let meter = width.saturating_sub(beside + name).min(60);
    let mut heading = format!(
        "{} {:PHASE$} {:>PAGE$} {:>LEVEL$} ",
        fit("Zone", name),
        "phase",
        "page",
        "level"
    );
    if meter > 0 {
        heading += &format!("{} {:>LIMITER$}", scale(meter), "limiter");
    }
    let mut lines = vec![bold(fit(&heading, width))];
    let line = |zone: &Zone| of_zone(zone, look, name, meter, width);
    if view.zones.len() < room {
        lines.extend(view.zones.iter().map(line));
        return lines;
    }
    // The ones where something is come first, the others are counted.
    let (rest, busy): (Vec<&Zone>, Vec<&Zone>) = view.zones.iter().partition(|zone| zone.is_at_rest());
    let shown = room.saturating_sub(2);
    lines.extend(busy.iter().chain(&rest).take(shown).map(|zone| line(zone)));
    let busy = busy.len().saturating_sub(shown);
    let rest = view.zones.len() - shown.min(view.zones.len()) - busy;
    let busy = if busy > 0 {
        format!("{busy} with pages or out of use, ")
    } else {
        String::new()
    };
    lines.push(Line::raw(fit(&format!("and {busy}{rest} at rest (a: all)"), width)));
    lines
}

fn of_zone(zone: &Zone, look: Look, name: usize, meter: usize, width: usize) -> Line<'static> {
    let named = fit(&zone.name, name);
    if let Some(why) = zone.out_of_use.map(OutOfUse::text) {
        let text = fit(&format!("{named} OUT OF USE: {why}"), width);
        return Line::styled(text, look.style(Color::Red));
    }
    let phase = match (zone.phase.as_str(), zone.has_music()) {
        ("rest", true) => "rest, music",
        (phase, _) => phase,
    };
    let page = zone.page.map(|page| page.to_string()).unwrap_or_default();
    let level = zone.level.map(level).unwrap_or_default();
    let start = format!("{named} {} {page:>PAGE$} {level:>LEVEL$} ", fit(phase, PHASE));
    let limiter = zone.level.filter(|level| level.reduction_db >= 0.05);
    let limiter = limiter
        .map(|level| format!("-{:.1} dB", level.reduction_db))
        .unwrap_or_default();
    let mut spans = vec![Span::raw(start)];
    if meter > 0 {
        spans.push(Span::styled(bar(zone.level, meter), look.style(Color::Green)));
        spans.push(Span::styled(format!(" {limiter:>LIMITER$}"), look.style(Color::Yellow)));
    }
    Line::from(spans)
}

fn level(level: Level) -> String {
    match level.dbm {
        Some(dbm) => format!("{dbm:.1} dBm "),
        None => format!("{:.1} dBFS", level.dbfs),
    }
}

/// `#` up to the RMS, `|` at the peak.
fn bar(level: Option<Level>, width: usize) -> String {
    let cells = |dbfs: f64| {
        ((dbfs - FLOOR) / -FLOOR * width as f64)
            .round()
            .clamp(0.0, width as f64) as usize
    };
    let (rms, peak) = level.map_or((0, 0), |level| (cells(level.dbfs), cells(level.peak_dbfs)));
    (1..=width)
        .map(|cell| match cell {
            _ if cell == peak => '|',
            _ if cell <= rms => '#',
            _ => '.',
        })
        .collect()
}

/// The meter's ends and middle, dB below full scale.
fn scale(width: usize) -> String {
    let ends = ["-60", "-30", "0 dBFS"];
    if width < 16 {
        return fit("", width);
    }
    let half = width / 2 - 1;
    let mut text = format!("{:half$}{}", ends[0], ends[1]);
    let gap = width - text.len();
    text += &format!("{:>gap$}", ends[2]);
    text
}

fn of_pages(view: &Status, look: Look, width: usize, room: usize) -> Vec<Line<'static>> {
    if view.pages.is_empty() {
        return vec![bold(fit("Page  none", width))];
    }
    let heading = format!(
        "{:>5}  {:>6}  {:>4}  {:18}  from, for",
        "Page", "since", "prio", "state"
    );
    let mut lines = vec![bold(fit(&heading, width))];
    let (waiting, on): (Vec<&Page>, Vec<&Page>) = view.pages.iter().partition(|page| page.waits());
    let all: Vec<&Page> = on.into_iter().chain(waiting).collect();
    let shown = if all.len() < room {
        all.len()
    } else {
        room.saturating_sub(2)
    };
    lines.extend(all.iter().take(shown).map(|page| of_page(page, look, width)));
    if shown < all.len() {
        let more = &all[shown..];
        let waiting = more.iter().filter(|page| page.waits()).count();
        let text = format!("and {} on, {waiting} waiting (a: all)", more.len() - waiting);
        lines.push(Line::raw(fit(&text, width)));
    }
    lines
}

fn of_page(page: &Page, look: Look, width: usize) -> Line<'static> {
    let begin = format!(
        "{:>5}  {:>4} s  {:>4}  {}  ",
        page.id,
        page.seconds,
        page.priority,
        fit(&page.state, 18)
    );
    let place = format!(
        " {} {}",
        if page.waits() { "for" } else { "in" },
        page.place().join(", ")
    );
    let text = between(begin, &page.from(), &place, width);
    let colour = if page.waits() { Color::Yellow } else { Color::Green };
    Line::styled(fit(&text, width), look.style(colour))
}

/// Relays, registrations, what is missing, what comes next.
fn around(view: &Status, look: Look, width: usize) -> Vec<Line<'static>> {
    let mut lines = Vec::new();
    let mut add = |label: &str, text: &str, most: usize, style: Style| {
        let mut out = String::new();
        fill(&mut out, text, label, "            ", width);
        let most = if look.all { usize::MAX } else { most };
        let all: Vec<&str> = out.lines().collect();
        for (n, line) in all.iter().take(most).enumerate() {
            let is_cut = n + 1 == most && all.len() > most;
            let line = if is_cut {
                format!("{} …", fit(line, width.saturating_sub(2)).trim_end())
            } else {
                fit(line, width)
            };
            lines.push(Line::styled(line, style));
        }
    };
    let (plain, alarm) = (Style::new(), look.style(Color::Red));
    let names = |operated: bool| {
        let relays = view.relays.iter().filter(|relay| relay.operated == operated);
        let names: Vec<&str> = relays.map(|relay| relay.name.as_str()).collect();
        if names.is_empty() {
            "none".to_owned()
        } else {
            names.join(", ")
        }
    };
    if !view.relays.is_empty() {
        let text = format!("OPERATED {}; at rest {}", names(true), names(false));
        add("Relays      ", &text, 2, plain);
    }
    let registered = view.registrations.iter().filter(|r| !r.registrars.is_empty());
    let registered: Vec<String> = registered
        .map(|r| format!("{} at {}", r.extension, r.registrars.join(" and ")))
        .collect();
    if !registered.is_empty() {
        add("Registered  ", &registered.join(", "), 1, plain);
    }
    let mut refused = Vec::new();
    for registration in &view.registrations {
        let of = &registration.extension;
        if registration.registrars.is_empty() && registration.refusals.is_empty() {
            refused.push(format!("{of}: no answer yet"));
        }
        let refusals = registration.refusals.iter();
        refused.extend(refusals.map(|(registrar, cause)| format!("{of} at {registrar}: {cause}")));
    }
    if !refused.is_empty() {
        add("NOT REG.    ", &refused.join("; "), 2, alarm);
    }
    // The line before says it better.
    let missing = view.missing.iter().filter(|what| !what.starts_with("registration of "));
    let missing: Vec<&str> = missing.map(String::as_str).collect();
    if !missing.is_empty() {
        add("MISSING     ", &missing.join("; "), 2, alarm);
    }
    if view.config_refused {
        add(
            "CONFIG      ",
            "read last, faulty and not in use: hornwire check",
            1,
            alarm,
        );
    }
    if !view.config_waits.is_empty() {
        let text = format!("waits until nothing is on; it changes {}", view.config_waits.join(", "));
        add("Config      ", &text, 1, plain);
    }
    if let Some((schedule, at)) = &view.next {
        add("Next        ", &format!("{schedule} at {at}"), 1, plain);
    }
    lines
}

fn of_past(view: &Status, width: usize, room: usize) -> Vec<Line<'static>> {
    if view.recent.is_empty() || room < 2 {
        return Vec::new();
    }
    let mut lines = vec![bold(fit("Ended       page  from", width))];
    let newest = view.recent.iter().rev().take(room - 1);
    lines.extend(newest.map(|past| {
        let begin = format!("{:>8}  {:>6}  ", past.time(), past.id());
        let text = between(begin, &past.from(), &format!(" {}", past.ending()), width);
        Line::raw(fit(&text, width))
    }));
    lines
}

/// A long name of a caller gives way to what comes behind it.
fn between(mut begin: String, from: &str, end: &str, width: usize) -> String {
    let room = width.saturating_sub(span(&begin) + span(end)).max(LEAST_FROM);
    match span(from) > room {
        true => begin += fit(from, room).trim_end(),
        false => begin += from,
    }
    begin + end
}

fn span(text: &str) -> usize {
    Span::raw(text).width()
}

/// `text` in exactly so many columns.
fn fit(text: &str, width: usize) -> String {
    let whole = span(text);
    if whole <= width {
        return format!("{text}{}", " ".repeat(width - whole));
    }
    let mut out = String::new();
    let mut used = 0;
    for c in text.chars() {
        let columns = span(c.encode_utf8(&mut [0; 4]));
        if used + columns + 1 > width {
            break;
        }
        out.push(c);
        used += columns;
    }
    if used < width {
        out.push('…');
        used += 1;
    }
    out + &" ".repeat(width - used)
}
