//! Stored messages.

use super::Absent::{Default, Required};
use super::{Kind, Section, key};

pub(super) const MESSAGES: Section = Section {
    path: "messages",
    named: true,
    doc: "Stored messages: files that are played, as the chime of a source for instance. They are read and checked at the start, \
          brought to the loudness of levelled speech, and kept in memory, 96 kB a second.",
    defaults: None,
    keys: &[
        key(
            "file",
            Kind::File,
            Required,
            r#""chimes/shift-end.opus""#,
            "A WAV file, or an Ogg Opus file, of at most 5 minutes; beside the config file unless the whole path is written.",
        ),
        key(
            "gain",
            Kind::Gain { from: -40.0, to: 20.0 },
            Default(r#""0 dB""#),
            r#""-3 dB""#,
            "Makes this message louder or softer than speech; each zone's own gain comes on top.",
        ),
    ],
};
