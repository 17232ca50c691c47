//! One journal entry: a sentence for people, fields for machines.
//!
//! Values come from the network as well: a caller's name may hold line breaks, escape sequences or marks that turn
//! the direction of writing. Nothing of that survives, so no value can forge a field, a line or a look.

use std::fmt::Display;

/// Longest value of a field, in characters; what is longer ends in `…`.
pub const MAX_VALUE: usize = 256;
/// Longest sentence, in characters.
pub const MAX_TEXT: usize = 1024;
/// Most fields of an entry.
pub const MAX_FIELDS: usize = 64;

/// How much an entry matters (sd-daemon levels).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[repr(u8)]
pub enum Severity {
    Error = 3,
    Warning = 4,
    /// Normal, but worth a look.
    Notice = 5,
    Info = 6,
}

impl Severity {
    /// Every one, the worst first.
    pub const ALL: [Severity; 4] = [Severity::Error, Severity::Warning, Severity::Notice, Severity::Info];

    /// The journal's `PRIORITY`: 3 to 6.
    pub fn level(self) -> u8 {
        self as u8
    }

    pub fn name(self) -> &'static str {
        match self {
            Severity::Error => "error",
            Severity::Warning => "warning",
            Severity::Notice => "notice",
            Severity::Info => "info",
        }
    }
}

/// What kind of message an entry is, for ever: the id of its catalog entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Kind {
    /// 128 bits, 32 lower-case hexadecimal digits (systemd.journal-fields(7), `MESSAGE_ID=`).
    pub id: &'static str,
    pub severity: Severity,
}

/// An entry, ready to be written: every text in it is one clean line of bounded length.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    kind: Kind,
    severity: Severity,
    text: String,
    fields: Vec<(&'static str, String)>,
}

impl Entry {
    pub fn new(kind: Kind, text: impl AsRef<str>) -> Self {
        Entry {
            kind,
            severity: kind.severity,
            text: clean(text.as_ref(), MAX_TEXT),
            fields: Vec::new(),
        }
    }

    /// Another severity than its kind's.
    #[must_use]
    pub fn severe(mut self, severity: Severity) -> Self {
        self.severity = severity;
        self
    }

    /// Adds a field. A name may come several times (the journal keeps each value). `name` is upper-case ASCII, digits
    /// and underscores, begins with a letter, and is at most 64 long. An empty value, and what goes beyond
    /// [`MAX_FIELDS`], is left out.
    #[must_use]
    pub fn with(mut self, name: &'static str, value: impl Display) -> Self {
        debug_assert!(is_field_name(name), "{name}");
        let value = clean(&value.to_string(), MAX_VALUE);
        if !value.is_empty() && self.fields.len() < MAX_FIELDS {
            self.fields.push((name, value));
        }
        self
    }

    /// Adds a field if there is a value.
    #[must_use]
    pub fn with_some(self, name: &'static str, value: Option<impl Display>) -> Self {
        match value {
            Some(value) => self.with(name, value),
            None => self,
        }
    }

    pub fn kind(&self) -> Kind {
        self.kind
    }

    pub fn severity(&self) -> Severity {
        self.severity
    }

    /// One line.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Without `MESSAGE`, `MESSAGE_ID` and `PRIORITY`. Each value is one line.
    pub fn fields(&self) -> impl Iterator<Item = (&'static str, &str)> {
        self.fields.iter().map(|(name, value)| (*name, value.as_str()))
    }

    /// The first value of a field.
    pub fn field(&self, name: &str) -> Option<&str> {
        self.fields().find(|(n, _)| *n == name).map(|(_, value)| value)
    }
}

/// A name that the journal takes (systemd's JOURNAL_NATIVE_PROTOCOL.md, journal_field_valid).
pub(super) fn is_field_name(name: &str) -> bool {
    name.len() <= 64
        && name.starts_with(|c: char| c.is_ascii_uppercase())
        && name
            .chars()
            .all(|c| c.is_ascii_uppercase() || c.is_ascii_digit() || c == '_')
}

/// `text` as one line of at most `limit` characters, ends trimmed: whitespace becomes a blank; every other control
/// character, line separator and writing-direction mark becomes U+FFFD.
pub fn clean(text: &str, limit: usize) -> String {
    let text = text.trim();
    let mut line = String::with_capacity(text.len().min(4 * limit));
    for (count, c) in text.chars().enumerate() {
        if count + 1 >= limit && text.chars().nth(limit).is_some() {
            line.push('…');
            break;
        }
        line.push(match c {
            '\t' | '\n' | '\r' => ' ',
            c if is_unfit(c) => char::REPLACEMENT_CHARACTER,
            c => c,
        });
    }
    line
}

/// Characters that can fake lines, colours or the order of a text on a terminal: Unicode categories Cc, Zl, Zp, and
/// the bidirectional and invisible formatting characters (Unicode UAX #9, UTS #55).
fn is_unfit(c: char) -> bool {
    c.is_control()
        || matches!(c,
            '\u{00ad}' | '\u{061c}' | '\u{180e}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
            | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e007f}')
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const KIND: Kind = Kind {
        id: "00000000000000000000000000000000",
        severity: Severity::Info,
    };

    #[test]
    fn hostile_names_stay_one_plain_line() {
        let clean = |text| clean(text, MAX_VALUE);
        assert_eq!(clean("Gate office <201>"), "Gate office <201>");
        assert_eq!(clean("Büro Süd 門"), "Büro Süd 門");
        assert_eq!(clean(" x\nPRIORITY=0\r\n"), "x PRIORITY=0");
        assert_eq!(clean("\u{1b}[31mred\u{1b}[0m"), "\u{fffd}[31mred\u{fffd}[0m");
        assert_eq!(
            clean("a\0b\u{85}c\u{2028}d\u{202e}e"),
            "a\u{fffd}b\u{fffd}c\u{fffd}d\u{fffd}e"
        );
        assert_eq!(clean(&String::from_utf8_lossy(b"caf\xe9")), "caf\u{fffd}");
    }

    #[test]
    fn long_texts_end_in_an_ellipsis() {
        assert_eq!(clean("abcd", 4), "abcd");
        assert_eq!(clean("abcde", 4), "abc…");
        assert_eq!(clean("äöüßé", 4), "äöü…");
    }

    #[test]
    fn empty_values_and_surplus_fields_fall_away() {
        let mut entry = Entry::new(KIND, "x").with("A", "  ").with_some("B", None::<u8>);
        assert_eq!(entry.fields().count(), 0);
        for value in 0..MAX_FIELDS + 5 {
            entry = entry.with("C", value);
        }
        assert_eq!(entry.fields().count(), MAX_FIELDS);
    }

    #[test]
    fn field_names() {
        assert!(is_field_name("PAGE_ID") && is_field_name("X1"));
        for wrong in ["", "_PID", "1X", "Page", "A=B", "A B", &"A".repeat(65)] {
            assert!(!is_field_name(wrong), "{wrong}");
        }
    }

    proptest! {
        #[test]
        fn every_text_is_one_bounded_line(text in any::<String>(), limit in 1usize..40) {
            let line = clean(&text, limit);
            prop_assert!(line.chars().count() <= limit);
            prop_assert!(!line.chars().any(is_unfit));
        }
    }
}
