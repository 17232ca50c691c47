//! What the installer's bench asks of the control task: test signals, and relays operated for a while.

use std::time::{Duration, Instant};

use serde_json::{Value, json};

use super::control::Control;
use super::local;
use super::pages::{Announced, Page};
use crate::config::plan::{Plan, Zone};
use crate::page::{Input, Priority, RelayId, Standing, ZoneId};
use crate::report::message::{LocalMessage, Message};
use crate::report::text::plural;
use crate::sound::RATE;
use crate::sound::filter::Filter;
use crate::sound::level::{Db, Dbfs};
use crate::sound::probe::{self, Probe, Signal};
use crate::sound::repeat::Repeated;

/// Longest time for which a relay is operated.
pub const MAX_OPERATED: Duration = Duration::from_secs(60);
/// Of a test that is to be heard although pages are on.
const OVER: Priority = Priority(100);

/// A test signal, and where.
#[derive(Debug)]
pub struct Test {
    pub signal: Signal,
    /// What it comes to at the card, whatever the zone's gain and equaliser do; `None`: as loud as levelled speech, by the way of speech.
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
        let priority = if wanted.over {
            OVER
        } else {
            self.plan.control.testing.priority
        };
        let gains = zones
            .iter()
            .map(|id| (*id, gain(&self.plan.zones[usize::from(id.0)], signal, wanted.level)))
            .collect();
        let page = self.new_page();
        let mut entry = Page::of_test(zones, priority, format!("uid {uid}"), self.clock.shows());
        entry.announcement = Some(Announced {
            sound: Repeated::Probe(Box::new(Probe::new(signal, wanted.length))),
            memory: 0,
            gains,
        });
        self.tell(Message::Local(LocalMessage::Tests {
            page,
            signal: name(signal),
            uid,
        }));
        self.bid(page, entry, now);
        self.settle(now);
        Ok(self.state_of(page))
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
            self.tell(Message::Local(LocalMessage::Operates {
                relay: wanted.relay.clone(),
                length: wanted.length,
                uid,
            }));
        }
        self.switchboard.handle(Input::Test(relay, wanted.length), now);
        self.settle(now);
        Ok(json!({ "relay": name, "operated": self.switchboard.relay(relay) }))
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

/// What a signal needs on top of what the zone does, to come to its level.
fn gain(zone: &Zone, signal: Signal, level: Option<Dbfs>) -> Db {
    let Some(level) = level else {
        return Signal::gain_as_speech();
    };
    let shaped = signal.frequency().map_or(0.0, |hz| {
        let filters = zone.equaliser.iter().map(|shape| Filter::new(*shape, RATE));
        filters.map(|filter| filter.gain_at(hz, RATE).0).sum()
    });
    Db(Signal::gain_to(level).0 - zone.gain.0 - shaped)
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
            count: number("count").map_or(0, |n| n as u8),
        },
        _ => return Err("the signals are tone, sweep, noise, polarity and beeps".to_owned()),
    };
    let length = seconds(question).ok_or("how many seconds?")?;
    if length.is_zero() || length > probe::MAX_LENGTH {
        return Err(format!("it lasts 1 to {} s", probe::MAX_LENGTH.as_secs()));
    }
    Ok(Test {
        signal: signal.check()?,
        level: number("level_dbfs").map(|level| Dbfs(level as f32)),
        zones: names(question).ok_or("which zones?")?,
        length,
        over: is_over(question),
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
        over: is_over(question),
    })
}

pub fn names(question: &Value) -> Option<Vec<String>> {
    let zones = question.get("zones").and_then(Value::as_array)?;
    Some(zones.iter().filter_map(Value::as_str).map(str::to_owned).collect())
}

fn seconds(question: &Value) -> Option<Duration> {
    Duration::try_from_secs_f64(question.get("seconds").and_then(Value::as_f64)?).ok()
}

fn is_over(question: &Value) -> bool {
    question.get("over").and_then(Value::as_bool).unwrap_or(false)
}

/// Zones of a page and what its sound needs in each.
pub type Gains = Vec<(ZoneId, Db)>;
