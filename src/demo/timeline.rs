//! The demonstration's story: a chart of relays and levels, and the notes of everybody by time.

use std::fmt;
use std::time::{Duration, Instant};

use super::peers::Note;
use super::recording::{LEVEL_STEP, Recordings};
use crate::config::plan::Plan;
use crate::device::relay::Movement;

/// Columns of the chart: with the names of the lanes it fits a terminal of [`TERMINAL`] columns.
const WIDTH: usize = 60;
/// Notes are wrapped to this width.
const TERMINAL: usize = 80;
/// From silence to a loud page, in steps of 6 dB up to −12 dB of full scale.
const BARS: [char; 8] = [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇'];

/// What happened, told to a person.
#[derive(Debug, Clone)]
pub struct Timeline {
    began: Instant,
    length: Duration,
    lanes: Vec<Lane>,
    notes: Vec<Note>,
}

#[derive(Debug, Clone)]
struct Lane {
    name: String,
    cells: String,
}

impl Timeline {
    /// `notes` in any order; relay movements are added to them.
    pub fn new(plan: &Plan, mut notes: Vec<Note>, movements: &[Movement], recordings: &Recordings) -> Self {
        for movement in movements {
            let relay = plan.relays.get(usize::from(movement.relay.0));
            notes.push(Note {
                at: movement.at,
                who: "relay".to_owned(),
                what: format!(
                    "{} {}",
                    relay.map_or("?", |r| r.name.as_str()),
                    if movement.operated { "operates" } else { "is at rest" }
                ),
            });
        }
        notes.sort_by_key(|note| note.at);
        let began = notes.first().map_or_else(Instant::now, |note| note.at);
        let length = notes.last().map_or(Duration::ZERO, |note| note.at - began);
        let length = length.max(Duration::from_secs(1));
        let mut lanes = Vec::new();
        for (i, relay) in plan.relays.iter().enumerate() {
            let ours: Vec<&Movement> = movements.iter().filter(|m| usize::from(m.relay.0) == i).collect();
            let cell = |from: Instant, to: Instant| {
                let before = ours.iter().take_while(|m| m.at < from).last();
                let operated =
                    before.is_some_and(|m| m.operated) || ours.iter().any(|m| m.operated && m.at >= from && m.at < to);
                if operated { '█' } else { '·' }
            };
            lanes.push(Lane::new(&relay.name, began, length, cell));
        }
        for zone in &recordings.zones {
            let cell = |from: Instant, to: Instant| {
                let Some(start) = recordings.began else { return ' ' };
                let index =
                    |at: Instant| (at.saturating_duration_since(start).as_millis() / LEVEL_STEP.as_millis()) as usize;
                let span = index(from)..index(to).max(index(from) + 1);
                let levels = zone
                    .levels
                    .get(span.start..span.end.min(zone.levels.len()))
                    .unwrap_or_default();
                let loudest = levels.iter().copied().fold(0.0, f32::max);
                let db = 20.0 * loudest.max(1e-6).log10();
                let bar = ((db + 60.0) / 6.0).clamp(0.0, 7.0) as usize;
                BARS.get(bar).copied().unwrap_or(' ')
            };
            lanes.push(Lane::new(&format!("{} line out", zone.zone), began, length, cell));
        }
        Timeline {
            began,
            length,
            lanes,
            notes,
        }
    }
}

impl Lane {
    fn new(name: &str, began: Instant, length: Duration, cell: impl Fn(Instant, Instant) -> char) -> Self {
        let at = |column: usize| began + length.mul_f64(column as f64 / WIDTH as f64);
        Lane {
            name: name.to_owned(),
            cells: (0..WIDTH).map(|column| cell(at(column), at(column + 1))).collect(),
        }
    }
}

impl fmt::Display for Timeline {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let name_width = self
            .lanes
            .iter()
            .map(|lane| lane.name.chars().count())
            .max()
            .unwrap_or(0);
        for lane in &self.lanes {
            writeln!(f, "{:>name_width$} │{}│", lane.name, lane.cells)?;
        }
        writeln!(f, "{:>name_width$} └{}", "seconds", axis(self.length))?;
        writeln!(
            f,
            "{:>name_width$}  █ relay operated · at rest   ▁▂▃▄▅▆▇ quiet to loud\n",
            ""
        )?;
        let who_width = self
            .notes
            .iter()
            .map(|note| note.who.chars().count())
            .max()
            .unwrap_or(0);
        for note in &self.notes {
            let at = (note.at - self.began).as_secs_f64();
            let head = format!("{at:7.2} s  {:<who_width$}  ", note.who);
            let indent = head.chars().count();
            let mut what = wrapped(&note.what, TERMINAL.saturating_sub(indent)).into_iter();
            writeln!(f, "{head}{}", what.next().unwrap_or_default())?;
            for line in what {
                writeln!(f, "{:indent$}{line}", "")?;
            }
        }
        Ok(())
    }
}

/// Lines of at most `width` characters, broken at spaces; a longer word has a line of its own.
fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split(' ') {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

/// A mark every five seconds, its number after it.
fn axis(length: Duration) -> String {
    let mut line = vec!['─'; WIDTH];
    let mut second = 0;
    while second <= length.as_secs() {
        let column = (second as f64 / length.as_secs_f64() * WIDTH as f64) as usize;
        let label = format!("┴{second}");
        if column + label.chars().count() <= WIDTH {
            for (cell, c) in line.iter_mut().skip(column).zip(label.chars()) {
                *cell = c;
            }
        }
        second += 5;
    }
    line.into_iter().collect()
}
