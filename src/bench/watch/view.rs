//! What a status says, in types.

use serde_json::Value;

use crate::report::entry::clean;

/// Longest text that is taken over, in characters.
const MAX_TEXT: usize = 200;

/// The gateway at one moment.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct View {
    pub site: String,
    pub zones: Vec<Zone>,
    pub pages: Vec<Page>,
    pub relays: Vec<Relay>,
    pub registrations: Vec<Registration>,
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
    /// "rest", "seize", "chime", "speech", "tail".
    pub phase: String,
    pub page: Option<u64>,
    pub out_of_use: Option<String>,
    pub level: Option<Level>,
    /// Music plays in it, and nothing holds it.
    pub has_music: bool,
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
    pub caller: String,
    pub priority: u64,
    pub state: String,
    /// Which it has, or wants while it has none.
    pub zones: Vec<String>,
    pub seconds: u64,
}

#[derive(Debug, Clone, PartialEq, Default)]
pub struct Relay {
    pub name: String,
    pub operated: bool,
    pub blinks: bool,
}

#[derive(Debug, Clone, PartialEq, Default)]
pub struct Registration {
    pub extension: String,
    pub registrars: Vec<String>,
    /// Registrar and cause.
    pub refusals: Vec<(String, String)>,
}

/// A page that is over.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Past {
    pub id: u64,
    pub source: String,
    pub caller: String,
    pub zones: Vec<String>,
    pub was_heard: bool,
    pub why: String,
    pub seconds: f64,
    pub lost_percent: Option<f64>,
    /// Local time, RFC 3339; empty if the gateway's clock is not set.
    pub ended_at: String,
}

impl View {
    /// What is not there, or not as it should be, is left empty: the gateway may be of another version.
    pub fn of(status: &Value) -> Self {
        let next = status.get("next").filter(|next| next.is_object());
        View {
            site: text(status, "site"),
            zones: each(status, "zones", zone),
            pages: each(status, "pages", page),
            relays: each(status, "relays", |relay| Relay {
                name: text(relay, "relay"),
                operated: is_true(relay, "operated"),
                blinks: is_true(relay, "blinks"),
            }),
            registrations: each(status, "registrations", |extension| Registration {
                extension: text(extension, "extension"),
                registrars: texts(extension, "registrars"),
                refusals: each(extension, "refusals", |refusal| {
                    (text(refusal, "registrar"), text(refusal, "cause"))
                }),
            }),
            missing: texts(status, "missing"),
            config_waits: texts(status, "config_waits"),
            config_refused: is_true(status, "config_refused"),
            next: next.map(|next| (text(next, "schedule"), text(next, "at"))),
            recent: each(status, "recent", past),
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
}

impl Zone {
    pub fn is_at_rest(&self) -> bool {
        self.phase == "rest" && self.out_of_use.is_none()
    }
}

impl Page {
    pub fn waits(&self) -> bool {
        self.state.ends_with("waits") || self.state == "is recorded"
    }

    pub fn from(&self) -> String {
        from(&self.source, &self.caller)
    }
}

impl Past {
    pub fn from(&self) -> String {
        from(&self.source, &self.caller)
    }

    /// How it ended, and how it was heard.
    pub fn text(&self) -> String {
        if !self.was_heard {
            return format!("not heard: {}", self.why);
        }
        let lost = self.lost_percent.map(|lost| format!("; {lost:.1} % lost"));
        let zones = self.zones.join(", ");
        let lost = lost.unwrap_or_default();
        format!("in {zones}: {:.1} s, {}{lost}", self.seconds, self.why)
    }

    /// Time of the day.
    pub fn time(&self) -> &str {
        self.ended_at.get(11..19).unwrap_or("--:--:--")
    }
}

/// `yard (Gate office <201>)`.
fn from(source: &str, caller: &str) -> String {
    match caller {
        "" => source.to_owned(),
        caller => format!("{source} ({caller})"),
    }
}

fn zone(zone: &Value) -> Zone {
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
        out_of_use: Some(text(zone, "out_of_use")).filter(|why| !why.is_empty()),
        has_music: level.is_some() && text(zone, "hold") == "free",
        level,
    }
}

fn page(page: &Value) -> Page {
    let (zones, wanted) = (texts(page, "zones"), texts(page, "wanted"));
    Page {
        id: count(page, "page").unwrap_or(0),
        source: text(page, "source"),
        caller: text(page, "caller"),
        priority: count(page, "priority").unwrap_or(0),
        state: text(page, "state"),
        zones: if zones.is_empty() { wanted } else { zones },
        seconds: count(page, "seconds").unwrap_or(0),
    }
}

fn past(page: &Value) -> Past {
    Past {
        id: count(page, "page").unwrap_or(0),
        source: text(page, "source"),
        caller: text(page, "caller"),
        zones: texts(page, "zones"),
        was_heard: is_true(page, "was_heard"),
        why: text(page, "why"),
        seconds: number(page, "seconds").unwrap_or(0.0),
        lost_percent: number(page, "lost_percent"),
        ended_at: text(page, "ended_at"),
    }
}

fn text(value: &Value, key: &str) -> String {
    clean(value.get(key).and_then(Value::as_str).unwrap_or_default(), MAX_TEXT)
}

fn each<T>(value: &Value, key: &str, of: impl Fn(&Value) -> T) -> Vec<T> {
    let list = value.get(key).and_then(Value::as_array).into_iter().flatten();
    list.map(of).collect()
}

fn texts(value: &Value, key: &str) -> Vec<String> {
    let list = value.get(key).and_then(Value::as_array).into_iter().flatten();
    list.filter_map(Value::as_str)
        .map(|text| clean(text, MAX_TEXT))
        .collect()
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
