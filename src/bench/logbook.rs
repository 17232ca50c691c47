//! The site's logbook: what was measured and tried when it was set up. One line of JSON for each outcome, in a file beside the config; lines
//! are added, none is changed, and the last one about a step of a thing counts.

use std::collections::BTreeMap;

use serde_json::{Map, Value};

/// Longest logbook that is read, octets.
pub const MAX_FILE: u64 = 4 * 1024 * 1024;
/// Its name is the config's with this ending.
pub const EXTENSION: &str = "logbook";

/// What an outcome is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    Card,
    Zone,
    Relay,
    Extension,
    Group,
    Line,
    Contact,
    Schedule,
    Veto,
    Music,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Within what was wanted, or confirmed by the installer.
    Passed,
    Failed,
    /// Left out; `note` says why.
    Skipped,
    /// A value that nothing is wanted of.
    Measured,
}

/// One step of one thing.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// Local time with its offset (RFC 3339).
    pub at: String,
    /// Who did it; may be empty.
    pub by: String,
    pub kind: Kind,
    /// Its name in the config.
    pub name: String,
    /// Such as "full-scale", "level", "delay", "loss", "relay", "heard", "music-back".
    pub step: String,
    /// The value in figures and its unit, where it has one.
    pub value: Option<(f64, String)>,
    /// The same for people: "+4.1 dBm", "clear, only in the yard".
    pub found: String,
    /// What it should be; empty where nothing is wanted of it.
    pub wanted: String,
    pub verdict: Verdict,
    pub note: String,
}

const KINDS: [(Kind, &str); 10] = [
    (Kind::Card, "card"),
    (Kind::Zone, "zone"),
    (Kind::Relay, "relay"),
    (Kind::Extension, "extension"),
    (Kind::Group, "group"),
    (Kind::Line, "line"),
    (Kind::Contact, "contact"),
    (Kind::Schedule, "schedule"),
    (Kind::Veto, "veto"),
    (Kind::Music, "music"),
];

const VERDICTS: [(Verdict, &str); 4] = [
    (Verdict::Passed, "passed"),
    (Verdict::Failed, "failed"),
    (Verdict::Skipped, "skipped"),
    (Verdict::Measured, "measured"),
];

impl Kind {
    pub fn name(self) -> &'static str {
        KINDS
            .iter()
            .find(|(kind, _)| *kind == self)
            .map_or("", |(_, name)| name)
    }
}

impl Verdict {
    pub fn name(self) -> &'static str {
        let found = VERDICTS.iter().find(|(verdict, _)| *verdict == self);
        found.map_or("", |(_, name)| name)
    }
}

/// A line of the file that is not an outcome.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("line {line}: {found}; wanted {wanted}")]
pub struct Fault {
    /// From 1.
    pub line: usize,
    pub found: String,
    pub wanted: String,
}

impl Outcome {
    /// Its line, without the end of line.
    pub fn line(&self) -> String {
        self.json().to_string()
    }

    pub fn json(&self) -> Value {
        let mut object = Map::new();
        let mut put = |key: &str, value: Value| object.insert(key.to_owned(), value);
        put("at", self.at.as_str().into());
        put("by", self.by.as_str().into());
        put("kind", self.kind.name().into());
        put("name", self.name.as_str().into());
        put("step", self.step.as_str().into());
        if let Some((value, unit)) = &self.value {
            put("value", (*value).into());
            put("unit", unit.as_str().into());
        }
        put("found", self.found.as_str().into());
        put("wanted", self.wanted.as_str().into());
        put("verdict", self.verdict.name().into());
        put("note", self.note.as_str().into());
        Value::Object(object)
    }

    fn of(line: &str) -> Result<Self, (String, String)> {
        let value: Value =
            serde_json::from_str(line).map_err(|_| ("damaged text".to_owned(), "one outcome as JSON".to_owned()))?;
        let text = |key: &str| value.get(key).and_then(Value::as_str).unwrap_or_default().to_owned();
        Ok(Outcome {
            at: text("at"),
            by: text("by"),
            kind: one_of(&KINDS, "kind", &text("kind"))?,
            name: text("name"),
            step: text("step"),
            value: value.get("value").and_then(Value::as_f64).map(|n| (n, text("unit"))),
            found: text("found"),
            wanted: text("wanted"),
            verdict: one_of(&VERDICTS, "verdict", &text("verdict"))?,
            note: text("note"),
        })
    }
}

fn one_of<T: Copy>(names: &[(T, &str)], key: &str, found: &str) -> Result<T, (String, String)> {
    let known = names.iter().find(|(_, name)| *name == found);
    known.map(|(value, _)| *value).ok_or_else(|| {
        let names: Vec<&str> = names.iter().map(|(_, name)| *name).collect();
        (format!("{key} {found:?}"), names.join(", "))
    })
}

/// All outcomes of a file, oldest first, and the lines that are none.
pub fn read(text: &str) -> (Vec<Outcome>, Vec<Fault>) {
    let (mut outcomes, mut faults) = (Vec::new(), Vec::new());
    for (line, text) in (1..).zip(text.lines()).filter(|(_, text)| !text.trim().is_empty()) {
        match Outcome::of(text) {
            Ok(outcome) => outcomes.push(outcome),
            Err((found, wanted)) => faults.push(Fault { line, found, wanted }),
        }
    }
    (outcomes, faults)
}

/// Of each step of each thing the last outcome, in the order in which they came.
pub fn latest(outcomes: &[Outcome]) -> Vec<&Outcome> {
    let key = |one: &'_ Outcome| (one.kind, one.name.clone(), one.step.clone());
    let last: BTreeMap<_, usize> = outcomes.iter().enumerate().map(|(i, one)| (key(one), i)).collect();
    let all = outcomes.iter().enumerate();
    all.filter(|(i, one)| last.get(&key(one)) == Some(i))
        .map(|(_, one)| one)
        .collect()
}

/// How a thing of the config stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    Passed,
    /// Something of it did, whatever else passed.
    Failed,
    Skipped,
    /// There are values, and nobody has judged them.
    Measured,
    NotTried,
}

impl Standing {
    pub fn name(self) -> &'static str {
        match self {
            Standing::Passed => "passed",
            Standing::Failed => "failed",
            Standing::Skipped => "skipped",
            Standing::Measured => "measured, not judged",
            Standing::NotTried => "not tried",
        }
    }
}

/// How one thing stands by its last outcomes: it has passed when the step that decides has, and no other step of it has failed. To leave
/// out what has failed mends nothing.
pub fn standing(outcomes: &[Outcome], kind: Kind, name: &str, decides: &str) -> Standing {
    let of: Vec<&Outcome> = outcomes
        .iter()
        .filter(|one| one.kind == kind && one.name == name)
        .collect();
    let last = |step: &str| {
        let mut verdicts = of.iter().rev().filter(|one| one.step == step).map(|one| one.verdict);
        let last = verdicts.next();
        let tried = last.filter(|last| *last != Verdict::Skipped);
        let tried = tried.or_else(|| verdicts.find(|before| *before != Verdict::Skipped));
        tried.filter(|before| *before == Verdict::Failed).or(last)
    };
    if of.iter().any(|one| last(&one.step) == Some(Verdict::Failed)) {
        return Standing::Failed;
    }
    match (last(decides), of.is_empty()) {
        (Some(Verdict::Passed), _) => Standing::Passed,
        (Some(Verdict::Skipped), _) => Standing::Skipped,
        (None, true) => Standing::NotTried,
        _ => Standing::Measured,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn outcome(step: &str, value: f64) -> Outcome {
        Outcome {
            at: "2027-03-02T10:15:00+01:00".to_owned(),
            by: "R. Alder".to_owned(),
            kind: Kind::Card,
            name: "amp \"1\"".to_owned(),
            step: step.to_owned(),
            value: Some((value, "dBm".to_owned())),
            found: "+4.1 dBm".to_owned(),
            wanted: String::new(),
            verdict: Verdict::Measured,
            note: "line\nbreak".to_owned(),
        }
    }

    /// What is written is read again, and one outcome is one line.
    #[test]
    fn a_line_and_back() {
        for (kind, _) in KINDS {
            for (verdict, _) in VERDICTS {
                let one = Outcome {
                    kind,
                    verdict,
                    ..outcome("full-scale", 4.1)
                };
                assert_eq!(one.line().lines().count(), 1);
                assert_eq!(read(&one.line()), (vec![one], Vec::new()));
            }
        }
    }

    #[test]
    fn the_last_one_counts() {
        let all = [outcome("a", 1.0), outcome("b", 2.0), outcome("a", 3.0)];
        assert_eq!(latest(&all), [&all[1], &all[2]]);
    }

    /// Lines that are none are told with their numbers, and the others are there.
    #[test]
    fn faults_are_told() {
        let good = outcome("a", 1.0);
        let wrong = good.line().replace("\"card\"", "\"cart\"");
        let (outcomes, faults) = read(&format!("{}\n\n{wrong}\n{{\n", good.line()));
        assert_eq!(outcomes, [good]);
        assert_eq!(faults.iter().map(|fault| fault.line).collect::<Vec<_>>(), [3, 4]);
        assert!(faults[0].to_string().contains("\"cart\""), "{}", faults[0]);
    }

    /// Skipped by ear, ended at the question, a measured step that failed: none of them has passed.
    #[test]
    fn a_thing_stands_as_its_deciding_step_does() {
        let one = |step: &str, verdict| Outcome {
            verdict,
            ..outcome(step, 0.0)
        };
        let stands = |all: &[Outcome]| standing(all, Kind::Card, "amp \"1\"", "page");
        let (good, bad) = (Verdict::Passed, Verdict::Failed);
        for (all, wanted) in [
            (vec![], Standing::NotTried),
            (vec![one("reach", good)], Standing::Measured),
            (
                vec![one("reach", good), one("page", Verdict::Skipped)],
                Standing::Skipped,
            ),
            (vec![one("page", good)], Standing::Passed),
            (vec![one("lead", bad), one("page", good)], Standing::Failed),
            (vec![one("page", bad), one("page", Verdict::Skipped)], Standing::Failed),
            (
                vec![one("page", good), one("page", Verdict::Skipped)],
                Standing::Skipped,
            ),
            (
                vec![one("lead", bad), one("page", bad), one("lead", good), one("page", good)],
                Standing::Passed,
            ),
        ] {
            assert_eq!(stands(&all), wanted, "{all:?}");
        }
        assert_eq!(
            standing(&[one("page", good)], Kind::Zone, "amp \"1\"", "page"),
            Standing::NotTried
        );
    }
}
