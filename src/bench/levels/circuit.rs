//! A pad's circuit, drawn with letters.

use super::pad::{Network, Place};

/// Rows of the drawing, from the bridge to the lower leg.
#[derive(Default)]
struct Rows([String; 7]);

const BRIDGE: usize = 0;
const UPPER: usize = 2;
const LOWER: usize = 6;

impl Rows {
    fn put(&mut self, row: usize, text: &str) {
        self.0[row].push_str(text);
    }

    /// Brings every row to the same length: wires in the legs, nothing between them.
    fn level(&mut self) {
        let width = self.0.iter().map(|row| row.chars().count()).max().unwrap_or_default();
        for (i, row) in self.0.iter_mut().enumerate() {
            let filler = if [UPPER, LOWER].contains(&i) { "-" } else { " " };
            row.push_str(&filler.repeat(width - row.chars().count()));
        }
    }

    /// A resistor from one leg to the other.
    fn across(&mut self, label: &str) {
        let (left, right) = ((label.len() - 1) / 2, label.len() / 2);
        for row in [UPPER, LOWER] {
            let node = format!("{}+{}", "-".repeat(left), "-".repeat(right));
            self.put(row, &node);
        }
        for row in [UPPER + 1, LOWER - 1] {
            self.put(row, &format!("{}|{}", " ".repeat(left), " ".repeat(right)));
        }
        self.put(UPPER + 2, label);
    }
}

/// Lines, with the resistors' numbers and values. `value`: how a resistance is written.
pub fn draw(network: &Network, value: impl Fn(Place, f64) -> String) -> Vec<String> {
    let mut rows = Rows::default();
    let label = |i: usize, place: Place, ohms: f64| format!("[R{} {}]", i + 1, value(place, ohms));
    let bridge = network
        .parts
        .iter()
        .enumerate()
        .find(|(_, part)| part.0 == Place::Bridge);
    rows.put(UPPER, "in  o--");
    rows.put(LOWER, "in  o--");
    rows.level();
    let from = rows.0[UPPER].len();
    if bridge.is_some() {
        rows.put(UPPER, "+");
        rows.level();
    }
    for (i, (place, ohms)) in network.parts.iter().enumerate() {
        let text = label(i, *place, *ohms);
        match place {
            Place::Line => {
                rows.put(UPPER, &format!("-{text}-"));
                // The lower leg's resistor stands below it.
                if !matches!(network.parts.get(i + 1), Some((Place::Return, _))) {
                    rows.level();
                }
            }
            Place::Return => {
                rows.put(LOWER, &format!("-{text}-"));
                rows.level();
            }
            Place::Across => {
                rows.across(&text);
                rows.level();
            }
            Place::Bridge => {}
        }
    }
    if let Some((i, (_, ohms))) = bridge {
        rows.put(UPPER, "+");
        let text = label(i, Place::Bridge, *ohms);
        let inside = rows.0[UPPER].len() - from - 2;
        let left = inside.saturating_sub(text.len()) / 2;
        let right = inside.saturating_sub(text.len() + left);
        rows.0[BRIDGE] = format!("{}+{}{text}{}+", " ".repeat(from), "-".repeat(left), "-".repeat(right));
        rows.0[BRIDGE + 1] = format!("{}|{}|", " ".repeat(from), " ".repeat(inside));
        rows.level();
    }
    rows.put(UPPER, "--o  out");
    rows.put(LOWER, "--o  out");
    let lines = rows.0.into_iter().map(|row| row.trim_end().to_owned());
    lines.filter(|row| !row.is_empty()).collect()
}
