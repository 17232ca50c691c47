//! What the gates tell: who was not let in, and why. Never a code.

use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use super::{Entry, kind, or_unknown, seconds};

/// `untold`: how many of the kind were not told since the last that was.
#[derive(Debug, Clone, PartialEq)]
pub enum GateMessage {
    /// A caller who may not page, now or here.
    Refused {
        extension: String,
        caller: String,
        place: IpAddr,
        status: u16,
        why: String,
        untold: u64,
    },
    WrongCode {
        extension: String,
        caller: String,
        place: IpAddr,
        why: String,
        untold: u64,
    },
    /// Code entry is locked.
    Locked {
        extension: String,
        caller: String,
        place: IpAddr,
        /// For whom.
        whose: String,
        left: Duration,
        untold: u64,
    },
    /// The caller hung up at the dial pad, so that there is no page.
    Left {
        extension: String,
        caller: String,
        place: IpAddr,
        /// What had not come yet.
        before: String,
        untold: u64,
    },
    /// A right code.
    Opened {
        extension: String,
        caller: String,
        place: IpAddr,
        /// The code's name.
        code: String,
        zones: String,
    },
    /// A multicast stream that is not heard.
    SenderRefused {
        group: String,
        peer: SocketAddr,
        why: String,
        untold: u64,
    },
}

impl GateMessage {
    pub(super) fn entry(&self) -> Entry {
        match self {
            GateMessage::Refused {
                extension,
                caller,
                place,
                status,
                why,
                untold,
            } => Entry::new(
                kind::GATE_REFUSED,
                format!(
                    "{extension} refused {} ({place}): {status}, {why}{}",
                    or_unknown(caller),
                    more(*untold)
                ),
            )
            .with("SOURCE", extension)
            .with("CALLER", caller)
            .with("PEER", place)
            .with("STATUS", status)
            .with("CAUSE", why)
            .with("UNTOLD", untold),
            GateMessage::WrongCode {
                extension,
                caller,
                place,
                why,
                untold,
            } => Entry::new(
                kind::WRONG_CODE,
                format!("{extension}: {why} from {} ({place}){}", or_unknown(caller), more(*untold)),
            )
            .with("SOURCE", extension)
            .with("CALLER", caller)
            .with("PEER", place)
            .with("CAUSE", why)
            .with("UNTOLD", untold),
            GateMessage::Locked {
                extension,
                caller,
                place,
                whose,
                left,
                untold,
            } => Entry::new(
                kind::CODES_LOCKED,
                format!(
                    "{extension}: code entry is locked for {whose}, {}, after wrong codes, the last from {} ({place}){}",
                    seconds(*left),
                    or_unknown(caller),
                    more(*untold)
                ),
            )
            .with("SOURCE", extension)
            .with("CALLER", caller)
            .with("PEER", place)
            .with("LOCKED", whose)
            .with("SECONDS", left.as_secs())
            .with("UNTOLD", untold),
            GateMessage::Left {
                extension,
                caller,
                place,
                before,
                untold,
            } => Entry::new(
                kind::LEFT_DIAL_PAD,
                format!(
                    "{extension}: {} ({place}) hung up before {before}{}",
                    or_unknown(caller),
                    more(*untold)
                ),
            )
            .with("SOURCE", extension)
            .with("CALLER", caller)
            .with("PEER", place)
            .with("BEFORE", before)
            .with("UNTOLD", untold),
            GateMessage::Opened {
                extension,
                caller,
                place,
                code,
                zones,
            } => Entry::new(
                kind::CODE_OPENED,
                format!(
                    "{extension}: code {code} opened {zones} for {} ({place})",
                    or_unknown(caller)
                ),
            )
            .with("SOURCE", extension)
            .with("CALLER", caller)
            .with("PEER", place)
            .with("CODE_NAME", code)
            .with("ZONES", zones),
            GateMessage::SenderRefused {
                group,
                peer,
                why,
                untold,
            } => Entry::new(
                kind::SENDER_REFUSED,
                format!("group {group} does not hear {peer}: {why}{}", more(*untold)),
            )
            .with("GROUP", group)
            .with("PEER", peer)
            .with("CAUSE", why)
            .with("UNTOLD", untold),
        }
    }
}

fn more(untold: u64) -> String {
    match untold {
        0 => String::new(),
        n => format!("; {n} more like it were not told"),
    }
}
