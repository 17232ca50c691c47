//! What we speak: methods, option tags, bodies. Every header that says so is written from here.

use super::body::SDP;
use super::server::Answer;
use crate::sip::wire::{Fault, Request, display, tokens};

/// Allow (RFC 3261 §20.5).
pub(super) const ALLOW: &str = "INVITE, ACK, BYE, CANCEL, OPTIONS, UPDATE, PRACK, INFO";

/// Option tags that may be required of us: RFC 4028, RFC 3262, RFC 5373, RFC 4412.
const TAGS: [&str; 4] = ["timer", "100rel", "answermode", "resource-priority"];
/// Supported (RFC 3261 §20.37): the same.
pub(super) const SUPPORTED: &str = "timer, 100rel, answermode, resource-priority";

/// Bodies of INFO: keys of the dial pad (common practice, no published source).
pub(super) const DTMF_RELAY: &str = "application/dtmf-relay";
pub(super) const DTMF: &str = "application/dtmf";
/// Accept of a 415 to INFO.
pub(super) const ACCEPT_INFO: &str = "application/dtmf-relay, application/dtmf";
/// Accept of a 200 to OPTIONS (RFC 3261 §11.2).
const ACCEPT: &str = "application/sdp, application/dtmf-relay, application/dtmf";

/// Resource-Priority values that are understood: the namespaces of RFC 4412 §12.6 and RFC 7135, each with how many
/// values it numbers from 0, or their names.
const NUMBERED: [(&str, u8); 4] = [("q735", 5), ("ets", 5), ("wps", 5), ("esnet", 5)];
const NAMED: [&str; 5] = ["routine", "priority", "immediate", "flash", "flash-override"];

/// What is required of us and we lack, comma-separated and as it was spelt (RFC 3261 §8.2.2.3).
/// # Errors
/// 400 if Require cannot be read.
pub(super) fn lacking(request: &Request) -> Result<Option<String>, Fault> {
    let tags = request.message.list("Require")?;
    let known = |tag: &[u8]| TAGS.iter().any(|t| t.as_bytes().eq_ignore_ascii_case(tag));
    let lacking: Vec<String> = tags.iter().filter(|t| !known(t)).map(|t| display(t, 64)).collect();
    Ok((!lacking.is_empty()).then(|| lacking.join(", ")))
}

/// The option tags in Require.
fn required(request: &Request) -> Result<Vec<String>, Fault> {
    Ok(tokens(&request.message.list("Require")?))
}

/// This option tag is required.
pub(super) fn requires(request: &Request, tag: &str) -> bool {
    required(request).is_ok_and(|tags| tags.iter().any(|t| t == tag))
}

/// The far end takes requests of this method (RFC 3261 §20.5). Without Allow nothing is known.
pub(super) fn allows(message: &crate::sip::wire::Message, method: &str) -> Option<bool> {
    message.first("Allow")?;
    let list = message.list("Allow").ok()?;
    Some(list.contains(&method.as_bytes()))
}

/// The headers of a 200 to OPTIONS (RFC 3261 §11.2).
pub(super) fn described() -> Answer {
    let headers = [
        ("Allow", ALLOW.to_owned()),
        ("Accept", ACCEPT.into()),
        ("Accept-Encoding", "identity".into()),
        ("Accept-Language", "en".into()),
        ("Supported", SUPPORTED.into()),
        ("Accept-Resource-Priority", resource_priorities()),
    ];
    Answer {
        headers: headers.into(),
        ..Answer::default()
    }
}

/// The headers that go with every 2xx to INVITE or UPDATE (RFC 3261 §13.3.1.4).
pub(super) fn session_headers(contact: String) -> Vec<(&'static str, String)> {
    vec![
        ("Contact", contact),
        ("Allow", ALLOW.into()),
        ("Supported", SUPPORTED.into()),
    ]
}

pub(super) fn sdp_type() -> (&'static str, String) {
    ("Content-Type", SDP.into())
}

/// Whether a request that requires `resource-priority` names a value that is known (RFC 4412 §4.6.2: 417 if not).
/// One that requires it and names none asks for nothing.
pub(super) fn priority_is_known(request: &Request) -> bool {
    if !requires(request, "resource-priority") || request.message.first("Resource-Priority").is_none() {
        return true;
    }
    let Ok(values) = request.message.list("Resource-Priority") else {
        return false;
    };
    tokens(&values).iter().any(|v| is_known_priority(v))
}

/// `namespace.value`, lower case (RFC 4412 §3.1: neither part is case-sensitive).
fn is_known_priority(value: &str) -> bool {
    let Some((namespace, value)) = value.split_once('.') else {
        return false;
    };
    match namespace {
        "dsn" => NAMED.contains(&value),
        "drsn" => NAMED.contains(&value) || value == "flash-override-override",
        _ => NUMBERED
            .iter()
            .any(|(name, count)| *name == namespace && value.parse::<u8>().is_ok_and(|v| v < *count)),
    }
}

/// The value of Accept-Resource-Priority (RFC 4412 §3.2).
pub(super) fn resource_priorities() -> String {
    let dsn = NAMED.iter().map(|v| format!("dsn.{v}"));
    let drsn = NAMED
        .iter()
        .chain(&["flash-override-override"])
        .map(|v| format!("drsn.{v}"));
    let numbered = NUMBERED
        .iter()
        .flat_map(|(name, count)| (0..*count).map(move |v| format!("{name}.{v}")));
    dsn.chain(drsn).chain(numbered).collect::<Vec<_>>().join(", ")
}

/// Who answers: RFC 5373.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum AnswerMode {
    /// Nothing was asked.
    Open,
    /// The 200 says `Auto` under this name.
    Auto(&'static str),
    /// Nobody is here to answer by hand, and nothing else will do: 403.
    Impossible,
}

/// Priv-Answer-Mode stands before Answer-Mode; a wish that is not `require`d gives way to what we do anyway, which is
/// to answer at once.
pub(super) fn answer_mode(request: &Request) -> AnswerMode {
    for name in ["Priv-Answer-Mode", "Answer-Mode"] {
        let Some(value) = request.message.first(name) else {
            continue;
        };
        let mut parts = value.split(|b| *b == b';').map(crate::sip::wire::trim);
        let auto = parts.next().is_some_and(|mode| mode.eq_ignore_ascii_case(b"auto"));
        let must = parts.any(|p| p.eq_ignore_ascii_case(b"require"));
        return if must && !auto {
            AnswerMode::Impossible
        } else {
            AnswerMode::Auto(name)
        };
    }
    AnswerMode::Open
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4412 §12.6 lists them; 7.2.1 and 3.1: no case. Written down again, not derived.
    #[test]
    fn priorities() {
        for known in [
            "dsn.flash",
            "drsn.flash-override-override",
            "q735.0",
            "ets.4",
            "wps.3",
            "esnet.0",
        ] {
            assert!(is_known_priority(known), "{known}");
            assert!(resource_priorities().split(", ").any(|v| v == known), "{known}");
        }
        for unknown in [
            "dsn.flash-override-override",
            "ets.5",
            "foo.bar",
            "dsn",
            "dsn.",
            ".flash",
            "wps.-1",
            "ets.1.2",
        ] {
            assert!(!is_known_priority(unknown), "{unknown}");
        }
        assert_eq!(resource_priorities().split(", ").count(), 5 + 6 + 20);
    }

    #[test]
    fn one_list_of_tags() {
        assert_eq!(SUPPORTED, TAGS.join(", "));
    }
}
