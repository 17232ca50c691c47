//! Which stretches of time are drawn, and where.

use super::super::story::Story;
use super::{BREAK, LABELS, LETTER, MARGIN, WIDTH, not_heard};

/// Room for a time above the line.
pub const CLOCK: f64 = 62.0;
/// Pixels a second, at least and at most.
const SCALES: (f64, f64) = (5.0, 40.0);
/// Around what happens, s.
pub const AROUND: f64 = 2.0;
/// Pauses up to this are drawn, s.
const PAUSE: f64 = 15.0;

/// A part of the time line that is drawn, s from the beginning, and where.
#[derive(Debug, Clone, Copy)]
pub struct Part {
    pub from: f64,
    pub to: f64,
    pub x: f64,
}

/// What is drawn under one axis.
pub type Band = Vec<Part>;

/// All bands, and how many pixels a second has in them: so many that all fits into one band, if it can.
pub fn layout(story: &Story) -> (Vec<Band>, f64) {
    let stretches = stretches(story);
    let width = |text: &str| text.chars().count() as f64 * LETTER + 12.0;
    let pages = story.pages.iter();
    let unheard = pages.filter_map(|page| Some((page.ended_at.as_secs_f64(), width(&not_heard(page)?))));
    let lines = story.lines.iter();
    let refused = lines.filter_map(|line| Some((line.at.as_secs_f64(), width(&line.refused.as_ref()?.why))));
    let texts = unheard.chain(refused);
    let texts: Vec<(f64, f64)> = texts.collect();
    let mut scale = SCALES.1;
    loop {
        let bands = bands(&stretches, &texts, scale);
        if bands.len() == 1 || scale <= SCALES.0 {
            return (bands, scale);
        }
        scale = (scale - 1.0).max(SCALES.0);
    }
}

/// When something happens, s.
fn stretches(story: &Story) -> Vec<(f64, f64)> {
    let end = story.length.as_secs_f64();
    let mut busy: Vec<(f64, f64)> = story
        .sources
        .iter()
        .map(|at_it| (at_it.from.as_secs_f64(), at_it.to.as_secs_f64()))
        .collect();
    busy.extend(
        story
            .pages
            .iter()
            .map(|page| (page.bid_at.as_secs_f64(), page.ended_at.as_secs_f64())),
    );
    busy.extend(
        story
            .moves
            .iter()
            .flatten()
            .map(|(at, _)| (at.as_secs_f64(), at.as_secs_f64())),
    );
    busy.extend(
        story
            .lines
            .iter()
            .map(|line| (line.at.as_secs_f64(), line.at.as_secs_f64())),
    );
    busy.retain(|(from, _)| *from > 0.0 || end < 60.0);
    busy.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut out: Vec<(f64, f64)> = Vec::new();
    for (from, to) in busy {
        let (from, to) = ((from - AROUND).max(0.0), (to + AROUND).min(end));
        match out.last_mut() {
            Some(last) if from <= last.1 + PAUSE => last.1 = last.1.max(to),
            _ => out.push((from, to.max(from))),
        }
    }
    if out.is_empty() {
        out.push((0.0, end.min(60.0)));
    }
    out
}

fn room() -> f64 {
    WIDTH - LABELS - 2.0 * MARGIN
}

/// `texts`: when something is written into the picture, s, and how wide it is.
fn bands(stretches: &[(f64, f64)], texts: &[(f64, f64)], scale: f64) -> Vec<Band> {
    let (mut bands, mut band, mut x) = (Vec::new(), Vec::new(), 0.0);
    let wide = |from: f64, to: f64| {
        let here = texts.iter().filter(|(at, _)| (from..to).contains(at));
        let ends = here.map(|(at, width)| (at - from) * scale + width);
        ends.fold(((to - from) * scale).max(AROUND * scale + CLOCK), f64::max)
    };
    for (from, to) in stretches {
        let mut from = *from;
        while from + 0.5 < *to {
            // One that fits into a band is not torn apart.
            let width = wide(from, *to);
            let fits = x + width <= room();
            if x > 0.0 && !fits && (width <= room() || x + CLOCK + AROUND * scale > room()) {
                bands.push(std::mem::take(&mut band));
                x = 0.0;
            }
            let until = to.min(from + (room() - x) / scale);
            band.push(Part {
                from,
                to: until,
                x: MARGIN + LABELS + x,
            });
            x += wide(from, until) + BREAK;
            from = until;
        }
    }
    bands.push(band);
    bands
}
