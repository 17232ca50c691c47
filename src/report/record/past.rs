//! A page that is over, for programs.

use std::time::Duration;

use serde_json::{Map, Value, json};

use super::{Barrier, PageReport, reason_text};
use crate::report::status::Past;

/// Fields that come as lists.
const LISTS: [&str; 3] = ["ZONE", "MISSED_ZONE", "MISSED_CAUSE"];
/// Fields that are texts, whatever stands in them.
const TEXTS: [&str; 10] = [
    "SOURCE",
    "CALLER",
    "PEER",
    "END_REASON",
    "BY_SOURCE",
    "BEGAN",
    "ZONE_WAIT_CAUSE",
    "CODEC",
    "MEDIA_SECURITY",
    "QUIET_HOURS",
];

impl PageReport {
    /// The fields of its record in lower case, numbers as numbers; and what a person wants to see of it. `kind` of its source, if it is
    /// known; `ended_at`: local time, RFC 3339.
    pub fn past(&self, kind: Option<&str>, ended_at: Option<String>) -> Past {
        let entry = self.entry();
        let fields = entry.fields().filter(|(name, _)| !LISTS.contains(name));
        let mut page: Map<String, Value> = fields
            .map(|(name, value)| {
                let number = value.parse().ok().filter(|_| !TEXTS.contains(&name));
                let value = number.map_or_else(|| json!(value), Value::Number);
                (name.to_lowercase(), value)
            })
            .collect();
        let missed = self.missed.iter();
        let missed = missed.map(|m| json!({ "zone": m.zone, "cause": m.why.as_ref().map(Barrier::text) }));
        let more = json!({
            "page": self.record.page.0,
            "zones": self.zones,
            "missed": missed.collect::<Vec<Value>>(),
            "was_heard": self.record.heard_at.is_some(),
            "why": reason_text(self.record.reason),
            "seconds": seconds(self.record.heard_for),
            "wait_seconds": seconds(self.wait()),
            "ended_at": ended_at,
        });
        if let Value::Object(more) = more {
            page.extend(more);
        }
        if let Some(kind) = kind {
            page.insert("kind".to_owned(), json!(kind));
        }
        Past::new(page)
    }
}

/// To the millisecond.
fn seconds(time: Duration) -> f64 {
    u64::try_from(time.as_millis()).unwrap_or(u64::MAX) as f64 / 1000.0
}
