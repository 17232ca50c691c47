//! One entry of the journal, as `journalctl -o json` gives it (systemd's Journal JSON Format).

use jiff::Timestamp;
use serde_json::{Map, Value};

use super::super::entry::{Kind, MAX_TEXT, clean};
use super::super::message::{KINDS, kind};

/// systemd's own message kinds (sd-messages.h): a process exited, a unit failed.
const PROCESS_EXITED: &str = "98e322203f7a4ed290d09fe03c09fe15";
const UNIT_FAILED: &str = "d9b373ed55a64feb8242e02dbe79a49c";

/// An entry.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Said {
    pub at: Timestamp,
    /// One clean line.
    pub text: String,
    /// 0 to 7; 6 if it does not say.
    pub severity: u8,
    id: String,
    /// Which start of the service said it.
    run: String,
    fields: Vec<(String, String)>,
}

/// A line that is no entry.
#[derive(Debug, PartialEq, Eq, thiserror::Error)]
#[error("line {line}: {cause}")]
pub struct Unreadable {
    pub line: usize,
    pub cause: String,
}

impl Said {
    /// Entries, one a line, in the order of time.
    ///
    /// # Errors
    /// At the first line that is no JSON object with a time.
    pub fn read(text: &str) -> Result<Vec<Said>, Unreadable> {
        let lines = text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty());
        let entries = lines.map(|(index, line)| Said::of(line).map_err(|cause| Unreadable { line: index + 1, cause }));
        let mut entries: Vec<Said> = entries.collect::<Result<_, _>>()?;
        entries.sort_by_key(|said| said.at);
        Ok(entries)
    }

    fn of(line: &str) -> Result<Said, String> {
        let object: Map<String, Value> = serde_json::from_str(line).map_err(|error| error.to_string())?;
        let mut fields = Vec::new();
        for (name, value) in object {
            for value in values(&value) {
                fields.push((name.clone(), clean(&value, MAX_TEXT)));
            }
        }
        let first = |name: &str| fields.iter().find(|(n, _)| n == name).map(|(_, value)| value.clone());
        let micros = first("__REALTIME_TIMESTAMP").and_then(|at| at.parse().ok());
        let at = micros.and_then(|micros| Timestamp::from_microsecond(micros).ok());
        Ok(Said {
            at: at.ok_or("an entry without __REALTIME_TIMESTAMP; it wants what `journalctl -o json` prints")?,
            text: first("MESSAGE").unwrap_or_default(),
            severity: first("PRIORITY").and_then(|p| p.parse().ok()).unwrap_or(6),
            id: first("MESSAGE_ID").unwrap_or_default(),
            run: first("_SYSTEMD_INVOCATION_ID").unwrap_or_default(),
            fields,
        })
    }

    pub fn is(&self, kind: Kind) -> bool {
        self.id == kind.id
    }

    /// systemd says that the service's main process has ended, and not one that it runs beside it.
    pub fn is_end_of_service(&self) -> bool {
        let main = self.text.contains("Main process") || self.field("COMMAND") == Some("ExecStart");
        self.id == PROCESS_EXITED && main || self.id == UNIT_FAILED && self.text.contains("Failed with result")
    }

    /// The service manager said it, about the unit: no message of the gateway's own.
    pub fn is_of_the_manager(&self) -> bool {
        !KINDS.iter().any(|(_, kind)| self.is(*kind))
    }

    /// The program, or the service manager, says that it was not started. A caller chooses its own name.
    pub fn is_failed_start(&self) -> bool {
        let told = ["cannot start", "not started"]
            .iter()
            .any(|words| self.text.contains(words));
        let by_others = ["CALLER", "PEER", "SOURCE", "GROUP", "PROBLEM"];
        let reread = self.is(kind::CONFIG_FAULT) || self.is(kind::CONFIG_KEPT);
        told && !reread && by_others.iter().all(|name| self.field(name).is_none())
    }

    /// Which start of the service said it.
    pub fn run(&self) -> &str {
        &self.run
    }

    /// By the same start of the service.
    pub fn same_run(&self, other: &Said) -> bool {
        self.run == other.run
    }

    /// The first value.
    pub fn field(&self, name: &str) -> Option<&str> {
        self.fields
            .iter()
            .find(|(n, _)| n == name)
            .map(|(_, value)| value.as_str())
    }

    /// Every value.
    pub fn all(&self, name: &str) -> Vec<&str> {
        let of = self.fields.iter().filter(|(n, _)| n == name);
        of.map(|(_, value)| value.as_str()).collect()
    }

    /// Of a page's record: it had a zone, or was recorded; what its source sent was wanted.
    pub fn was_let_in(&self) -> bool {
        let zone_wait = self.number("ZONE_WAIT_MS").zip(self.number("WAIT_MS"));
        self.is(kind::PAGE_ENDED) || self.has("RECORDED", "1") || zone_wait.is_some_and(|(zone, all)| zone < all)
    }

    /// Of a page's record: its source was listened to, and sent nothing that could be played. What we play ourselves counts no packets.
    pub fn is_silent(&self) -> bool {
        self.number("PACKETS") == Some(0.0) && self.was_let_in()
    }

    pub fn has(&self, name: &str, value: &str) -> bool {
        self.fields.iter().any(|(n, v)| n == name && v == value)
    }

    pub fn number(&self, name: &str) -> Option<f64> {
        self.field(name)?.parse().ok().filter(|number: &f64| number.is_finite())
    }
}

/// A text; a list of texts, where the field comes several times; or a list of octets, where they are no clean text.
fn values(value: &Value) -> Vec<String> {
    match value {
        Value::String(text) => vec![text.clone()],
        Value::Array(list) if list.iter().all(Value::is_u64) => {
            let octets: Vec<u8> = list
                .iter()
                .filter_map(Value::as_u64)
                .filter_map(|n| u8::try_from(n).ok())
                .collect();
            vec![String::from_utf8_lossy(&octets).into_owned()]
        }
        Value::Array(list) => list.iter().flat_map(values).collect(),
        Value::Number(number) => vec![number.to_string()],
        _ => Vec::new(),
    }
}
