//! What refused a call or a stream before it became a page, and which key rules that.

use super::said::Said;
use crate::report::message::kind;

/// What to do about it.
pub fn refusal(said: &Said) -> &'static str {
    let is = |kind| said.is(kind);
    let cause = said.field("CAUSE").unwrap_or_default();
    if is(kind::PAGE_LOST) || is(kind::RECORDING_LOST) {
        "The messages before that start of the gateway tell why it died: journalctl -u hornwire -x."
    } else if is(kind::TURNED_AWAY) {
        "It was not let in: networks of [sip] or of the extension say who may call, and an extension must have the number that was dialled."
    } else if is(kind::GATE_REFUSED) {
        gate(cause)
    } else if is(kind::WRONG_CODE) && cause.contains("outside its hours") {
        "The code was right, and is not taken at that time: hours of its table under [codes]."
    } else if is(kind::WRONG_CODE) {
        "The code was not one that the extension takes (codes of the extension, [codes] and the secrets file). Three wrong ones end the call."
    } else if is(kind::CODES_LOCKED) {
        "After wrong codes nobody of these can enter one for a while; the lock ends by itself (codes of the extension)."
    } else if is(kind::LEFT_DIAL_PAD) {
        "It ended at the dial pad, before it became a page: the extension asks for a code (codes) or for a zone (keypad) first."
    } else if is(kind::SENDER_REFUSED) && cause.contains("hours") {
        "The stream is not heard at that time: hours of the group."
    } else if is(kind::SENDER_REFUSED) {
        "The stream is not heard: networks of the group do not have its sender's address."
    } else if is(kind::NOT_DECODED) {
        "The sender's codec and the source's must be the same: set one of them."
    } else {
        "The call was let in but could not become a page; the reason stands behind its number."
    }
}

/// By the reason's words (`gate::Refusal` and `gate::Failure`).
fn gate(cause: &str) -> &'static str {
    match cause {
        "not from this network" => "The caller's address is in none of the extension's networks.",
        "only through its registrar" => {
            "The extension takes calls from its registrar alone (registrar_only), and this one came from elsewhere."
        }
        "no asserted identity" => {
            "The extension wants the phone system's word on who calls (asserted_only): a P-Asserted-Identity from a registrar or a peer in \
             trusted of [sip]."
        }
        "caller is denied" => "The extension's deny names the caller.",
        "caller is not allowed" => "The extension's allow does not name the caller.",
        "outside its hours" => "The extension takes no calls at that time (hours).",
        "code entry is locked" => {
            "After wrong codes nobody of these can enter one for a while; the lock ends by itself (codes of the extension)."
        }
        "too many callers at the dial pad" => {
            "The extension asks for a code (codes) or a zone (keypad), and too many callers were at it at once."
        }
        "too many wrong codes" => "The extension asks for an access code (codes), and three wrong ones end the call.",
        "no code was entered" => {
            "The extension asks for an access code (codes): after two rising notes the caller dials it, and # behind it."
        }
        "no such zone" => "The extension lets the caller choose a zone (keypad), and it has no such choice.",
        "no zone was chosen" => {
            "The extension lets the caller choose a zone (keypad): after the tone the caller dials it."
        }
        "code or zone took too long" => {
            "The extension asks for an access code (codes) or a zone (keypad), and they took too long to come."
        }
        "the rules have changed; call again" => "The config was read anew while the caller was at the dial pad.",
        _ => "A rule of the extension refused it; the reason stands above.",
    }
}
