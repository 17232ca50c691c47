//! What is done for each thing that is tried.
#![allow(clippy::disallowed_methods)]

use std::time::Instant;

use hornwire::bench::commission::{self, Judged, MUSIC_LATER, Trial};
use hornwire::bench::logbook::{Outcome, Verdict};
use hornwire::config::plan::Speaker;
use hornwire::page::{RelayId, ZoneId};
use hornwire::report::status::{OutOfUse, Past};
use hornwire::report::text::plural;
use hornwire::sound::probe;
use serde_json::json;

use super::super::dialogue::Halt;
use super::{BEEPS, IN_ORDER, LOOK, MUSIC_PATIENCE, OPERATED, PATIENCE, Run, pages};

impl Run<'_> {
    pub(super) fn zone(&mut self, trial: Trial, zone: ZoneId) -> Result<(), Halt> {
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

    pub(super) fn relay(&mut self, trial: Trial, relay: RelayId) -> Result<(), Halt> {
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

    pub(super) fn source(&mut self, trial: Trial, speaker: Speaker) -> Result<(), Halt> {
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

    /// Another system takes zones over, and gives them back.
    pub(super) fn veto(&mut self, trial: Trial, index: usize) -> Result<(), Halt> {
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

    pub(super) fn music(&mut self, trial: Trial, index: usize) -> Result<(), Halt> {
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
