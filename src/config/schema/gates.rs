//! Who may page: the keys that extensions and groups share with nobody else, and access codes.

use super::Absent::{Default, Required, Unset};
use super::{Key, Kind, Section, absent, key, shared};
use crate::gate::{MAX_CODE, MIN_CODE};

pub(super) const NETWORKS: Key = shared(key(
    "networks",
    Kind::Networks,
    Unset("those of `sip.networks`, and every registrar."),
    r#"["192.0.2.64/26"]"#,
    "Who may call this extension beside its own registrars, in place of `sip.networks`.",
));

pub(super) const REGISTRAR_ONLY: Key = shared(key(
    "registrar_only",
    Kind::Flag,
    Default("false"),
    "true",
    "Only calls that come from the extension's own registrars.",
));

pub(super) const ASSERTED_ONLY: Key = shared(key(
    "asserted_only",
    Kind::Flag,
    Default("false"),
    "true",
    "Only callers whose identity a registrar or a peer in `sip.trusted` asserts (P-Asserted-Identity, RFC 3325).",
));

pub(super) const ALLOW: Key = shared(key(
    "allow",
    Kind::Callers,
    Unset("everybody who is not in `deny`."),
    r#"["2*", "foreman@pbx.quayside.example"]"#,
    "Who may page: the asserted identity where there is one, else From. `*` stands for any characters.",
));

pub(super) const DENY: Key = shared(key(
    "deny",
    Kind::Callers,
    Unset("nobody."),
    r#"["0*", "anonymous"]"#,
    "Who may not page. It wins over `allow`.",
));

pub(super) const HOURS: Key = shared(key(
    "hours",
    Kind::Hours,
    Unset("at any time."),
    r#"["Mon-Fri 06:00-18:00", "Sat 07:00-12:00"]"#,
    "When pages are let in, by the clock on the wall of `site.time_zone`. An end before its beginning is on the next day. \
     While the board's clock is not set, hours hold nobody back.",
));

pub(super) const CODES_OF: Key = shared(key(
    "codes",
    Kind::Names {
        section: "codes",
        empty: true,
    },
    Unset("no code is asked for."),
    r#"["gatehouse", "kiln"]"#,
    "The caller dials one of these codes and # before the page. Wrong codes lock code entry for longer and longer.",
));

pub(super) const CODE_LENGTH: Key = shared(key(
    "code_length",
    Kind::Integer {
        from: MIN_CODE as i64,
        to: MAX_CODE as i64,
    },
    Unset("a code ends with # or when nothing more is dialled."),
    "6",
    "All codes of the extension have so many digits, so that no # is needed.",
));

pub(super) const KEYPAD: Key = shared(key(
    "keypad",
    Kind::Keypad,
    Unset("nothing to choose."),
    r#"{ "1" = ["yard"], "2" = ["sawmill"] }"#,
    "The caller chooses zones on the dial pad, after the code if there is one. Each entry is a list of zones, or \
     { zones = […], priority = … }. A code with zones of its own opens no others.",
));

pub(super) const NO_CHOICE: Key = shared(key(
    "no_choice",
    Kind::Choice(&["zones", "hang up"]),
    Default(r#""zones""#),
    r#""hang up""#,
    "What becomes of a caller who chooses nothing: a page in the extension's (or the code's) \"zones\", or \"hang up\".",
));

pub(super) const DIAL: Key = key(
    "dial",
    Kind::Dial,
    Unset("`user` alone."),
    r#"{ "8501" = ["yard"], "8502" = ["sawmill"] }"#,
    "Further numbers that the phone system sends here, and the zones that each stands for: a list of zones, or \
     { zones = […], priority = … }. `*` stands for any characters; the first that fits counts.",
);

pub(super) const URGENT: Key = shared(key(
    "urgent",
    Kind::Urgent,
    Unset("the headers change nothing."),
    r#"{ "emergency" = 95, "dsn.flash" = 90 }"#,
    "Raises a page's priority by the call's Priority (RFC 3261) or Resource-Priority (RFC 4412) header, from a registrar or \
     a peer in `sip.trusted` alone. It never lowers it.",
));

pub(super) const CODES: Section = Section {
    path: "codes",
    named: true,
    doc: "An access code: who or what it is for. The code itself stands in the secrets file as `hornwire code` prints it.",
    defaults: None,
    keys: &[
        key(
            "secret",
            Kind::SecretName,
            Required,
            r#""gatehouse""#,
            "The name of the line in the secrets file.",
        ),
        key(
            "zones",
            Kind::Names {
                section: "zones",
                empty: false,
            },
            Unset("the extension's."),
            r#"["yard"]"#,
            "The zones that this code opens.",
        ),
        key(
            "priority",
            Kind::Integer { from: 0, to: 100 },
            Unset("the extension's."),
            "80",
            "The priority of its pages.",
        ),
        absent(
            Key {
                shared: false,
                doc: "When the code counts. At other times it is like a wrong one.",
                ..HOURS
            },
            Unset("at any time."),
        ),
    ],
};
