//! What the installer's bench asks of the control task: test signals, and relays operated for a while.

use std::time::{Duration, Instant};

use serde_json::{Value, json};

use super::control::Control;
use super::local;
use super::pages::{Announced, Page};
use crate::config::plan::Plan;
use crate::page::{EndReason, Input, PageId, Priority, RelayId, Standing};
use crate::report::message::{LocalMessage, Message};
use crate::report::text::plural;
use crate::sound::level::Dbfs;
use crate::sound::probe::{self, Probe, Signal};
use crate::sound::repeat::Repeated;

/// Longest time for which a relay is operated.
pub const MAX_OPERATED: Duration = Duration::from_secs(60);
/// Of a test that is to be heard although pages are on; what comes with 100 goes before it.
const OVER: Priority = Priority(99);

/// A test signal, and where.
#[derive(Debug)]
pub struct Test {
    pub signal: Signal,
    /// What it comes to at the card, past the zone's gain and equaliser; `None`: as loud as levelled speech, by the way of speech.
    pub level: Option<Dbfs>,
    /// Names of zones and zone groups.
    pub zones: Vec<String>,
    pub length: Duration,
    /// Although pages are on.
    pub over: bool,
}

/// A relay that is to be operated.
#[derive(Debug)]
pub struct Operate {
    pub relay: String,
    /// Zero: it is to rest again.
    pub length: Duration,
    /// Although pages are on.
    pub over: bool,
}

impl Control {
    pub(super) fn test(&mut self, wanted: &Test, uid: u32, now: Instant) -> Result<Value, String> {
        let zones = local::zones(&self.plan, &wanted.zones)?;
        let signal = wanted.signal.check()?;
        for zone in zones.iter().map(|zone| &self.plan.zones[usize::from(zone.0)]) {
            if let Some(level) = wanted.level.filter(|level| level.0 > zone.ceiling.0) {
                return Err(format!(
                    "{:.1} dBFS is above the ceiling of zone {}, {:.1} dBFS",
                    level.0, zone.name, zone.ceiling.0
                ));
            }
        }
        if let Some(page) = self.page_on().filter(|_| !wanted.over) {
            return Ok(json!({ "state": "refused", "why": page }));
        }
        // One at a time: each refused one would be a record.
        if let Some(page) = self.test_on() {
            return Ok(json!({ "state": "refused", "why": format!("page {}, a test, is on", page.0) }));
        }
        let priority = if wanted.over {
            OVER
        } else {
            self.plan.control.testing.priority
        };
        let page = self.new_page();
        let mut entry = Page::of_test(zones, priority, format!("uid {uid}"), self.clock.shows());
        entry.announcement = Some(Announced {
            sound: Repeated::Probe(Box::new(Probe::new(signal, wanted.length))),
            memory: 0,
        });
        // An equaliser turns the phase, and would make another pulse of it: past it, as loud as speech where that is softest.
        let gains = entry
            .zones()
            .iter()
            .map(|zone| self.plan.zones[usize::from(zone.0)].gain.0);
        let pulses = Dbfs(probe::as_speech().0 + gains.reduce(f32::min).unwrap_or(0.0));
        let level = wanted.level.or((signal == Signal::Polarity).then_some(pulses));
        entry.direct = level.map(Signal::gain_to);
        self.tell(Message::Local(LocalMessage::Tests {
            page,
            signal: name(signal),
            uid,
        }));
        self.bid(page, entry, now);
        self.settle(now);
        Ok(self.state_of(page))
    }

    pub(super) fn end_test(&mut self, page: PageId, now: Instant) -> Value {
        self.switchboard.handle(Input::Stop(page, EndReason::Operator), now);
        self.settle(now);
        json!({ "page": page.0 })
    }

    pub(super) fn operate(&mut self, wanted: &Operate, uid: u32, now: Instant) -> Result<Value, String> {
        let relay = relay(&self.plan, &wanted.relay)?;
        let name = &wanted.relay;
        if wanted.length > MAX_OPERATED {
            return Err(format!("at most {} s", MAX_OPERATED.as_secs()));
        }
        if !wanted.length.is_zero() {
            if let Some(page) = self.page_on().filter(|_| !wanted.over) {
                return Ok(json!({ "relay": name, "state": "refused", "why": page }));
            }
            if !self.switchboard.may_test(relay) {
                let why =
                    "a zone that names it is out of use: its card is missing, or another system has the amplifier";
                return Ok(json!({ "relay": name, "state": "refused", "why": why }));
            }
            let is_operated = self.switchboard.relay(relay);
            if is_operated && self.plan.relays[usize::from(relay.0)].rules.shows.is_some() {
                let why = "it is operated already, by what it shows";
                return Ok(json!({ "relay": name, "state": "refused", "why": why }));
            }
            // Asked again and again it is told once.
            if !is_operated {
                self.tell(Message::Local(LocalMessage::Operates {
                    relay: wanted.relay.clone(),
                    length: wanted.length,
                    uid,
                }));
            }
        }
        self.switchboard.handle(Input::Test(relay, wanted.length), now);
        self.settle(now);
        // A line that cannot be moved is told by its fault.
        let is_faulty = self.faults().contains(&format!("relay {name}"));
        if is_faulty && !wanted.length.is_zero() {
            return Err(format!("relay {name} cannot be moved; the journal says why"));
        }
        Ok(json!({ "relay": name, "operated": self.switchboard.relay(relay) }))
    }

    /// Plays what a schedule plays, as it would.
    pub(super) fn ring_by_hand(&mut self, name: &str, uid: u32, now: Instant) -> Result<Value, String> {
        let mut schedules = self.plan.schedules.iter();
        let index = schedules.position(|schedule| schedule.name == name);
        let index = index.ok_or_else(|| format!("there is no schedule {name:?}"))?;
        let page = self.new_page();
        self.tell(Message::Local(LocalMessage::Announces { page, uid }));
        self.ring_now(index, page, now);
        Ok(self.state_of(page))
    }

    /// Which test is on.
    fn test_on(&self) -> Option<PageId> {
        let mut pages = self.pages.iter();
        pages
            .find(|(_, entry)| entry.is_test() && entry.record.is_none())
            .map(|(page, _)| *page)
    }

    /// Which page, other than a test, is heard or about to be.
    fn page_on(&self) -> Option<String> {
        let mut on = self
            .switchboard
            .pages()
            .filter(|status| status.standing != Standing::Waiting);
        on.find_map(|status| {
            let entry = self.pages.get(&status.page)?;
            let source = entry.origin.name(&self.plan);
            (!entry.is_test()).then(|| format!("page {} from {source} is on", status.page.0))
        })
    }
}

fn relay(plan: &Plan, name: &str) -> Result<RelayId, String> {
    let mut relays = (0..=u16::MAX).zip(&plan.relays);
    let found = relays.find(|(_, relay)| relay.name == name);
    found.map(|(id, _)| RelayId(id)).ok_or_else(|| {
        let known: Vec<&str> = plan.relays.iter().map(|relay| relay.name.as_str()).collect();
        match known.is_empty() {
            true => "the config has no relay".to_owned(),
            false => format!("there is no relay {name:?}; there are {}", known.join(", ")),
        }
    })
}

/// As the journal has it.
fn name(signal: Signal) -> String {
    match signal {
        Signal::Tone { hz } => format!("tone of {hz} Hz"),
        Signal::Sweep { from, to } => format!("sweep from {from} to {to} Hz"),
        Signal::Noise => "noise like speech".to_owned(),
        Signal::Polarity => "pulses".to_owned(),
        Signal::Beeps { count } => plural(usize::from(count), "beep"),
    }
}

/// From a question of the socket: `{"signal": "tone", "hz": 1000, "level_dbfs": -30, "zones": [...], "seconds": 10, "over": false}`.
///
/// # Errors
/// What is missing or wrong, for whoever asked.
pub fn test(question: &Value) -> Result<Test, String> {
    let number = |key: &str| question.get(key).and_then(Value::as_f64);
    let hz = |key: &str| number(key).ok_or_else(|| format!("{key}: how many Hz?"));
    let signal = match question.get("signal").and_then(Value::as_str) {
        Some("tone") => Signal::Tone { hz: hz("hz")? },
        Some("sweep") => Signal::Sweep {
            from: hz("from")?,
            to: hz("to")?,
        },
        Some("noise") => Signal::Noise,
        Some("polarity") => Signal::Polarity,
        Some("beeps") => Signal::Beeps {
            count: question
                .get("count")
                .and_then(Value::as_u64)
                .and_then(|n| u8::try_from(n).ok())
                .unwrap_or(0),
        },
        _ => return Err("the signals are tone, sweep, noise, polarity and beeps".to_owned()),
    };
    let length = seconds(question).ok_or("how many seconds?")?;
    if length.is_zero() || length > probe::MAX_LENGTH {
        return Err(format!("it lasts 1 to {} s", probe::MAX_LENGTH.as_secs()));
    }
    Ok(Test {
        signal: signal.check()?,
        level: level(question)?,
        zones: names(question).ok_or("which zones?")?,
        length,
        over: is_over(question)?,
    })
}

/// From a question of the socket: `{"relay": "amp-trigger", "seconds": 3, "over": false}`.
///
/// # Errors
/// What is missing, for whoever asked.
pub fn operate(question: &Value) -> Result<Operate, String> {
    Ok(Operate {
        relay: question
            .get("relay")
            .and_then(Value::as_str)
            .ok_or("which relay?")?
            .to_owned(),
        length: seconds(question).ok_or("for how many seconds?")?,
        over: is_over(question)?,
    })
}

/// Texts alone, or nothing.
pub fn names(question: &Value) -> Option<Vec<String>> {
    let zones = question.get("zones").and_then(Value::as_array)?;
    zones.iter().map(|zone| zone.as_str().map(str::to_owned)).collect()
}

/// `None` where none is asked for; what is no level must not be taken for that.
fn level(question: &Value) -> Result<Option<Dbfs>, String> {
    let Some(level) = question.get("level_dbfs") else {
        return Ok(None);
    };
    let level = level
        .as_f64()
        .map(|level| level as f32)
        .filter(|level| (-200.0..=0.0).contains(level));
    level
        .map(|level| Some(Dbfs(level)))
        .ok_or_else(|| "a level is a number of dBFS, 0 at most".to_owned())
}

fn seconds(question: &Value) -> Option<Duration> {
    Duration::try_from_secs_f64(question.get("seconds").and_then(Value::as_f64)?).ok()
}

fn is_over(question: &Value) -> Result<bool, String> {
    match question.get("over") {
        None => Ok(false),
        Some(over) => over.as_bool().ok_or_else(|| "over is true or false".to_owned()),
    }
}
