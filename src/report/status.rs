//! How a gateway stands: what it answers to `status`, for the gateway that tells it and for every command that asks.
//!
//! Names of callers and streams come from the network: [`Status::of`] and [`Past`] make each text one clean line.

use serde_json::{Map, Value, json};

use super::entry::clean;

/// Longest text that is taken over, in characters.
const MAX_TEXT: usize = 400;

/// The gateway at one moment.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Status {
    pub site: String,
    pub zones: Vec<Zone>,
    pub pages: Vec<Page>,
    pub relays: Vec<Relay>,
    pub registrations: Vec<Registration>,
    pub metrics: Option<Metrics>,
    pub missing: Vec<String>,
    /// What a new config changes that waits.
    pub config_waits: Vec<String>,
    pub config_refused: bool,
    /// The next schedule, and when.
    pub next: Option<(String, String)>,
    /// Pages that are over, the newest last.
    pub recent: Vec<Past>,
}

#[derive(Debug, Clone, PartialEq, Default)]
pub struct Zone {
    pub name: String,
    /// [`crate::page::Phase::name`]
    pub phase: String,
    pub page: Option<u64>,
    pub out_of_use: Option<OutOfUse>,
    pub level: Option<Level>,
    /// What holds its music ([`crate::sound::engine::Hold::name`]); `None` where it has none.
    pub hold: Option<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OutOfUse {
    CardMissing,
    TakenOver,
    /// Told by a gateway of another version.
    Other,
}

/// What goes to the zone's channel.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Level {
    /// RMS, dB relative to an amplitude of full scale.
    pub dbfs: f64,
    /// RMS, dB above 1 mW into 600 ohm, where the card was measured.
    pub dbm: Option<f64>,
    pub peak_dbfs: f64,
    /// What the limiter takes off, dB: 0 or more.
    pub reduction_db: f64,
}

#[derive(Debug, Clone, PartialEq, Default)]
pub struct Page {
    pub id: u64,
    pub source: String,
    /// [`crate::config::plan::Speaker::kind`] of the source.
    pub kind: String,
    pub caller: String,
    pub priority: u64,
    pub state: String,
    /// Those that it has.
    pub zones: Vec<String>,
    pub wanted: Vec<String>,
    pub seconds: u64,
}

#[derive(Debug, Clone, PartialEq, Default)]
pub struct Relay {
    pub name: String,
    pub operated: bool,
    pub blinks: bool,
    pub moved_ms_ago: Option<u64>,
}

#[derive(Debug, Clone, PartialEq, Default)]
pub struct Registration {
    pub extension: String,
    /// Where it is registered.
    pub registrars: Vec<String>,
    /// Registrar and cause.
    pub refusals: Vec<(String, String)>,
}

#[derive(Debug, Clone, PartialEq, Default)]
pub struct Metrics {
    pub address: String,
    pub is_served: bool,
}

/// A page that is over: the fields of its record in lower case, and what else there is to say of it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Past(Map<String, Value>);

/// In [`Page::state`].
pub const HEARD: &str = "is heard";
pub const RECORDED: &str = "is recorded";

const OUT_OF_USE: [(OutOfUse, &str, &str); 2] = [
    (OutOfUse::CardMissing, "card-missing", "its sound card is missing"),
    (OutOfUse::TakenOver, "taken-over", "another system has the amplifier"),
];

impl OutOfUse {
    fn name(self) -> &'static str {
        let known = OUT_OF_USE.iter().find(|(known, ..)| *known == self);
        known.map_or("other", |(_, name, _)| name)
    }

    /// For people.
    pub fn text(self) -> &'static str {
        let known = OUT_OF_USE.iter().find(|(known, ..)| *known == self);
        known.map_or("this version does not know why", |(.., text)| text)
    }

    fn of(name: &str) -> Self {
        let known = OUT_OF_USE.iter().find(|(_, known, _)| *known == name);
        known.map_or(OutOfUse::Other, |(known, ..)| *known)
    }
}

impl Status {
    pub fn json(&self) -> Value {
        json!({
            "site": self.site,
            "zones": all(&self.zones, Zone::json),
            "pages": all(&self.pages, Page::json),
            "relays": all(&self.relays, Relay::json),
            "registrations": all(&self.registrations, Registration::json),
            "metrics": self.metrics.as_ref().map(|metrics| {
                json!({ "address": metrics.address, "is_served": metrics.is_served })
            }),
            "missing": self.missing,
            "config_waits": self.config_waits,
            "config_refused": self.config_refused,
            "next": self.next.as_ref().map(|(schedule, at)| json!({ "schedule": schedule, "at": at })),
            "recent": all(&self.recent, Past::json),
        })
    }

    /// What is not there, or not as it should be, is left empty: the gateway may be of another version.
    pub fn of(status: &Value) -> Self {
        let object = |key: &str| status.get(key).filter(|value| value.is_object());
        Status {
            site: text(status, "site"),
            zones: each(status, "zones", Zone::of),
            pages: each(status, "pages", Page::of),
            relays: each(status, "relays", Relay::of),
            registrations: each(status, "registrations", Registration::of),
            metrics: object("metrics").map(|metrics| Metrics {
                address: text(metrics, "address"),
                is_served: is_true(metrics, "is_served"),
            }),
            missing: texts(status, "missing"),
            config_waits: texts(status, "config_waits"),
            config_refused: is_true(status, "config_refused"),
            next: object("next").map(|next| (text(next, "schedule"), text(next, "at"))),
            recent: each(status, "recent", Past::of),
        }
    }

    /// "at rest", "1 page on, 2 wait".
    pub fn state(&self) -> String {
        let waiting = self.pages.iter().filter(|page| page.waits()).count();
        let on = self.pages.len() - waiting;
        let pages = |n: usize| {
            if n == 1 {
                "1 page".to_owned()
            } else {
                format!("{n} pages")
            }
        };
        match (on, waiting) {
            (0, 0) => "at rest".to_owned(),
            (on, 0) => format!("{} on", pages(on)),
            (0, 1) => "1 page waits".to_owned(),
            (0, waiting) => format!("{} wait", pages(waiting)),
            (on, 1) => format!("{} on, 1 waits", pages(on)),
            (on, waiting) => format!("{} on, {waiting} wait", pages(on)),
        }
    }

    pub fn zone(&self, name: &str) -> Option<&Zone> {
        self.zones.iter().find(|zone| zone.name == name)
    }

    /// One that waits, or is on.
    pub fn page(&self, id: u64) -> Option<&Page> {
        self.pages.iter().find(|page| page.id == id)
    }

    /// One that is over, as long as it is remembered.
    pub fn past(&self, id: u64) -> Option<&Past> {
        self.recent.iter().find(|past| past.id() == id)
    }
}

impl Zone {
    pub fn is_at_rest(&self) -> bool {
        self.phase == "rest" && self.out_of_use.is_none()
    }

    /// Music plays in it, and nothing holds it.
    pub fn has_music(&self) -> bool {
        self.level.is_some() && self.hold.as_deref() == Some("free")
    }

    fn json(&self) -> Value {
        let level = |of: fn(&Level) -> f64| self.level.as_ref().map(of);
        json!({
            "zone": self.name,
            "phase": self.phase,
            "page": self.page,
            "out_of_use": self.out_of_use.map(OutOfUse::name),
            "level_dbfs": level(|level| level.dbfs),
            "level_dbm": self.level.and_then(|level| level.dbm),
            "peak_dbfs": level(|level| level.peak_dbfs),
            "reduction_db": level(|level| level.reduction_db),
            "hold": self.hold,
        })
    }

    fn of(zone: &Value) -> Self {
        let level = number(zone, "level_dbfs").map(|dbfs| Level {
            dbfs,
            dbm: number(zone, "level_dbm"),
            peak_dbfs: number(zone, "peak_dbfs").unwrap_or(dbfs),
            reduction_db: number(zone, "reduction_db").unwrap_or(0.0),
        });
        Zone {
            name: text(zone, "zone"),
            phase: text(zone, "phase"),
            page: count(zone, "page"),
            out_of_use: some_text(zone, "out_of_use").map(|name| OutOfUse::of(&name)),
            level,
            hold: some_text(zone, "hold"),
        }
    }
}

impl Page {
    pub fn waits(&self) -> bool {
        self.state.ends_with("waits") || self.state == RECORDED
    }

    pub fn is_heard(&self) -> bool {
        self.state == HEARD
    }

    /// `yard (Gate office <201>)`.
    pub fn from(&self) -> String {
        from(&self.source, &self.caller)
    }

    /// The zones that it has, or wants while it has none.
    pub fn place(&self) -> &[String] {
        match self.zones.as_slice() {
            [] => &self.wanted,
            zones => zones,
        }
    }

    fn json(&self) -> Value {
        json!({
            "page": self.id,
            "source": self.source,
            "kind": self.kind,
            "caller": Some(&self.caller).filter(|caller| !caller.is_empty()),
            "priority": self.priority,
            "state": self.state,
            "zones": self.zones,
            "wanted": self.wanted,
            "seconds": self.seconds,
        })
    }

    fn of(page: &Value) -> Self {
        Page {
            id: count(page, "page").unwrap_or(0),
            source: text(page, "source"),
            kind: text(page, "kind"),
            caller: text(page, "caller"),
            priority: count(page, "priority").unwrap_or(0),
            state: text(page, "state"),
            zones: texts(page, "zones"),
            wanted: texts(page, "wanted"),
            seconds: count(page, "seconds").unwrap_or(0),
        }
    }
}

impl Relay {
    pub fn json(&self) -> Value {
        json!({
            "relay": self.name, "operated": self.operated, "blinks": self.blinks, "moved_ms_ago": self.moved_ms_ago,
        })
    }

    fn of(relay: &Value) -> Self {
        Relay {
            name: text(relay, "relay"),
            operated: is_true(relay, "operated"),
            blinks: is_true(relay, "blinks"),
            moved_ms_ago: count(relay, "moved_ms_ago"),
        }
    }
}

impl Registration {
    fn json(&self) -> Value {
        json!({
            "extension": self.extension,
            "registrars": self.registrars,
            "refusals": all(&self.refusals, |(registrar, cause)| json!({ "registrar": registrar, "cause": cause })),
        })
    }

    fn of(extension: &Value) -> Self {
        Registration {
            extension: text(extension, "extension"),
            registrars: texts(extension, "registrars"),
            refusals: each(extension, "refusals", |refusal| {
                (text(refusal, "registrar"), text(refusal, "cause"))
            }),
        }
    }
}

impl Past {
    pub fn new(fields: Map<String, Value>) -> Self {
        Past(fields)
    }

    pub fn json(&self) -> Value {
        Value::Object(self.0.clone())
    }

    fn of(past: &Value) -> Self {
        Past(past.as_object().cloned().unwrap_or_default())
    }

    pub fn id(&self) -> u64 {
        self.0.get("page").and_then(Value::as_u64).unwrap_or(0)
    }

    /// A field as one clean line; empty where it has none.
    pub fn text(&self, field: &str) -> String {
        line(self.0.get(field))
    }

    pub fn number(&self, field: &str) -> Option<f64> {
        self.0.get(field).and_then(Value::as_f64)
    }

    pub fn source(&self) -> String {
        self.text("source")
    }

    pub fn from(&self) -> String {
        from(&self.source(), &self.text("caller"))
    }

    /// Where it was heard.
    pub fn zones(&self) -> Vec<String> {
        lines(self.0.get("zones"))
    }

    /// Where it was not heard, and why if that is known.
    pub fn missed(&self) -> Vec<(String, Option<String>)> {
        let list = self.0.get("missed").and_then(Value::as_array).into_iter().flatten();
        list.map(|missed| (text(missed, "zone"), some_text(missed, "cause")))
            .collect()
    }

    pub fn was_heard(&self) -> bool {
        self.0.get("was_heard").and_then(Value::as_bool).unwrap_or(false)
    }

    /// How it ended, and how it was heard.
    pub fn ending(&self) -> String {
        let why = self.text("why");
        if !self.was_heard() {
            return format!("not heard: {why}");
        }
        let lost = self.number("lost_percent").map(|lost| format!("; {lost:.1} % lost"));
        format!(
            "in {}: {:.1} s, {why}{}",
            self.zones().join(", "),
            self.number("seconds").unwrap_or(0.0),
            lost.unwrap_or_default()
        )
    }

    /// Local time, RFC 3339; empty if the gateway's clock is not set.
    pub fn ended_at(&self) -> String {
        self.text("ended_at")
    }

    /// Time of the day.
    pub fn time(&self) -> String {
        let at = self.ended_at();
        at.get(11..19).unwrap_or("--:--:--").to_owned()
    }
}

fn from(source: &str, caller: &str) -> String {
    match caller {
        "" => source.to_owned(),
        caller => format!("{source} ({caller})"),
    }
}

fn all<T>(list: &[T], json: impl Fn(&T) -> Value) -> Vec<Value> {
    list.iter().map(json).collect()
}

fn line(value: Option<&Value>) -> String {
    clean(value.and_then(Value::as_str).unwrap_or_default(), MAX_TEXT)
}

fn lines(value: Option<&Value>) -> Vec<String> {
    let list = value.and_then(Value::as_array).into_iter().flatten();
    list.filter(|text| text.is_string())
        .map(|text| line(Some(text)))
        .collect()
}

fn text(value: &Value, key: &str) -> String {
    line(value.get(key))
}

fn some_text(value: &Value, key: &str) -> Option<String> {
    Some(text(value, key)).filter(|text| !text.is_empty())
}

fn texts(value: &Value, key: &str) -> Vec<String> {
    lines(value.get(key))
}

fn each<T>(value: &Value, key: &str, of: impl Fn(&Value) -> T) -> Vec<T> {
    let list = value.get(key).and_then(Value::as_array).into_iter().flatten();
    list.map(of).collect()
}

fn number(value: &Value, key: &str) -> Option<f64> {
    value.get(key).and_then(Value::as_f64)
}

fn count(value: &Value, key: &str) -> Option<u64> {
    value.get(key).and_then(Value::as_u64)
}

fn is_true(value: &Value, key: &str) -> bool {
    value.get(key).and_then(Value::as_bool).unwrap_or(false)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn everything() -> Status {
        let strings = |all: &[&str]| all.iter().map(|one| (*one).to_owned()).collect();
        Status {
            site: "Quayside Timber".to_owned(),
            zones: [None, Some(OutOfUse::CardMissing), Some(OutOfUse::TakenOver)]
                .into_iter()
                .map(|out_of_use| Zone {
                    name: "yard".to_owned(),
                    phase: "speech".to_owned(),
                    page: out_of_use.is_none().then_some(7),
                    out_of_use,
                    level: out_of_use.is_none().then_some(Level {
                        dbfs: -20.0,
                        dbm: Some(-13.5),
                        peak_dbfs: -6.25,
                        reduction_db: 3.0,
                    }),
                    hold: out_of_use.is_none().then(|| "free".to_owned()),
                })
                .collect(),
            pages: vec![Page {
                id: 7,
                source: "page".to_owned(),
                kind: "extension".to_owned(),
                caller: "Gate office <201>".to_owned(),
                priority: 50,
                state: HEARD.to_owned(),
                zones: strings(&["yard"]),
                wanted: strings(&["yard", "dock"]),
                seconds: 4,
            }],
            relays: vec![Relay {
                name: "trigger".to_owned(),
                operated: true,
                blinks: true,
                moved_ms_ago: Some(812),
            }],
            registrations: vec![Registration {
                extension: "page".to_owned(),
                registrars: strings(&["pbx.quayside.example"]),
                refusals: vec![("second.quayside.example".to_owned(), "403 Forbidden".to_owned())],
            }],
            metrics: Some(Metrics {
                address: "127.0.0.1:9745".to_owned(),
                is_served: true,
            }),
            missing: strings(&["sound card usb"]),
            config_waits: strings(&["zone yard"]),
            config_refused: true,
            next: Some(("shift-bell".to_owned(), "2026-11-26 06:00".to_owned())),
            recent: vec![Past::of(
                &json!({ "page": 6, "was_heard": true, "lost_percent": 0.25, "zones": ["yard"] }),
            )],
        }
    }

    #[test]
    fn what_is_told_is_what_is_read() {
        for status in [Status::default(), everything()] {
            assert_eq!(Status::of(&status.json()), status);
        }
    }

    /// Told by another version, or by something else at the socket.
    #[test]
    fn what_is_not_understood_is_left_empty() {
        for odd in [
            json!(null),
            json!([1]),
            json!({ "zones": 3, "pages": [null], "recent": ["x"], "next": "soon" }),
        ] {
            let status = Status::of(&odd);
            assert!(status.zones.is_empty() && status.next.is_none(), "{odd}");
        }
        let zones = json!({ "zones": [{ "zone": "yard", "phase": "rest", "out_of_use": "flooded" }] });
        assert_eq!(Status::of(&zones).zones[0].out_of_use, Some(OutOfUse::Other));
    }

    #[test]
    fn texts_of_strangers_are_one_clean_line() {
        let past = Past::of(&json!({ "source": "page", "caller": "Gate\n\u{1b}[2J<201>" }));
        assert!(past.from().chars().all(|c| !c.is_control()), "{:?}", past.from());
    }
}
