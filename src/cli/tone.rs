//! `hornwire tone`, `hornwire relay`: test signals, and relays operated for a while.
#![allow(clippy::disallowed_methods)]

use std::io::Write as _;
use std::time::{Duration, Instant};

use clap::{Args, ValueEnum};
use hornwire::bench::levels::quantity::{Level, Unfit};
use hornwire::config::plan::{Plan, Zone};
use hornwire::page::ZoneId;
use hornwire::report::status;
use hornwire::sound::level::{Dbfs, Dbm};
use hornwire::sound::probe;
use serde_json::{Value, json};

use super::dialogue::Dialogue;
use super::workbench::{Through, Workbench};
use super::{Exit, complain};

/// More than this above speech is loud, dB.
const LOUD: f32 = 6.0;
/// How often the gateway is asked whether it still plays.
const LOOK: Duration = Duration::from_millis(300);

#[derive(Debug, Args)]
pub struct Tone {
    /// What is played.
    #[arg(value_enum, default_value = "tone")]
    signal: Kind,
    /// A zone or a zone group; may come several times. `identify` goes through all zones if none is named.
    #[arg(long = "zone", value_name = "NAME")]
    zones: Vec<String>,
    /// Frequency of the tone. [default: 1000]
    #[arg(long, value_name = "HZ")]
    hz: Option<f64>,
    /// Where the sweep begins. [default: 100]
    #[arg(long, value_name = "HZ")]
    from: Option<f64>,
    /// Where the sweep ends. [default: 10000]
    #[arg(long, value_name = "HZ")]
    to: Option<f64>,
    /// On the line, past the zone's gain and equaliser: "-20 dBFS" (0 is a full-scale sine), or "-10 dBm" where the card has been
    /// measured. Without it as loud as speech, by the way of speech.
    #[arg(long, value_name = "LEVEL", value_parser = Wanted::read, allow_hyphen_values = true)]
    level: Option<Wanted>,
    /// How long; of `identify`, in each zone.
    #[arg(long, value_name = "SECONDS", default_value_t = 10.0, value_parser = |text: &str| seconds(text, 600.0))]
    seconds: f64,
    /// Louder than 6 dB above speech.
    #[arg(long)]
    loud: bool,
    #[command(flatten)]
    through: Through,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Kind {
    /// A sine.
    Tone,
    /// A sine from one frequency to another.
    Sweep,
    /// Noise with the spectrum of speech.
    Noise,
    /// Pulses that go up: for an oscilloscope, or a meter of polarity.
    Polarity,
    /// Beeps in one zone after the other: once in the config's first zone, twice in its second.
    Identify,
}

/// A level as it was asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Wanted {
    Dbfs(Dbfs),
    Line(Level),
}

impl Wanted {
    /// # Errors
    /// What it should look like.
    pub fn read(text: &str) -> Result<Self, String> {
        let number = text
            .trim()
            .strip_suffix("dBFS")
            .map(|number| number.trim().parse::<f32>());
        match number {
            Some(Ok(n)) if (-200.0..=0.0).contains(&n) => Ok(Wanted::Dbfs(Dbfs(n))),
            Some(_) => Err("full scale is the most there is: \"-20 dBFS\"".to_owned()),
            None => Level::read(text)
                .map(Wanted::Line)
                .map_err(|Unfit(hint)| format!("{hint}; or dBFS, of the card's full scale")),
        }
    }

    /// At the card of that zone.
    ///
    /// # Errors
    /// Where the card has not been measured.
    fn at(self, plan: &Plan, zone: &Zone) -> Result<Dbfs, String> {
        let card = &plan.cards[zone.card];
        match (self, card.full_scale) {
            (Wanted::Dbfs(level), _) => Ok(level),
            (Wanted::Line(level), Some(full_scale)) => Ok(Dbfs(level.volts().dbu().0 - full_scale.0)),
            (Wanted::Line(_), None) => Err(format!(
                "the level on the line is not known: [cards.{}] has no full_scale. hornwire calibrate measures it; until then give dBFS",
                card.name
            )),
        }
    }
}

/// As loud as speech there: the level of a sine of the same RMS.
pub fn as_speech(zone: &Zone) -> Dbfs {
    Dbfs(probe::as_speech().0 + zone.gain.0)
}

/// "-17.0 dBFS, -13.0 dBm on the line".
pub fn told(level: Dbfs, full_scale: Option<Dbm>) -> String {
    match full_scale {
        Some(full_scale) => format!(
            "{:.1} dBFS, {:+.1} dBm on the line",
            level.0,
            full_scale.of_sine(level).0
        ),
        None => format!("{:.1} dBFS", level.0),
    }
}

pub fn run(wanted: &Tone) -> Exit {
    match play(wanted) {
        Ok(exit) | Err(exit) => exit,
    }
}

fn play(wanted: &Tone) -> Result<Exit, Exit> {
    if wanted.zones.is_empty() && wanted.signal != Kind::Identify {
        complain("which zones? --zone NAME, once for each");
        return Err(Exit::Usage);
    }
    for (flag, is_given, of) in [
        ("--hz", wanted.hz.is_some(), Kind::Tone),
        ("--from", wanted.from.is_some(), Kind::Sweep),
        ("--to", wanted.to.is_some(), Kind::Sweep),
    ] {
        if is_given && wanted.signal != of {
            let of = of.to_possible_value();
            complain(&format!(
                "{flag} is for a {}",
                of.as_ref().map_or("", |value| value.get_name())
            ));
            return Err(Exit::Usage);
        }
    }
    let plan = &super::plan(&wanted.through.config)?;
    let zones: Vec<ZoneId> = match wanted.zones.is_empty() {
        true => (0..=u16::MAX).take(plan.zones.len()).map(ZoneId).collect(),
        false => plan.zones_of(&wanted.zones).map_err(|name| {
            let known: Vec<&str> = plan.zone_names().collect();
            complain(&format!("there is no zone {name:?}; there are {}", known.join(", ")));
            Exit::Data
        })?,
    };
    let all = zones.iter().map(|zone| &plan.zones[usize::from(zone.0)]);
    let all: Vec<&Zone> = all.collect();
    for zone in &all {
        let level = level(wanted, plan, zone, &all)?;
        let usual = as_speech(zone);
        if level.0 > zone.ceiling.0 {
            complain(&format!(
                "zone {}: {:.1} dBFS is above its ceiling, {:.1} dBFS",
                zone.name, level.0, zone.ceiling.0
            ));
            return Err(Exit::Data);
        }
        if level.0 > usual.0 + LOUD && !wanted.loud {
            complain(&format!(
                "zone {}: {} is {:.0} dB above speech there. Is nobody near the loudspeakers, and can they bear it? Then: --loud",
                zone.name,
                told(level, plan.cards[zone.card].full_scale),
                level.0 - usual.0
            ));
            return Err(Exit::Data);
        }
    }
    // First, so that a signal during the start is not lost.
    let mut dialogue = Dialogue::new(false, wanted.through.json).map_err(|error| {
        complain(&error.to_string());
        Exit::System
    })?;
    let bench = Workbench::of(plan.clone(), &wanted.through)?;
    // Beeps have a number for each zone, all else sounds in all of them at once.
    let rounds: Vec<Vec<ZoneId>> = match wanted.signal {
        Kind::Identify => zones.iter().map(|zone| vec![*zone]).collect(),
        _ => vec![zones],
    };
    let mut exit = Exit::Ok;
    for round in rounds {
        let (ended, result) = match one(wanted, &bench, &mut dialogue, &round) {
            // The others may be free.
            Err(Exit::NotNow) if wanted.signal == Kind::Identify => {
                exit = Exit::NotNow;
                continue;
            }
            other => other?,
        };
        if wanted.through.json {
            let _ = writeln!(std::io::stdout(), "{result}");
        }
        match ended {
            Ended::Played => {}
            Ended::Stopped => break,
            Ended::Taken => exit = Exit::NotNow,
        }
    }
    Ok(exit)
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Ended {
    Played,
    Stopped,
    /// A page took its zones.
    Taken,
}

/// At the card of that zone; `all` are those that sound with it.
fn level(wanted: &Tone, plan: &Plan, zone: &Zone, all: &[&Zone]) -> Result<Dbfs, Exit> {
    let level = wanted.level.map(|level| level.at(plan, zone)).transpose();
    let level = level.map_err(|cause| {
        complain(&cause);
        Exit::Data
    })?;
    Ok(level.unwrap_or_else(|| match wanted.signal {
        // Past the zones' gains.
        Kind::Polarity => Dbfs(all.iter().map(|zone| as_speech(zone).0).fold(0.0, f32::min)),
        _ => as_speech(zone),
    }))
}

fn one(wanted: &Tone, bench: &Workbench, dialogue: &mut Dialogue, zones: &[ZoneId]) -> Result<(Ended, Value), Exit> {
    let plan = &bench.plan;
    let zones: Vec<&Zone> = zones.iter().map(|zone| &plan.zones[usize::from(zone.0)]).collect();
    let names: Vec<&str> = zones.iter().map(|zone| zone.name.as_str()).collect();
    let place = plan.zones.iter().position(|zone| names.contains(&zone.name.as_str()));
    let count = probe::beeps_of(place.unwrap_or(0));
    let (hz, from, to) = (
        wanted.hz.unwrap_or(1000.0),
        wanted.from.unwrap_or(100.0),
        wanted.to.unwrap_or(10_000.0),
    );
    let (what, mut question) = match wanted.signal {
        Kind::Tone => (format!("tone of {hz} Hz"), json!({ "signal": "tone", "hz": hz })),
        Kind::Sweep => (
            format!("sweep from {from} to {to} Hz"),
            json!({ "signal": "sweep", "from": from, "to": to }),
        ),
        Kind::Noise => ("noise like speech".to_owned(), json!({ "signal": "noise" })),
        Kind::Polarity => ("pulses that go up".to_owned(), json!({ "signal": "polarity" })),
        Kind::Identify => (
            hornwire::report::text::plural(usize::from(count), "beep"),
            json!({ "signal": "beeps", "count": count }),
        ),
    };
    let mut levels = Vec::new();
    let mut asked: Option<Dbfs> = None;
    for zone in &zones {
        let at_card = level(wanted, plan, zone, &zones)?;
        if wanted.level.is_some() {
            // One question has one level: cards that were measured differently are asked one by one.
            if asked.is_some_and(|other| (other.0 - at_card.0).abs() > 0.05) {
                complain("these zones' cards have different full scales: play it in one after the other, or give dBFS");
                return Err(Exit::Data);
            }
            asked = Some(at_card);
        }
        levels.push((zone, at_card));
    }
    question["zones"] = json!(names);
    question["seconds"] = json!(wanted.seconds);
    question["over"] = json!(wanted.through.over_pages);
    if let Some(level) = asked {
        question["level_dbfs"] = json!(level.0);
    }
    let playing = bench.play(question).inspect_err(|_| {
        dialogue.say(&format!("Not played in {}.\n", names.join(", ")));
    })?;
    let page = playing.page;
    for (zone, level) in &levels {
        let full_scale = plan.cards[zone.card].full_scale;
        let shaped = wanted.level.is_none() && wanted.signal != Kind::Polarity && !zone.equaliser.is_empty();
        let before = if shaped { ", before the zone's equaliser" } else { "" };
        dialogue.say(&format!(
            "{}: {what}, {}{before}\n",
            zone.name,
            told(*level, full_scale)
        ));
    }
    dialogue.say(&format!("For {} s; Ctrl-C ends it.\n", wanted.seconds));
    let ended = follow(bench, dialogue, page, &names)?;
    drop(playing);
    dialogue.say(match ended {
        Ended::Played => "Played.\n",
        Ended::Stopped => "Ended.\n",
        Ended::Taken => {
            "It was not heard everywhere, or not to its end: a page took the zones, or they are out of use.\n"
        }
    });
    let levels = levels.iter().map(|(zone, level)| {
        let dbm = plan.cards[zone.card]
            .full_scale
            .map(|full_scale| full_scale.of_sine(*level).0);
        json!({ "zone": zone.name, "level_dbfs": hundredths(level.0), "level_dbm": dbm.map(hundredths) })
    });
    let outcome = match ended {
        Ended::Played => "played",
        Ended::Stopped => "stopped",
        Ended::Taken => "taken",
    };
    let result = json!({ "page": page, "signal": what, "zones": levels.collect::<Vec<_>>(), "outcome": outcome });
    Ok((ended, result))
}

fn hundredths(decibel: f32) -> f64 {
    (f64::from(decibel) * 100.0).round() / 100.0
}

/// Until it is over; ends it when asked to.
fn follow(bench: &Workbench, dialogue: &mut Dialogue, page: u64, zones: &[&str]) -> Result<Ended, Exit> {
    let mut taken: Vec<String> = Vec::new();
    loop {
        if dialogue.stops_within(LOOK) {
            return Ok(Ended::Stopped);
        }
        let status = bench.status()?;
        if let Some(page) = status.page(page) {
            let others = zones.iter().filter(|zone| page.is_heard() && !has(&page.zones, zone));
            for zone in others {
                if !has(&taken, zone) {
                    dialogue.say(&format!("Not in {zone} now: a page has it, or it is out of use.\n"));
                    taken.push((*zone).to_owned());
                }
            }
            continue;
        }
        // Between the end and the record is a moment.
        if let Some(record) = status.past(page) {
            let missed = record.missed();
            for (zone, cause) in &missed {
                if !has(&taken, zone) {
                    dialogue.say(&format!("Not in {zone}: {}\n", cause.as_deref().unwrap_or_default()));
                }
            }
            return Ok(match record.text("end_reason").as_str() {
                "finished" if missed.is_empty() && taken.is_empty() => Ended::Played,
                _ => Ended::Taken,
            });
        }
    }
}

fn has(zones: &[String], zone: &str) -> bool {
    zones.iter().any(|one| one == zone)
}

#[derive(Debug, Args)]
pub struct Relay {
    /// Its name in the config; without one they are listed.
    #[arg(value_name = "NAME")]
    relay: Option<String>,
    /// How long it is operated.
    #[arg(long = "for", value_name = "SECONDS", default_value_t = 3.0, value_parser = |text: &str| seconds(text, 60.0))]
    seconds: f64,
    /// How often, as long at rest between: to find it by its click.
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=20))]
    times: u32,
    #[command(flatten)]
    through: Through,
}

fn seconds(text: &str, most: f64) -> Result<f64, String> {
    let seconds = text.trim_end_matches('s').trim().parse::<f64>().ok();
    let seconds = seconds.filter(|n| (0.1..=most).contains(n));
    seconds.ok_or_else(|| format!("0.1 to {most} seconds"))
}

pub fn relay(wanted: &Relay) -> Exit {
    match operate(wanted) {
        Ok(exit) | Err(exit) => exit,
    }
}

fn operate(wanted: &Relay) -> Result<Exit, Exit> {
    // First, so that a signal during the start is not lost.
    let mut dialogue = Dialogue::new(false, wanted.through.json).map_err(|error| {
        complain(&error.to_string());
        Exit::System
    })?;
    let bench = Workbench::open(&wanted.through)?;
    let json = wanted.through.json;
    let Some(name) = &wanted.relay else {
        list(&bench, json)?;
        return Ok(Exit::Ok);
    };
    let length = Duration::from_secs_f64(wanted.seconds);
    for round in 1..=wanted.times {
        let over = wanted.through.over_pages;
        let held = bench.operate(name, wanted.seconds, over)?;
        let operated = held.answer["operated"] == json!(true);
        if json {
            let _ = writeln!(std::io::stdout(), "{}", held.answer);
        } else {
            let what = match operated {
                true => format!("operated for {} s; Ctrl-C ends it", wanted.seconds),
                false => "has to stay at rest for its min_off first, then it is operated for what is left".to_owned(),
            };
            dialogue.say(&format!("{name}: {what}\n"));
        }
        let between = if round < wanted.times { length } else { Duration::ZERO };
        let by = Instant::now() + length + between;
        if dialogue.stops_within(by.saturating_duration_since(Instant::now())) {
            break;
        }
    }
    dialogue.say("At rest, unless a page or its min_on holds it.\n");
    Ok(Exit::Ok)
}

fn list(bench: &Workbench, json: bool) -> Result<(), Exit> {
    let relays = bench.status()?.relays;
    let mut out = std::io::stdout().lock();
    if json {
        let _ = writeln!(
            out,
            "{}",
            json!(relays.iter().map(status::Relay::json).collect::<Vec<Value>>())
        );
        return Ok(());
    }
    if relays.is_empty() {
        let _ = writeln!(out, "the config has no relay");
    }
    for relay in &relays {
        let state = if relay.operated { "operated" } else { "at rest" };
        let _ = writeln!(out, "{}: {state}", relay.name);
    }
    Ok(())
}
