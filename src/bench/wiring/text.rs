//! The terminal table as text, for whoever works over ssh.

use std::fmt;

use super::cautions::CAUTIONS;
use super::sheet::{Kind, Part, Sheet};
use crate::report::text::fill;

/// Widest line.
const WIDTH: usize = 80;
const FROM: usize = 34;

impl fmt::Display for Sheet {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut out = String::new();
        let date = self.date.as_ref().map(|date| format!(", {date}")).unwrap_or_default();
        fill(
            &mut out,
            &format!("{}: wiring as built{date}", self.site),
            "",
            "",
            WIDTH,
        );
        section(&mut out, "Parts");
        for part in self.listed() {
            let head = format!("  {:<4}", part.tag);
            fill(&mut out, &part.told(), &head, "        ", WIDTH);
        }
        section(&mut out, "Wires");
        for (i, wire) in self.wires.iter().enumerate() {
            let (from, to) = (self.end(wire.from), self.end(wire.to));
            let head = format!("{:>4}  {from:<FROM$}", i + 1);
            fill(&mut out, &format!("– {to}"), &format!("{head} "), "        ", WIDTH);
            let told = [wire.conductor.as_str(), wire.remark.as_str()];
            let told: Vec<&str> = told.into_iter().filter(|text| !text.is_empty()).collect();
            fill(&mut out, &told.join("; "), "        ", "        ", WIDTH);
        }
        list(&mut out, "At rest", &self.states);
        list(&mut out, "Assumed, since the config does not say", &self.assumed);
        list(&mut out, "To look at before wiring", &self.look);
        list(&mut out, "Cautions", &CAUTIONS);
        f.write_str(&out)
    }
}

impl Sheet {
    /// Without a header or a relay board that nothing is wired to.
    pub(super) fn listed(&self) -> impl Iterator<Item = &Part> {
        let is_wired =
            |part: &&Part| !matches!(part.kind, Kind::Board | Kind::RelayBoard) || !part.terminals.is_empty();
        self.parts.iter().filter(is_wired)
    }
}

impl Part {
    /// `relay yard-trigger: gpiochip0 line 17, …`
    pub(super) fn told(&self) -> String {
        match (self.name.as_str(), self.about.as_str()) {
            ("", "") => self.kind.name().to_owned(),
            ("", about) => format!("{}: {about}", self.kind.name()),
            (name, "") => format!("{} {name}", self.kind.name()),
            (name, about) => format!("{} {name}: {about}", self.kind.name()),
        }
    }
}

fn section(out: &mut String, title: &str) {
    out.push_str(&format!("\n{title}\n"));
}

fn list(out: &mut String, title: &str, texts: &[impl AsRef<str>]) {
    if texts.is_empty() {
        return;
    }
    section(out, title);
    for text in texts {
        fill(out, text.as_ref(), "  - ", "    ", WIDTH);
    }
}
