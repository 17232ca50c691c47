//! The day as a picture: lanes for sources, zones and relays, time from left to right. Black and white, so that it reads on paper;
//! stretches in which nothing happens are left out.

use std::fmt::Write as _;
use std::time::Duration;

use self::layout::{AROUND, Band, CLOCK, layout};
use super::story::{PageStory, Story, View};
use crate::calendar::Loudness;
use crate::page::{Kept, PageId, Phase, Standing, ZoneId};
use crate::report::record::reason_text;
use crate::report::text::escape;

mod layout;

const WIDTH: f64 = 1100.0;
const LABELS: f64 = 150.0;
const MARGIN: f64 = 20.0;
/// For a break in the time line.
const BREAK: f64 = 24.0;
const SOURCE: f64 = 22.0;
const ZONE: f64 = 30.0;
const RELAY: f64 = 18.0;
/// Width of a letter of 11 px, on average.
const LETTER: f64 = 5.9;

const STYLE: &str = "text{font:11px sans-serif;fill:#000}\
.h{font:bold 15px sans-serif}.s{font-weight:bold}.w{fill:#fff}.t{fill:#555;font-size:10px}\
.lane{stroke:#ddd}.seize{fill:#fff;stroke:#555;stroke-dasharray:3 2}.chime{fill:url(#chime);stroke:#000}\
.speech{fill:#222;stroke:#fff}.soft{fill:#777;stroke:#fff}.tail{fill:#ddd;stroke:#999}.out{fill:url(#out);stroke:#000}\
.wait{fill:url(#wait);stroke:#000}.rec{fill:url(#rec);stroke:#000}.on{fill:none;stroke:#555}\
.says{fill:#ccc;stroke:#555}.under{fill:#eee;stroke:#555;stroke-dasharray:1 2}.relay{fill:none;stroke:#000;stroke-width:1.5}.axis{stroke:#000}.tick{stroke:#ccc}";

const PATTERNS: &str = "<defs>\
<pattern id=\"chime\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\"><rect width=\"6\" height=\"6\" fill=\"#fff\"/>\
<path d=\"M0 6L6 0\" stroke=\"#000\"/></pattern>\
<pattern id=\"rec\" width=\"8\" height=\"8\" patternUnits=\"userSpaceOnUse\"><rect width=\"8\" height=\"8\" fill=\"#fff\"/>\
<circle cx=\"4\" cy=\"4\" r=\"2\" fill=\"#000\"/></pattern>\
<pattern id=\"wait\" width=\"5\" height=\"5\" patternUnits=\"userSpaceOnUse\"><rect width=\"5\" height=\"5\" fill=\"#fff\"/>\
<path d=\"M2.5 0V5\" stroke=\"#888\"/></pattern>\
<pattern id=\"out\" width=\"8\" height=\"8\" patternUnits=\"userSpaceOnUse\"><rect width=\"8\" height=\"8\" fill=\"#fff\"/>\
<path d=\"M0 0L8 8M8 0L0 8\" stroke=\"#999\"/></pattern></defs>";

/// The picture as SVG.
pub fn draw(story: &Story) -> String {
    let (bands, scale) = layout(story);
    let at_it = story.sources.iter().map(|at_it| (at_it.from, at_it.source.as_str()));
    let pages = story.pages.iter().map(|page| (page.bid_at, page.source.as_str()));
    let mut sources: Vec<(Duration, &str)> = at_it.chain(pages).collect();
    sources.sort_by_key(|(from, _)| *from);
    let mut names: Vec<&str> = Vec::new();
    for (_, name) in sources {
        if !names.contains(&name) {
            names.push(name);
        }
    }
    let mut canvas = Canvas {
        story,
        scale,
        y: 60.0,
        out: String::new(),
    };
    for band in &bands {
        canvas.band(band, &names);
    }
    canvas.legend();
    let height = canvas.y + MARGIN;
    let date = story.zone.to_datetime(story.began).date();
    let mut page = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}\" height=\"{height:.0}\" viewBox=\"0 0 {WIDTH} {height:.0}\">\
         <title>{}</title><style>{STYLE}</style>{PATTERNS}<rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\n",
        escape(&format!("{}, {date}", story.site))
    );
    let _ = writeln!(
        page,
        "<text class=\"h\" x=\"{MARGIN}\" y=\"26\">{}</text><text class=\"t\" x=\"{MARGIN}\" y=\"42\">{}</text>",
        escape(&format!("{}, {} of {date}", story.site, story.kind)),
        escape(&format!(
            "{} to {} by the clock on the wall; where nothing happens, time is left out",
            short(&story.clock(Duration::ZERO)),
            short(&story.clock(story.length))
        ))
    );
    page.push_str(&canvas.out);
    page.push_str("</svg>\n");
    page
}

/// Without the milliseconds.
fn short(clock: &str) -> &str {
    clock.split('.').next().unwrap_or(clock)
}

struct Canvas<'a> {
    story: &'a Story,
    scale: f64,
    y: f64,
    out: String,
}

impl Canvas<'_> {
    fn band(&mut self, band: &Band, sources: &[&str]) {
        let top = self.y;
        self.axis(band);
        let shown = |name: &&&str| {
            let pages = self.story.pages.iter().filter(|page| page.source == ***name);
            let pages = pages.map(|page| (page.bid_at, page.ended_at));
            let at_it = self.story.sources.iter().filter(|at_it| at_it.source == ***name);
            let mut spans = pages.chain(at_it.map(|at_it| (at_it.from, at_it.to)));
            spans.any(|(from, to)| {
                band.iter()
                    .any(|p| from.as_secs_f64() < p.to && to.as_secs_f64() >= p.from)
            })
        };
        let here: Vec<&str> = sources.iter().filter(shown).copied().collect();
        for name in here {
            self.label(name, SOURCE, "");
            self.source(band, name);
            self.y += SOURCE;
        }
        for index in 0..self.story.zones.len() {
            let name = self.story.zones[index].clone();
            self.label(&name, ZONE, "s");
            self.zone(band, index);
            self.y += ZONE;
        }
        for index in 0..self.story.relays.len() {
            if self.story.moves[index].is_empty() {
                continue;
            }
            let name = format!("relay {}", self.story.relays[index]);
            self.label(&name, RELAY, "t");
            self.relay(band, index);
            self.y += RELAY;
        }
        for pair in band.windows(2) {
            let x = pair[1].x - BREAK / 2.0;
            for offset in [-2.0, 2.0] {
                let x = x + offset;
                self.shape(&format!("<path class=\"tick\" d=\"M{x:.1} {top:.1}V{:.1}\"/>", self.y));
            }
        }
        self.y += 24.0;
    }

    fn shape(&mut self, shape: &str) {
        self.out.push_str(shape);
        self.out.push('\n');
    }

    fn label(&mut self, text: &str, height: f64, class: &str) {
        let most = (LABELS / LETTER) as usize;
        let cut: String = text.chars().take(most).collect();
        let (y, below) = (self.y + height / 2.0 + 4.0, self.y + height);
        let right = WIDTH - MARGIN;
        self.shape(&format!("<path class=\"lane\" d=\"M{MARGIN} {below:.1}H{right}\"/>"));
        self.shape(&format!(
            "<text class=\"{class}\" x=\"{MARGIN}\" y=\"{y:.1}\">{}</text>",
            escape(&cut)
        ));
    }

    /// Where a span is drawn, part by part.
    fn spans(&self, band: &Band, from: f64, to: f64) -> Vec<(f64, f64)> {
        let within = band.iter().filter(|part| from < part.to && to > part.from);
        within
            .map(|part| {
                let x = |at: f64| part.x + (at.clamp(part.from, part.to) - part.from) * self.scale;
                (x(from), x(to))
            })
            .collect()
    }

    fn axis(&mut self, band: &Band) {
        let steps = [1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0];
        let step = steps.into_iter().find(|step| step * self.scale >= 64.0).unwrap_or(60.0);
        for part in band {
            let end = part.x + (part.to - part.from) * self.scale;
            let (y, text) = (self.y + 14.0, self.y + 10.0);
            self.shape(&format!("<path class=\"axis\" d=\"M{:.1} {y:.1}H{end:.1}\"/>", part.x));
            let into = self.seconds(part.from).rem_euclid(step);
            let mut at = part.from + (step - into).rem_euclid(step);
            let room = end.max(part.x + AROUND * self.scale + CLOCK) + BREAK / 2.0;
            let fits = |x: f64| x + CLOCK <= room;
            // In a short part no whole step comes by.
            if at > part.to || !fits(part.x + (at - part.from) * self.scale) {
                at = (part.from + AROUND).min(part.to);
            }
            while at <= part.to {
                let x = part.x + (at - part.from) * self.scale;
                if fits(x) {
                    let clock = self.story.clock(Duration::from_secs_f64(at + 0.0005));
                    self.shape(&format!("<path class=\"axis\" d=\"M{x:.1} {y:.1}v4\"/>"));
                    self.shape(&format!(
                        "<text class=\"t\" x=\"{x:.1}\" y=\"{text:.1}\">{}</text>",
                        short(&clock)
                    ));
                }
                at += step;
            }
        }
        self.y += 20.0;
    }

    /// Of the clock on the wall.
    fn seconds(&self, at: f64) -> f64 {
        let nanos = self.story.began.subsec_nanosecond();
        at + f64::from(nanos) / 1e9 + (self.story.began.as_second() % 3600) as f64
    }

    /// A box with its text, if it fits, and a tip.
    fn block(&mut self, span: (f64, f64), inset: f64, height: f64, class: &str, text: &str, tip: &str) {
        let (x, width) = (span.0, (span.1 - span.0).max(1.0));
        let y = self.y + inset;
        self.shape(&format!(
            "<rect class=\"{class}\" x=\"{x:.1}\" y=\"{y:.1}\" width=\"{width:.1}\" height=\"{height:.1}\"><title>{}</title></rect>",
            escape(tip)
        ));
        let most = ((width - 6.0) / LETTER).max(0.0) as usize;
        let fits = text.chars().count() <= most;
        // At least the page's number.
        let first = text
            .split(' ')
            .next()
            .filter(|word| word.parse::<u64>().is_ok())
            .unwrap_or_default();
        let text = if fits { text } else { first };
        if text.is_empty() || text.chars().count() > most {
            return;
        }
        let color = if class == "speech" || class == "soft" { "w" } else { "" };
        let (tx, ty) = (x + 3.0, y + height / 2.0 + 4.0);
        if ["wait", "rec", "chime", "out"].contains(&class) {
            let back = text.chars().count() as f64 * LETTER + 2.0;
            self.shape(&format!(
                "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{back:.1}\" height=\"12\" fill=\"#fff\"/>",
                tx - 1.0,
                ty - 10.0
            ));
        }
        self.shape(&format!(
            "<text class=\"{color}\" x=\"{tx:.1}\" y=\"{ty:.1}\">{}</text>",
            escape(text)
        ));
    }

    fn source(&mut self, band: &Band, name: &str) {
        let story = self.story;
        let next = |after: Duration| {
            let all = story
                .sources
                .iter()
                .filter(|at_it| at_it.source == name && at_it.from > after);
            all.map(|at_it| at_it.from).min().unwrap_or(story.length)
        };
        for at_it in story.sources.iter().filter(|at_it| at_it.source == name) {
            for span in self.spans(band, at_it.from.as_secs_f64(), at_it.to.as_secs_f64()) {
                let tip = format!("{name}: {} to {}", story.clock(at_it.from), story.clock(at_it.to));
                self.block(span, 5.0, 12.0, "on", "", &tip);
            }
        }
        let refused = story
            .lines
            .iter()
            .filter_map(|line| Some((line, line.refused.as_ref()?)));
        for (line, refused) in refused.filter(|(_, refused)| refused.source == name) {
            self.cross(band, line.at, next(line.at), &refused.why, &line.text);
        }
        for page in story.pages.iter().filter(|page| page.source == name) {
            let spans: Vec<((f64, f64), &str)> = states(story, page.page)
                .into_iter()
                .flat_map(|(from, to, class)| self.spans(band, from, to).into_iter().map(move |span| (span, class)))
                .collect();
            let widest = spans.iter().map(|(span, _)| span.1 - span.0).fold(0.0, f64::max);
            for (span, class) in spans {
                let text = if span.1 - span.0 >= widest {
                    title(page)
                } else {
                    String::new()
                };
                self.block(span, 3.0, 16.0, class, &text, &tip(story, page));
            }
            if let Some(text) = not_heard(page) {
                let next = story
                    .pages
                    .iter()
                    .filter(|other| other.source == name && other.bid_at > page.ended_at);
                let free = next.map(|other| other.bid_at).min().unwrap_or(story.length);
                self.cross(band, page.ended_at, free, &text, &tip(story, page));
            }
        }
    }

    /// Somebody was not heard. `free`: until when nothing else is drawn there.
    fn cross(&mut self, band: &Band, at: Duration, free: Duration, text: &str, tip: &str) {
        let (at, free) = (at.as_secs_f64(), free.as_secs_f64());
        let starts = band.iter().skip(1).map(|part| part.x - BREAK);
        let ends: Vec<f64> = starts.chain([WIDTH - MARGIN]).collect();
        for (part, end) in band
            .iter()
            .zip(ends)
            .filter(|(part, _)| part.from <= at && at < part.to)
        {
            let place = |at: f64| part.x + (at.min(part.to) - part.from) * self.scale;
            let (x, y) = (place(at), self.y + 11.0);
            let end = if free < part.to { place(free) } else { end };
            let most = ((end - x - 9.0) / LETTER).max(0.0) as usize;
            // At least the page's number.
            let number = text.split(' ').next().filter(|word| word.parse::<u64>().is_ok());
            let text = if text.chars().count() <= most {
                text
            } else {
                number.unwrap_or_default()
            };
            let (left, right, up, down) = (x - 4.0, x + 4.0, y - 4.0, y + 4.0);
            self.shape(&format!(
                "<path class=\"relay\" d=\"M{left:.1} {up:.1}L{right:.1} {down:.1}M{right:.1} {up:.1}L{left:.1} {down:.1}\">\
                 <title>{0}</title></path><text x=\"{1:.1}\" y=\"{2:.1}\">{3}<title>{0}</title></text>",
                escape(tip),
                x + 7.0,
                y + 4.0,
                escape(text)
            ));
        }
    }

    fn zone(&mut self, band: &Band, index: usize) {
        let zone = ZoneId(u16::try_from(index).unwrap_or(u16::MAX));
        for (from, to, look) in looks(self.story, zone) {
            let page = look.page.and_then(|page| self.story.page(page));
            let soft = page.and_then(|page| {
                let mut lowered = page.quiet.iter().filter(|(of, ..)| *of == zone);
                lowered.find_map(|(_, loudness, _)| match loudness {
                    Loudness::Lowered(gain) => Some(gain.0),
                    _ => None,
                })
            });
            let (class, text) = match look.kind {
                Kind::Out(text) => ("out", text.to_owned()),
                Kind::Phase(Phase::Rest) => continue,
                Kind::Phase(Phase::Seize) => ("seize", String::new()),
                Kind::Phase(Phase::Chime) => ("chime", String::new()),
                Kind::Phase(Phase::Tail) => ("tail", String::new()),
                Kind::Phase(Phase::Speech) => {
                    let text = page.map(title).unwrap_or_default();
                    match soft {
                        Some(gain) => ("soft", format!("{text} {gain} dB")),
                        None => ("speech", text),
                    }
                }
            };
            let tip = page.map(|page| tip(self.story, page)).unwrap_or_else(|| text.clone());
            for span in self.spans(band, from, to) {
                self.block(span, 4.0, 22.0, class, &text, &tip);
            }
        }
    }

    fn relay(&mut self, band: &Band, index: usize) {
        let (low, high) = (self.y + RELAY - 4.0, self.y + 4.0);
        let moves = self.story.moves[index].clone();
        for part in band {
            let level = |on: bool| if on { high } else { low };
            let before = moves.iter().rev().find(|(at, _)| at.as_secs_f64() <= part.from);
            let mut path = format!("M{:.1} {:.1}", part.x, level(before.is_some_and(|(_, on)| *on)));
            let within = moves
                .iter()
                .filter(|(at, _)| (part.from..part.to).contains(&at.as_secs_f64()));
            for (at, on) in within {
                let x = part.x + (at.as_secs_f64() - part.from) * self.scale;
                let _ = write!(path, "H{x:.1}V{:.1}", level(*on));
            }
            let _ = write!(path, "H{:.1}", part.x + (part.to - part.from) * self.scale);
            self.shape(&format!("<path class=\"relay\" d=\"{path}\"/>"));
        }
    }

    fn legend(&mut self) {
        let mut x = MARGIN;
        let blocks = [
            ("on", "source at it"),
            ("says", "has a zone"),
            ("under", "below another"),
            ("wait", "waits"),
            ("rec", "is recorded"),
            ("seize", "amplifier wakes up"),
            ("chime", "chime"),
            ("speech", "heard"),
            ("soft", "heard softly"),
            ("tail", "release"),
            ("out", "out of use"),
        ];
        for (class, text) in blocks {
            let width = 28.0 + text.chars().count() as f64 * LETTER + 14.0;
            if x + width > WIDTH - MARGIN {
                x = MARGIN;
                self.y += 20.0;
            }
            self.block((x, x + 24.0), 2.0, 14.0, class, "", text);
            let y = self.y + 13.0;
            self.shape(&format!(
                "<text class=\"t\" x=\"{:.1}\" y=\"{y:.1}\">{text}</text>",
                x + 28.0
            ));
            x += width;
        }
        self.y += 20.0;
        x = MARGIN;
        let y = self.y + 13.0;
        self.shape(&format!(
            "<text class=\"t\" x=\"{x:.1}\" y=\"{y:.1}\">× not heard; relay line up: operated</text>"
        ));
        self.y += 20.0;
    }
}

/// What stands beside the cross of a page that nobody heard.
fn not_heard(page: &PageStory) -> Option<String> {
    let record = page.record.as_ref().filter(|_| page.heard_at.is_none())?;
    Some(format!("{} {}", page.page.0, reason_text(record.reason)))
}

fn title(page: &PageStory) -> String {
    match page.caller.as_str() {
        "" => format!("{} {}", page.page.0, page.source),
        caller => format!("{} {} ({caller})", page.page.0, page.source),
    }
}

fn tip(story: &Story, page: &PageStory) -> String {
    let ended = match &page.record {
        Some(record) => format!("ended {}: {}", story.clock(page.ended_at), reason_text(record.reason)),
        None => "goes on".to_owned(),
    };
    let heard = page
        .heard_at
        .map(|at| format!("heard from {}, ", story.clock(at)))
        .unwrap_or_default();
    format!(
        "page {}, priority {}, from {}, {heard}{ended}",
        title(page),
        page.priority.0,
        story.clock(page.bid_at)
    )
}

/// Views with their ends, s.
fn lasting(story: &Story) -> impl Iterator<Item = (f64, f64, &View)> {
    let ends = story.views.iter().skip(1).map(|view| view.at).chain([story.length]);
    let views = story.views.iter().zip(ends);
    views.map(|(view, end)| (view.at.as_secs_f64(), end.as_secs_f64(), view))
}

/// What a page did while it held no zone, as classes.
fn states(story: &Story, page: PageId) -> Vec<(f64, f64, &'static str)> {
    let mut out: Vec<(f64, f64, &'static str)> = Vec::new();
    for (from, to, view) in lasting(story) {
        let Some(status) = view.pages.iter().find(|status| status.page == page) else {
            continue;
        };
        let class = match (status.kept, status.standing) {
            (Some(Kept::Speaking { .. }), _) => "rec",
            (_, Standing::Waiting) => "wait",
            (_, Standing::Speaking) => "says",
            (_, Standing::Under) => "under",
            _ => "seize",
        };
        join(&mut out, (from, to, class));
    }
    out
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Kind {
    Phase(Phase),
    Out(&'static str),
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Look {
    kind: Kind,
    page: Option<PageId>,
}

/// What a zone looks like.
fn looks(story: &Story, zone: ZoneId) -> Vec<(f64, f64, Look)> {
    let mut out = Vec::new();
    for (from, to, view) in lasting(story) {
        let (phase, page) = view.zones[usize::from(zone.0)];
        let kind = if view.taken.contains(&zone) {
            Kind::Out("taken over")
        } else if view.failed.contains(&zone) {
            Kind::Out("card gone")
        } else {
            Kind::Phase(phase)
        };
        join(&mut out, (from, to, Look { kind, page }));
    }
    out
}

/// Adds a span to the one before where it goes on.
fn join<T: PartialEq>(spans: &mut Vec<(f64, f64, T)>, span: (f64, f64, T)) {
    match spans.last_mut() {
        Some(last) if last.1 == span.0 && last.2 == span.2 => last.1 = span.1,
        _ => spans.push(span),
    }
}
