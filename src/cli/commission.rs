//! `hornwire commission`: everything of a config tried once, in turn, with whoever hears it.
#![allow(clippy::disallowed_methods)]

use std::collections::BTreeMap;
use std::io::Write as _;
use std::time::{Duration, Instant};

use clap::Args;
use hornwire::bench::commission::{self, Judged, MUSIC_LATER, Trial};
use hornwire::bench::logbook::{Outcome, Standing, Verdict};
use hornwire::config::plan::{Plan, Speaker};
use hornwire::page::{RelayId, ZoneId};
use hornwire::report::status::{OutOfUse, Past};
use hornwire::report::text::{fill, plural};
use hornwire::sound::probe;
use serde_json::json;

use super::dialogue::{Dialogue, Halt};
use super::logbook::Logbook;
use super::workbench::{Through, Workbench};
use super::{Exit, complain};

mod pages;

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

    fn zone(&mut self, trial: Trial, zone: ZoneId) -> Result<(), Halt> {
        let name = trial.name(&self.bench.plan).to_owned();
        let number = probe::beeps_of(usize::from(zone.0));
        let beeps = plural(usize::from(number), "beep");
        let question = format!("  {beeps} will sound, again and again, until you answer. Ready?");
        if self.dialogue.choose(&question, &["yes", "skip"])? == "skip" {
            return self.skip(trial);
        }
        loop {
            let question = json!({
                "signal": "beeps", "count": number, "zones": [name], "seconds": BEEPS,
                "over": self.wanted.through.over_pages,
            });
            let Some(playing) = self.granted(|bench| bench.play(question.clone()))? else {
                return self.skip(trial);
            };
            let question = format!("Heard in {name}, {beeps} at a time, and nowhere else?");
            let wanted = format!("heard in {name} and nowhere else");
            let judged = self.judged_by_ear(trial, "heard", &question, &wanted);
            drop(playing);
            if judged?.is_some() {
                return Ok(());
            }
        }
    }

    /// What is tried next is not to meet what was tried before. A page that is on holds its relay, and then the test is refused.
    fn until_rest(&mut self, relay: &str) -> Result<(), Halt> {
        let by = Instant::now() + PATIENCE;
        while Instant::now() < by {
            let status = self.bench.status()?;
            let rests = status.relays.iter().all(|one| one.name != relay || !one.operated);
            // A lamp may show something else than pages.
            if rests || status.zones.iter().all(|zone| zone.phase == "rest") {
                break;
            }
            if self.dialogue.stops_within(LOOK) {
                return Err(Halt::Quit);
            }
        }
        Ok(())
    }

    fn skip(&mut self, trial: Trial) -> Result<(), Halt> {
        let note = self.dialogue.ask("  Why is it left out (Enter for nothing)?")?;
        let outcome = self.outcome(trial, trial.step(), Verdict::Skipped);
        self.keep(trial, &Outcome { note, ..outcome })
    }

    fn relay(&mut self, trial: Trial, relay: RelayId) -> Result<(), Halt> {
        let name = trial.name(&self.bench.plan).to_owned();
        if commission::shows_health(&self.bench.plan, relay) {
            loop {
                let status = self.bench.status()?;
                if status.relays.iter().any(|one| one.name == name && one.operated) {
                    break;
                }
                let missing = match status.missing.as_slice() {
                    [] => "something is missing".to_owned(),
                    missing => format!("missing: {}", missing.join(", ")),
                };
                self.say(&format!(
                    "  It is operated while all is well, and rests now; {missing}."
                ));
                if self
                    .dialogue
                    .choose("  Look once more, or leave it out?", &["again", "skip"])?
                    == "skip"
                {
                    return self.skip(trial);
                }
            }
            let question = "It is operated while all is well. Does what hangs on it show that now?";
            while self
                .judged_by_ear(trial, "operates", question, "shows that all is well")?
                .is_none()
            {}
            return Ok(());
        }
        let purpose = commission::purpose(&self.bench.plan, relay);
        let question = format!("It will operate for {OPERATED} s; {purpose}. Ready?");
        if self.dialogue.choose(&format!("  {question}"), &["yes", "skip"])? == "skip" {
            return self.skip(trial);
        }
        loop {
            self.until_rest(&name)?;
            let over = self.wanted.through.over_pages;
            let Some(held) = self.granted(|bench| bench.operate(&name, OPERATED.into(), over))? else {
                return self.skip(trial);
            };
            let wanted = format!("operates for {OPERATED} s and rests again; {purpose}");
            let judged = self.judged_by_ear(trial, "operates", "Did it, and did it go back?", &wanted);
            drop(held);
            if judged?.is_some() {
                return Ok(());
            }
        }
    }

    fn source(&mut self, trial: Trial, speaker: Speaker) -> Result<(), Halt> {
        let plan = &self.bench.plan;
        let name = trial.name(plan).to_owned();
        let request = commission::request(plan, speaker);
        loop {
            let after = pages::newest(&self.bench.status()?);
            if let Speaker::Schedule(_) = speaker {
                let question = format!("  {request}. Ready?");
                if self.dialogue.choose(&question, &["yes", "skip"])? == "skip" {
                    return self.skip(trial);
                }
                let Some(_) = self.granted(|bench| bench.ask(&json!({ "command": "ring", "schedule": name })))? else {
                    return self.skip(trial);
                };
            } else {
                self.say(&format!("  {request}. (Or type skip.)"));
            }
            let Some((record, moved)) = self.page(&name, trial.kind(), after)? else {
                return self.skip(trial);
            };
            let mut all = commission::judge(plan, speaker, &record);
            all.extend(commission::leads(plan, speaker, &record, &moved));
            for judged in &all {
                self.tell(judged);
                self.keep_judged(trial, judged)?;
            }
            if !record.was_heard() {
                // There is nothing to judge by ear.
                let answer = self
                    .dialogue
                    .choose("  Once more, or leave it so?", &["again", "leave"])?;
                if answer == "again" {
                    continue;
                }
                return self.unheard(trial, &record);
            }
            let is_good = all.iter().all(|judged| judged.verdict == Verdict::Passed);
            let wanted = "clear, loud enough, whole from the first word to the last";
            let question = "By ear: clear, loud enough, whole from the first word to the last?";
            let Some(verdict) = self.judged_by_ear(trial, "heard", question, wanted)? else {
                continue;
            };
            let whole = match (verdict, is_good) {
                (Verdict::Passed, true) => Verdict::Passed,
                (Verdict::Skipped, true) => Verdict::Skipped,
                _ => Verdict::Failed,
            };
            let outcome = Outcome {
                found: format!("heard in {}", record.zones().join(", ")),
                wanted: IN_ORDER.to_owned(),
                ..self.outcome(trial, "page", whole)
            };
            return self.keep(trial, &outcome);
        }
    }

    /// A page that was not heard, and is left at that. Quiet hours are no fault.
    fn unheard(&self, trial: Trial, record: &Past) -> Result<(), Halt> {
        let quiet = record.text("quiet_hours");
        let verdict = match quiet.as_str() {
            "" => Verdict::Failed,
            _ => Verdict::Skipped,
        };
        let outcome = Outcome {
            found: format!("not heard: {}", record.text("why")),
            wanted: IN_ORDER.to_owned(),
            note: match quiet.as_str() {
                "" => String::new(),
                quiet => format!("quiet hours {quiet}"),
            },
            ..self.outcome(trial, trial.step(), verdict)
        };
        self.keep(trial, &outcome)
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

    /// Another system takes zones over, and gives them back.
    fn veto(&mut self, trial: Trial, index: usize) -> Result<(), Halt> {
        let plan = &self.bench.plan;
        let zones = plan.vetoes[index].zones.iter();
        let zones: Vec<String> = zones.map(|zone| plan.zones[usize::from(zone.0)].name.clone()).collect();
        for (taken, request) in [(true, "Let the other system take over"), (false, "Let it give back")] {
            self.say(&format!("  {request} {}. (Or type skip.)", zones.join(", ")));
            let by = Instant::now() + PATIENCE;
            loop {
                if self.dialogue.stops_within(LOOK) {
                    return Err(Halt::Quit);
                }
                if self.dialogue.typed(&["skip"]).is_some() || self.dialogue.has_ended() || Instant::now() > by {
                    return self.skip(trial);
                }
                let status = self.bench.status()?;
                let mut its = status.zones.iter().filter(|zone| zones.contains(&zone.name));
                if its.all(|zone| (zone.out_of_use == Some(OutOfUse::TakenOver)) == taken) {
                    break;
                }
            }
        }
        let question = "By ear: was the other system heard there, and nothing else, and are pages and music back?";
        while self
            .judged_by_ear(
                trial,
                "takes-over",
                question,
                "the other system alone, then all as before",
            )?
            .is_none()
        {}
        Ok(())
    }

    fn music(&mut self, trial: Trial, index: usize) -> Result<(), Halt> {
        let plan = &self.bench.plan;
        let music = &plan.music[index];
        let zones: Vec<String> = music
            .zones
            .iter()
            .map(|zone| plan.zones[usize::from(zone.0)].name.clone())
            .collect();
        let seen = zones.iter().filter_map(|zone| self.music_back.get(zone)).copied();
        match seen.reduce(f64::max) {
            Some(seconds) => {
                let release = music
                    .zones
                    .iter()
                    .map(|zone| plan.zones[usize::from(zone.0)].release)
                    .max();
                let most = release.unwrap_or_default().as_secs_f64() + MUSIC_LATER;
                let verdict = if seconds <= most {
                    Verdict::Passed
                } else {
                    Verdict::Failed
                };
                let found = match seconds.is_finite() {
                    true => format!("back {seconds:.1} s after the last page"),
                    false => format!("not back within {} s of the last page", MUSIC_PATIENCE.as_secs()),
                };
                let judged = Judged {
                    step: "return",
                    value: seconds.is_finite().then_some((seconds, "s")),
                    found,
                    wanted: format!("at most {most:.1} s"),
                    verdict,
                    note: String::new(),
                };
                self.tell(&judged);
                self.keep_judged(trial, &judged)?;
            }
            None => self.say("  no page in its zones has been tried in this run, so nothing was measured"),
        }
        let question = format!(
            "By ear: is the music back in {}, and was it silent or softer under pages?",
            zones.join(", ")
        );
        while self
            .judged_by_ear(
                trial,
                "back",
                &question,
                "silent or softer under pages, and back after them",
            )?
            .is_none()
        {}
        Ok(())
    }
}
