//! `hornwire commission`: everything of a config tried once, in turn, with whoever hears it.
#![allow(clippy::disallowed_methods)]

use std::collections::BTreeMap;
use std::io::Write as _;
use std::time::Duration;

use clap::Args;
use hornwire::bench::commission::{self, Judged, Trial};
use hornwire::bench::logbook::{Outcome, Standing, Verdict};
use hornwire::config::plan::Plan;
use hornwire::report::text::fill;
use serde_json::json;

use super::dialogue::{Dialogue, Halt};
use super::logbook::Logbook;
use super::workbench::{Through, Workbench};
use super::{Exit, complain};

mod pages;
mod turns;

/// Beeps in a zone last until they are answered, and no longer than this; a relay is operated for so long. Seconds.
const BEEPS: u32 = 300;
const OPERATED: u32 = 3;
/// How often the gateway is looked at.
const LOOK: Duration = Duration::from_millis(100);
/// A page is waited for that long.
const PATIENCE: Duration = Duration::from_secs(300);
/// Of a page, as a whole.
const IN_ORDER: &str = "everything measured and heard is in order";
/// And music, after the page.
const MUSIC_PATIENCE: Duration = Duration::from_secs(20);

#[derive(Debug, Args)]
pub struct Commission {
    /// Only what has this name: a zone, a relay, a source; may come several times.
    #[arg(long, value_name = "NAME")]
    only: Vec<String>,
    /// What has passed before is tried again too.
    #[arg(long)]
    again: bool,
    /// List what is to be tried and how it stands, and try nothing.
    #[arg(long)]
    list: bool,
    /// Stands in the logbook.
    #[arg(long, value_name = "NAME", default_value = "")]
    by: String,
    #[command(flatten)]
    through: Through,
}

pub fn run(wanted: &Commission) -> Exit {
    match tried(wanted) {
        Ok(exit) | Err(exit) => exit,
    }
}

fn tried(wanted: &Commission) -> Result<Exit, Exit> {
    let logbook = Logbook::beside(&wanted.through.config);
    let (before, _) = logbook.read()?;
    if wanted.list {
        let plan = super::plan(&wanted.through.config)?;
        list(wanted, &plan, &before)?;
        return Ok(Exit::Ok);
    }
    logbook.prove()?;
    // First, so that a signal during the start is not lost.
    let dialogue = Dialogue::new(true, wanted.through.json).map_err(|error| {
        complain(&error.to_string());
        Exit::System
    })?;
    let bench = Workbench::open(&wanted.through)?;
    let plan = &bench.plan;
    let trials = trials(wanted, plan)?;
    let mut run = Run {
        wanted,
        bench: &bench,
        dialogue,
        logbook,
        music_back: BTreeMap::new(),
    };
    run.introduce();
    let mut halted = None;
    for (number, trial) in (1..).zip(&trials) {
        let title = format!(
            "{number} of {}: {} {}",
            trials.len(),
            trial.kind().name(),
            trial.name(plan)
        );
        let (standing, day) = trial.standing(plan, &before);
        if standing == Standing::Passed && !wanted.again && wanted.only.is_empty() {
            let day = day.unwrap_or_default();
            run.say(&format!("\n{title}\n  passed on {day}; --again tries it again"));
            continue;
        }
        run.say(&format!("\n{title}"));
        match run.attempt(*trial) {
            Ok(()) => {}
            Err(halt) => {
                halted = Some(halt);
                break;
            }
        }
    }
    let (after, _) = run.logbook.read()?;
    if let Some(Halt::Exit(exit)) = halted {
        return Err(exit);
    }
    run.say(&format!(
        "\n{}.",
        commission::tally(plan, &commission::trials(plan), &after)
    ));
    if !after.is_empty() {
        run.say(&format!(
            "The outcomes are in {}; hornwire handover {} puts them into the document.",
            run.logbook.path().display(),
            wanted.through.config.display()
        ));
    }
    let tally = commission::tally(plan, &trials, &after);
    Ok(match halted {
        Some(_) => Exit::NotNow,
        None if tally.failed > 0 => Exit::Software,
        None if bench.is_own() && tally.untried > 0 => Exit::NotNow,
        None => Exit::Ok,
    })
}

/// Those that are wanted.
fn trials(wanted: &Commission, plan: &Plan) -> Result<Vec<Trial>, Exit> {
    let mut trials = commission::trials(plan);
    let is_called = |trial: &Trial, name: &String| trial.name(plan) == name;
    let unknown = wanted
        .only
        .iter()
        .find(|name| !trials.iter().any(|trial| is_called(trial, name)));
    if let Some(unknown) = unknown {
        complain(&format!(
            "nothing to try is called {unknown:?}; hornwire commission --list tells all"
        ));
        return Err(Exit::Data);
    }
    trials.retain(|trial| wanted.only.is_empty() || wanted.only.iter().any(|name| is_called(trial, name)));
    Ok(trials)
}

fn list(wanted: &Commission, plan: &Plan, before: &[Outcome]) -> Result<(), Exit> {
    let trials = trials(wanted, plan)?;
    let mut out = std::io::stdout().lock();
    for trial in &trials {
        let (standing, day) = trial.standing(plan, before);
        let (kind, name) = (trial.kind().name(), trial.name(plan));
        if wanted.through.json {
            let standing = standing.name();
            let _ = writeln!(
                out,
                "{}",
                json!({ "kind": kind, "name": name, "standing": standing, "last": day })
            );
            continue;
        }
        let state = day.map_or_else(
            || standing.name().to_owned(),
            |day| format!("{} on {day}", standing.name()),
        );
        let _ = writeln!(out, "{kind:9} {name}: {state}");
    }
    if !wanted.through.json {
        let _ = writeln!(out, "{}", commission::tally(plan, &trials, before));
    }
    Ok(())
}

struct Run<'a> {
    wanted: &'a Commission,
    bench: &'a Workbench,
    dialogue: Dialogue,
    logbook: Logbook,
    /// Of zones with music: seconds from the end of their last page until it was back.
    music_back: BTreeMap<String, f64>,
}

impl Run<'_> {
    fn say(&self, text: &str) {
        self.dialogue.say(&format!("{text}\n"));
    }

    fn introduce(&self) {
        self.say(&format!(
            "Commissioning of {}: zones, relays, every source, music.\n\n\
             Caution. Loudspeakers will sound, relays will move. Warn people, and have somebody in \
             each zone, at a distance from the horns. Loudspeaker lines carry dangerous voltages. \
             Whether the sound suffices, and for emergencies at all, local codes decide, and those \
             who are licensed for it.\n\n\
             Enter takes the first answer, but where your ears are asked. Ctrl-C ends the run; what has been \
             answered is kept, and the next run goes on from there.",
            self.bench.plan.site
        ));
        if self.bench.is_own() {
            self.say(
                "\nThe gateway does not run, so nobody can page: zones and relays are tried now, the \
                 sources when it runs (sudo systemctl start hornwire).",
            );
        }
    }

    fn attempt(&mut self, trial: Trial) -> Result<(), Halt> {
        match trial {
            Trial::Zone(zone) => self.zone(trial, zone),
            Trial::Relay(relay) => self.relay(trial, relay),
            Trial::Veto(index) => self.veto(trial, index),
            Trial::Source(_) | Trial::Music(_) if self.bench.is_own() => {
                self.say("  left out: the gateway does not run");
                Ok(())
            }
            Trial::Source(speaker) => self.source(trial, speaker),
            Trial::Music(index) => self.music(trial, index),
        }
    }

    /// Writes an outcome down.
    fn keep(&self, trial: Trial, outcome: &Outcome) -> Result<(), Halt> {
        let plan = &self.bench.plan;
        debug_assert_eq!((outcome.kind, outcome.name.as_str()), (trial.kind(), trial.name(plan)));
        self.logbook.add(outcome)?;
        if self.wanted.through.json {
            let _ = writeln!(std::io::stdout(), "{}", outcome.json());
        }
        Ok(())
    }

    fn outcome(&self, trial: Trial, step: &str, verdict: Verdict) -> Outcome {
        Logbook::outcome(
            trial.kind(),
            trial.name(&self.bench.plan),
            step,
            verdict,
            &self.wanted.by,
        )
    }

    /// An answer of whoever stands there, as an outcome. "again" comes back as `None`.
    fn judged_by_ear(
        &mut self,
        trial: Trial,
        step: &str,
        question: &str,
        wanted: &str,
    ) -> Result<Option<Verdict>, Halt> {
        // What will be signed for is said, not passed over.
        let answer = self
            .dialogue
            .pick(&format!("  {question}"), &["yes", "no", "again", "skip"])?;
        let (verdict, found) = match answer {
            "yes" => (Verdict::Passed, wanted.to_owned()),
            "no" => (Verdict::Failed, "no".to_owned()),
            "skip" => (Verdict::Skipped, String::new()),
            _ => return Ok(None),
        };
        // The answer stands, even if nothing is said about it.
        let note = match verdict {
            Verdict::Failed | Verdict::Skipped => self
                .dialogue
                .ask("  What is wrong, or why is it left out (Enter for nothing)?"),
            Verdict::Passed | Verdict::Measured => Ok(String::new()),
        };
        self.keep(
            trial,
            &Outcome {
                found,
                wanted: wanted.to_owned(),
                note: note.clone().unwrap_or_default(),
                ..self.outcome(trial, step, verdict)
            },
        )?;
        note?;
        Ok(Some(verdict))
    }

    fn skip(&mut self, trial: Trial) -> Result<(), Halt> {
        let note = self.dialogue.ask("  Why is it left out (Enter for nothing)?")?;
        let outcome = self.outcome(trial, trial.step(), Verdict::Skipped);
        self.keep(trial, &Outcome { note, ..outcome })
    }

    fn keep_judged(&self, trial: Trial, judged: &Judged) -> Result<(), Halt> {
        let outcome = Outcome {
            value: judged.value.map(|(value, unit)| (value, unit.to_owned())),
            found: judged.found.clone(),
            wanted: judged.wanted.clone(),
            note: judged.note.clone(),
            ..self.outcome(trial, judged.step, judged.verdict)
        };
        self.keep(trial, &outcome)
    }

    fn tell(&self, judged: &Judged) {
        let note = if judged.note.is_empty() {
            String::new()
        } else {
            format!("; {}", judged.note)
        };
        let verdict = match judged.verdict {
            Verdict::Passed => String::new(),
            _ => format!(" FAILED, wanted {}", judged.wanted),
        };
        let mut told = String::new();
        let first = format!("  {:6} ", judged.step);
        fill(
            &mut told,
            &format!("{}{note}{verdict}", judged.found),
            &first,
            &" ".repeat(9),
            80,
        );
        self.dialogue.say(&told);
    }

    /// The gateway's answer; while it refuses, because a page is on, as often as is wanted. `None`: it is to be left out.
    fn granted<T>(&mut self, ask: impl Fn(&Workbench) -> Result<T, Exit>) -> Result<Option<T>, Halt> {
        loop {
            match ask(self.bench) {
                Ok(answer) => return Ok(Some(answer)),
                Err(Exit::NotNow) => {
                    if self
                        .dialogue
                        .choose("  Once more, or leave it out?", &["again", "skip"])?
                        == "skip"
                    {
                        return Ok(None);
                    }
                }
                Err(exit) => return Err(exit.into()),
            }
        }
    }
}
